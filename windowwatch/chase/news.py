"""What people are told of a flight in the air: which news are due, and which were told. Pure.

Named rules
-----------
once
    Released, burst, water, down and the end are told once for a flight, a silence once for each
    last report. Who looks at the same moment finds the same news by the same label.
landing moved
    Told when the landing lies farther from the one that was told last than `ChaseRules.moved_m`,
    and not sooner than `ChaseRules.again` after the landing was told. Nobody hears of every report.
not for long
    What happened longer ago than `TOLD_FOR` is no news to a program that only starts now.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from windowwatch.chase.drives import Chances
from windowwatch.chase.phases import FLYING, Phase, State
from windowwatch.chase.values import ChaseRules, Closing, Estimate, Outcome
from windowwatch.clock import from_unix_s
from windowwatch.physics.earth import bearing_deg, distance_m

TOLD_FOR = timedelta(hours=6)


class Happened(StrEnum):
    """What can happen to a flight. Stored: never change a word."""

    RELEASED = "released"
    BURST = "burst"
    MOVED = "landing moved"
    WATER = "on water"
    SILENT = "silent"
    DOWN = "down"
    FOUND = "found"
    GIVEN_UP = "given up"


@dataclass(frozen=True)
class News:
    """Something to be told of a flight.

    Attributes
    ----------
    happened : Happened
    label : str
        The same for the same news, whoever finds it.
    at_utc : datetime
        When it happened, or was last heard.
    latitude_deg, longitude_deg : float or None
        Of the estimated landing; of the last report where it is silent, and of where it was found.
    height_m : float or None
        Of the burst, or of the last report.
    landing_utc : datetime or None
    km, bearing_deg : float or None
        How far, and which way, the landing moved.
    chance : float or None
        That it lands on water. [1]
    by : str
        Who says so.
    """

    happened: Happened
    label: str
    at_utc: datetime
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    height_m: float | None = None
    landing_utc: datetime | None = None
    km: float | None = None
    bearing_deg: float | None = None
    chance: float | None = None
    by: str = ""


@dataclass(frozen=True)
class Told:
    """What was told before, when, and the landing that was in it."""

    happened: Happened
    told_utc: datetime
    latitude_deg: float | None
    longitude_deg: float | None


#: News that say where it will land.
_OF_LANDING = (Happened.RELEASED, Happened.BURST, Happened.MOVED, Happened.WATER)


def news_of(
    state: State,
    last: tuple[float, float, float | None] | None,
    estimate: Estimate | None,
    chances: Chances | None,
    told: Sequence[Told],
    now_utc: datetime,
    rules: ChaseRules,
) -> tuple[News, ...]:
    """What is to be told of a flight that is open.

    Parameters
    ----------
    state : State
    last : (float, float, float or None) or None
        Latitude, longitude and height of the last report. [deg], [m]
    estimate : Estimate or None
    chances : Chances or None
        Of that estimate.
    told : sequence of Told
        Of this flight, the oldest first.
    now_utc : datetime
    rules : ChaseRules
    """
    before = {each.happened for each in told}
    water = None if chances is None or chances.water is None else chances.water.share
    found = []
    if state.released_utc is not None and state.phase is not Phase.WAITING:
        found.append(_with_landing(Happened.RELEASED, state.released_utc, estimate, water))
    if state.burst is not None:
        when, high = from_unix_s(state.burst.before_unix_s), state.burst.at_least_m
        found.append(_with_landing(Happened.BURST, when, estimate, water, height_m=high))
    if state.phase is Phase.DOWN and state.since_utc is not None:
        spot = (None, None) if last is None else last[:2]
        if estimate is not None:
            spot = estimate.landing.latitude_deg, estimate.landing.longitude_deg
        found.append(News(Happened.DOWN, "down", state.since_utc, spot[0], spot[1]))
    if water is not None and water >= rules.water and estimate is not None:
        found.append(_with_landing(Happened.WATER, estimate.report_utc, estimate, water))
    found = [each for each in found if each.happened not in before]
    if state.silent and state.age is not None:
        heard = now_utc - state.age
        quiet = [each.told_utc for each in told if each.happened is Happened.SILENT]
        if not quiet or (heard > quiet[-1] and now_utc - quiet[-1] >= rules.again):
            label = f"silent {heard:%Y-%m-%d %H:%M:%S}"
            place = (None, None, None) if last is None else last
            lands = None if estimate is None else estimate.landing_utc
            found.append(News(Happened.SILENT, label, heard, place[0], place[1], place[2], lands))
    moved = None if found else _moved(state, estimate, told, water, now_utc, rules)
    found += [] if moved is None else [moved]
    return tuple(each for each in found if now_utc - each.at_utc <= TOLD_FOR)


def ended(closing: Closing) -> News:
    """That a flight has ended."""
    found = closing.outcome is Outcome.RECOVERED
    return News(
        Happened.FOUND if found else Happened.GIVEN_UP,
        "ended",
        closing.at_utc,
        closing.latitude_deg,
        closing.longitude_deg,
        by=closing.by,
    )


def _with_landing(
    what: Happened,
    when: datetime,
    estimate: Estimate | None,
    water: float | None,
    *,
    height_m: float | None = None,
) -> News:
    if estimate is None:
        return News(what, str(what), when, height_m=height_m)
    spot = estimate.landing
    return News(
        what, str(what), when, spot.latitude_deg, spot.longitude_deg, height_m,
        estimate.landing_utc, chance=water,
    )  # fmt: skip


def _moved(
    state: State,
    estimate: Estimate | None,
    told: Sequence[Told],
    water: float | None,
    now_utc: datetime,
    rules: ChaseRules,
) -> News | None:
    """That the landing moved far from where it was told last."""
    of_landing = [
        (each, each.latitude_deg, each.longitude_deg)
        for each in told
        if each.happened in _OF_LANDING
        and each.latitude_deg is not None
        and each.longitude_deg is not None
    ]
    if estimate is None or not of_landing or state.phase not in FLYING:
        return None
    last, lat, lon = of_landing[-1]
    spot = estimate.landing
    away_m = float(distance_m(lat, lon, spot.latitude_deg, spot.longitude_deg))
    if away_m <= rules.moved_m or now_utc - last.told_utc < rules.again:
        return None
    count = sum(each.happened is Happened.MOVED for each in told)
    way = float(bearing_deg(lat, lon, spot.latitude_deg, spot.longitude_deg))
    return News(
        Happened.MOVED, f"{Happened.MOVED} {count + 1}", estimate.report_utc,
        spot.latitude_deg, spot.longitude_deg, None, estimate.landing_utc, away_m / 1e3, way, water,
    )  # fmt: skip
