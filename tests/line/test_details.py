"""What a pass stores for drawing, and airspace on the way: from files to the database and back."""

import json
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from line_watch import REFERENCE, forecast_in, settings_in
from made_store import new_store

from windowwatch.forecast.sources import load_file
from windowwatch.physics.earth import distance_m
from windowwatch.scoring.values import MostThrough, Verdict
from windowwatch.settings.read import read_settings
from windowwatch.watch.pipeline import run_pass

#: East of the site, between 5 and 6 km of height; flights rise through it with the west wind.
SLAB = [[-4.99, 44.5], [-4.7, 44.5], [-4.7, 45.5], [-4.99, 45.5], [-4.99, 44.5]]
ASKED = "\n[limits.airspace]\nask = true\nfine_pct = 1\nlimit_pct = 5\nhard = false\n"


def test_details_and_airspace_of_a_pass(tmp_path: Path) -> None:
    settings_in(tmp_path, ASKED, draws="8", roads='"roads.geojson"\nairspace = "air.geojson"')
    about = {"name": "Slab", "kind": "closed", "floor_m": 5000, "ceiling_m": 6000}
    feature = {
        "type": "Feature", "properties": about,
        "geometry": {"type": "Polygon", "coordinates": [SLAB]},
    }  # fmt: skip
    (tmp_path / "air.geojson").write_text(
        json.dumps({"type": "FeatureCollection", "note": "made", "features": [feature]}),
        encoding="utf-8",
    )
    watch = read_settings(tmp_path / "watch.toml").watch
    data = load_file(forecast_in(tmp_path, wind=7.0), "made")
    with closing(new_store(tmp_path / "line.sqlite3")) as store:
        hours = run_pass(data, watch, store, now_utc=REFERENCE).hours
        details = [
            store.detail(watch.name, data.cycle.id, site=hour.site, time_utc=hour.time_utc)
            for hour in hours
        ]
    assert len(hours) == 6
    for hour, detail in zip(hours, details, strict=True):
        crossed = next(check for check in hour.checks if check.name == "airspace")
        assert crossed.verdict is Verdict.NO_GO
        assert (crossed.value, crossed.facts) == (100.0, (MostThrough("Slab"),))
        assert detail is not None
        assert detail.track is not None
        assert len(detail.landing_latitude_deg) == 8
        assert detail.burst is not None
        assert detail.drive is None, "there is no ground file"
        track = detail.track
        drift_km = float(distance_m(45.0, -5.0, track.latitude_deg[-1], track.longitude_deg[-1]))
        assert drift_km / 1000.0 == pytest.approx(hour.drift_km, rel=0.15)
        assert track.height_m[0] == 120.0
        assert max(track.height_m) == track.height_m[track.burst_index] > 25_000.0
        assert track.u_mps[3] == pytest.approx(7.0, abs=0.2), "the forecast's wind, no error in it"


def test_what_another_model_says_is_not_drawn(tmp_path: Path) -> None:
    watch = replace(read_settings(settings_in(tmp_path, draws="8")).watch, others=("second",))
    data = load_file(forecast_in(tmp_path), "second")
    with closing(new_store(tmp_path / "line.sqlite3")) as store:
        done = run_pass(data, watch.as_seen_by("second"), store, now_utc=REFERENCE)
        (hour, *_) = [h for h in done.hours if h.footprint is not None]
        cycle = data.cycle.id
        assert store.hours(watch.name, cycle) == done.hours
        drawn = store.detail(watch.name, cycle, site=hour.site, time_utc=hour.time_utc)
        assert drawn is None
