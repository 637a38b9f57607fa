"""How well the watch is: how old the forecast is, what waits, for people and as figures. Pure.

The form of the figures is Prometheus' text format, version 0.0.4 ("Exposition formats").
Ages of a daemon's work are measured on a clock that nobody can set and that stands still while the
machine sleeps, so neither makes a daemon seem deaf.
"""

import shutil
import threading
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta, tzinfo
from enum import StrEnum
from pathlib import Path

from windowwatch.errors import StorageError, WindowwatchError
from windowwatch.storage.cycles import StoredCycle
from windowwatch.storage.deliveries import ChannelFigures
from windowwatch.web.values import Facts, common_zone
from windowwatch.windows.values import Window, WindowState
from windowwatch.wording import page as words


@dataclass(frozen=True)
class Life:
    """A daemon's own work at a moment.

    Attributes
    ----------
    since_start, since_look, since_delivering : timedelta
        Since the daemon began, a look for cycles last went well or went on, and a run of
        deliveries last ended; counted from the start where there was none.
    looks, looks_failed, passes, passes_failed, storage_errors, heartbeats, heartbeats_failed : int
        Since the start.
    look_failing : str
        Why the last look was refused; empty when it went well.
    pass_failing : str
        Why the deciding model's last pass failed; empty once one was made again.
    storage_failing : mapping of str to str
        Who was refused by the database when it last worked, and why.
    hanging : mapping of str to timedelta
        Channels whose attempt under way has lasted longer than any may.
    """

    since_start: timedelta
    since_look: timedelta
    since_delivering: timedelta
    looks: int = 0
    looks_failed: int = 0
    passes: int = 0
    passes_failed: int = 0
    storage_errors: int = 0
    heartbeats: int = 0
    heartbeats_failed: int = 0
    look_failing: str = ""
    pass_failing: str = ""
    storage_failing: dict[str, str] = field(default_factory=dict)
    hanging: dict[str, timedelta] = field(default_factory=dict)


class Vitals:
    """Counts what a daemon does; may be shared by threads.

    Parameters
    ----------
    steady_s : callable
        Seconds of a clock that only rises.
    """

    def __init__(self, steady_s: Callable[[], float]) -> None:
        self._time = steady_s
        self._lock = threading.Lock()
        self._begun_s = self._looked_s = self._delivered_s = steady_s()
        self._life = Life(timedelta(0), timedelta(0), timedelta(0))

    def now(self, hanging: dict[str, timedelta] | None = None) -> Life:
        """All of it at this moment."""
        now_s = self._time()
        with self._lock:
            return replace(
                self._life,
                since_start=timedelta(seconds=now_s - self._begun_s),
                since_look=timedelta(seconds=now_s - self._looked_s),
                since_delivering=timedelta(seconds=now_s - self._delivered_s),
                storage_failing=dict(self._life.storage_failing),
                hanging=hanging or {},
            )

    def looked(self, refused: WindowwatchError | None = None) -> None:
        """A look has ended."""
        with self._lock:
            if refused is None:
                self._looked_s = self._time()
                self._life = replace(self._life, looks=self._life.looks + 1, look_failing="")
            else:
                failed = self._life.looks_failed + 1
                why = refused.first_line
                self._life = replace(self._life, looks_failed=failed, look_failing=why)
        self.stored("a look", refused)

    def goes_on(self) -> None:
        """A look that takes long has come further."""
        with self._lock:
            self._looked_s = self._time()

    def passed(self, refused: WindowwatchError | None, *, decides: bool) -> None:
        """A pass was made, or failed; one of another model says nothing of the results."""
        why = "" if refused is None else refused.first_line
        with self._lock:
            life = self._life
            self._life = replace(
                life,
                passes=life.passes + (refused is None),
                passes_failed=life.passes_failed + (refused is not None),
                pass_failing=why if decides else life.pass_failing,
            )

    def delivered(self) -> None:
        """A run of deliveries has ended, or goes on."""
        with self._lock:
            self._delivered_s = self._time()

    def stored(self, who: str, refused: WindowwatchError | None = None) -> None:
        """Somebody has worked with the database, and was refused or not."""
        with self._lock:
            failing = {k: why for k, why in self._life.storage_failing.items() if k != who}
            errors = self._life.storage_errors
            if isinstance(refused, StorageError):
                failing[who], errors = refused.first_line, errors + 1
            self._life = replace(self._life, storage_failing=failing, storage_errors=errors)

    def beat(self, refused: WindowwatchError | None = None) -> None:
        """The heartbeat address was called."""
        with self._lock:
            life = self._life
            good, bad = life.heartbeats, life.heartbeats_failed
            if refused is None:
                self._life = replace(life, heartbeats=good + 1)
            else:
                self._life = replace(life, heartbeats_failed=bad + 1)


