"""Checks of the air near the ground, by a finer weather model where it has a say.

Named rules
-----------
whole families
    Wind and gust, what is seen of clouds, and rain are each taken from the finer model as a
    whole or not at all: for an hour in which one check of a family that is asked could not be
    answered by it from set-up to the end of hold, all of that family are the deciding model's.
    So no check mixes two models, and each hour says which checks are the finer one's. Its doubt
    is that of its own neighbourhood, by its own lead time; a draw is displaced the same way in
    both models, so that their weather belongs together.
only the site
    Flights, what is above the ground there (shear, thunder, the front) and the wind where it
    lands stay the deciding model's.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from windowwatch.physics.neighbourhood import Shifts
from windowwatch.physics.surface import SurfaceSeries
from windowwatch.scoring.answer import Measure
from windowwatch.scoring.checks.release import measures_of_series
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import NearGap, NearGround, Site
from windowwatch.units import FloatArray

#: Checks that come from one model together.
FAMILIES = (
    ("wind", "gust"),
    ("cloud", "low_cloud", "middle_cloud", "high_cloud", "ceiling", "visibility"),
    ("precipitation",),
)


@dataclass(frozen=True)
class NearWeather:
    """What a finer model says at one site.

    Parameters
    ----------
    model : str
    cycle_id : str or None
        None where no cycle is at hand.
    series : SurfaceSeries or None
        None where it says nothing; `gap` then says why.
    gap : NearGap or None
    shifts : Shifts or None
        Drawn displacements by this model's own lead time, for the chance.
    beside : mapping of float to sequence of (SurfaceSeries or None)
        By lead time [h], what it says at the displaced place of each draw.
    wind : SurfaceSeries or None
        Wind and gust as measurements at the site have corrected them: in the place of those of
        `series`, and of the deciding model's.
    """

    model: str
    cycle_id: str | None = None
    series: SurfaceSeries | None = None
    gap: NearGap | None = None
    shifts: Shifts | None = None
    beside: Mapping[float, Sequence[SurfaceSeries | None]] = field(default_factory=dict)
    wind: SurfaceSeries | None = None


class Finer:
    """The finer model's answers at one site, for every launch hour.

    Parameters
    ----------
    site : Site
    near : NearWeather
    launch_unix_s : array [N]
        [s since 1970 UTC]
    plan : ScoringPlan
    speed_error_mps : array [N, D], optional
        As in `release.release_measures`.
    """

    def __init__(
        self,
        site: Site,
        near: NearWeather,
        launch_unix_s: FloatArray,
        plan: ScoringPlan,
        speed_error_mps: FloatArray | None,
    ) -> None:
        self._near, self._plan, self._launch = near, plan, launch_unix_s
        self._measures: dict[str, Measure] = {}
        doubt = (speed_error_mps, near.shifts, near.beside)
        if near.series is not None:
            found = measures_of_series(site, near.series, launch_unix_s, plan, *doubt)
            self._measures.update((measure.name, measure) for measure in found)
        if near.wind is not None:
            # measured at the site itself: what the forecast has beside it says nothing of it
            found = measures_of_series(site, near.wind, launch_unix_s, plan, speed_error_mps)
            self._measures.update((m.name, m) for m in found if m.name in FAMILIES[0])

    def of_hour(
        self, index: int, measures: Sequence[Measure]
    ) -> tuple[list[Measure], NearGround | None]:
        """Measures of an hour, the finer model's in the place of the deciding one's.

        Also says which those are; None where nothing is asked that it could answer.
        """
        asked = {measure.name for measure in measures}
        families = [[name for name in family if name in asked] for family in FAMILIES]
        families = [family for family in families if family]
        if not families:
            return list(measures), None
        taken = [name for family in families if self._knows(family, index) for name in family]
        whole = len(taken) == sum(map(len, families))
        said = NearGround(
            self._near.model,
            self._near.cycle_id,
            tuple(taken),
            None if whole else self._why(index),
        )
        own = [self._measures[m.name] if m.name in taken else m for m in measures]
        return own, said

    def _knows(self, names: Sequence[str], index: int) -> bool:
        found = [self._measures.get(name) for name in names]
        return all(m is not None and not np.isnan(m.values[index]).any() for m in found)

    def _why(self, index: int) -> NearGap:
        if self._near.series is None:
            return self._near.gap or NearGap.ABSENT
        times = self._near.series.time_unix_s
        start_s = self._launch[index] - 60.0 * self._plan.setup_min
        end_s = self._launch[index] + 60.0 * self._plan.hold_min
        inside = times[0] <= start_s and end_s <= times[-1]
        return NearGap.INCOMPLETE if inside else NearGap.BEYOND
