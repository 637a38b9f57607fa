"""One real GFS step through the line: two invented sites, in Europe and on the US plains."""

import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import made_air
import numpy as np
import pytest
from geodesic import Geod

from windowwatch.forecast.sources import load_file
from windowwatch.physics.flights import FlightStatus, fly
from windowwatch.physics.spread import central_draw
from windowwatch.scoring.values import Verdict
from windowwatch.settings.read import read_settings
from windowwatch.storage.store import open_store
from windowwatch.watch.values import area_of

FOLDER = os.environ.get("WINDOWWATCH_REFERENCE_DATA", "")
STEP = Path(FOLDER) / "gfs.t12z.pgrbf120.2p5deg.grib2"

pytestmark = [
    pytest.mark.real_data,
    pytest.mark.skipif(not FOLDER, reason="WINDOWWATCH_REFERENCE_DATA names no folder"),
]

#: The step is valid on 2011-01-15 12 UTC. Sites and their names are invented.
SETTINGS = """
[watch]
name = "two continents"
model = "gfs"
forecast_folder = "."
draws = 16
first_utc = 2011-01-15T08:00:00Z
last_utc = 2011-01-15T18:00:00Z

[[sites]]
name = "Anger"
latitude_deg = 48.9
longitude_deg = 11.2
height_m = 420
time_zone = "Europe/Berlin"

[[sites]]
name = "Dry Fork"
latitude_deg = 39.4
longitude_deg = -99.3
height_m = 640
time_zone = "America/Chicago"

[train]
balloon_mass_kg = 1.2
payload_mass_kg = 1.5
nozzle_lift_kg = 2.6
burst_diameter_m = 8.63
parachute_area_m2 = 1.28

[limits.no_landing]
ask = false
[limits.road]
ask = false
[limits.ceiling]
ask = false
[limits.visibility]
ask = false

[database]
url = "sqlite:///{folder}/real.sqlite3"
"""


@pytest.fixture
def settings_path(tmp_path: Path) -> Path:
    path = tmp_path / "real.toml"
    path.write_text(SETTINGS.format(folder=tmp_path), encoding="utf-8")
    return path


def test_pass_on_the_real_step_says_for_how_long_it_holds(settings_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "windowwatch", "pass", "--settings", str(settings_path),
         "--from", str(STEP)],
        capture_output=True, text=True, check=False, env={**os.environ, "COLUMNS": "100"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    words = " ".join(done.stdout.split())
    assert "gfs-2011-01-10T12Z: 20 launch hours, 10 of them refused, 288 flights" in words
    assert "taken as valid within three hours either way" in words
    store = open_store(f"sqlite:///{settings_path.parent}/real.sqlite3")
    hours = {(h.site, h.time_utc.hour): h for h in store.hours("two continents")}
    store.close()
    # The step holds from 09 to 15 UTC. A flight of three hours, with an hour of set-up before
    # it, fits in only when launched at 10 or 11.
    for (site, hour), found in hours.items():
        if 10 <= hour <= 11:
            assert found.refused is None, (site, hour, found.refused)
            assert found.drift_km is not None
            assert 10.0 < found.drift_km < 400.0
            assert found.landing_utc is not None
            assert found.landing_utc <= datetime(2011, 1, 15, 15, tzinfo=UTC)
        if hour < 9 or hour > 13:
            # Refused for want of data, or barred by the night whatever the data.
            assert found.verdict in (Verdict.UNKNOWN, Verdict.NO_GO), (site, hour)
            assert not found.score
            assert found.footprint is None


@pytest.mark.parametrize("number", [0, 1], ids=["Europe", "US plains"])
def test_a_flight_on_the_real_step_agrees_with_an_independent_integrator(
    settings_path: Path, number: int
) -> None:
    """`scipy.integrate.solve_ivp` with the same physics lands within 20 m."""
    watch = read_settings(settings_path).watch
    air = load_file(STEP, "gfs", area=area_of([watch.sites[number]])).wind
    site = watch.sites[number]
    launch = datetime(2011, 1, 15, 10, tzinfo=UTC).timestamp()
    start = made_air.launches(site.latitude_deg, site.longitude_deg, site.height_m, launch)
    ours = fly(air, start, watch.train, central_draw(1))
    slow = made_air.slow_flight(air, start, watch.train)
    assert ours.status[0, 0, 0] == FlightStatus.LANDED
    missed = Geod().inv(
        slow["longitude"],
        slow["latitude"],
        ours.landing_longitude_deg[0, 0, 0],
        ours.landing_latitude_deg[0, 0, 0],
    )[2]
    assert missed < 20.0
    assert float(ours.drift_m[0, 0, 0]) > 20e3
    assert np.isfinite(ours.landing_speed_mps).all()
