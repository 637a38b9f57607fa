"""What is not known: draws of it, and the footprint that comes of it."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from statistics import NormalDist
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import InputError
from windowwatch.physics.ascenterror import ASCENT_ERROR, AscentErrorModel
from windowwatch.physics.earth import POLE_REFUSED_DEG, destination, local_m
from windowwatch.physics.train import FlightTrain
from windowwatch.physics.winderror import (
    FORECAST_ERROR,
    SURFACE_ERROR,
    Shown,
    SurfaceErrorModel,
    WindErrorModel,
    modes,
)
from windowwatch.units import FloatArray

#: Heights at which a draw's errors of wind and rise are given, linear between. [m]
KNOT_HEIGHT_M: FloatArray = np.arange(0.0, 46_001.0, 2_000.0)
#: A footprint needs this many landings: fewer say next to nothing about an ellipse. [1]
FEWEST_LANDINGS = 4
#: From this many landings on, containment is counted rather than computed. [1] Judgement.
_ENOUGH_TO_COUNT = 60


@dataclass(frozen=True)
class Draws:
    """Draws of what is not known, for every launch. Draw 0 is the central one.

    Attributes
    ----------
    lift, burst, drag, canopy : float64 array [N, D]
        Factors on nozzle lift, burst diameter, balloon drag coefficient and parachute
        drag coefficient. [1]
    height_m : float64 array [K]
        Heights of the errors that vary with height. [m]
    wind_u_mps, wind_v_mps : float32 array [N, D, K]
        Error to be added to the forecast wind. [m s⁻¹]
    log_rise : float32 array [N, D, K]
        Natural logarithm of the factor on the ascent rate. [1]
    growth_per_km : float
        Fraction by which the wind's error grows per kilometre above the forecast's top.
    """

    lift: FloatArray
    burst: FloatArray
    drag: FloatArray
    canopy: FloatArray
    height_m: FloatArray
    wind_u_mps: NDArray[np.float32]
    wind_v_mps: NDArray[np.float32]
    log_rise: NDArray[np.float32]
    growth_per_km: float = 0.0

    def __post_init__(self) -> None:
        for name in ("burst", "drag", "canopy"):
            if getattr(self, name).shape != self.lift.shape:
                raise InputError(f"draws of {name} and lift differ in shape")
        for name in ("wind_u_mps", "wind_v_mps", "log_rise"):
            if getattr(self, name).shape != (*self.lift.shape, self.height_m.size):
                raise InputError(f"draws of {name} do not fit the other draws")


class LaunchTimes(Protocol):
    """Anything that has launch times, array [N]: `flights.Launches` above all."""

    @property
    def time_unix_s(self) -> FloatArray:
        """Launch times. [s]"""
        ...


def central_draw(launches: int) -> Draws:
    """One draw a launch with nothing unknown in it."""
    one = np.ones((launches, 1))
    none = np.zeros((launches, 1, KNOT_HEIGHT_M.size), dtype=np.float32)
    return Draws(one, one, one, one, KNOT_HEIGHT_M, none, none, none)


def make_draws(
    train: FlightTrain,
    launches: LaunchTimes,
    *,
    count: int,
    watch: str,
    cycle_id: str,
    site: str | Sequence[str],
    cycle_unix_s: float,
    wind_error: WindErrorModel = FORECAST_ERROR,
    shown: Shown | None = None,
    ascent_error: AscentErrorModel = ASCENT_ERROR,
) -> Draws:
    """Draw what is not known about every launch, reproducibly.

    Parameters
    ----------
    train : FlightTrain
        Gives the standard deviations of fill, burst, drag and canopy.
    launches : Launches
        [N]; only their times are used.
    count : int
        Draws a launch, the first of them central (nothing perturbed).
    watch, cycle_id, site : str
        What the random stream hangs on, together with the launch time. `site` may be one
        name for each launch.
    cycle_unix_s : float
        Reference time of the cycle; lead time counts from it. [s]
    wind_error : WindErrorModel
    shown : Shown, optional
        What an ensemble's members already show of the wind's error, [N, K] at `KNOT_HEIGHT_M`:
        only the rest is drawn.
    ascent_error : AscentErrorModel

    Returns
    -------
    Draws

    Raises
    ------
    InputError
        If `count` is below 1, or the sites or what members show do not fit the launches.

    Notes
    -----
    Each unknown is cut into strata of equal probability, of which every draw takes another
    one (Latin hypercube) and the central draw the middle one, so that a handful of draws
    is already balanced. Factors are lognormal: a draw can never turn negative.

    References
    ----------
    .. [1] M. D. McKay, R. J. Beckman, W. J. Conover, Technometrics 21 (1979), 239-245.
    """
    time = launches.time_unix_s
    sites = [site] * time.size if isinstance(site, str) else list(site)
    if count < 1:
        raise InputError(f"at least one draw is needed; asked for {count}")
    if len(sites) != time.size:
        raise InputError(f"{len(sites)} sites were named for {time.size} launches")
    knots = KNOT_HEIGHT_M.size
    if shown is not None and shown.variance.shape != (time.size, knots):
        raise InputError(
            f"what members show has shape {shown.variance.shape}, not {(time.size, knots)}"
        )
    normal = np.zeros((time.size, 4 + 2 * knots, count))
    rising = np.zeros((time.size, knots, count))
    if count > 1:
        for n, (name, moment) in enumerate(zip(sites, time, strict=True)):
            words = watch, cycle_id, name, f"{moment:.0f}"
            normal[n, :, 1:] = _strata(_stream(*words), normal.shape[1], count)
            rising[n, :, 1:] = _strata(_stream(*words, "rise"), knots, count)
        normal[:, :, 1:], rising[:, :, 1:] = _normal(normal[:, :, 1:]), _normal(rising[:, :, 1:])
    sigmas = (train.lift_sigma, train.burst_sigma, train.drag_sigma, train.canopy_sigma)
    lift, burst, drag, canopy = (np.exp(s * normal[:, k]) for k, s in enumerate(sigmas))
    drawn = modes(wind_error.covariance((time - cycle_unix_s) / 3600.0, KNOT_HEIGHT_M, shown))
    u, v = (_by_height(drawn, part) for part in np.split(normal[:, 4:], 2, axis=1))
    log_rise = _by_height(modes(ascent_error.covariance(KNOT_HEIGHT_M)), rising)
    return Draws(lift, burst, drag, canopy, KNOT_HEIGHT_M, u, v, log_rise, wind_error.growth_per_km)


def _by_height(drawn: FloatArray, normal: FloatArray) -> NDArray[np.float32]:
    """Draws [N, D, K] of modes [(N,) K, modes] and unit normals [N, modes, D]."""
    return np.ascontiguousarray((drawn @ normal).swapaxes(1, 2), dtype=np.float32)


def draw_surface_errors(
    launches: LaunchTimes,
    *,
    count: int,
    watch: str,
    cycle_id: str,
    site: str,
    cycle_unix_s: float,
    model: SurfaceErrorModel = SURFACE_ERROR,
    shown: Shown | None = None,
) -> FloatArray:
    """Draw by how much the wind speed at the site differs from its forecast.

    Parameters
    ----------
    launches, count, watch, cycle_id, site, cycle_unix_s
        As in `make_draws`; the stream is another one.
    model : SurfaceErrorModel
    shown : Shown, optional
        What an ensemble's members already show of the speed's error, [N]: only the rest is drawn.

    Returns
    -------
    array [N, D]
        To be added to the speed, stratified; 0 for the central draw. [m s⁻¹]
    """
    time = launches.time_unix_s
    normal = np.zeros((time.size, count))
    if count > 1:
        for n, moment in enumerate(time):
            stream = _stream(watch, cycle_id, site, f"{moment:.0f}", "surface")
            normal[n, 1:] = _normal(_strata(stream, 1, count))[0]
    lead_hours = (time - cycle_unix_s) / 3600.0
    variance = model.sigma_mps(lead_hours) ** 2
    if shown is not None:
        variance = np.maximum(variance - shown.variance, 0.0) + shown.unseen
    return np.asarray(normal * np.sqrt(variance)[:, np.newaxis])


def _stream(*words: str) -> np.random.Generator:
    """Random stream that hangs on words alone, the same on every machine."""
    digest = hashlib.blake2b("\x1f".join(words).encode(), digest_size=16).digest()
    return np.random.Generator(np.random.Philox(key=int.from_bytes(digest, "little")))


def _strata(stream: np.random.Generator, dimensions: int, count: int) -> FloatArray:
    """Probabilities [dimensions, count - 1], one in each stratum outside the middle one."""
    others = count - 1
    order = stream.random((dimensions, others)).argsort(axis=1)
    spot = (order + stream.random((dimensions, others))) / others * (1.0 - 1.0 / count)
    return np.asarray(spot + np.where(spot >= 0.5 * (1.0 - 1.0 / count), 1.0 / count, 0.0))


#: Between these probabilities deviates are read from a table: linear between its values they are
#: right to 2e-6. A pass asks for millions, and one by one they took a tenth of its time.
_TABLE_FROM, _TABLE_STEPS = 1e-3, 1 << 17


@cache
def _table() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Probabilities, their standard normal deviates, and the slopes between these."""
    steps = np.linspace(_TABLE_FROM, 1.0 - _TABLE_FROM, _TABLE_STEPS + 1)
    found = np.array([NormalDist().inv_cdf(each) for each in steps.tolist()])
    return steps, found, np.diff(found) / np.diff(steps)


