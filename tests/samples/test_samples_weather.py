"""The weather of the invented week behaves: front, day and night, cloud, errors of forecasts."""

from functools import cache

import numpy as np
import pytest
from decoded_samples import LATITUDE_DEG, LONGITUDE_DEG, Cube, FloatArray, cube
from island import SITES, Place, land_fraction, terrain_m
from sky import NO_CEILING_M

CYCLES_H = (0, 6, 12, 18)
MEMBERS = "skerra-members-2026-05-04T12Z.grib2"
LOCAL_H = -2.0  # America/Noronha is UTC-2 the whole year (tz database)


def _cycle(hour: int) -> Cube:
    return cube(f"skerra-2026-05-04T{hour:02d}Z.grib2")


def _at_site(field: FloatArray, name: str) -> FloatArray:
    """Series at the grid point nearest to a site."""
    site = next(s for s in SITES if s.name == name)
    row = int(np.argmin(np.abs(LATITUDE_DEG - site.latitude_deg)))
    column = int(np.argmin(np.abs(LONGITUDE_DEG - site.longitude_deg)))
    return field[..., row, column]


def _direction_deg(u: FloatArray, v: FloatArray) -> FloatArray:
    return np.asarray(np.mod(np.degrees(np.arctan2(-u, -v)), 360.0))


def _front_h(hour: int, site: str, after_h: float, before_h: float) -> float:
    """When the sea-level pressure is lowest between two hours, by a parabola. [h]"""
    c = _cycle(hour)
    pressure = _at_site(c.fields["msl"], site)
    span = np.flatnonzero((c.time_h >= after_h) & (c.time_h <= before_h))
    low = span[np.argmin(pressure[span])]
    a, b, d = pressure[low - 1], pressure[low], pressure[low + 1]
    return float(c.time_h[low] + 1.5 * (a - d) / (a - 2.0 * b + d))


# --- the front ------------------------------------------------------------------------------
@pytest.mark.parametrize("site", [s.name for s in SITES])
@pytest.mark.parametrize("hour", CYCLES_H)
def test_front_brings_trough_veer_cooling_rain_and_gusts(hour: int, site: str) -> None:
    c = _cycle(hour)
    front = _front_h(hour, site, 44.0, 80.0)
    f = {name: _at_site(values, site) for name, values in c.fields.items()}
    before = int(np.argmin(np.abs(c.time_h - (front - 6.0))))
    after = int(np.argmin(np.abs(c.time_h - (front + 6.0))))
    near = np.abs(c.time_h - front) <= 6.0
    assert f["msl"][near].min() < min(f["msl"][before - 4], f["msl"][after + 4]) - 500.0
    direction = _direction_deg(f["u10"], f["v10"])
    assert 170.0 < direction[before] < 250.0
    assert 280.0 < direction[after] < 350.0
    level_850 = int(np.flatnonzero(c.level_hpa == 850.0)[0])
    t850 = f["t"][:, level_850]
    assert t850[before] - t850[after + 2] > 4.0
    assert f["tp"][near].max() > 5.0
    assert f["lcc"][near].max() > 85.0
    assert f["ceiling"][near].min() < 500.0
    assert 14.0 < f["gust"][np.abs(c.time_h - front) <= 12.0].max() < 23.0
    speed = np.hypot(f["u10"], f["v10"])
    assert 8.0 < speed[np.abs(c.time_h - front) <= 12.0].max() < 17.0


def test_front_moves_from_west_to_east() -> None:
    crossing = [_front_h(18, site, 44.0, 80.0) for site in ("Brackwater", "Highmoor")]
    assert 0.5 < crossing[1] - crossing[0] < 5.0


def test_earlier_cycles_have_both_fronts_later() -> None:
    for after, before, first in ((44.0, 80.0, 5.0), (130.0, 175.0, 12.0)):
        crossing = [_front_h(hour, "Millfield", after, before) for hour in CYCLES_H]
        late = np.array(crossing) - crossing[-1]
        assert (np.diff(late) < 0.0).all(), late
        assert 0.6 * first < late[0] < 1.4 * first, late


