"""The sample files read by a plain ecCodes loop with numeric keys; shared by these tests."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import eccodes
import numpy as np
from numpy.typing import NDArray

SAMPLES = Path(__file__).resolve().parents[2] / "grib_samples"

#: What tells one message from another, asked of every message.
KEYS = (
    "discipline",
    "parameterCategory",
    "parameterNumber",
    "typeOfFirstFixedSurface",
    "scaledValueOfFirstFixedSurface",
    "typeOfSecondFixedSurface",
    "dataDate",
    "dataTime",
    "startStep",
    "endStep",
    "productDefinitionTemplateNumber",
)
#: What else the members' messages have.
MEMBER_KEYS = ("perturbationNumber", "numberOfForecastsInEnsemble", "typeOfEnsembleForecast")
MISSING = 2147483647


@dataclass(frozen=True)
class Message:
    """One message: its distinguishing keys, sections 1 and 3 as bytes, and its values."""

    keys: tuple[int, ...]
    member_keys: tuple[int, ...]
    origin_and_grid: bytes
    bits: int
    decimals: int
    values: NDArray[np.float64]


def framed(data: bytes) -> Iterator[bytes]:
    """Messages of a file by their framing; fails on anything between or after them."""
    start = 0
    while start < len(data):
        assert data[start : start + 4] == b"GRIB", f"no message begins at byte {start}"
        assert data[start + 7] == 2
        length = int.from_bytes(data[start + 8 : start + 16], "big")
        piece = data[start : start + length]
        assert len(piece) == length, f"message at byte {start} is cut off"
        assert piece[-4:] == b"7777"
        yield piece
        start += length


def sections(piece: bytes) -> dict[int, bytes]:
    """Sections 1 to 7 of a message, by number."""
    found, start = {}, 16
    while start < len(piece) - 4:
        length = int.from_bytes(piece[start : start + 4], "big")
        found[piece[start + 4]] = piece[start : start + length]
        start += length
    return found


def read_message(piece: bytes) -> Message:
    """Keys and values of one message."""
    handle = eccodes.codes_new_from_message(piece)
    try:
        keys = tuple(eccodes.codes_get(handle, key, ktype=int) for key in KEYS)
        ensemble = keys[-1] == 1
        member = tuple(eccodes.codes_get(handle, k, ktype=int) for k in MEMBER_KEYS * ensemble)
        parts = sections(piece)
        return Message(
            keys,
            member,
            parts[1] + parts[3],
            eccodes.codes_get(handle, "bitsPerValue", ktype=int),
            eccodes.codes_get(handle, "decimalScaleFactor", ktype=int),
            np.asarray(eccodes.codes_get_values(handle), dtype=np.float64).reshape(13, 13),
        )
    finally:
        eccodes.codes_release(handle)


@cache
def read_file(name: str, member: int | None = None) -> tuple[Message, ...]:
    """All messages of a sample file, or those of one member, in order."""
    pieces = framed((SAMPLES / name).read_bytes())
    return tuple(read_message(p) for p in pieces if member is None or _member(p) == member)


def _member(piece: bytes) -> int:
    """Perturbation number: octet 36 of section 4 (WMO-No. 306, templates 4.1 and 4.11)."""
    return sections(piece)[4][35]


# --- whole fields by name ---------------------------------------------------------------------
#: Discipline, category, number, first surface and its value, written down here from the WMO
#: code tables (WMO-No. 306, 4.2 and 4.5) and not taken from the script that writes the files.
NAMES: dict[tuple[int, int, int, int, int], str] = {
    (0, 2, 2, 103, 10): "u10",
    (0, 2, 3, 103, 10): "v10",
    (0, 2, 2, 103, 100): "u100",
    (0, 2, 3, 103, 100): "v100",
    (0, 2, 22, 1, MISSING): "gust",
    (0, 0, 0, 103, 2): "t2m",
    (0, 0, 6, 103, 2): "td2m",
    (0, 3, 0, 1, MISSING): "sp",
    (0, 3, 1, 101, MISSING): "msl",
    (0, 6, 1, 1, MISSING): "tcc",
    (0, 6, 3, 1, MISSING): "lcc",
    (0, 6, 4, 1, MISSING): "mcc",
    (0, 6, 5, 1, MISSING): "hcc",
    (0, 6, 13, 1, MISSING): "ceiling",
    (0, 19, 0, 1, MISSING): "vis",
    (0, 1, 7, 1, MISSING): "prate",
    (0, 1, 8, 1, MISSING): "tp",
    (0, 7, 6, 1, MISSING): "cape",
    (0, 3, 5, 1, MISSING): "orography",
    (2, 0, 0, 1, MISSING): "land",
}
ALOFT = {(0, 2, 2): "u", (0, 2, 3): "v", (0, 0, 0): "t", (0, 3, 5): "gh"}

LATITUDE_DEG = np.linspace(49.0, 43.0, 13)
LONGITUDE_DEG = np.linspace(-38.0, -32.0, 13)

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Cube:
    """One forecast: times [T] in hours since 2026-05-04T00Z, levels [L] in hPa, fields.

    Fields aloft are [T, L, Y, X], the others [T, Y, X]; `fields["tp"]` has NaN at step 0, where
    the file has none. Rows run from north to south.
    """

    step_h: FloatArray
    time_h: FloatArray
    level_hpa: FloatArray
    fields: dict[str, FloatArray]


@cache
def cube(name: str, member: int | None = None) -> Cube:
    """Arrays of a sample file, or of one member of it."""
    wanted = read_file(name, member)
    assert all(member is None or m.member_keys[0] == member for m in wanted)
    steps = sorted({m.keys[9] for m in wanted})
    levels = sorted({m.keys[4] for m in wanted if m.keys[3] == 100}, reverse=True)
    fields = {n: np.full((len(steps), len(levels), 13, 13), np.nan) for n in ALOFT.values()}
    for message in wanted:
        key, step = message.keys, steps.index(message.keys[9])
        if key[3] == 100:
            fields[ALOFT[key[0], key[1], key[2]]][step, levels.index(key[4])] = message.values
        else:
            plane = NAMES[key[0], key[1], key[2], key[3], key[4]]
            whole = fields.setdefault(plane, np.full((len(steps), 13, 13), np.nan))
            whole[step] = message.values
    hour = (wanted[0].keys[6] - 20260504) * 24 + wanted[0].keys[7] // 100
    step_h = np.array(steps, dtype=np.float64)
    return Cube(step_h, hour + step_h, np.array(levels) / 100.0, fields)
