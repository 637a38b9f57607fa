"""From an extract to layers on a grid: the sea, the land, how far things are. Pure.

That is how OpenStreetMap draws them; the sea itself is not an area there. Pure.

Distances are measured from the middles of cells to dots along the lines, a quarter of a cell
apart: right to an eighth of a cell. Between middles they are interpolated.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from windowwatch.errors import GroundError, InputError
from windowwatch.ground.build import walking
from windowwatch.ground.build.driving import Dots, drives_from, links_of, road_graph, routes_of
from windowwatch.ground.build.extract import EVERYWHERE, Box, Extract
from windowwatch.ground.plane import (
    Float32Array,
    Grid,
    GridArray,
    LocalPlane,
    dotted,
    filled,
    segments,
)
from windowwatch.ground.query.rasters import (
    COVER,
    MAPPED_BIT,
    WALK_STARTS,
    Base,
    Layer,
    Routes,
    encode,
)
from windowwatch.ground.tags import Cover, Line
from windowwatch.units import BoolArray, FloatArray

#: A coastline that ends this near the edge of the map, in parts of the map's width, was cut
#: there; farther from it, it has a gap.
CUT_WITHIN = 0.1
#: To the left and right of a piece of coast one looks this far. [deg], about 0.2 m
_ASIDE_DEG = 2e-6
#: A part of the map whose coast says land and sea at once, by this share, has a gap. [1]
_CONTRADICTION = 0.2


def sea_areas(coast: list[Any], box_deg: tuple[float, float, float, float]) -> list[Any]:
    """Polygons of the sea within a box.

    Parameters
    ----------
    coast : list of line
        Directed, land on the left. [deg]
    box_deg : (float, float, float, float)
        South, west, north, east. [deg]

    Returns
    -------
    list of polygon
        Empty where there is no coast: then all is land, as far as a coast can tell.

    Raises
    ------
    InputError
        If a coastline has a gap, so that sea and land cannot be told apart.
    """
    south, west, north, east = box_deg
    box = shapely.box(west, south, east, north)
    edge = box.exterior
    lines = _to_the_edge(coast, box)
    if not lines:
        return []
    faces = shapely.get_parts(
        shapely.polygonize([shapely.union_all(np.array([*lines, edge], dtype=object))])
    )
    return list(faces[_is_sea(faces, lines)])


def _to_the_edge(coast: list[Any], box: Any) -> list[Any]:
    """The coast within the box; ends that were cut off near its edge are led to it."""
    if not coast:
        return []
    merged = shapely.line_merge(shapely.multilinestrings(coast), directed=True)
    inside = shapely.get_parts(shapely.intersection(merged, box))
    lines = [line for line in inside if line.geom_type == "LineString" and line.length > 0.0]
    joined = shapely.line_merge(shapely.multilinestrings(lines), directed=True)
    far = CUT_WITHIN * max(box.bounds[2] - box.bounds[0], box.bounds[3] - box.bounds[1])
    edge = box.exterior
    led = []
    for line in shapely.get_parts(joined):
        points = shapely.get_coordinates(line)
        if not line.is_closed:
            first, last = (_foot(edge, points[i], far) for i in (0, -1))
            points = np.concatenate([first, points, last])
        led.append(shapely.LineString(points))
    return led


def _foot(edge: Any, end: NDArray[np.float64], far: float) -> NDArray[np.float64]:
    """The point of the edge nearest to an end, [1, 2]; nothing when it is too far, or there."""
    away = shapely.distance(edge, shapely.Point(end))
    if away > far:
        raise InputError(
            f"the coastline ends near longitude, latitude {end[0]:.4f}, {end[1]:.4f} in the "
            "middle of the map, so that sea and land cannot be told apart; take an extract "
            "with complete ways, or a newer one"
        )
    if away < 1e-12:
        return np.empty((0, 2))
    on_edge = shapely.line_interpolate_point(
        edge, shapely.line_locate_point(edge, shapely.Point(end))
    )
    found: NDArray[np.float64] = shapely.get_coordinates(on_edge)
    return found


def _is_sea(faces: NDArray[Any], lines: list[Any]) -> NDArray[np.bool_]:
    """Which parts of the map lie to the right of their coast."""
    points, line = shapely.get_coordinates(np.array(lines, dtype=object), return_index=True)
    inside = line[1:] == line[:-1]
    first, step = points[:-1][inside], np.diff(points, axis=0)[inside]
    length = np.hypot(step[:, 0], step[:, 1])
    first, step, length = (a[length > 0.0] for a in (first, step, length))
    right = _ASIDE_DEG * np.column_stack([step[:, 1], -step[:, 0]]) / length[:, None]
    tree = shapely.STRtree(faces)
    votes = np.zeros((2, len(faces)))
    for which, sign in enumerate((1.0, -1.0)):
        beside = shapely.points(first + 0.5 * step + sign * right)
        point, face = tree.query(beside, predicate="within")
        np.add.at(votes[which], face, length[point])
    sea, land = votes
    unsure = np.minimum(sea, land) > _CONTRADICTION * (sea + land)
    if np.any(unsure):
        where = shapely.point_on_surface(faces[np.argmax(unsure)])
        raise InputError(
            "the coastline says land and sea at once near longitude, latitude "
            f"{where.x:.3f}, {where.y:.3f}; it has a gap, take another extract"
        )
    return sea > land


#: Told what is done, and which part of the whole is done.
Progress = Callable[[str, float], None]

#: Steps of the coded values; of a distance 2 m, or so many parts of a large cell.
DISTANCE_STEP_M, TIME_STEP_MIN, HEIGHT_STEP_M, SLOPE_STEP_DEG = 2.0, 0.1, 0.25, 0.01
_DISTANCE_STEPS_IN_CELL = 50.0
LOWEST_HEIGHT_M = -500.0
#: Steps towards where a walk begins count from here, so that codes have no sign.
_NO_STEPS = -32767.0
#: Dots along a line, in parts of a cell.
_APART_CELLS = 0.25
#: So many points are looked up at once, to keep memory low.
_AT_ONCE, _ROWS_AT_ONCE = 500_000, 256
#: Roads are read so far beyond the reach: some lead round about. [m]
REGION_MARGIN_M = 20_000.0
#: Mean radius of the Earth. [m] IUGG, R₁ of the GRS 80 ellipsoid, rounded.
EARTH_RADIUS_M = 6_371_009.0
#: Land that is neither walked on nor over the edge of.
NOT_WALKED = (Cover.WATER, Cover.MILITARY, Cover.NO_ENTRY)
#: A base farther than this from every road is told. [m]
FAR_FROM_ROADS_M = 2000.0
#: Layers that hold the distance to a kind of line, or of land.
LINE_LAYERS = {"motorway_m": Line.MOTORWAY, "railway_m": Line.RAILWAY, "power_m": Line.POWER}
COVER_LAYERS = {
    "built_up_m": (Cover.BUILT_UP, Cover.CROWD),
    "industry_m": (Cover.INDUSTRY,),
    "aerodrome_m": (Cover.AERODROME,),
    "military_m": (Cover.MILITARY,),
    "no_entry_m": (Cover.NO_ENTRY,),
}


@dataclass(frozen=True)
class Built:
    """Layers by name, the ways of the crews, and what is to be known about all of it."""

    layers: dict[str, Layer]
    routes: Routes
    notes: tuple[str, ...]


def grid_about(
    sites: Sequence[Base],
    reach_m: float,
    cell_m: float,
    box_deg: Box,
) -> Grid:
    """The grid that holds every site and the land about it, as far as the extract goes.

    Every site must lie in the extract (`require_inside`).
    """
    south, west, north, east = box_deg
    latitudes = np.array([site.latitude_deg for site in sites])
    longitudes = np.array([site.longitude_deg for site in sites])
    plane = LocalPlane.about(shapely.points(longitudes, latitudes))
    x, y = plane.forward(latitudes, longitudes)
    wanted = np.array([x.min(), y.min(), x.max(), y.max()]) + (reach_m + 2.0 * cell_m) * np.array(
        [-1, -1, 1, 1]
    )
    box = plane.lay([shapely.box(west, south, east, north)])
    held = shapely.total_bounds(box)
    low = np.maximum(wanted[:2], held[:2])
    count = np.ceil((np.minimum(wanted[2:], held[2:]) - low) / cell_m)
    columns, rows = np.maximum(count, 1).astype(int)
    latitude, longitude = plane.middle
    west_m, south_m = (float(value) for value in low)
    return Grid(latitude, longitude, west_m, south_m, cell_m, int(rows), int(columns))


def region_about(sites: Sequence[Base], crews: Sequence[Base], reach_m: float) -> Box:
    """What of a map is wanted: all within reach of the sites, and the crews' roads. [deg]

    Everywhere, where that lies across the date line or at a pole.
    """
    boxes = []
    for base, away_m in [(s, reach_m) for s in sites] + [(c, 0.0) for c in crews]:
        up = float(np.degrees((away_m + REGION_MARGIN_M) / EARTH_RADIUS_M))
        side = up / max(float(np.cos(np.radians(abs(base.latitude_deg) + up))), 0.01)
        longitude = (base.longitude_deg + 180.0) % 360.0 - 180.0
        latitude = base.latitude_deg
        boxes.append((latitude - up, longitude - side, latitude + up, longitude + side))
    south, west = np.min(boxes, axis=0)[:2]
    north, east = np.max(boxes, axis=0)[2:]
    if east - west > 180.0 or west < -180.0 or east > 180.0:
        return EVERYWHERE
    return float(max(south, -90.0)), float(west), float(min(north, 90.0)), float(east)


def require_inside(base: Base, box_deg: Box) -> None:
    """Refuse a place that the extract does not hold."""
    south, west, north, east = box_deg
    latitude, longitude = base.latitude_deg, (base.longitude_deg + 180.0) % 360.0 - 180.0
    if south <= latitude <= north and west <= longitude <= east:
        return
    swapped = south <= longitude <= north and west <= latitude <= east
    hint = "; its latitude and longitude seem to be swapped" if swapped else ""
    raise GroundError(
        f"{base.name} ({base.latitude_deg:g}, {base.longitude_deg:g}) lies outside the extract, "
        f"which holds latitudes {south:.3f} to {north:.3f} and longitudes {west:.3f} to "
        f"{east:.3f}{hint}; fix the coordinates or take another extract"
    )


@dataclass
class _Laid:
    """An extract, laid on the grid's plane."""

    extract: Extract
    grid: Grid
    covers: dict[Cover, BoolArray]
    outlines: dict[Cover, NDArray[Any]]
    lines: dict[Line, NDArray[Any]]
    mapped: BoolArray


