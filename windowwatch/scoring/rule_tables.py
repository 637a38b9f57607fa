"""Rule sets out of the tables of their files, checked key by key.

Files are read elsewhere; a rule set file is TOML, and `config/rules/` holds examples.
"""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from windowwatch.errors import InputError
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.rules import (
    OPERATORS,
    PACKAGE_QUANTITIES,
    TRAIN_QUANTITIES,
    Condition,
    Criterion,
    Duty,
    RuleLimit,
    RuleSet,
    Status,
)


def rule_set(document: Mapping[str, Any]) -> RuleSet:
    """A rule set from the tables of its file.

    Raises
    ------
    InputError
        Naming table, key and fix.
    """
    keys = ("name", "title", "source", "edition", "collected_on", "decides")
    _only(document, "the file", (*keys, "classes", "limits", "duties"))
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
    )


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
