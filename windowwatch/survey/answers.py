"""What a survey answers, from its rows: shares, windows, standing by, limits, roses. Pure.

Months, hours and days are local to the site. An hour of which nothing is known counts neither
as good nor as bad. What is not known makes nothing better: a day of which it is not known whether
it had a window counts as one without, and the other bound, as one with it, is kept beside. Days
of which the archive has nothing at all count in no span and in no spell.
"""

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from windowwatch.learning.climatology import Local, local_times
from windowwatch.scoring.values import Site
from windowwatch.scouting.years import (
    DRIFT_KM,
    MOST_DAYS,
    SECTORS,
    Landings,
    Pair,
    SiteAnswers,
    StandingBy,
    Windows,
)
from windowwatch.survey.rows import NO_DATA, Rows, State
from windowwatch.units import FloatArray, IntArray

#: What a day is, beside 1 for one with a window and 0 for one without.
ABSENT = -1.0
#: A month of a year counts where so much of its daylight is known. Judgement.
_MOSTLY_KNOWN = 0.9


def answers_of(site: Site, rows: Rows, step_s: float, min_length_s: float) -> SiteAnswers:
    """All answers about one site.

    Parameters
    ----------
    site : Site
    rows : Rows
        Of a whole survey, or of the site.
    step_s : float
        Between launch hours. [s]
    min_length_s : float
        Shortest window. [s]
    """
    mine = rows.of_site(site.name)
    local = local_times(mine.time_unix_s, site.time_zone)
    state = mine.state
    share, known = shares(local, state)
    years = np.unique(local.year)
    windows = windows_of(mine, local, step_s, min_length_s)
    covered = _mostly_known(local, state, years)
    days, has_window = window_days(mine, local, step_s, min_length_s)
    standing = standing_by(days, has_window, years)
    dry, longest = dry_spells(days, has_window)
    names, limited = limits_by_month(local, mine)
    flown = np.isfinite(mine.drift_km)
    good = state == State.GOOD
    fair = flown & good
    return SiteAnswers(
        site.name, share, known, _cells(local, state == State.DARK), years,
        np.where(covered, _by_year(local, state, years), np.nan),
        _by_month(local, state),
        windows,
        np.where(covered, _count(windows.year, windows.month, years), np.nan),
        dry, *longest, standing, names, limited,
        np.bincount(local.month[state == State.UNKNOWN], minlength=12),
        rose(local.month[flown], mine.bearing_deg[flown], mine.drift_km[flown]),
        rose(local.month[fair], mine.bearing_deg[fair], mine.drift_km[fair]),
        *landings(mine, good),
    )  # fmt: skip


def shares(local: Local, state: NDArray[np.int8]) -> tuple[FloatArray, IntArray]:
    """Share of good hours among the known ones by month and local hour, and how many are known."""
    known, good = (_cells(local, each) for each in (state != State.UNKNOWN, state == State.GOOD))
    return _ratio(good, known), known


def _cells(local: Local, chosen: NDArray[np.bool_]) -> IntArray:
    """How many hours there are by month and local hour, [12, 24]."""
    cell = local.month[chosen] * 24 + local.hour[chosen]
    return np.bincount(cell, minlength=288).reshape(12, 24)


def _by_month(local: Local, state: NDArray[np.int8]) -> FloatArray:
    good, bad = (
        np.bincount(local.month[state == each], minlength=12) for each in (State.GOOD, State.BAD)
    )
    return _ratio(good, good + bad)


def _ratio(part: IntArray, whole: IntArray) -> FloatArray:
    out = np.full(whole.shape, np.nan)
    np.divide(part, whole, out=out, where=whole > 0)
    return out


def _by_year(local: Local, state: NDArray[np.int8], years: IntArray) -> FloatArray:
    known, good = (state == State.GOOD) | (state == State.BAD), state == State.GOOD
    return _ratio(
        _count(local.year[good], local.month[good], years),
        _count(local.year[known], local.month[known], years),
    )


def _count(year: IntArray, month: IntArray, years: IntArray) -> IntArray:
    """How many there are in each month of each year, [Y, 12]."""
    if not years.size:
        return np.zeros((0, 12), dtype=np.int64)
    cell = np.searchsorted(years, year) * 12 + month
    return np.bincount(cell, minlength=12 * years.size).reshape(years.size, 12)


def _mostly_known(local: Local, state: NDArray[np.int8], years: IntArray) -> NDArray[np.bool_]:
    """Months of years [Y, 12] whose daylight is known well enough."""
    flown = state != State.DARK
    light = _count(local.year[flown], local.month[flown], years)
    unknown = state == State.UNKNOWN
    lost = _count(local.year[unknown], local.month[unknown], years)
    every = _count(local.year, local.month, years)
    return np.asarray((every > 0) & (lost <= (1.0 - _MOSTLY_KNOWN) * np.maximum(light, 1)))


