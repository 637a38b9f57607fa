"""Features of the map: areas, roads, and the ground as scoring sees it. Pure.

A point on the very edge of an area lies inside. Edges run straight in longitude and latitude, as
RFC 7946 (section 3.1.1) has them; distances are metric, with the error that `plane` states.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from windowwatch.errors import InputError
from windowwatch.ground.plane import Edges, LocalPlane
from windowwatch.ground.query.airspace import Airspace, Permitted
from windowwatch.ground.query.rasters import Rasters
from windowwatch.units import FloatArray


class AreaKind(StrEnum):
    """What an area is. A map names each of its areas by one of these words."""

    TOWN = "town"  #: built-up land
    INDUSTRY = "industry"  #: works, depots, tank farms, substations
    AERODROME = "aerodrome"
    MILITARY = "military"  #: ranges and closed grounds
    NO_ENTRY = "no-entry"  #: land that must not be entered
    WATER = "water"  #: lake, river, sea
    WETLAND = "wetland"
    FOREST = "forest"


@dataclass(frozen=True)
class Area:
    """One named area; `shape` is a valid (multi)polygon in longitude and latitude. [deg]

    `people_per_km2` is how many people are about there, None where the map does not say.
    """

    name: str
    kind: AreaKind
    shape: Any
    people_per_km2: float | None = None

    @property
    def is_unnumbered(self) -> bool:
        """Whether it is a town or works of which no number of people is given."""
        return self.people_per_km2 is None and self.kind in (AreaKind.TOWN, AreaKind.INDUSTRY)


class Areas:
    """Areas that can be asked about many points at once.

    Parameters
    ----------
    areas : sequence of Area
        At least one, none empty, all within 2 000 km of their middle.

    Raises
    ------
    InputError
        If there is no area, or the map is too large to be laid flat.
    """

    def __init__(self, areas: Sequence[Area]) -> None:
        if not areas:
            raise InputError("a map of areas needs at least one area")
        self.areas: tuple[Area, ...] = tuple(areas)
        shapes = np.array([area.shape for area in self.areas], dtype=object)
        self._plane = LocalPlane.about(shapes)
        self._laid = self._plane.lay(shapes)
        self._layers: dict[frozenset[AreaKind], _Layer] = {}
        self._crowds: tuple[_Layer, FloatArray] | None = None
        self._unnumbered: _Layer | None = None

    @property
    def kinds(self) -> frozenset[AreaKind]:
        """Kinds that occur on this map."""
        return frozenset(area.kind for area in self.areas)

    def contains(
        self, latitude_deg: Any, longitude_deg: Any, kinds: Collection[AreaKind] | None = None
    ) -> NDArray[np.bool_]:
        """Tell which points lie in an area of some kinds.

        Parameters
        ----------
        latitude_deg, longitude_deg : array_like, same shape
            Finite. [deg]
        kinds : collection of AreaKind, optional
            All kinds by default.

        Returns
        -------
        bool array, same shape

        Raises
        ------
        InputError
            If a coordinate is not finite.
        """
        x, y = self._plane.forward(latitude_deg, longitude_deg)
        inside: NDArray[np.bool_] = self._layer(kinds).around(x.ravel(), y.ravel()) >= 0
        return inside.reshape(x.shape)

    def distance_m(
        self, latitude_deg: Any, longitude_deg: Any, kinds: Collection[AreaKind] | None = None
    ) -> FloatArray:
        """Distance of each point to the nearest area of some kinds; 0 inside one. [m]

        Infinite where the map has no such area. Arguments and errors as for `contains`.
        """
        return self.nearest(latitude_deg, longitude_deg, kinds)[1]

    def nearest(
        self,
        latitude_deg: Any,
        longitude_deg: Any,
        kinds: Collection[AreaKind] | None = None,
        within_m: float = np.inf,
    ) -> tuple[NDArray[np.intp], FloatArray]:
        """Position in `areas` of the nearest area of some kinds, and its distance. [m]

        -1 and infinity where there is none, or none within `within_m` (which is quicker than
        to look everywhere). Other arguments and errors as for `contains`.
        """
        x, y = self._plane.forward(latitude_deg, longitude_deg)
        index, distance = self._layer(kinds).nearest(x.ravel(), y.ravel(), within_m)
        return index.reshape(x.shape), distance.reshape(x.shape)

    def people_per_km2(self, latitude_deg: Any, longitude_deg: Any) -> FloatArray:
        """People about at each point, the most where areas overlap. [km⁻²]

        NaN where no area says a number. Arguments and errors as for `contains`.
        """
        x, y = self._plane.forward(latitude_deg, longitude_deg)
        if self._crowds is None:
            known = [i for i, area in enumerate(self.areas) if area.people_per_km2 is not None]
            known.sort(key=lambda i: -(self.areas[i].people_per_km2 or 0.0))
            people = [self.areas[i].people_per_km2 for i in known]
            layer = _Layer(self._laid, np.array(known, dtype=np.intp))
            self._crowds = layer, np.array([*people, np.nan], dtype=np.float64)
        layer, numbers = self._crowds
        return np.asarray(numbers[layer.around(x.ravel(), y.ravel())]).reshape(x.shape)

    def most_people_per_km2(self, unnumbered_per_km2: float) -> float:
        """The most people about in any area, so many in a town or works without a number. [km⁻²]"""
        return max(
            (unnumbered_per_km2 if area.is_unnumbered else 0.0)
            if area.people_per_km2 is None
            else area.people_per_km2
            for area in self.areas
        )

    def built_up_without_number(self, latitude_deg: Any, longitude_deg: Any) -> NDArray[np.bool_]:
        """Tell which points lie in a town or industry of which no number of people is given.

        Arguments and errors as for `contains`.
        """
        x, y = self._plane.forward(latitude_deg, longitude_deg)
        if self._unnumbered is None:
            chosen = [i for i, area in enumerate(self.areas) if area.is_unnumbered]
            self._unnumbered = _Layer(self._laid, np.array(chosen, dtype=np.intp))
        found = self._unnumbered.around(x.ravel(), y.ravel()) >= 0
        return np.asarray(found).reshape(x.shape)

    def _layer(self, kinds: Collection[AreaKind] | None) -> "_Layer":
        """The search trees over some kinds, made once."""
        wanted = frozenset(AreaKind) if kinds is None else frozenset(kinds)
        if wanted not in self._layers:
            chosen = [i for i, area in enumerate(self.areas) if area.kind in wanted]
            self._layers[wanted] = _Layer(self._laid, np.array(chosen, dtype=np.intp))
        return self._layers[wanted]


class _Layer:
    """Some of the areas, with a tree over their surfaces and one over their outlines."""

    def __init__(self, laid: NDArray[Any], chosen: NDArray[np.intp]) -> None:
        self._chosen = chosen
        shapes = laid[chosen]
        self._surfaces, self._owner = shapely.get_parts(shapes, return_index=True)
        shapely.prepare(self._surfaces)
        self._tree = shapely.STRtree(self._surfaces)
        self._edges = Edges(shapes)

    def nearest(
        self, x_m: FloatArray, y_m: FloatArray, within_m: float
    ) -> tuple[NDArray[np.intp], FloatArray]:
        """Nearest area (position on the map, -1: none) and distance, 0 inside. Points [K]."""
        index = self.around(x_m, y_m)
        distance = np.zeros(x_m.size)
        outside = index < 0
        index[outside], distance[outside] = self._edges.nearest(
            x_m[outside], y_m[outside], within_m
        )
        found = index >= 0
        index[found] = self._chosen[index[found]]
        return index, distance

    def around(self, x_m: FloatArray, y_m: FloatArray) -> NDArray[np.intp]:
        """First area of the layer that holds each point, -1 for none."""
        index = np.full(x_m.size, -1, dtype=np.intp)
        point, surface = self._tree.query(shapely.points(x_m, y_m))
        order = np.argsort(surface, kind="stable")
        point, surface = point[order], surface[order]
        for which, start, count in zip(
            *np.unique(surface, return_index=True, return_counts=True), strict=True
        ):
            near = point[start : start + count]
            inside = near[shapely.intersects_xy(self._surfaces[which], x_m[near], y_m[near])]
            index[inside[index[inside] < 0]] = self._owner[which]
        return index


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


@dataclass(frozen=True)
class Ground:
    """What is known about the ground. A part that nobody gave is None, never empty.

    `sources` says in words where the map is from (name, date, licence, attribution); `crews`
    names the bases of `rasters` from which a crew may drive besides the launch site.
    """

    areas: Areas | None = None
    roads: Roads | None = None
    sources: tuple[str, ...] = ()
    rasters: Rasters | None = None
    crews: tuple[str, ...] = ()
    airspace: Airspace | None = None
    permitted: Permitted | None = None
