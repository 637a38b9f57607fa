"""How NOAA speaks: the ``.idx`` beside each file, and the filter that cuts on the server. Pure.

An index line reads ``151:113238572:d=2023013112:UGRD:10 mb:1 hour fcst:``: number, first byte,
reference time, name, level, time, extras. It carries no length: a record ends where the next
larger offset begins. Names and levels are compared as whole words only: ``10 mb`` and ``10 m
above ground`` have nothing to do with each other.
"""

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from urllib.parse import urlencode

from windowwatch.errors import DecodeError
from windowwatch.forecast.download.wanted import Entry, Item, Wanted, levels_of
from windowwatch.forecast.grib.grid import Area
from windowwatch.forecast.grib.messages import Kind
from windowwatch.forecast.models import ON_LEVELS

#: Our field to NOAA's name and level; ``{}`` stands for the isobaric level.
SPELLED: dict[str, tuple[str, str]] = {
    "u": ("UGRD", "{} mb"),
    "v": ("VGRD", "{} mb"),
    "t": ("TMP", "{} mb"),
    "gh": ("HGT", "{} mb"),
    "r": ("RH", "{} mb"),
    "q": ("SPFH", "{} mb"),
    "orography": ("HGT", "surface"),
    "land_fraction": ("LAND", "surface"),
    "wind_u_10m_mps": ("UGRD", "10 m above ground"),
    "wind_v_10m_mps": ("VGRD", "10 m above ground"),
    "wind_u_100m_mps": ("UGRD", "100 m above ground"),
    "wind_v_100m_mps": ("VGRD", "100 m above ground"),
    "gust_mps": ("GUST", "surface"),
    "temperature_2m_k": ("TMP", "2 m above ground"),
    "dew_point_2m_k": ("DPT", "2 m above ground"),
    "pressure_msl_pa": ("PRMSL", "mean sea level"),
    "pressure_surface_pa": ("PRES", "surface"),
    "cloud_low_pct": ("LCDC", "low cloud layer"),
    "cloud_middle_pct": ("MCDC", "middle cloud layer"),
    "cloud_high_pct": ("HCDC", "high cloud layer"),
    "cloud_total_pct": ("TCDC", "entire atmosphere"),
    "ceiling_m": ("HGT", "cloud ceiling"),
    "visibility_m": ("VIS", "surface"),
    "precipitation_rate_mmph": ("PRATE", "surface"),
    "precipitation_mm": ("APCP", "surface"),
    "cape_jpkg": ("CAPE", "surface"),
    "lifted_index_k": ("LFTX", "surface"),
    "freezing_rain": ("CFRZR", "surface"),
}
_UNIT_S = {"min": 60, "hour": 3600, "day": 86400}
_KINDS = {"acc": Kind.ACCUMULATION, "ave": Kind.AVERAGE, "max": Kind.MAXIMUM, "min": Kind.MINIMUM}
_AT = re.compile(r"^(\d+) (min|hour|day) fcst$")
_OVER = re.compile(r"^(\d+)-(\d+) (min|hour|day) (acc|ave|max|min) (?:fcst|anl)$")
_ENSEMBLE = re.compile(r"^ENS=(?:low-res ctl|hi-res ctl|([+-])(\d+))$")
#: Best first, where a source carries a field in several ways.
_RANK = {Kind.INSTANT: 0, Kind.ACCUMULATION: 1, Kind.MAXIMUM: 2, Kind.AVERAGE: 3}


@dataclass(frozen=True)
class Record:
    """One line of an ``.idx``. Times are after the reference time [s]; bytes as in the file."""

    number: str
    offset: int
    length: int | None
    reference_utc: datetime
    name: str
    level: str
    kind: Kind
    start_s: int
    end_s: int
    member: int | None


def read_index(text: str, where: str) -> tuple[Record, ...]:
    """Read an ``.idx``.

    Parameters
    ----------
    text : str
    where : str
        What to call it in errors, for example its URL.

    Raises
    ------
    DecodeError
        If it is no index: says which line, and what it looks like.
    """
    lines = [line for line in text.splitlines() if line.strip()]
    if not lines:
        raise DecodeError(f"{where}: the index is empty; fetch it again", retry=True)
    offsets = [_offset(line, number, where) for number, line in enumerate(lines, 1)]
    larger = sorted(set(offsets))
    after = dict(zip(larger, [*larger[1:], None], strict=True))
    records = []
    for number, (line, offset) in enumerate(zip(lines, offsets, strict=True), 1):
        end = after[offset]
        records.append(
            _record(line, number, where, (offset, None if end is None else end - offset))
        )
    return tuple(records)


