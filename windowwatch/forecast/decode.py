"""The one door to GRIB decoding: cfgrib, ecCodes beneath it, and xarray for what comes out.

How a file is read, and why in this way:

* **One pass.** cfgrib's `FileStream` with ``errors="raise"`` hands over message after message
  with multi-field support on. Making a message ready costs ecCodes far more than reading its
  values, so keys and values are taken in the same pass, and cfgrib's usual second reading of
  each message by its offset is saved.
* **Numbers, not names.** Every message is known by its numeric keys (`MessageKey`); a name
  that changes from one table version to the next decides nothing.
* **cfgrib builds the arrays** out of the planes of one field, through its interface for
  fieldsets, with explicit ``filter_by_keys`` and ``errors="raise"``. There is no file beneath
  it, hence no index file: none is ever read or written (``indexpath`` stays empty).
* **Checked against the inventory.** The number of fields is compared with the count made by
  walking the bytes (`framing`), and every plane of the built array with the plane read.
* **One lock.** The switch for multi-field messages is global to the process; without the
  lock two threads give wrong values without an error.
"""

import atexit
import os
import threading
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, TextIO

import cfgrib
import eccodes
import numpy as np
import xarray as xr
from numpy.typing import NDArray

from windowwatch.errors import DecodeError, ForecastError, MissingFieldError
from windowwatch.forecast.cutout import Area, Cut, cut
from windowwatch.forecast.framing import Frame, Framing, walk
from windowwatch.forecast.messages import Grid, MessageKey, Plane, read_key
from windowwatch.forecast.models import Field, Selector, match
from windowwatch.forecast.selection import Chosen, choose

_LOCK = threading.RLock()
#: What cfgrib makes ecCodes write into missing cells.
_MISSING = np.finfo(np.float32).max


def inventory(path: str) -> list[MessageKey]:
    """Keys of every field in a GRIB2 file, in order, without decoding values.

    Raises
    ------
    SourceError, DecodeError
        As `framing.walk`, and if a message cannot be made sense of.
    """
    with _LOCK:
        return [key for key, _ in _messages(walk(path))]


def read_planes(framing: Framing, area: Area | None) -> list[Plane]:
    """Wanted fields of one file, decoded and cut out to `area`, in the order of the file.

    Raises
    ------
    DecodeError, SourceError
        As `open_cycle`.
    """
    with _LOCK:
        return list(_planes(framing, area))


@dataclass(frozen=True)
class OpenField:
    """A field of one run or of the members, opened.

    `arrays` have dimensions ``number, step, level, latitude, longitude`` and are float32 in
    the unit of the file, NaN where there is no plane. There is one array for most fields;
    several where intervals of different length end at the same time. The coordinate
    ``start`` on ``step`` is where the interval begins, after the reference time. [s]
    `members` is how many forecasts the source says its ensemble has, 0 if it has none.
    """

    field: Field
    selector: Selector
    arrays: tuple[xr.DataArray, ...]
    members: int


@dataclass(frozen=True)
class OpenCycle:
    """All wanted fields of a cycle, by our names; `box` tells where they lie."""

    control: Mapping[str, OpenField]
    members: Mapping[str, OpenField]
    box: Cut
    remarks: tuple[str, ...]


def open_cycle(files: Sequence[Framing], area: Area | None) -> OpenCycle:
    """Decode every wanted field of the files of one cycle, cut out to `area`.

    Raises
    ------
    DecodeError
        If a message cannot be decoded (named by number and byte), if wanted fields lie on
        different grids, or if the decoder found other fields than there are.
    MissingFieldError
        If the files hold nothing that is wanted.
    SourceError
        If the grid has nothing of the area.
    """
    with _LOCK:
        planes = [plane for framing in files for plane in _planes(framing, area)]
        if not planes:
            names = ", ".join(framing.path for framing in files)
            raise MissingFieldError(
                f"{names}: none of the fields that flights need is there; fetch wind, "
                f"temperature and geopotential height on isobaric levels"
            )
        _require_one_grid(planes)
        box = cut(planes[0].key.grid, area)
        selection = choose(planes)
        control = {name: _open(chosen, box) for name, chosen in selection.control.items()}
        members = {name: _open(chosen, box) for name, chosen in selection.members.items()}
    return OpenCycle(control, members, box, selection.remarks)


