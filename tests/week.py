"""A week of invented hours through windows, storage, decisions and delivery, cycle after cycle.

Everything from scored hours on is the real thing, also the sink that notices are sent to;
only the weather is a function.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path

from invented import hour
from line_watch import settings_in
from sink import Sink

from windowwatch.clock import SimulatedClock
from windowwatch.forecast.cycle import Cycle
from windowwatch.notices import channels as door
from windowwatch.notices.deliver import DeliveryReport, deliver_pending
from windowwatch.notices.values import Channel, Message
from windowwatch.scoring.values import Hour, Site
from windowwatch.settings.read import read_settings
from windowwatch.storage.cycles import PassRecord
from windowwatch.storage.store import Store
from windowwatch.watch.pipeline import conclude
from windowwatch.watch.run.between import between_passes
from windowwatch.watch.values import Span, Watch
from windowwatch.windows.causes import HoldTable
from windowwatch.windows.decisions import Decision
from windowwatch.windows.values import Change
from windowwatch.windows.window import WindowRules

#: Of a site and a launch hour, as a cycle foresees it: score, and what limits it.
Weather = Callable[[str, datetime, int], tuple[float, str]]
BETWEEN = timedelta(hours=6)
#: A cycle is read so long after its time.
LATENCY = timedelta(hours=4)


def watch_of(
    folder: Path,
    sites: Sequence[Site],
    channels: Sequence[Channel] = (),
    decisions: Sequence[Decision] = (),
) -> Watch:
    """A watch of some sites; train, limits and ground are those of the small watch."""
    made = read_settings(settings_in(folder)).watch
    return replace(
        made,
        name="week",
        model="skerra",
        sites=tuple(sites),
        rules=WindowRules(),
        channels=tuple(channels),
        decisions=tuple(decisions),
        hold_advice_before=timedelta(hours=3),
        span=Span(timedelta(hours=1), 16, None, None),
    )


def foreseen(watch: Watch, weather: Weather, first: datetime, days: int, number: int) -> list[Hour]:
    """Hours of a cycle: whole days from `first` on, every hour, at every site."""
    times = [first + timedelta(hours=h) for h in range(24 * days)]
    hours = []
    for site in watch.sites:
        for time in times:
            score, by = weather(site.name, time, number)
            hours.append(hour(time, score, site=site.name, by=by))
    return hours


@dataclass
class Week:
    """Cycles of six hours from `start` on; the watched days begin at `first`."""

    store: Store
    watch: Watch
    weather: Weather
    start: datetime
    first: datetime
    days: int = 1
    changes: list[Change] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    #: How deliveries are made; one channel after the other unless given.
    deliver: Callable[..., DeliveryReport] = deliver_pending

    def __post_init__(self) -> None:
        """The clock stands at the start, or where an earlier life of the daemon has come to."""
        latest = self.store.latest_cycle(self.watch.name)
        begun = self.start if latest is None else latest.reference_utc + LATENCY
        self.clock = SimulatedClock(begun)

    def run(self, numbers: Sequence[int]) -> "Week":
        """Pass the cycles of these numbers; every hour between them is looked after."""
        for number in numbers:
            reference = self.start + number * BETWEEN
            self._until(reference + LATENCY)
            now = self.clock.now()
            hours = foreseen(self.watch, self.weather, self.first, self.days, number)
            record = PassRecord(
                watch=self.watch.name,
                cycle=Cycle(reference, self.watch.model),
                saved_utc=now,
                hours=tuple(h for h in hours if h.time_utc >= now),
                windows=(),
                changes=(),
            )
            self.changes += conclude(record, self.watch, self.store)[0].changes
            self._look_after()
        self._until(self.clock.now() + BETWEEN)
        return self

    def _until(self, moment: datetime) -> None:
        while self.clock.now() + timedelta(hours=1) < moment:
            self.clock.set(self.clock.now() + timedelta(hours=1))
            self._look_after()
        self.clock.set(moment)

    def _look_after(self) -> None:
        def send(channel: Channel, message: Message) -> None:
            door.send(channel, message)
            self.told.append(f"{self.clock.now():%d %H:%M} {channel.name}: {message.title}")

        done = between_passes(self.store, self.watch, self.clock, send=send, deliver=self.deliver)
        self.changes += (*done.asked, *done.advised, *done.late)

    def found(self) -> list[tuple[object, ...]]:
        """Every change: when it was found, kind and site, and its causes.

        Hold advice as the planned release, the last good one, and the one that is no more.
        """
        return [(f"{c.found_utc:%d %H:%M} {c.kind} {c.site}", *_facts(c)) for c in self.changes]


def _facts(change: Change) -> tuple[object, ...]:
    table = change.causes[0]
    if not isinstance(table, HoldTable):
        return change.causes
    over = None if table.closing is None else table.closing.time_utc
    return table.planned.time_utc, table.last_good_utc, over


def phone(sink: Sink, **other: object) -> Channel:
    """A channel that hears everything."""
    return Channel(**{"name": "phone", "url": sink.url, **other})  # type: ignore[arg-type]
