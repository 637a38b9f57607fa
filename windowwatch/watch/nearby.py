"""What a pass knows of a finer weather model near the ground: its files, read at the sites."""

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from windowwatch.clock import to_unix_s
from windowwatch.errors import DecodeError, ForecastError
from windowwatch.forecast.atsites import read_at
from windowwatch.forecast.cycle import Cycle, SourceFile
from windowwatch.forecast.download.ledger import KeptFile
from windowwatch.forecast.notes import Attribution, NearGround, NearGroundUnused, Notes
from windowwatch.physics.neighbourhood import Shifts, draw_shifts
from windowwatch.physics.surface import SurfaceSeries
from windowwatch.scoring.nearby import NearWeather
from windowwatch.scoring.values import NearGap, Site
from windowwatch.watch.values import Watch

_LOG = logging.getLogger(__name__)


@dataclass(frozen=True)
class NearFiles:
    """A finer model's cycle as it lies on the disk; without a cycle where none is at hand.

    `sites` names those in its area.
    """

    model: str
    sites: tuple[str, ...]
    cycle: Cycle | None = None
    files: tuple[KeptFile, ...] = ()
    credit: str = ""


@dataclass(frozen=True)
class NearAtSites:
    """What a pass knows of the finer model: by site, with what it was read from."""

    sites: Mapping[str, NearWeather]
    files: tuple[SourceFile, ...] = ()
    gaps: Notes = ()
    remarks: Notes = ()


def read_near(near: NearFiles | None, watch: Watch, deciding: Cycle) -> NearAtSites | None:
    """Read what is at hand at the sites; trouble leaves them to the deciding model, and is said.

    With it comes what the finer model says beside each site, where the draws of the deciding
    model's pass are displaced to: `deciding` is its cycle.
    """
    if near is None:
        return None
    sites = watch.sites
    inside = [site for site in sites if site.name in near.sites]
    outside = {
        site.name: NearWeather(near.model, gap=NearGap.OUTSIDE)
        for site in sites
        if site not in inside
    }
    if near.cycle is None or not inside:
        absent = {site.name: NearWeather(near.model, gap=NearGap.ABSENT) for site in inside}
        return NearAtSites({**outside, **absent})
    cycle = near.cycle
    spots = [_Spots.of(site, near, cycle, watch, deciding) for site in inside]
    places = [place for spot in spots for place in spot.places]
    try:
        found = read_at([file.path for file in near.files], cycle, [*inside, *places])
        _require_same(near.files, found.files)
    except ForecastError as error:
        _LOG.warning("%s, near the ground: %s", cycle.id, error.message)
        bad = NearWeather(near.model, cycle.id, gap=NearGap.UNREADABLE)
        unused = NearGroundUnused(cycle.id, error.message)
        return NearAtSites({**outside, **{s.name: bad for s in inside}}, remarks=(unused,))
    made = {
        site.name: spot.weather(near.model, cycle.id, found.series)
        if site.name in found.series
        else NearWeather(near.model, cycle.id, gap=NearGap.OUTSIDE)
        for site, spot in zip(inside, spots, strict=True)
    }
    gaps = tuple(NearGround(cycle.id, gap) for gap in found.gaps)
    return NearAtSites({**outside, **made}, found.files, gaps, (Attribution(near.credit),))


@dataclass(frozen=True)
class _Spot:
    """A displaced place, for whoever reads at places."""

    name: str
    latitude_deg: float
    longitude_deg: float


@dataclass(frozen=True)
class _Spots:
    """Where the draws of a site are displaced to, at each lead time."""

    site: Site
    shifts: Shifts
    leads_h: tuple[float, ...]
    places: tuple[_Spot, ...]

    @classmethod
    def of(
        cls, site: Site, near: NearFiles, cycle: Cycle, watch: Watch, deciding: Cycle
    ) -> "_Spots":
        start_s = to_unix_s(cycle.reference_utc)
        drawn = draw_shifts(
            watch.draws,
            watch=watch.name,
            cycle_id=deciding.id,
            site=site.name,
            cycle_unix_s=start_s,
        )
        # an hour of launching may begin up to the last step that there is
        ends_s = np.array([start_s + 3600.0 * file.step_h for file in near.files])
        last_h = float(drawn.lead_h(ends_s).max(initial=0.0))
        leads_h = tuple(np.arange(0.0, last_h + 1.0, 6.0).tolist())
        places = []
        for lead_h in leads_h:
            at = drawn.of_lead(site.latitude_deg, site.longitude_deg, lead_h)
            places += [
                _Spot(_name(site, lead_h, draw), float(latitude), float(longitude))
                for draw, (latitude, longitude, _) in enumerate(zip(*at, strict=True))
            ]
        return cls(site, drawn, leads_h, tuple(places))

    def weather(
        self, model: str, cycle_id: str, series: Mapping[str, SurfaceSeries]
    ) -> NearWeather:
        """What the model says at the site and beside it."""
        draws = range(self.shifts.east.size)
        beside = {
            lead_h: tuple(series.get(_name(self.site, lead_h, draw)) for draw in draws)
            for lead_h in self.leads_h
        }
        own = series[self.site.name]
        return NearWeather(model, cycle_id, own, shifts=self.shifts, beside=beside)


def _name(site: Site, lead_h: float, draw: int) -> str:
    """A name that no site has."""
    return f"{site.name}\x1f{lead_h:g}\x1f{draw}"


def _require_same(kept: Sequence[KeptFile], read: Sequence[SourceFile]) -> None:
    """Refuse files whose bytes have changed since they were checked."""
    sums = {file.path: file.sha256 for file in kept}
    for file in read:
        if sums[file.path] != file.sha256:
            raise DecodeError(f"{file.path}: its bytes have changed since it was checked")
