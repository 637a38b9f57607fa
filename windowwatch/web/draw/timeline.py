"""Drawings along time and along the flight, as numbers of SVG. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from math import ceil, floor, isfinite

import numpy as np

from windowwatch.clock import floor_to_step, from_unix_s, to_unix_s
from windowwatch.physics.sun import sunrise_unix_s, sunset_unix_s
from windowwatch.scoring.checks.series import FAR_H
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Drive, Hour, Site, Track
from windowwatch.units import KELVIN_AT_0_C, FloatArray
from windowwatch.wording import page as words
from windowwatch.wording.phrases import compass, length
from windowwatch.wording.standing import clock_words

WIDTH = 380.0
_HOUR = timedelta(hours=1)


@dataclass(frozen=True)
class Bar:
    """A stretch of time; `kind` is the class that draws it."""

    x: float
    width: float
    kind: str


@dataclass(frozen=True)
class Tick:
    """A whole hour."""

    x: float
    text: str


@dataclass(frozen=True)
class Timeline:
    """A whole drawing, and the same in words. `crew` is the drive.

    All of it is of one flight, the middle one.
    """

    light: tuple[Bar, ...]
    clearance: Bar | None
    acts: tuple[Bar, ...]
    crew: tuple[Bar, ...]
    release_x: float
    landing_x: float | None
    front_x: float | None
    ticks: tuple[Tick, ...]
    said: tuple[tuple[str, str], ...]


class _Span:
    """The stretch of time that is drawn."""

    def __init__(self, begin: datetime, end: datetime) -> None:
        self.begin, self.end = begin, end

    def x(self, moment: datetime) -> float:
        """Where a time is, at the edge when it is not within."""
        share = (moment - self.begin) / (self.end - self.begin)
        return round(WIDTH * min(1.0, max(0.0, share)), 1)

    def bar(self, first: datetime, until: datetime, kind: str) -> Bar:
        """A stretch of it."""
        return Bar(self.x(first), round(self.x(until) - self.x(first), 1), kind)

    def ticks(self, zone: tzinfo) -> tuple[Tick, ...]:
        """Whole hours of the wall clock, not too many of them."""
        count = round((self.end - self.begin) / _HOUR)
        step = next((s for s in (1, 2, 3, 6) if count / s <= 9), 12)
        moments = (self.begin + i * _HOUR for i in range(1, count, step))
        return tuple(Tick(self.x(m), f"{m.astimezone(zone):%H}") for m in moments)


def timeline(
    hour: Hour,
    site: Site,
    plan: ScoringPlan,
    *,
    drive: Drive | None = None,
    front_utc: datetime | None = None,
) -> Timeline:
    """From set-up to recovery, and what daylight and clearance leave of the day.

    Parameters
    ----------
    hour : Hour
    site : Site
    plan : ScoringPlan
    drive : Drive, optional
        The crew leaves with it at the release.
    front_utc : datetime, optional
        About when the nearest front passes.
    """
    release, landing = hour.time_utc, hour.landing_utc
    setup = release - timedelta(minutes=plan.setup_min)
    hold = release + timedelta(minutes=plan.hold_min)
    there = None if drive is None else release + timedelta(minutes=drive.minutes)
    zone = words.zone_of(site)
    latest = max(t for t in (hold, landing, there) if t is not None)
    span = _Span(
        floor_to_step(setup - timedelta(minutes=30), _HOUR),
        floor_to_step(latest + timedelta(hours=2, minutes=59), _HOUR),
    )
    rise, dusk = _sun(site, setup)
    said = [
        ("Set-up", words.moment_words(setup, zone)),
        ("Release", f"{words.moment_words(release, zone)} ({release:%H:%M} UTC)"),
        ("Hold until", words.moment_words(hold, zone)),
        ("Landing", _landing(landing, zone)),
        *_crew(hour, drive, plan, zone),
    ]
    if rise is not None and dusk is not None:
        said.append(("Sun up", words.span_words(rise, dusk, zone)))
    if front_utc is not None:
        said.append(("Front", f"about {words.moment_words(front_utc, zone)}"))
    clearance = None
    if plan.clearance is not None:
        first, until = (from_unix_s(s) for s in plan.clearance)
        said.append(("Clearance", words.span_words(first, until, zone)))
        clearance = span.bar(max(first, span.begin), min(until, span.end), "clear")
    acts = [span.bar(setup, release, "act soft"), span.bar(release, hold, "act")]
    if landing is not None and landing > hold:
        acts.append(span.bar(hold, landing, "act soft"))
    seen = front_utc is not None and span.begin < front_utc < span.end
    return Timeline(
        light=() if rise is None or dusk is None else (span.bar(rise, dusk, "light"),),
        clearance=clearance,
        acts=tuple(acts),
        crew=() if there is None else (span.bar(release, there, "drive"),),
        release_x=span.x(release),
        landing_x=None if landing is None else span.x(landing),
        front_x=span.x(front_utc) if front_utc is not None and seen else None,
        ticks=span.ticks(zone),
        said=tuple(said),
    )


def _landing(landing: datetime | None, zone: tzinfo) -> str:
    return "not known" if landing is None else f"{words.moment_words(landing, zone)}, middle flight"


def _crew(
    hour: Hour, drive: Drive | None, plan: ScoringPlan, zone: tzinfo
) -> tuple[tuple[str, str], ...]:
    """When the crew leaves, is at the road and walks, each with what it is reckoned by."""
    if drive is None:
        return ()
    release, way = hour.time_utc, timedelta(minutes=drive.minutes)
    there = clock_words(release + way, release, zone)
    said = []
    if hour.landing_utc is not None:
        leave = clock_words(hour.landing_utc - way, release, zone)
        said.append(("Leave by", f"{leave} from {drive.start}, to be there before it lands"))
    said.append(("Crew at the road", f"{there}, {length(way)} after the release, as checks count"))
    walk = next((c.value for c in hour.checks if c.name == "walk"), None)
    if walk is not None:
        said.append(
            (
                "Walk from there",
                f"up to {length(timedelta(minutes=walk))}, {words.flights_words(plan.quantile)}",
            )
        )
    return tuple(said)


def front_time(hour: Hour, after: Hour | None) -> datetime | None:
    """About when the nearest front passes an hour's site; None when none is told of.

    The check knows how far the front is, not whether it is still to come: that is so when it
    is nearer to the launch hour `after`.
    """
    here, there = (
        next((c.value for c in h.checks if c.name == "front"), None) if h is not None else None
        for h in (hour, after)
    )
    if here is None or there is None or here >= FAR_H or here == there:
        return None
    away = timedelta(hours=here)
    return hour.time_utc + away if there < here else hour.time_utc - away


def _sun(site: Site, near: datetime) -> tuple[datetime | None, datetime | None]:
    """Sunrise and sunset of the day that a time lies in; None where there is none."""
    place = (site.latitude_deg, site.longitude_deg)
    dusk = float(sunset_unix_s(to_unix_s(near), *place))
    if not isfinite(dusk):
        return None, None
    rise = float(sunrise_unix_s(dusk - 86_400.0, *place))
    return (from_unix_s(rise), from_unix_s(dusk)) if isfinite(rise) else (None, None)


_STORY_WIDTH, HEIGHT = 380.0, 150.0
TOP, FOOT = 20.0, 118.0
_LEFT, _RIGHT = 46.0, 352.0


@dataclass(frozen=True)
class Told:
    """What one cycle said: score of 0 to 100, chance of 0 to 1, each None when not known."""

    cycle_utc: datetime
    score: float | None
    chance: float | None
    verdict: str = ""


@dataclass(frozen=True)
class Dot:
    """One cycle's score, or its chance."""

    x: float
    y: float
    text: str
    verdict: str


