"""Building a ground file, in a process of its own.

rasterio carries a PROJ that does not live with ecCodes' in one process, so this module and
what it imports never touch `windowwatch.forecast`. Who wants a ground file calls `build_and_say`
by its name in a child (`windowwatch.child`), and imports nothing of this.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from windowwatch.errors import GroundError
from windowwatch.ground.build.extract import EVERYWHERE
from windowwatch.ground.build.layers import (
    Progress,
    build_layers,
    grid_about,
    region_about,
    require_inside,
)
from windowwatch.ground.build.osm import held_box, read_extract
from windowwatch.ground.file import write_ground_file
from windowwatch.ground.plane import Float32Array, Grid
from windowwatch.ground.query.rasters import Base, Rasters

#: A grid of more cells than this is refused: it needs 3.5 GB of memory (1.5 seen at 15.7 million).
MOST_CELLS = 36_000_000
OSM_LICENCE = "Open Database License (ODbL) 1.0"
OSM_ATTRIBUTION = "© OpenStreetMap contributors"


@dataclass(frozen=True)
class Request:
    """What is to be built.

    Parameters
    ----------
    map, out : str
        Extract to read, ground file to write.
    sites, crews : tuple of Base
        Each gets drive times; the file must reach `reach_m` round every site.
    reach_m, cell_m : float
        [m]
    built_utc : str
    terrain, population : str
        GeoTIFFs, or nothing.
    licence, attribution : str
        Of the extract.
    small : bool
    """

    map: str
    out: str
    sites: tuple[Base, ...]
    crews: tuple[Base, ...]
    reach_m: float
    cell_m: float
    built_utc: str
    terrain: str = ""
    population: str = ""
    licence: str = OSM_LICENCE
    attribution: str = OSM_ATTRIBUTION
    small: bool = False

    @classmethod
    def of(cls, given: Mapping[str, Any]) -> "Request":
        """From plain values, bases as mappings: so they come from another process."""
        bases = {name: tuple(Base(**base) for base in given[name]) for name in ("sites", "crews")}
        return cls(**{**given, **bases})


def build(request: Request, tell: Progress) -> Rasters:
    """Read everything, make the layers, write the file.

    Raises
    ------
    GroundError
        Names the file and what is wrong with it.
    """
    path, bases = Path(request.map), (*request.sites, *request.crews)
    tell("reading the map", 0.0)
    for base in bases:
        require_inside(base, held_box(path) or EVERYWHERE)
    extract = read_extract(
        path,
        lambda n: tell(f"reading the map: {n} things", 0.05),
        region_about(request.sites, request.crews, request.reach_m),
    )
    for base in bases:
        require_inside(base, extract.held_deg)
    grid = grid_about(request.sites, request.reach_m, request.cell_m, extract.box_deg)
    if grid.rows * grid.columns > MOST_CELLS:
        raise GroundError(
            f"{grid.rows} x {grid.columns} cells of {grid.cell_m:g} m are too many (at most "
            f"{MOST_CELLS}); ask for larger cells (--cell-m) or less reach (--reach-km)"
        )
    height, people, sources = _rasters(request, grid, tell)
    sources.insert(
        0, f"{path.name}: map; {request.attribution}; {request.licence}; date {extract.date}"
    )
    built = build_layers(
        extract,
        grid,
        bases,
        height_m=height,
        people_per_km2=people,
        tell=lambda words, share: tell(words, 0.25 + 0.70 * share),
    )
    rasters = Rasters(request.out, grid, built.layers, bases, sources, built.notes, built.routes)
    rasters.require_reach(request.sites, request.reach_m)
    tell("writing", 0.96)
    write_ground_file(Path(request.out), rasters, built=request.built_utc, small=request.small)
    return rasters


def _rasters(
    request: Request, grid: Grid, tell: Progress
) -> tuple[Float32Array | None, Float32Array | None, list[str]]:
    """Terrain and people on the grid, and where they come from."""
    if not (request.terrain or request.population):
        return None, None, []
    from windowwatch.ground.build import geotiff

    tell("reading rasters", 0.22)
    found: list[Float32Array | None] = []
    sources = []
    for name, what, read in (
        (request.terrain, "terrain", geotiff.read_terrain),
        (request.population, "people", geotiff.read_people),
    ):
        found.append(read(Path(name), grid) if name else None)
        if name:
            date, credit = geotiff.source_of(Path(name))
            sources.append(f"{Path(name).name}: {what}; copyright {credit}; date {date}")
    return found[0], found[1], sources


def build_and_say(given: Mapping[str, Any], progress: Progress) -> list[str]:
    """Build a ground file as another process asks for it, and say in words what it holds.

    Raises
    ------
    GroundError
        As `build`.
    """
    rasters = build(Request.of(given), progress)
    grid = rasters.grid
    mapped = float(np.mean(rasters.layers["cover"].codes >> 15))
    return [
        f"{grid.rows} x {grid.columns} cells of {grid.cell_m:g} m, {100 * mapped:.0f} % of "
        "them on the map",
        f"layers: {', '.join(rasters.layers)}",
        *rasters.sources,
        *rasters.notes,
    ]
