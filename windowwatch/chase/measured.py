"""What a track has measured of the air and of the balloon, layer by layer. Pure."""

from dataclasses import dataclass

import numpy as np

from windowwatch.chase.phases import Track
from windowwatch.physics import constants as c
from windowwatch.physics.earth import local_m
from windowwatch.units import FloatArray

#: A layer takes at least so long and is at least so thick, or takes this much longer.
_SHORTEST_S, _THINNEST_M, _LONG_S = 45.0, 150.0, 150.0
#: What moves a train beside the wind of its layer: swinging, eddies. [m s⁻¹] Judgement.
SWING_MPS = 0.5
#: Vertical air motion of a layer, which a rate of rise or fall takes for the balloon's own.
#: [m s⁻¹] Judgement: of the order of what soundings show over some minutes.
UPDRAFT_MPS = 0.35


@dataclass(frozen=True)
class Layers:
    """Layers that were flown through, arrays [L].

    Attributes
    ----------
    start_unix_s, end_unix_s : [s]
    start, end : array [L, 3]
        Latitude, longitude and height at both ends. [deg], [deg], [m]
    u_mps, v_mps : the train's own speed over the ground, which is the wind of the layer
    sigma_mps : doubt of each of them
    rate_mps, rate_sigma_mps : rise, negative when falling, and its doubt
    """

    start_unix_s: FloatArray
    end_unix_s: FloatArray
    start: FloatArray
    end: FloatArray
    u_mps: FloatArray
    v_mps: FloatArray
    sigma_mps: FloatArray
    rate_mps: FloatArray
    rate_sigma_mps: FloatArray

    @property
    def size(self) -> int:
        """How many."""
        return int(self.u_mps.size)

    @property
    def middle_m(self) -> FloatArray:
        """Middle height. [m]"""
        return np.asarray(0.5 * (self.start[:, 2] + self.end[:, 2]))

    def along(self, points: int) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Times, latitudes, longitudes and heights evenly along each layer, [L, points]."""
        share = (np.arange(points) + 0.5) / points
        time = self.start_unix_s[:, None] + share * (self.end_unix_s - self.start_unix_s)[:, None]
        way = self.start[:, None, :] + share[None, :, None] * (self.end - self.start)[:, None, :]
        return time, way[..., 0], way[..., 1], way[..., 2]


def layers_of(track: Track) -> Layers:
    """Layers of one leg, up or down; reports without a height are left out.

    Parameters
    ----------
    track : Track
        Of one leg, in order of time.
    """
    legs = track.part(np.isfinite(track.height_m))
    cuts = [0]
    for i in range(1, legs.size):
        passed = float(legs.time_unix_s[i] - legs.time_unix_s[cuts[-1]])
        climbed = abs(float(legs.height_m[i] - legs.height_m[cuts[-1]]))
        if passed >= _SHORTEST_S and (climbed >= _THINNEST_M or passed >= _LONG_S):
            cuts.append(i)
    first, last = np.array(cuts[:-1], dtype=np.intp), np.array(cuts[1:], dtype=np.intp)
    time = legs.time_unix_s[last] - legs.time_unix_s[first]
    place = np.stack([legs.latitude_deg, legs.longitude_deg, legs.height_m], axis=-1)
    start, end = place[first], place[last]
    u, v = np.empty(first.size), np.empty(first.size)
    for i in range(first.size):
        # as wide as the earth is at that height
        grown = 1.0 + 0.5 * (start[i, 2] + end[i, 2]) / c.WGS84_A_M
        east, north = local_m(end[i, 0], end[i, 1], start[i, 0], start[i, 1])
        u[i], v[i] = float(east) * grown / time[i], float(north) * grown / time[i]
    spot = np.hypot(legs.sigma_m[first], legs.sigma_m[last]) / time
    rate_spot = np.hypot(legs.height_sigma_m[first], legs.height_sigma_m[last]) / time
    # eddies are averaged over the time in the layer, a minute at a time
    calm = np.sqrt(np.minimum(60.0 / time, 1.0))
    return Layers(
        legs.time_unix_s[first], legs.time_unix_s[last], start, end, u, v,
        np.hypot(spot, SWING_MPS * calm), (end[:, 2] - start[:, 2]) / time,
        np.hypot(rate_spot, UPDRAFT_MPS * calm),
    )  # fmt: skip
