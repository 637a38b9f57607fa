"""What a pass knows of a finer weather model near the ground: its files, read at the sites."""

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from windowwatch.errors import DecodeError, ForecastError
from windowwatch.forecast.atsites import read_at
from windowwatch.forecast.cycle import Cycle, SourceFile
from windowwatch.forecast.download.ledger import KeptFile
from windowwatch.scoring.nearby import NearWeather
from windowwatch.scoring.values import NearGap, Site

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
    gaps: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


def read_near(near: NearFiles | None, sites: Sequence[Site]) -> NearAtSites | None:
    """Read what is at hand at the sites; trouble leaves them to the deciding model, and is said."""
    if near is None:
        return None
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
    try:
        found = read_at([file.path for file in near.files], cycle, inside)
        _require_same(near.files, found.files)
    except ForecastError as error:
        _LOG.warning("%s, near the ground: %s", cycle.id, error.message)
        bad = NearWeather(near.model, cycle.id, gap=NearGap.UNREADABLE)
        words = f"{cycle.id} near the ground is not used: {error.message}"
        return NearAtSites({**outside, **{s.name: bad for s in inside}}, remarks=(words,))
    made = {
        site.name: NearWeather(near.model, cycle.id, found.series[site.name])
        if site.name in found.series
        else NearWeather(near.model, cycle.id, gap=NearGap.OUTSIDE)
        for site in inside
    }
    said = tuple(f"{cycle.id} near the ground: {words}" for words in found.gaps)
    return NearAtSites({**outside, **made}, found.files, said, (near.credit,))


def _require_same(kept: Sequence[KeptFile], read: Sequence[SourceFile]) -> None:
    """Refuse files whose bytes have changed since they were checked."""
    sums = {file.path: file.sha256 for file in kept}
    for file in read:
        if sums[file.path] != file.sha256:
            raise DecodeError(f"{file.path}: its bytes have changed since it was checked")
