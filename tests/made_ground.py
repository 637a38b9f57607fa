"""A ground file in memory with every layer, on a few cells round a landing, for scoring."""

from collections.abc import Collection, Mapping
from typing import Any

import launch_days as day
import numpy as np
from numpy.typing import NDArray

from windowwatch.ground.plane import Grid
from windowwatch.ground.query.rasters import COVER, MAPPED_BIT, Base, Layer, Rasters, encode
from windowwatch.ground.tags import Cover

FloatArray = NDArray[np.float64]

#: Side of the map in cells of a kilometre, with the landing of the fine day in its middle.
SIDE, CELL_M = 5, 1000.0
#: Fine values, and by how much they may be worse, of each layer.
LAYERS: Mapping[str, tuple[float, float]] = {
    "motorway_m": (3000.0, -2950.0),
    "railway_m": (3000.0, -2950.0),
    "power_m": (3000.0, -2950.0),
    "built_up_m": (3000.0, -3000.0),
    "industry_m": (3000.0, -3000.0),
    "aerodrome_m": (3000.0, -3000.0),
    "military_m": (3000.0, -3000.0),
    "no_entry_m": (3000.0, -3000.0),
    "road_m": (200.0, 5000.0),
    "walk_min": (5.0, 200.0),
    "drive_min/0": (60.0, 300.0),
    "slope_deg": (1.0, 35.0),
    "people_per_km2": (2.0, 3000.0),
}


def grid() -> Grid:
    """The grid of the map."""
    corner = -0.5 * SIDE * CELL_M
    return Grid(*day.LANDING, corner, corner, CELL_M, SIDE, SIDE)


def covered(kinds: Collection[Cover] = ()) -> int:
    """Bits of a cell that lies on the map."""
    return (1 << MAPPED_BIT) | sum(1 << list(Cover).index(kind) for kind in kinds)


def rasters(bits: Any, badness: Mapping[str, FloatArray], gone: Collection[str] = ()) -> Rasters:
    """A ground file from bits [5, 5], how bad each layer is (0 to 1), and layers that are away."""
    layers: dict[str, Layer] = {
        name: encode(fine + worse * badness[name], 0.1 if name != "people_per_km2" else 1.0)
        for name, (fine, worse) in LAYERS.items()
        if name not in gone
    }
    layers[COVER] = Layer(np.asarray(bits, dtype=np.uint16))
    base = Base(day.SITE.name, day.SITE.latitude_deg, day.SITE.longitude_deg)
    return Rasters("invented.ground", grid(), layers, [base], ["invented"])
