"""Values to JSON and back, exactly.

A number that is not finite is refused: NaN would come back from a database as "nothing",
or worse as a number nobody meant.

Checks and hours are kept as facts since their form 2. Rows of form 1 held sentences: they are
read as they stand, an old sentence becoming the fact `Told`, and are never written again.
"""

import json
import math
import zlib
from dataclasses import fields, is_dataclass
from datetime import datetime
from enum import Enum
from operator import attrgetter
from typing import Any

from windowwatch.clock import require_utc
from windowwatch.errors import StorageError
from windowwatch.physics.fill import SiteAir
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.values import (
    FACTS,
    Check,
    Drive,
    Fact,
    Gap,
    HourDetail,
    Missing,
    NearGap,
    NearGround,
    Opinion,
    Part,
    Refusal,
    RefusalKind,
    Told,
    Track,
    Unanswered,
    Verdict,
)


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


def parts_to_json(parts: dict[Part, float | None], what: str) -> str:
    """JSON text of the scores of the parts."""
    return _dump({str(k): number(v, f"{what}, part {k}") for k, v in parts.items()})


def parts_from_json(text: str) -> dict[Part, float | None]:
    """Scores of the parts."""
    return {Part(k): v for k, v in json.loads(text).items()}


#: Form in which checks, and what is told of hours by checks, are written.
FORM = 2
#: How the text of a refusal of form 2 begins; one of form 1 is a sentence.
_REFUSAL_HEAD = '{"version":'
#: Order of a check's values in its JSON list. A list, not an object, because there are
#: thousands of checks in a cycle and their keys would be half of the file.
_PLAIN_FIELDS = tuple(f.name for f in fields(Check) if f.name not in ("facts", "missing"))
_plain_values = attrgetter(*_PLAIN_FIELDS)
_CHECK_FIELDS = (*_PLAIN_FIELDS, "facts", "missing")
_PARTS = {str(part): part for part in Part}
_VERDICTS = {str(verdict): verdict for verdict in Verdict}


def pack_checks(checks: tuple[Check, ...], what: str) -> bytes:
    """Compressed JSON of checks: the form with the field names, then a list for each check.

    Compressed because the checks of a cycle are nine tenths of its size, and are alike.
    """
    rows: list[Any] = [{"version": FORM, "fields": list(_CHECK_FIELDS)}]
    rows += [_check_row(check, what) for check in checks]
    return zlib.compress(_dump(rows).encode("utf-8"))


def unpack_checks(packed: bytes) -> tuple[Check, ...]:
    """Checks of their compressed JSON, in either form."""
    head, *rows = json.loads(zlib.decompress(packed))
    names = head if isinstance(head, list) else head["fields"]  # form 1 had the names alone
    return tuple(_check(dict(zip(names, row, strict=True))) for row in rows)


def _check_row(check: Check, what: str) -> list[Any]:
    """Values of a check in the order of `_CHECK_FIELDS`."""
    row = [
        # nearly all are one of these, and there are a million of them
        value
        if value is None or (type(value) is float and math.isfinite(value)) or type(value) is str
        else _plain(value, f"{what}, check {check.name}")
        for value in _plain_values(check)
    ]
    label = f"{what}, check {check.name}" if check.facts or check.missing is not None else ""
    row.append([fact_data(fact, label) for fact in check.facts])
    row.append(None if check.missing is None else missing_data(check.missing, label))
    return row


def _check(data: dict[str, Any]) -> Check:
    data["part"], data["verdict"] = _PARTS[data["part"]], _VERDICTS[data["verdict"]]
    if "sentence" in data:
        data["facts"] = (Told(data.pop("sentence")),)
        return Check(**data)
    if data["facts"]:
        data["facts"] = tuple(_fact(each, data["name"]) for each in data["facts"])
    else:
        data["facts"] = ()
    if data["missing"] is not None:
        data["missing"] = _missing(data["missing"])
    return Check(**data)


