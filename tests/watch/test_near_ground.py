"""A finer model near the ground, from a provider on the loopback to the stored hour."""

import logging
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import hrrr_maker
import numpy as np
import pytest
from click.testing import CliRunner
from fetching import close_all, register
from line_watch import REFERENCE, forecast_in, settings_in
from made_store import new_store
from provider import Provider, overloaded, provider, web_page

from windowwatch.child import ChildLimits
from windowwatch.cli.main import main
from windowwatch.clock import SimulatedClock
from windowwatch.forecast.cycle import CycleData
from windowwatch.forecast.grib.grid import LambertConformal, LambertGrid
from windowwatch.forecast.sources import load_file
from windowwatch.launchday.plan import Planned
from windowwatch.logs import LogStyle
from windowwatch.physics.neighbourhood import draw_shifts
from windowwatch.scoring.values import Hour, NearGap
from windowwatch.settings.read import Settings, read_settings
from windowwatch.storage.engine import sqlite_url
from windowwatch.storage.store import Store
from windowwatch.watch.launchday.desk import Desk
from windowwatch.watch.launchday.opening import OpenAs
from windowwatch.watch.nearby import read_near
from windowwatch.watch.pipeline import run_pass
from windowwatch.watch.polling.nearby import NearPlan, NearWatcher
from windowwatch.watch.polling.network import make_fetcher
from windowwatch.watch.polling.watching import PassContext, Watching
from windowwatch.wording.credits import near_words
from windowwatch.wording.gaps import notes_words

BEFORE = REFERENCE - timedelta(hours=6)
#: Round the site of the watch: the cone of HRRR, turned to another meridian.
KEYS = {
    "latitudeOfFirstGridPointInDegrees": 44.6,
    "longitudeOfFirstGridPointInDegrees": 354.5,
    "LoVInDegrees": 350.0,
}
GRID = LambertGrid(
    LambertConformal(38.5, 38.5, 350.0, 6_371_229.0), 31, 27, 44.6, 354.5, 3000.0, 3000.0, True
)
ALL = {"wind", "gust", "cloud", "ceiling", "visibility", "precipitation"}


@dataclass
class Line:
    """A watch whose deciding model lies in a folder, and a provider of the finer one."""

    host: Provider
    store: Store
    folder: Path
    settings: Settings
    plan: NearPlan
    watching: Watching
    forecast: CycleData

    def passed_here(self) -> tuple[Hour, ...]:
        """Hours after a pass that is made in this process."""
        watch, now = self.settings.watch, REFERENCE + timedelta(hours=1)
        clock = SimulatedClock(now)
        fetcher = register(make_fetcher(self.plan.retry_policy, clock))
        found = NearWatcher(watch, self.plan, self.store, clock, fetcher).look()
        near = read_near(found, watch, self.forecast.cycle)
        run_pass(self.forecast, watch, self.store, now_utc=now, near=near)
        return self.store.hours("line")

    def passed(self) -> tuple[Hour, ...]:
        """Hours after the deciding model's pass, as the daemon makes it."""
        forecast_in(self.folder / "forecasts")
        assert self.watching.look() == (), "files must be quiet for one look"
        (result,) = self.watching.look()
        assert result.saved
        return self.store.hours("line")


@pytest.fixture(scope="module")
def forecast(tmp_path_factory: pytest.TempPathFactory) -> CycleData:
    """The deciding model's, which is the same in every test that passes here."""
    return load_file(forecast_in(tmp_path_factory.mktemp("forecast")), "made")


def _line(
    host: Provider, folder: Path, forecast: CycleData, grid: LambertGrid | None = GRID
) -> Line:
    more = f"""
[forecast]
near_ground = "hrrr"
near_ground_urls = ["{host.url}"]
cache_folder = "cache"
tries = 1
"""
    settings = read_settings(settings_in(folder, more))
    file = folder / "near.sqlite3"
    store, url = new_store(file), sqlite_url(file)
    shop = PassContext(url, ChildLimits(), LogStyle(logging.WARNING))
    plan = settings.near_plan()
    assert plan is not None
    if grid is not None:
        plan = replace(plan, finer=replace(plan.finer, grid=grid))
    clock = SimulatedClock(REFERENCE + timedelta(hours=1))
    watching = Watching(settings.watch, settings.sources(), store, clock, shop, plan)
    return Line(host, store, folder, settings, plan, watching, forecast)


@pytest.fixture
def line(tmp_path: Path, forecast: CycleData) -> Iterator[Line]:
    with provider() as host:
        made = _line(host, tmp_path, forecast)
        yield made
        made.watching.close()
        made.store.close()
        close_all()


def _values(hour: Hour) -> dict[str, float | None]:
    return {check.name: check.value for check in hour.checks}