def test_a_small_trough_on_saturday_is_missed_by_the_early_cycles() -> None:
    """9 May, 05 to 14 local time, in the north; the south of the island stays dry."""
    rain = {}
    for hour in CYCLES_H:
        c = _cycle(hour)
        span = (c.time_h > 120.0 + 7.0) & (c.time_h <= 120.0 + 16.0)
        rain[hour] = {s.name: _at_site(c.fields["tp"], s.name)[span].sum() for s in SITES}
    assert max(rain[0].values()) == 0.0
    assert max(rain[6].values()) < 1.0
    assert 4.0 < rain[12]["Highmoor"] < rain[18]["Highmoor"]
    assert rain[18]["Millfield"] < 0.4 * rain[18]["Highmoor"]


def test_warm_air_ahead_of_the_front_can_feed_showers() -> None:
    c = _cycle(18)
    cape = c.fields["cape"]
    ahead = (c.time_h >= 36.0) & (c.time_h < 62.0)
    behind = (c.time_h >= 72.0) & (c.time_h < 84.0)  # the whole grid is behind it
    assert cape[ahead].max() > 150.0
    assert cape[behind].max() < 0.5 * cape[ahead].max()


# --- quiet days -----------------------------------------------------------------------------
@pytest.mark.parametrize("site", [s.name for s in SITES])
def test_mornings_in_the_ridge_are_quiet_and_dry(site: str) -> None:
    """Friday 8 May, 04 to 10 local time: what a flight director waits for."""
    c = _cycle(18)
    span = (c.time_h >= 96.0 + 6.0) & (c.time_h <= 96.0 + 12.0)
    f = {name: _at_site(values, site)[span] for name, values in c.fields.items()}
    assert np.hypot(f["u10"], f["v10"]).max() < 5.0
    assert f["gust"].max() < 7.0
    assert f["tp"].max() == 0.0
    assert f["msl"].min() > 101800.0


def test_days_warm_the_land_more_than_the_sea_and_wake_its_wind() -> None:
    c = _cycle(18)
    local = np.mod(c.time_h + LOCAL_H, 24.0)
    friday = (c.time_h + LOCAL_H >= 96.0) & (c.time_h + LOCAL_H < 120.0)
    land, sea = c.fields["land"][0] > 0.95, c.fields["land"][0] < 0.02
    warmth = c.fields["t2m"][friday]
    over_land, over_sea = warmth[:, land].mean(axis=1), warmth[:, sea].mean(axis=1)
    assert 12.0 <= local[friday][np.argmax(over_land)] <= 17.0
    assert local[friday][np.argmin(over_land)] <= 6.0
    assert np.ptp(over_land) > 1.8 * np.ptp(over_sea)
    low, high = (np.hypot(c.fields[f"u{h}"], c.fields[f"v{h}"])[friday] for h in (10, 100))
    share = (low / high)[:, land].mean(axis=1)
    assert share[np.argmax(over_land)] > share[np.argmin(over_land)] + 0.1


# --- each value for itself ------------------------------------------------------------------
@pytest.mark.parametrize("hour", CYCLES_H)
def test_surface_fields_agree_with_each_other(hour: int) -> None:
    f = _cycle(hour).fields
    assert (f["td2m"] <= f["t2m"]).all()
    layers = np.stack([f["lcc"], f["mcc"], f["hcc"]])
    assert layers.min() >= 0.0
    assert f["tcc"].max() <= 100.0
    assert (f["tcc"] >= layers.max(axis=0) - 1.0).all()  # rounding to whole percent
    assert (f["tcc"] <= layers.sum(axis=0) + 1.5).all()
    speed = np.hypot(f["u10"], f["v10"])
    assert (f["gust"] > speed).all()
    assert (f["gust"] < speed + 8.0).all()
    assert (np.hypot(f["u100"], f["v100"]) > speed - 0.15).all()
    assert f["prate"].min() >= 0.0
    assert (f["prate"] * 3600.0 < 12.0).all()
    assert (f["lcc"][f["prate"] > 0.0] + f["mcc"][f["prate"] > 0.0] > 20.0).all()
    assert f["vis"].min() >= 500.0
    assert f["vis"].max() <= 24000.0
    assert f["vis"][f["prate"] * 3600.0 > 3.0].max() < 10000.0
    assert f["cape"].min() >= 0.0
    assert f["cape"].max() < 1500.0


