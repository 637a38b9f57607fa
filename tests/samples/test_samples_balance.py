"""The laws of the free air hold in the files: hydrostatics, geostrophy, thermal wind, lapse.

Equations from Holton and Hakim, An Introduction to Dynamic Meteorology (from memory); constants
from the U.S. Standard Atmosphere, 1976 (gas constant of dry air, standard gravity) and WMO-No.
306, code table 3.2 (Earth radius). Tolerances are stated with their reason: rounding in the
files (0.1 K, 0.1 m/s, 1 gpm) and the coarse grid (0.5 degree, 22 levels).
"""

import numpy as np
import pytest
from decoded_samples import LATITUDE_DEG, Cube, FloatArray, cube
from scipy.interpolate import PchipInterpolator

GAS_CONSTANT = 287.053
GRAVITY = 9.80665
RADIUS_M = 6_371_229.0
EARTH_RATE_PER_S = 7.292115e-5

FILES = [f"skerra-2026-05-04T{hour:02d}Z.grib2" for hour in (0, 6, 12, 18)]
CORIOLIS = 2.0 * EARTH_RATE_PER_S * np.sin(np.radians(LATITUDE_DEG))[1:-1, None]


@pytest.fixture(params=[*[(f, None) for f in FILES], ("skerra-members-2026-05-04T12Z.grib2", 5)],
                ids=[*[f[7:-6] for f in FILES], "member 5"])  # fmt: skip
def forecast(request: pytest.FixtureRequest) -> Cube:
    return cube(*request.param)


def _layers(c: Cube) -> tuple[FloatArray, FloatArray]:
    """Mean temperature of the layers between levels [T, L-1, Y, X] and their depth in ln p."""
    t = c.fields["t"]
    depth = np.log(c.level_hpa[:-1] / c.level_hpa[1:])[None, :, None, None]
    return 0.5 * (t[:, 1:] + t[:, :-1]), depth


