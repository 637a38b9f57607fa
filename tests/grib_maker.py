"""Small GRIB2 files for the tests of the reader, and a plain ecCodes loop to read them back."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import eccodes
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

#: discipline, category, number, first surface, level, second surface.
#: WMO-No. 306, Manual on Codes, volume I.2, code tables 4.2 and 4.5.
WHAT: dict[str, tuple[int, int, int, int, int, int]] = {
    "u": (0, 2, 2, 100, 0, 255),
    "v": (0, 2, 3, 100, 0, 255),
    "t": (0, 0, 0, 100, 0, 255),
    "gh": (0, 3, 5, 100, 0, 255),
    "z": (0, 3, 4, 100, 0, 255),
    "w": (0, 2, 8, 100, 0, 255),
    "q": (0, 1, 0, 100, 0, 255),
    "r": (0, 1, 1, 100, 0, 255),
    "10u": (0, 2, 2, 103, 10, 255),
    "10v": (0, 2, 3, 103, 10, 255),
    "80u": (0, 2, 2, 103, 80, 255),
    "100u": (0, 2, 2, 103, 100, 255),
    "100v": (0, 2, 3, 103, 100, 255),
    "gust": (0, 2, 22, 1, 0, 255),
    "10gust": (0, 2, 22, 103, 10, 255),
    "2t": (0, 0, 0, 103, 2, 255),
    "2d": (0, 0, 6, 103, 2, 255),
    "ground temperature": (0, 0, 0, 1, 0, 255),
    "sp": (0, 3, 0, 1, 0, 255),
    "prmsl": (0, 3, 1, 101, 0, 255),
    "low cloud": (0, 6, 3, 1, 0, 255),
    "old low cloud": (0, 6, 1, 214, 0, 255),
    "old middle cloud": (0, 6, 1, 224, 0, 255),
    "old high cloud": (0, 6, 1, 234, 0, 255),
    "total cloud": (0, 6, 1, 1, 0, 8),
    "ceiling": (0, 6, 13, 1, 0, 255),
    "old ceiling": (0, 3, 5, 215, 0, 255),
    "visibility": (0, 19, 0, 1, 0, 255),
    "rate": (0, 1, 7, 1, 0, 255),
    "rain": (0, 1, 8, 1, 0, 255),
    "cape": (0, 7, 6, 1, 0, 8),
    "deep shear": (0, 2, 2, 103, 6000, 103),
    "orography": (0, 3, 5, 1, 0, 255),
    "surface z": (0, 3, 4, 1, 0, 255),
    "land": (2, 0, 0, 1, 0, 255),
}
AVERAGE, SUM, GREATEST = 0, 1, 2  # code table 4.10
LEVELS_HPA = (1000, 500, 10)


@dataclass(frozen=True)
class Box:
    """A regular grid; latitudes fall unless `rising`."""

    north: float = 50.0
    west: float = 350.0
    rows: int = 4
    columns: int = 5
    step: float = 2.5
    rising: bool = False

    @property
    def shape(self) -> tuple[int, int]:
        return self.rows, self.columns


@dataclass(frozen=True)
class Message:
    """One field to write. `values` is a number for the whole grid or an array [rows, columns]."""

    what: str
    step: int = 0
    values: float | FloatArray = 0.0
    level: int = 0
    window: tuple[int, int] | None = None
    kind: int = SUM
    member: int | None = None
    members: int = 3
    ymd: int = 20260504
    hour: int = 12
    keys: dict[str, int] = field(default_factory=dict)


def write(path: Path, messages: Iterable[Message], box: Box | None = None) -> str:
    """Write messages to a file and return its name."""
    with path.open("wb") as file:
        for message in messages:
            file.write(encode(message, box or Box()))
    return str(path)


#: What was encoded, for tests write the same messages again and again.
_encoded: dict[str, bytes] = {}


def encode(message: Message, box: Box) -> bytes:
    """One GRIB2 message, with explicit numeric keys and enough bits to keep float32."""
    if isinstance(message.values, np.ndarray):
        return _encode(message, box)
    what = repr((message, box))
    if what not in _encoded:
        _encoded[what] = _encode(message, box)
    return _encoded[what]


#: Messages without time, level and values, by all else: ecCodes copies one in a third of the time
#: that it takes to set twenty keys.
_templates: dict[str, int] = {}


def _template(message: Message, box: Box) -> int:
    """Handle of a message that has everything but time, level and values."""
    window = message.window and (0, 0)
    alike = replace(message, step=0, level=0, values=0.0, keys={}, window=window)
    about = repr((alike, box))
    if about not in _templates:
        discipline, category, number, surface, level, second = WHAT[message.what]
        ensemble = message.member is not None
        template = 8 + 3 * ensemble if message.window else int(ensemble)
        south = box.north - (box.rows - 1) * box.step
        keys: dict[str, Any] = {
            "discipline": discipline,
            "tablesVersion": 30,
            "productDefinitionTemplateNumber": template,
            "dataDate": message.ymd,
            "dataTime": message.hour * 100,
            "parameterCategory": category,
            "parameterNumber": number,
            "typeOfFirstFixedSurface": surface,
            "scaleFactorOfFirstFixedSurface": 0,
            "scaledValueOfFirstFixedSurface": level,
            "typeOfSecondFixedSurface": second,
            "Ni": box.columns,
            "Nj": box.rows,
            "jScansPositively": int(box.rising),
            "latitudeOfFirstGridPointInDegrees": south if box.rising else box.north,
            "latitudeOfLastGridPointInDegrees": box.north if box.rising else south,
            "longitudeOfFirstGridPointInDegrees": box.west,
            "longitudeOfLastGridPointInDegrees": (box.west + (box.columns - 1) * box.step) % 360,
            "iDirectionIncrementInDegrees": box.step,
            "jDirectionIncrementInDegrees": box.step,
        }
        if message.member is not None:
            keys["typeOfEnsembleForecast"] = 3 if message.member else 1
            keys["perturbationNumber"] = message.member
            keys["numberOfForecastsInEnsemble"] = message.members
        if message.window:
            keys["typeOfStatisticalProcessing"] = message.kind
            keys["typeOfTimeIncrement"] = 2
        keys |= {"packingType": "grid_ccsds", "bitsPerValue": 24}
        handle = eccodes.codes_grib_new_from_samples("regular_ll_pl_grib2")
        for key, value in keys.items():
            eccodes.codes_set(handle, key, value)
        _templates[about] = handle
    return _templates[about]


def _encode(message: Message, box: Box) -> bytes:
    handle = eccodes.codes_clone(_template(message, box))
    try:
        keys: dict[str, Any] = {}
        if message.level:
            keys["scaledValueOfFirstFixedSurface"] = message.level * 100
        if message.window:
            keys["stepRange"] = f"{message.window[0]}-{message.window[1]}"
        else:
            keys["step"] = message.step
        values = np.broadcast_to(np.asarray(message.values, dtype=np.float64), box.shape)
        keys |= message.keys
        if np.isnan(values).any():
            keys |= {"bitmapPresent": 1, "missingValue": 9999}
        for key, value in keys.items():
            eccodes.codes_set(handle, key, value)
        filled = np.where(np.isnan(values), 9999.0, values)
        eccodes.codes_set_values(handle, np.ascontiguousarray(filled).ravel())
        return bytes(eccodes.codes_get_message(handle))
    finally:
        eccodes.codes_release(handle)


def joined(first: bytes, second: bytes) -> bytes:
    """Two messages of one cycle and grid as one that holds two fields.

    FM 92 GRIB edition 2 allows sections 4 to 7 to be repeated before the end section.
    """
    place = 16
    while second[place + 4] != 4:
        place += int.from_bytes(second[place : place + 4], "big")
    whole = bytearray(first[:-4] + second[place:])
    whole[8:16] = len(whole).to_bytes(8, "big")
    return bytes(whole)


def write_joined(path: Path, messages: Iterable[Message], box: Box | None = None) -> str:
    """Write messages two by two into multi-field ones, as NCEP does with wind."""
    encoded = [encode(message, box or Box()) for message in messages]
    pairs = zip(encoded[::2], encoded[1::2], strict=True)
    path.write_bytes(b"".join(joined(one, other) for one, other in pairs))
    return str(path)


def aloft(
    step: int = 0,
    *,
    levels: Iterable[int] = LEVELS_HPA,
    wind: float = 5.0,
    member: int | None = None,
    **more: Any,
) -> list[Message]:
    """The four fields on levels: air of 250 K at heights that fit it."""
    found = []
    for level in levels:
        height = 287.05287 * 250.0 / 9.80665 * np.log(1013.25 / level)
        for what, values in (("u", wind), ("v", -wind), ("t", 250.0), ("gh", height)):
            found.append(Message(what, step, values, level, member=member, **more))
    return found


def ground(step: int = 0, **more: Any) -> list[Message]:
    """Terrain and land mask."""
    return [Message("orography", step, 120.0, **more), Message("land", step, 1.0, **more)]


NUMBERS = (
    "discipline",
    "parameterCategory",
    "parameterNumber",
    "typeOfFirstFixedSurface",
    "scaledValueOfFirstFixedSurface",
    "startStep",
    "endStep",
)


def loop(path: str | Path) -> Iterator[tuple[dict[str, int], FloatArray]]:
    """Every field of a file by a plain ecCodes loop: keys, and values [rows, columns].

    The values of a multi-field message come as several fields; missing cells are NaN.
    """
    eccodes.codes_grib_multi_support_on()
    try:
        with Path(path).open("rb") as file:
            while (handle := eccodes.codes_grib_new_from_file(file)) is not None:
                keys = {key: eccodes.codes_get_long(handle, key) for key in NUMBERS}
                keys["member"] = -1
                if eccodes.codes_get_long(handle, "productDefinitionTemplateNumber") in (1, 11):
                    keys["member"] = eccodes.codes_get_long(handle, "perturbationNumber")
                eccodes.codes_set_double(handle, "missingValue", 1e30)
                values = eccodes.codes_get_values(handle)
                values = np.where(values == 1e30, np.nan, values)
                rows, columns = (eccodes.codes_get_long(handle, key) for key in ("Nj", "Ni"))
                eccodes.codes_release(handle)
                yield keys, values.reshape(rows, columns)
    finally:
        eccodes.codes_grib_multi_support_off()
