"""An hour from set-up to recovery as numbers of an SVG drawing. Pure."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from math import isfinite

from windowwatch.clock import floor_to_step, from_unix_s, to_unix_s
from windowwatch.physics.sun import sunrise_unix_s, sunset_unix_s
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Hour, Site
from windowwatch.web import words

WIDTH = 400.0
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
    """A whole drawing, and the same in words."""

    light: tuple[Bar, ...]
    clearance: Bar | None
    acts: tuple[Bar, ...]
    release_x: float
    landing_x: float | None
    ticks: tuple[Tick, ...]
    said: tuple[tuple[str, str], ...]


def timeline(hour: Hour, site: Site, plan: ScoringPlan) -> Timeline:
    """Set-up, release, hold, flight and what daylight and clearance leave of the day."""
    release, landing = hour.time_utc, hour.landing_utc
    setup = release - timedelta(minutes=plan.setup_min)
    hold = release + timedelta(minutes=plan.hold_min)
    last = max(hold, landing or hold)
    begin = floor_to_step(setup - timedelta(minutes=30), _HOUR)
    end = floor_to_step(last + timedelta(hours=3, minutes=59), _HOUR)
    zone = words.zone_of(site)

    def x(moment: datetime) -> float:
        share = (moment - begin) / (end - begin)
        return round(WIDTH * min(1.0, max(0.0, share)), 1)

    def bar(first: datetime, until: datetime, kind: str) -> Bar:
        return Bar(x(first), round(x(until) - x(first), 1), kind)

    rise, dusk = _sun(site, setup)
    said = [
        ("Set-up", words.moment_words(setup, zone)),
        ("Release", f"{words.moment_words(release, zone)} ({release:%H:%M} UTC)"),
        ("Hold until", words.moment_words(hold, zone)),
        ("Landing", "not known" if landing is None else words.moment_words(landing, zone)),
    ]
    if rise is not None and dusk is not None:
        said.append(("Sun up", words.span_words(rise, dusk, zone)))
    clearance = None
    if plan.clearance is not None:
        first, until = (from_unix_s(s) for s in plan.clearance)
        said.append(("Clearance", words.span_words(first, until, zone)))
        clearance = bar(max(first, begin), min(until, end), "clear")
    acts = [bar(setup, release, "act soft"), bar(release, hold, "act")]
    if landing is not None:
        acts.append(bar(hold, landing, "act soft") if landing > hold else bar(hold, hold, "act"))
    step = 1 if (end - begin) <= 9 * _HOUR else 2
    count = round((end - begin) / _HOUR)
    return Timeline(
        light=() if rise is None or dusk is None else (bar(rise, dusk, "light"),),
        clearance=clearance,
        acts=tuple(acts),
        release_x=x(release),
        landing_x=None if landing is None else x(landing),
        ticks=tuple(
            Tick(x(begin + i * _HOUR), f"{(begin + i * _HOUR).astimezone(zone):%H}")
            for i in range(1, count, step)
        ),
        said=tuple(said),
    )


def _sun(site: Site, near: datetime) -> tuple[datetime | None, datetime | None]:
    """Sunrise and sunset of the day that a time lies in; None where there is none."""
    place = (site.latitude_deg, site.longitude_deg)
    dusk = float(sunset_unix_s(to_unix_s(near), *place))
    if not isfinite(dusk):
        return None, None
    rise = float(sunrise_unix_s(dusk - 86_400.0, *place))
    return (from_unix_s(rise), from_unix_s(dusk)) if isfinite(rise) else (None, None)
