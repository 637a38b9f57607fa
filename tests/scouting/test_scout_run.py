"""Places flown: each is what an ordinary pass says of a site there; shares and processes."""

from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from click.testing import CliRunner
from invented import record
from page_served import settings_in
from scouted import SKERRA, in_polygon, region_file

from windowwatch.child import ChildLimits
from windowwatch.cli.main import main
from windowwatch.errors import InputError, SourceError
from windowwatch.forecast.cycle import CycleData
from windowwatch.forecast.sources import load_cycle, scan_folder
from windowwatch.ground.region import read_region, region_around
from windowwatch.physics.flights import FlightStatus
from windowwatch.scoring.values import Verdict
from windowwatch.scouting.values import LETTERS, Order, Unasked
from windowwatch.settings.read import read_settings
from windowwatch.storage.store import Store, open_store, ready_store
from windowwatch.watch.flying import fly_and_score, hours_of_site
from windowwatch.watch.pipeline import run_pass
from windowwatch.watch.run.scouting import ByWhom, Flyer, prepared, scout, site_of
from windowwatch.watch.values import Watch, area_of

pytestmark = pytest.mark.scout
#: A small part of the island with town, forest and closed airspace; where landings are wanted.
AROUND, SPACING_KM = "45.95,-35.3,22", 12.0
WANTED = [[-34.9, 46.0], [-34.2, 46.0], [-34.2, 46.9], [-34.9, 46.9], [-34.9, 46.0]]


class Given(NamedTuple):
    watch: Watch
    data: CycleData
    now: datetime
    order: Order


@pytest.fixture(scope="module")
def given(tmp_path_factory: pytest.TempPathFactory) -> Given:
    watch = replace(read_settings(SKERRA).watch, draws=8, channels=())
    look = scan_folder(SKERRA.parents[1] / "grib_samples", model=watch.model)
    region = region_around(AROUND)
    # as a pass of sites in this region would open it
    data = load_cycle(look.cycles[-1], area=area_of(watch.sites))
    now = data.cycle.reference_utc + timedelta(hours=4)
    file = region_file(
        tmp_path_factory.mktemp("wanted"), {"type": "Polygon", "coordinates": [WANTED]}
    )
    times = tuple(now + timedelta(hours=n) for n in range(8, 20, 2))
    wanted = read_region(file, "--land-in")
    return Given(watch, data, now, Order(region, times, SPACING_KM, 15.0, 8, wanted))


@pytest.fixture
def stored(given: Given, tmp_path: Path) -> Iterator[Store]:
    """A database that holds the cycle as one that was passed, without its hours."""
    with ready_store(f"sqlite:///{tmp_path}/w.sqlite3") as store:
        held = replace(
            record(), watch=given.watch.name, cycle=given.data.cycle, files=given.data.files,
            hours=(), windows=(), changes=(), details=(), deliveries=(),
        )  # fmt: skip
        store.save_pass(held)
        yield store


def test_every_place_is_what_a_pass_says_of_a_site_there(given: Given) -> None:
    """The same verdicts, scores and chances as hours that an ordinary pass stores."""
    watch, candidates, skipped = prepared(given.watch, given.order)
    assert [each.why for each in skipped] == [Unasked.OTHERS]
    flyer = Flyer(given.data, watch, given.order, candidates, given.now)
    assert len(candidates.places) > 3
    seen = set()
    for number in range(len(candidates.places)):
        found, at_site = flyer.hours(number), flyer.watch_at(number)
        assert at_site.sites == (site_of(candidates.places[number]),)
        hours = hours_of_site(
            given.data, at_site, at_site.sites[0], given.order.times_utc, given.now
        ).hours
        for index, hour in enumerate(hours):
            assert found.verdict(index) is hour.verdict
            assert found.score[index] == pytest.approx(hour.score, abs=0.006)
            assert found.chance[index] == pytest.approx(hour.chance, abs=6e-5)
            dark = any(c.name == "daylight" and c.verdict is Verdict.NO_GO for c in hour.checks)
            if not dark and hour.refused is None:
                assert found.limit[index] == hour.worst[0]
                assert found.drift_km[index] == pytest.approx(hour.drift_km, abs=0.06)
        seen |= set(found.verdicts)
    assert {"g", "n"} <= seen, "or little is compared"


