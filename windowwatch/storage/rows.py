"""One value to one row, and back; causes as JSON, checked against their types.

Causes are ``{"version": 1, "causes": [{"kind": "score fell", "before": 78.0, …}, …]}``, a window
is an object of its fields with the same version. Each is read by the types of its own fields:
what is missing, unknown or of another type is refused by name, so that a damaged row is never
told as something else. A field that is added later needs a default, and rows without it are
read; one that is renamed needs a new version here, and a step in `migrations`.
"""

import itertools
import json
import types
from collections.abc import Callable, Iterable, Mapping
from dataclasses import MISSING, fields, is_dataclass
from datetime import date, datetime, timedelta
from enum import Enum
from functools import cache
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

import numpy as np
from sqlalchemy import Row

from windowwatch.clock import require_utc
from windowwatch.errors import InputError, StorageError
from windowwatch.forecast.notes import (
    FAULT_KINDS,
    LACK_KINDS,
    NOTE_KINDS,
    Fault,
    Lack,
    Note,
    Notes,
    SaidBefore,
)
from windowwatch.scoring.values import FACTS, Hour, Verdict
from windowwatch.storage import codec
from windowwatch.storage.codec import number
from windowwatch.storage.tables import ChangeRow, WindowRow
from windowwatch.windows.causes import KINDS, Cause, Causes
from windowwatch.windows.values import Change, ChangeKind, Window

_NUMBERS = (
    "score",
    "chance",
    "chance_low",
    "chance_high",
    "drift_km",
    "bearing_deg",
    "road_km",
    "own_chance",
    "raw_chance",
)


def hour_values(hour: Hour) -> dict[str, Any]:
    """Columns of an hour.

    Raises
    ------
    StorageError
        If a number is not finite.
    """
    what = f"hour {hour.time_utc.isoformat()} at {hour.site}"
    return {
        "site": hour.site,
        "time_utc": hour.time_utc,
        "verdict": str(hour.verdict),
        **{name: codec.number(getattr(hour, name), f"{what}, {name}") for name in _NUMBERS},
        "landing_utc": hour.landing_utc,
        "refused": codec.refusal_to_json(hour.refused),
        "from_cycle": hour.from_cycle,
        "parts": codec.parts_to_json(hour.parts, what),
        "checks": codec.pack_checks(hour.checks, what),
        "worst": codec.worst_to_json(hour.worst),
        "footprint": codec.footprint_to_json(hour.footprint, what),
        "others": codec.opinions_to_json(hour.others, what),
        "near_ground": codec.near_to_json(hour.near_ground),
    }


def hour_of_row(row: Row[Any], *, with_checks: bool = True) -> Hour:
    """Hour of its columns; without checks when those were not read."""
    checks = codec.unpack_checks(row.checks) if with_checks else None
    worst, checks = codec.worst_from_json(row.worst, checks)
    return Hour(
        site=row.site,
        time_utc=row.time_utc,
        verdict=Verdict(row.verdict),
        **{name: getattr(row, name) for name in _NUMBERS},
        landing_utc=row.landing_utc,
        refused=codec.refusal_from_json(row.refused),
        from_cycle=row.from_cycle,
        parts=codec.parts_from_json(row.parts),
        checks=checks,
        worst=worst,
        footprint=codec.footprint_from_json(row.footprint),
        others=codec.opinions_from_json(row.others),
        near_ground=codec.near_from_json(row.near_ground),
    )


def window_values(window: Window) -> dict[str, Any]:
    """Columns of a window."""
    return {
        "uid": window.uid,
        "site": window.site,
        "state": str(window.state),
        "start_utc": window.start_utc,
        "end_utc": window.end_utc,
        "value": window_to_json(window),
    }


def window_of_row(row: WindowRow) -> Window:
    """Window of its row."""
    window = window_from_json(row.value)
    if window is None:
        raise StorageError(f"the stored window {row.uid} is empty; restore a backup")
    return window


def change_values(change: Change) -> dict[str, Any]:
    """Columns of a change, but for watch and position."""
    return {
        "key": change.key,
        "kind": str(change.kind),
        "site": change.site,
        "window_uid": change.window_uid,
        "cycle_id": change.cycle_id,
        "found_utc": change.found_utc,
        "before": window_to_json(change.before),
        "after": window_to_json(change.after),
        "reason": "",
        "causes": causes_to_json(change.causes, f"change {change.key}"),
    }


def change_of_row(row: ChangeRow) -> Change:
    """Change of its row."""
    return Change(
        key=row.key,
        kind=ChangeKind(row.kind),
        site=row.site,
        window_uid=row.window_uid,
        cycle_id=row.cycle_id,
        found_utc=row.found_utc,
        before=window_from_json(row.before),
        after=window_from_json(row.after),
        causes=causes_from_json(row.causes, f"change {row.key}"),
    )