def _told_check(text: str, name: str = "told") -> Check:
    """A check of which a row of form 1 kept nothing but its sentence."""
    nothing = (None,) * 5
    return Check(name, Part.RELEASE, Verdict.UNKNOWN, None, "", *nothing[:4], False, (Told(text),))


def fact_data(fact: Fact, what: str = "fact") -> dict[str, Any]:
    """A fact as plain values, its `kind` first."""
    plain = {f.name: _plain(getattr(fact, f.name), f"{what}, {f.name}") for f in fields(fact)}
    return {"kind": fact.kind, **plain}


def _fact(data: dict[str, Any], check: str) -> Fact:
    try:
        kind = FACTS[data["kind"]]
        return kind(**{name: held for name, held in data.items() if name != "kind"})
    except (KeyError, TypeError):
        raise StorageError(
            f"check {check}: {data} is no fact that this program knows; run the newer "
            "windowwatch, or restore a backup"
        ) from None


def missing_data(missing: Missing, what: str = "missing") -> dict[str, Any]:
    """Why a value is missing, as plain values."""
    return {
        "gap": str(missing.gap),
        "names": list(missing.names),
        "most_pct": number(missing.most_pct, what),
    }


def _missing(data: dict[str, Any]) -> Missing:
    return Missing(Gap(data["gap"]), tuple(data["names"]), data["most_pct"])


def worst_to_json(names: tuple[str, ...]) -> str:
    """JSON text of the names of the worst checks of an hour."""
    return _dump({"version": FORM, "names": list(names)})


def worst_from_json(
    text: str, checks: tuple[Check, ...] | None
) -> tuple[tuple[str, ...], tuple[Check, ...]]:
    """Names of the worst checks of an hour, and its checks; None: they were not read.

    Form 1 kept their sentences: each is found among the checks by that sentence, or else told
    by a check of its own. Where the checks were not read it names nothing.
    """
    data = json.loads(text)
    if isinstance(data, dict):
        return tuple(data["names"]), checks or ()
    if checks is None:
        return (), ()
    by_text = {fact.text: c.name for c in reversed(checks) for fact in c.facts
               if isinstance(fact, Told)}  # fmt: skip
    lone = [each for each in dict.fromkeys(data) if each not in by_text]
    told = tuple(_told_check(each, f"told {n}") for n, each in enumerate(lone, start=1))
    by_text |= dict(zip(lone, (check.name for check in told), strict=True))
    return tuple(dict.fromkeys(by_text[each] for each in data)), (*checks, *told)


def refusal_data(refusal: Refusal) -> dict[str, Any]:
    """Why nothing could be said of an hour, as plain values."""
    return {
        "kind": str(refusal.kind),
        "flights": int(refusal.flights),
        "lost": [[what, int(count)] for what, count in refusal.lost],
        "landed": int(refusal.landed),
        "needed": int(refusal.needed),
        "unknown": [
            {
                "check": each.check,
                "missing": None if each.missing is None else missing_data(each.missing),
            }
            for each in refusal.unknown
        ],
        "told": refusal.told,
    }


def refusal_to_json(refusal: Refusal | None) -> str | None:
    """JSON text of a refusal."""
    return None if refusal is None else _dump({"version": FORM, **refusal_data(refusal)})


def refusal_from_json(text: str | None) -> Refusal | None:
    """Refusal of JSON text, or of the sentence that form 1 kept."""
    if not text:
        return None
    if not text.startswith(_REFUSAL_HEAD):
        return Refusal(RefusalKind.TOLD, told=text)
    data = json.loads(text)
    del data["version"]
    data["kind"] = RefusalKind(data["kind"])
    data["lost"] = tuple((what, count) for what, count in data["lost"])
    data["unknown"] = tuple(
        Unanswered(each["check"], None if each["missing"] is None else _missing(each["missing"]))
        for each in data["unknown"]
    )
    return Refusal(**data)


def footprint_to_json(footprint: Footprint | None, what: str) -> str | None:
    """JSON text of a footprint."""
    return None if footprint is None else _dump(_plain(footprint, f"{what}, footprint"))


