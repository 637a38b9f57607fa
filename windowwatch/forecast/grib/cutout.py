"""The part of a grid that is wanted: a box on the globe, on any grid, over any meridian."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import SourceError
from windowwatch.forecast.grib.messages import Grid
from windowwatch.forecast.lambert import LambertGrid

#: South, west, north, east of a box on the globe. [deg] East may exceed 180, or be less than
#: west where the box spans the date line.
Area = tuple[float, float, float, float]


@dataclass(frozen=True)
class Cut:
    """Rows and columns of a grid that are kept, and where they lie.

    Latitudes stay in the order of the file; longitudes rise, past 360 if need be, and start
    in [-180, 180). Of a projected grid both are those of every point, [rows, columns]. [deg]
    """

    rows: slice
    columns: NDArray[np.intp]
    latitude_deg: NDArray[np.float64]
    longitude_deg: NDArray[np.float64]


def cut(grid: Grid, area: Area | None, name: str = "the forecast") -> Cut:
    """Rows and columns of `grid` that cover `area`, the points just outside included.

    A grid right round the globe that is kept whole gets its first column once more at the
    end, so that there is no seam.

    Raises
    ------
    SourceError
        If the grid has nothing of the area; `name` says whose grid it is.
    """
    if isinstance(grid.projected, LambertGrid):
        return _projected(grid.projected, area, name)
    latitude, longitude = grid.latitude_deg, grid.longitude_deg
    step = float(longitude[1] - longitude[0]) if grid.columns > 1 else 1.0
    ring = next((n for n in (grid.columns, grid.columns - 1) if abs(n * step - 360) < step / 2), 0)
    if area is None:
        rows = slice(0, grid.rows)
        columns = np.arange(ring + 1 if ring else grid.columns)
    else:
        rows = _rows(latitude, area)
        columns = _columns(longitude, step, area, ring)
    if rows.stop - rows.start < 2 or columns.size < 2:
        wanted = "two rows and columns"
        if area is not None:
            south, west, north, east = area
            wanted = f"latitude {south:.2f} to {north:.2f}, longitude {west:.2f} to {east:.2f}"
        raise SourceError(
            f"{name}: covers {grid}; wanted round the sites is {wanted}. Fetch a file that "
            f"covers it, or correct the sites"
        )
    columns_in_file = columns % (ring or grid.columns)
    west = (float(longitude[columns_in_file[0]]) + 180.0) % 360.0 - 180.0
    eastward = west + step * np.arange(columns.size)
    return Cut(rows, columns_in_file, latitude[rows], np.round(eastward, 6))


def _projected(grid: LambertGrid, area: Area | None, name: str) -> Cut:
    """The part of a projected grid that covers an area, as far as the grid goes."""
    rows, columns = grid.window(area)
    if rows.stop - rows.start < 2 or columns.stop - columns.start < 2:
        raise SourceError(
            f"{name}: covers {grid.rows} x {grid.columns} points in Lambert conformal projection, "
            "which has nothing of what is wanted round the sites; correct the sites"
        )
    return Cut(rows, np.arange(columns.start, columns.stop), *grid.places(rows, columns))


def _rows(latitude_deg: NDArray[np.float64], area: Area) -> slice:
    """Rows from the last at or beyond one side of the area to the first beyond the other."""
    south, _, north, _ = area
    falling = latitude_deg.size > 1 and latitude_deg[0] > latitude_deg[-1]
    rising = latitude_deg[::-1] if falling else latitude_deg
    first = max(int(np.searchsorted(rising, south, side="right")) - 1, 0)
    last = min(int(np.searchsorted(rising, north, side="left")), rising.size - 1)
    if north < rising[0] or south > rising[-1]:
        return slice(0, 0)
    first = min(first, max(last - 1, 0))
    last = max(last, min(first + 1, rising.size - 1))
    if falling:
        return slice(rising.size - 1 - last, rising.size - first)
    return slice(first, last + 1)


def _columns(
    longitude_deg: NDArray[np.float64], step: float, area: Area, ring: int
) -> NDArray[np.intp]:
    """Columns from west to east, as numbers that may run past the last one of a ring."""
    _, area_west, _, area_east = area
    width = 360.0 if area_east - area_west >= 360.0 else (area_east - area_west) % 360.0
    span = float(longitude_deg[-1] - longitude_deg[0])
    west = (area_west - float(longitude_deg[0])) % 360.0
    if not ring and west > span:
        west -= 360.0
    first = int(np.floor(west / step + 1e-6))
    last = max(int(np.ceil((west + width) / step - 1e-6)), first + 1)
    if ring:
        return np.arange(first, min(last, first + ring) + 1)
    if west + width < 0.0 or west > span:
        return np.arange(0)
    size = longitude_deg.size
    first, last = max(first, 0), min(last, size - 1)
    return np.arange(min(first, max(size - 2, 0)), max(last, min(1, size - 1)) + 1)
