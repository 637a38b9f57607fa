"""What is kept of an answer to judge it later: a cycle's launch hours at a site, as columns. Pure.

Named rules
-----------
the truth is the model's own last word
    Of a launch hour that has gone by, the answer with the shortest lead time, six hours at most, is
    the reference: the hour as the model saw it in the end. What was measured takes its place
    where there is any. The model's own reference shares what is wrong with its analyses: how
    that is allowed for stands in `learning.posterior`.
one answer a lead
    For each lead time of `LEADS_H` an hour has one answer by each model: that of the cycle whose
    lead is nearest to it, three hours away at most.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from windowwatch.clock import to_unix_s
from windowwatch.errors import InputError
from windowwatch.forecast.cycle import Cycle
from windowwatch.physics.spread import KNOT_HEIGHT_M
from windowwatch.physics.surface import SurfaceGrid
from windowwatch.scoring.opinions import own_view
from windowwatch.scoring.values import Hour, Site, Verdict
from windowwatch.units import FloatArray

# Whoever only reads what is kept need not load what winds are computed with.
if TYPE_CHECKING:
    from windowwatch.physics.windgrid import WindGrid

IntArray = NDArray[np.intp]

#: Lead times that are verified. [h]
LEADS_H = (12.0, 24.0, 48.0, 72.0, 120.0, 168.0)
#: An answer counts for a lead that it is at most so far from. [h]
NEAR_LEAD_H = 3.0
#: The last word on an hour is at most so old. [h]
REFERENCE_H = 6.0
#: Code of each verdict in a record; -1 where an hour was never judged.
VERDICTS = (Verdict.GO, Verdict.CAUTION, Verdict.NO_GO, Verdict.UNKNOWN)
NOT_JUDGED = -1
#: What was measured goes by this name in the place of a model's.
OBSERVED = "observed"

#: Surface fields that are kept, and in what steps. The steps are finer than any forecast is good.
SURFACE_STEPS: Mapping[str, float] = {
    "wind_u_10m_mps": 0.05,
    "wind_v_10m_mps": 0.05,
    "gust_mps": 0.05,
    "wind_u_100m_mps": 0.05,
    "wind_v_100m_mps": 0.05,
    "temperature_2m_k": 0.1,
    "dew_point_2m_k": 0.1,
    "cloud_low_pct": 1.0,
    "cloud_middle_pct": 1.0,
    "cloud_high_pct": 1.0,
    "cloud_total_pct": 1.0,
    "ceiling_m": 10.0,
    "visibility_m": 50.0,
    "precipitation_rate_mmph": 0.05,
    "precipitation_mm": 0.05,
    "cape_jpkg": 5.0,
    "lifted_index_k": 0.1,
}
#: Columns of the landing, and of the judgement, of each launch hour.
LANDING_COLUMNS = (
    "latitude_deg", "longitude_deg", "major_50_m", "minor_50_m", "major_90_m", "minor_90_m",
    "bearing_deg",
)  # fmt: skip
JUDGED_COLUMNS = ("score", "chance")


@dataclass(frozen=True)
class SiteRecord:
    """What one cycle said of launch hours at one site. NaN is what it did not say.

    Attributes
    ----------
    time_unix_s : array [N]
        Launch hours, and hours before them that have weather alone.
    wind_mps : array [N, K, 2]
        Eastward and northward wind over the site at `spread.KNOT_HEIGHT_M`; mean of members.
    surface : mapping of str to array [N]
        Fields of `SURFACE_STEPS` that the source has.
    landing : array [N, 7]
        `LANDING_COLUMNS` of the footprint.
    judged : array [N, 2]
        Score, and the chance by this model alone before any calibration.
    verdict : array of int8 [N]
        Index into `VERDICTS`, or `NOT_JUDGED`.
    """

    cycle: Cycle
    site: str
    time_unix_s: FloatArray
    wind_mps: FloatArray
    surface: Mapping[str, FloatArray]
    landing: FloatArray
    judged: FloatArray
    verdict: NDArray[np.int8]

    def __post_init__(self) -> None:
        count = self.time_unix_s.size
        shapes = {
            "wind_mps": (count, KNOT_HEIGHT_M.size, 2),
            "landing": (count, len(LANDING_COLUMNS)),
            "judged": (count, len(JUDGED_COLUMNS)),
            "verdict": (count,),
        }
        for name, shape in shapes.items():
            if getattr(self, name).shape != shape:
                raise InputError(f"{name} of a record has shape {getattr(self, name).shape}")
        for name, values in self.surface.items():
            if name not in SURFACE_STEPS or values.shape != (count,):
                raise InputError(f"{name} is no surface field of a record of {count} hours")

    @property
    def cycle_unix_s(self) -> float:
        """Reference time of the cycle. [s]"""
        return to_unix_s(self.cycle.reference_utc)


def record_of(
    cycle: Cycle, wind: "WindGrid", surface: SurfaceGrid, site: Site, hours: Sequence[Hour]
) -> SiteRecord:
    """The record of one site out of a pass.

    Parameters
    ----------
    cycle : Cycle
    wind, surface : WindGrid, SurfaceGrid
        Of that cycle.
    site : Site
    hours : sequence of Hour
        As this cycle itself sees them; none carried over from another one.
    """
    from windowwatch.physics.sample import air_at

    own = sorted((own_view(hour) for hour in hours), key=lambda hour: hour.time_utc)
    flown = np.array([to_unix_s(hour.time_utc) for hour in own])
    time = _with_hours_gone_by(flown, wind.cycle_unix_s)
    count = time.size
    landing = np.full((count, len(LANDING_COLUMNS)), np.nan)
    judged = np.full((count, len(JUDGED_COLUMNS)), np.nan)
    verdict = np.full(count, NOT_JUDGED, dtype=np.int8)
    for row, hour in zip(np.searchsorted(time, flown).tolist(), own, strict=True):
        if hour.footprint is not None:
            landing[row] = [getattr(hour.footprint, name) for name in LANDING_COLUMNS]
        chance = hour.chance if hour.raw_chance is None else hour.raw_chance
        judged[row] = [np.nan if v is None else v for v in (hour.score, chance)]
        verdict[row] = VERDICTS.index(hour.verdict)
    place = site.latitude_deg, site.longitude_deg
    winds = np.stack([
        air_at(wind, time[:, None], *place, KNOT_HEIGHT_M, member)[..., :2]
        for member in range(len(wind.air))
    ])  # fmt: skip
    return SiteRecord(
        cycle,
        site.name,
        time,
        _mean(winds),
        _surface(surface, site, time),
        landing,
        judged,
        verdict,
    )


def _with_hours_gone_by(flown: FloatArray, cycle_unix_s: float) -> FloatArray:
    """Launch hours, and others whose weather is kept, flown or not.

    They are those that a cycle has the last word on, and every third one up to the first launch
    hour: a watch of days to come learns of the weather before them.
    """
    first_hour = np.ceil(cycle_unix_s / 3600.0) * 3600.0
    ahead = np.arange(0.0, LEADS_H[-1], 3.0)
    if flown.size:
        ahead = ahead[first_hour + 3600.0 * ahead < flown[0]]
    last_word = np.arange(REFERENCE_H + 1.0)
    return np.union1d(flown, first_hour + 3600.0 * np.union1d(ahead, last_word))


def _mean(values: FloatArray) -> FloatArray:
    """Mean along the first axis of what is given; NaN where nothing is."""
    given = np.isfinite(values)
    count = given.sum(axis=0)
    total = np.where(given, values, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _surface(surface: SurfaceGrid, site: Site, time: FloatArray) -> dict[str, FloatArray]:
    """Kept fields at the site; one of intervals by the interval that the hour lies in."""
    series = surface.at(site.latitude_deg, site.longitude_deg)
    steps = series.time_unix_s
    found = {}
    for name in SURFACE_STEPS:
        if name not in series.values:
            continue
        values = _mean(series.values[name])
        if name in series.cells:
            index = np.searchsorted(steps, time)
            there = index < steps.size
            found[name] = np.where(there, values[np.minimum(index, steps.size - 1)], np.nan)
        else:
            found[name] = np.interp(time, steps, values, left=np.nan, right=np.nan)
    return found


def with_earlier(new: SiteRecord, old: SiteRecord) -> SiteRecord:
    """A later pass's record of a cycle, with what an earlier pass judged that has gone by since."""
    if not new.time_unix_s.size:
        return old
    judged = np.flatnonzero(new.verdict != NOT_JUDGED)
    first = new.time_unix_s[judged[0]] if judged.size else np.inf
    _, here, there = np.intersect1d(new.time_unix_s, old.time_unix_s, return_indices=True)
    gone = (new.time_unix_s[here] < first) & (old.verdict[there] != NOT_JUDGED)
    here, there = here[gone], there[gone]
    columns = {name: getattr(new, name).copy() for name in ("landing", "judged", "verdict")}
    for name, values in columns.items():
        values[here] = getattr(old, name)[there]
    return replace(new, **columns)


