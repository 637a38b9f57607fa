"""The daemon as a real process, with a provider on the loopback."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

from fetching import LEVELS
from line_watch import settings_in
from patience import PATIENCE_S
from provider import Provider, fill_ecmwf, fill_gfs, provider

from windowwatch.storage.store import open_store
from windowwatch.wording.gaps import notes_words

CONFIG = Path(__file__).resolve().parents[2] / "config"


def serve(host: Provider, folder: Path, log: Path) -> "subprocess.Popen[bytes]":
    table = f"""
[forecast]
source = "gfs-0.25"
use_filter = false
range_urls = ["{host.url}"]
cache_folder = "cache"
levels_hpa = {list(LEVELS)}
reach_deg = 2.5
partial_every_min = 1

[[opinions]]
model = "ifs"
source = "ifs"
range_urls = ["{host.url}"]
levels_hpa = [1000, 850, 500, 200, 50]
step_every_h = 6

[database]
url = "sqlite:///{folder}/serve.sqlite3"
"""
    settings = settings_in(
        folder,
        table,
        model='"gfs"',
        areas=f'"{CONFIG}/skerra-areas.geojson"',
        roads=f'"{CONFIG}/skerra-roads.geojson"',
        latitude_deg="45.6",
        longitude_deg="-35.9",
        first_utc="2026-05-05T08:00:00Z",
        last_utc="2026-05-05T20:00:00Z",
    )
    command = [sys.executable, "-m", "windowwatch", "serve", "--settings", str(settings)]
    with log.open("wb") as out:
        return subprocess.Popen(
            [*command, "--port", "0", "--at", "2026-05-04T20:00Z"],
            stdout=out,
            stderr=subprocess.STDOUT,
            env=dict(os.environ),
        )


def test_cycles_of_two_models_go_from_their_providers_to_the_database(tmp_path: Path) -> None:
    log = tmp_path / "log"
    with provider() as host:
        fill_gfs(host, tuple(range(15, 40, 3)))
        fill_ecmwf(host, (0, *range(18, 42, 6)))
        process = serve(host, tmp_path, log)
        try:
            end = time.monotonic() + PATIENCE_S
            while "ifs-2026-05-04T12Z: 12 hours scored" not in (words := log.read_text()):
                assert time.monotonic() < end, words
                assert process.poll() is None, words
                time.sleep(0.1)
            process.send_signal(signal.SIGTERM)
            assert process.wait(PATIENCE_S) == 0, log.read_text()
        finally:
            process.kill()
            process.wait()
    store = open_store(f"sqlite:///{tmp_path}/serve.sqlite3")
    (cycle,) = store.cycles("line")
    assert cycle.cycle.id == "gfs-2026-05-04T12Z"
    assert any("NOAA/NCEP" in words for words in notes_words(cycle.remarks))
    assert any(
        "European Centre" in words for words in notes_words(store.opinions("line")[0].remarks)
    )
    hours = store.hours("line")
    assert len(hours) == 12
    said = [opinion for hour in hours for opinion in hour.others]
    assert {opinion.cycle_id for opinion in said} == {"ifs-2026-05-04T12Z"}
    assert len(said) > 6, "weighed in the same look"
    assert {f.sha256 for f in cycle.files} == {
        f.sha256
        for f in store.ledger().kept_files("gfs-0.25", cycle.cycle.reference_utc)
        if f.route != "store"
    }
    store.close()
    words = log.read_text()
    assert "GFS, 0.25 degree" in words
    assert "next look for cycle 2026-05-04 18Z about 21:25 UTC" in words