def _runs(mine: Rows, step_s: float, min_length_s: float) -> list[tuple[int, int]]:
    """First and last row of each window."""
    good = (mine.state == State.GOOD).astype(np.int8)
    apart = np.diff(mine.time_unix_s) != step_s
    begins = np.flatnonzero((good == 1) & np.concatenate([[True], (good[:-1] == 0) | apart]))
    ends = np.flatnonzero((good == 1) & np.concatenate([(good[1:] == 0) | apart, [True]]))
    time = mine.time_unix_s
    return [
        (int(a), int(b))
        for a, b in zip(begins, ends, strict=True)
        if time[b] - time[a] + step_s >= min_length_s
    ]


def windows_of(mine: Rows, local: Local, step_s: float, min_length_s: float) -> Windows:
    """Windows of a site: launch hours in a row that are good, and enough of them."""
    runs = np.array(_runs(mine, step_s, min_length_s), dtype=np.int64).reshape(-1, 2)
    first, last = runs[:, 0], runs[:, 1]
    time = mine.time_unix_s
    return Windows(
        time[first],
        np.asarray((time[last] - time[first] + step_s) / 3600.0, dtype=np.float64),
        local.month[first],
        local.year[first],
    )


def window_days(
    mine: Rows, local: Local, step_s: float, min_length_s: float
) -> tuple[IntArray, FloatArray]:
    """Every local day from the first to the last, and whether it has a part of a window.

    1 for a day with one, 0 for one without, NaN where that is not known, `ABSENT` where the
    archive has nothing of it.
    """
    if not local.day.size:
        return np.empty(0, dtype=np.int64), np.empty(0)
    days = np.arange(local.day.min(), local.day.max() + 1)
    has, spot = np.full(days.size, ABSENT), local.day - days[0]
    unknown = mine.state == State.UNKNOWN
    no_data = unknown & (mine.limit == NO_DATA)
    seen = (mine.state != State.DARK) & ~no_data
    dark = np.bincount(spot[mine.state == State.DARK], minlength=days.size)
    every = np.bincount(spot, minlength=days.size)
    has[(every > 0) & (dark == every)] = 0.0  # a day without any daylight
    has[spot[seen]] = 0.0
    has[np.intersect1d(spot[unknown], np.flatnonzero(has == 0.0))] = np.nan
    for first, last in _runs(mine, step_s, min_length_s):
        has[np.unique(spot[first : last + 1])] = 1.0
    return days, has


def standing_by(days: IntArray, has_window: FloatArray, years: IntArray) -> StandingBy:
    """What standing by is worth.

    Parameters
    ----------
    days, has_window : array [D]
        As of `window_days`: days in a row.
    years : array [Y]
    """
    month, year = _months_of(days)
    to_window = _distance_to(has_window == 1.0)
    to_maybe = _distance_to((has_window == 1.0) | np.isnan(has_window))
    to_absent = np.minimum(_distance_to(has_window == ABSENT), np.arange(days.size, 0, -1))
    shape = (years.size, 12, MOST_DAYS)
    hits, maybe, spans = (np.zeros(shape, dtype=np.int64) for _ in range(3))
    for length in range(1, MOST_DAYS + 1):
        told = to_absent >= length
        for out, chosen in (
            (spans, told), (hits, told & (to_window < length)), (maybe, told & (to_maybe < length)),
        ):  # fmt: skip
            out[:, :, length - 1] = _count(year[chosen], month[chosen], years)
    of = spans.sum(axis=0)
    return StandingBy(
        _ratio(hits.sum(axis=0), of), _ratio(maybe.sum(axis=0), of), of, _ratio(hits, spans)
    )


def _months_of(days: IntArray) -> tuple[IntArray, IntArray]:
    months = days.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    return months % 12, 1970 + months // 12


def _distance_to(there: NDArray[np.bool_]) -> IntArray:
    """How many days from each day to the next of a kind; more than any span where none comes."""
    out = np.full(there.size, 10 * MOST_DAYS + there.size, dtype=np.int64)
    spots = np.flatnonzero(there)
    if spots.size:
        index = np.arange(there.size)
        after = np.searchsorted(spots, index, side="left")
        found = after < spots.size
        out[found] = spots[after[found]] - index[found]
    return out


def dry_spells(
    days: IntArray, has_window: FloatArray
) -> tuple[IntArray, tuple[date | None, date | None]]:
    """Longest spells of days in a row without a window, by the month in which they begin.

    A day of which that is not known counts as one without.
    """
    dry = (has_window == 0.0) | np.isnan(has_window)
    longest, ends = np.zeros(12, dtype=np.int64), (None, None)
    if not days.size:
        return longest, ends
    begins = np.flatnonzero(dry & np.concatenate([[True], ~dry[:-1]]))
    lasts = np.flatnonzero(dry & np.concatenate([~dry[1:], [True]]))
    lengths = lasts - begins + 1
    month, _ = _months_of(days)
    np.maximum.at(longest, month[begins], lengths)
    if not lengths.size:
        return longest, ends
    worst = int(np.argmax(lengths))
    return longest, (_date(days[begins[worst]]), _date(days[lasts[worst]]))


