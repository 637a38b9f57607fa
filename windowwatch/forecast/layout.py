"""What laying out shares: plain arrays, checks of every plane, words for what a cycle lacks."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from windowwatch.forecast.grib.messages import Kind
from windowwatch.forecast.models import Field

_MOST_LEADS_NAMED = 6
_MOST_GAPS_NAMED = 60


@dataclass
class GapList:
    """Gathers gaps while a cycle is laid out; `words` puts them into sentences."""

    _sentences: dict[str, None] = field(default_factory=dict)
    _leads_s: dict[str, set[int]] = field(default_factory=dict)
    _offered: dict[str, int] = field(default_factory=dict)

    def say(self, sentence: str) -> None:
        """Add one sentence."""
        self._sentences.setdefault(sentence)

    def at_steps(self, what: str, leads_s: Iterable[int], offered: Sequence[int]) -> None:
        """Say that `what` (with its verb) is so at some of the `offered` lead times. [s]"""
        leads = set(leads_s)
        if leads:
            self._leads_s.setdefault(what, set()).update(leads)
            self._offered[what] = len(offered)

    def words(self) -> tuple[str, ...]:
        """All gaps in words; the last says how many more there are, if they are very many."""
        sentences = [
            *self._sentences,
            *(f"{w} {_when(sorted(at), self._offered[w])}" for w, at in self._leads_s.items()),
        ]
        if len(sentences) > _MOST_GAPS_NAMED:
            more = len(sentences) - _MOST_GAPS_NAMED
            sentences = [*sentences[:_MOST_GAPS_NAMED], f"and {more} more gaps of this kind"]
        return tuple(sentences)


def _when(leads_s: list[int], offered: int) -> str:
    if len(leads_s) >= offered > 1:
        return "at every step"
    named = ", ".join(f"+{lead / 3600:g}" for lead in leads_s[:_MOST_LEADS_NAMED])
    more = len(leads_s) - _MOST_LEADS_NAMED
    return f"at {named} h" + (f" and {more} more steps" if more > 0 else "")


Array = NDArray[np.float32]


@dataclass(frozen=True)
class Stack:
    """One field: values [M, T, L, Y, X] in our unit, latitudes rising, and its axes.

    `starts_s` and `leads_s` [T] bound the interval each time stands for, after the reference
    time [s]; they are equal for an instant. `levels` [L] is in pascal aloft. `above_sea`
    marks heights that the source counts from sea level where ours count from the ground.
    """

    field: Field
    kind: Kind
    numbers: list[int]
    starts_s: list[int]
    leads_s: list[int]
    levels: list[float]
    values: Array
    above_sea: bool = False


@dataclass(frozen=True)
class Run:
    """The control run, or all perturbed members together.

    `stacks` has one stack a field; several where intervals of different length end at the
    same time, all of one kind. `numbers` are the members in order, 0 for the control.
    """

    stacks: Mapping[str, Sequence[Stack]]
    numbers: tuple[int, ...]

    @property
    def labels(self) -> tuple[str, ...]:
        """What each member is called."""
        return tuple(f"member {n}" if n else "control" for n in self.numbers)


def run_of(stacks: Mapping[str, Sequence[Stack]]) -> Run:
    """A run with all members that occur in any of its fields."""
    found = {n for several in stacks.values() for stack in several for n in stack.numbers}
    return Run(stacks, tuple(sorted(found, key=lambda n: (abs(n), n < 0))))


def whose(number: int) -> str:
    """Words that say of which member something is; none for the control."""
    return f" of member {number}" if number else ""


def refuse_impossible(
    planes: Array, stack_field: Field, what: str, leads_s: Sequence[int], gaps: GapList
) -> None:
    """Turn planes [T, Y, X] with impossible values into NaN and say so; trim coding noise.

    A plane with some missing cells keeps the others, and is named.
    """
    with np.errstate(invalid="ignore"):
        beyond = (planes < stack_field.least) | (planes > stack_field.greatest)
    wrong = np.asarray(beyond.any(axis=(1, 2)))
    planes[wrong] = np.nan
    gaps.at_steps(f"{what} is not used, its values cannot be right,", _at(leads_s, wrong), leads_s)
    holes = np.isnan(planes).sum(axis=(1, 2))
    partly = (holes > 0) & (holes < planes[0].size)
    gaps.at_steps(f"{what} has missing cells", _at(leads_s, partly), leads_s)
    if stack_field.floor is not None or stack_field.ceiling is not None:
        np.clip(planes, stack_field.floor, stack_field.ceiling, out=planes)


def absent(planes: Array) -> NDArray[np.bool_]:
    """Which planes [..., Y, X] have no value at all."""
    return np.asarray(np.isnan(planes).all(axis=(-2, -1)))


def _at(leads_s: Sequence[int], which: NDArray[np.bool_]) -> list[int]:
    return [lead for lead, is_so in zip(leads_s, which, strict=True) if is_so]


@dataclass(frozen=True)
class Aloft:
    """Fields ``u v t gh`` as [M, T, L, Y, X] with their axes; pressures fall. [s], [Pa]

    `specific_humidity` is the same way, NaN where it is not known and None where it is not
    known at all. [kg kg⁻¹]
    """

    leads_s: list[int]
    pressure_pa: NDArray[np.float64]
    values: Mapping[str, Array]
    specific_humidity: Array | None = None
