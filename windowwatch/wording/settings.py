"""What is said when a settings file is wrong: file, key, value, and the fix."""

import difflib
import re
from collections.abc import Iterable, Iterator, Mapping
from datetime import date, datetime
from typing import Any

#: Unit suffixes that people write, and the factor and offset to the SI unit the house uses.
_UNITS: Mapping[str, tuple[str, float, float]] = {
    "kt": ("mps", 1852.0 / 3600.0, 0.0),
    "kn": ("mps", 1852.0 / 3600.0, 0.0),
    "knots": ("mps", 1852.0 / 3600.0, 0.0),
    "kmh": ("mps", 1 / 3.6, 0.0),
    "mph": ("mps", 0.44704, 0.0),
    "ms": ("mps", 1.0, 0.0),
    "ft": ("m", 0.3048, 0.0),
    "km": ("m", 1000.0, 0.0),
    "cm": ("m", 0.01, 0.0),
    "mi": ("m", 1609.344, 0.0),
    "g": ("kg", 0.001, 0.0),
    "lb": ("kg", 0.45359237, 0.0),
    "oz": ("kg", 0.028349523125, 0.0),
    "h": ("min", 60.0, 0.0),
    "s": ("min", 1 / 60.0, 0.0),
    "min": ("h", 1 / 60.0, 0.0),
    "hours": ("min", 60.0, 0.0),
    "c": ("k", 1.0, 273.15),
    "degc": ("k", 1.0, 273.15),
    "ft2": ("m2", 0.09290304, 0.0),
    "oktas": ("pct", 12.5, 0.0),
    "m": ("km", 0.001, 0.0),
}
#: Suffixes of our own keys that are units: only these can be "another unit".
_OURS = frozenset(
    {"mps", "m", "m2", "km", "kg", "min", "h", "s", "k", "pct", "deg", "mmph", "jpkg"}
)
#: Findings of pydantic that speak of its types, in words of a settings file.
_OWN_WORDS = {
    "int_from_float": "must be a whole number",
    "tuple_type": "must be a list in square brackets: {key} = [ … ]",
    "model_type": "must be a table, with the line [{name}] at its head, once",
    "model_attributes_type": "must be a table, with the line [{name}] at its head, once",
    "too_short": "must have at least one entry",
}
_SUFFIX = re.compile(r"^(?P<stem>.+)_(?P<unit>[a-z0-9]+)$")


def unknown_key(key: str, value: Any, known: Iterable[str]) -> str:
    """Say that a key does not exist, and which one was probably meant.

    A key that differs from a known one only in its unit is answered with the value in the
    unit that is wanted.

    Examples
    --------
    >>> unknown_key("limit_kt", 12, ["fine_mps", "limit_mps"])
    'is in a unit this key does not take; write limit_mps = 6.17333'
    """
    names = list(known)
    match = _SUFFIX.match(key)
    if match:
        for name in names:
            other = _SUFFIX.match(name)
            if other and other["stem"] == match["stem"] and other["unit"] in _OURS:
                return f"is in a unit this key does not take; write {name}" + _converted(
                    match["unit"], other["unit"], value
                )
    meant = _meant(key, names)
    if meant:
        return f"is not a key here; did you mean {meant}?"
    return f"is not a key here; known keys: {', '.join(sorted(names))}"


def _meant(key: str, names: Iterable[str]) -> str | None:
    """The key that was probably meant."""
    return next(iter(difflib.get_close_matches(key, list(names), n=1, cutoff=0.6)), None)


def _converted(unit: str, wanted: str, value: Any) -> str:
    """`` = number`` in the wanted unit, or nothing when the conversion is not known."""
    target, factor, offset = _UNITS.get(unit, ("", 0.0, 0.0))
    if target != wanted or isinstance(value, bool) or not isinstance(value, int | float):
        return ""
    return f" = {value * factor + offset:.6g}"


def validation_lines(
    errors: Iterable[Mapping[str, Any]], keys_at: Mapping[tuple[str, ...], Iterable[str]]
) -> list[str]:
    """One line for each finding of pydantic: dotted key, value, what would be right.

    Parameters
    ----------
    errors : iterable of mapping
        As from ``ValidationError.errors()``.
    keys_at : mapping of tuple of str to iterable of str
        Known keys by the place they belong to, list positions left out.
    """
    lines = []
    for error in _without_consequences(list(errors), keys_at):
        location = tuple(error["loc"])
        dotted = _dotted(location)
        value = error.get("input")
        kind = str(error["type"])
        if kind == "extra_forbidden":
            said = unknown_key(str(location[-1]), value, _known(location, keys_at))
            lines.append(f"{dotted} = {_shown(value)}: {said}")
        elif kind == "missing":
            lines.append(f"{dotted}: is missing; it must be given")
        else:
            where = f"{dotted} = {_shown(value)}" if dotted else "the file"
            lines.append(f"{where}: {_message(kind, str(error['msg']), location)}")
    return lines


def _without_consequences(
    errors: list[Mapping[str, Any]], keys_at: Mapping[tuple[str, ...], Iterable[str]]
) -> Iterator[Mapping[str, Any]]:
    """Errors without those that only follow from others.

    A list is too short without its wrong items, and a key is missing because it stands there
    in another unit or misspelt.
    """
    places = [tuple(error["loc"]) for error in errors]
    inside = {place[:n] for place in places for n in range(len(place))}
    foreign = [p for p, e in zip(places, errors, strict=True) if e["type"] == "extra_forbidden"]
    meant = {_place_and_stem(place) for place in foreign} | {
        _place_and_stem((*place[:-1], _meant(str(place[-1]), _known(place, keys_at))))
        for place in foreign
    }
    for place, error in zip(places, errors, strict=True):
        if error["type"] == "too_short" and place in inside:
            continue
        if error["type"] == "missing" and _place_and_stem(place) in meant:
            continue
        yield error


def _table(location: tuple[Any, ...]) -> tuple[str, ...]:
    """The table a key stands in, list positions left out."""
    return tuple(str(part) for part in location[:-1] if not isinstance(part, int))


def _known(
    location: tuple[Any, ...], keys_at: Mapping[tuple[str, ...], Iterable[str]]
) -> Iterable[str]:
    """Keys of the table that a key stands in; of tables with names of their own, of any of them."""
    table = _table(location)
    return keys_at.get(table) or keys_at.get(table[:-1], ())


def _message(kind: str, said: str, location: tuple[Any, ...]) -> str:
    """What pydantic says, in words of a settings file."""
    if kind in _OWN_WORDS:
        name = ".".join(str(part) for part in location if not isinstance(part, int))
        return _OWN_WORDS[kind].format(name=name, key=location[-1] if location else "")
    message = said.removeprefix("Value error, ")
    return (message[:1].lower() + message[1:]).replace("input should", "must")


def _place_and_stem(location: tuple[Any, ...]) -> tuple[tuple[Any, ...], str]:
    """Where a key stands, and its name without its unit."""
    match = _SUFFIX.match(str(location[-1])) if location else None
    return location[:-1], match["stem"] if match else ""


def _dotted(location: tuple[Any, ...]) -> str:
    """``sites[2].height_m`` from a pydantic location; positions count from 1."""
    text = ""
    for part in location:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{part}" if text else str(part)
    return text


def _shown(value: Any) -> str:
    """A value as it stands in the file, cut short; addresses may hold a secret: not shown."""
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, str) and "://" in value:
        return f"{value.partition('://')[0]}://…"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, Mapping | list):
        return "{…}" if isinstance(value, Mapping) else "[…]"
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "…"
