"""Front passages: one hand-made front, each sign by itself, what is missing, the invented week."""

from pathlib import Path

import island
import numpy as np
import pytest
import scenario
from numpy.typing import NDArray

from windowwatch.forecast.grib.framing import walk
from windowwatch.forecast.sources import load_file
from windowwatch.physics.surface import SurfaceSeries
from windowwatch.scoring.checks.series import FAR_H, SIGNS_NEEDED, front_signs, hours_from_front

FloatArray = NDArray[np.float64]
HOUR = 3600.0
#: Ninety-six hours in steps of three; the front passes between 48 and 51 h, so that it is
#: seen in the six hours from 45 and in those from 48 h.
TIME = np.arange(0.0, 97.0, 3.0) * HOUR
BEFORE = TIME <= 48.0 * HOUR


def wind(
    direction_before: float, direction_after: float, speed: float = 6.0
) -> dict[str, FloatArray]:
    turned = np.radians(np.where(BEFORE, direction_before, direction_after))
    return {
        "wind_u_10m_mps": -speed * np.sin(turned)[None],
        "wind_v_10m_mps": -speed * np.cos(turned)[None],
    }


def front() -> dict[str, FloatArray]:
    """South-west wind to north-west, colder, drier, pressure lowest as it passes, gusts."""
    hours = TIME / HOUR
    return {
        **wind(220.0, 310.0),
        "temperature_2m_k": np.where(BEFORE, 288.0, 284.0)[None],
        "dew_point_2m_k": np.where(BEFORE, 284.0, 278.0)[None],
        "pressure_msl_pa": (100_000.0 + 60.0 * np.abs(hours - 48.0))[None],
        "gust_mps": np.where(hours == 51.0, 16.0, 9.0)[None],
        "precipitation_rate_mmph": np.where(hours == 51.0, 2.0, 0.0)[None],
    }


def quiet() -> dict[str, FloatArray]:
    return {
        **wind(220.0, 220.0),
        "temperature_2m_k": np.full((1, TIME.size), 288.0),
        "dew_point_2m_k": np.full((1, TIME.size), 284.0),
        "pressure_msl_pa": np.full((1, TIME.size), 101_000.0),
        "gust_mps": np.full((1, TIME.size), 9.0),
        "precipitation_rate_mmph": np.zeros((1, TIME.size)),
    }


def strongest(values: dict[str, FloatArray], latitude_deg: float = 46.0) -> tuple[float, float]:
    """Most signs in any window, and the hour at which that begins."""
    least, _ = front_signs(SurfaceSeries(TIME, values), latitude_deg)
    at = int(np.argmax(least[0]))
    return float(least[0, at]), float(TIME[at] / HOUR)


def test_a_front_shows_its_signs_when_it_passes() -> None:
    signs, hour = strongest(front())
    assert signs >= 4.0
    assert hour == 45.0
    assert strongest(quiet())[0] == 0.0


@pytest.mark.parametrize(
    ("change", "signs"),
    [
        (wind(220.0, 265.0), 1.0),  # veers by 45 degrees
        (wind(220.0, 242.0), 0.0),  # by 22: less than half
        (wind(310.0, 220.0), 0.0),  # backs
        (wind(350.0, 40.0), 1.0),  # veers through north
        (wind(220.0, 310.0, speed=2.0), 0.0),  # too weak to mean anything
        ({"dew_point_2m_k": np.where(BEFORE, 284.0, 282.0)[None]}, 1.0),
        ({"dew_point_2m_k": np.where(BEFORE, 284.0, 282.5)[None]}, 0.5),
        ({"gust_mps": np.where(BEFORE, 9.0, 13.0)[None]}, 1.0),
        ({"precipitation_rate_mmph": np.where(BEFORE, 0.0, 0.5)[None]}, 1.0),
        ({"pressure_msl_pa": np.where(BEFORE, 101_000.0, 101_300.0)[None]}, 0.0),  # never fell
    ],
)
def test_each_sign_by_itself(change: dict[str, FloatArray], signs: float) -> None:
    assert strongest({**quiet(), **change})[0] == pytest.approx(signs, abs=1e-6)


def test_a_trough_needs_fall_and_rise() -> None:
    hours = TIME / HOUR
    trough = {"pressure_msl_pa": (100_000.0 + 40.0 * np.abs(hours - 48.0))[None]}
    assert strongest({**quiet(), **trough})[0] == pytest.approx(1.0)


def test_in_the_south_the_wind_backs() -> None:
    backing = {**quiet(), **wind(320.0, 230.0)}
    assert strongest(backing, -46.0)[0] == pytest.approx(1.0)
    assert strongest(backing, 46.0)[0] == 0.0