def delivery_values(
    change_key: str, channel: str, due_utc: datetime, instead_of: str | None = None
) -> dict[str, Any]:
    """Columns of a delivery that nobody has tried yet; `instead_of` names a failed channel."""
    return {
        "change_key": change_key,
        "channel": channel,
        "state": "pending",
        "tries": 0,
        "due_utc": require_utc(due_utc),
        "next_try_utc": require_utc(due_utc),
        "instead_of": instead_of,
    }


Value = TypeVar("Value")
VERSION = 1

#: What is of several kinds, each told by its word.
_OF_KINDS: Mapping[type, Mapping[str, type]] = {
    Cause: KINDS, Note: NOTE_KINDS, Lack: LACK_KINDS, Fault: FAULT_KINDS,
}  # fmt: skip
#: Word of every kind that is told apart by one: those, and facts of checks.
_WORDS: Mapping[type, str] = {
    kind: word for kinds in (*_OF_KINDS.values(), FACTS) for word, kind in kinds.items()
}


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
    found: Causes = _whole(tuple[Cause, ...], values.get("causes"), f"{what}, causes")
    return found


def notes_to_json(notes: Notes, what: str) -> str:
    """JSON text of what is noted of a cycle; refuses as `causes_to_plain`, and any sentence."""
    for each in notes:
        if type(each) not in _WORDS:
            raise StorageError(f"{what}: {each!r} is no note of a cycle; nothing was saved")
    return _dump({"version": VERSION, "notes": [_plain(note, f"{what}, note") for note in notes]})


def notes_from_json(text: str, what: str) -> Notes:
    """Notes of JSON text; refuses as `causes_from_json`.

    Earlier versions kept a list of sentences: each becomes a note that holds it.
    """
    try:
        before = json.loads(text)
    except ValueError:
        before = None
    if isinstance(before, list) and all(isinstance(each, str) for each in before):
        return tuple(map(SaidBefore, before))
    values = _of_version(text, what)
    found: Notes = _whole(tuple[Note, ...], values.get("notes"), f"{what}, notes")
    return found


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
    found: Window = _whole(Window, values, what)
    return found


def value_to_json(value: Any, what: str) -> str:
    """JSON text of a value made of plain values; refuses as `causes_to_plain`."""
    return _dump({"version": VERSION, **_plain(value, what)})


def value_from_json(kind: type[Value], text: str, what: str) -> Value:
    """Value of JSON text, by the types of its fields; refuses as `causes_from_json`."""
    try:
        found: Value = _whole(kind, _of_version(text, what), what)
    except InputError as error:
        raise StorageError(f"{what}: {error.message}; restore a backup") from error
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
    if isinstance(value, np.ndarray):
        return {"shape": list(value.shape), "values": _numbers(value, what)}
    if hasattr(value, "item"):
        value = value.item()  # a number that came out of an array
    if value is None or type(value) in (str, bool, int):
        return value
    if type(value) is float:
        return number(value, what)
    if isinstance(value, Enum):
        return str(value)
    if isinstance(value, datetime):
        return require_utc(value).isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, timedelta):
        return value.total_seconds()
    if isinstance(value, tuple):
        return [_plain(each, what) for each in value]
    of: Any = type(value)
    kind = {"kind": _WORDS[of]} if of in _WORDS else {}
    names = _readers(of)[0]
    return {**kind, **{n: _plain(getattr(value, n), f"{what}, {n}") for n in names}}


def _numbers(values: Any, what: str) -> list[Any]:
    """Numbers of an array in a row; one that is missing (NaN) is None."""
    flat = values.ravel()
    if flat.dtype.kind != "f":
        return list(flat.tolist())
    if np.isinf(flat).any():
        raise StorageError(f"{what} is not finite; nothing was saved")
    return [None if each != each else each for each in flat.tolist()]


class _WrongError(Exception):
    """A stored value is not what its type says; `path` leads to it, the innermost last."""

    def __init__(self, said: str) -> None:
        super().__init__(said)
        self.said, self.path = said, list[str]()

    def refusal(self, what: str) -> StorageError:
        """Say it of a whole row."""
        place = ", ".join([what, *reversed(self.path)])
        return StorageError(f"{place}: {self.said}")


_Reader = Callable[[Any], Any]


def _whole(wanted: Any, value: Any, what: str) -> Any:
    """A value of a type, of what JSON gave.

    Raises
    ------
    StorageError
        If it is not of that type; what is wrong, and where, is named.
    """
    try:
        return _reader(wanted)(value)
    except _WrongError as wrong:
        raise wrong.refusal(what) from None


@cache
def _reader(wanted: Any) -> _Reader:
    """What reads values of a type. Made once for each type: pages read hundreds of windows."""
    if get_origin(wanted) in (Union, types.UnionType):
        return _one_of(get_args(wanted))
    if get_origin(wanted) is tuple:
        return _tuple_of(get_args(wanted))
    if wanted in _OF_KINDS:
        return lambda value: _read_kind(_OF_KINDS[wanted], value)
    if get_origin(wanted) is np.ndarray:
        (kind,) = get_args(get_args(wanted)[1])
        return lambda value: _array(value, kind)
    if is_dataclass(wanted):
        return lambda value: _read_fields(wanted, value)
    if wanted in _SIMPLE:
        return _SIMPLE[wanted]
    if isinstance(wanted, type) and issubclass(wanted, Enum):
        members = {str(each): each for each in wanted}
        return lambda value: members[value] if value in members else _wrong(value, wanted)
    raise TypeError(f"no value of {wanted!r} can be kept in a cause")