def _by_the_deciding_model(hours: tuple[Hour, ...], gap: NearGap) -> None:
    for hour in hours:
        assert hour.near_ground is not None
        assert hour.near_ground.checks == ()
        assert hour.near_ground.gap is gap
        assert _values(hour)["wind"] == pytest.approx(np.hypot(2.0, 2.0), abs=0.01)
        assert _values(hour)["gust"] == pytest.approx(5.0, abs=0.01)
        assert "by the deciding model" in near_words(hour.near_ground)


@pytest.mark.process
def test_hours_are_judged_by_the_finer_model_and_say_so(line: Line) -> None:
    hrrr_maker.fill(line.host, REFERENCE, range(13), KEYS, visibility=12_000.0)
    hours = line.passed()
    assert len(hours) == 6
    for hour in hours:
        near = hour.near_ground
        assert near is not None
        assert (near.cycle_id, near.gap) == ("hrrr-2026-05-04T12Z", None)
        assert set(near.checks) >= ALL
        said = _values(hour)
        assert said["wind"] == pytest.approx(6.0, abs=0.01)
        assert said["gust"] == pytest.approx(9.0, abs=0.01)
        assert said["cloud"] == pytest.approx(15.0, abs=0.1)
        assert said["ceiling"] == pytest.approx(3000.0, abs=1.0)
        assert said["visibility"] == pytest.approx(12.0, abs=0.1)
        assert said["thunder"] == 0.0, "what it is not asked stays the deciding model's"
        assert "thunder" not in near.checks
    (cycle,) = line.store.cycles("line")
    fetched = [f for f in cycle.files if "/hrrr/" in f.path]
    assert fetched, "the walk back to the file and its checksum"
    assert all(len(f.sha256) == 64 for f in fetched)
    assert any("HRRR" in words for words in notes_words(cycle.remarks))
    asked = [r for r in line.host.log if not r.path.endswith(".idx")]
    assert all(r.span is not None for r in asked), "byte ranges, never a whole file"
    size = sum(Path(f.path).stat().st_size for f in fetched)
    whole = sum(len(line.host.answer(replace(r, span=None)) or b"") for r in asked[:1])
    assert size < whole * len(fetched), "what nobody wants is not fetched"


def test_it_is_told_on_every_way(line: Line, tmp_path: Path) -> None:
    hrrr_maker.fill(line.host, REFERENCE, range(13), KEYS)
    (tmp_path / "watch.toml").write_text(
        (tmp_path / "watch.toml").read_text()
        + f'\n[database]\nurl = "{sqlite_url(tmp_path / "near.sqlite3")}"\n'
    )
    hour = line.passed_here()[0]
    words = near_words(hour.near_ground)
    assert words.startswith("Near the ground by hrrr-2026-05-04T12Z: wind, gust, ")
    where = ["--settings", str(tmp_path / "watch.toml")]
    for given in (["explain", *where, "Field", "2026-05-04T15:00"], ["hours", *where, "Field"]):
        told = " ".join(CliRunner().invoke(main, given).output.split())
        assert "near the ground by hrrr-2026-05-04T12Z: wind, gust" in told.lower().replace(
            "t12z", "T12Z"
        )


def test_a_planned_launch_is_judged_by_the_finer_model_too(line: Line) -> None:
    """Its cycle is opened again from the files that were fetched for the pass."""
    hrrr_maker.fill(line.host, REFERENCE, range(13), KEYS)
    hour = line.passed_here()[2]
    planned = Planned("Field", hour.time_utc, line.settings.watch.train)
    now = REFERENCE + timedelta(hours=1)
    key = line.store.make_plan("line", planned, at_utc=now, by="Ada").key
    named = OpenAs(*line.settings.ledger_names())
    assert named.near is not None
    table = Desk(line.settings.watch, line.store, named).table(key, now)
    assert table.flight is not None
    said = {check.name: check.value for check in table.flight.checks}
    wanted = _values(hour)
    assert {"wind", "gust", "cloud", "ceiling"} <= said.keys()
    for name in ("wind", "gust", "cloud", "ceiling"):
        assert said[name] == pytest.approx(wanted[name])
    assert said["wind"] == pytest.approx(6.0, abs=0.01), "not the deciding model's 2.8"


def test_without_a_cycle_the_deciding_model_answers(line: Line) -> None:
    _by_the_deciding_model(line.passed_here(), NearGap.ABSENT)


@pytest.mark.parametrize("fault", [overloaded(), web_page])
@pytest.mark.process
def test_trouble_at_the_provider_keeps_no_pass_from_being_made(line: Line, fault: Any) -> None:
    hrrr_maker.fill(line.host, REFERENCE, range(13), KEYS)
    line.host.fault = fault
    hours = line.passed()
    _by_the_deciding_model(hours, NearGap.ABSENT)
    count = len(line.host.log)
    line.watching.look()
    assert len(line.host.log) == count, "they rest for a while"