def test_a_pass_with_the_place_as_its_site_stores_the_same(given: Given, tmp_path: Path) -> None:
    """Through the whole line, with the watch's own span of hours."""
    watch, candidates, _ = prepared(given.watch, given.order)
    flyer = Flyer(given.data, watch, given.order, candidates, given.now)
    span = replace(
        watch.span, first_utc=given.order.times_utc[0], last_utc=given.order.times_utc[-1]
    )
    with ready_store(f"sqlite:///{tmp_path}/p.sqlite3") as store:
        passed = run_pass(
            given.data, replace(flyer.watch_at(1), span=span), store, now_utc=given.now
        )
    by_time = {hour.time_utc: hour for hour in passed.hours}
    found = flyer.hours(1)
    for index, moment in enumerate(given.order.times_utc[:-1]):
        hour = by_time[moment]
        assert found.verdict(index) is hour.verdict
        assert found.score[index] == pytest.approx(hour.score, abs=0.006)
        assert found.chance[index] == pytest.approx(hour.chance, abs=6e-5)


def test_shares_that_land_inside_are_those_of_a_count(given: Given) -> None:
    watch, candidates, _ = prepared(given.watch, given.order)
    flyer = Flyer(given.data, watch, given.order, candidates, given.now)
    shares = []
    for number in range(3):
        found, at_site = flyer.hours(number), flyer.watch_at(number)
        flown = fly_and_score(given.data, at_site, at_site.sites[0], given.order.times_utc).flights
        for index in range(len(given.order.times_utc)):
            if found.inside[index] is None:
                assert found.limit[index] == "daylight"
                continue
            flights = flown.of_launch(index)
            count = sum(
                status == FlightStatus.LANDED and in_polygon(x, y, [WANTED])
                for status, x, y in zip(
                    flights.status.ravel(), flights.landing_longitude_deg.ravel(),
                    flights.landing_latitude_deg.ravel(), strict=True,
                )
            )  # fmt: skip
            assert found.inside[index] == pytest.approx(count / flights.status.size, abs=6e-5)
            shares.append(count)
    assert 0 < sum(shares) < 8 * len(shares)


def test_without_roads_the_drive_is_left_out_and_said(given: Given) -> None:
    rasters = given.watch.ground.rasters
    assert rasters is not None
    bare = type(rasters)("bare", rasters.grid, rasters.layers, rasters.bases, ())
    ground = replace(given.watch.ground, rasters=bare)
    watch, candidates, skipped = prepared(replace(given.watch, ground=ground), given.order, "hrrr")
    assert [(each.why, each.names) for each in skipped] == [
        (Unasked.NO_ROADS, ("crew", "arrival_daylight")),
        (Unasked.FINER, ("hrrr",)),
        (Unasked.OTHERS, given.watch.others),
    ]
    found = Flyer(given.data, watch, given.order, candidates, given.now).hours(0)
    assert {"crew", "arrival_daylight"}.isdisjoint(set(found.limit))
    assert "u" not in found.verdicts, "what is left out makes no hour unknown"
    kept = replace(watch, plan=given.watch.plan)
    asked = Flyer(given.data, kept, given.order, candidates, given.now).hours(0)
    lit = [v for v, limit in zip(asked.verdicts, asked.limit, strict=True) if limit != "daylight"]
    assert lit
    assert "g" not in lit, "what is asked and not known is never good"


def test_heights_that_the_map_lacks_are_the_forecasts(given: Given) -> None:
    rasters = given.watch.ground.rasters
    assert rasters is not None
    layers = {name: layer for name, layer in rasters.layers.items() if name != "height_m"}
    flat = type(rasters)("flat", rasters.grid, layers, rasters.bases, (), (), rasters.routes)
    ground = replace(given.watch.ground, rasters=flat)
    watch, candidates, _ = prepared(replace(given.watch, ground=ground), given.order)
    assert all(np.isnan(place.height_m) for place in candidates.places)
    placed = Flyer(given.data, watch, given.order, candidates, given.now).candidates.places
    terrain = given.data.wind.terrain_m
    for place in placed:
        assert place.height_of == "forecast"
        assert terrain.min() - 1 <= place.height_m <= terrain.max() + 1