def _normal(probability: FloatArray) -> FloatArray:
    """Standard normal deviates of probabilities."""
    steps, deviates, slopes = _table()
    # the table is even, so its row is known: `numpy.interp` looks for it, which takes ten times as
    # long, and finds the same number to the last bit
    row = ((probability - _TABLE_FROM) * (_TABLE_STEPS / (1.0 - 2.0 * _TABLE_FROM))).astype(np.intp)
    row = np.clip(row, 0, _TABLE_STEPS - 1)
    found = slopes[row] * (probability - steps[row]) + deviates[row]
    far = np.abs(probability - 0.5) > 0.5 - _TABLE_FROM
    tails = np.clip(probability[far], 1e-12, 1.0 - 1e-12)
    found[far] = [NormalDist().inv_cdf(each) for each in tails.tolist()]
    return np.asarray(found)


@dataclass(frozen=True)
class Footprint:
    """Where the flights of one launch hour land.

    `flights` is how many landings it rests on. Radii are of containment round the
    centre along the two axes. [m], bearing of the long axis clockwise from north. [deg]
    """

    latitude_deg: float
    longitude_deg: float
    flights: int
    major_50_m: float
    minor_50_m: float
    major_90_m: float
    minor_90_m: float
    bearing_deg: float


def footprint(latitude_deg: FloatArray, longitude_deg: FloatArray) -> Footprint | None:
    """Centre and containment ellipses of landings.

    Parameters
    ----------
    latitude_deg, longitude_deg : array
        Landings; NaN ones (flights that did not land) are left out. [deg]

    Returns
    -------
    Footprint or None
        None for fewer than four landings, or within a degree of a pole.

    Notes
    -----
    Centre and shape are robust: landings far out, measured in the shape itself, count
    less (Huber's weights for two dimensions). With few landings the ellipses are those in
    which a *new* landing would fall with the stated probability (Hotelling), and so are
    wider than the sample; from 60 on they are counted off the sample.

    References
    ----------
    .. [1] P. J. Huber, "Robust Statistics" (1981), chapter 8, for the weights.
    .. [2] H. Hotelling, Ann. Math. Stat. 2 (1931), 360-378, for small samples.
    """
    latitude = np.asarray(latitude_deg, dtype=np.float64).ravel()
    longitude = np.asarray(longitude_deg, dtype=np.float64).ravel()
    given = np.isfinite(latitude) & np.isfinite(longitude)
    latitude, longitude = latitude[given], longitude[given]
    if latitude.size < FEWEST_LANDINGS or np.any(np.abs(latitude) > POLE_REFUSED_DEG):
        return None
    origin = float(np.median(latitude)), float(longitude[0])
    points = np.stack(local_m(latitude, longitude, *origin))
    centre, covariance = _robust(points)
    values, vectors = np.linalg.eigh(covariance)
    values = np.maximum(values, 0.0)
    reach = _distances2(points, centre, covariance)
    k50, k90 = (_containment(reach, share) for share in (0.5, 0.9))
    minor, major = np.sqrt(values)
    bearing = float(np.degrees(np.arctan2(vectors[0, 1], vectors[1, 1])) % 180.0)
    away = float(np.hypot(*centre))
    lat0, lon0 = destination(*origin, np.degrees(np.arctan2(*centre)), away)
    return Footprint(
        float(lat0), float(lon0), int(latitude.size),
        float(k50 * major), float(k50 * minor), float(k90 * major), float(k90 * minor), bearing,
    )  # fmt: skip