def build_layers(
    extract: Extract,
    grid: Grid,
    bases: Sequence[Base],
    *,
    height_m: GridArray | None = None,
    people_per_km2: GridArray | None = None,
    tell: Progress = lambda _words, _share: None,
) -> Built:
    """All layers of a ground file.

    Parameters
    ----------
    extract : Extract
    grid : Grid
    bases : sequence of Base
        Sites and crews; each gets a layer of drive times.
    height_m, people_per_km2 : array [rows, columns], optional
        NaN where they are not known.
    tell : callable
        Progress.

    Raises
    ------
    GroundError
        If the coast has a gap, or a base lies on water.
    """
    tell("laying land and water on the grid", 0.0)
    laid = _lay(extract, grid)
    _require_dry(laid, bases)
    layers = {COVER: _cover_layer(laid)}
    for number, (name, kind) in enumerate(LINE_LAYERS.items()):
        tell(f"how far: {kind}", 0.05 + 0.06 * number)
        layers[name] = _distance_layer(grid, _line_dots(grid, laid.lines[kind]))
    for number, (name, kinds) in enumerate(COVER_LAYERS.items()):
        tell(f"how far: {kinds[0]}", 0.23 + 0.05 * number)
        layers[name] = _land_distance_layer(laid, kinds)
    if height_m is not None:
        layers["height_m"] = encode(height_m, HEIGHT_STEP_M, LOWEST_HEIGHT_M, smooth=True)
        layers["slope_deg"] = encode(slope_deg(height_m, grid.cell_m), SLOPE_STEP_DEG, smooth=True)
    if people_per_km2 is not None:
        layers["people_per_km2"] = encode(people_per_km2, 1.0)
    roads = _roads(laid, bases, height_m, tell)
    notes = (*roads.notes, *_notes(laid, height_m))
    return Built({**layers, **roads.layers}, roads.routes, notes)


