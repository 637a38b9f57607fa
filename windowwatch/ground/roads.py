"""Roads of the map: how far each point is from the nearest one of some classes. Pure."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import InputError
from windowwatch.ground.plane import Edges, FloatArray, LocalPlane


class RoadClass(StrEnum):
    """Class of a road, by the words of OpenStreetMap's `highway` key."""

    MOTORWAY = "motorway"
    TRUNK = "trunk"
    PRIMARY = "primary"
    SECONDARY = "secondary"
    TERTIARY = "tertiary"
    UNCLASSIFIED = "unclassified"
    RESIDENTIAL = "residential"
    SERVICE = "service"
    TRACK = "track"
    PATH = "path"


#: Roads an ordinary car can be left beside: no motorway (stopping is forbidden there), and
#: neither tracks nor paths (they may be barred, or too rough). Common practice, no source.
DRIVABLE: frozenset[RoadClass] = frozenset(RoadClass) - {
    RoadClass.MOTORWAY,
    RoadClass.TRACK,
    RoadClass.PATH,
}


@dataclass(frozen=True)
class Road:
    """One road; `shape` is a (multi)line in longitude and latitude. [deg]"""

    name: str
    road_class: RoadClass
    shape: Any


class Roads:
    """Roads that can be asked about many points at once.

    Parameters
    ----------
    roads : sequence of Road
        At least one, all within 2 000 km of their middle.

    Raises
    ------
    InputError
        If there is no road, or the map is too large to be laid flat.
    """

    def __init__(self, roads: Sequence[Road]) -> None:
        if not roads:
            raise InputError("a map of roads needs at least one road")
        self.roads: tuple[Road, ...] = tuple(roads)
        shapes = np.array([road.shape for road in self.roads], dtype=object)
        self._plane = LocalPlane.about(shapes)
        self._laid = self._plane.lay(shapes)
        self._edges: dict[frozenset[RoadClass], Edges] = {}

    @property
    def classes(self) -> frozenset[RoadClass]:
        """Classes that occur on this map."""
        return frozenset(road.road_class for road in self.roads)

    def distance_m(
        self,
        latitude_deg: Any,
        longitude_deg: Any,
        classes: Collection[RoadClass] = DRIVABLE,
    ) -> FloatArray:
        """Distance of each point to the nearest road of some classes, as the crow flies. [m]

        Parameters
        ----------
        latitude_deg, longitude_deg : array_like, same shape
            Finite. [deg]
        classes : collection of RoadClass
            Roads that can be driven, by default.

        Returns
        -------
        array, same shape
            Infinite where the map has no such road. [m]

        Raises
        ------
        InputError
            If a coordinate is not finite.
        """
        x, y = self._plane.forward(latitude_deg, longitude_deg)
        wanted = frozenset(classes)
        if wanted not in self._edges:
            chosen: NDArray[np.bool_] = np.array([r.road_class in wanted for r in self.roads])
            self._edges[wanted] = Edges(self._laid[chosen])
        return self._edges[wanted].nearest(x.ravel(), y.ravel())[1].reshape(x.shape)
