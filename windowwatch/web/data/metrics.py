"""How well the watch is, as numbers for a machine that collects them. Pure.

The form is Prometheus' text format, version 0.0.4 ("Exposition formats").
"""

from collections.abc import Iterable, Mapping

from windowwatch.storage.deliveries import ChannelFigures
from windowwatch.web.data.health import Health
from windowwatch.windows.values import Window, WindowState

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
    for name, kind, words, samples in families:
        if samples:
            lines += [f"# HELP windowwatch_{name} {words}", f"# TYPE windowwatch_{name} {kind}"]
        lines += [f"windowwatch_{name}{_labels(watch, more)} {value!r}" for more, value in samples]
    return "\n".join(lines) + "\n"


def _labels(watch: str, more: Mapping[str, str]) -> str:
    pairs = {"watch": watch, **more}
    return "{" + ",".join(f'{name}="{_escaped(value)}"' for name, value in pairs.items()) + "}"


def _escaped(value: str) -> str:
    return value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
