"""Values as they stand in the file: each key takes its own kind of value, and says which.

What a reader of settings would be tempted to turn into the wanted kind is refused instead: a
number in quotes may be a slip, and a bare number for a time would silently be read as seconds.
"""

from collections.abc import Iterator
from datetime import date, datetime, time
from functools import lru_cache
from math import isfinite
from typing import Any, get_args

from pydantic import AwareDatetime

#: How a time is written, for whoever wrote it otherwise.
TIME_EXAMPLE = "2026-05-05T06:00:00-02:00, or 2026-05-05T08:00:00Z in UTC"


def refuse_other_kind(key: str, annotation: Any, value: Any) -> None:
    """Refuse a value that is not of a key's own kind.

    Parameters
    ----------
    key : str
    annotation : type
        What the key takes.
    value : object
        As TOML has it: text, number, truth, time, list or table.

    Raises
    ------
    ValueError
        In words, with the mend.

    Examples
    --------
    >>> refuse_other_kind("draws", int, "64")
    Traceback (most recent call last):
    ValueError: is text; write the number without quotes: draws = 64
    """
    kinds = _kinds(annotation)
    if value is None or (isinstance(value, list) and tuple not in kinds):
        return
    for each in value if isinstance(value, list) else [value]:
        words = _wrong(key, kinds, each)
        if words:
            raise ValueError(words)


@lru_cache(maxsize=1024)
def _kinds(annotation: Any) -> frozenset[type]:
    """Plain types that a key takes; of a tuple, itself and those of its items."""
    return frozenset(_leaves(annotation))


def _leaves(annotation: Any) -> Iterator[type]:
    inner = get_args(annotation)
    if inner:
        if getattr(annotation, "__origin__", None) is tuple:
            yield tuple
        for part in inner:
            yield from _leaves(part)
    elif annotation is AwareDatetime:
        yield datetime
    elif isinstance(annotation, type):
        yield annotation


def _wrong(key: str, kinds: frozenset[type], value: Any) -> str:
    """What is wrong with one value; empty when nothing is."""
    if bool in kinds:
        return "" if isinstance(value, bool) else f"write true or false, without quotes: {key} = …"
    if kinds & {int, float}:
        return _no_number(key, value)
    if datetime in kinds:
        return _no_moment(value)
    if time in kinds:
        fits = isinstance(value, time | str)
        return "" if fits else f"write a time of day: {key} = 22:00:00"
    if str in kinds and isinstance(value, int | float) and not isinstance(value, bool):
        return f'must be text; write it in quotes: {key} = "{value}"'
    return ""


def _no_number(key: str, value: Any) -> str:
    if isinstance(value, bool):
        return "must be a number, not true or false"
    if isinstance(value, str):
        try:
            number = float(value.strip().replace(",", "."))
        except ValueError:
            return "must be a number, without quotes"
        return f"is text; write the number without quotes: {key} = {number:.15g}"
    if isinstance(value, float) and not isfinite(value):
        return "must be a number; nan and inf are none"
    return ""


def _no_moment(value: Any) -> str:
    """What is wrong with a time that must carry its zone."""
    read = value
    if isinstance(value, str):
        try:
            read = datetime.fromisoformat(value)
        except ValueError:
            return f"is no time; write one such as {TIME_EXAMPLE}"
    if isinstance(read, date) and not isinstance(read, datetime):
        return f"is a day without a time; write one such as {TIME_EXAMPLE}"
    if not isinstance(read, datetime):
        return f"is no time; write one such as {TIME_EXAMPLE}"
    if read.tzinfo is None:
        plain = read.isoformat()
        return (
            f"has no time zone; write its offset from UTC behind it, such as {plain}-02:00, "
            f"or {plain}Z for UTC"
        )
    return ""
