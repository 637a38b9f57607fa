"""Drawings along time as numbers of SVG: the day of a launch, and an hour's cycles. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from math import isfinite

from windowwatch.clock import floor_to_step, from_unix_s, to_unix_s
from windowwatch.physics.sun import sunrise_unix_s, sunset_unix_s
from windowwatch.scoring.checks.series import FAR_H
from windowwatch.scoring.detail import Drive
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Hour, Site
from windowwatch.wording import page as words

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
    leaves = f"{drive.start} at {release.astimezone(zone):%H:%M}, with the release, as checks count"
    there = f"{words.moment_words(release + way, zone)}, {drive.minutes:.0f} min from {drive.start}"
    if hour.landing_utc is not None and hour.landing_utc - way > release:
        latest = (hour.landing_utc - way).astimezone(zone)
        leaves += f"; at {latest:%H:%M} at the latest, to be there when the middle flight lands"
    said = [("Crew leaves", leaves), ("Crew at the road", f"{there}, for the middle flight")]
    walk = next((c.value for c in hour.checks if c.name == "walk"), None)
    if walk is not None:
        flights = words.flights_words(plan.quantile)
        said.append(("Walk from there", f"{walk:.0f} min or less for {flights}"))
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
