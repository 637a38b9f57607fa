"""Flights in the air, from one moment to the next: crews are advised, and people are told.

Named rules
-----------
once
    Each thing is told once: its key is made of the flight and what happened. So a daemon that was
    killed between two steps does them again, and nobody hears of it twice.
anew
    Crews are advised when the estimate is a new one, when a crew said where it is, and every
    minute: what was best a minute ago may be too late by now.
"""

import logging
import threading
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from windowwatch.chase.drives import (
    Advice,
    NoAdvice,
    advise,
)
from windowwatch.chase.following import state_by
from windowwatch.chase.news import TOLD_FOR, Happened, News, Told, ended, news_of
from windowwatch.chase.phases import Phase, Track
from windowwatch.chase.values import ChaseRules, Flight, Said
from windowwatch.clock import Clock, from_unix_s
from windowwatch.errors import GroundError, WindowwatchError
from windowwatch.ground.query.features import Ground
from windowwatch.ground.query.roadnet import RoadNet
from windowwatch.notices.policy import wants
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.storage.store import Store
from windowwatch.watch.values import Watch
from windowwatch.windows.causes import FlightNews
from windowwatch.windows.changes import change_key
from windowwatch.windows.values import Change, ChangeKind

_LOG = logging.getLogger(__name__)

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
            return self._tell(flight, ended(flight.closing), now)
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
        return [change for each in news for change in self._tell(flight, each, now)]

    def _told(self, flight: Flight, now: datetime) -> list[Told]:
        """What was told of a flight, the oldest first."""
        since = min(flight.begun.begun_utc, now) - timedelta(days=1)  # a clock may be put back
        changes = self.store.changes_since(self.watch.name, since, ChangeKind.FLIGHT)
        return [
            Told(Happened(c.happened), change.found_utc, c.latitude_deg, c.longitude_deg)
            for change in sorted(changes, key=lambda each: each.found_utc)
            for c in change.causes
            if isinstance(c, FlightNews) and c.flight == flight.key
        ]

    def _tell(self, flight: Flight, news: News, now: datetime) -> list[Change]:
        """Store a change and its deliveries, none of them held; empty where it was told before."""
        about = f"flight {flight.key}"
        values = {name: value for name, value in vars(news).items() if name != "label"}
        values["happened"] = str(news.happened)
        change = Change(
            key=change_key(self.watch.name, about, ChangeKind.FLIGHT, news.label),
            kind=ChangeKind.FLIGHT,
            site="",
            window_uid=None,
            cycle_id=flight.begun.forecast,
            found_utc=now,
            before=None,
            after=None,
            causes=(FlightNews(flight.key, flight.begun.name, **values),),
        )
        pairs = tuple((change.key, ch.name) for ch in self.watch.channels if wants(ch, change))
        return list(self.store.save_changes(self.watch.name, (change,), pairs))