class Condition(StrEnum):
    """What is to be thought of the results."""

    FRESH = "fresh"
    STALE = "stale"  #: the newest cycle is too old to plan by
    EMPTY = "empty"  #: no pass yet


@dataclass(frozen=True)
class Health:
    """State of the watch at a time. Ages are counted from the cycle's reference time."""

    condition: Condition
    now_utc: datetime
    cycle: StoredCycle | None
    age: timedelta | None
    stale_after: timedelta
    pending: Mapping[str, int]
    look_every: timedelta | None
    next_look_in: timedelta | None
    zone: tzinfo | None = None
    channels: Mapping[str, ChannelFigures] = field(default_factory=dict)
    life: Life | None = None
    disk_free_bytes: int | None = None
    troubles: tuple[str, ...] = ()
    """What is wrong with the watch itself, a line each."""

    @property
    def now_words(self) -> str:
        """The present in the zone that all sites share, UTC beside it; else UTC alone."""
        return words.both_words(self.now_utc, self.zone)

    @property
    def fresh(self) -> bool:
        """Whether the results are new enough to be planned by."""
        return self.condition is Condition.FRESH

    @property
    def well(self) -> bool:
        """Whether that is so, and nothing is wrong with the watch itself."""
        return self.fresh and not self.troubles

    @property
    def reason(self) -> str:
        """Why not all is well, in one line; empty when it is."""
        if self.condition is Condition.EMPTY:
            return "; ".join(("no forecast has been passed yet", *self.troubles))
        stale = () if self.age is None or self.fresh else (self.stale_words(self.age),)
        return "; ".join((*stale, *self.troubles))

    def stale_words(self, age: timedelta) -> str:
        """That the forecast is too old."""
        bound = words.length_words(self.stale_after)
        return f"the newest forecast is {words.length_words(age)} old, more than {bound}"

    @property
    def forecast_words(self) -> str:
        """Where the forecast is from and how old it is, in one sentence."""
        made = self.made_words
        return f"Forecast: {made}" if made else "No forecast has been passed yet."

    @property
    def made_words(self) -> str:
        """The same as a part of a sentence; empty before the first pass."""
        if self.cycle is None or self.age is None:
            return ""
        return (
            f"model {self.cycle.cycle.model}, cycle of "
            f"{words.utc_words(self.cycle.cycle.reference_utc)}, "
            f"{words.length_words(self.age)} old."
        )

    @property
    def warning(self) -> str:
        """What must be said on every page; empty when all is well."""
        if self.condition is Condition.STALE and self.age is not None:
            return (
                f"This forecast is {words.length_words(self.age)} old. "
                "Do not plan by it before a newer cycle has come."
            )
        return ""


@dataclass(frozen=True)
class ModelState:
    """How well the newest cycle of a model is; `state` says whether it is heard."""

    model: str
    cycle: str
    age: str
    state: str


def model_states(
    facts: Facts, deciding: StoredCycle | None, others: Iterable[StoredCycle], now_utc: datetime
) -> tuple[ModelState, ...]:
    """A row per model, the deciding one first; empty before the first pass.

    Another model is stale when its cycle is older than the deciding one by more than
    `Facts.others_stale_after`: nobody hears it then.
    """
    if deciding is None:
        return ()
    rows = []
    for each in (deciding, *others):
        at = each.cycle.reference_utc
        if each is deciding:
            state = "stale" if now_utc - at > facts.stale_after else "fresh"
            state += ", decides"
        else:
            late = deciding.cycle.reference_utc - at
            state = "stale, not heard" if late > facts.others_stale_after else "fresh, heard"
        age = f"{words.length_words(max(timedelta(0), now_utc - at))} old"
        rows.append(ModelState(each.cycle.model, words.utc_words(at), age, state))
    return tuple(rows)


