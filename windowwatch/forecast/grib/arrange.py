"""From the fields of files to arrays: one coding a field is chosen, cfgrib arranges its planes.

* **cfgrib builds the arrays** out of the planes of one field, through its interface for
  fieldsets, with explicit ``filter_by_keys`` and ``errors="raise"``. There is no file beneath
  it, hence no index file: none is ever read or written (``indexpath`` stays empty).
* **Checked.** Every plane of the built array is compared with the plane read, bit by bit, and
  where no plane was read there must be nothing.
"""

import sqlite3  # noqa: F401 - as in `reader`
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cfgrib
import numpy as np
import xarray as xr
from numpy.typing import NDArray

from windowwatch.errors import DecodeError, ImpossibleWeatherError, MissingFieldError, shown
from windowwatch.forecast.dataset import COPIES_DIFFER, arranged, attributes_of
from windowwatch.forecast.grib.framing import Framing
from windowwatch.forecast.grib.grid import Area, Crop, crop
from windowwatch.forecast.grib.messages import ISOBARIC, MessageKey, Plane
from windowwatch.forecast.grib.reader import MISSING, read_all
from windowwatch.forecast.models import Field, Selector, match

#: Copies of one plane that differ by no more than this share of its range are coded otherwise,
#: not other weather. [1] Judgement: coding to 7 bits.
SAME_SHARE = 0.01


@dataclass(frozen=True)
class Chosen:
    """The planes that make up one field of the control run or of the members.

    No two planes share member, level and interval; several intervals may end at one time.
    `differing` planes were there twice with other values: the first found is here.
    """

    field: Field
    selector: Selector
    planes: tuple[Plane, ...]
    differing: int = 0


@dataclass(frozen=True)
class Selection:
    """Fields by name, of the control run and of the perturbed members.

    `left_out` tells whether the ensemble's own unperturbed run is left out of the control.
    """

    control: dict[str, Chosen]
    members: dict[str, Chosen]
    left_out: bool


def choose(planes: Iterable[Plane]) -> Selection:
    """Sort wanted planes into fields and settle what is there twice.

    Where a source codes a field in several ways (cloud at the time and as a mean, say), the
    coding with the most times is used, the better one where they tie. Better is what stands
    first among the selectors of `models`: an instant before a mean, because a mean hides what
    lasted only for a while; of gusts the greatest of an interval before an instant, because it
    is never the lower of the two. The first step does not count: no interval has ended there.

    Where a run without ensemble header and the ensemble's own unperturbed run are both there,
    the former is the control, because it commonly is the finer one.
    """
    control: dict[str, list[tuple[Selector, Plane]]] = {}
    members: dict[str, list[tuple[Selector, Plane]]] = {}
    for plane in planes:
        found = match(plane.key)
        if found is None:
            continue
        field, selector = found
        group = members if plane.key.member else control
        group.setdefault(field.name, []).append((selector, plane))
    one_control, left_out = _one_control(control)
    return Selection(
        {name: _settle(found) for name, found in one_control.items()},
        {name: _settle(found) for name, found in members.items()},
        left_out,
    )


def _one_control(
    control: dict[str, list[tuple[Selector, Plane]]],
) -> tuple[dict[str, list[tuple[Selector, Plane]]], bool]:
    """Leave out the ensemble's unperturbed run where the deterministic one gives a field.

    And whether that was so.
    """
    kept: dict[str, list[tuple[Selector, Plane]]] = {}
    dropped = False
    for name, found in control.items():
        plain = [item for item in found if item[1].key.member is None]
        dropped = dropped or 0 < len(plain) < len(found)
        kept[name] = plain or found
    return kept, dropped


def _settle(found: list[tuple[Selector, Plane]]) -> Chosen:
    """Pick the coding with the most times, then one plane for each place."""
    field = _field(found[0][1].key)
    codings: dict[tuple[int, int, float], list[Plane]] = {}
    for selector, plane in found:
        # a coding that leaves the surface open is still one surface at a time
        level = 0.0 if plane.key.surface == ISOBARIC else plane.key.level
        coding = (field.selectors.index(selector), plane.key.surface, level)
        codings.setdefault(coding, []).append(plane)
    best = max(sorted(codings), key=lambda c: _times(codings[c]))
    selector = field.selectors[best[0]]
    places: dict[tuple[int, float, int, int], Plane] = {}
    differing = 0
    for plane in codings[best]:
        key = plane.key
        place = key.member or 0, key.level, key.start_s, key.end_s
        if place in places:
            _require_same_copy(places[place], plane, field.words)
            differing += not np.array_equal(places[place].values, plane.values, equal_nan=True)
        else:
            places[place] = plane
    return Chosen(field, selector, tuple(places.values()), differing)


