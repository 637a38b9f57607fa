"""A plan flown at its exact minute: as its pass has it, as measured, as an integrator has it."""

import os
import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import made_air
import numpy as np
import pytest
from geodesic import Geod
from line_watch import REFERENCE, forecast_in, settings_in

from windowwatch.errors import ForecastError, SourceError
from windowwatch.forecast.cycle import CycleData
from windowwatch.forecast.dataset import with_origin, write_archive
from windowwatch.forecast.download.ledger import STORE, KeptFile
from windowwatch.forecast.grib.framing import sha256_of
from windowwatch.forecast.sources import load_file, open_files
from windowwatch.launchday.flight import level_times
from windowwatch.launchday.plan import Entry, LiftMeasured, Plan, Planned, Scrubbed, stand
from windowwatch.launchday.sighting import Sighting
from windowwatch.physics.atmosphere import standard_atmosphere
from windowwatch.physics.flights import FlightStatus
from windowwatch.physics.paths import FlightPath, fly_path
from windowwatch.physics.sample import air_at
from windowwatch.physics.surface import SurfaceSeries
from windowwatch.scoring.limits import Limit
from windowwatch.scoring.nearby import NearWeather
from windowwatch.scoring.values import Hour, Opinion, Verdict
from windowwatch.settings.read import read_settings
from windowwatch.storage.store import Store, open_store
from windowwatch.watch.estimating import AirFrom, newest_air
from windowwatch.watch.flying import launches_and_draws
from windowwatch.watch.launchday.desk import Desk, ElsewhereError, fly_plan, forecast_wind
from windowwatch.watch.launchday.opening import OpenAs, open_again
from windowwatch.watch.pipeline import run_pass
from windowwatch.watch.values import Watch, area_of
from windowwatch.windows.standing import judged
from windowwatch.windows.window import WindowRules

pytestmark = pytest.mark.launchday

NOW = REFERENCE + timedelta(hours=1)
RELEASE = REFERENCE + timedelta(hours=3, minutes=7)


@dataclass(frozen=True)
class Passed:
    """The made watch after its pass, which is made once for all tests of this module."""

    file: Path
    watch: Watch
    data: CycleData
    database: Path


@pytest.fixture(scope="module")
def passed(
    tmp_path_factory: pytest.TempPathFactory, new_sqlite: Callable[[Path, bool], str]
) -> Passed:
    folder = tmp_path_factory.mktemp("passed")
    watch = read_settings(settings_in(folder)).watch
    limits = {**watch.plan.limits, "gust": Limit(7.0, 10.0, True)}
    watch = replace(watch, draws=16, plan=replace(watch.plan, limits=limits))
    file = forecast_in(folder / "forecasts")
    data = load_file(file, "made")
    url = new_sqlite(folder, True)
    store = open_store(url)
    run_pass(data, watch, store, now_utc=NOW)
    store.close()
    return Passed(file, watch, data, Path(url.removeprefix("sqlite:///")))


class Line:
    """The made watch after its pass, and a planned launch."""

    def __init__(self, passed: Passed, url: str) -> None:
        self.file, self.watch, self.data = passed.file, passed.watch, passed.data
        self.store: Store = open_store(url)
        event = Planned("Field", RELEASE, self.watch.train)
        self.key = self.store.make_plan("line", event, at_utc=NOW, by="Ada").key
        self.desk = Desk(self.watch, self.store)

    def plan(self) -> Plan:
        return stand(self.key, self.store.plan_entries("line", self.key).entries, NOW)

    def flown(
        self,
        *seen: Sighting,
        now: datetime = NOW,
        near: NearWeather | None = None,
        heard: Sequence[Hour] = (),
        rules: WindowRules | None = None,
    ) -> Any:
        watch = replace(self.watch, rules=rules or self.watch.rules)
        site = watch.sites[0]
        return fly_plan(
            self.data, watch, site, self.plan(), now, sightings=seen, near=near, heard=heard
        )


