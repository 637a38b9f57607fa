"""The one door to GeoTIFF: rasterio reads terrain and people, laid onto our grid.

rasterio carries its own PROJ, as ecCodes does; so this module is never imported in a process
that imports `windowwatch.forecast` (see DEVELOPERS.md).
"""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import rasterio
from rasterio.enums import Resampling
from rasterio.errors import RasterioError
from rasterio.transform import from_origin
from rasterio.warp import reproject

from windowwatch.errors import GroundError
from windowwatch.ground.plane import Float32Array, Grid

#: A height below or above these is no height on Earth. [m]
LOWEST_M, HIGHEST_M = -500.0, 9000.0


def read_terrain(path: Path, grid: Grid) -> Float32Array:
    """Heights [rows, columns] from a raster of heights in metres; NaN where it has none. [m]

    A finer raster is averaged over each cell, a coarser one interpolated.

    Raises
    ------
    GroundError
        If the file cannot be read, has no reference system, or does not touch the grid.
    """
    with _opened(path) as raster:
        x, y = raster.res
        degrees = raster.crs.is_geographic
        finer = max(x, y) * (111_000.0 if degrees else 1.0) < grid.cell_m
        height = _onto(raster, grid, Resampling.average if finer else Resampling.bilinear)
    height[(height < LOWEST_M) | (height > HIGHEST_M)] = np.nan
    return _some(path, height)


def read_people(path: Path, grid: Grid) -> Float32Array:
    """People on a square kilometre, from a raster that counts the people in each of its cells.

    Shape [rows, columns]; NaN where it says nothing. Errors as `read_terrain`.
    """
    with _opened(path) as raster:
        count = _onto(raster, grid, Resampling.sum)
    count[count < 0.0] = np.nan
    return _some(path, count / (grid.cell_m / 1000.0) ** 2)


def source_of(path: Path) -> tuple[str, str]:
    """Date and copyright as the file's own tags say them."""
    with _opened(path) as raster:
        tags = raster.tags()
    return (
        str(tags.get("TIFFTAG_DATETIME", "not stated")),
        str(tags.get("TIFFTAG_COPYRIGHT", "not stated")),
    )


@contextmanager
def _opened(path: Path) -> Iterator[rasterio.DatasetReader]:
    if not path.is_file():
        raise GroundError(f"{path}: no such file; give a GeoTIFF")
    try:
        with rasterio.open(path) as raster:
            if raster.crs is None:
                raise GroundError(
                    f"{path}: has no coordinate reference system, so nobody can tell where it "
                    "lies; write it again with one (for example EPSG:4326)"
                )
            yield raster
    except RasterioError as error:
        raise GroundError(f"{path}: cannot be read as a GeoTIFF ({error})") from error


def _onto(raster: rasterio.DatasetReader, grid: Grid, how: Resampling) -> Float32Array:
    """The first band on our grid, rows from the south."""
    plane = (
        f"+proj=aeqd +lat_0={grid.latitude_deg!r} +lon_0={grid.longitude_deg!r} "
        "+ellps=WGS84 +units=m +no_defs"
    )
    north = grid.south_m + grid.rows * grid.cell_m
    values = np.full(grid.shape, np.nan, dtype=np.float32)
    reproject(
        rasterio.band(raster, 1),
        values,
        dst_transform=from_origin(grid.west_m, north, grid.cell_m, grid.cell_m),
        dst_crs=plane,
        dst_nodata=np.nan,
        resampling=how,
    )
    return values[::-1].copy()


def _some(path: Path, values: Float32Array) -> Float32Array:
    if not np.any(np.isfinite(values)):
        raise GroundError(f"{path}: says nothing about the region of the watch")
    return values