def _slopes(field: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Eastward and northward gradient at the inner points, central differences. [1/m]"""
    across = 2.0 * RADIUS_M * np.radians(0.5)
    cosine = np.cos(np.radians(LATITUDE_DEG))[1:-1, None]
    east = (field[..., 1:-1, 2:] - field[..., 1:-1, :-2]) / (across * cosine)
    north = (field[..., :-2, 1:-1] - field[..., 2:, 1:-1]) / across  # rows run southwards
    return east, north


def _rms(*parts: FloatArray) -> float:
    return float(np.sqrt(np.mean(sum(part**2 for part in parts))))


def test_no_plane_is_missing(forecast: Cube) -> None:
    for name, values in forecast.fields.items():
        first = 1 if name == "tp" else 0
        last = 1 if name in {"orography", "land"} else None
        assert np.isfinite(values[first:last]).all(), name


def test_heights_are_hydrostatic(forecast: Cube) -> None:
    """Hypsometric equation, T integrated over ln p by scipy's monotone cubic through the levels.

    Rounding to 1 gpm and 0.1 K gives up to 1.2 gpm a layer; the rest is what the levels cannot
    show of fronts (0.2 % at most) and of the tropopause. A level mixed up with its neighbour would
    be off by 200 m or more.
    """
    zeta = np.log(1000.0 / forecast.level_hpa)
    through = PchipInterpolator(zeta, forecast.fields["t"], axis=1).antiderivative()
    thickness = GAS_CONSTANT / GRAVITY * np.diff(through(zeta), axis=1)
    error = np.diff(forecast.fields["gh"], axis=1) - thickness
    fine = forecast.level_hpa.size > 20
    assert _rms(error) < (1.0 if fine else 4.0)
    assert np.abs(error).max() < (5.0 if fine else 16.0)
    low = forecast.level_hpa[:-1] > 700.0
    assert (np.abs(error) < 1.2 + 0.002 * thickness)[:, low].all()


def test_wind_is_geostrophic_above_the_friction_layer(forecast: Cube) -> None:
    """1 gpm over 100 km is 0.9 m/s at 46 degrees: rounding alone gives 0.6 m/s rms."""
    aloft = forecast.level_hpa <= 700.0
    east, north = _slopes(forecast.fields["gh"][:, aloft])
    u, v = (forecast.fields[n][:, aloft, 1:-1, 1:-1] for n in ("u", "v"))
    error = (u + GRAVITY / CORIOLIS * north, v - GRAVITY / CORIOLIS * east)
    assert _rms(*error) < 0.8
    assert _rms(*error) < 0.08 * _rms(u, v)


def test_wind_turns_with_height_as_the_temperature_demands(forecast: Cube) -> None:
    """Thermal wind, layer by layer, against the gradient of the layer's mean temperature."""
    aloft = np.flatnonzero(forecast.level_hpa <= 700.0)
    mean_k, depth = _layers(forecast)
    east, north = _slopes(mean_k)
    factor = GAS_CONSTANT / CORIOLIS * depth
    inside = (slice(None), slice(None), slice(1, -1), slice(1, -1))
    shear_u = np.diff(forecast.fields["u"], axis=1)[inside]
    shear_v = np.diff(forecast.fields["v"], axis=1)[inside]
    error_u, error_v = shear_u + factor * north, shear_v - factor * east
    shear_u, shear_v, error_u, error_v = (
        x[:, aloft[:-1]] for x in (shear_u, shear_v, error_u, error_v)
    )
    fine = forecast.level_hpa.size > 20
    assert _rms(error_u, error_v) < (0.8 if fine else 1.7)
    assert _rms(error_u, error_v) < 0.2 * _rms(shear_u, shear_v)


def test_no_layer_overturns(forecast: Cube) -> None:
    """Dry adiabatic lapse rate 9.8 K/km (g over cp); rounding adds 0.3 K/km at most."""
    lapse = -np.diff(forecast.fields["t"], axis=1) / np.diff(forecast.fields["gh"], axis=1)
    assert lapse.max() * 1000.0 < 9.8


def test_heights_rise_and_temperatures_are_of_this_world(forecast: Cube) -> None:
    t = forecast.fields["t"]
    assert (np.diff(forecast.fields["gh"], axis=1) > 0.0).all()
    assert t.min() > 200.0
    assert t.max() < 303.0


def test_tropopause_lies_near_eleven_kilometres_and_moves_with_the_weather() -> None:
    """Where the lapse first falls to 2 K/km above 500 hPa (after WMO 1957, without its 2 km rule).

    The lapse belongs to the middle of a layer and is taken as straight between the middles; with
    these levels that puts the tropopause some 500 m too high.
    """
    c = cube(FILES[-1])
    gh = c.fields["gh"]
    lapse = -1000.0 * np.diff(c.fields["t"], axis=1) / np.diff(gh, axis=1)
    middle_m = 0.5 * (gh[:, 1:] + gh[:, :-1])
    low = int(np.flatnonzero(c.level_hpa == 500.0)[0])
    above = low + np.argmax(lapse[:, low:] <= 2.0, axis=1)[:, None]
    (l0, l1), (m0, m1) = (
        [np.take_along_axis(x, above - back, axis=1) for back in (1, 0)] for x in (lapse, middle_m)
    )
    height_m = m0 + (m1 - m0) * (l0 - 2.0) / (l0 - l1)
    assert 10500.0 < height_m.mean() < 12500.0
    assert height_m.max() - height_m.min() > 1000.0
    mid_troposphere = c.fields["t"][:, low]
    together = np.corrcoef(mid_troposphere.ravel(), height_m.ravel())[0, 1]
    assert together > 0.7, "high over warm air, low over cold"


def test_jet_is_at_its_height_and_the_stratosphere_calms() -> None:
    c = cube(FILES[-1])
    speed = np.hypot(c.fields["u"], c.fields["v"])
    at = {int(level): speed[:, index] for index, level in enumerate(c.level_hpa)}
    strongest = c.level_hpa[np.argmax(speed.max(axis=(0, 2, 3)))]
    assert strongest in (300.0, 250.0, 200.0)
    assert 35.0 < at[250].max() < 62.0
    assert 20.0 < at[250].mean() < 40.0
    assert at[50].mean() < 15.0
    assert at[20].mean() < 12.0
    top = np.flatnonzero(c.level_hpa <= 10.0)
    assert c.fields["u"][:, top].mean() < 0.0, "easterly in the upper stratosphere of May"


def test_surface_pressure_fits_sea_level_pressure_and_orography() -> None:
    """Barometric formula with a mean temperature of half the height at 6 K/km; 1 hPa is allowed."""
    c = cube(FILES[-1])
    height = c.fields["orography"][0]
    mean_k = c.fields["t2m"] + 0.003 * height
    expected = c.fields["msl"] * np.exp(-GRAVITY * height / (GAS_CONSTANT * mean_k))
    assert np.abs(expected - c.fields["sp"]).max() < 100.0
    assert height.max() > 300.0, "there must be hills for this to mean anything"


def test_height_of_1000_hpa_fits_sea_level_pressure() -> None:
    """A hectopascal is near 8.3 m at 1000 hPa and 284 K: z = R T / g ln(p / 1000 hPa)."""
    c = cube(FILES[0])
    expected = GAS_CONSTANT * c.fields["t"][:, 0] / GRAVITY * np.log(c.fields["msl"] / 1e5)
    assert np.abs(expected - c.fields["gh"][:, 0]).max() < 2.5


def test_wind_near_the_ground_is_slowed_and_turned_towards_low_pressure() -> None:
    """Over land 15 to 40 degrees, over sea 5 to 20 (common practice in forecasting, no source)."""
    c = cube(FILES[-1])
    density = c.fields["sp"] / (GAS_CONSTANT * c.fields["t2m"])
    east, north = _slopes(c.fields["msl"])
    free = (-north + 1j * east) / (CORIOLIS * density[:, 1:-1, 1:-1])
    near = (c.fields["u10"] + 1j * c.fields["v10"])[:, 1:-1, 1:-1]
    strong = np.abs(free) > 6.0
    turn = np.degrees(np.angle(near / free))
    ratio = np.abs(near) / np.abs(free)
    land = np.broadcast_to(c.fields["land"][0][1:-1, 1:-1], turn.shape)
    over_land, over_sea = strong & (land > 0.95), strong & (land < 0.02)
    assert 15.0 < np.median(turn[over_land]) < 40.0
    assert 5.0 < np.median(turn[over_sea]) < 20.0
    assert 0.35 < np.median(ratio[over_land]) < 0.75
    assert 0.65 < np.median(ratio[over_sea]) < 0.95
