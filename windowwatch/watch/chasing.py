"""Flights in the air, from one moment to the next: crews are advised, and people are told.

Named rules
-----------
once
    Each thing is told once: its key is made of the flight and what happened. So a daemon that was
    killed between two steps does them again, and nobody hears of it twice. Released, burst, water,
    down and the end are told once for a flight, a silence once for each last report.
landing moved
    Told when the landing lies farther from the one that was told last than `ChaseRules.moved_m`,
    and not sooner than `ChaseRules.again` after the landing was told. Nobody hears of every report.
not for long
    What happened longer ago than `TOLD_FOR` is no news to a program that only starts now.
anew
    Crews are advised when the estimate is a new one, when a crew said where it is, and every
    minute: what was best a minute ago may be too late by now.
"""

import logging
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

from windowwatch.chase.drives import Advice, Chances, NoAdvice, advise
from windowwatch.chase.following import state_by
from windowwatch.chase.phases import FLYING, Phase, State, Track
from windowwatch.chase.values import (
    ChaseRules,
    Closing,
    Estimate,
    Flight,
    Happened,
    Outcome,
    Said,
)
from windowwatch.clock import Clock, from_unix_s
from windowwatch.errors import GroundError, WindowwatchError
from windowwatch.ground.query.features import Ground
from windowwatch.ground.query.roadnet import RoadNet
from windowwatch.notices.policy import wants
from windowwatch.physics.earth import bearing_deg, distance_m
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.storage.store import Store
from windowwatch.watch.values import Watch
from windowwatch.windows.causes import Cause, FlightNews
from windowwatch.windows.changes import change_key
from windowwatch.windows.values import Change, ChangeKind

_LOG = logging.getLogger(__name__)

#: The label of something to be told of a flight, the same whoever finds it; and what it is.
News = tuple[str, FlightNews]
#: When something was told of a flight, and what it was.
Told = tuple[datetime, FlightNews]

TOLD_FOR = timedelta(hours=6)
#: A flight is looked at again after this, however little came: it may be silent by now.
LOOK_AGAIN = timedelta(seconds=10)
#: … and its crews are advised anew after this.
ADVISED_FOR = timedelta(minutes=1)


class Roads:
    """The roads of one ground, made when they are first asked for."""

    def __init__(self, ground: Ground) -> None:
        self._ground = ground
        self._lock = threading.Lock()
        self._net: RoadNet | None = None
        self._without = ground.rasters is None

    def net(self) -> RoadNet | None:
        """None where there is no ground file, or one without roads."""
        with self._lock:
            if self._net is None and not self._without and self._ground.rasters is not None:
                try:
                    self._net = RoadNet(self._ground.rasters)
                except GroundError as error:
                    _LOG.warning("crews are not advised: %s", error.message)
                    self._without = True
            return self._net


def advise_flight(
    store: Store,
    flight: Flight,
    said: Said | None,
    track: Track,
    *,
    ground: Ground,
    roads: Roads,
    plan: ScoringPlan,
    rules: ChaseRules,
    now_utc: datetime,
) -> Advice:
    """Advise the crews of a flight anew, and store that.

    Raises
    ------
    StorageError
        If the database refuses.
    """
    estimate = None if said is None else said.estimate
    number = 0 if said is None else said.number
    net = roads.net()
    if estimate is None:
        advice = Advice(number, now_utc, refused=NoAdvice.NO_LANDING)
    else:
        from windowwatch.chase.landings import chances

        on = chances(estimate, ground, plan)
        if net is None:
            advice = Advice(number, now_utc, chances=on, refused=NoAdvice.NO_ROADS)
        else:
            state = state_by(flight.begun, track, now_utc)
            down = state.phase is Phase.DOWN or now_utc > estimate.landing_90_utc
            advice = advise(
                net,
                estimate,
                store.crews(flight.key),
                store.advice(flight.key),
                number=number,
                now_utc=now_utc,
                rules=rules,
                down=down,
            )
            advice = replace(advice, chances=on)
    store.save_advice(flight.key, advice)
    return advice


@dataclass
class _Seen:
    """What is known of a flight since this process began."""

    number: int = -1
    crews: int = -1
    advised_utc: datetime | None = None
    looked_utc: datetime | None = None


