"""The box of forecast that a watch needs."""

import pytest

from windowwatch.scoring.values import Site
from windowwatch.watch.values import area_of


def site(latitude_deg: float, longitude_deg: float) -> Site:
    return Site("x", latitude_deg, longitude_deg, 0.0, "UTC")


def test_one_site_has_its_reach_round_it() -> None:
    south, west, north, east = area_of([site(0.0, 10.0)], reach_deg=6.0)
    assert (south, north) == (-6.0, 6.0)
    assert west == pytest.approx(10.0 - 6.033, abs=0.01)
    assert east == pytest.approx(10.0 + 6.033, abs=0.01)


def test_longitude_margin_widens_towards_the_pole() -> None:
    _, west, _, east = area_of([site(54.0, 0.0)], reach_deg=6.0)
    assert east - west == pytest.approx(24.0, abs=0.01)  # 6 / cos(60°) either way


def test_two_sites_across_the_date_line_give_a_narrow_box() -> None:
    _, west, _, east = area_of([site(0.0, 179.0), site(0.0, -179.0)], reach_deg=1.0)
    assert west == pytest.approx(178.0, abs=0.01)
    assert east == pytest.approx(182.0, abs=0.01)


def test_longitudes_written_0_to_360_mean_the_same() -> None:
    assert area_of([site(46.0, 323.4)]) == pytest.approx(area_of([site(46.0, -36.6)]))


def test_sites_all_round_the_world_take_the_whole_circle() -> None:
    area = area_of([site(60.0, value) for value in (-120.0, 0.0, 120.0)], reach_deg=40.0)
    assert area == (20.0, -180.0, 90.0, 180.0)