def _require_same_copy(first: Plane, second: Plane, words: str) -> None:
    """Refuse two copies of one plane that say different things: nobody knows which is right."""
    one, other = first.values, second.values
    if one.shape == other.shape and np.array_equal(np.isnan(one), np.isnan(other)):
        apart = np.abs(one.astype(np.float64) - other)
        known = apart[~np.isnan(apart)]
        if not known.size or known.max() <= SAME_SHARE * float(np.nanmax(one) - np.nanmin(one)):
            return
    raise ImpossibleWeatherError(
        f"{shown(second.path)}: "
        f"message {second.key.message} ({second.key}) holds {words} once more, "
        "with other numbers than "
        f"message {first.key.message} of {shown(first.path)}; one of them is "
        f"wrong. Remove the file that does not belong there, or fetch the cycle again"
    )


def _field(key: MessageKey) -> Field:
    found = match(key)
    assert found is not None  # only matched planes come here
    return found[0]


def _times(planes: Iterable[Plane]) -> int:
    """At how many times there is something, besides the first step."""
    return len({plane.key.end_s for plane in planes} - {0})


def open_cycle(
    files: Sequence[Framing], area: Area | None, processes: int | None = None
) -> xr.Dataset:
    """Decode every wanted field of the files of one cycle, cropped to `area`.

    `processes` is how many read; by default as many as is worth while (`reader.read_all`).

    Raises
    ------
    DecodeError
        If a message cannot be decoded (named by number and byte), if wanted fields lie on
        different grids, or if the decoder made something else of them.
    MissingFieldError
        If the files hold nothing that is wanted.
    SourceError
        If the grid has nothing of the area.
    """
    planes = read_all(files, area, processes)
    if not planes:
        names = ", ".join(framing.path for framing in files)
        raise MissingFieldError(
            f"{names}: none of the fields that flights need is there; fetch wind, "
            f"temperature and geopotential height on isobaric levels"
        )
    planes, box = _on_one_grid(planes, area)
    selection = choose(planes)
    runs = {"control": selection.control, "members": selection.members}
    arrays = [
        array
        for run, fields in runs.items()
        for chosen in fields.values()
        for array in _arrays(run, chosen, box)
    ]
    return arranged(arrays, planes[0].key.reference_utc, left_out=selection.left_out)


def _on_one_grid(planes: Sequence[Plane], area: Area | None) -> tuple[list[Plane], Crop]:
    """Planes whose points are those of the first, row by row, and where these lie.

    What was cut out on the server and the whole globe give the same points within the area,
    perhaps from south to north where the other goes from north to south.
    """
    first = planes[0]
    if first.key.grid.projected is not None:
        raise DecodeError(
            f"{shown(first.path)}: "
            f"lies on {first.key.grid}; flights need a regular latitude-longitude "
            "grid. Such a source is for the ground at the sites: [forecast] near_ground"
        )
    boxes = {grid: crop(grid, area) for grid in dict.fromkeys(plane.key.grid for plane in planes)}
    box = boxes[first.key.grid]
    laid = []
    for plane in planes:
        its = boxes[plane.key.grid]
        same_columns = np.array_equal(its.longitude_deg, box.longitude_deg)
        if same_columns and np.array_equal(its.latitude_deg, box.latitude_deg):
            laid.append(plane)
        elif same_columns and np.array_equal(its.latitude_deg[::-1], box.latitude_deg):
            laid.append(replace(plane, values=np.ascontiguousarray(plane.values[::-1])))
        else:
            raise DecodeError(
                f"{shown(plane.path)}: "
                f"message {plane.key.message} ({plane.key}) lies on another grid "
                f"({plane.key.grid}) than {shown(first.path)} ({first.key.grid}); fetch all fields "
                f"of a cycle on one grid"
            )
    return laid, box


def _arrays(run: str, chosen: Chosen, box: Crop) -> list[xr.DataArray]:
    """Arrays of one field, built by cfgrib and checked plane by plane.

    One for most fields; several where intervals of different length end at the same time.
    """
    members = max(plane.key.members for plane in chosen.planes)
    attributes = attributes_of(run, chosen.field, chosen.selector, members)
    if chosen.differing:
        attributes[COPIES_DIFFER] = chosen.differing
    groups = _without_clashes(chosen.planes)
    return [_build(chosen, group, box).assign_attrs(attributes) for group in groups]