@pytest.fixture
def line(tmp_path: Path, passed: Passed) -> Iterator[Line]:
    own = shutil.copy(passed.database, tmp_path / "own.sqlite")
    made = Line(passed, f"sqlite:///{own}")
    yield made
    made.store.close()


def values(table: Any) -> dict[str, float | None]:
    """Values of the checks of the planned release."""
    return {check.name: check.value for check in table.flight.checks}


def test_other_models_lower_the_chance_of_a_release_as_that_of_its_launch_hour(line: Line) -> None:
    """By hand: half of the own chance, half of the other model's at the nearest launch hour."""
    said = Opinion("other", "other-2026-05-04T00Z", Verdict.CAUTION, 60.0, 0.2, None)
    alone = line.flown()
    hours = [replace(each, others=(said,)) for each in line.store.hours("line")]
    both = line.flown(heard=hours)
    half = line.watch.span.step / 2

    def near(row: Any) -> bool:
        return any(abs(each.time_utc - row.time_utc) <= half for each in hours)

    assert any(near(row) and row.time_utc.minute % 30 for row in both.rows)
    for own, row in zip(alone.rows, both.rows, strict=True):
        assert own.chance is not None
        wanted = 0.5 * own.chance + 0.5 * 0.2 if near(row) else own.chance
        assert row.chance == pytest.approx(wanted)
        assert row.score == own.score
    unlikely = [replace(each, others=(replace(said, chance=0.0),)) for each in hours]
    closing = replace(line.watch.rules, open_chance=0.9, close_chance=0.9)
    closed = line.flown(heard=unlikely, rules=closing)
    assert {row.verdict for row in closed.rows if near(row)} == {Verdict.NO_GO}
    assert not any(row.good for row in closed.rows if near(row))


def test_a_whole_hour_is_what_its_pass_says_and_the_minute_is_its_own(line: Line) -> None:
    table = line.desk.table(line.key, NOW)
    line.store.save_release_table("line", table)
    assert line.store.release_table("line", line.key) == table
    assert table.planned is not None
    assert table.planned.time_utc == RELEASE
    assert [row.time_utc.minute % 5 for row in table.rows].count(2) == 1, "the planned minute alone"
    rules = line.watch.rules
    stored = {each.time_utc: judged(each, rules) for each in line.store.hours("line")}
    shared = [row for row in table.rows if row.time_utc in stored]
    assert len(shared) >= 3
    for row in shared:
        hour = stored[row.time_utc]
        assert (row.verdict, row.score, row.landing_utc) == (
            hour.verdict,
            hour.score,
            hour.landing_utc,
        )
        assert row.crew_after_min == {c.name: c.value for c in hour.checks}.get("crew")
    assert table.flight is not None
    assert table.flight.detail is not None
    assert [each.level_fl for each in table.flight.levels[:3]] == [50, 100, 150]
    less, planned, more = table.flight.lifts
    for worse, better in ((less, planned), (planned, more)):
        assert worse.ascent_mps is not None
        assert better.ascent_mps is not None
        assert worse.ascent_mps < better.ascent_mps
        assert worse.burst_m is not None
        assert better.burst_m is not None
        assert worse.burst_m > better.burst_m
    assert planned.moved_km == 0.0


def test_the_measured_lift_is_flown_at_once(line: Line) -> None:
    before = line.desk.table(line.key, NOW).flight
    line.store.act_on_plan("line", line.key, LiftMeasured(2.9), at_utc=NOW, by="Ben", steps=())
    after = line.desk.table(line.key, NOW).flight
    assert before is not None
    assert after is not None
    assert after.landing_utc < before.landing_utc  # type: ignore[operator]
    assert after.lifts[1].nozzle_lift_kg == 2.9