def _planes(framing: Framing, area: Area | None) -> Iterator[Plane]:
    """Wanted fields of a file, decoded."""
    boxes: dict[Grid, Cut] = {}
    # closed at once on an error: a walk left hanging would turn the switch off in the middle
    # of somebody else's
    with closing(_messages(framing)) as messages:
        for key, get in messages:
            if match(key) is None:
                continue
            if key.grid.refusal is not None:
                raise DecodeError(
                    f"{framing.path}: message {key.message} at byte {key.offset} ({key}) cannot "
                    f"be used: {key.grid.refusal} is read. Fetch it on such a grid"
                )
            if key.grid not in boxes:
                boxes[key.grid] = cut(key.grid, area, framing.path)
            try:
                values = _values(key, get, boxes[key.grid])
            except Exception as error:
                raise _undecodable(framing, framing.frames[key.message - 1], error) from error
            yield Plane(key, framing.path, values)


def _require_one_grid(planes: Sequence[Plane]) -> None:
    first = planes[0]
    for plane in planes:
        if plane.key.grid != first.key.grid:
            raise DecodeError(
                f"{plane.path}: message {plane.key.message} ({plane.key}) lies on another grid "
                f"({plane.key.grid}) than {first.path} ({first.key.grid}); fetch all fields "
                f"of a cycle on one grid"
            )


def _open(chosen: Chosen, box: Cut) -> OpenField:
    """Arrays of one field, built by cfgrib and checked plane by plane."""
    groups = _without_clashes(chosen.planes)
    arrays = tuple(_build(chosen, group, box) for group in groups)
    members = max(plane.key.members for plane in chosen.planes)
    return OpenField(chosen.field, chosen.selector, arrays, members)


def _messages(
    framing: Framing,
) -> Generator[tuple[MessageKey, Callable[[str], Any]]]:
    """Walk the fields of a file through cfgrib, each with its key and a getter."""
    _silence()
    due = [frame for frame in framing.frames for _ in range(frame.fields)]
    grids: dict[str, Grid] = {}
    found = 0
    try:
        for place, message in cfgrib.FileStream(framing.path, errors="raise").items():
            offset = int(place[0] if isinstance(place, tuple) else place)
            if found >= len(due) or due[found].offset != offset:
                raise ValueError(f"a field turned up at byte {offset}, where none was due")
            yield read_key(message.__getitem__, due[found], grids), message.__getitem__
            found += 1
    except ForecastError:
        raise
    except Exception as error:
        raise _undecodable(framing, due[min(found, len(due) - 1)], error) from error
    finally:
        # cfgrib leaves the switch on when a walk is given up early, and its own reading by
        # offset then returns other messages than asked for.
        eccodes.codes_grib_multi_support_off()
    if found != len(due):
        raise DecodeError(
            f"{framing.path}: {found} fields were decoded, but the file holds {len(due)}; it "
            f"is damaged or changed while being read"
        )


def _undecodable(framing: Framing, frame: Frame, error: Exception) -> DecodeError:
    """Our error for a message that the libraries choke on."""
    why = f"{type(error).__name__}: {error}"
    if isinstance(error, KeyError):
        why = f"its key {error} cannot be read"
    return DecodeError(
        f"{framing.path}: message {frame.number} at byte {frame.offset} has a right frame but "
        f"cannot be decoded ({why}). Fetch the file again"
    )


@cache
def _silence() -> TextIO:
    """Send ecCodes' own printing nowhere: all it has to say is raised as well."""
    nowhere = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 - until the end
    atexit.register(nowhere.close)
    eccodes.codes_context_set_logging(nowhere)
    return nowhere


def _values(key: MessageKey, get: Callable[[str], Any], box: Cut) -> NDArray[np.float32]:
    """Values of a field within the cut-out; missing cells become NaN."""
    values = np.asarray(get("values"), dtype=np.float32)
    plane = values.reshape(key.grid.rows, key.grid.columns)[box.rows][:, box.columns]
    return np.where(plane == _MISSING, np.float32(np.nan), plane)


def _without_clashes(planes: Sequence[Plane]) -> list[list[Plane]]:
    """Groups of planes in which no two end at the same time with different beginnings.

    Run totals all begin at the same time, others have the same length: whichever needs
    fewer groups.
    """
    by_start: dict[int, list[Plane]] = {}
    by_length: dict[int, list[Plane]] = {}
    for plane in planes:
        by_start.setdefault(plane.key.start_s, []).append(plane)
        by_length.setdefault(plane.key.end_s - plane.key.start_s, []).append(plane)
    return list(min(by_length, by_start, key=len).values())