@pytest.mark.parametrize("hour", CYCLES_H)
def test_ceiling_stands_where_more_than_half_the_sky_is_low_or_middle_cloud(hour: int) -> None:
    f = _cycle(hour).fields
    covered = 100.0 - (100.0 - f["lcc"]) * (100.0 - f["mcc"]) / 100.0
    ceiling = f["ceiling"]
    assert (ceiling[covered < 49.0] == NO_CEILING_M).all()
    assert (ceiling[covered > 51.0] <= 2500.0).all()
    assert (ceiling[f["lcc"] > 51.0] <= 2000.0).all()
    assert ceiling.min() >= 100.0


def test_sums_of_rain_agree_with_its_rate() -> None:
    """Trapezoid over three-hourly rates against the sums: 10 % over the whole week."""
    f = _cycle(18).fields
    trapezoid = 0.5 * (f["prate"][1:] + f["prate"][:-1]) * 3.0 * 3600.0
    share = np.nansum(f["tp"], axis=0) / trapezoid.sum(axis=0)
    assert np.abs(share - 1.0).max() < 0.1


def test_model_ground_is_the_island_smoothed() -> None:
    f = _cycle(0).fields
    grid = np.meshgrid(LATITUDE_DEG, LONGITUDE_DEG, indexing="ij")
    assert np.corrcoef(f["land"][0].ravel(), land_fraction(*grid).ravel())[0, 1] > 0.97
    assert np.corrcoef(f["orography"][0].ravel(), terrain_m(*grid).ravel())[0, 1] > 0.97
    assert (f["orography"][0][f["land"][0] == 0.0] == 0.0).all()


@pytest.mark.parametrize("site", SITES, ids=lambda s: s.name)
def test_sites_stand_on_land_at_their_height(site: Place) -> None:
    assert float(land_fraction(site.latitude_deg, site.longitude_deg)) > 0.9
    assert abs(float(terrain_m(site.latitude_deg, site.longitude_deg)) - site.height_m) < 30.0


# --- forecasts err ----------------------------------------------------------------------------
@cache
def _error_mps(hour: int) -> tuple[FloatArray, FloatArray]:
    """Lead [h] and rms difference of the 500 hPa wind from the last cycle's, at shared times."""
    early, last = _cycle(hour), _cycle(18)
    shared = np.intersect1d(early.time_h, last.time_h)
    i, j = np.searchsorted(early.time_h, shared), np.searchsorted(last.time_h, shared)
    level = int(np.flatnonzero(last.level_hpa == 500.0)[0])
    square = [(early.fields[n][i, level] - last.fields[n][j, level]) ** 2 for n in ("u", "v")]
    return shared - early.time_h[0], np.sqrt(sum(square).mean(axis=(1, 2)))


@pytest.mark.parametrize("hour", CYCLES_H[:-1])
def test_error_grows_with_lead(hour: int) -> None:
    lead, error = _error_mps(hour)
    first, second, third = (
        error[(lead > low) & (lead <= high)].mean() for low, high in ((0, 36), (36, 96), (96, 168))
    )
    assert first < second < third


def test_later_cycles_are_nearer_to_the_last() -> None:
    mean = [_error_mps(hour)[1].mean() for hour in CYCLES_H[:-1]]
    assert mean[0] > 1.25 * mean[1]
    assert mean[1] > 1.25 * mean[2]
    assert mean[2] > 0.2


def test_control_is_the_deterministic_forecast() -> None:
    control, whole = cube(MEMBERS, 0), _cycle(12)
    steps = np.searchsorted(whole.step_h, control.step_h)
    levels = np.searchsorted(-whole.level_hpa, -control.level_hpa)
    for name in ("u", "v", "t", "gh"):
        assert (control.fields[name] == whole.fields[name][np.ix_(steps, levels)]).all()
    for name in ("u10", "v10", "gust"):
        assert (control.fields[name] == whole.fields[name][steps]).all()


def test_members_begin_together_and_part() -> None:
    members = [cube(MEMBERS, number) for number in range(8)]
    lead = members[0].step_h
    spread = np.stack([m.fields["u10"] for m in members]).std(axis=0).mean(axis=(1, 2))
    assert spread[0] < 0.01
    day1, day3, day6 = (spread[(lead > d - 24) & (lead <= d)].mean() for d in (24, 72, 144))
    assert day1 < day3 < day6
    assert 0.4 < day6 < 2.5