def _without_clashes(planes: Sequence[Plane]) -> list[list[Plane]]:
    """Groups of planes in which no two end at the same time with different beginnings.

    One, where no two do. Else run totals all begin at the same time, others have the same
    length: whichever needs fewer groups.
    """
    if len({(p.key.start_s, p.key.end_s) for p in planes}) == len({p.key.end_s for p in planes}):
        return [list(planes)]
    by_start: dict[int, list[Plane]] = {}
    by_length: dict[int, list[Plane]] = {}
    for plane in planes:
        by_start.setdefault(plane.key.start_s, []).append(plane)
        by_length.setdefault(plane.key.end_s - plane.key.start_s, []).append(plane)
    return list(min(by_length, by_start, key=len).values())


def _build(chosen: Chosen, planes: Sequence[Plane], box: Crop) -> xr.DataArray:
    """Let cfgrib arrange planes, and check what it made of them."""
    name, selector, surface = chosen.field.name, chosen.selector, _surface(planes[0].key)
    wanted = {
        "discipline:int": selector.discipline,
        "parameterCategory:int": selector.category,
        "parameterNumber:int": selector.parameter,
    }
    try:
        dataset = cfgrib.open_fieldset(
            [_as_field(plane, name, box) for plane in planes],
            filter_by_keys=wanted,
            errors="raise",
            squeeze=False,
            cache_geo_coords=False,  # kept by grid, blind to our crop
        )
        found = dataset.variables
        if found[name].dimensions != ("number", "time", "step", surface, "latitude", "longitude"):
            raise ValueError(f"its axes are {found[name].dimensions}")
        values = found[name].data.build_array()[:, 0]
        numbers, steps_h, levels = (found[axis].data for axis in ("number", "step", surface))
    except Exception as error:
        raise DecodeError(
            f"{shown(planes[0].path)}: {chosen.field.words} cannot be put together: "
            f"{type(error).__name__} {error}"
        ) from error
    ends = [round(float(step) * 3600) for step in steps_h]
    _require_same(values, ([int(n) for n in numbers], ends, levels.tolist()), planes, chosen)
    starts = {plane.key.end_s: plane.key.start_s for plane in planes}
    return xr.DataArray(
        values,
        dims=("number", "step", "level", "latitude", "longitude"),
        coords={
            "number": numbers,
            "step": ends,
            "level": levels,
            "latitude": box.latitude_deg,
            "longitude": box.longitude_deg,
            "start": ("step", [starts[end] for end in ends]),
        },
    )


def _surface(key: MessageKey) -> str:
    """What the dimension of levels is called while cfgrib has it."""
    return f"surface_{key.surface}"


class _Keys(dict[str, Any]):
    """Keys of a plane; of the others cfgrib asks some forty, and to raise at each takes time."""

    def __missing__(self, key: str) -> Any:
        """A key that was asked with a type it is not kept with, or None."""
        return self.get(key.partition(":")[0])


def _as_field(plane: Plane, name: str, box: Crop) -> dict[str, Any]:
    """One plane with the keys by which cfgrib builds datasets.

    Its numbers are ours: the parameter's is made of discipline, category and number, time
    is counted in seconds (unit 13 of code table 4.4), levels stand in the unit of their
    surface.
    """
    key = plane.key
    parameter = (key.discipline << 16) + (key.category << 8) + key.parameter
    keys = {
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
        "missingValue": MISSING,
        "values": plane.values.ravel(),
    }
    return _Keys(keys)


def _require_same(
    values: NDArray[np.float32],
    axes: tuple[list[int], list[int], list[float]],
    planes: Sequence[Plane],
    chosen: Chosen,
) -> None:
    """Check an array against the planes it was built from: all there, no other."""
    numbers, steps, levels = ({place: i for i, place in enumerate(axis)} for axis in axes)
    bits = values.view(np.uint32)  # so that NaN equals NaN
    free = np.ones(values.shape[:3], dtype=bool)
    for plane in planes:
        key = plane.key
        place = numbers[key.member or 0], steps[key.end_s], levels[key.level]
        free[place] = False
        if not np.array_equal(bits[place], plane.values.view(np.uint32)):
            raise DecodeError(
                f"{shown(plane.path)}: message {key.message} at byte {key.offset} ({key}) does not "
                f"stand where it belongs in {chosen.field.words}; the decoder is at fault"
            )
    if not np.isnan(values[free]).all():
        raise DecodeError(
            f"{shown(planes[0].path)}: "
            f"{chosen.field.words} has values where the file has none; the "
            f"decoder is at fault"
        )