@dataclass(frozen=True)
class History:
    """A whole drawing: two broken lines, and the same in words."""

    score: str
    chance: str
    dots: tuple[Dot, ...]
    rings: tuple[Dot, ...]
    ticks: tuple[tuple[float, str, str], ...]
    spoken: str


def history(told: Sequence[Told]) -> History | None:
    """Draw what cycles said, the oldest first; None where fewer than two said anything."""
    if sum(each.score is not None for each in told) < 2:
        return None
    xs = [round(_LEFT + (_RIGHT - _LEFT) * i / max(1, len(told) - 1), 1) for i in range(len(told))]

    def y(percent: float) -> float:
        return round(FOOT - (FOOT - TOP) * percent / 100.0, 1)

    dots = tuple(
        Dot(x, y(each.score), f"{each.score:.0f}", each.verdict)
        for x, each in zip(xs, told, strict=True)
        if each.score is not None
    )
    rings = tuple(
        Dot(x, y(100.0 * each.chance), f"{100.0 * each.chance:.0f} %", each.verdict)
        for x, each in zip(xs, told, strict=True)
        if each.chance is not None
    )
    return History(
        score=_path(xs, [None if t.score is None else y(t.score) for t in told]),
        chance=_path(xs, [None if t.chance is None else y(100.0 * t.chance) for t in told]),
        dots=dots,
        rings=rings,
        ticks=_ticks(xs, told),
        spoken="Score from cycle to cycle, the oldest first: "
        + ", ".join("not known" if t.score is None else f"{t.score:.0f}" for t in told)
        + ".",
    )


