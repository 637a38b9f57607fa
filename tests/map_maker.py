"""Small invented map extracts for tests, written with osmium."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import osmium

Way = tuple[Sequence[str], Mapping[str, str]]

#: Where the invented maps lie: an empty place in the Atlantic. One step is about 100 m.
LATITUDE_DEG, LONGITUDE_DEG = 46.0, -35.0
STEP_LATITUDE_DEG = 0.0009
STEP_LONGITUDE_DEG = 0.0013


def place(column: float, row: float) -> tuple[float, float]:
    """Longitude and latitude of a place counted in steps of about 100 m."""
    return LONGITUDE_DEG + STEP_LONGITUDE_DEG * column, LATITUDE_DEG + STEP_LATITUDE_DEG * row


def write_map(
    path: Path,
    nodes: Mapping[str, tuple[float, float]],
    ways: Sequence[Way],
    box: tuple[float, float, float, float] | None = (-20.0, -20.0, 20.0, 20.0),
) -> Path:
    """An extract of ways over named nodes; nodes and box (west, south, east, north) in steps."""
    header = osmium.io.Header()
    if box is not None:
        (west, south), (east, north) = place(*box[:2]), place(*box[2:])
        header.add_box(osmium.osm.Box(west, south, east, north))
    number = {name: i for i, name in enumerate(nodes, start=1)}
    mutable: Any = osmium.osm.mutable
    with osmium.SimpleWriter(str(path), header=header, overwrite=True) as out:
        for name, at in nodes.items():
            out.add_node(mutable.Node(id=number[name], version=1, location=place(*at)))
        for i, (names, tags) in enumerate(ways, start=1):
            refs = [number.get(name, 999_999) for name in names]
            out.add_way(mutable.Way(id=i, version=1, nodes=refs, tags=dict(tags)))
    return path