def slope_deg(height_m: GridArray, cell_m: float) -> Float32Array:
    """Steepness of the ground from its heights on the grid, by central differences. [deg]"""
    slope = np.zeros(height_m.shape, dtype=np.float32)
    for row in range(0, height_m.shape[0], _ROWS_AT_ONCE):  # with a row more on either side
        first, end = max(row - 1, 0), min(row + _ROWS_AT_ONCE, height_m.shape[0])
        north, east = np.gradient(height_m[first : end + 1].astype(np.float64), cell_m)
        steep = np.degrees(np.arctan(np.hypot(north, east)))
        slope[row:end] = steep[row - first : end - first]
    return slope


def _lay(extract: Extract, grid: Grid) -> _Laid:
    plane = grid.plane
    try:
        sea = sea_areas(extract.coast, extract.box_deg)
    except InputError as error:
        raise GroundError(f"{extract.path}: {error.message}") from error
    covers, outlines = {}, {}
    for kind in Cover:
        shapes = [*extract.areas[kind], *(sea if kind is Cover.WATER else [])]
        flat = _on_plane(plane, shapes)
        covers[kind] = filled(grid, flat)
        outlines[kind] = shapely.boundary(flat)
    lines = {kind: _on_plane(plane, extract.lines[kind]) for kind in Line}
    south, west, north, east = extract.box_deg
    mapped = filled(grid, _on_plane(plane, [shapely.box(west, south, east, north)]))
    return _Laid(extract, grid, covers, outlines, lines, mapped)