def _offset(line: str, number: int, where: str) -> int:
    words = line.split(":")
    if len(words) < 6 or not words[1].isdigit() or not words[2].startswith("d="):
        raise _no_index(line, number, where)
    return int(words[1])


def _record(line: str, number: int, where: str, span: tuple[int, int | None]) -> Record:
    words = line.split(":")
    try:
        reference = datetime.strptime(words[2][2:], "%Y%m%d%H").replace(tzinfo=UTC)
    except ValueError as error:
        raise _no_index(line, number, where) from error
    member = None
    for extra in words[6:]:
        if found := _ENSEMBLE.match(extra.strip()):
            member = int(found[2] or 0) * (-1 if found[1] == "-" else 1)
    kind, start_s, end_s = _time(words[5])
    return Record(words[0], *span, reference, words[3], words[4], kind, start_s, end_s, member)


def _no_index(line: str, number: int, where: str) -> DecodeError:
    seen = line[:40] + ("…" if len(line) > 40 else "")
    return DecodeError(f"{where}: line {number} is no line of an index: {seen!r}", retry=True)


def _time(words: str) -> tuple[Kind, int, int]:
    """Kind and interval of a record. [s]"""
    if words == "anl":
        return Kind.INSTANT, 0, 0
    if found := _AT.match(words):
        at = int(found[1]) * _UNIT_S[found[2]]
        return Kind.INSTANT, at, at
    if found := _OVER.match(words):
        unit = _UNIT_S[found[3]]
        return _KINDS[found[4]], int(found[1]) * unit, int(found[2]) * unit
    return Kind.OTHER, 0, 0


def choose(records: Iterable[Record], item: Item, where: str) -> tuple[Entry, ...]:
    """Pick the messages of an item from its index.

    Of a field that is there in several ways, the one at the time is taken before a mean, and
    the shortest interval of sums; one that stands there twice with the same words is taken
    once.

    Raises
    ------
    DecodeError
        If the index is of another cycle.
    """
    best: dict[tuple[str, float], tuple[tuple[int, int], Entry]] = {}
    spelled = _spelled(item)
    end_s = item.step_h * 3600
    for record in records:
        if record.reference_utc != item.cycle_utc:
            raise DecodeError(
                f"{where}: is the index of {record.reference_utc:%Y-%m-%dT%HZ}, not of "
                f"{item.cycle_utc:%Y-%m-%dT%HZ}; it is stale",
                retry=True,
            )
        name = spelled.get((record.name, record.level))
        if name is None or record.end_s != end_s or record.kind not in _RANK:
            continue
        rank = (_RANK[record.kind], record.end_s - record.start_s)
        if name not in best or rank < best[name][0]:
            wanted = Wanted(*name, end_s, item.member, record.start_s)
            best[name] = (rank, Entry(wanted, record.offset, record.length))
    return tuple(entry for _, entry in best.values())


def _spelled(item: Item) -> dict[tuple[str, str], tuple[str, float]]:
    """NOAA's words to our field and level."""
    found: dict[tuple[str, str], tuple[str, float]] = {}
    for field in item.product.fields:
        name, level = item.product.spelled.get(field) or SPELLED[field]
        if field in ON_LEVELS:
            levels = levels_of(item.product, field)
            found |= {(name, level.format(f"{p:g}")): (field, p) for p in levels}
        else:
            found[name, level] = (field, 0.0)
    return found


def filter_url(root: str, item: Item, area: Area) -> str:
    """Address that makes the server cut an item out to an area.

    Variables and levels multiply, so more may come back than is wanted.

    Parameters
    ----------
    root : str
        Of the scripts.
    area : south, west, north, east
        Widened outward to whole degrees, so that looks from day to day ask the same. [deg]
    """
    south, west, north, east = (math.floor(area[0]), math.floor(area[1]), *map(math.ceil, area[2:]))
    if west < 0 and east <= 0:  # the provider's own pages count longitudes from 0 to 360
        west, east = west + 360, east + 360
    folder, _, file = item.path.rpartition("/")
    names, levels = _cross(item)
    query = [
        ("dir", f"/{folder}"),
        ("file", file),
        *((f"var_{name}", "on") for name in names),
        *((f"lev_{level.replace(' ', '_')}", "on") for level in levels),
        ("subregion", ""),
        ("toplat", str(min(north, 90))),
        ("bottomlat", str(max(south, -90))),
        ("leftlon", str(west)),
        ("rightlon", str(east)),
    ]
    return f"{root}/{item.product.script}?{urlencode(query)}"


def _cross(item: Item) -> tuple[Sequence[str], Sequence[str]]:
    """Names and levels of an item, each once."""
    words = list(_spelled(item))
    return list(dict.fromkeys(n for n, _ in words)), list(
        dict.fromkeys(level for _, level in words)
    )
