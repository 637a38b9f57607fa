"""Writes the invented ground of Skerra: a map extract, and the ground file built from it.

Run ``python grib_samples/make_ground.py`` to write ``config/skerra.osm.pbf`` and
``config/skerra.ground`` again (it needs the extra `maps`). Land and roads are those of
`make_map`; a river with few bridges, a railway, a power line, schools and a hospital come on
top. Nothing on it exists.
"""

import itertools
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import island
import make_map
import numpy as np
import osmium
import shapely
import shapely.ops
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Tagged = tuple[list[tuple[float, float]], dict[str, str]]

CONFIG = make_map.CONFIG
ROOT = CONFIG.parent
LICENCE = "invented: the island of Skerra and everything on it exists nowhere"
ATTRIBUTION = "windowwatch's own invented map"
#: South, west, north, east. [deg]
BOX = (42.4, -38.6, 49.6, -31.4)
#: Side of a cell of the ground file. Real maps want 50 to 100 m; this file travels with the
#: program, so it is coarse. [m]
CELL_M = 500.0
TAGS = {
    "town": {"landuse": "residential"},
    "industry": {"landuse": "industrial"},
    "aerodrome": {"aeroway": "aerodrome"},
    "military": {"landuse": "military"},
    "no-entry": {"natural": "heath", "access": "no"},
    "wetland": {"natural": "wetland"},
    "forest": {"landuse": "forest"},
}
#: The Merrow, from Highmoor Tops into Long Mere and on to the sea: latitude, longitude.
RIVER = (
    ((46.74, -35.30), (46.55, -35.36), (46.36, -35.27), (46.16, -35.37), (45.95, -35.28),
     (45.72, -35.25)),
    ((45.38, -35.43), (45.24, -35.36), (45.08, -35.44), (44.86, -35.27), (44.66, -35.16),
     (44.45, -34.93), (44.20, -34.70), (43.95, -34.52), (43.70, -34.40)),
)  # fmt: skip
#: Towns along the railway and the power line.
RAILWAY = ("Brackwater", "Millfield", "Wexcombe", "Quillhaven", "Ansby Ford", "Marrowby",
           "Port Haskel")  # fmt: skip
POWER_LINE = ("Port Haskel", "Lunnet", "Marrowby", "Tarn Cross", "Highmoor")
#: Lanes end at the river, but for one crossing in so many. Main roads have bridges.
LANE_BRIDGES = 6
#: Half the length of a bridge. [deg]
_HALF_BRIDGE_DEG = 0.0008


def things() -> list[Tagged]:
    """Everything on the map, as positions (longitude, latitude) and tags."""
    shore = [*island.shoreline_deg(1440)]
    found: list[Tagged] = [(shore, {"natural": "coastline"})]
    found.append((island.lake_outline_deg(192), {"natural": "water", "name": "Long Mere"}))
    for feature in make_map.areas()["features"]:
        about = feature["properties"]
        if about["kind"] in TAGS:
            (ring,) = feature["geometry"]["coordinates"]
            found.append((_points(ring), {**TAGS[about["kind"]], "name": about["name"]}))
    found.extend(_schools())
    for line in rivers():
        found.append((_points(line.coords), {"waterway": "river", "name": "Merrow"}))
    found.append((_along(RAILWAY, 11), {"railway": "rail"}))
    found.append((_along(POWER_LINE, 12), {"power": "line"}))
    found.extend(_roads())
    return found


def rivers() -> list[Any]:
    """The two reaches of the Merrow, as lines."""
    lines = []
    for reach in RIVER:
        latitude, longitude = np.transpose(reach)
        along = np.linspace(0.0, len(reach) - 1.0, 12 * len(reach))
        bend = 0.012 * np.sin(5.0 * along) * np.sin(np.pi * along / along[-1])
        x = np.interp(along, np.arange(len(reach)), longitude) + bend
        lines.append(shapely.LineString(np.column_stack(
            [x, np.interp(along, np.arange(len(reach)), latitude)])))  # fmt: skip
    return lines


def _points(line: Any) -> list[tuple[float, float]]:
    return [(round(float(x), 6), round(float(y), 6)) for x, y in line]


def _schools() -> Iterator[Tagged]:
    """A school in the middle of each town, and a hospital in the largest three."""
    ranked = sorted(make_map.TOWNS, key=lambda town: -town[3])
    for number, (name, latitude, longitude, _) in enumerate(ranked):
        kind = "hospital" if number < 3 else "school"
        ring = make_map._about(
            latitude, longitude, 0.2 * np.array([1.0, -1, -1, 1]), 0.15 * np.array([1.0, 1, -1, -1])
        )
        yield _points(ring), {"amenity": kind, "name": f"{name} {kind}"}


def _along(towns: Sequence[str], seed: int) -> list[tuple[float, float]]:
    """A line from town to town."""
    rng = np.random.default_rng(seed)
    at = {name: (latitude, longitude) for name, latitude, longitude, _ in make_map.TOWNS}
    points: list[tuple[float, float]] = []
    for first, last in itertools.pairwise(towns):
        latitude, longitude = make_map._between(rng, at[first], at[last])
        points += _points(zip(longitude, latitude, strict=True))[bool(points) :]
    return points