def health(
    facts: Facts,
    cycle: StoredCycle | None,
    now_utc: datetime,
    *,
    pending: Mapping[str, int],
    next_look_in: timedelta | None = None,
    channels: Mapping[str, ChannelFigures] | None = None,
    life: Life | None = None,
    disk_free_bytes: int | None = None,
    refused: str = "",
) -> Health:
    """Judge a watch at a time.

    Parameters
    ----------
    facts : Facts
    cycle : StoredCycle or None
        The newest; None before the first pass.
    now_utc : datetime
    pending : mapping of str to int
        Notices that wait, by channel.
    next_look_in : timedelta, optional
    channels : mapping of str to ChannelFigures, optional
    life : Life, optional
        What the daemon says of itself; None where there is none.
    disk_free_bytes : int, optional
        None where it is not known. [byte]
    refused : str
        Why the database cannot be read now; empty when it can.
    """
    age = None if cycle is None else now_utc - cycle.cycle.reference_utc
    if age is None:
        condition = Condition.EMPTY
    else:
        condition = Condition.STALE if age > facts.stale_after else Condition.FRESH
    return Health(
        condition,
        now_utc,
        cycle,
        age,
        facts.stale_after,
        dict(pending),
        facts.look_every,
        next_look_in,
        common_zone(facts.sites),
        dict(channels or {}),
        life,
        disk_free_bytes,
        (
            *_of_storage(refused, life),
            *(() if life is None else _of_work(facts, life)),
            *_of_channels(facts, channels or {}, now_utc),
            *_of_room(facts, disk_free_bytes),
        ),
    )


def _of_storage(refused: str, life: Life | None) -> tuple[str, ...]:
    failing = {} if life is None else life.storage_failing
    who = [f"{name} was refused: {why}" for name, why in sorted(failing.items())]
    return tuple(map(words.without_folders, ([refused] if refused else []) + who))


def _of_work(facts: Facts, life: Life) -> tuple[str, ...]:
    said = []
    if life.pass_failing:
        said.append(f"the last pass failed: {life.pass_failing}")
    if life.since_look > facts.bounds.no_look:
        why = f": {life.look_failing}" if life.look_failing else ""
        said.append(f"no look for {words.length_words(life.since_look)}{why}")
    for name, length in sorted(life.hanging.items()):
        said.append(f"channel {name} has hung for {words.length_words(length)}")
    return tuple(map(words.without_folders, said))


def _of_channels(
    facts: Facts, channels: Mapping[str, ChannelFigures], now_utc: datetime
) -> tuple[str, ...]:
    """Channels of the settings on which nothing has come through for too long."""
    said = []
    for name in facts.channels:
        since = channels[name].failing_since_utc if name in channels else None
        if since is not None and now_utc - since >= facts.bounds.channel_failing:
            length = words.length_words(now_utc - since)
            said.append(f"nothing has come through on channel {name} for {length}")
    return tuple(said)


def _of_room(facts: Facts, disk_free_bytes: int | None) -> tuple[str, ...]:
    least = facts.bounds.disk_free_bytes
    if disk_free_bytes is None or disk_free_bytes >= least:
        return ()
    free, wanted = disk_free_bytes / 1e6, least / 1e6
    return (f"the disk has {free:.0f} MB free, less than {wanted:.0f} MB: make room",)


CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"

#: Labels and value of one line.
_Sample = tuple[dict[str, str], float]
#: Name, kind, help, lines.
_Family = tuple[str, str, str, list[_Sample]]


def metrics_text(
    watch: str,
    state: Health,
    windows: Iterable[Window],
    channels: Mapping[str, ChannelFigures],
) -> str:
    """All figures of a watch; one that is not known is left out, never zero.

    Parameters
    ----------
    watch : str
        Its name, a label of every line.
    state : Health
        Cycle, age and next look.
    windows : iterable of Window
        As the newest cycle left them.
    channels : mapping of str to ChannelFigures
        By name.
    """
    states = [window.state for window in windows]
    families: list[_Family] = [
        ("fresh", "gauge", "1 when results are new enough, else 0.", [({}, float(state.fresh))]),
        ("healthy", "gauge", "1 when nothing is wrong, else 0.", [({}, float(state.well))]),
        ("windows", "gauge", "Windows by state after the newest cycle.", [
            ({"state": str(each)}, float(states.count(each)))
            for each in (WindowState.SIGHTED, WindowState.OPEN)
        ]),
        *_channel_families(channels, state.now_utc),
        *([] if state.life is None else _life_families(state.life)),
    ]  # fmt: skip
    if state.cycle is not None and state.age is not None:
        labels = {"cycle": state.cycle.cycle.id}
        families += [
            ("cycle_age_seconds", "gauge", "Age of the newest cycle.", [
                (labels, state.age.total_seconds())
            ]),
            ("last_pass_timestamp_seconds", "gauge", "When the newest cycle was stored.", [
                (labels, state.cycle.saved_utc.timestamp())
            ]),
            ("last_pass_age_seconds", "gauge", "Since the newest cycle was stored.", [
                (labels, (state.now_utc - state.cycle.saved_utc).total_seconds())
            ]),
        ]  # fmt: skip
    if state.next_look_in is not None:
        seconds = state.next_look_in.total_seconds()
        families.append(("next_look_seconds", "gauge", "Until the next look.", [({}, seconds)]))
    if state.disk_free_bytes is not None:
        free = float(state.disk_free_bytes)
        families.append(("disk_free_bytes", "gauge", "Room left on the disk.", [({}, free)]))
    lines = []
    for name, kind, help_text, samples in families:
        if samples:
            lines += [f"# HELP windowwatch_{name} {help_text}", f"# TYPE windowwatch_{name} {kind}"]
        lines += [f"windowwatch_{name}{_labels(watch, more)} {value!r}" for more, value in samples]
    return "\n".join(lines) + "\n"


