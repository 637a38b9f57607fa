"""Degrees laid flat for a drawing, and the frame that holds all that is to be seen. Pure.

East and north are laid flat about the middle of the frame; over 200 km that is true to
about one part in a hundred, which is less than the width of a line.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from math import cos, hypot, radians, sin

import numpy as np
from numpy.typing import NDArray

from windowwatch.ground.query.outline import Frame
from windowwatch.physics.spread import Footprint

FloatArray = NDArray[np.float64]

KM_PER_DEG = 111.19  # of latitude, on the mean sphere
MARGIN = 0.12
#: Nothing is drawn closer than this from edge to edge. [km]
SMALLEST_KM = 4.0


@dataclass(frozen=True)
class Shape:
    """How large a drawing is, in its own units; its text is 13 units high.

    `lowest` and `highest` bound its height.
    """

    name: str
    width: float
    lowest: float
    highest: float


#: For a phone held upright, where a unit is about a pixel.
TALL = Shape("tall", 360.0, 320.0, 470.0)
#: For a desk and for paper.
WIDE = Shape("wide", 640.0, 380.0, 520.0)


class Flat:
    """Degrees to units of a drawing.

    Parameters
    ----------
    latitude_deg, longitude_deg : float
        Middle of the drawing. [deg]
    half_width_km, half_height_km : float
        From there to the edges. [km]
    width : float
        Of the drawing, in its units.
    """

    def __init__(
        self,
        latitude_deg: float,
        longitude_deg: float,
        half_width_km: float,
        half_height_km: float,
        width: float,
    ) -> None:
        self._latitude, self._longitude = latitude_deg, longitude_deg
        self._east_km = KM_PER_DEG * cos(radians(latitude_deg))
        self.width = width
        self.per_km = width / (2.0 * half_width_km)
        self.height = 2.0 * half_height_km * self.per_km
        self.frame = Frame(
            latitude_deg - half_height_km / KM_PER_DEG,
            longitude_deg - half_width_km / self._east_km,
            latitude_deg + half_height_km / KM_PER_DEG,
            longitude_deg + half_width_km / self._east_km,
        )

    def points(self, places: FloatArray) -> FloatArray:
        """Places [N, 2] of latitude and longitude as x and y of the drawing, [N, 2]."""
        turn = np.mod(places[:, 1] - self._longitude + 180.0, 360.0) - 180.0
        up_km = (places[:, 0] - self._latitude) * KM_PER_DEG
        return np.column_stack(
            (
                self.width / 2.0 + turn * self._east_km * self.per_km,
                self.height / 2.0 - up_km * self.per_km,
            )
        )

    def point(self, latitude_deg: float, longitude_deg: float) -> tuple[float, float]:
        """One place in the drawing."""
        ((x, y),) = self.points(np.array([[latitude_deg, longitude_deg]])).tolist()
        return x, y

    def path(self, lines: Iterable[FloatArray], *, closed: bool = False) -> str:
        """SVG path of lines in degrees, to a tenth of a unit, short on the wire."""
        return "".join(_relative(self.points(line)) + ("z" if closed else "") for line in lines)


def _relative(points: FloatArray) -> str:
    """A path that says each step from the point before: about half as long."""
    tenths = np.rint(points * 10.0).astype(int)
    steps = np.diff(tenths, axis=0)
    steps = steps[(steps != 0).any(axis=1)]
    begin = f"M{tenths[0, 0] / 10:g} {tenths[0, 1] / 10:g}"
    if not len(steps):
        return begin + "h0"
    parts = [f"{x / 10:g}{'' if y < 0 else ' '}{y / 10:g}" for x, y in steps.tolist()]
    return (
        begin
        + "l"
        + "".join(part if part[0] == "-" or not i else f" {part}" for i, part in enumerate(parts))
    )


def fitted(middle: Footprint, places: FloatArray, rings: Iterable[Footprint], shape: Shape) -> Flat:
    """The flat map that holds places and 90 % rings, with a rim round them.

    Parameters
    ----------
    middle : Footprint
        About whose middle distances are reckoned.
    places : array [N, 2]
        Latitude and longitude of what must be seen. [deg]
    rings : iterable of Footprint
    shape : Shape
    """
    east_km = KM_PER_DEG * cos(radians(middle.latitude_deg))

    def flat_km(latitude_deg: FloatArray, longitude_deg: FloatArray) -> FloatArray:
        turn = np.mod(longitude_deg - middle.longitude_deg + 180.0, 360.0) - 180.0
        return np.column_stack((turn * east_km, (latitude_deg - middle.latitude_deg) * KM_PER_DEG))

    seen = [flat_km(places[:, 0], places[:, 1])]
    for ring in rings:
        at = flat_km(np.array([ring.latitude_deg]), np.array([ring.longitude_deg]))
        a, b, turned = ring.major_90_m / 1e3, ring.minor_90_m / 1e3, radians(ring.bearing_deg)
        reach = np.array(
            [hypot(a * sin(turned), b * cos(turned)), hypot(a * cos(turned), b * sin(turned))]
        )
        seen += [at - reach, at + reach]
    all_km = np.vstack(seen)
    low, high = all_km.min(axis=0), all_km.max(axis=0)
    half_x, half_y = np.maximum((high - low) / 2.0, SMALLEST_KM / 2.0) * (1.0 + 2.0 * MARGIN)
    half_y = max(half_y, half_x * shape.lowest / shape.width)
    half_x = max(half_x, half_y * shape.width / shape.highest)
    mid_x, mid_y = (low + high) / 2.0
    return Flat(
        middle.latitude_deg + float(mid_y) / KM_PER_DEG,
        middle.longitude_deg + float(mid_x) / east_km,
        float(half_x),
        float(half_y),
        shape.width,
    )