def test_what_is_measured_corrects_wind_and_gust_and_nothing_else(line: Line) -> None:
    """By hand: one reading changes half of what it shows, and half of that two hours later.

    The made wind is hypot(2, 2) = 2.83 m/s and the gust 5 m/s. 6.83 and 9 are read at the time
    of asking: half of the differences of 4 m/s, 2 m/s, is added then. Check `wind` is the worst
    of an hour before the release to half an hour after it, so at most 2 m/s times
    0.5 ** (67 min / 2 h) of 67 minutes after the reading: 1.36 m/s.
    """
    plain = line.flown()
    table = line.flown(Sighting("Field", NOW, "Ben", wind_mps=6.8284, gust_mps=9.0))
    assert table.correction is not None
    assert table.correction.wind_mps == pytest.approx(2.0, abs=0.01)
    (beside,) = table.seen
    assert beside.wind_mps == pytest.approx(2.8284, abs=0.01)
    assert beside.gust_mps == pytest.approx(5.0, abs=0.01)
    faded = 2.0 * 0.5 ** ((67.0 / 60.0) / 2.0)
    assert values(plain)["wind"] == pytest.approx(2.8284, abs=0.01)
    assert values(table)["wind"] == pytest.approx(2.8284 + faded, abs=0.03)
    assert values(table)["gust"] == pytest.approx(5.0 + faded, abs=0.03)
    for name, value in values(plain).items():
        if name not in ("wind", "gust"):
            assert values(table)[name] == value, name


def test_a_finer_model_keeps_its_clouds_while_its_wind_is_corrected(line: Line) -> None:
    times = np.array([(REFERENCE + timedelta(hours=h)).timestamp() for h in range(10)])
    said = {"wind_u_10m_mps": 6.0, "wind_v_10m_mps": 0.0, "gust_mps": 7.0, "cloud_total_pct": 70.0,
            "ceiling_m": 2000.0, "visibility_m": 9000.0}  # fmt: skip
    series = SurfaceSeries(times, {k: np.full((1, times.size), v) for k, v in said.items()})
    near = NearWeather("fine", "fine-2026-05-04T12Z", series)
    assert values(line.flown(near=near))["wind"] == pytest.approx(6.0)
    seen = Sighting("Field", NOW, "Ben", wind_mps=2.0, gust_mps=3.0)
    table = line.flown(seen, near=near)
    assert table.correction.wind_mps == pytest.approx(-2.0)
    assert 4.0 <= values(table)["wind"] <= 6.0  # type: ignore[operator]
    assert values(table)["cloud"] == pytest.approx(70.0)
    assert values(table)["ceiling"] == pytest.approx(2000.0)


def test_a_measured_gust_over_the_limit_is_no_go_for_half_an_hour(line: Line) -> None:
    late = RELEASE - timedelta(minutes=20)
    table = line.flown(Sighting("Field", late, "Ben", gust_mps=10.4), now=late)
    assert table.planned.verdict is Verdict.NO_GO
    assert table.planned.vetoed.gust_mps == 10.4
    free = [row for row in table.rows if row.time_utc > late + timedelta(minutes=30)]
    assert free
    assert not any(row.vetoed for row in free)


def test_past_the_forecast_nothing_is_said_to_be_good(line: Line) -> None:
    event = Planned("Field", REFERENCE + timedelta(hours=30), line.watch.train)
    key = line.store.make_plan("line", event, at_utc=NOW, by="Ada").key
    table = line.desk.table(key, NOW)
    assert {row.good for row in table.rows} == {False}
    assert {row.verdict for row in table.rows} <= {Verdict.UNKNOWN, Verdict.NO_GO}
    assert table.last_good_utc is None
    assert all(row.chance is None for row in table.rows)


def test_no_weather_is_said_and_never_stands_in_for_any(line: Line) -> None:
    good = line.file.read_bytes()
    try:
        line.file.write_bytes(good[:-1] + b"8")
        with pytest.raises(ForecastError, match=line.file.name):
            Desk(line.watch, line.store).table(line.key, NOW)
        forecast_in(line.file.parent, wind=9.0)
        with pytest.raises(SourceError, match="replaced since it was read"):
            Desk(line.watch, line.store).table(line.key, NOW)
        line.file.unlink()
        with pytest.raises(SourceError, match="not there any more"):
            Desk(line.watch, line.store).table(line.key, NOW)
        line.desk.take(line.store.cycles("line")[-1], line.data)
        assert line.desk.table(line.key, NOW).rows, "what is open needs no file"
    finally:
        line.file.write_bytes(good)