def _ticks(xs: Sequence[float], told: Sequence[Told]) -> tuple[tuple[float, str, str], ...]:
    """Hour of each cycle, and its day where that is a new one."""
    ticks = []
    day = ""
    for x, each in zip(xs, told, strict=True):
        new = f"{each.cycle_utc:%a} {each.cycle_utc.day}"
        ticks.append((x, f"{each.cycle_utc:%H}", "" if new == day else new))
        day = new
    return tuple(ticks)


def _path(xs: Sequence[float], ys: Sequence[float | None]) -> str:
    parts, pen = [], "M"
    for x, y in zip(xs, ys, strict=True):
        if y is None:
            pen = "M"
        else:
            parts.append(f"{pen}{x:g} {y:g}")
            pen = "L"
    return "".join(parts)


PROFILE_WIDTH, PROFILE_HEIGHT = 380.0, 360.0
PROFILE_TOP, PROFILE_FOOT = 36.0, 330.0
#: Left and right edge of each panel, and where the arrows stand.
WIND_X, FROM_X, WARMTH_X, TIME_X = (34.0, 116.0), 128.0, (182.0, 266.0), (292.0, 364.0)
#: Heights that the table names. [km]
_ROWS_KM = (1, 2, 3, 5, 8, 10, 12, 15, 18, 20, 25, 30, 35, 40)


@dataclass(frozen=True)
class Mark:
    """A number at a place of an axis."""

    at: float
    text: str


@dataclass(frozen=True)
class Arrow:
    """Wind at a height: it blows towards `turn_deg` from the top, and comes from `text`."""

    x: float
    y: float
    turn_deg: float
    text: str


@dataclass(frozen=True)
class Row:
    """The air at a height, and when the flight is there."""

    height_km: str
    wind_mps: str
    wind_from: str
    warmth_degc: str
    up_min: str
    down_min: str


@dataclass(frozen=True)
class Profile:
    """A whole drawing: paths, axes, and the same in words and as a table."""

    heights: tuple[Mark, ...]
    winds: tuple[Mark, ...]
    warmths: tuple[Mark, ...]
    times: tuple[Mark, ...]
    wind: str
    warmth: str
    up: str
    down: str
    arrows: tuple[Arrow, ...]
    burst: tuple[float, float]
    burst_words: str
    spoken: str
    rows: tuple[Row, ...]


class _Axis:
    """Values to units of the drawing, with round numbers on it."""

    def __init__(self, low: float, high: float, begin: float, end: float, steps: int) -> None:
        widths = (1.0, 2.0, 5.0, 10.0, 20.0, 40.0, 50.0, 60.0, 100.0, 120.0, 200.0)
        step = next((w for w in widths if (high - low) / w <= steps), 500.0)
        self._low, self._high = floor(low / step) * step, ceil(high / step) * step
        self._high = max(self._high, self._low + step)
        self._begin, self._end = begin, end
        self.marks = tuple(
            Mark(round(self.at(value), 1), f"{value:.0f}".replace("-", "−"))
            for value in np.arange(self._low, self._high + step / 2.0, step).tolist()
        )

    def at(self, value: float) -> float:
        """Where a value is."""
        share = (value - self._low) / (self._high - self._low)
        return self._begin + share * (self._end - self._begin)

    def all_at(self, values: FloatArray) -> FloatArray:
        """Where values are."""
        share = (values - self._low) / (self._high - self._low)
        return np.asarray(self._begin + share * (self._end - self._begin))


