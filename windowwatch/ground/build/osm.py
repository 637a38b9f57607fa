"""The one door to OpenStreetMap extracts: osmium reads them, plain arrays come out."""

import itertools
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import osmium
import shapely

from windowwatch.errors import GroundError
from windowwatch.ground import tags as rules
from windowwatch.ground.build.extract import EVERYWHERE, Box, Extract, Ways
from windowwatch.ground.tags import Cover, Line
from windowwatch.units import FloatArray

#: A school or hospital that is drawn as a point takes this much ground about it. Judgement.
#: [deg of latitude], about 100 m
POINT_RADIUS_DEG = 0.0009
#: Told how many things have been read.
Counter = Callable[[int], None]
_TELL_EVERY = 20_000


@dataclass(frozen=True)
class _Region:
    """The part of the map that is wanted."""

    box_deg: Box

    def holds(self, nodes: Any) -> bool:
        """Tell whether the first, the middle or the last of some nodes lies in it."""
        south, west, north, east = self.box_deg
        for node in (nodes[0], nodes[len(nodes) // 2], nodes[-1]):
            at = node.location
            if not at.valid() or (south <= at.lat <= north and west <= at.lon <= east):
                return True
        return False


@dataclass
class _Found:
    """What has been read so far."""

    region: _Region
    node: list[int] = field(default_factory=list)
    lines: list[Any] = field(default_factory=list)
    count: list[int] = field(default_factory=list)
    what: list[tuple[float, bool, bool, bool, bool, bool, bool]] = field(default_factory=list)
    areas: dict[Cover, list[Any]] = field(default_factory=lambda: {k: [] for k in Cover})
    other: dict[Line, list[Any]] = field(default_factory=lambda: {k: [] for k in Line})
    coast: list[Any] = field(default_factory=list)
    broken: int = 0


def read_extract(
    path: Path, count: Counter = lambda _: None, region_deg: Box = EVERYWHERE
) -> Extract:
    """Read an extract (`.osm.pbf`, or any form that osmium knows by its ending).

    Parameters
    ----------
    path : Path
    count : callable, optional
        Called now and then with the number of things read so far.
    region_deg : Box, optional
        What begins, ends and has its middle outside of it is left out.

    Raises
    ------
    GroundError
        If the file is missing, cut short, no extract, or holds no road.
    """
    found = _Found(_Region(region_deg))
    with _refused(path):
        header = _header(path)
        _read(path, found, count)
    speeds = np.array([what[0] for what in found.what], dtype=np.float64)
    if not np.any(speeds > 0.0):
        raise GroundError(
            f"{path}: holds no road that a car may drive on; is it an extract of roads and "
            "land, cut to the region of the watch?"
        )
    ways = _ways(found, speeds)
    held = header[0] or _bounds(ways.position_deg)
    south, west, north, east = region_deg
    box = max(held[0], south), max(held[1], west), min(held[2], north), min(held[3], east)
    return Extract(
        path, held, box, header[1], ways, found.areas, found.other, found.coast, found.broken
    )


def held_box(path: Path) -> Box | None:
    """The box that an extract says it holds, None where it does not say.

    Raises
    ------
    GroundError
        If the file is missing, or no extract.
    """
    with _refused(path):
        return _header(path)[0]


@contextmanager
def _refused(path: Path) -> Iterator[None]:
    """Turn what osmium says of a file into our error."""
    if not path.is_file():
        raise GroundError(f"{path}: no such file; give an OpenStreetMap extract (.osm.pbf)")
    try:
        yield
    except RuntimeError as error:
        raise GroundError(
            f"{path}: cannot be read as an OpenStreetMap extract ({error}); the file is cut "
            "short or of another kind, fetch it again"
        ) from error


def _header(path: Path) -> tuple[Box | None, str]:
    """The box and the date that a file says of itself."""
    with osmium.io.Reader(str(path)) as reader:
        header = reader.header()
    date = header.get("osmosis_replication_timestamp") or header.get("timestamp") or "not stated"
    box = header.box()
    if not box.valid():
        return None, date
    low, high = box.bottom_left, box.top_right
    return (low.lat, low.lon, high.lat, high.lon), date


def _bounds(position_deg: FloatArray) -> tuple[float, float, float, float]:
    """The box of the roads, where a file does not say its own."""
    west, south = position_deg.min(axis=0)
    east, north = position_deg.max(axis=0)
    return float(south), float(west), float(north), float(east)


def _read(path: Path, found: _Found, count: Counter) -> None:
    wanted = osmium.filter.KeyFilter(*rules.KEYS)
    things: Any = (
        osmium.FileProcessor(str(path))
        .with_locations()
        .with_areas(osmium.filter.KeyFilter(*(k for k in rules.KEYS if k != "highway")))
        .with_filter(wanted)
    )
    draw = osmium.geom.WKBFactory()
    for number, thing in enumerate(things, start=1):
        if number % _TELL_EVERY == 0:
            count(number)
        try:
            if thing.is_way():
                _take_way(thing, draw, found)
            elif thing.is_area():
                _take_area(thing, draw, found)
            elif thing.is_node():
                _take_node(thing, found)
        except osmium.InvalidLocationError:
            found.broken += 1


def _take_way(way: Any, draw: Any, found: _Found) -> None:
    tags = {tag.k: tag.v for tag in way.tags}
    if len(way.nodes) < 2:
        return
    speed, walkable = rules.speed_kmph(tags), rules.is_walkable(tags)
    kind = rules.line_kind(tags)
    coast = tags.get("natural") == "coastline"
    if not (speed or walkable or kind or coast) or not found.region.holds(way.nodes):
        return
    for node, line in _runs(way, draw, found):
        if coast:
            found.coast.append(line)
        if kind:
            found.other[kind].append(line)
        if speed or walkable:
            highway = tags.get("highway", "")
            found.node.extend(node)
            found.count.append(len(node))
            found.lines.append(line)
            found.what.append((
                speed,
                *rules.directions(tags),
                speed > 0.0 and rules.is_public(tags),
                speed > 0.0 and highway not in rules.NO_STOPPING,
                walkable,
                tags.get("bridge", "no") != "no",
            ))  # fmt: skip


def _runs(way: Any, draw: Any, found: _Found) -> list[tuple[list[int], Any]]:
    """Nodes and line of a way, or of its pieces where an extract has cut nodes out of it."""
    try:
        line = draw.create_linestring(way, osmium.geom.use_nodes.ALL)
        return [([node.ref for node in way.nodes], line)]
    except osmium.InvalidLocationError:
        found.broken += 1
    pieces: list[tuple[list[int], Any]] = []
    nodes = [(n.ref, n.location) for n in way.nodes]
    for there, run in itertools.groupby(nodes, key=lambda node: node[1].valid()):
        piece = list(run)
        if there and len(piece) > 1:
            line = shapely.LineString([(at.lon, at.lat) for _, at in piece])
            pieces.append(([ref for ref, _ in piece], shapely.to_wkb(line, hex=True)))
    return pieces


def _take_area(area: Any, draw: Any, found: _Found) -> None:
    kinds = rules.cover_kinds({tag.k: tag.v for tag in area.tags})
    if kinds and found.region.holds(next(iter(area.outer_rings()))):
        shape = draw.create_multipolygon(area)
        for kind in kinds:
            found.areas[kind].append(shape)


def _take_node(node: Any, found: _Found) -> None:
    if Cover.CROWD in rules.cover_kinds({tag.k: tag.v for tag in node.tags}):
        point = shapely.Point(node.location.lon, node.location.lat)
        found.areas[Cover.CROWD].append(shapely.to_wkb(point.buffer(POINT_RADIUS_DEG), hex=True))


def _ways(found: _Found, speeds: FloatArray) -> Ways:
    shapes = shapely.from_wkb(np.array(found.lines, dtype=object))
    flags = np.array([what[1:] for what in found.what], dtype=np.bool_).T
    for geometries in (*found.areas.values(), *found.other.values(), found.coast):
        geometries[:] = shapely.from_wkb(np.array(geometries, dtype=object)).tolist()
    return Ways(
        np.array(found.node, dtype=np.int64),
        shapely.get_coordinates(shapes),
        np.concatenate([[0], np.cumsum(found.count)]).astype(np.int64),
        speeds,
        *flags,
    )