def footprint_from_json(text: str | None) -> Footprint | None:
    """Footprint of JSON text."""
    return None if text is None else Footprint(**json.loads(text))


def opinions_to_json(opinions: tuple[Opinion, ...], what: str) -> str:
    """JSON text of what other models say."""
    return _dump([_opinion_data(each, f"{what}, opinion of {each.model}") for each in opinions])


def _opinion_data(opinion: Opinion, what: str) -> dict[str, Any]:
    data = {f.name: getattr(opinion, f.name) for f in fields(opinion)}
    says, lacks = data.pop("says"), data.pop("lacks")
    return {
        **{name: _plain(held, what) for name, held in data.items()},
        "says": None
        if says is None
        else dict(zip(_CHECK_FIELDS, _check_row(says, what), strict=True)),
        "lacks": list(lacks),
    }


def opinions_from_json(text: str) -> tuple[Opinion, ...]:
    """What other models say; form 1 kept a sentence, and names parted by commas."""
    return tuple(_opinion(values) for values in json.loads(text))


def _opinion(data: dict[str, Any]) -> Opinion:
    data["verdict"] = Verdict(data["verdict"])
    says, lacks = data.get("says"), data.get("lacks", ())
    if isinstance(says, dict):
        data["says"] = _check(says)
    else:
        data["says"] = _told_check(says) if says else None
    data["lacks"] = (
        tuple(lacks.split(", ") if lacks else ()) if isinstance(lacks, str) else tuple(lacks)
    )
    return Opinion(**data)


def near_data(near: NearGround) -> dict[str, Any]:
    """What a finer model near the ground had to say, as plain values."""
    return {
        "model": near.model,
        "cycle_id": near.cycle_id,
        "checks": list(near.checks),
        "gap": None if near.gap is None else str(near.gap),
    }


def near_to_json(near: NearGround | None) -> str | None:
    """JSON text of what a finer model near the ground had to say."""
    return None if near is None else _dump(near_data(near))


def near_from_json(text: str | None) -> NearGround | None:
    """What a finer model had to say; None where none was asked, or by an earlier version."""
    if text is None:
        return None
    data = json.loads(text)
    gap = None if data["gap"] is None else NearGap(data["gap"])
    return NearGround(data["model"], data["cycle_id"], tuple(data["checks"]), gap)


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
        "air": None if detail.air is None else _plain(detail.air, what),
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
        # those of earlier versions have none
        air=None if values.get("air") is None else SiteAir(**values["air"]),
    )


def _columns(value: Any, what: str) -> dict[str, Any]:
    """Columns of numbers of a detail, rounded; with plain names and numbers beside them."""
    import numpy as np

    found: dict[str, Any] = {}
    for each in fields(value):
        held = getattr(value, each.name)
        if isinstance(held, tuple):
            digits = _DETAIL_DIGITS.get(each.name, 1)
            numbers = np.array(held, dtype=np.float64)
            wrong = numbers[~np.isfinite(numbers)]
            if wrong.size:
                raise StorageError(
                    f"{what}, {each.name} is {wrong[0]}; a missing number has no place in a "
                    "column, nothing was saved"
                )
            found[each.name] = np.round(numbers, digits).tolist()
        elif isinstance(held, str | int | float) and each.name != "site":
            found[each.name] = _plain(held, what)
    return found


def _tuples(values: dict[str, Any]) -> dict[str, Any]:
    return {name: tuple(x) if isinstance(x, list) else x for name, x in values.items()}


def _plain(value: Any, what: str) -> Any:
    """Turn a value into what JSON knows."""
    kind = type(value)
    if kind is float and math.isfinite(value):
        return value
    if value is None or kind is str or kind is bool or kind is int:
        return value
    if hasattr(value, "item"):
        value = value.item()  # a number that came out of an array
    if isinstance(value, Enum):
        return str(value)
    if isinstance(value, bool | str):
        return value
    if isinstance(value, datetime):
        return require_utc(value).isoformat()
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name), what) for f in fields(value)}
    if isinstance(value, int):
        return value
    return number(value, what)


def _dump(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