def profile(track: Track) -> Profile:
    """Draw the air that the middle flight meets on its way up, and when it is where.

    Parameters
    ----------
    track : Track
    """
    i = track.burst_index
    height_km = np.array(track.height_m) / 1000.0
    time_min = (np.array(track.time_unix_s) - track.time_unix_s[0]) / 60.0
    u, v = np.array(track.u_mps[: i + 1]), np.array(track.v_mps[: i + 1])
    wind_mps = np.hypot(u, v)
    warmth_degc = np.array(track.temperature_k[: i + 1]) - KELVIN_AT_0_C
    high = _Axis(0.0, float(height_km.max()), PROFILE_FOOT, PROFILE_TOP, 8)
    fast = _Axis(0.0, float(np.nanmax(wind_mps, initial=1.0)), *WIND_X, 3)
    warm = _Axis(
        float(np.nanmin(warmth_degc, initial=20.0)),
        float(np.nanmax(warmth_degc, initial=-50.0)),
        *WARMTH_X,
        2,
    )
    late = _Axis(0.0, float(time_min[-1]), *TIME_X, 2)
    y = high.all_at(height_km)
    time_x = late.all_at(time_min)
    burst_words = f"burst {height_km[i]:.1f} km, {time_min[i]:.0f} min"
    return Profile(
        heights=high.marks,
        winds=fast.marks,
        warmths=warm.marks,
        times=late.marks,
        wind=_profile_path(fast.all_at(wind_mps), y[: i + 1]),
        warmth=_profile_path(warm.all_at(warmth_degc), y[: i + 1]),
        up=_profile_path(time_x[: i + 1], y[: i + 1]),
        down=_profile_path(time_x[i:], y[i:]),
        arrows=_arrows(height_km[: i + 1], u, v, high),
        burst=(round(float(time_x[i]), 1), round(float(y[i]), 1)),
        burst_words=burst_words,
        spoken=_spoken(height_km, time_min, wind_mps, warmth_degc, (u, v), i),
        rows=_rows(height_km, time_min, (u, v), warmth_degc, i),
    )


def _profile_path(x: FloatArray, y: FloatArray) -> str:
    """A line that is broken where a value is missing."""
    parts, pen = [], "M"
    for a, b in zip(x.tolist(), y.tolist(), strict=True):
        if np.isfinite(a) and np.isfinite(b):
            parts.append(f"{pen}{a:.1f} {b:.1f}")
            pen = "L"
        else:
            pen = "M"
    return "".join(parts)


def _from_deg(u_mps: float, v_mps: float) -> float:
    """Direction that a wind comes from, clockwise from north. [deg]"""
    return float(np.degrees(np.arctan2(-u_mps, -v_mps)) % 360.0)


def _initials(bearing_deg: float) -> str:
    return "".join(word[0] for word in compass(bearing_deg).split("-")).upper()


def _arrows(height_km: FloatArray, u: FloatArray, v: FloatArray, high: _Axis) -> tuple[Arrow, ...]:
    found = []
    top = float(height_km[-1])
    for at_km in np.arange(0.0, top + 0.1, 2.5 if top < 22.0 else 5.0).tolist():
        level = max(at_km, float(height_km[0]))
        wind = (float(np.interp(level, height_km, u)), float(np.interp(level, height_km, v)))
        if np.isfinite(wind).all() and np.hypot(*wind) >= 0.5:
            came = _from_deg(*wind)
            found.append(
                Arrow(FROM_X, round(high.at(level), 1), round(came + 180.0, 0), _initials(came))
            )
    return tuple(found)


def _spoken(
    height_km: FloatArray,
    time_min: FloatArray,
    wind_mps: FloatArray,
    warmth_degc: FloatArray,
    wind: tuple[FloatArray, FloatArray],
    i: int,
) -> str:
    said = [
        f"The middle flight rises in {time_min[i]:.0f} min to {height_km[i]:.1f} km and comes "
        f"down in {time_min[-1] - time_min[i]:.0f} min."
    ]
    if np.isfinite(wind_mps).any():
        k = int(np.nanargmax(wind_mps))
        came = compass(_from_deg(float(wind[0][k]), float(wind[1][k])))
        said.append(f"Strongest wind {wind_mps[k]:.0f} m/s from {came}, at {height_km[k]:.1f} km.")
    if np.isfinite(warmth_degc).any():
        k = int(np.nanargmin(warmth_degc))
        cold = f"{warmth_degc[k]:.0f}".replace("-", "−")
        said.append(f"Coldest air {cold} °C, at {height_km[k]:.1f} km.")
    return " ".join(said)


