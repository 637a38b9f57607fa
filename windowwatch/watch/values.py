"""A watch: everything one pass needs to know that is not weather, and where its weather comes from.

Pure: which launch hours are looked at, how much of the map is needed, and sources as values.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from windowwatch.chase.values import ChaseRules
from windowwatch.clock import floor_to_step, require_utc
from windowwatch.errors import InputError
from windowwatch.ground.query.features import Ground
from windowwatch.launchday.team import Team
from windowwatch.learning.learned import FROM_MEMORY, Belief
from windowwatch.notices.values import Channel
from windowwatch.physics.train import FlightTrain
from windowwatch.scoring.opinions import Role
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Site
from windowwatch.windows.agreement import AgreementRules
from windowwatch.windows.decisions import Decision
from windowwatch.windows.window import WindowRules

# What fetches takes long to load, and most who read settings fetch nothing.
if TYPE_CHECKING:
    from windowwatch.forecast.download.fetch import RetryPolicy
    from windowwatch.watch.polling.network import NetworkPlan


@dataclass(frozen=True)
class Span:
    """The days that are watched.

    Either fixed, from `first_utc` up to but without `last_utc`, or rolling: `days_ahead`
    from the present on. Launch hours stand on whole multiples of `step`.
    """

    step: timedelta
    days_ahead: float
    first_utc: datetime | None = None
    last_utc: datetime | None = None

    def __post_init__(self) -> None:
        if self.step <= timedelta(0):
            raise InputError(f"the step between launch hours must be above zero; it is {self.step}")

    def hours(self, now_utc: datetime) -> tuple[datetime, ...]:
        """Launch hours that are still to come at `now_utc`, in order; perhaps none.

        Raises
        ------
        InputError
            If `now_utc` carries no time zone.
        """
        now_utc = require_utc(now_utc)
        first = now_utc if self.first_utc is None else max(now_utc, require_utc(self.first_utc))
        if self.last_utc is None:
            last = now_utc + timedelta(days=self.days_ahead)
        else:
            last = require_utc(self.last_utc)
        hour = floor_to_step(first, self.step)
        if hour < first:
            hour += self.step
        count = max(0, -((hour - last) // self.step))
        return tuple(hour + i * self.step for i in range(count))


#: Farthest that flights are followed from a site, as degrees of latitude: about 670 km, more
#: than a flight of three hours makes in a jet of 60 m/s. Common practice, no source.
REACH_DEG = 6.0

#: South, west, north, east. [deg] East may exceed 180.
Area = tuple[float, float, float, float]


def area_of(sites: Sequence[Site], reach_deg: float = REACH_DEG) -> Area:
    """Smallest box that holds every site and the reach of its flights.

    The box is cut at the widest gap between the sites' longitudes, so that two sites on
    either side of the date line give a narrow box across it.

    Parameters
    ----------
    sites : sequence of Site
        At least one.
    reach_deg : float
        Margin in degrees of latitude; wider in longitude towards the poles. [deg]

    Returns
    -------
    south, west, north, east : float
        Latitudes within ±90; ``west`` in [-180, 180), ``east`` up to 360 above it.
    """
    south = min(site.latitude_deg for site in sites) - reach_deg
    north = max(site.latitude_deg for site in sites) + reach_deg
    longitudes = sorted({(site.longitude_deg + 180.0) % 360.0 - 180.0 for site in sites})
    gaps = [
        (longitudes[(i + 1) % len(longitudes)] - value) % 360.0 or 360.0
        for i, value in enumerate(longitudes)
    ]
    widest = gaps.index(max(gaps))
    first = longitudes[(widest + 1) % len(longitudes)]
    span = 360.0 - gaps[widest]
    margin = reach_deg / max(math.cos(math.radians(max(abs(south), abs(north)))), 0.1)
    if span + 2 * margin >= 360.0:
        return max(south, -90.0), -180.0, min(north, 90.0), 180.0
    west = (first - margin + 180.0) % 360.0 - 180.0
    return max(south, -90.0), west, min(north, 90.0), west + span + 2 * margin


@dataclass(frozen=True)
class Source:
    """Where cycles of one weather model come from.

    Parameters
    ----------
    model : str
        What its cycles are called in results.
    words : str
        The place, for people.
    available_after : timedelta
        How long after its reference time a cycle is usually complete; rehearsals go by it.
    folder : Path, optional
        Folder that somebody else puts files into …
    network : NetworkPlan, optional
        … or what is fetched. One of the two is given.
    retry_policy : RetryPolicy, optional
        How hosts are treated, where anything is fetched.
    """

    model: str
    words: str
    available_after: timedelta
    folder: Path | None = None
    network: "NetworkPlan | None" = None
    retry_policy: "RetryPolicy | None" = None


@dataclass(frozen=True)
class Watch:
    """One flight train, some sites, limits, a span of days, the people to tell.

    Parameters
    ----------
    name : str
        Results are stored under it.
    model : str
        Name of the weather model the files belong to.
    draws : int
        Flights for each launch hour and member.
    channels : tuple of Channel
        Who is told, and what each wants to hear.
    decisions : tuple of Decision
        What an open window asks people to decide, and when.
    hold_advice_before : timedelta, optional
        Hold advice on a window is told so long before its first release; never when None.
    page_url : str, optional
        Address of the page, for links in long notices.
    others : tuple of str
        Names of weather models that are asked what they think; `model` decides.
    agreement : AgreementRules
        When those have a say, and when it is told that they disagree.
    role : Role
        Opinion where this is the watch as one of `others` sees it.
    team : Team
        What is the same at every planned launch: countdown, cylinders, who may say go.
    use_learned : bool
        Whether flights are made with what was learned, where there is any (`watch.learned`).
    belief : Belief
        Error tables and worth of chances that flights are made with.
    chase : ChaseRules
        How crews are sent after a flight, and when people hear of it.
    """

    name: str
    model: str
    sites: tuple[Site, ...]
    train: FlightTrain
    span: Span
    draws: int
    plan: ScoringPlan
    rules: WindowRules
    ground: Ground
    channels: tuple[Channel, ...] = ()
    decisions: tuple[Decision, ...] = ()
    hold_advice_before: timedelta | None = None
    page_url: str | None = None
    others: tuple[str, ...] = ()
    agreement: AgreementRules = field(default_factory=AgreementRules)
    role: Role = Role.PRIMARY
    team: Team = field(default_factory=Team)
    use_learned: bool = False
    belief: Belief = FROM_MEMORY
    chase: ChaseRules = field(default_factory=ChaseRules)

    def __post_init__(self) -> None:
        if not self.sites:
            raise InputError(f"watch {self.name!r} has no site; give at least one")
        if self.draws < 1:
            raise InputError(f"watch {self.name!r} wants {self.draws} draws; give 1 or more")
        models = (self.model, *self.others)
        if len(set(models)) < len(models):
            raise InputError(
                f"watch {self.name!r} names a weather model twice ({', '.join(models)}); name "
                "each once"
            )

    def as_seen_by(self, model: str) -> "Watch":
        """The watch of another weather model: its hours are kept as an opinion.

        It is this very watch for the model that decides.

        Raises
        ------
        InputError
            If the watch does not ask that model.
        """
        if model == self.model:
            return self
        if model not in self.others:
            raise InputError(f"watch {self.name!r} does not ask the weather model {model!r}")
        return replace(self, model=model, others=(), role=Role.OPINION)
