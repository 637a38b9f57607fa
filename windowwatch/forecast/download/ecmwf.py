"""How ECMWF's open data speak: one JSON object a line, with offset and length. Pure.

All values are text except ``_offset`` and ``_length``; ``number`` is absent on the control.
Since May 2026 the control of the ensemble is the deterministic run (stream ``oper``, type
``fc``) and an ensemble file holds 50 members, not 51. A line tells where an interval ends, not
where it begins.
"""

import json
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from windowwatch.errors import DecodeError
from windowwatch.forecast.download.catalogue import Product
from windowwatch.forecast.download.wanted import Entry, Item, Wanted, levels_of
from windowwatch.forecast.models import ON_LEVELS

#: Our field to ECMWF's parameters near the ground, the best first.
SPELLED: dict[str, tuple[str, ...]] = {
    "orography": ("z",),
    "land_fraction": ("lsm",),
    "wind_u_10m_mps": ("10u",),
    "wind_v_10m_mps": ("10v",),
    "wind_u_100m_mps": ("100u",),
    "wind_v_100m_mps": ("100v",),
    "gust_mps": ("10fg3", "10fg"),
    "temperature_2m_k": ("2t",),
    "dew_point_2m_k": ("2d",),
    "pressure_msl_pa": ("msl",),
    "pressure_surface_pa": ("sp",),
    "cloud_low_pct": ("lcc",),
    "cloud_middle_pct": ("mcc",),
    "cloud_high_pct": ("hcc",),
    "cloud_total_pct": ("tcc",),
    "precipitation_mm": ("tp",),
    "cape_jpkg": ("mucape", "cape"),
}
_TYPES = {True: "pf", False: "fc"}
#: Geopotential stands in for its height, where a source has it on more levels.
_HEIGHTS = ("gh", "z")


@dataclass(frozen=True)
class Record:
    """One line of an ``.index``. Bytes as in the file; `end_s` after the reference time."""

    reference_utc: datetime
    stream_type: str
    param: str
    levtype: str
    level_hpa: float
    end_s: int
    member: int | None
    offset: int
    length: int


def read_index(text: str, where: str) -> tuple[Record, ...]:
    """Read an ``.index``.

    Raises
    ------
    DecodeError
        If it is no index: says which line.
    """
    records = []
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip():
            continue
        try:
            records.append(_record(json.loads(line)))
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            seen = line[:40] + ("…" if len(line) > 40 else "")
            raise DecodeError(
                f"{where}: line {number} is no line of an index: {seen!r}", retry=True
            ) from error
    if not records:
        raise DecodeError(f"{where}: the index is empty; fetch it again", retry=True)
    return tuple(records)


def _record(line: dict[str, object]) -> Record:
    words = f"{line['date']}{line['time']:0>4}"
    moment = datetime.strptime(words, "%Y%m%d%H%M").replace(tzinfo=UTC)
    step = str(line["step"]).rpartition("-")[2]
    offset, length = line["_offset"], line["_length"]
    if not isinstance(offset, int) or not isinstance(length, int) or offset < 0 or length < 24:
        raise ValueError("offset or length is no number of bytes")
    number = line.get("number")
    return Record(
        moment,
        str(line["type"]),
        str(line["param"]),
        str(line["levtype"]),
        float(str(line.get("levelist") or 0)) if line["levtype"] == "pl" else 0.0,
        int(step) * 3600,
        None if number is None else int(str(number)),
        offset,
        length,
    )


def starts_s(param: str, end_s: int) -> int | None:
    """Where the interval begins that a parameter is of; None where that is not known. [s]

    ``10fg`` is the greatest gust of the last hour up to 90 h and of the last six from 150 h
    on; between, and in the shorter cycles, ``10fg3`` is that of the last three. Totals run
    from the start. So the provider's lists of parameters and others' readers have it.
    """
    if param == "tp":
        return 0
    if param == "10fg3":
        return max(end_s - 3 * 3600, 0)
    if param == "10fg" and end_s <= 90 * 3600:
        return max(end_s - 3600, 0)
    if param == "10fg" and end_s >= 150 * 3600:
        return end_s - 6 * 3600
    return None


#: What is over an interval: at step 0 it is over none, and the zeros that stand there mean nothing.
_OVER_INTERVALS = frozenset({"gust_mps", "precipitation_mm"})


def choose(records: Iterable[Record], item: Item, where: str) -> tuple[Entry, ...]:
    """Pick the messages of an item from its index.

    Height comes from geopotential where that is there on more levels. What is over an
    interval is not taken at step 0.

    Raises
    ------
    DecodeError
        If the index is of another cycle.
    """
    near = {
        param: (field, rank)
        for field in item.product.fields
        if field not in ON_LEVELS
        for rank, param in enumerate(SPELLED.get(field, ()))
    }
    best: dict[tuple[str, float, int | None], tuple[int, Entry]] = {}
    records = tuple(records)
    height = _height(records, item)
    for record in records:
        if record.reference_utc != item.cycle_utc:
            raise DecodeError(
                f"{where}: is the index of {record.reference_utc:%Y-%m-%dT%HZ}, not of "
                f"{item.cycle_utc:%Y-%m-%dT%HZ}; it is stale",
                retry=True,
            )
        member = record.member or None  # number 0 is the control too
        if record.end_s != item.step_h * 3600 or member not in item.members:
            continue
        if record.stream_type not in (_TYPES[member is not None], "ef"):
            continue
        field, rank = _field(record, item, near, height)
        key = (field, record.level_hpa, member)
        if field in _OVER_INTERVALS and record.end_s == 0:
            continue
        if field and (key not in best or rank < best[key][0]):
            start_s = starts_s(record.param, record.end_s)
            wanted = Wanted(field, record.level_hpa, record.end_s, member, start_s, said=False)
            best[key] = (rank, Entry(wanted, record.offset, record.length))
    return tuple(entry for _, entry in best.values())


def _height(records: Iterable[Record], item: Item) -> str:
    """Which parameter gives height aloft, on one and the same terms for all levels."""
    levels = levels_of(item.product, "gh")
    there = {(r.param, r.level_hpa) for r in records if r.levtype == "pl"}
    return max(_HEIGHTS, key=lambda param: sum((param, level) in there for level in levels))


def _field(
    record: Record, item: Item, near: dict[str, tuple[str, int]], height: str
) -> tuple[str, int]:
    """Our field of a record and how good its spelling is; no field if it is not wanted."""
    if record.levtype == "pl":
        name = "gh" if record.param == height else record.param
        asked = name in ON_LEVELS and (name != "gh" or record.param == height)
        wanted = asked and record.level_hpa in levels_of(item.product, name)
        return (name if wanted else ""), 0
    return near.get(record.param, ("", 0)) if record.levtype == "sfc" else ("", 0)


def known_names(records: Iterable[Record], product: Product) -> Iterable[Record]:
    """Records of an ``.index``, those of new parameters under the names that are known."""
    known = {
        param: SPELLED.get(field, (field,))[0] for field, (param, _) in product.spelled.items()
    }
    return tuple(
        replace(record, param=known[record.param]) if record.param in known else record
        for record in records
    )