def test_what_is_not_to_come_is_not_flown(line: Line) -> None:
    elsewhere = replace(line.watch, sites=(replace(line.watch.sites[0], name="Other"),))
    with pytest.raises(ElsewhereError, match="no site 'Field' any more"):
        Desk(elsewhere, line.store).table(line.key, NOW)
    with pytest.raises(ElsewhereError, match="is past"):
        line.flown(now=RELEASE + timedelta(hours=5))
    line.store.act_on_plan("line", line.key, Scrubbed(), at_utc=NOW, by="Ada", steps=())
    with pytest.raises(ElsewhereError, match="nothing to fly"):
        line.desk.table(line.key, NOW)


def test_a_fetched_cycle_is_opened_from_its_archive(line: Line, tmp_path: Path) -> None:
    (stored,) = line.store.cycles("line")
    opened, files = open_files([line.file], area_of(line.watch.sites))
    archive = tmp_path / "cycle.nc"
    write_archive(archive, with_origin(opened, stored.cycle, files, "made"))
    kept = KeptFile("gfs-made", stored.cycle.reference_utc, STORE, "cycle", 0, "", str(archive),
                    archive.stat().st_size, sha256_of(archive), NOW)  # fmt: skip
    line.store.ledger().keep_file(kept)
    gone = replace(stored, files=tuple(replace(f, path="/gone") for f in stored.files))
    named = OpenAs(fetched="gfs-made")
    data = open_again(gone, line.watch, line.store, named)
    assert np.array_equal(data.wind.air, line.data.wind.air, equal_nan=True)
    place, source = (45.0, -5.0), AirFrom.of(line.watch, None, named)
    name, air = newest_air(source, line.store, place, RELEASE)
    assert name == stored.cycle.id
    time_s = np.full(4, RELEASE.timestamp())
    spots = (time_s, np.array([44.2, 45.0, 45.9, 46.0]), np.full(4, -5.4), np.full(4, 9_000.0))
    assert np.array_equal(air_at(air, *spots), air_at(line.data.wind, *spots))
    for far, when, why in (
        ((45.0, 60.0), RELEASE, "this place"),
        (place, RELEASE + timedelta(days=3), "this time"),
        (place, RELEASE + timedelta(days=30), "too old"),
    ):
        with pytest.raises(SourceError, match=why):
            newest_air(source, line.store, far, when)
    archive.write_bytes(b"other")
    with pytest.raises(SourceError, match="not there any more"):
        open_again(gone, line.watch, line.store, named)


def test_what_was_forecast_for_a_minute() -> None:
    time_s = np.array([0.0, 3600.0, 7200.0]) + REFERENCE.timestamp()
    series = SurfaceSeries(
        time_s,
        {
            "wind_u_10m_mps": np.array([[0.0, 3.0, 3.0], [0.0, 5.0, 5.0]]),
            "wind_v_10m_mps": np.array([[4.0, 4.0, np.nan], [0.0, 0.0, np.nan]]),
        },
    )
    assert forecast_wind(series, REFERENCE + timedelta(hours=1)) == (5.0, None)
    assert forecast_wind(series, REFERENCE + timedelta(hours=2)) == (None, None)
    assert forecast_wind(series, REFERENCE + timedelta(hours=3)) == (None, None)


def test_flight_levels_are_those_of_pressure() -> None:
    """FL 100 is the pressure of 10,000 ft, 696.8 hPa: ICAO Doc 7488, table of the standard
    atmosphere in feet (from memory). Air that is 10 K warmer has it higher up."""
    found = {each.level_fl: each.up for each in level_times([_rising(0.0)] * 8)}
    start = REFERENCE.timestamp()
    middle = found[100]
    assert middle is not None
    assert middle.middle_utc.timestamp() - start == pytest.approx(3048.0 / 5.0, abs=1.0)
    pressure_pa = float(standard_atmosphere(3048.0).pressure_pa)
    assert pressure_pa == pytest.approx(69_680.0, abs=20.0)
    assert level_times([_rising(0.0)] * 7) == (), "too few to say anything"


