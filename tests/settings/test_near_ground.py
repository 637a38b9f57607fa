"""The keys of [forecast] about a finer model near the ground."""

from pathlib import Path

import pytest
from line_watch import settings_in

from windowwatch.errors import SettingsError
from windowwatch.settings.read import read_settings


def test_without_it_nothing_finer_is_fetched(tmp_path: Path) -> None:
    assert read_settings(settings_in(tmp_path)).near_plan() is None


def test_hosts_and_steps_are_as_set(tmp_path: Path) -> None:
    more = """
[forecast]
near_ground = "hrrr"
near_ground_every_h = 3
near_ground_urls = ["https://mirror.example/hrrr/"]
keep_days = 0.5
"""
    plan = read_settings(settings_in(tmp_path, more)).near_plan()
    assert plan is not None
    (route,) = plan.finer.model.routes
    assert route.hosts == (("https://mirror.example/hrrr", "https://mirror.example/hrrr"),)
    assert (plan.every_h, plan.keep.days) == (3, 0.5)


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ('near_ground = "arome"', "near_ground = 'arome': give 'hrrr'"),
        ("near_ground_every_h = 3", "only with near_ground"),
        ('near_ground_urls = ["https://a.example"]', "only with near_ground"),
        ('near_ground = "hrrr"\nnear_ground_urls = ["a.example"]', "no address"),
        ('near_ground = "hrrr"\nnear_ground_every_h = 0', "near_ground_every_h"),
        ('source = "hrrr"', "source"),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, keys: str, words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        read_settings(settings_in(tmp_path, f"\n[forecast]\n{keys}\n"))