def test_the_command_finds_the_same_in_processes_and_a_first_look_comes_before(
    given: Given, stored: Store, tmp_path: Path
) -> None:
    settings, file = settings_in(tmp_path), tmp_path / "maps.html"
    assert stored.newest_scouting(given.watch.name) is None
    typed = ("--around", AROUND, "--spacing", "7.5", "--draws", "8", "--hours", "3",
             "--from", "2026-05-05T06:00", "--best", "2", "--map", str(file))  # fmt: skip
    answer = CliRunner().invoke(main, ["scout", "--settings", str(settings), *typed])
    assert answer.exit_code == 0, answer.output
    found = stored.newest_scouting(given.watch.name)
    assert found is not None
    assert not found.coarse
    assert stored.scouting_number(given.watch.name) == 2, "the first look was kept before"
    assert f"First look, 12 of {len(found.places)} places" in answer.output
    assert answer.output.index("First look") < answer.output.index("The best places")
    assert answer.output.count("[[sites]]") == 2
    assert "</html>" in file.read_text(encoding="utf-8")
    assert found.times_utc[0] == datetime(2026, 5, 5, 8, tzinfo=UTC), "06:00 local"
    order = replace(given.order, spacing_km=7.5, times_utc=found.times_utc, land_in=None)
    watch, candidates, _ = prepared(given.watch, order)
    assert found.places == candidates.places
    flyer = Flyer(given.data, watch, order, candidates, given.now)
    for number in (0, 3, len(found.places) - 1):
        assert found.found[number] == flyer.hours(number)


def test_without_a_forecast_nothing_is_flown(given: Given, tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path}/none.sqlite3"
    with ready_store(url) as store, pytest.raises(SourceError, match="no forecast is stored yet"):
        scout(given.watch, given.order, store, url, given.now, ByWhom(ChildLimits()))
    with pytest.raises(InputError, match="no launch hour is asked"):
        prepared(given.watch, replace(given.order, times_utc=()))


def test_a_process_that_fails_is_an_error_and_ends_all(
    given: Given, stored: Store, tmp_path: Path
) -> None:
    """The cycle's files are gone: said by the first process, and raised here."""
    gone = replace(
        record(1), watch=given.watch.name,
        cycle=replace(given.data.cycle, reference_utc=given.now + timedelta(hours=2)),
        files=tuple(replace(f, path=f"{f.path}.gone") for f in given.data.files),
        hours=(), windows=(), changes=(), details=(), deliveries=(),
    )  # fmt: skip
    stored.save_pass(gone)
    with pytest.raises(SourceError, match="files are not there any more"):
        scout(
            given.watch, given.order, stored, f"sqlite:///{tmp_path}/w.sqlite3", given.now,
            ByWhom(ChildLimits(), processes=1),
        )  # fmt: skip


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ((), "name the region by one of --region FILE (GeoJSON) and --around"),
        (("--around", "46,-36,5", "--region", "x"), "name the region by one of"),
        (("--region", "no.geojson"), "no.geojson: no such file"),
        (("--around", "46,-36,5", "--land-in", "no.geojson"), "where it is to land"),
        (("--around", "46,-36,5", "--map", "map.png"), "end it in .html"),
        (("--arround", "46,-36,5"), "No such option"),
        (("--around", "46,-36,5", "--spacing", "0"), "cannot be meant"),
        (("--around", "46,-36,5", "--hours", "0"), "0 is not in the range"),
        (("--around", "46,-36", "--from", "noon"), "is no time"),
        (("--around", "46,-36"), "is no circle"),
        (("--around", "10,20,30"), "the circle lies outside the ground file"),
    ],
)
def test_what_is_mistyped_is_said(
    stored: Store, tmp_path: Path, typed: tuple[str, ...], words: str
) -> None:
    settings = settings_in(tmp_path)
    with closing(open_store(f"sqlite:///{tmp_path}/w.sqlite3")):
        answer = CliRunner().invoke(main, ["scout", "--settings", str(settings), *typed])
    assert answer.exit_code in (1, 2)
    assert words in " ".join(answer.output.split())
    assert "Traceback" not in answer.output
    assert set(LETTERS) == set(Verdict)
