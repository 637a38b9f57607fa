"""Score and chance from cycle to cycle, as numbers of an SVG drawing. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

WIDTH, HEIGHT = 380.0, 150.0
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