@dataclass(frozen=True)
class Answers:
    """Answers of many cycles as one table: columns as in `SiteRecord`, one row an answer.

    `model` and `site` are indices into `models` and `sites`; `speed_mps` is the wind 10 m above
    ground, `gust_mps` NaN where the source has none.
    """

    models: tuple[str, ...]
    sites: tuple[str, ...]
    model: IntArray
    site: IntArray
    cycle_unix_s: FloatArray
    time_unix_s: FloatArray
    wind_mps: NDArray[np.float32]
    speed_mps: FloatArray
    gust_mps: FloatArray
    landing: FloatArray
    judged: FloatArray
    verdict: NDArray[np.int8]

    @property
    def lead_hours(self) -> FloatArray:
        """From the cycle's time to the launch hour. [h]"""
        return (self.time_unix_s - self.cycle_unix_s) / 3600.0

    def part(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> "Answers":
        """Some of the rows."""
        arrays = {f.name: getattr(self, f.name)[rows] for f in fields(self)[2:]}
        return replace(self, **arrays)


def answers_of(records: Iterable[SiteRecord], *, every: bool = False) -> Answers:
    """One table of many records, of the rows that `LEADS_H` and the reference ask for.

    With `every` all rows are taken. A record is let go once it is read: a year of them need not be
    in memory at once.
    """
    models: dict[str, int] = {}
    sites: dict[str, int] = {}
    parts: list[tuple[NDArray[np.generic], ...]] = []
    for record in records:
        lead = (record.time_unix_s - record.cycle_unix_s) / 3600.0
        wanted = (lead >= 0.0) & (lead <= REFERENCE_H)
        for each in LEADS_H:
            wanted |= np.abs(lead - each) <= NEAR_LEAD_H
        if every or record.cycle.model == OBSERVED:
            wanted[:] = True
        rows = np.flatnonzero(wanted)
        missing = np.full(lead.size, np.nan)
        speed = np.hypot(
            record.surface.get("wind_u_10m_mps", missing),
            record.surface.get("wind_v_10m_mps", missing),
        )
        parts.append((
            np.full(rows.size, models.setdefault(record.cycle.model, len(models))),
            np.full(rows.size, sites.setdefault(record.site, len(sites))),
            np.full(rows.size, record.cycle_unix_s),
            record.time_unix_s[rows],
            record.wind_mps[rows].astype(np.float32),
            speed[rows],
            record.surface.get("gust_mps", missing)[rows],
            record.landing[rows],
            record.judged[rows],
            record.verdict[rows],
        ))  # fmt: skip
    if not parts:
        return _no_answers()
    columns = [np.concatenate(column) for column in zip(*parts, strict=True)]
    return Answers(tuple(models), tuple(sites), *columns)


def _no_answers() -> Answers:
    none, index = np.zeros(0), np.zeros(0, dtype=np.intp)
    wind = np.zeros((0, KNOT_HEIGHT_M.size, 2), dtype=np.float32)
    landing, judged = np.zeros((0, len(LANDING_COLUMNS))), np.zeros((0, len(JUDGED_COLUMNS)))
    verdict = np.zeros(0, dtype=np.int8)
    return Answers((), (), index, index, none, none, wind, none, none, landing, judged, verdict)


@dataclass(frozen=True)
class Pairs:
    """Answers of one model, each beside what came. All arrays have the same first axis.

    Attributes
    ----------
    lead_class_h : array [P]
        Which of `LEADS_H` the answer counts for.
    said, came : Answers
        Row by row; what is missing is NaN in either.
    reference_lead_h : array [P]
        Lead of the model's own last word on the weather; NaN where `came` was measured aloft.
    surface_reference_lead_h : array [P]
        Likewise of the wind near the ground.
    day : array of int [P]
        Day of the launch hour in UTC: hours of one day count as dependent.
    """

    model: str
    lead_class_h: FloatArray
    said: Answers
    came: Answers
    reference_lead_h: FloatArray
    surface_reference_lead_h: FloatArray
    day: IntArray

    def part(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> "Pairs":
        """Some of the pairs."""
        arrays = {
            name: getattr(self, name)[rows]
            for name in ("lead_class_h", "reference_lead_h", "surface_reference_lead_h", "day")
        }
        return replace(self, said=self.said.part(rows), came=self.came.part(rows), **arrays)


def pairs_of(answers: Answers, model: str, until_unix_s: float = np.inf) -> Pairs:
    """Pairs of one model: each answer at a lead, beside what came.

    Parameters
    ----------
    answers : Answers
    model : str
        One of `answers.models`.
    until_unix_s : float
        Launch hours after it have not gone by. [s]

    Raises
    ------
    InputError
        If there is no answer of that model.
    """
    if model not in answers.models:
        raise InputError(f"no answer of the weather model {model!r} is kept")
    wanted = answers.time_unix_s <= until_unix_s
    wanted &= answers.model == answers.models.index(model)
    own = answers if wanted.all() else answers.part(wanted)
    key = _keys(own)
    lead = own.lead_hours
    in_time = (lead >= 0.0) & (lead <= REFERENCE_H)
    weather = _best(key, lead, in_time & np.isfinite(own.wind_mps[..., 0]).any(axis=1))
    judged = _best(key, lead, in_time & (own.verdict != NOT_JUDGED))
    rows, classes = [], []
    for each in LEADS_H:
        chosen = _best(key, np.abs(lead - each), np.abs(lead - each) <= NEAR_LEAD_H)
        rows.append(chosen)
        classes.append(np.full(chosen.size, each))
    chosen, lead_class = np.concatenate(rows), np.concatenate(classes)
    seen_at, judged_at = _find(key, weather, key[chosen]), _find(key, judged, key[chosen])
    measured = _measured(answers, key[chosen])
    there = (seen_at >= 0) | (judged_at >= 0) | (measured >= 0)
    chosen, lead_class = chosen[there], lead_class[there]
    said = own.part(chosen)
    came = _what_came(own, said, seen_at[there], judged_at[there])
    reference = np.where(seen_at[there] >= 0, lead[np.maximum(seen_at[there], 0)], np.nan)
    near_ground = reference.copy()
    came, reference, near_ground = _with_measured(
        answers, measured[there], came, reference, near_ground
    )
    day = np.floor(own.time_unix_s[chosen] / 86_400.0).astype(np.intp)
    return Pairs(model, lead_class, said, came, reference, near_ground, day)


def _keys(answers: Answers) -> NDArray[np.int64]:
    """One number for each site and launch hour (to the nearest minute)."""
    minutes = np.round(answers.time_unix_s / 60.0).astype(np.int64)
    return np.asarray(minutes * 1_000 + answers.site, dtype=np.int64)


def _best(key: NDArray[np.int64], badness: FloatArray, allowed: NDArray[np.bool_]) -> IntArray:
    """For each key the allowed row with the least badness."""
    rows = np.flatnonzero(allowed)
    order = rows[np.lexsort((badness[rows], key[rows]))]
    first = np.ones(order.size, dtype=np.bool_)
    first[1:] = key[order][1:] != key[order][:-1]
    return order[first]


def _find(key: NDArray[np.int64], rows: IntArray, wanted: NDArray[np.int64]) -> IntArray:
    """Which of some rows, sorted by key, has each wanted key; -1 where none has."""
    if not rows.size:
        return np.full(wanted.size, -1, dtype=np.intp)
    there = key[rows]
    at = np.minimum(np.searchsorted(there, wanted), there.size - 1)
    return np.where(there[at] == wanted, rows[at], -1)


def _what_came(own: Answers, said: Answers, seen: IntArray, judged: IntArray) -> Answers:
    """The reference of each row: weather and judgement may come of two cycles."""
    weather, word = np.maximum(seen, 0), np.maximum(judged, 0)
    no_weather, no_word = seen < 0, judged < 0
    wind = own.wind_mps[weather]
    wind[no_weather] = np.nan
    return replace(
        said,
        wind_mps=wind,
        speed_mps=np.where(no_weather, np.nan, own.speed_mps[weather]),
        gust_mps=np.where(no_weather, np.nan, own.gust_mps[weather]),
        landing=np.where(no_word[:, None], np.nan, own.landing[word]),
        judged=np.where(no_word[:, None], np.nan, own.judged[word]),
        verdict=np.where(no_word, np.int8(NOT_JUDGED), own.verdict[word]),
    )


def _measured(answers: Answers, wanted: NDArray[np.int64]) -> IntArray:
    """Row of what was measured at each site and launch hour; -1 where nothing was."""
    if OBSERVED not in answers.models:
        return np.full(wanted.size, -1, dtype=np.intp)
    key = _keys(answers)
    rows = np.flatnonzero(answers.model == answers.models.index(OBSERVED))
    return _find(key, rows[np.argsort(key[rows], kind="stable")], wanted)


def _with_measured(
    answers: Answers, measured: IntArray, came: Answers, aloft: FloatArray, ground: FloatArray
) -> tuple[Answers, FloatArray, FloatArray]:
    """What came, with what was measured in the place of the model's own last word."""
    if not (measured >= 0).any():
        return came, aloft, ground
    seen = answers.part(np.maximum(measured, 0))
    winds = (measured >= 0) & np.isfinite(seen.wind_mps[..., 0]).any(axis=1)
    speed = (measured >= 0) & np.isfinite(seen.speed_mps)
    landed = (measured >= 0) & np.isfinite(seen.landing[:, 0])
    gust = (measured >= 0) & np.isfinite(seen.gust_mps)
    came = replace(
        came,
        wind_mps=np.where(winds[:, None, None], seen.wind_mps, came.wind_mps),
        speed_mps=np.where(speed, seen.speed_mps, came.speed_mps),
        gust_mps=np.where(gust, seen.gust_mps, came.gust_mps),
        landing=np.where(landed[:, None], seen.landing, came.landing),
    )
    return came, np.where(winds, np.nan, aloft), np.where(speed, np.nan, ground)