def _roads() -> Iterator[Tagged]:
    """Roads, joined wherever they cross; over the river only on bridges."""
    kinds: list[str] = []
    lines: list[Any] = []
    for feature in make_map.roads()["features"]:
        for part in feature["geometry"]["coordinates"]:
            if len(set(map(tuple, part))) > 1:
                lines.append(shapely.LineString(part))
                kinds.append(feature["properties"]["kind"])
    order = {"primary": 0, "secondary": 1, "unclassified": 2, "track": 3}
    pieces = shapely.get_parts(shapely.union_all(np.array(lines, dtype=object)))
    middles = shapely.line_interpolate_point(pieces, 0.5, normalized=True)
    tree = shapely.STRtree(lines)
    piece, line = tree.query(middles, predicate="dwithin", distance=1e-7)
    river = shapely.union_all(np.array(rivers(), dtype=object))
    lanes = 0
    for i, shape in enumerate(pieces):
        kind = min((kinds[j] for j in line[piece == i]), key=order.__getitem__)
        if not shape.intersects(river):
            yield _points(shape.coords), {"highway": kind}
            continue
        lanes += order[kind] > 1
        if order[kind] < 2 or lanes % LANE_BRIDGES == 0:
            yield from _bridged(shape, river, kind)


def _bridged(shape: Any, river: Any, kind: str) -> Iterator[Tagged]:
    """A road over the river: the banks and the bridges between them."""
    at = sorted(
        float(shape.line_locate_point(point))
        for point in shapely.get_parts(shape.intersection(river))
    )
    cuts = [0.0]
    for place in at:
        cuts += [max(place - _HALF_BRIDGE_DEG, cuts[-1]),
                 min(place + _HALF_BRIDGE_DEG, shape.length)]  # fmt: skip
    cuts.append(shape.length)
    for number, (begin, end) in enumerate(itertools.pairwise(cuts)):
        if end - begin > 1e-9:
            bridge = {"bridge": "yes"} if number % 2 else {}
            part = shapely.ops.substring(shape, begin, end)
            yield _points(part.coords), {"highway": kind, **bridge}


def write_extract(path: Path, found: Sequence[tuple[Sequence[Any], Mapping[str, str]]]) -> None:
    """Write things as an extract; equal positions are one node."""
    header = osmium.io.Header()
    south, west, north, east = BOX
    header.add_box(osmium.osm.Box(west, south, east, north))
    header.set("generator", LICENCE)
    nodes: dict[tuple[float, float], int] = {}
    for points, _ in found:
        for point in points:
            nodes.setdefault(point, len(nodes) + 1)
    mutable: Any = osmium.osm.mutable
    with osmium.SimpleWriter(str(path), header=header, overwrite=True) as out:
        for point, number in nodes.items():
            out.add_node(mutable.Node(id=number, version=1, location=point))
        for number, (points, tags) in enumerate(found, start=1):
            refs = [nodes[point] for point in points]
            out.add_way(mutable.Way(id=number, version=1, nodes=refs, tags=dict(tags)))


#: Run in a process of its own: rasterio writes the heights of the island.
_TERRAIN = """
import sys, numpy as np, rasterio, island
from rasterio.transform import from_origin
south, west, north, east = map(float, sys.argv[2:6])
size = 0.004
rows, columns = round((north - south) / size), round((east - west) / size)
latitude = north - size * (np.arange(rows) + 0.5)
longitude = west + size * (np.arange(columns) + 0.5)
height = island.terrain_m(*np.meshgrid(latitude, longitude, indexing="ij")).astype("float32")
with rasterio.open(sys.argv[1], "w", driver="GTiff", width=columns, height=rows, count=1,
                   dtype="float32", crs="EPSG:4326",
                   transform=from_origin(west, north, size, size)) as out:
    out.write(height, 1)
    out.update_tags(TIFFTAG_COPYRIGHT="windowwatch's own, invented")
"""


def main() -> None:
    """Write the extract, and build the ground file from it."""
    extract, built = CONFIG / "skerra.osm.pbf", CONFIG / "skerra.ground"
    write_extract(extract, things())
    with tempfile.TemporaryDirectory() as folder:
        terrain = str(Path(folder) / "skerra-terrain.tif")
        here = Path(__file__).parent
        subprocess.run(
            [sys.executable, "-c", _TERRAIN, terrain, *map(str, BOX)], check=True, cwd=here
        )
        subprocess.run(
            [sys.executable, "-m", "windowwatch", "ground", "build", "--small",
             "--settings", str(CONFIG / "skerra.toml"), "--map", str(extract),
             "--terrain", terrain, "--out", str(built), "--cell-m", str(CELL_M),
             "--licence", LICENCE, "--attribution", ATTRIBUTION],
            check=True, cwd=ROOT,
        )  # fmt: skip
    for path in (extract, built):
        print(f"{path.name}: {path.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