def _wrong(value: Any, wanted: Any) -> Any:
    shown = repr(value)
    shown = shown if len(shown) <= 60 else f"{shown[:57]}…"
    name = getattr(wanted, "__name__", str(wanted))
    raise _WrongError(f"{shown} is stored where a {name} belongs; restore a backup")


def _float(value: Any) -> float:
    if type(value) is float or type(value) is int:
        return float(value)
    found: float = _wrong(value, float)
    return found


def _moment(value: Any) -> datetime:
    try:
        return require_utc(datetime.fromisoformat(value))
    except (TypeError, ValueError, InputError):
        found: datetime = _wrong(value, datetime)
        return found


def _day(value: Any) -> date:
    try:
        return date.fromisoformat(value)
    except (TypeError, ValueError):
        found: date = _wrong(value, date)
        return found


def _array(value: Any, kind: Any) -> Any:
    """An array of numbers of a kind, as many as its shape says."""
    held = value if isinstance(value, dict) and value.keys() == {"shape", "values"} else {}
    shape: Any = held.get("shape")
    values: Any = held.get("values")
    if not (isinstance(shape, list) and isinstance(values, list)):
        _wrong(value, np.ndarray)
    real = issubclass(kind, np.floating)
    known = (int, float, type(None)) if real else (int,)
    for each in values:
        if type(each) not in known:
            _wrong(each, kind)
    if not all(type(each) is int and each >= 0 for each in shape):
        _wrong(shape, tuple)
    if np.prod(shape, dtype=np.int64) != len(values):
        raise _WrongError(f"{len(values)} numbers of a shape of {shape}; restore a backup")
    return np.array(values, dtype=kind).reshape(shape)  # None becomes NaN


_SIMPLE: Mapping[Any, _Reader] = {
    str: lambda value: value if type(value) is str else _wrong(value, str),
    bool: lambda value: value if type(value) is bool else _wrong(value, bool),
    int: lambda value: value if type(value) is int else _wrong(value, int),
    float: _float,
    datetime: _moment,
    date: _day,
    timedelta: lambda value: timedelta(seconds=_float(value)),
}


def _one_of(choices: tuple[Any, ...]) -> _Reader:
    """Of what may be absent, or is a fact of a check: the one thing that is of several types."""
    others = [choice for choice in choices if choice is not type(None)]
    if len(others) > 1:
        return lambda value: _read_kind(FACTS, value)
    read = _reader(others[0])
    return lambda value: None if value is None else read(value)


def _tuple_of(items: tuple[Any, ...]) -> _Reader:
    if len(items) == 2 and items[1] is Ellipsis:
        readers: Iterable[_Reader] = itertools.repeat(_reader(items[0]))
        length = None
    else:
        readers = tuple(map(_reader, items))
        length = len(items)

    def read(value: Any) -> tuple[Any, ...]:
        if not isinstance(value, list) or (length is not None and len(value) != length):
            _wrong(value, list)
        found = []
        for number_, (reader, each) in enumerate(zip(readers, value, strict=False), start=1):
            try:
                found.append(reader(each))
            except _WrongError as wrong:
                wrong.path.append(str(number_))
                raise
        return tuple(found)

    return read


def _read_kind(kinds: Mapping[str, type], value: Any) -> Any:
    """A value that names its kind."""
    word = value.get("kind") if isinstance(value, dict) else None
    kind = kinds.get(word) if isinstance(word, str) else None
    if kind is None:
        raise _WrongError(
            f"{word!r} is no kind that this program knows; run the newer windowwatch, or restore "
            "a backup"
        )
    try:
        return _read_fields(kind, {name: v for name, v in value.items() if name != "kind"})
    except _WrongError as wrong:
        wrong.path.append(str(word))
        raise


def _read_fields(kind: Any, value: Any) -> Any:
    if not isinstance(value, dict):
        _wrong(value, kind)
    readers, needed = _readers(kind)
    if not (needed <= value.keys() <= readers.keys()):
        odd = (needed - value.keys()) | (value.keys() - readers.keys())
        raise _WrongError(f"{', '.join(sorted(odd))} missing or not known; restore a backup")
    found = {}
    for name, each in value.items():
        try:
            found[name] = readers[name](each)
        except _WrongError as wrong:
            wrong.path.append(name)
            raise
    return kind(**found)


@cache
def _readers(kind: Any) -> tuple[dict[str, _Reader], frozenset[str]]:
    """What reads the fields of a value, and which of them must be there."""
    hints = get_type_hints(kind)
    needed = frozenset(f.name for f in fields(kind) if f.default is MISSING)
    return {f.name: _reader(hints[f.name]) for f in fields(kind)}, needed
