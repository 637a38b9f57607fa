"""Roads in memory: a crooked town of streets with times of their own, and the ground about them."""

from dataclasses import dataclass
from datetime import timedelta

import networkx as nx
import numpy as np
from made_flight import BEGAN
from scipy.spatial import cKDTree

from windowwatch.chase.phases import Phase
from windowwatch.chase.values import Doubt, Estimate
from windowwatch.ground.plane import Grid
from windowwatch.ground.query.rasters import (
    COVER,
    MAPPED_BIT,
    POINT_STEP_M,
    Base,
    Layer,
    Rasters,
    Routes,
    encode,
)
from windowwatch.physics.spread import Footprint

NOW = BEGAN + timedelta(minutes=90)

#: Middle of the town, between streets and side of a cell. [deg], [m]
MIDDLE, STEP_M, CELL_M = (46.0, 7.0), 1000.0, 250.0
WALK_MPS = 4.0 / 3.6


@dataclass(frozen=True)
class Town:
    """A ground file in memory, and the same roads as a graph of networkx.

    Nodes of the graph are places (numbers) and stops (``("stop", n)``), which cut their edges.
    """

    rasters: Rasters
    graph: nx.DiGraph


def town(
    side: int = 7,
    *,
    seed: int = 1,
    height_m: float | np.ndarray = 300.0,
    with_graph: bool = True,
) -> Town:
    """Streets between `side` times `side` crossings; some are missing, some one way."""
    rng = np.random.default_rng(seed)
    place = np.array([(x, y) for y in range(side) for x in range(side)], dtype=float)
    place = (place - (side - 1) / 2.0) * STEP_M
    pairs = [(i, i + 1) for i in range(side * side) if (i + 1) % side]
    pairs += [(i, i + side) for i in range(side * (side - 1))]
    pairs = [pair for pair in pairs if rng.random() > 0.15]
    first, last = np.array(pairs).T
    time_s = np.round(rng.uniform(40.0, 160.0, first.size) * 4.0) / 4.0
    allowed = rng.choice([3, 3, 1, 2], first.size).astype(np.uint8)
    grid_side = int(2 * (side + 1) * STEP_M / CELL_M / 2)
    half = 0.5 * grid_side * CELL_M
    grid = Grid(*MIDDLE, -half, -half, CELL_M, grid_side, grid_side)
    edges, shares = np.repeat(np.arange(first.size), 2), np.tile([0.3, 0.7], first.size)
    spot = place[first[edges]] + shares[:, None] * (place[last[edges]] - place[first[edges]])
    cell = grid.cells(spot)
    order = np.unique(cell, return_index=True)[1]
    edges, shares, spot, cell = edges[order], shares[order], spot[order], cell[order]
    along = shares * time_s[edges]
    routes = Routes(
        first=first.astype(np.int32),
        last=last.astype(np.int32),
        time_s=time_s.astype(np.float32),
        allowed=allowed,
        point=np.rint(place[np.column_stack([first, last]).ravel()] / POINT_STEP_M).astype(
            np.int32
        ),
        point_start=np.arange(0, 2 * first.size + 1, 2).astype(np.int32),
        place_s=np.full((1, len(place)), np.inf, dtype=np.float32),
        reached_by=np.full((1, len(place)), -1, dtype=np.int32),
        base_edge=np.array([-1], dtype=np.int32),
        base_along_s=np.zeros(1, dtype=np.float32),
        base_off_road_s=np.zeros(1, dtype=np.float32),
        start_cell=cell.astype(np.int32),
        start_edge=edges.astype(np.int32),
        start_along_s=along.astype(np.float32),
    )
    rasters = Rasters("town.ground", grid, _layers(grid, cell, height_m), [Base("b", *MIDDLE)],
                      ["invented"], routes=routes)  # fmt: skip
    if not with_graph:
        return Town(rasters, nx.DiGraph())
    return Town(rasters, _graph(first, last, time_s, allowed, edges, along))


def _layers(grid: Grid, cell: np.ndarray, height_m: float | np.ndarray) -> dict[str, Layer]:
    middle = grid.middles_m(0, grid.rows)
    away, nearest = cKDTree(middle[cell]).query(middle)
    start = cell[nearest]
    row, column = np.divmod(np.arange(middle.shape[0]), grid.columns)
    steps = {
        "walk_rows": start // grid.columns - row,
        "walk_columns": start % grid.columns - column,
    }
    walk_min = away / WALK_MPS / 60.0
    high = np.broadcast_to(height_m, grid.shape)
    return {
        COVER: Layer(np.full(grid.shape, 1 << MAPPED_BIT, dtype=np.uint16)),
        "walk_min": encode(walk_min.reshape(grid.shape), 0.1),
        "height_m": encode(high, 0.25, -500.0, smooth=True),
        **{name: encode(v.reshape(grid.shape), 1.0, -32768.0) for name, v in steps.items()},
    }


def _graph(
    first: np.ndarray, last: np.ndarray, time_s: np.ndarray, allowed: np.ndarray,
    edges: np.ndarray, along: np.ndarray,
) -> nx.DiGraph:  # fmt: skip
    graph = nx.DiGraph()
    graph.add_nodes_from(range(int(max(first.max(), last.max())) + 1))
    for edge in range(first.size):
        on = np.flatnonzero(edges == edge)
        on = on[np.argsort(along[on])]
        nodes = [int(first[edge]), *(("stop", int(n)) for n in on), int(last[edge])]
        at = [0.0, *along[on].tolist(), float(time_s[edge])]
        for one, other, took in zip(nodes[:-1], nodes[1:], np.diff(at), strict=True):
            if allowed[edge] & 1:
                graph.add_edge(one, other, weight=float(took))
            if allowed[edge] & 2:
                graph.add_edge(other, one, weight=float(took))
    return graph


def estimate(
    east_m: np.ndarray, north_m: np.ndarray, rasters: Rasters, *, land_min: float = 20.0
) -> Estimate:
    """An estimate with landings at some places."""
    lat, lon = rasters.grid.plane.backward(east_m, north_m)
    spread = max(float(np.hypot(np.std(east_m), np.std(north_m))), 1.0)
    mid_lat, mid_lon = rasters.grid.plane.backward(np.mean(east_m), np.mean(north_m))
    area = Footprint(float(mid_lat), float(mid_lon), lat.size, spread, 0.5 * spread,
                     2 * spread, spread, 90.0)  # fmt: skip
    landing = NOW + timedelta(minutes=land_min)
    line = (NOW.timestamp(), landing.timestamp())
    return Estimate(
        NOW, Phase.FALLING, area, landing, landing, landing, None, None, None, lat.size, 0,
        tuple(lat.tolist()), tuple(lon.tolist()), line, (9e3, 3e2), (9e3, 3e2), (9e3, 3e2),
        (46.0, 46.0), (6.9, 7.0), (9e3, 3e2), ((Doubt.WIND, 1.0),), 9,
    )  # fmt: skip