def test_of_a_site_outside_its_area_nobody_is_asked(tmp_path: Path, forecast: CycleData) -> None:
    with provider() as host:
        made = _line(host, tmp_path, forecast, grid=None)
        hrrr_maker.fill(host, REFERENCE, range(13), KEYS)
        _by_the_deciding_model(made.passed_here(), NearGap.OUTSIDE)
        assert host.log == []
        made.watching.close()
        made.store.close()


def test_hours_beyond_its_reach_are_the_deciding_models(line: Line) -> None:
    hrrr_maker.fill(line.host, REFERENCE, range(6), KEYS)
    hours = line.passed_here()
    gaps = [hour.near_ground and hour.near_ground.gap for hour in hours]
    assert gaps[0] is None
    assert gaps[-1] is NearGap.BEYOND
    assert _values(hours[0])["gust"] == pytest.approx(9.0, abs=0.01)
    assert _values(hours[-1])["gust"] == pytest.approx(5.0, abs=0.01)


@pytest.mark.parametrize(
    ("lost", "gone"),
    [
        ("ceiling", {"cloud", "ceiling", "visibility"}),
        ("ground", {"cloud", "ceiling", "visibility"}),
        ("gust", {"wind", "gust"}),
        ("up", {"wind", "gust"}),
    ],
)
def test_a_family_that_is_not_whole_is_the_deciding_models(
    line: Line, lost: str, gone: set[str]
) -> None:
    hrrr_maker.fill(line.host, REFERENCE, range(13), KEYS, **{lost: None})
    for hour in line.passed_here():
        near = hour.near_ground
        assert near is not None
        assert near.gap is NearGap.INCOMPLETE
        assert not gone & set(near.checks)
        assert set(near.checks) >= ALL - gone
        assert "because it lacks values" in near_words(near)
        expected = 5.0 if "gust" in gone else 9.0
        assert _values(hour)["gust"] == pytest.approx(expected, abs=0.01)


def test_a_ceiling_that_is_missing_at_the_site_is_not_taken_for_none(line: Line) -> None:
    hrrr_maker.fill(line.host, REFERENCE, range(13), KEYS, ceiling=np.full((27, 31), np.nan))
    for hour in line.passed_here():
        assert hour.near_ground is not None
        assert "ceiling" not in hour.near_ground.checks
        assert _values(hour)["ceiling"] == pytest.approx(4880.0, abs=150.0), "the deciding model's"


@pytest.mark.process
def test_a_file_that_changed_on_the_disk_is_not_used(line: Line) -> None:
    hrrr_maker.fill(line.host, REFERENCE, range(13), KEYS)
    line.watching.look()
    path = next((line.folder / "cache" / "hrrr").rglob("*f005.grib2"))
    data = bytearray(path.read_bytes())
    data[-20] ^= 1
    path.write_bytes(data)
    _by_the_deciding_model(line.passed(), NearGap.UNREADABLE)
    assert any(
        "near the ground is not used" in w
        for w in notes_words(line.store.cycles("line")[0].remarks)
    )


def test_a_whole_cycle_comes_before_a_newer_one_that_has_begun(line: Line) -> None:
    hrrr_maker.fill(line.host, BEFORE, range(20), KEYS, gust=7.0)
    hrrr_maker.fill(line.host, REFERENCE, range(4), KEYS)
    for hour in line.passed_here():
        assert hour.near_ground is not None
        assert hour.near_ground.cycle_id == "hrrr-2026-05-04T06Z"
        assert _values(hour)["gust"] == pytest.approx(7.0, abs=0.01)


@pytest.mark.coverage
def test_the_finer_model_is_read_beside_the_site_for_every_draw(line: Line) -> None:
    """Displaced as the deciding model's draws are, by the finer model's own lead time."""
    hrrr_maker.fill(line.host, REFERENCE, range(13), KEYS)
    watch, clock = line.settings.watch, SimulatedClock(REFERENCE + timedelta(hours=1))
    fetcher = register(make_fetcher(line.plan.retry_policy, clock))
    near = NearWatcher(watch, line.plan, line.store, clock, fetcher).look()
    deciding = load_file(forecast_in(line.folder / "forecasts"), "made").cycle
    found = read_near(near, watch, deciding)
    assert found is not None
    at_site = found.sites["Field"]
    assert at_site.shifts is not None
    assert at_site.shifts.cycle_unix_s == REFERENCE.timestamp()
    last_h = max(at_site.beside)
    assert set(at_site.beside) == set(np.arange(0.0, last_h + 1.0, 6.0))
    for each in at_site.beside.values():
        assert len(each) == watch.draws
        assert all(series is not None and "gust_mps" in series.values for series in each)
    own = draw_shifts(watch.draws, watch=watch.name, cycle_id=deciding.id, site="Field",
                      cycle_unix_s=0.0)  # fmt: skip
    assert np.array_equal(own.east, at_site.shifts.east), "a draw is displaced the same way in both"