def _date(day: int) -> date:
    return date(1970, 1, 1) + timedelta(days=int(day))


def limits_by_month(local: Local, mine: Rows) -> tuple[tuple[str, ...], IntArray]:
    """Which check speaks most against the hours in daylight that are not good, by month."""
    bad = mine.state == State.BAD
    words, month = mine.limit[bad].astype(str), local.month[bad]
    names, which, counts = np.unique(words, return_inverse=True, return_counts=True)
    order = np.argsort(-counts, kind="stable")
    rank = np.empty_like(order)
    rank[order] = np.arange(order.size)
    table = np.zeros((12, names.size), dtype=np.int64)
    np.add.at(table, (month, rank[which]), 1)
    return tuple(str(names[k]) for k in order), table


def rose(
    month: IntArray, bearing_deg: NDArray[np.float32], drift_km: NDArray[np.float32]
) -> IntArray:
    """Hours by month, sector of the landings' bearing and class of drift, [12, 16, 6]."""
    width = 360.0 / SECTORS
    sector = ((np.asarray(bearing_deg, np.float64) + 0.5 * width) // width).astype(np.int64)
    sector %= SECTORS
    far = np.searchsorted(DRIFT_KM, np.asarray(drift_km, np.float64), side="right") - 1
    out = np.zeros((12, SECTORS, len(DRIFT_KM)), dtype=np.int64)
    np.add.at(out, (month, sector, far), 1)
    return out


def landings(
    mine: Rows, good: NDArray[np.bool_], cell_deg: float = 0.1
) -> tuple[Landings, Landings]:
    """Landings of all flights, and of those of good hours, by cells of a grid.

    The grid holds all of them; cells are as wide in longitude as makes them about square.
    """
    latitude = mine.landing_latitude_deg.astype(np.float64)
    longitude = mine.landing_longitude_deg.astype(np.float64)
    there = np.isfinite(latitude)
    if not there.any():
        none = Landings(np.empty(0), np.empty(0), np.zeros((0, 0), dtype=np.int64))
        return none, none
    origin = float(longitude[there][0])  # counted from there, so that no date line cuts the map
    longitude = origin + (longitude - origin + 180.0) % 360.0 - 180.0
    wide = cell_deg / max(np.cos(np.radians(float(latitude[there].mean()))), 0.1)
    edges = [
        np.arange(np.floor(v[there].min() / w), np.ceil(v[there].max() / w) + 1.5) * w
        for v, w in ((latitude, cell_deg), (longitude, wide))
    ]
    found = []
    for chosen in (there, there & good[:, np.newaxis]):
        count, _, _ = np.histogram2d(latitude[chosen], longitude[chosen], bins=edges)
        found.append(Landings(edges[0], edges[1], count.astype(np.int64)))
    return found[0], found[1]


def compared(
    sites: Sequence[Site], rows: Rows, step_s: float, min_length_s: float
) -> tuple[Pair, ...]:
    """Every two sites of a survey, on the same hours and days."""
    seen = {}
    for site in sites:
        mine = rows.of_site(site.name)
        local = local_times(mine.time_unix_s, site.time_zone)
        seen[site.name] = mine, window_days(mine, local, step_s, min_length_s)
    found = []
    for number, first in enumerate(sites):
        for second in sites[number + 1 :]:
            a, b = seen[first.name], seen[second.name]
            hours = _four(*_common(a[0], b[0]))
            days, left, right = np.intersect1d(
                a[1][0], b[1][0], assume_unique=True, return_indices=True
            )
            del days
            one, two = a[1][1][left], b[1][1][right]
            told = (one >= 0.0) & (two >= 0.0)
            found.append(
                Pair(first.name, second.name, *hours, *_four(one[told] == 1.0, two[told] == 1.0))
            )
    return tuple(found)


def _common(one: Rows, two: Rows) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Whether each is good, of the hours in daylight that are known of both."""
    _, left, right = np.intersect1d(
        one.time_unix_s, two.time_unix_s, assume_unique=True, return_indices=True
    )
    a, b = one.state[left], two.state[right]
    told = (a != State.UNKNOWN) & (b != State.UNKNOWN) & ~((a == State.DARK) & (b == State.DARK))
    return a[told] == State.GOOD, b[told] == State.GOOD


def _four(a: NDArray[np.bool_], b: NDArray[np.bool_]) -> tuple[int, int, int, int]:
    return int((a & b).sum()), int((a & ~b).sum()), int((~a & b).sum()), int((~a & ~b).sum())