def _rising(ground_m: float) -> FlightPath:
    """A rise of 5 m/s to 12 km in standard air, and as fast down again."""
    up = np.arange(ground_m, 12_000.0, 100.0)
    height = np.concatenate([up, up[::-1]])
    air, none = standard_atmosphere(height), np.zeros(height.size)
    return FlightPath(
        FlightStatus.LANDED,
        np.asarray(REFERENCE.timestamp() + np.arange(height.size) * 20.0, dtype=np.float64),
        none, none, height, np.arange(height.size) < up.size, none, none,
        air.temperature_k, air.density_kgpm3, none, none,
    )  # fmt: skip


FOLDER = os.environ.get("WINDOWWATCH_REFERENCE_DATA", "")
STEP = Path(FOLDER) / "gfs.t12z.pgrbf120.2p5deg.grib2"


@pytest.mark.real_data
@pytest.mark.skipif(not FOLDER, reason="WINDOWWATCH_REFERENCE_DATA names no folder")
def test_the_exact_minute_agrees_with_an_independent_integrator(tmp_path: Path) -> None:
    """`scipy.integrate.solve_ivp` on a real GFS step lands within 20 m of a flight at 10:07, and
    passes flight levels 100 and 300 within five seconds, up and down."""
    watch = read_settings(settings_in(tmp_path)).watch
    site = replace(watch.sites[0], latitude_deg=48.9, longitude_deg=11.2, height_m=420.0)
    not_there = {"no_landing", "road", "ceiling", "visibility"}
    limits = {name: each for name, each in watch.plan.limits.items() if name not in not_there}
    watch = replace(watch, sites=(site,), plan=replace(watch.plan, limits=limits))
    data = load_file(STEP, "gfs", area=area_of([site]))
    release = datetime(2011, 1, 15, 10, 7, tzinfo=UTC)
    now = release - timedelta(minutes=3)
    plan = replace(_plan(watch), release_utc=release, site=site.name)
    table = fly_plan(data, watch, site, plan, now, window_end_utc=release)
    assert table.flight is not None
    detail = table.flight.detail
    assert detail is not None
    start = made_air.launches(
        site.latitude_deg, site.longitude_deg, site.height_m, release.timestamp()
    )
    feet = (10_000.0, 30_000.0)
    levels_pa = [float(standard_atmosphere(each * 0.3048).pressure_pa) for each in feet]
    slow = made_air.slow_flight(data.wind, start, watch.train, levels_pa)
    (latitude,), (longitude,) = detail.landing_latitude_deg, detail.landing_longitude_deg
    missed = Geod().inv(slow["longitude"], slow["latitude"], longitude, latitude)[2]
    assert missed < 20.0
    assert table.flight.landing_utc is not None
    assert table.flight.landing_utc.timestamp() == pytest.approx(slow["time"], abs=5.0)

    launches, draws, _ = launches_and_draws(data, watch, site, (release,))
    path = fly_path(data.wind, launches, watch.train, draws)
    found = {each.level_fl: each for each in level_times([path] * 8)}
    for number, level_fl in enumerate((100, 300)):
        up, down = found[level_fl].up, found[level_fl].down
        assert up is not None
        assert down is not None
        assert up.middle_utc.timestamp() == pytest.approx(slow[f"up_{number}"], abs=5.0)
        assert down.middle_utc.timestamp() == pytest.approx(slow[f"down_{number}"], abs=5.0)


def _plan(watch: Watch) -> Plan:
    event = Planned(watch.sites[0].name, RELEASE, watch.train)
    return stand("1", [Entry(1, NOW, "Ada", event)])