def _channel_families(channels: Mapping[str, ChannelFigures], now_utc: datetime) -> list[_Family]:
    def by_channel(number: Callable[[ChannelFigures], float | None]) -> list[_Sample]:
        numbers = {name: number(figures) for name, figures in channels.items()}
        return [({"channel": k}, float(n)) for k, n in numbers.items() if n is not None]

    def since(moment: datetime | None) -> float | None:
        return None if moment is None else (now_utc - moment).total_seconds()

    return [
        ("deliveries_pending", "gauge", "Notices that wait.", by_channel(lambda f: f.pending)),
        ("deliveries_sent_total", "counter", "Notices sent.", by_channel(lambda f: f.sent)),
        ("deliveries_failed_total", "counter", "Notices given up.", by_channel(
            lambda f: f.failed
        )),
        ("deliveries_perhaps", "gauge", "Notices sent that nobody answered for.", by_channel(
            lambda f: f.perhaps
        )),
        ("delivery_attempts_failed_total", "counter", "Attempts that failed.", by_channel(
            lambda f: f.attempts_failed
        )),
        ("last_delivery_timestamp_seconds", "gauge", "When a notice was last sent.", by_channel(
            lambda f: None if f.last_sent_utc is None else f.last_sent_utc.timestamp()
        )),
        ("last_delivery_age_seconds", "gauge", "Since a notice was last sent.", by_channel(
            lambda f: since(f.last_sent_utc)
        )),
        ("channel_failing_seconds", "gauge", "For how long nothing has come through.", by_channel(
            lambda f: since(f.failing_since_utc)
        )),
    ]  # fmt: skip


def _life_families(life: Life) -> list[_Family]:
    def one(number: float) -> list[_Sample]:
        return [({}, float(number))]

    return [
        ("up_seconds", "gauge", "Since the daemon began.", one(life.since_start.total_seconds())),
        ("last_look_age_seconds", "gauge", "Since a look last went well or went on.", one(
            life.since_look.total_seconds()
        )),
        ("last_delivering_age_seconds", "gauge", "Since deliveries were last seen to.", one(
            life.since_delivering.total_seconds()
        )),
        ("looks_total", "counter", "Looks that went well.", one(life.looks)),
        ("looks_failed_total", "counter", "Looks that were refused.", one(life.looks_failed)),
        ("passes_total", "counter", "Passes made.", one(life.passes)),
        ("passes_failed_total", "counter", "Passes that failed.", one(life.passes_failed)),
        ("storage_errors_total", "counter", "Refusals of the database.", one(life.storage_errors)),
        ("heartbeats_total", "counter", "Heartbeats that were taken.", one(life.heartbeats)),
        ("heartbeats_failed_total", "counter", "Heartbeats that were not.", one(
            life.heartbeats_failed
        )),
    ]  # fmt: skip


def _labels(watch: str, more: Mapping[str, str]) -> str:
    pairs = {"watch": watch, **more}
    return "{" + ",".join(f'{name}="{_escaped(value)}"' for name, value in pairs.items()) + "}"


def _escaped(value: str) -> str:
    return value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")


def room_at(*places: Path | None) -> int | None:
    """Bytes left on the disk that fills first of those that hold some places. [byte]"""
    left = []
    for place in filter(None, places):
        there = next((each for each in (place, *place.parents) if each.exists()), None)
        with suppress(OSError):
            left += [] if there is None else [shutil.disk_usage(there).free]
    return min(left, default=None)