@dataclass
class Chasing:
    """Follows all flights that are open.

    Parameters
    ----------
    watch : Watch
        With its channels, ground and rules.
    store : Store
    clock : Clock
    """

    watch: Watch
    store: Store
    clock: Clock
    remarks: dict[str, str] = field(default_factory=dict)
    """What could not be done, by flight; empty while all is well."""
    _seen: dict[str, _Seen] = field(default_factory=dict)
    _over: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        self._roads = Roads(self.watch.ground)

    def look(self) -> tuple[Change, ...]:
        """Look once at every flight; what goes wrong with one is logged, and hurts no other.

        Returns
        -------
        tuple of Change
            What is told, and was not before.

        Raises
        ------
        StorageError
            If flights cannot be read.
        """
        now = self.clock.now()
        found: list[Change] = []
        for flight in self.store.flights():
            if flight.key in self._over:
                continue
            try:
                found += self._follow(flight, now)
                self.remarks.pop(flight.key, None)
            except WindowwatchError as error:
                if self.remarks.get(flight.key) != error.message:
                    _LOG.error("flight %s: %s", flight.key, error.message)
                self.remarks[flight.key] = error.message
        return tuple(found)

    def _follow(self, flight: Flight, now: datetime) -> list[Change]:
        if flight.closing is not None:
            self._over.add(flight.key)
            self._seen.pop(flight.key, None)
            if now - flight.closing.at_utc > TOLD_FOR:
                return []
            return self._tell(flight, *ended(flight, flight.closing), now)
        seen = self._seen.setdefault(flight.key, _Seen())
        said, crews = self.store.said(flight.key), self.store.crews_mark(flight.key)
        number = 0 if said is None else said.number
        new = number != seen.number or crews != seen.crews
        # a clock that was put back must not make it wait for longer
        looked = seen.looked_utc
        if not new and looked is not None and timedelta(0) <= now - looked < LOOK_AGAIN:
            return []
        track, _ = self.store.flight_track(flight.key)
        late = seen.advised_utc is None or not now - seen.advised_utc < ADVISED_FOR
        if said is not None and (new or late):
            advice: Advice | None = advise_flight(
                self.store,
                flight,
                said,
                track,
                ground=self.watch.ground,
                roads=self._roads,
                plan=self.watch.plan,
                rules=self.watch.chase,
                now_utc=now,
            )
            seen.advised_utc = now
        else:
            advice = self.store.advice(flight.key)
        told = self._news(flight, said, track, advice, now)
        seen.number, seen.crews, seen.looked_utc = number, crews, now
        return told

    def _news(
        self, flight: Flight, said: Said | None, track: Track, advice: Advice | None, now: datetime
    ) -> list[Change]:
        state = state_by(flight.begun, track, now)
        last = None
        if track.size:
            high = float(track.height_m[-1])
            last = (
                float(track.latitude_deg[-1]),
                float(track.longitude_deg[-1]),
                high if high == high else None,  # NaN
            )
        news = news_of(
            flight,
            state,
            last,
            None if said is None else said.estimate,
            None if advice is None else advice.chances,
            self._told(flight, now),
            now,
            self.watch.chase,
        )
        if track.size and now - from_unix_s(float(track.time_unix_s[-1])) > TOLD_FOR:
            return []  # forgotten, or brought in from a file
        return [change for each in news for change in self._tell(flight, *each, now)]

    def _told(self, flight: Flight, now: datetime) -> list[Told]:
        """What was told of a flight, the oldest first."""
        since = min(flight.begun.begun_utc, now) - timedelta(days=1)  # a clock may be put back
        changes = self.store.changes_since(self.watch.name, since, ChangeKind.FLIGHT)
        return [
            (change.found_utc, cause)
            for change in sorted(changes, key=lambda each: each.found_utc)
            for cause in change.causes
            if isinstance(cause, FlightNews) and cause.flight == flight.key
        ]

    def _tell(self, flight: Flight, label: str, news: FlightNews, now: datetime) -> list[Change]:
        about, cycle_id = f"flight {flight.key}", flight.begun.forecast
        change = told_of(self.watch, about, ChangeKind.FLIGHT, label, (news,), now, cycle_id)
        return tell(self.store, self.watch, change)


def told_of(
    watch: Watch,
    about: str,
    kind: ChangeKind,
    label: str,
    causes: tuple[Cause, ...],
    now: datetime,
    cycle_id: str,
    site: str = "",
) -> Change:
    """A change of a flight or a plan. `label` is the same for the same thing, whoever finds it."""
    key = change_key(watch.name, about, kind, label)
    return Change(key, kind, site, None, cycle_id, now, None, None, causes)


def tell(
    store: Store,
    watch: Watch,
    change: Change,
    *,
    only: Sequence[str] = (),
    also: Sequence[str] = (),
) -> list[Change]:
    """Store a change and its deliveries, none of them held; empty where it was told before.

    Channels in `only` take the place of those that want it, where the watch has any of them;
    those in `also` come beside them.
    """
    there = {channel.name for channel in watch.channels}
    names = [channel.name for channel in watch.channels if wants(channel, change)]
    if set(only) & there:
        names = [name for name in only if name in there]
    names += [name for name in also if name in there]
    pairs = tuple((change.key, name) for name in dict.fromkeys(names))
    return list(store.save_changes(watch.name, (change,), pairs))


