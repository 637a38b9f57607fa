"""How well the watch is: how old the forecast is, what waits, for people and as figures. Pure.

The form of the figures is Prometheus' text format, version 0.0.4 ("Exposition formats").
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from enum import StrEnum

from windowwatch.storage.cycles import StoredCycle
from windowwatch.storage.deliveries import ChannelFigures
from windowwatch.web.values import Facts, common_zone
from windowwatch.windows.values import Window, WindowState
from windowwatch.wording import page as words


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

    @property
    def now_words(self) -> str:
        """The present in the zone that all sites share, UTC beside it; else UTC alone."""
        return words.both_words(self.now_utc, self.zone)

    @property
    def well(self) -> bool:
        """Whether the results may be planned by."""
        return self.condition is Condition.FRESH

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
) -> Health:
    """Judge the newest cycle (None before the first pass) at a time."""
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
    )


CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"

#: Labels and value of one line.
_Sample = tuple[dict[str, str], float]


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
    now_s = state.now_utc.timestamp()
    families: list[tuple[str, str, str, list[_Sample]]] = [
        ("fresh", "gauge", "1 when results may be planned by, else 0.", [({}, float(state.well))]),
        ("windows", "gauge", "Windows by state after the newest cycle.", [
            ({"state": str(each)}, float(states.count(each)))
            for each in (WindowState.SIGHTED, WindowState.OPEN)
        ]),
        ("deliveries_pending", "gauge", "Notices that wait, by channel.", [
            ({"channel": name}, float(figures.pending)) for name, figures in channels.items()
        ]),
        ("deliveries_sent_total", "counter", "Notices sent, by channel.", [
            ({"channel": name}, float(figures.sent)) for name, figures in channels.items()
        ]),
        ("deliveries_failed_total", "counter", "Notices given up, by channel.", [
            ({"channel": name}, float(figures.failed)) for name, figures in channels.items()
        ]),
        ("last_delivery_timestamp_seconds", "gauge", "When a notice was last sent, by channel.", [
            ({"channel": name}, figures.last_sent_utc.timestamp())
            for name, figures in channels.items()
            if figures.last_sent_utc is not None
        ]),
        ("channel_failing_seconds", "gauge", "For how long nothing has come through.", [
            ({"channel": name}, now_s - figures.failing_since_utc.timestamp())
            for name, figures in channels.items()
            if figures.failing_since_utc is not None
        ]),
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
        ]  # fmt: skip
    if state.next_look_in is not None:
        seconds = state.next_look_in.total_seconds()
        families.append(("next_look_seconds", "gauge", "Until the next look.", [({}, seconds)]))
    lines = []
    for name, kind, help_text, samples in families:
        if samples:
            lines += [f"# HELP windowwatch_{name} {help_text}", f"# TYPE windowwatch_{name} {kind}"]
        lines += [f"windowwatch_{name}{_labels(watch, more)} {value!r}" for more, value in samples]
    return "\n".join(lines) + "\n"


def _labels(watch: str, more: Mapping[str, str]) -> str:
    pairs = {"watch": watch, **more}
    return "{" + ",".join(f'{name}="{_escaped(value)}"' for name, value in pairs.items()) + "}"


def _escaped(value: str) -> str:
    return value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