def _build(chosen: Chosen, planes: Sequence[Plane], box: Cut) -> xr.DataArray:
    """Let cfgrib arrange planes, and check what it made of them."""
    name, selector = chosen.field.name, chosen.selector
    wanted = {
        "discipline:int": selector.discipline,
        "parameterCategory:int": selector.category,
        "parameterNumber:int": selector.parameter,
    }
    try:
        dataset = xr.open_dataset(
            [_as_field(plane, name, box) for plane in planes],  # type: ignore[arg-type]
            engine="cfgrib",
            decode_timedelta=True,
            backend_kwargs={
                "filter_by_keys": wanted,
                "indexpath": None,  # a list has no file beside which an index could lie
                "errors": "raise",
                "squeeze": False,
                "cache_geo_coords": False,  # kept by grid, blind to our cut-out
            },
        )
        array: xr.DataArray = dataset[name].isel(time=0).load()
    except Exception as error:
        raise DecodeError(
            f"{planes[0].path}: {chosen.field.words} cannot be put together: "
            f"{type(error).__name__} {error}"
        ) from error
    array = array.rename({_surface(planes[0].key): "level"})
    _require_same(array, planes, chosen)
    starts = {plane.key.end_s: plane.key.start_s for plane in planes}
    ends = seconds_of(array)
    return array.assign_coords(start=("step", [starts[end] for end in ends]))


def seconds_of(array: xr.DataArray) -> list[int]:
    """Steps of an array after the reference time. [s]"""
    return [int(value) for value in array["step"].values / np.timedelta64(1, "s")]


def _surface(key: MessageKey) -> str:
    """What the dimension of levels is called while cfgrib has it."""
    return f"surface_{key.surface}"


def _as_field(plane: Plane, name: str, box: Cut) -> dict[str, Any]:
    """One plane with the keys by which cfgrib builds datasets.

    Its numbers are ours: the parameter's is made of discipline, category and number, time
    is counted in seconds (unit 13 of code table 4.4), levels stand in the unit of their
    surface.
    """
    key = plane.key
    parameter = (key.discipline << 16) + (key.category << 8) + key.parameter
    return {
        "discipline:int": key.discipline,
        "parameterCategory:int": key.category,
        "parameterNumber:int": key.parameter,
        "paramId": parameter,
        "shortName": name,
        "cfVarName": name,
        "name": name,
        "gridType": "regular_ll",
        "typeOfLevel": _surface(key),
        "level:float": key.level,
        "number": key.member or 0,
        "dataDate": int(f"{key.reference_utc:%Y%m%d}"),
        "dataTime": int(f"{key.reference_utc:%H%M}"),
        "endStep:int": key.end_s,
        "stepUnits:int": 13,
        "stepType": key.kind.name,
        "numberOfPoints": plane.values.size,
        "Ny": box.latitude_deg.size,
        "Nx": box.longitude_deg.size,
        "distinctLatitudes": box.latitude_deg,
        "distinctLongitudes": box.longitude_deg,
        "missingValue": float(_MISSING),
        "values": plane.values.ravel(),
    }


def _require_same(array: xr.DataArray, planes: Sequence[Plane], chosen: Chosen) -> None:
    """Check an array against the planes it was built from: all there, no other."""
    numbers = {int(n): i for i, n in enumerate(array["number"].values)}
    steps = {end: i for i, end in enumerate(seconds_of(array))}
    levels = {float(v): i for i, v in enumerate(array["level"].values)}
    values = array.values
    free = np.ones(values.shape[:3], dtype=bool)
    for plane in planes:
        key = plane.key
        place = numbers[key.member or 0], steps[key.end_s], levels[key.level]
        free[place] = False
        if not np.array_equal(values[place], plane.values, equal_nan=True):
            raise DecodeError(
                f"{plane.path}: message {key.message} at byte {key.offset} ({key}) does not "
                f"stand where it belongs in {chosen.field.words}; the decoder is at fault"
            )
    if not np.isnan(values[free]).all():
        raise DecodeError(
            f"{planes[0].path}: {chosen.field.words} has values where the file has none; the "
            f"decoder is at fault"
        )
