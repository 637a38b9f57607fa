"""One wind value followed from the GRIB file to the words on a phone, over real HTTP."""

import hashlib
import math
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from grib_maker import write
from line_watch import BOX, REFERENCE, forecast_in, messages, settings_in
from made_store import new_store
from sink import Sink

from windowwatch.clock import SimulatedClock
from windowwatch.errors import MissingFieldError
from windowwatch.forecast.sources import load_file
from windowwatch.notices.deliver import Result, deliver_pending
from windowwatch.notices.values import Channel
from windowwatch.scoring.values import Site, Verdict
from windowwatch.settings.read import read_settings
from windowwatch.storage.store import Store
from windowwatch.watch.flying import PassStoppedError
from windowwatch.watch.pipeline import PassResult, run_pass
from windowwatch.windows.causes import CheckAgainst
from windowwatch.windows.values import ChangeKind
from windowwatch.wording.gaps import notes_words


def _pass(
    folder: Path, forecast: Path, store: Store, url: str = "json://127.0.0.1:9"
) -> PassResult:
    settings = read_settings(folder / "watch.toml")
    watch = replace(settings.watch, channels=(Channel("crew", url),))
    return run_pass(load_file(forecast, "made"), watch, store, now_utc=REFERENCE)


def _store(folder: Path) -> Store:
    return new_store(folder / "line.sqlite3")


def test_a_wind_in_the_file_is_the_distance_on_the_phone(tmp_path: Path) -> None:
    settings_in(tmp_path)
    forecast = forecast_in(tmp_path, wind=7.0)
    store = _store(tmp_path)
    with Sink() as sink:
        result = _pass(tmp_path, forecast, store, sink.url)
        clock = SimulatedClock(REFERENCE)
        report = deliver_pending(
            store, [Channel("crew", sink.url)], {s.name: s for s in _sites(tmp_path)}, clock
        )
    assert [a.result for a in report.attempts] == [Result.SENT]
    assert [c.kind for c in result.changes] == [ChangeKind.OPENED]
    window = result.changes[0].after
    assert window is not None
    best = next(h for h in result.hours if h.time_utc == window.best_hour_utc)

    # 7 m/s towards east and 7 m/s towards south for as long as the flight lasts. The lowest
    # layers, where the wind falls to that at 10 m, take 1 to 2 % of it.
    assert best.landing_utc is not None
    assert best.drift_km is not None
    flown_s = (best.landing_utc - best.time_utc).total_seconds()
    straight_km = math.hypot(7.0, 7.0) * flown_s / 1000.0
    assert best.drift_km == pytest.approx(straight_km, rel=0.02)
    assert best.drift_km < straight_km
    assert best.bearing_deg == pytest.approx(135.0, abs=1.5)

    (notice,) = sink.received
    last = window.last_release_utc.astimezone(ZoneInfo("Europe/London"))
    assert notice["title"] == f"OPEN Field Mon 4 May 15:00 to {last:%H:%M} local"
    assert f"; lands {best.drift_km:.0f} km south-east, " in notice["message"]
    store.close()


def test_from_the_notice_one_walks_back_to_the_checksum_of_the_file(tmp_path: Path) -> None:
    settings_in(tmp_path)
    forecast = forecast_in(tmp_path)
    store = _store(tmp_path)
    result = _pass(tmp_path, forecast, store)
    trail = store.explain(result.changes[0].key)
    assert trail.cycle is not None
    (file,) = trail.cycle.files
    assert file.sha256 == hashlib.sha256(forecast.read_bytes()).hexdigest()
    assert trail.hours
    assert all(hour.checks for hour in trail.hours)
    store.close()


def test_twice_the_wind_is_twice_the_distance(tmp_path: Path) -> None:
    settings_in(tmp_path)
    store = _store(tmp_path)
    slow = _pass(tmp_path, forecast_in(tmp_path, wind=3.5), store).hours[0]
    other = tmp_path / "other"
    other.mkdir()
    settings_in(other)
    fast = _pass(other, forecast_in(other, wind=7.0), _store(other)).hours[0]
    assert slow.drift_km is not None
    assert fast.drift_km == pytest.approx(2 * slow.drift_km, rel=0.03)
    store.close()


def test_a_missing_level_is_a_refused_hour_with_its_reason_not_calm_air(tmp_path: Path) -> None:
    settings_in(tmp_path)
    whole = list(messages())
    kept = [m for m in whole if not (m.what == "u" and m.level == 300 and m.step in (3, 6))]
    assert len(kept) == len(whole) - 2
    path = tmp_path / "gap.grib2"
    write(path, kept, BOX)
    store = _store(tmp_path)
    result = _pass(tmp_path, path, store)
    assert any("300 hPa" in gap for gap in notes_words(result.gaps)), notes_words(result.gaps)
    hour = next(h for h in result.hours if h.time_utc == REFERENCE + timedelta(hours=3))
    assert hour.verdict is Verdict.UNKNOWN
    assert (hour.score, hour.chance) == (None, None)
    assert hour.refused is not None
    assert not result.windows
    store.close()


def test_a_gust_over_the_limit_closes_the_window_and_says_so(tmp_path: Path) -> None:
    settings_in(tmp_path)
    store = _store(tmp_path)
    _pass(tmp_path, forecast_in(tmp_path, gust=5.0), store)
    later = forecast_in(tmp_path, "later.grib2", gust=14.0, hour=13)
    result = _pass(tmp_path, later, store)
    (change,) = result.changes
    assert change.kind is ChangeKind.CLOSED
    (cause,) = change.causes
    assert isinstance(cause, CheckAgainst)
    assert cause.check.name == "gust"
    assert cause.check.value == pytest.approx(14.0, abs=0.05)
    store.close()


def test_a_pass_that_is_stopped_leaves_nothing_behind(tmp_path: Path) -> None:
    settings_in(tmp_path)
    store = _store(tmp_path)
    watch = read_settings(tmp_path / "watch.toml").watch
    data = load_file(forecast_in(tmp_path), "made")
    answers = iter([False, True])
    with pytest.raises(PassStoppedError, match="nothing of it is stored"):
        run_pass(data, watch, store, now_utc=REFERENCE, stopping=lambda: next(answers))
    assert store.cycles(watch.name) == ()
    assert run_pass(data, watch, store, now_utc=REFERENCE).saved
    store.close()


def test_the_same_cycle_again_changes_nothing(tmp_path: Path) -> None:
    settings_in(tmp_path)
    forecast = forecast_in(tmp_path)
    store = _store(tmp_path)
    first = _pass(tmp_path, forecast, store)
    again = _pass(tmp_path, forecast, store)
    assert (first.saved, again.saved) == (True, False)
    assert store.changes("line") == first.changes
    store.close()


def test_a_site_off_the_grid_is_named(tmp_path: Path) -> None:
    settings_in(tmp_path, longitude_deg="25.0")
    (tmp_path / "areas.geojson").unlink()
    (tmp_path / "roads.geojson").unlink()
    text = (tmp_path / "watch.toml").read_text(encoding="utf-8")
    head, _, tail = text.partition("[ground]")
    (tmp_path / "watch.toml").write_text(head + tail[tail.index("[scoring]") :], encoding="utf-8")
    with pytest.raises(MissingFieldError, match=r"outside the grid .* Field \(45\.000, 25\.000\)"):
        _pass(tmp_path, forecast_in(tmp_path), _store(tmp_path))


def _sites(folder: Path) -> tuple[Site, ...]:
    return read_settings(folder / "watch.toml").watch.sites