#: News that say where it will land.
_OF_LANDING = (Happened.RELEASED, Happened.BURST, Happened.MOVED, Happened.WATER)


def news_of(
    flight: Flight,
    state: State,
    last: tuple[float, float, float | None] | None,
    estimate: Estimate | None,
    chances: Chances | None,
    told: Sequence[Told],
    now_utc: datetime,
    rules: ChaseRules,
) -> tuple[News, ...]:
    """What is to be told of a flight that is open. Pure.

    Parameters
    ----------
    flight : Flight
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
    before = {news.happened for _, news in told}
    water = None if chances is None or chances.water is None else chances.water.share
    found = []
    if state.released_utc is not None and state.phase is not Phase.WAITING:
        found.append(_with_landing(flight, Happened.RELEASED, state.released_utc, estimate, water))
    if state.burst is not None:
        when, high = from_unix_s(state.burst.before_unix_s), state.burst.at_least_m
        found.append(_with_landing(flight, Happened.BURST, when, estimate, water, high))
    if state.phase is Phase.DOWN and state.since_utc is not None:
        spot = (None, None) if last is None else last[:2]
        if estimate is not None:
            spot = estimate.landing.latitude_deg, estimate.landing.longitude_deg
        found.append(_news(flight, Happened.DOWN, state.since_utc, *spot))
    if water is not None and water >= rules.water and estimate is not None:
        found.append(_with_landing(flight, Happened.WATER, estimate.report_utc, estimate, water))
    found = [each for each in found if each[1].happened not in before]
    if state.silent and state.age is not None:
        heard = now_utc - state.age
        quiet = [told_utc for told_utc, news in told if news.happened == Happened.SILENT]
        if not quiet or (heard > quiet[-1] and now_utc - quiet[-1] >= rules.again):
            label = f"silent {heard:%Y-%m-%d %H:%M:%S}"
            lat, lon, high_m = last or (None, None, None)
            lands = None if estimate is None else estimate.landing_utc
            found.append(
                _news(flight, Happened.SILENT, heard, lat, lon, high_m, lands, label=label)
            )
    moved = None if found else _moved(flight, state, estimate, told, water, now_utc, rules)
    found += [] if moved is None else [moved]
    return tuple(each for each in found if now_utc - each[1].at_utc <= TOLD_FOR)


def ended(flight: Flight, closing: Closing) -> News:
    """That a flight has ended."""
    what = Happened.FOUND if closing.outcome is Outcome.RECOVERED else Happened.GIVEN_UP
    place = closing.latitude_deg, closing.longitude_deg
    return _news(flight, what, closing.at_utc, *place, label="ended", by=closing.by)


def _news(
    flight: Flight,
    what: Happened,
    at_utc: datetime,
    latitude_deg: float | None = None,
    longitude_deg: float | None = None,
    height_m: float | None = None,
    landing_utc: datetime | None = None,
    *,
    label: str = "",
    **more: Any,
) -> News:
    place = latitude_deg, longitude_deg, height_m, landing_utc
    news = FlightNews(flight.key, flight.begun.name, str(what), at_utc, *place, **more)
    return label or str(what), news


def _with_landing(
    flight: Flight,
    what: Happened,
    when: datetime,
    estimate: Estimate | None,
    water: float | None,
    height_m: float | None = None,
) -> News:
    if estimate is None:
        return _news(flight, what, when, height_m=height_m)
    spot, lands = estimate.landing, estimate.landing_utc
    place = spot.latitude_deg, spot.longitude_deg, height_m
    return _news(flight, what, when, *place, lands, chance=water)


def _moved(
    flight: Flight,
    state: State,
    estimate: Estimate | None,
    told: Sequence[Told],
    water: float | None,
    now_utc: datetime,
    rules: ChaseRules,
) -> News | None:
    """That the landing moved far from where it was told last."""
    of_landing = [
        (told_utc, news.latitude_deg, news.longitude_deg)
        for told_utc, news in told
        if news.happened in _OF_LANDING
        and news.latitude_deg is not None
        and news.longitude_deg is not None
    ]
    if estimate is None or not of_landing or state.phase not in FLYING:
        return None
    told_utc, lat, lon = of_landing[-1]
    spot = estimate.landing.latitude_deg, estimate.landing.longitude_deg
    away_m = float(distance_m(lat, lon, *spot))
    if away_m <= rules.moved_m or now_utc - told_utc < rules.again:
        return None
    count = sum(news.happened == Happened.MOVED for _, news in told)
    return _news(
        flight,
        Happened.MOVED,
        estimate.report_utc,
        *spot,
        None,
        estimate.landing_utc,
        label=f"{Happened.MOVED} {count + 1}",
        km=away_m / 1e3,
        bearing_deg=float(bearing_deg(lat, lon, *spot)),
        chance=water,
    )
