"""A survey as values: what is flown through which archive, in which blocks, and what is left out.

Pure but for the archive that `planned` is handed, of which it reads axes alone. All that an
archive lacks is named here, before anything is flown.
"""

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import Any

import numpy as np

from windowwatch.clock import from_unix_s, to_unix_s
from windowwatch.errors import InputError, MissingFieldError, shown
from windowwatch.ground.query.airspace import Airspace, AirspaceKind, Volume
from windowwatch.ground.query.features import Ground
from windowwatch.physics.train import FlightTrain
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Site
from windowwatch.survey.air import even_times
from windowwatch.survey.archive import Archive, Area
from windowwatch.survey.names import EVERY, NEAR_GROUND, Mapped
from windowwatch.watch.values import Watch, area_of
from windowwatch.windows.window import WindowRules

#: A flight and its landing may need weather so long after the launch hour, as in a watch.
AFTER = timedelta(hours=9)
#: … and checks look back so far: for a front, and for the interval that a value is of.
BEFORE = timedelta(hours=6)
#: Sites share a group when its area, read once, costs no more than this share of theirs apart.
#: Judgement.
_WORTH_SHARING = 0.75
#: Quantities laid onto fixed heights, and bytes of one: `physics.windgrid.WindGrid.air`.
_LAID_BYTES_PER_HEIGHT = 16
#: What laying out needs besides, over what comes of it. Measured: 1.2, with 3500 grid points.
_LAYING_SHARE = 1.5


class LeftOut(StrEnum):
    """Why a check is not asked in a survey; what it lacks is said beside it."""

    FIELD = "field"  #: the archive lacks these fields
    DATE = "date"  #: it hangs on one date: a clearance, notice that is given


@dataclass(frozen=True)
class Block:
    """Sites that share an area, and a month: the unit of work, written once.

    Parameters
    ----------
    group : int
    sites : tuple of str
    area : (south, west, north, east)
        [deg]
    year, month : int
        By UTC.
    times : int
        How many times of the archive there are for it: more make it worth flying again.
    """

    group: int
    sites: tuple[str, ...]
    area: Area
    year: int
    month: int
    times: int

    @property
    def key(self) -> str:
        """Stable name, for example ``g00-2019-03``."""
        return f"g{self.group:02d}-{self.year:04d}-{self.month:02d}"

    @property
    def span_unix_s(self) -> tuple[float, float]:
        """First launch, and where the next block begins. [s]"""
        return month_span_s(self.year, self.month)


