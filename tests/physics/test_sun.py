"""Sun elevation, rise and set against the NREL algorithm and published times."""

from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from pvlib import spa

from windowwatch.physics import sun


def seconds(text: str, hours_east: float = 0.0) -> float:
    zone = timezone(timedelta(hours=hours_east))
    return datetime.fromisoformat(text).replace(tzinfo=zone).timestamp()


def test_elevation_against_the_nrel_algorithm() -> None:
    chance = np.random.default_rng(2)
    time = chance.uniform(-6e8, 2.5e9, 1_500)  # 1951 to 2049
    latitude, longitude = chance.uniform(-89, 89, 1_500), chance.uniform(-180, 180, 1_500)
    ours = sun.solar_elevation_deg(time, latitude, longitude)
    # Made for many times at one place; each formula takes a place for each time as well.
    about = 0, 1013, 15, 69.2, 0.5667  # height, pressure, temperature, delta T, refraction
    theirs = spa.solar_position(time, latitude, longitude, *about, numthreads=1)[3]
    for i in range(0, 1_500, 100):
        one = spa.solar_position(time[[i]], latitude[i], longitude[i], *about, numthreads=1)
        assert theirs[i] == one[3][0]
    assert np.abs(ours - theirs).max() < 0.02


# Place, hours east of UTC, start of local day, rise, set: NREL SPA as implemented by pvlib;
# Boulder (I. Reda and A. Andreas, NREL/TP-560-34302, 2008, example) rise only, because
# the published sunset is that of the evening before.
PUBLISHED = [
    (51.4779, 0.0, 0, "2026-03-20", "06:02:52", "18:12:59"),
    (51.4779, 0.0, 0, "2026-06-21", "03:42:43", "20:20:53"),
    (51.4779, 0.0, 0, "2026-09-23", "05:47:34", "17:56:10"),
    (51.4779, 0.0, 0, "2026-12-21", "08:03:04", "15:53:03"),
    (38.8951, -77.0364, -4, "2026-03-20", "07:11:29", "19:20:10"),
    (38.8951, -77.0364, -4, "2026-06-21", "05:43:03", "20:36:44"),
    (38.8951, -77.0364, -5, "2026-12-21", "07:23:08", "16:49:29"),
    (-33.8688, 151.2093, 10, "2026-06-21", "07:00:09", "16:53:49"),
    (39.742476, -105.1786, -7, "2003-10-17", "06:12:43", "17:18:37"),
]


@pytest.mark.parametrize("row", PUBLISHED, ids=lambda row: f"{row[0]:.0f}-{row[3]}")
def test_rise_and_set_within_a_minute(row: tuple[float, float, float, str, str, str]) -> None:
    latitude, longitude, east, day, rise, fall = row
    start = seconds(day, east)
    rises = float(sun.sunrise_unix_s(start, latitude, longitude))
    sets = float(sun.sunset_unix_s(start, latitude, longitude))
    assert rises == pytest.approx(seconds(f"{day}T{rise}", east), abs=60.0)
    assert sets == pytest.approx(seconds(f"{day}T{fall}", east), abs=60.0)


def test_evening_before_of_a_site_in_the_west() -> None:
    # 00:20 UTC on the 17th is still the 16th in Boulder
    start = datetime(2003, 10, 17, tzinfo=UTC).timestamp()
    sets = float(sun.sunset_unix_s(start, 39.742476, -105.1786))
    assert sets == pytest.approx(seconds("2003-10-16T17:20:19", -7), abs=60.0)


def test_civil_dusk() -> None:
    start = seconds("2026-03-20T12:00")
    dusk = float(sun.sunset_unix_s(start, 51.4779, 0.0, sun.CIVIL_TWILIGHT_DEG))
    assert dusk == pytest.approx(seconds("2026-03-20T18:46:41"), abs=60.0)


@pytest.mark.parametrize(("event", "sign"), [(sun.sunset_unix_s, 1), (sun.sunrise_unix_s, -1)])
def test_next_event_is_the_one_a_search_by_hand_finds(event, sign) -> None:  # type: ignore[no-untyped-def]
    chance = np.random.default_rng(3)
    time = chance.uniform(1.7e9, 1.9e9, 400)
    latitude, longitude = chance.uniform(-89, 89, 400), chance.uniform(-180, 180, 400)
    found = event(time, latitude, longitude)
    walk = time[:, None] + np.arange(0.0, 88_000.0, 120.0)
    height = sun.solar_elevation_deg(walk, latitude[:, None], longitude[:, None]) - sun.RISE_SET_DEG
    crossed = (height[:, :-1] * sign > 0.0) & (height[:, 1:] * sign <= 0.0)
    first = np.where(crossed.any(axis=1), time + 120.0 * crossed.argmax(axis=1), np.nan)
    assert np.array_equal(np.isfinite(found), np.isfinite(first))
    some = np.isfinite(found)
    assert np.all((found[some] >= first[some] - 1.0) & (found[some] <= first[some] + 121.0))


def test_polar_day_and_night() -> None:
    june, december = seconds("2026-06-21"), seconds("2026-12-21")
    assert sun.sunset_unix_s(june, 75.0, 20.0) == np.inf  # daylight without end
    assert sun.sunset_unix_s(december, 75.0, 20.0) == -np.inf  # no daylight
    assert sun.sunrise_unix_s(december, 75.0, 20.0) == np.inf
    assert sun.sunrise_unix_s(june, 75.0, 20.0) == -np.inf
    assert np.isnan(sun.sunset_unix_s(np.nan, 50.0, 0.0))
    assert np.isnan(sun.sunset_unix_s(june, np.nan, 0.0))