def _rows(
    height_km: FloatArray,
    time_min: FloatArray,
    wind: tuple[FloatArray, FloatArray],
    warmth_degc: FloatArray,
    i: int,
) -> tuple[Row, ...]:
    up_km, down_km = height_km[: i + 1], height_km[i:][::-1]
    low, high = float(up_km[0]), float(up_km[-1])
    levels = [low, *(km for km in _ROWS_KM if low + 0.3 < km < high - 0.3), high]
    rows = []
    for km in reversed(levels):
        u, v = (float(np.interp(km, up_km, part)) for part in wind)
        speed, warm = float(np.hypot(u, v)), float(np.interp(km, up_km, warmth_degc))
        down = float(np.interp(km, down_km, time_min[i:][::-1]))
        rows.append(
            Row(
                f"{km:.1f}".removesuffix(".0"),
                f"{speed:.0f}" if np.isfinite(speed) else "–",
                _initials(_from_deg(u, v)) if np.isfinite(speed) else "–",
                f"{warm:.0f}".replace("-", "−") if np.isfinite(warm) else "–",
                f"{np.interp(km, up_km, time_min[: i + 1]):.0f}",
                f"{down:.0f}" if km >= float(down_km[0]) else "–",
            )
        )
    return tuple(rows)


#: Where the drawing of heights against time begins and ends. [units]
_HEIGHTS_X, _HEIGHTS_Y = (38.0, 372.0), (128.0, 12.0)


@dataclass(frozen=True)
class HeightLine:
    """Height of a followed flight against time: what was reported, and what is to come.

    `band` holds eight of ten flights to come; `now_x` is None where the present is not drawn.
    """

    heights: tuple[Mark, ...]
    times: tuple[Tick, ...]
    reported: str
    to_come: str
    band: str
    now_x: float | None


def height_line(
    time_unix_s: FloatArray,
    height_m: FloatArray,
    to_come: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    now_utc: datetime,
) -> HeightLine | None:
    """Draw heights against time, in UTC as people on the radio say it.

    Parameters
    ----------
    time_unix_s, height_m : array [N]
        Reported; a height that is not known is left out.
    to_come : arrays [T]
        Times, and the heights below which 10 %, half and 90 % of flights are.
    now_utc : datetime

    Returns
    -------
    HeightLine or None
        None where there are not two heights to draw.
    """
    known = np.isfinite(height_m)
    time_unix_s, height_m = time_unix_s[known], height_m[known]
    every_s = np.concatenate([time_unix_s, to_come[0]])
    if every_s.size < 2 or not np.ptp(every_s) > 0.0:
        return None
    step = next((m for m in (10, 20, 30, 60) if np.ptp(every_s) / 60.0 / m <= 6.0), 120) * 60.0
    first, last = (np.floor(every_s.min() / step) * step, np.ceil(every_s.max() / step) * step)
    wide = _HEIGHTS_X[1] - _HEIGHTS_X[0]

    def x(seconds: FloatArray) -> FloatArray:
        return np.asarray(_HEIGHTS_X[0] + (seconds - first) / (last - first) * wide)

    high = _Axis(0.0, float(max(height_m.max(initial=0.0), np.max(to_come[3], initial=0.0))) / 1e3,
                 *_HEIGHTS_Y, 5)  # fmt: skip
    low, middle, top = (high.all_at(each / 1e3) for each in to_come[1:])
    ahead = x(to_come[0])
    band = _profile_path(np.concatenate([ahead, ahead[::-1]]), np.concatenate([low, top[::-1]]))
    now_s = to_unix_s(now_utc)
    ticks = np.arange(first, last + step / 2.0, step)
    return HeightLine(
        heights=high.marks,
        times=tuple(
            Tick(round(float(at), 1), f"{from_unix_s(float(second)):%H:%M}")
            for second, at in zip(ticks, x(ticks), strict=True)
        ),
        reported=_profile_path(x(time_unix_s), high.all_at(height_m / 1e3)),
        to_come=_profile_path(ahead, middle),
        band=f"{band}Z" if band else "",
        now_x=float(x(np.array([now_s]))[0].round(1)) if first <= now_s <= last else None,
    )
