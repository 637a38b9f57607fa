"""What a map extract holds, as plain arrays: roads with their nodes, areas, lines, coast."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from windowwatch.ground.tags import Cover, Line
from windowwatch.units import FloatArray

#: South, west, north, east. [deg]
Box = tuple[float, float, float, float]
#: No bound at all.
EVERYWHERE: Box = (-90.0, -180.0, 90.0, 180.0)


@dataclass
class Ways:
    """Roads, tracks and paths, one after another.

    Parameters
    ----------
    node : int array [N]
        OpenStreetMap's number of each node; where ways share one, they meet.
    position_deg : array [N, 2]
        Longitude and latitude. [deg]
    start : int array [W + 1]
        Where each way's nodes begin, and the end of the last.
    speed_kmph : array [W]
        Of a car; 0 where none may drive. [km/h]
    forward, backward, public, stopping, walkable, bridge : bool array [W]
        Driven in the order of the nodes, against it; open to all; a car may be left beside
        it; may be walked on; a bridge.
    """

    node: NDArray[np.int64]
    position_deg: FloatArray
    start: NDArray[np.int64]
    speed_kmph: FloatArray
    forward: NDArray[np.bool_]
    backward: NDArray[np.bool_]
    public: NDArray[np.bool_]
    stopping: NDArray[np.bool_]
    walkable: NDArray[np.bool_]
    bridge: NDArray[np.bool_]

    def chosen(self, wanted: NDArray[np.bool_]) -> "Ways":
        """Some of the ways."""
        counts = np.diff(self.start)
        nodes = np.repeat(wanted, counts)
        flags = (self.forward, self.backward, self.public, self.stopping, self.walkable,
                 self.bridge)  # fmt: skip
        return Ways(
            self.node[nodes],
            self.position_deg[nodes],
            np.concatenate([[0], np.cumsum(counts[wanted])]),
            self.speed_kmph[wanted],
            *(flag[wanted] for flag in flags),
        )


@dataclass
class Extract:
    """What an extract holds that matters, in degrees.

    Boxes are south, west, north, east: `held_deg` is that of the file, `box_deg` the part of
    it that was read. `broken` counts things that refer to nodes which are not in the file.
    """

    path: Path
    held_deg: Box
    box_deg: Box
    date: str
    ways: Ways
    areas: dict[Cover, list[Any]]
    lines: dict[Line, list[Any]]
    coast: list[Any]
    broken: int