def test_the_sun_going_down_is_no_front() -> None:
    """A daily course of 12 K cools by more than 2 K in three hours every evening."""
    hours = TIME / HOUR
    course = {"temperature_2m_k": (288.0 + 6.0 * np.sin(2 * np.pi * hours / 24.0))[None]}
    assert strongest({**quiet(), **course})[0] == pytest.approx(0.0, abs=0.05)
    cold = {"temperature_2m_k": course["temperature_2m_k"] - np.where(BEFORE, 0.0, 4.0)}
    signs, hour = strongest({**quiet(), **cold})
    assert signs == pytest.approx(1.0)
    assert hour == 45.0


def test_hours_to_the_front_count_both_ways() -> None:
    launch = np.array([48.0, 44.5, 60.5, 30.0, 20.0]) * HOUR
    hours = hours_from_front(SurfaceSeries(TIME, front()), 46.0, launch)[:, 0]
    assert hours == pytest.approx([0.0, 3.5, 9.5, 18.0, 20.0])  # the last one: the edge
    calm = hours_from_front(SurfaceSeries(TIME, quiet()), 46.0, launch)[:, 0]
    assert calm == pytest.approx([FAR_H] * 3 + [24.0, 20.0])


def test_members_keep_their_own_fronts() -> None:
    both = {n: np.concatenate([v, quiet()[n]]) for n, v in front().items()}
    hours = hours_from_front(SurfaceSeries(TIME, both), 46.0, np.array([48.0 * HOUR]))
    assert hours.shape == (1, 2)
    assert hours[0] == pytest.approx([0.0, FAR_H])


def test_what_is_missing_counts_as_a_front_and_nothing_at_all_as_unknown() -> None:
    launch = np.array([48.0 * HOUR])
    gap = quiet()
    for name in ("temperature_2m_k", "dew_point_2m_k", "pressure_msl_pa"):
        gap[name] = np.where((TIME == 57.0 * HOUR)[None], np.nan, gap[name])
    assert hours_from_front(SurfaceSeries(TIME, gap), 46.0, launch)[0, 0] < 9.0
    bare = wind(220.0, 220.0)
    assert np.isnan(hours_from_front(SurfaceSeries(TIME, bare), 46.0, launch)[0, 0])
    assert np.isnan(hours_from_front(SurfaceSeries(TIME, {}), 46.0, launch)[0, 0])
    one_missing = {n: v for n, v in front().items() if n != "dew_point_2m_k"}
    assert hours_from_front(SurfaceSeries(TIME, one_missing), 46.0, launch)[0, 0] == 0.0


def test_signs_that_come_a_window_apart_belong_together() -> None:
    late = TIME <= 51.0 * HOUR
    apart = {
        **quiet(),
        **wind(220.0, 310.0),
        "gust_mps": np.where(BEFORE, 9.0, 14.0)[None],
        "dew_point_2m_k": np.where(late, 284.0, 280.0)[None],
    }
    assert strongest(apart)[0] == pytest.approx(3.0)


def _level_pa(message: bytes) -> int | None:
    """Pressure level of a field: octets 23 and 25 to 28 of section 4, code table 4.5."""
    place = 16
    while message[place + 4] != 4:
        place += int.from_bytes(message[place : place + 4], "big")
    product = message[place:]
    return int.from_bytes(product[24:28], "big") if product[22] == 100 else None


def test_the_invented_week_has_its_fronts_where_its_script_puts_them(tmp_path: Path) -> None:
    """All that fronts are seen by, which is near the ground; aloft two levels, to save time."""
    whole = Path(__file__).resolve().parents[2] / "grib_samples" / "skerra-2026-05-04T18Z.grib2"
    content, aloft = whole.read_bytes(), (None, 85_000, 50_000)
    messages = [content[f.offset : f.offset + f.length] for f in walk(str(whole)).frames]
    part = tmp_path / whole.name
    part.write_bytes(b"".join(each for each in messages if _level_pa(each) in aloft))
    cycle = load_file(part, "skerra")
    # When each front is over the middle of the island; forecasts and sites differ by hours.
    strong, weak = (front.crossing_h for front in scenario.FRONTS if not front.missed)
    seen = []
    for site in island.SITES:
        series = cycle.surface.at(site.latitude_deg, site.longitude_deg)
        least, _ = front_signs(series, site.latitude_deg)
        hours = (series.time_unix_s - scenario.EPOCH.timestamp()) / HOUR + 3.0
        found = hours[least[0] >= SIGNS_NEEDED]
        assert np.any(np.abs(found - strong) < 6.0), site.name
        assert all(min(abs(hour - strong), abs(hour - weak)) < 9.0 for hour in found), site.name
        seen.append(bool(np.any(np.abs(found - weak) < 9.0)))
    assert sum(seen) >= 2, "the weak front shows at most sites"