def _on_plane(plane: LocalPlane, shapes: Sequence[Any]) -> NDArray[Any]:
    """Shapes in degrees, on the plane in metres."""
    flat = np.empty(len(shapes), dtype=object)
    flat[:] = shapes
    return plane.lay(flat) if len(shapes) else flat


def _require_dry(laid: _Laid, bases: Sequence[Base]) -> None:
    grid = laid.grid
    for base in bases:
        x, y = grid.plane.forward([base.latitude_deg], [base.longitude_deg])
        cell = int(grid.cells(np.column_stack([x, y]))[0])
        if cell >= 0 and laid.covers[Cover.WATER].ravel()[cell]:
            raise GroundError(
                f"{base.name} ({base.latitude_deg:g}, {base.longitude_deg:g}) lies on water on "
                f"the map {laid.extract.path.name}; fix its coordinates in the settings"
            )


def _cover_layer(laid: _Laid) -> Layer:
    bits = laid.mapped.astype(np.uint16) << MAPPED_BIT
    for number, kind in enumerate(Cover):
        bits |= laid.covers[kind].astype(np.uint16) << number
    return Layer(bits.astype(np.uint16))


def _line_dots(grid: Grid, lines: NDArray[Any]) -> FloatArray:
    """Dots along lines, [K, 2]."""
    begin, end, _ = segments(lines)
    return dotted(begin, end, _APART_CELLS * grid.cell_m)[0]


