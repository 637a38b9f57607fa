"""Causes, and windows with theirs, to JSON and back, checked against their types.

Causes are ``{"version": 1, "causes": [{"kind": "score fell", "before": 78.0, …}, …]}``, a window
is an object of its fields with the same version. Each is read by the types of its own fields:
what is missing, unknown or of another type is refused by name, so that a damaged row is never
told as something else. A field that is added later needs a default, and rows without it are
read; one that is renamed needs a new version here, and a step in `migrations`.
"""

import json
import types
from collections.abc import Mapping
from dataclasses import MISSING, fields, is_dataclass
from datetime import datetime, timedelta
from enum import Enum
from functools import cache
from typing import Any, Union, get_args, get_origin, get_type_hints

from windowwatch.clock import require_utc
from windowwatch.errors import InputError, StorageError
from windowwatch.scoring.facts import FACTS
from windowwatch.storage.codec import number
from windowwatch.windows.causes import KINDS, Cause, Causes
from windowwatch.windows.values import Window

VERSION = 1
#: Word of every kind that is told apart by one: causes, and facts of checks.
_WORDS: Mapping[type, str] = {kind: word for word, kind in (*KINDS.items(), *FACTS.items())}


def causes_to_plain(causes: Causes, what: str) -> list[Any]:
    """Causes as JSON knows them: a list of objects, each with its kind.

    Raises
    ------
    StorageError
        If a number is not finite; `what` names where.
    """
    return [_plain(cause, f"{what}, cause") for cause in causes]


def causes_to_json(causes: Causes, what: str) -> str:
    """JSON text of causes; refuses as `causes_to_plain`."""
    return _dump({"version": VERSION, "causes": causes_to_plain(causes, what)})


def causes_from_json(text: str, what: str) -> Causes:
    """Causes of JSON text.

    Raises
    ------
    StorageError
        If it is of another version, or not what the kinds of causes say.
    """
    values = _of_version(text, what)
    return tuple(_read(tuple[Cause, ...], values.get("causes"), f"{what}, causes"))


def window_to_json(window: Window | None) -> str | None:
    """JSON text of a window, with what was last told of it; refuses as `causes_to_plain`."""
    if window is None:
        return None
    return _dump({"version": VERSION, **_plain(window, f"window {window.uid}")})


def window_from_json(text: str | None) -> Window | None:
    """Window of JSON text; refuses as `causes_from_json`."""
    if text is None:
        return None
    values = _of_version(text, "a stored window")
    what = f"window {values.get('uid')}"
    found: Window = _read_fields(Window, values, what)
    return found


def _of_version(text: str, what: str) -> dict[str, Any]:
    """An object of JSON text, without its version."""
    try:
        values = json.loads(text)
    except ValueError:
        values = None
    version = values.pop("version", None) if isinstance(values, dict) else None
    if version != VERSION:
        raise StorageError(
            f"{what}: version {version!r} of its form is stored, and this program reads version "
            f"{VERSION}; run the newer windowwatch, or restore a backup"
        )
    return dict(values)


def _dump(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _plain(value: Any, what: str) -> Any:
    if hasattr(value, "item"):
        value = value.item()  # a number that came out of an array
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, Enum):
        return str(value)
    if isinstance(value, str | int):
        return value
    if isinstance(value, datetime):
        return require_utc(value).isoformat()
    if isinstance(value, timedelta):
        return value.total_seconds()
    if isinstance(value, tuple):
        return [_plain(each, what) for each in value]
    if is_dataclass(value) and not isinstance(value, type):
        kind = {"kind": _WORDS[type(value)]} if type(value) in _WORDS else {}
        held = {f.name: _plain(getattr(value, f.name), f"{what}, {f.name}") for f in fields(value)}
        return {**kind, **held}
    return number(value, what)


def _read(wanted: Any, value: Any, what: str) -> Any:
    """A value of a type, of what JSON gave."""
    if get_origin(wanted) in (Union, types.UnionType):
        return _read_one_of(get_args(wanted), value, what)
    if get_origin(wanted) is tuple:
        return _read_tuple(get_args(wanted), value, what)
    try:
        if wanted is datetime and isinstance(value, str):
            return require_utc(datetime.fromisoformat(value))
        if isinstance(wanted, type) and issubclass(wanted, Enum) and isinstance(value, str):
            return wanted(value)
    except (ValueError, InputError):
        raise _refusal(what, value, wanted) from None
    if isinstance(wanted, type) and is_dataclass(wanted):
        return _read_fields(wanted, value, what)
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if wanted is timedelta and is_number:
        return timedelta(seconds=value)
    if wanted is float and is_number:
        return float(value)
    if wanted in (bool, str, int) and type(value) is wanted:
        return value
    raise _refusal(what, value, wanted)


def _read_one_of(choices: tuple[Any, ...], value: Any, what: str) -> Any:
    """A value that may be absent, or is of one of several types."""
    if value is None and type(None) in choices:
        return None
    others = [choice for choice in choices if choice is not type(None)]
    if len(others) == 1:
        return _read(others[0], value, what)
    return _read_kind(FACTS, value, what)  # the one thing that is of several types


def _read_tuple(items: tuple[Any, ...], value: Any, what: str) -> tuple[Any, ...]:
    if not isinstance(value, list):
        raise _refusal(what, value, list)
    if len(items) == 2 and items[1] is Ellipsis:
        return tuple(_read(items[0], each, f"{what} {i}") for i, each in enumerate(value, 1))
    if len(value) != len(items):
        raise _refusal(what, value, list)
    return tuple(_read(kind, each, what) for kind, each in zip(items, value, strict=True))


def _read_fields(wanted: Any, value: Any, what: str) -> Any:
    if not isinstance(value, dict):
        raise _refusal(what, value, wanted)
    if wanted is Cause:
        return _read_kind(KINDS, value, what)
    values = value
    hints, needed = _fields_of(wanted)
    if wrong := (needed - values.keys()) | (values.keys() - hints.keys()):
        raise StorageError(
            f"{what}: {', '.join(sorted(wrong))} missing or not known; restore a backup"
        )
    return wanted(**{name: _read(hints[name], v, f"{what}, {name}") for name, v in values.items()})


def _read_kind(kinds: Mapping[str, type], value: Any, what: str) -> Any:
    """A value that names its kind."""
    word = value.get("kind") if isinstance(value, dict) else None
    kind = kinds.get(word) if isinstance(word, str) else None
    if kind is None:
        raise StorageError(
            f"{what}: {word!r} is no kind that this program knows; run the newer windowwatch, or "
            "restore a backup"
        )
    held = {name: each for name, each in value.items() if name != "kind"}
    return _read_fields(kind, held, f"{what}, {word}")


@cache
def _fields_of(kind: Any) -> tuple[dict[str, Any], frozenset[str]]:
    """Types of the fields of a value, and which of them must be there."""
    hints = get_type_hints(kind)
    needed = frozenset(f.name for f in fields(kind) if f.default is MISSING)
    return {f.name: hints[f.name] for f in fields(kind)}, needed


def _refusal(what: str, value: Any, wanted: Any) -> StorageError:
    name = getattr(wanted, "__name__", str(wanted))
    shown = repr(value)
    shown = shown if len(shown) <= 60 else f"{shown[:57]}…"
    return StorageError(f"{what}: {shown} is stored where a {name} belongs; restore a backup")