def month_span_s(year: int, month: int) -> tuple[float, float]:
    """Begin and end of a month by UTC. [s since 1970]"""
    begin = datetime(year, month, 1, tzinfo=UTC)
    end = datetime(year + month // 12, month % 12 + 1, 1, tzinfo=UTC)
    return to_unix_s(begin), to_unix_s(end)


@dataclass(frozen=True)
class Survey:
    """Everything that one block needs to know besides its place and month.

    Parameters
    ----------
    watch : str
        Name of the watch whose sites, train, checks and ground are surveyed.
    archive : str
        Address.
    mapped : Mapped
    sites, train, ground, rules
        As in the watch.
    plan : ScoringPlan
        With those checks alone that the archive can answer.
    left_out : tuple of (str, LeftOut, tuple of str)
        Checks that are not asked, and why.
    draws : int
        Flights for each launch hour.
    step_s : float
        Distance between launch hours. [s]
    memory_mb : int
        What a worker may hold of weather. [10⁶ byte]
    made_on : str
        Of the content of maps, and of the archive's grid and fields.
    always_closed : tuple of str
        Airspace that is closed at dates of its own, and taken as closed more often than that.
    """

    watch: str
    archive: str
    mapped: Mapped
    sites: tuple[Site, ...]
    train: FlightTrain
    ground: Ground
    plan: ScoringPlan
    rules: WindowRules
    left_out: tuple[tuple[str, LeftOut, tuple[str, ...]], ...]
    draws: int
    step_s: float
    memory_mb: int = 1_500
    made_on: str = ""
    always_closed: tuple[str, ...] = ()

    @property
    def mark(self) -> str:
        """Of all that the answers hang on, but for the archive's own values."""
        said = (
            self.watch, self.archive, self.mapped, self.sites, self.train, self.draws, self.step_s,
            sorted(self.plan.limits.items()), _plain(self.plan), self.rules,
            [v.name for v in self.ground.airspace.volumes] if self.ground.airspace else [],
            self.ground.sources, self.made_on,
        )  # fmt: skip
        return hashlib.sha256(repr(said).encode()).hexdigest()[:12]


def _plain(plan: ScoringPlan) -> list[tuple[str, Any]]:
    """What a plan says beside its limits, in one order."""
    told = []
    for name, value in sorted(vars(plan).items()):
        if name in ("limits", "applied"):
            continue
        if isinstance(value, Mapping):
            value = sorted((str(key), each) for key, each in value.items())  # noqa: PLW2901
        elif isinstance(value, frozenset):
            value = sorted(map(str, value))  # noqa: PLW2901
        told.append((name, value))
    return told


@dataclass(frozen=True)
class Planned:
    """A survey, its blocks, and what is to be known before it is flown.

    `remarks` say in words what is missing of levels, area and years, and what is assumed.
    """

    survey: Survey
    blocks: tuple[Block, ...]
    remarks: tuple[str, ...]


def planned(
    watch: Watch,
    archive: Archive,
    mapped: Mapped,
    years: tuple[int, int] | None = None,
    *,
    draws: int = 12,
    step: timedelta = timedelta(hours=1),
    memory_mb: int = 1_500,
    reach_deg: float = 6.0,
) -> Planned:
    """Settle what is flown, and name all that is missing.

    Parameters
    ----------
    watch : Watch
    archive : Archive
    mapped : Mapped
    years : (int, int), optional
        First and last; all that the archive has by default.
    draws : int
    step : timedelta
        Between launch hours.
    memory_mb : int
    reach_deg : float
        So far round each site the archive is read. [deg of latitude]

    Raises
    ------
    MissingFieldError
        If the archive lacks what nothing can be done without: fields, levels, place or years.
    """
    _require_fields(archive)
    have = archive.times_of("u")
    span = _years_of(archive, years)
    survey = Survey(
        watch.name, archive.address, mapped, watch.sites, watch.train,
        *_ground_and_plan(watch, archive), draws=draws, step_s=step.total_seconds(),
        memory_mb=memory_mb, always_closed=tuple(_dated(watch.ground)),
    )  # fmt: skip
    groups = _groups(watch.sites, archive, reach_deg)
    blocks = []
    for number, (sites, area) in enumerate(groups):
        for year, month in _months(span):
            begin, end = month_span_s(year, month)
            inside = have[(have >= begin - BEFORE.total_seconds())
                          & (have <= end + AFTER.total_seconds())]  # fmt: skip
            names = tuple(site.name for site in sites)
            blocks.append(Block(number, names, area, year, month, int(inside.size)))
    remarks = [
        *archive.remarks,
        *_fields_remarks(archive),
        *_level_remarks(archive),
        *_area_remarks(groups, archive),
        *_time_remarks(archive, span),
        *_airspace_remarks(watch.ground),
    ]
    return Planned(survey, tuple(sorted(blocks, key=lambda b: (b.year, b.month, b.group))),
                   tuple(dict.fromkeys(remarks)))  # fmt: skip


def _require_fields(archive: Archive) -> None:
    """Refuse an archive without wind, temperature, terrain or a way to heights."""
    lacking = [name for name in ("u", "v", "t", "orography") if name not in archive.fields]
    words = [EVERY[name].words for name in lacking]
    pressures = {"pressure_surface_pa", "pressure_msl_pa"} & archive.fields
    if "gh" not in archive.fields and not pressures:
        words.append("geopotential (or a pressure at the ground or at sea level, to find it from)")
    if words:
        raise MissingFieldError(
            f"{shown(archive.address)}: has no {', no '.join(words)}; add what is missing to the "
            "archive, or name its variable in [names] of the mapping file"
        )
    if archive.level_pa.size < 4:
        levels = ", ".join(f"{each / 100:g}" for each in archive.level_pa)
        raise MissingFieldError(
            f"{shown(archive.address)}: has the levels {levels} hPa alone; a flight needs more, "
            "such as 1000, 925, 850, 700, 500, 300, 200, 100, 50, 20 and 10 hPa"
        )


def _years_of(archive: Archive, years: tuple[int, int] | None) -> tuple[int, int]:
    have = archive.times_of("u")
    first, last = (from_unix_s(float(each)) for each in (have[0], have[-1]))
    if years is None:
        return first.year, last.year
    if years[0] > years[1]:
        raise InputError(f"years {years[0]} to {years[1]}: the first comes after the last")
    if years[1] < first.year or years[0] > last.year:
        raise MissingFieldError(
            f"{shown(archive.address)}: has nothing of {years[0]} to {years[1]}; it reaches from "
            f"{first:%Y-%m-%d} to {last:%Y-%m-%d}"
        )
    return years


def _months(years: tuple[int, int]) -> Iterator[tuple[int, int]]:
    for year in range(years[0], years[1] + 1):
        for month in range(1, 13):
            yield year, month


def _ground_and_plan(
    watch: Watch, archive: Archive
) -> tuple[Ground, ScoringPlan, WindowRules, tuple[tuple[str, LeftOut, tuple[str, ...]], ...]]:
    """Ground, plan with what can be answered, rules, and what is left out."""
    plan = replace(watch.plan, clearance=None)
    left: list[tuple[str, LeftOut, tuple[str, ...]]] = []
    kept = {}
    carried = archive.fields & set(NEAR_GROUND)
    for name, limit in plan.limits.items():
        kind = LIMITS[name]
        from_mean = name == "gust" and plan.gust_factor is not None
        if name in ("clearance", "notice"):
            left.append((name, LeftOut.DATE, ()))
        elif not kind.is_answerable(carried) and not (
            from_mean and {"wind_u_10m_mps", "wind_v_10m_mps"} <= carried
        ):
            lacking = tuple(sorted({n for g in kind.needs for n in g} - carried))
            left.append((name, LeftOut.FIELD, lacking))
        else:
            kept[name] = limit
    if not kept:
        raise MissingFieldError(
            f"{shown(archive.address)}: can answer none of the checks that are asked"
        )
    return _always(watch.ground), replace(plan, limits=kept), watch.rules, tuple(left)


def _always(ground: Ground) -> Ground:
    """Ground whose airspace is closed at all times where dates of its own say when.

    Times of the week hold in every year: those that hold between dates alone hold on all days.
    """
    if ground.airspace is None or not _dated(ground):
        return ground
    volumes = [
        _without_dates(each) if each.kind is AirspaceKind.CLOSED else each
        for each in ground.airspace.volumes
    ]
    return replace(ground, airspace=Airspace(volumes))


def _without_dates(volume: Volume) -> Volume:
    if volume.active:
        return replace(volume, active=(), weekly=())
    weekly = tuple(replace(each, first_day=None, last_day=None) for each in volume.weekly)
    return replace(volume, weekly=weekly)


def _dated(ground: Ground) -> list[str]:
    """Names of closed airspace that hangs on dates."""
    if ground.airspace is None:
        return []
    return [
        each.name
        for each in ground.airspace.closed
        if each.active or any(times.is_bounded for times in each.weekly)
    ]


def _airspace_remarks(ground: Ground) -> Iterator[str]:
    if ground.airspace is None:
        return
    dated = [each.name for each in ground.airspace.closed if each.active]
    if dated:
        yield (
            f"airspace with dates of its own is taken as closed at all times: {', '.join(dated)}; "
            "give it times of the week, and they hold in every year"
        )
    bounded = [name for name in _dated(ground) if name not in dated]
    if bounded:
        yield (
            "airspace with times of the week between dates is taken as closed at these times all "
            f"year: {', '.join(bounded)}"
        )
    if any(each.weekly and each.name not in dated for each in ground.airspace.closed):
        yield "public holidays are not known: airspace with times of the week is closed on them too"


def _groups(
    sites: Sequence[Site], archive: Archive, reach_deg: float
) -> list[tuple[tuple[Site, ...], Area]]:
    """Sites that are worth reading together: chunks that they share are then read once."""
    groups: list[tuple[Site, ...]] = []
    for site in sorted(sites, key=lambda s: (s.longitude_deg, s.latitude_deg, s.name)):
        alone = _read_values(archive, area_of([site], reach_deg))
        for number, group in enumerate(groups):
            apart = alone + _read_values(archive, area_of(group, reach_deg))
            together = _read_values(archive, area_of([*group, site], reach_deg))
            if together <= _WORTH_SHARING * apart:
                groups[number] = (*group, site)
                break
        else:
            groups.append((site,))
    return [(group, area_of(group, reach_deg)) for group in groups]


def _read_values(archive: Archive, area: Area) -> int:
    """Grid points in the chunks that an area touches: what is really read of each plane."""
    cut = archive.cut(area)
    part = archive.parts["u"][0]
    chunk = dict(zip(part.data.dims, part.chunk_values(), strict=True))
    rows = _rounded([cut.rows], chunk["latitude"], archive.latitude_deg.size)
    return rows * _rounded(list(cut.columns), chunk["longitude"], archive.longitude_deg.size)


def _rounded(slices: list[slice], chunk: int, size: int) -> int:
    touched = {index // chunk for each in slices for index in range(*each.indices(size))}
    return sum(min(chunk, size - number * chunk) for number in touched)


def bytes_of_block(archive: Archive, block: Block) -> int:
    """Bytes of the chunks that a block touches, before they are packed and as they are stored.

    Every chunk once: what a block reads twice it keeps.
    """
    points, total = _read_values(archive, block.area), 0
    begin, end = block.span_unix_s
    first, last = begin - BEFORE.total_seconds(), end + AFTER.total_seconds()
    for parts in archive.parts.values():
        for part in parts:
            chunk = dict(zip(part.data.dims, part.chunk_values(), strict=True))
            inside = np.flatnonzero((part.time_s >= first) & (part.time_s <= last))
            times = 1
            if part.time_s.size:
                size = chunk.get("time", 1)
                numbers = set((inside // size).tolist())
                times = sum(min(size, part.time_s.size - n * size) for n in numbers)
            stored = part.data.encoding.get("dtype", part.data.dtype)
            levels = max(part.level_pa.size, 1)
            total += points * times * levels * np.dtype(stored).itemsize
    return total


def hours_at_once(survey: Survey, archive: Archive, block: Block, heights: int) -> float:
    """So many hours of launches are laid out at a time, that a worker keeps to its memory. [h]

    Raises
    ------
    InputError
        If its memory does not hold even a few.
    """
    cut = archive.cut(block.area)
    columns = cut.latitude_deg.size * cut.longitude_deg.size
    aloft = sum(EVERY[name].on_levels for name in archive.fields)
    raw = 4 * (archive.level_pa.size * aloft + len(archive.fields))
    each = columns * (_LAYING_SHARE * heights * _LAID_BYTES_PER_HEIGHT + 2.0 * raw)
    steps = survey.memory_mb * 1e6 / each
    span_s = steps * archive.step_s - (BEFORE + AFTER).total_seconds() - 2.0 * archive.step_s
    if span_s < max(survey.step_s, 6 * 3600.0):
        need = each * ((BEFORE + AFTER).total_seconds() + 8 * 3600.0) / archive.step_s / 1e6
        raise InputError(
            f"block {block.key}: {columns} grid points need {need:.0f} MB of a worker, which has "
            f"{survey.memory_mb} MB for weather; give workers more memory (--memory-mb), or a "
            "shorter [survey] reach_deg"
        )
    return span_s / 3600.0


def _fields_remarks(archive: Archive) -> Iterator[str]:
    if "gh" not in archive.fields:
        base = "ground" if "pressure_surface_pa" in archive.fields else "sea level"
        yield (
            "no geopotential: heights are worked out hydrostatically from temperature"
            f"{' and humidity' if {'q', 'r'} & archive.fields else ''}, up from the pressure at "
            f"{'the ' if base == 'ground' else ''}{base}"
        )
    if not {"q", "r"} & archive.fields:
        yield "no humidity: air is taken as dry"
    if "land_fraction" not in archive.fields:
        yield "no land mask: water is known from the map alone"


def _level_remarks(archive: Archive) -> Iterator[str]:
    """Levels that flights would want and that are not there."""
    top, bottom = archive.level_pa[-1] / 100.0, archive.level_pa[0] / 100.0
    if top > 20.0:
        yield (
            f"the highest level is {top:g} hPa: above it wind is held, and flights that go there "
            "are marked as extrapolated"
        )
    if bottom < 925.0:
        yield f"the lowest level is {bottom:g} hPa: below it air is taken from there"
    gaps = np.log(archive.level_pa[:-1] / archive.level_pa[1:])
    for k in np.flatnonzero(gaps > np.log(2.6)):
        low, high = archive.level_pa[k] / 100.0, archive.level_pa[k + 1] / 100.0
        yield f"no level between {low:g} and {high:g} hPa: wind there is a straight line"


def _area_remarks(groups: list[tuple[tuple[Site, ...], Area]], archive: Archive) -> Iterator[str]:
    for sites, area in groups:
        cut = archive.cut(area)
        names = ", ".join(site.name for site in sites)
        for site in sites:
            east = cut.longitude_deg[0] + (site.longitude_deg - cut.longitude_deg[0]) % 360.0
            if not (cut.latitude_deg[0] <= site.latitude_deg <= cut.latitude_deg[-1]
                    and cut.longitude_deg[0] <= east <= cut.longitude_deg[-1]):  # fmt: skip
                raise MissingFieldError(
                    f"{shown(archive.address)}: the site {site.name} lies outside it; it covers "
                    f"{archive.covers_words()}"
                )
        south, west, north, east_edge = area
        short = []
        if cut.latitude_deg[0] > south:
            short.append(f"south of {cut.latitude_deg[0]:.1f}")
        if cut.latitude_deg[-1] < north:
            short.append(f"north of {cut.latitude_deg[-1]:.1f}")
        off = np.mod(cut.longitude_deg[0] - west + 180.0, 360.0) - 180.0
        if off > 1e-6:
            short.append(f"west of {cut.longitude_deg[0]:.1f}")
        if cut.longitude_deg[0] - off + (cut.longitude_deg[-1] - cut.longitude_deg[0]) + off < (
            cut.longitude_deg[0] - off + east_edge - west - 1e-6
        ):
            short.append(f"east of {cut.longitude_deg[-1]:.1f}")
        if short:
            yield (
                f"{names}: nothing {', '.join(short)} degrees is in the archive; a flight that "
                "goes there is lost"
            )


def _time_remarks(archive: Archive, years: tuple[int, int]) -> Iterator[str]:
    """Holes and ends of the archive within the years that are asked."""
    begin, _ = month_span_s(years[0], 1)
    _, end = month_span_s(years[1], 12)
    have = archive.times_of("u")
    first, last = float(have[0]), float(have[-1])
    if first > begin + archive.step_s or last < end - 2.0 * archive.step_s:
        yield (
            f"of {years[0]} to {years[1]} the archive has {from_unix_s(first):%Y-%m-%d} to "
            f"{from_unix_s(last):%Y-%m-%d}; the rest is unknown"
        )
    for name in sorted(archive.fields):
        times = archive.times_of(name)
        if times.size < 2:
            continue
        lo, hi = max(first, begin), min(last, end)
        step_s = float(np.median(np.diff(times)))
        every = even_times(times, lo, hi, step_s)
        lost = np.setdiff1d(every, times)
        for run in np.split(lost, np.flatnonzero(np.diff(lost) > 1.5 * step_s) + 1):
            if run.size:
                yield (
                    f"{EVERY[name].words}: nothing from {from_unix_s(float(run[0])):%Y-%m-%d %H:%M}"
                    f" to {from_unix_s(float(run[-1])):%Y-%m-%d %H:%M} UTC; hours that need it "
                    "are unknown"
                )
