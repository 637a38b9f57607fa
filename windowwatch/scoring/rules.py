"""Rule sets as data: read from their tables, the class of a train, what a rule lays on checks.

A rule set is what its file says; nothing here knows any law. It never says that something is
permitted: local authority and its permission decide, and whoever tells a class says so.

Files are read elsewhere; a rule set file is TOML, and `config/rules/` holds examples.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from types import MappingProxyType
from typing import Any

from windowwatch.errors import InputError
from windowwatch.scoring.answer import is_past
from windowwatch.scoring.limits import LIMITS, Limit

#: Quantities of a whole train and of one package, as conditions name them.
TRAIN_QUANTITIES = ("payload_kg", "packages", "separation_n")
PACKAGE_QUANTITIES = ("package_kg", "package_g_per_cm2")
OPERATORS = ("at_least", "more_than", "less_than")  # of conditions, in the file


class Status(StrEnum):
    """How well an entry is known."""

    CONFIRMED = "confirmed"  #: read in the text or an official reproduction
    SECOND_HAND = "second-hand"  #: read only in a paraphrase or a translation
    FROM_MEMORY = "from memory"  #: compared with no text; never a hard limit


class Question(StrEnum):
    """What must be known of a train to judge its class."""

    SEPARATION = "separation"  #: the impact force that parts payload and balloon
    FACES = "faces"  #: the smallest face of each package


@dataclass(frozen=True)
class Package:
    """One package of the payload. The balloon itself is none.

    `smallest_face_m2` is the area of its smallest face, None when not known. [kg], [m²]
    """

    mass_kg: float
    smallest_face_m2: float | None = None


@dataclass(frozen=True)
class Condition:
    """A quantity and a bound: ``payload_kg`` ``at_least`` 6."""

    quantity: str
    operator: str
    bound: float

    def holds(self, value: float | None) -> bool | None:
        """Tell whether it holds; None when the value is not known."""
        if value is None:
            return None
        if self.operator == "at_least":
            return value >= self.bound
        return value > self.bound if self.operator == "more_than" else value < self.bound


@dataclass(frozen=True)
class Criterion:
    """A class, and the conditions that must all hold for it."""

    name: str
    paragraph: str
    status: Status
    when: tuple[Condition, ...]


@dataclass(frozen=True)
class RuleLimit:
    """A bound on a check for some classes; fine and limit in one."""

    check: str
    bound: float
    classes: tuple[str, ...]
    paragraph: str
    status: Status
    says: str


@dataclass(frozen=True)
class Duty:
    """Something else that is asked; `notice_h` before launch when it is a notice. [h]"""

    classes: tuple[str, ...]
    paragraph: str
    status: Status
    says: str
    notice_h: float | None = None


@dataclass(frozen=True)
class RuleSet:
    """A published rule as data. `decides` is said with every answer.

    `levels_fl` are flight levels of which it asks the times, in hundreds of feet.
    """

    name: str
    title: str
    source: str
    edition: str
    collected_on: date
    decides: str
    criteria: tuple[Criterion, ...]
    limits: tuple[RuleLimit, ...]
    duties: tuple[Duty, ...]
    levels_fl: tuple[int, ...] = ()

    def duties_of(self, class_name: str) -> tuple[Duty, ...]:
        """What is asked of a class."""
        return tuple(duty for duty in self.duties if class_name in duty.classes)


@dataclass(frozen=True)
class Classification:
    """The class of a train by a rule set.

    Attributes
    ----------
    name : str or None
        None when no criterion holds, or when one that comes before cannot be judged.
    criterion : Criterion or None
        The one that decided.
    open_questions : tuple of Question
        What must be known to judge.
    """

    name: str | None
    criterion: Criterion | None
    open_questions: tuple[Question, ...]


def classify(
    rules: RuleSet, packages: Sequence[Package], separation_n: float | None = None
) -> Classification:
    """Find the class of a train.

    Parameters
    ----------
    rules : RuleSet
    packages : sequence of Package
        Everything that is carried, without the balloon; at least one.
    separation_n : float or None
        Impact force that parts payload and balloon; None when not known. [N]

    Raises
    ------
    InputError
        If there is no package, or a mass or an area is not above zero.
    """
    if not packages:
        raise InputError("a train carries at least one package; give its mass")
    for package in packages:
        if not package.mass_kg > 0.0 or not (
            package.smallest_face_m2 is None or package.smallest_face_m2 > 0.0
        ):
            raise InputError(f"{package}: mass and area must be above zero")
    undecided: list[Criterion] = []
    for criterion in rules.criteria:
        held = _holds(criterion, packages, separation_n)
        if held is None:
            undecided.append(criterion)
        elif held:
            if any(other.name != criterion.name for other in undecided):
                break  # an earlier class may be it
            return Classification(criterion.name, criterion, ())
    wanted = dict.fromkeys(
        what for each in undecided for what in _wanted(each, packages, separation_n)
    )
    return Classification(None, None, tuple(wanted))


def _holds(
    criterion: Criterion, packages: Sequence[Package], separation_n: float | None
) -> bool | None:
    """Whether a criterion holds; None when that cannot be judged."""
    train = {
        # To the milligram: 1.1 + 1.4 + 1.5 kg must not come out a hair under four.
        "payload_kg": round(sum(package.mass_kg for package in packages), 6),
        "packages": float(len(packages)),
        "separation_n": separation_n,
    }
    whole = _all(
        [c.holds(train[c.quantity]) for c in criterion.when if c.quantity in TRAIN_QUANTITIES]
    )
    single = [c for c in criterion.when if c.quantity in PACKAGE_QUANTITIES]
    if not single:
        return whole
    each = [_all([c.holds(_of_package(p, c.quantity)) for c in single]) for p in packages]
    one = True if True in each else None if None in each else False
    return _all([whole, one])


def _all(answers: Sequence[bool | None]) -> bool | None:
    """Three-valued "and"."""
    if False in answers:
        return False
    return None if None in answers else True


def _of_package(package: Package, quantity: str) -> float | None:
    """A quantity of one package; None when not known."""
    if quantity == "package_kg":
        return package.mass_kg
    if package.smallest_face_m2 is None:
        return None
    return round((package.mass_kg * 1000.0) / (package.smallest_face_m2 * 10_000.0), 6)


def _wanted(
    criterion: Criterion, packages: Sequence[Package], separation_n: float | None
) -> list[Question]:
    """What must be known to judge a criterion."""
    quantities = {condition.quantity for condition in criterion.when}
    wanted = []
    if "separation_n" in quantities and separation_n is None:
        wanted.append(Question.SEPARATION)
    if "package_g_per_cm2" in quantities and any(p.smallest_face_m2 is None for p in packages):
        wanted.append(Question.FACES)
    return wanted


def limits_of(rules: RuleSet, class_name: str, asked: Mapping[str, Limit]) -> Mapping[str, Limit]:
    """The director's limits, made stricter where a rule asks it.

    A rule's bound becomes fine and limit wherever it is stricter than the director's own,
    and hard if its entry was read in a text. What is only from memory never vetoes: it makes
    a soft limit stricter, of a hard one only what counts as fine.
    """
    limits = dict(asked)
    for rule in rules.limits:
        if class_name not in rule.classes:
            continue
        kind = LIMITS[rule.check]
        known = rule.status is not Status.FROM_MEMORY
        own = limits.get(rule.check)
        if own is None:
            limits[rule.check] = Limit(rule.bound, rule.bound, known)
            continue
        fine = rule.bound if is_past(kind, own.fine, rule.bound) else own.fine
        if is_past(kind, own.limit, rule.bound) and (known or not own.hard):
            limits[rule.check] = replace(own, fine=fine, limit=rule.bound, hard=known)
        else:
            limits[rule.check] = replace(own, fine=fine)
    return MappingProxyType(limits)


def rule_set(document: Mapping[str, Any]) -> RuleSet:
    """A rule set from the tables of its file.

    Raises
    ------
    InputError
        Naming table, key and fix.
    """
    keys = ("name", "title", "source", "edition", "collected_on", "decides")
    _only(document, "the file", (*keys, "classes", "limits", "duties", "levels_fl"))
    text = {key: _text(document, key, "the file") for key in keys if key != "collected_on"}
    collected_on = document.get("collected_on")
    if not isinstance(collected_on, date):
        raise InputError("collected_on: give a date such as 2026-05-04")
    criteria = tuple(
        _criterion(table, f"classes[{number}]") for number, table in _tables(document, "classes")
    )
    if not criteria:
        raise InputError("classes: give at least one")
    names = {criterion.name for criterion in criteria}
    return RuleSet(
        **text,
        collected_on=collected_on,
        criteria=criteria,
        limits=tuple(_limit(t, f"limits[{n}]", names) for n, t in _tables(document, "limits")),
        duties=tuple(_duty(t, f"duties[{n}]", names) for n, t in _tables(document, "duties")),
        levels_fl=_levels(document),
    )


def _levels(document: Mapping[str, Any]) -> tuple[int, ...]:
    """Times are known of every fifth thousand of feet."""
    given = document.get("levels_fl", [])
    fit = isinstance(given, list) and all(type(e) is int and 0 < e <= 1500 for e in given)
    if not fit or any(each % 50 for each in given):
        raise InputError("levels_fl: give flight levels that are multiples of 50, as [600]")
    return tuple(given)


def _criterion(table: Mapping[str, Any], place: str) -> Criterion:
    _only(table, place, ("name", "paragraph", "status", "when"))
    conditions = []
    for number, condition in _tables(table, "when"):
        at = f"{place}.when[{number}]"
        _only(condition, at, ("quantity", *OPERATORS))
        quantity = _text(condition, "quantity", at)
        if quantity not in (*TRAIN_QUANTITIES, *PACKAGE_QUANTITIES):
            known = ", ".join((*TRAIN_QUANTITIES, *PACKAGE_QUANTITIES))
            raise InputError(f"{at}.quantity = {quantity!r}: give one of {known}")
        operators = [key for key in OPERATORS if key in condition]
        if len(operators) != 1:
            raise InputError(f"{at}: give exactly one of {', '.join(OPERATORS)}")
        bound = _number(condition, operators[0], at)
        conditions.append(Condition(quantity, operators[0], bound))
    if not conditions:
        raise InputError(f"{place}.when: give at least one condition")
    return Criterion(
        _text(table, "name", place),
        _text(table, "paragraph", place),
        _status(table, place),
        tuple(conditions),
    )


def _limit(table: Mapping[str, Any], place: str, names: set[str]) -> RuleLimit:
    check = _text(table, "check", place)
    if check not in LIMITS:
        raise InputError(f"{place}.check = {check!r}: give one of {', '.join(LIMITS)}")
    key = f"bound_{LIMITS[check].suffix}"
    _only(table, place, ("check", key, "classes", "paragraph", "status", "says"))
    return RuleLimit(
        check,
        _number(table, key, place),
        _classes(table, place, names),
        _text(table, "paragraph", place),
        _status(table, place),
        _text(table, "says", place),
    )


def _duty(table: Mapping[str, Any], place: str, names: set[str]) -> Duty:
    _only(table, place, ("classes", "paragraph", "status", "says", "notice_h"))
    return Duty(
        _classes(table, place, names),
        _text(table, "paragraph", place),
        _status(table, place),
        _text(table, "says", place),
        _number(table, "notice_h", place) if "notice_h" in table else None,
    )


def _tables(table: Mapping[str, Any], key: str) -> list[tuple[int, Mapping[str, Any]]]:
    """Numbered tables of a list, counted from 1."""
    found = table.get(key, [])
    if not isinstance(found, list) or not all(isinstance(each, Mapping) for each in found):
        raise InputError(f"{key}: must be a list of tables")
    return list(enumerate(found, start=1))


def _only(table: Mapping[str, Any], place: str, keys: Sequence[str]) -> None:
    for key in table:
        if key not in keys:
            raise InputError(f"{place}: {key} is not a key here; known keys: {', '.join(keys)}")


def _text(table: Mapping[str, Any], key: str, place: str) -> str:
    value = table.get(key)
    if not isinstance(value, str) or not value.strip():
        raise InputError(f"{place}: {key} is missing; give a text")
    return value


def _number(table: Mapping[str, Any], key: str, place: str) -> float:
    value = table.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not value >= 0:
        raise InputError(f"{place}: {key} = {value!r}: give a number from 0 on")
    return float(value)


def _status(table: Mapping[str, Any], place: str) -> Status:
    try:
        return Status(table.get("status", ""))
    except ValueError as error:
        known = ", ".join(f'"{status}"' for status in Status)
        raise InputError(
            f"{place}: status = {table.get('status')!r}: give one of {known}"
        ) from error


def _classes(table: Mapping[str, Any], place: str, names: set[str]) -> tuple[str, ...]:
    found = table.get("classes")
    if not isinstance(found, list) or not found or not set(found) <= names:
        raise InputError(f"{place}: classes = {found!r}: give some of {', '.join(sorted(names))}")
    return tuple(found)


@dataclass(frozen=True)
class AppliedRules:
    """A rule set, and the class in which it puts a train.

    `laid` tells whether its limits are laid on the director's own.
    """

    rules: RuleSet
    found: Classification
    laid: bool = True

    @classmethod
    def of(
        cls,
        rules: RuleSet,
        packages: Sequence[Package],
        separation_n: float | None = None,
        *,
        laid: bool = True,
    ) -> "AppliedRules":
        """The rule set applied to a train; parameters and errors as of `rules.classify`."""
        return cls(rules, classify(rules, packages, separation_n), laid)

    def limits(self, asked: Mapping[str, Limit]) -> Mapping[str, Limit]:
        """The director's limits, made stricter where the rule asks it of this class."""
        if not self.laid or self.found.name is None:
            return asked
        return limits_of(self.rules, self.found.name, asked)

    @property
    def limits_here(self) -> tuple[RuleLimit, ...]:
        """Limits that the rule lays on checks of this class."""
        return tuple(each for each in self.rules.limits if self.found.name in each.classes)

    @property
    def duties_here(self) -> tuple[Duty, ...]:
        """What else is asked of this class."""
        return () if self.found.name is None else self.rules.duties_of(self.found.name)

    @property
    def notice_h(self) -> float | None:
        """The longest notice that the rule asks of this class; None for none. [h]"""
        asked = [each.notice_h for each in self.duties_here if each.notice_h is not None]
        return max(asked, default=None)
