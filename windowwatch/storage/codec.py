"""Values to JSON and back, exactly.

A number that is not finite is refused: NaN would come back from a database as "nothing",
or worse as a number nobody meant.
"""

import json
import math
import zlib
from dataclasses import fields, is_dataclass
from datetime import datetime
from enum import Enum
from typing import Any

from windowwatch.clock import require_utc
from windowwatch.errors import StorageError
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.detail import Drive, HourDetail, Track
from windowwatch.scoring.values import Check, Opinion, Part, Verdict


def number(value: Any, what: str) -> float | None:
    """Plain float of a number, None of None.

    Raises
    ------
    StorageError
        If it is not finite; `what` names it.
    """
    if value is None:
        return None
    plain = float(value)
    if not math.isfinite(plain):
        raise StorageError(f"{what} is {plain}; a missing number must be None, nothing was saved")
    return plain


def texts_to_json(texts: tuple[str, ...]) -> str:
    """JSON text of sentences."""
    return _dump(list(texts))


def texts_from_json(text: str) -> tuple[str, ...]:
    """Sentences of JSON text."""
    return tuple(json.loads(text))


def parts_to_json(parts: dict[Part, float | None], what: str) -> str:
    """JSON text of the scores of the parts."""
    return _dump({str(k): number(v, f"{what}, part {k}") for k, v in parts.items()})


def parts_from_json(text: str) -> dict[Part, float | None]:
    """Scores of the parts."""
    return {Part(k): v for k, v in json.loads(text).items()}


#: Order of a check's values in its JSON list. A list, not an object, because there are
#: thousands of checks in a cycle and their keys would be half of the file.
_CHECK_FIELDS = tuple(f.name for f in fields(Check))
_PARTS = {str(part): part for part in Part}
_VERDICTS = {str(verdict): verdict for verdict in Verdict}


def pack_checks(checks: tuple[Check, ...], what: str) -> bytes:
    """Compressed JSON of checks: a list of the field names, then a list for each check.

    Compressed because the checks of a cycle are nine tenths of its size, and their
    sentences are alike: a quarter of it is left.
    """
    rows: list[list[Any]] = [list(_CHECK_FIELDS)]
    for check in checks:
        label = f"{what}, check {check.name}"
        rows.append([_plain(getattr(check, name), label) for name in _CHECK_FIELDS])
    return zlib.compress(_dump(rows).encode("utf-8"))


def unpack_checks(packed: bytes) -> tuple[Check, ...]:
    """Checks of their compressed JSON."""
    names, *rows = json.loads(zlib.decompress(packed))
    part, verdict = names.index("part"), names.index("verdict")
    checks = []
    for row in rows:
        row[part], row[verdict] = _PARTS[row[part]], _VERDICTS[row[verdict]]
        if tuple(names) == _CHECK_FIELDS:
            checks.append(Check(*row))
        else:  # written by a version that named its fields in another order
            checks.append(Check(**dict(zip(names, row, strict=True))))
    return tuple(checks)


def footprint_to_json(footprint: Footprint | None, what: str) -> str | None:
    """JSON text of a footprint."""
    return None if footprint is None else _dump(_plain(footprint, f"{what}, footprint"))


def footprint_from_json(text: str | None) -> Footprint | None:
    """Footprint of JSON text."""
    return None if text is None else Footprint(**json.loads(text))


def opinions_to_json(opinions: tuple[Opinion, ...], what: str) -> str:
    """JSON text of what other models say."""
    return _dump([_plain(opinion, f"{what}, opinion of {opinion.model}") for opinion in opinions])


def opinions_from_json(text: str) -> tuple[Opinion, ...]:
    """What other models say."""
    return tuple(
        Opinion(**{**values, "verdict": Verdict(values["verdict"])}) for values in json.loads(text)
    )


#: Decimals that the numbers of a detail are kept with; half a metre on the ground is enough.
_DETAIL_DIGITS = {"latitude_deg": 5, "longitude_deg": 5, "landing_latitude_deg": 5,
                  "landing_longitude_deg": 5}  # fmt: skip


def pack_detail(detail: HourDetail) -> bytes:
    """Compressed JSON of what an hour is drawn with; degrees to 5 decimals, the rest to 1."""
    what = f"hour {detail.time_utc.isoformat()} at {detail.site}, detail"
    values = {
        "track": None if detail.track is None else _columns(detail.track, what),
        "landings": _columns(detail, what),
        "burst": None if detail.burst is None else _plain(detail.burst, what),
        "drive": None if detail.drive is None else _columns(detail.drive, what),
    }
    return zlib.compress(_dump(values).encode("utf-8"))


def unpack_detail(packed: bytes, site: str, time_utc: datetime) -> HourDetail:
    """What an hour is drawn with, of its compressed JSON."""
    values = json.loads(zlib.decompress(packed))
    return HourDetail(
        site,
        time_utc,
        track=None if values["track"] is None else Track(**_tuples(values["track"])),
        **_tuples(values["landings"]),
        burst=None if values["burst"] is None else Footprint(**values["burst"]),
        drive=None if values["drive"] is None else Drive(**_tuples(values["drive"])),
    )


def _columns(value: Any, what: str) -> dict[str, Any]:
    """Columns of numbers of a detail, rounded; with plain names and numbers beside them."""
    found: dict[str, Any] = {}
    for each in fields(value):
        held = getattr(value, each.name)
        if isinstance(held, tuple):
            digits = _DETAIL_DIGITS.get(each.name, 1)
            found[each.name] = [round(number(x, f"{what}, {each.name}") or 0.0, digits)
                                for x in held]  # fmt: skip
        elif isinstance(held, str | int | float) and each.name != "site":
            found[each.name] = _plain(held, what)
    return found


def _tuples(values: dict[str, Any]) -> dict[str, Any]:
    return {name: tuple(x) if isinstance(x, list) else x for name, x in values.items()}


def _plain(value: Any, what: str) -> Any:
    """Turn a value into what JSON knows."""
    if hasattr(value, "item"):
        value = value.item()  # a number that came out of an array
    if value is None or (isinstance(value, bool | str) and not isinstance(value, Enum)):
        return value
    if isinstance(value, Enum):
        return str(value)
    if isinstance(value, datetime):
        return require_utc(value).isoformat()
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name), what) for f in fields(value)}
    if isinstance(value, int):
        return value
    return number(value, what)


def _dump(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