def _nearest(grid: Grid, dots: FloatArray) -> Float32Array:
    """Distance of each cell's middle to the nearest dot. [rows, columns], [m]"""
    distance = np.full(grid.shape, np.inf, dtype=np.float32)
    if len(dots):
        tree = cKDTree(dots, balanced_tree=False, compact_nodes=False)
        step = max(_AT_ONCE // grid.columns, 1)
        for row in range(0, grid.rows, step):
            end = min(row + step, grid.rows)
            found, _ = tree.query(grid.middles_m(row, end), workers=-1)
            distance[row:end] = found.reshape(-1, grid.columns)
    return distance


def _distance_layer(grid: Grid, dots: FloatArray) -> Layer:
    return _distances(grid, _nearest(grid, dots))


def _distances(grid: Grid, distance_m: Float32Array) -> Layer:
    step = max(DISTANCE_STEP_M, grid.cell_m / _DISTANCE_STEPS_IN_CELL)
    return encode(distance_m, step, smooth=True)


def _land_distance_layer(laid: _Laid, kinds: Sequence[Cover]) -> Layer:
    """Distance to land of some kinds; 0 inside it."""
    outlines = np.concatenate([laid.outlines[kind] for kind in kinds])
    distance = _nearest(laid.grid, _line_dots(laid.grid, outlines))
    for kind in kinds:
        distance[laid.covers[kind]] = 0.0
    return _distances(laid.grid, distance)


def _roads(laid: _Laid, bases: Sequence[Base], height_m: GridArray | None, tell: Progress) -> Built:
    """Distance to roads, drive times, and walks from the roads that can be driven to."""
    grid, plane = laid.grid, laid.grid.plane
    tell("joining roads", 0.50)
    graph = road_graph(laid.extract.ways, plane, _APART_CELLS * grid.cell_m)
    dots = graph.dots
    tell("how far: roads", 0.55)
    layers = {
        name: _distance_layer(grid, dots.position_m[wanted])
        for name, wanted in (("road_m", dots.stopping), ("public_road_m", dots.public))
    }
    links, drives, notes = links_of(graph), [], []
    for number, base in enumerate(bases):
        tell(f"driving from {base.name}", 0.65 + 0.10 * number / len(bases))
        x, y = plane.forward(base.latitude_deg, base.longitude_deg)
        drives.append(drives_from(graph, links, np.array([float(x), float(y)])))
        within = grid.cells(dots.position_m) >= 0
        reached = float(np.mean(np.isfinite(drives[-1].time_s[within]))) if np.any(within) else 0.0
        notes.append(f"from {base.name} {100 * reached:.0f} % of the roads can be driven to")
        cell = int(grid.cells(np.array([[float(x), float(y)]]))[0])
        away_m = float(layers["road_m"].codes.ravel()[cell]) * layers["road_m"].scale
        if cell >= 0 and away_m > FAR_FROM_ROADS_M:
            notes.append(f"{base.name} lies {away_m / 1000.0:.1f} km from the nearest road")
    tell("walking from the roads", 0.75)
    reached = np.isfinite(np.min([drive.time_s for drive in drives], axis=0))
    walk_s, origin, first = _walks(laid, dots, reached, height_m)
    walk_s /= np.float32(60.0)
    layers["walk_min"] = encode(walk_s, TIME_STEP_MIN)
    del walk_s
    tell("putting drives and walks together", 0.95)
    for number, drive in enumerate(drives):
        by_cell = np.append(np.where(first >= 0, drive.time_s[first], np.inf) / 60.0, np.inf)
        there = by_cell.astype(np.float32)[origin]  # -1 is the last one: no way
        layers[f"drive_min/{number}"] = encode(there, TIME_STEP_MIN)
    layers |= _start_layers(origin)
    cells = np.unique(origin[origin >= 0])
    return Built(layers, routes_of(graph, drives, grid.cell_m, cells, first[cells]), tuple(notes))


def _start_layers(origin: NDArray[np.int32]) -> dict[str, Layer]:
    """How many rows and columns from each cell to the one in which the walk to it begins."""
    rows, columns = origin.shape
    here = np.arange(rows, dtype=np.int32)[:, None], np.arange(columns, dtype=np.int32)
    there = origin // np.int32(columns), origin % np.int32(columns)
    layers = {}
    for name, to, at in zip(WALK_STARTS, there, here, strict=True):
        steps = to - at
        steps[origin < 0] = 0
        layers[name] = encode(steps, 1.0, _NO_STEPS)
    return layers


def _walks(
    laid: _Laid, dots: Dots, reached: BoolArray, height_m: GridArray | None
) -> tuple[Float32Array, NDArray[np.int32], NDArray[np.int32]]:
    """Time on foot to each cell, and the cell from which the walk starts (-1: none). [s]

    Walks start from the cells that a road runs through, at the dot nearest to their middle;
    the third answer is that dot, by cell.
    """
    grid, covers = laid.grid, laid.covers
    usable = np.flatnonzero(dots.stopping & reached)
    cells = grid.cells(dots.position_m[usable])
    usable, cells = usable[cells >= 0], cells[cells >= 0]
    if usable.size == 0:
        never = np.full(grid.shape, -1, dtype=np.int32)
        return np.full(grid.shape, np.inf, dtype=np.float32), never, never.ravel()
    ways = laid.extract.ways
    paths, bridges = (_on_plane(grid.plane, _lines_of(laid.extract, which))
                      for which in (ways.walkable, ways.walkable & ways.bridge))  # fmt: skip
    on_path = np.zeros(grid.shape, dtype=np.bool_)
    path_cells = grid.cells(_line_dots(grid, paths))
    on_path.ravel()[path_cells[path_cells >= 0]] = True
    shut = ~laid.mapped
    for kind in NOT_WALKED:
        shut |= covers[kind]
    country = walking.Country(
        walking.speeds_mps(covers[Cover.WETLAND], covers[Cover.FOREST], on_path, shut),
        height_m,
        np.concatenate([laid.lines[Line.RIVER], *(laid.outlines[kind] for kind in NOT_WALKED)]),
        bridges,
    )
    time_s, origin = walking.walk_from_roads(grid, country, cells)
    off = grid.units(dots.position_m[usable]) % 1.0  # 0 and 1 are the middle of a cell
    order = np.argsort(-np.sum(np.minimum(off, 1.0 - off) ** 2, axis=1), kind="stable")
    first = np.full(grid.rows * grid.columns, -1, dtype=np.int32)
    first[cells[order]] = usable[order]  # the nearest to the middle is written last
    return time_s.reshape(grid.shape), origin.reshape(grid.shape), first


def _lines_of(extract: Extract, wanted: BoolArray) -> list[Any]:
    """Some ways as lines, in degrees."""
    ways = extract.ways.chosen(wanted)
    way = np.repeat(np.arange(ways.speed_kmph.size), np.diff(ways.start))
    if way.size == 0:
        return []
    lines: Any = shapely.linestrings(ways.position_deg, indices=way)
    return list(lines)


def _notes(laid: _Laid, height_m: GridArray | None) -> list[str]:
    notes = []
    if not laid.extract.coast:
        notes.append("the map has no coast: all of it that is no lake or river counts as land")
    if laid.extract.broken:
        notes.append(
            f"{laid.extract.broken} things of the map refer to nodes that are not in it; they "
            "were cut there"
        )
    if height_m is None:
        notes.append(
            "no terrain was given: walks, and daylight and tracker until they end, stay unknown"
        )
    return notes