def _distances2(points: FloatArray, centre: FloatArray, covariance: FloatArray) -> FloatArray:
    """Squared distance of points [2, n] from the centre, in units of the covariance.

    Written out for two dimensions: a pass asks some fifty thousand times.
    """
    x, y = points[0] - centre[0], points[1] - centre[1]
    # a footprint thinner than a metre is a line, or a point
    xx, xy, yy = covariance[0, 0] + 1.0, covariance[0, 1], covariance[1, 1] + 1.0
    return np.asarray((yy * x * x - 2.0 * xy * x * y + xx * y * y) / (xx * yy - xy * xy))


def _robust(points: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Centre and covariance with less weight for far points [2, n]."""
    weight = np.ones(points.shape[1])
    centre, covariance = points.mean(axis=1), np.cov(points)
    bound = 5.9915  # 95 % of a normal cloud lies within, chi-square with two degrees
    for _ in range(20):
        reach, before = _distances2(points, centre, covariance), weight
        weight = np.sqrt(bound / np.maximum(reach, bound))
        if np.abs(weight - before).max() < 1e-6:  # nothing moves by a millimetre any more
            break
        centre = points @ weight / weight.sum()
        off = (points - centre[:, np.newaxis]) * weight
        covariance = off @ off.T / (weight @ weight - 1.0)
    # a normal cloud loses 2.5 % of its variance to the weights; give it back
    return centre, covariance / 0.975


def _containment(reach2: FloatArray, share: float) -> float:
    """Semi-axis of containment over the standard deviation."""
    n = reach2.size
    if n >= _ENOUGH_TO_COUNT:
        rank = min(int(np.ceil((n + 1) * share)), n)
        return float(np.sqrt(np.partition(reach2, rank - 1)[rank - 1]))
    return float(np.sqrt((n * n - 1.0) / n * ((1.0 - share) ** (-2.0 / (n - 2.0)) - 1.0)))
