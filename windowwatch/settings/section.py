"""What every table of a settings file has in common: each key takes its own kind of value.

What a reader of settings would be tempted to turn into the wanted kind is refused instead: a
number in quotes may be a slip, and a bare number for a time would silently be read as seconds.
"""

import re
from collections.abc import Iterator
from datetime import date, datetime, time
from functools import lru_cache
from math import isfinite
from typing import Any, get_args
from zoneinfo import ZoneInfo

from pydantic import AwareDatetime, BaseModel, ConfigDict, ValidationInfo, field_validator

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
        In words, with the fix.

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


_NAME = re.compile(r"^[A-Za-z0-9][A-Za-z0-9 ._-]{0,39}$")


class Section(BaseModel):
    """A table of the settings file. Unknown keys are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=False)

    @field_validator("*", mode="before")
    @classmethod
    def _of_its_own_kind(cls, value: Any, info: ValidationInfo) -> Any:
        key = info.field_name or ""
        refuse_other_kind(key, cls.model_fields[key].annotation, value)
        return value


def named(value: str) -> str:
    """Accept a name that people, files and the database can all carry."""
    if not _NAME.match(value):
        raise ValueError("give 1 to 40 letters, digits, spaces, dots, dashes or underscores")
    return value


def known_zone(value: str) -> str:
    """Accept a time zone that is known."""
    try:
        ZoneInfo(value)
    except (KeyError, ValueError, OSError) as error:
        raise ValueError('give an IANA time zone such as "Europe/Lisbon"') from error
    return value


def variable(value: str) -> str:
    """Accept the name of an environment variable, and nothing that could be a secret."""
    if not re.fullmatch(r"[A-Z][A-Z0-9_]*", value):
        raise ValueError(
            "give the NAME of an environment variable (capitals, digits, underscores) that "
            "holds the address; the address itself is a secret and does not belong here"
        )
    return value


def unique_names(items: tuple[Any, ...], what: str) -> None:
    """Refuse two sites or channels of one name: results are stored by it."""
    seen: set[str] = set()
    for item in items:
        if item.name in seen:
            raise ValueError(f"two {what} are called {item.name!r}; names must differ")
        seen.add(item.name)
