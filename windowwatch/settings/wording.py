"""What is said when a settings file is wrong: file, key, value, and the mend."""

import difflib
import re
from collections.abc import Iterable, Mapping
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
    close = difflib.get_close_matches(key, names, n=1, cutoff=0.6)
    if close:
        return f"is not a key here; did you mean {close[0]}?"
    return f"is not a key here; known keys: {', '.join(sorted(names))}"


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
    errors = list(errors)
    renamed = {
        _place_and_stem(tuple(error["loc"]))
        for error in errors
        if error["type"] == "extra_forbidden"
    }
    for error in errors:
        location = tuple(error["loc"])
        dotted = _dotted(location)
        place = tuple(str(part) for part in location[:-1] if not isinstance(part, int))
        value = error.get("input")
        kind = str(error["type"])
        if kind == "extra_forbidden":
            said = unknown_key(str(location[-1]), value, keys_at.get(place, ()))
            lines.append(f"{dotted} = {_shown(value)}: {said}")
        elif kind == "missing":
            if _place_and_stem(location) in renamed:
                continue  # it stands there in another unit, and that is said
            lines.append(f"{dotted}: is missing; it must be given")
        else:
            message = str(error["msg"]).removeprefix("Value error, ")
            message = (message[:1].lower() + message[1:]).replace("input should", "must")
            where = f"{dotted} = {_shown(value)}" if dotted else "the file"
            lines.append(f"{where}: {message}")
    return lines


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
    text = repr(value) if not isinstance(value, Mapping | list) else "{…}"
    return text if len(text) <= 60 else text[:57] + "…"
