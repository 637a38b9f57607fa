"""A flat map about one point, in metres, and the geometry that areas and roads share.

The map is an azimuthal equidistant projection on the WGS 84 ellipsoid: true for distances
from its middle (within 5 m at 1 000 km, see `windowwatch.physics.earth`). Between two points
at a distance r from the middle a length across the radius comes out too long by about
r² / (6 R²): 0.04 % at 300 km, 0.4 % at 1 000 km,
1.6 % at 2 000 km. Farther maps are refused.
"""

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from windowwatch.errors import InputError
from windowwatch.physics.earth import destination, local_m

FloatArray = NDArray[np.float64]
#: Quantities on a large grid, in half the memory; either will do where they are read.
Float32Array = NDArray[np.float32]
GridArray = NDArray[np.floating[Any]]

#: A map that reaches farther than this from its middle is refused. [m]
FARTHEST_M = 2_000_000.0
#: Edges are straight in longitude and latitude (RFC 7946, section 3.1.1), so long ones are
#: cut before they are laid on the flat map. What is left bends by less than 1 m up to 60°
#: of latitude. [deg]
LONGEST_EDGE_DEG = 0.05


class LocalPlane:
    """Metres east and north of a point.

    Parameters
    ----------
    latitude_deg, longitude_deg : float
        Middle of the map. [deg]
    """

    def __init__(self, latitude_deg: float, longitude_deg: float) -> None:
        self._middle = (latitude_deg, longitude_deg)

    @property
    def middle(self) -> tuple[float, float]:
        """Latitude and longitude of the middle. [deg]"""
        return self._middle

    @classmethod
    def about(cls, geometries: Any) -> "LocalPlane":
        """The plane about the middle of some geometries in degrees.

        Raises
        ------
        InputError
            If there are none, or they reach farther than `FARTHEST_M` from their middle.
        """
        coordinates = shapely.get_coordinates(geometries)
        if coordinates.shape[0] == 0:
            raise InputError("a map needs at least one feature")
        longitude, latitude = np.radians(coordinates[:, 0]), np.radians(coordinates[:, 1])
        # The mean of directions from the Earth's centre knows no date line.
        east = float(np.mean(np.cos(latitude) * np.cos(longitude)))
        north = float(np.mean(np.cos(latitude) * np.sin(longitude)))
        up = float(np.mean(np.sin(latitude)))
        middle = cls(
            float(np.degrees(np.arctan2(up, np.hypot(east, north)))),
            float(np.degrees(np.arctan2(north, east))),
        )
        x, y = middle.forward(coordinates[:, 1], coordinates[:, 0])
        reach = float(np.max(np.hypot(x, y)))
        if not reach <= FARTHEST_M:
            raise InputError(
                f"the map reaches {reach / 1000:.0f} km from its middle; cut it to the region "
                f"of the watch (at most {FARTHEST_M / 1000:.0f} km)"
            )
        return middle

    def forward(self, latitude_deg: Any, longitude_deg: Any) -> tuple[FloatArray, FloatArray]:
        """Metres east and north of the middle, for points of any shape. [m]

        Raises
        ------
        InputError
            If a coordinate is not a finite number: a point that is nowhere is on no land.
        """
        latitude = np.asarray(latitude_deg, dtype=np.float64)
        longitude = np.asarray(longitude_deg, dtype=np.float64)
        if latitude.shape != longitude.shape:
            raise InputError(
                f"latitudes have shape {latitude.shape}, longitudes {longitude.shape}; "
                "they must be the same points"
            )
        if not (np.all(np.isfinite(latitude)) and np.all(np.isfinite(longitude))):
            raise InputError("a point on the ground needs finite coordinates; leave out the lost")
        return local_m(latitude, longitude, *self._middle)

    def backward(self, x_m: Any, y_m: Any) -> tuple[FloatArray, FloatArray]:
        """Latitudes and longitudes of points east and north of the middle. [deg]"""
        bearing, away = np.degrees(np.arctan2(x_m, y_m)), np.hypot(x_m, y_m)
        return destination(*self._middle, bearing, away)

    def lay(self, geometries: Any) -> NDArray[Any]:
        """Geometries in degrees, laid on the plane in metres; long edges cut first."""

        def project(coordinates: FloatArray) -> FloatArray:
            return np.column_stack(self.forward(coordinates[:, 1], coordinates[:, 0]))

        cut = shapely.segmentize(np.asarray(geometries, dtype=object), LONGEST_EDGE_DEG)
        laid: NDArray[Any] = shapely.transform(cut, project)
        return laid


class Edges:
    """Straight pieces of many lines or outlines, ready to be asked which is nearest.

    Parameters
    ----------
    geometries : array of geometry
        On the plane. [m]
    """

    def __init__(self, geometries: NDArray[Any]) -> None:
        lines, owner = shapely.get_parts(_outlines(geometries), return_index=True)
        points, line = shapely.get_coordinates(lines, return_index=True)
        inside = line[1:] == line[:-1]
        pairs = np.stack([points[:-1], points[1:]], axis=1)[inside]
        self._owner: NDArray[np.intp] = np.asarray(owner, dtype=np.intp)[line[:-1][inside]]
        self._tree = shapely.STRtree(shapely.linestrings(pairs)) if len(pairs) else None

    def nearest(
        self, x_m: FloatArray, y_m: FloatArray, within_m: float = np.inf
    ) -> tuple[NDArray[np.intp], FloatArray]:
        """Which geometry is nearest to each point [K], and how far it is. [m]

        -1 and infinity where there is no geometry, or none within `within_m`.
        """
        owner = np.full(x_m.size, -1, dtype=np.intp)
        distance = np.full(x_m.size, np.inf)
        if self._tree is None or x_m.size == 0:
            return owner, distance
        (point, edge), found = self._tree.query_nearest(
            shapely.points(x_m, y_m),
            max_distance=within_m if np.isfinite(within_m) else None,
            return_distance=True,
            all_matches=False,
        )
        owner[point] = self._owner[edge]
        distance[point] = found
        return owner, distance


def _outlines(geometries: NDArray[Any]) -> NDArray[Any]:
    """Lines as they are; of surfaces their boundary, holes included."""
    surfaces = shapely.get_dimensions(geometries) == 2
    outlines: NDArray[Any] = np.where(surfaces, shapely.boundary(geometries), geometries)
    return outlines
