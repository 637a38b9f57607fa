"""Fields near the ground at single places, read from a finer model on a projected grid.

Each field is brought to the places at once, from the grid's own points: bilinear, or the lowest
neighbour where that counts (`physics.surface.LOWEST_COUNTS`), as `SurfaceGrid.at` does. Wind
along the grid is interpolated first and turned to east and north at the place itself. Intervals,
gaps and impossible values are dealt with by `near`, for places as for planes.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from windowwatch.clock import to_unix_s
from windowwatch.errors import DecodeError, MissingFieldError, SourceError, shown
from windowwatch.forecast.cycle import Cycle, SourceFile
from windowwatch.forecast.grib.framing import walk
from windowwatch.forecast.grib.grid import Area, LambertGrid, crop
from windowwatch.forecast.grib.messages import Plane
from windowwatch.forecast.near import GapList, Run, Stack, fixed_plane, lay_near, run_of
from windowwatch.forecast.notes import Notes
from windowwatch.physics.surface import LOWEST_COUNTS, SurfaceSeries, TimeCells
from windowwatch.units import FloatArray, Place

# ecCodes and xarray take a second and 150 MB: only who reads loads them.
if TYPE_CHECKING:
    from windowwatch.forecast.grib.arrange import Chosen

_PAIR = ("wind_u_10m_mps", "wind_v_10m_mps")
#: So much more than the places is read. [deg]
_MARGIN_DEG = 0.1


@dataclass(frozen=True)
class AtSites:
    """What a cycle of a finer model says near the ground, by name of the place."""

    cycle: Cycle
    series: Mapping[str, SurfaceSeries]
    files: tuple[SourceFile, ...]
    gaps: Notes


def box_round(places: Sequence[Place]) -> Area:
    """South, west, north, east of what is read for places. [deg]"""
    south, north = (pick(p.latitude_deg for p in places) for pick in (min, max))
    # a model of one region: its places lie on one side of the globe
    first = places[0].longitude_deg
    east = [first + (p.longitude_deg - first + 180.0) % 360.0 - 180.0 for p in places]
    more = _MARGIN_DEG
    return south - more, min(east) - more, north + more, max(east) + more


def read_at(paths: Sequence[str], cycle: Cycle, places: Sequence[Place]) -> AtSites:
    """Read the files of a cycle at places.

    Places that the files' own grid does not have are left out of the result.

    Raises
    ------
    SourceError, DecodeError
        If a file cannot be read, is of another cycle, or grids differ.
    MissingFieldError
        If the files hold nothing that is wanted.
    """
    from windowwatch.forecast.grib.arrange import choose
    from windowwatch.forecast.grib.reader import read_all

    framings = [walk(path) for path in paths]
    for framing in framings:
        if framing.reference_utc() != cycle.reference_utc:
            raise SourceError(
                f"{shown(framing.path)}: is not of {cycle.id}; it was replaced", retry=True
            )
    area = box_round(places)
    planes = read_all(framings, area)
    if not planes:
        raise MissingFieldError(f"{cycle.id}: none of the fields near the ground is there")
    spots = _Spots.of(planes, area, places)
    gaps = GapList()
    files = tuple(SourceFile(f.path, f.sha256, f.size_bytes) for f in framings)
    if not spots.places:
        return AtSites(cycle, {}, files, ())
    fields = choose(planes).control
    stacks = {name: [_stack(chosen, spots)] for name, chosen in fields.items()}
    _turn(stacks, spots)
    run = run_of(stacks)
    near = lay_near(run, _terrain_m(run, cycle.id, len(spots.places)), gaps)
    start_s = to_unix_s(cycle.reference_utc)
    cells = {
        name: TimeCells(near.kinds[name].method, start_s + starts_s)
        for name, starts_s in near.starts_s.items()
    }
    times = start_s + np.array(near.leads_s, dtype=np.float64)
    series = {
        place.name: SurfaceSeries(
            times,
            {name: v[:, :, 0, i].astype(np.float64) for name, v in near.values.items()},
            cells,
        )
        for i, place in enumerate(spots.places)
    }
    return AtSites(cycle, series, files, gaps.notes())


@dataclass(frozen=True)
class _Spots:
    """Places that a grid has: the four points round each [S, 4], and their weights."""

    places: tuple[Place, ...]
    grid: LambertGrid
    rows: NDArray[np.intp]
    columns: NDArray[np.intp]
    weights: FloatArray

    @classmethod
    def of(cls, planes: Sequence[Plane], area: Area, places: Sequence[Place]) -> "_Spots":
        grid = planes[0].key.grid
        lattice = grid.projected
        for plane in planes:
            if plane.key.grid != grid or not isinstance(lattice, LambertGrid):
                raise DecodeError(
                    f"{shown(plane.path)}: "
                    f"lies on {plane.key.grid}, where one Lambert grid for all "
                    f"fields is expected; the source has changed"
                )
        assert isinstance(lattice, LambertGrid)
        latitude = np.array([place.latitude_deg for place in places])
        longitude = np.array([place.longitude_deg for place in places])
        there = lattice.has(latitude, longitude)
        row, column = lattice.positions(latitude[there], longitude[there])
        row0 = np.minimum(row.astype(int), lattice.rows - 2)
        column0 = np.minimum(column.astype(int), lattice.columns - 2)
        up, right = row - row0, column - column0
        box = crop(grid, area, planes[0].path)
        return cls(
            tuple(place for place, is_there in zip(places, there, strict=True) if is_there),
            lattice,
            row0[:, None] + [0, 0, 1, 1] - box.rows.start,
            column0[:, None] + [0, 1, 0, 1] - box.columns[0],
            np.stack(
                [(1 - up) * (1 - right), (1 - up) * right, up * (1 - right), up * right], axis=1
            ),
        )

    def values(self, name: str, plane: Plane) -> FloatArray:
        """One field at the places [S]; NaN where a point that has weight is missing."""
        around = plane.values[self.rows, self.columns].astype(np.float64)
        if name in LOWEST_COUNTS:
            return np.asarray(np.where(self.weights > 0.0, around, np.inf).min(axis=1))
        return np.asarray(np.where(self.weights > 0.0, around * self.weights, 0.0).sum(axis=1))


def _stack(chosen: "Chosen", spots: _Spots) -> Stack:
    """A field [1, T, 1, 1, S] at the places, in our unit."""
    name = chosen.field.name
    planes = sorted(chosen.planes, key=lambda plane: (plane.key.end_s, -plane.key.start_s))
    found = np.stack([spots.values(name, plane) for plane in planes]) * chosen.selector.scale
    return Stack(
        field=chosen.field,
        kind=chosen.selector.kind,
        numbers=[0],
        starts_s=[plane.key.start_s for plane in planes],
        leads_s=[plane.key.end_s for plane in planes],
        levels=[0.0],
        values=found.astype(np.float32)[None, :, None, None, :],
        above_sea=chosen.selector.above_sea,
    )


def _turn(stacks: dict[str, list[Stack]], spots: _Spots) -> None:
    """Turn wind along the grid to east and north; a part without the other is no wind."""
    if not spots.grid.along_grid:
        return
    pair = [stacks.pop(name, None) for name in _PAIR]
    if pair[0] is None or pair[1] is None:
        return
    (right,), (up,) = pair[0], pair[1]
    both = sorted(set(right.leads_s) & set(up.leads_s))
    along, across = (
        stack.values[:, [stack.leads_s.index(lead) for lead in both]].astype(np.float64)
        for stack in (right, up)
    )
    longitude = np.array([place.longitude_deg for place in spots.places])
    turned = spots.grid.cone.to_east_and_north(along, across, longitude)
    for name, stack, values in zip(_PAIR, (right, up), turned, strict=True):
        stacks[name] = [
            replace(stack, starts_s=both, leads_s=both, values=values.astype(np.float32))
        ]


def _terrain_m(run: Run, name: str, places: int) -> NDArray[np.float32]:
    """Height of the model's ground at the places [1, S]; NaN where it is not there. [m]"""
    if "orography" not in run.stacks:
        return np.full((1, places), np.nan, dtype=np.float32)
    return fixed_plane(run.stacks["orography"], name)
