"""`check --live` on the real servers' own inventories: all that is wanted is there, for little."""

import re
from collections.abc import Callable
from pathlib import Path

import inventory
import numpy as np
import pytest
from click.testing import CliRunner
from line_watch import settings_in
from provider import Provider, provider

from windowwatch.cli.main import main
from windowwatch.watch.probe import MOST_BYTES, MOST_REQUESTS

pytestmark = pytest.mark.real_index

#: Of the cycle of 4 May 2026, 12 UTC: the first and the last step that the launch hours need.
STEPS = (18, 36)
SITE = (45.6, -35.9)


def _gfs(its: Provider) -> None:
    inventory.serve_gfs(its, STEPS)


def _v17(its: Provider) -> None:
    inventory.serve_gfs(its, STEPS, v17=True)


def _gefs(its: Provider) -> None:
    inventory.serve_gefs(its, STEPS, (0,))


def _ifs(its: Provider) -> None:
    inventory.serve_ecmwf(its, STEPS, "ifs")


def _ens(its: Provider) -> None:
    inventory.serve_ecmwf(its, STEPS, "ifs", (1, 2))


def _aifs(its: Provider) -> None:
    inventory.serve_ecmwf(its, STEPS, "aifs")


#: Model, provider, ways, levels, and what is said to be missing.
CASES: dict[str, tuple[str, Callable[[Provider], None], int, str, str]] = {
    "GFS": ("gfs-0.25", _gfs, 2, "30 levels, 1000 to 5 hPa; 22 of 22 fields", ""),
    "GFS v17": ("gfs-0.25", _v17, 2, "30 levels, 1000 to 5 hPa; 22 of 22 fields", ""),
    "GEFS": ("gefs", _gefs, 2, "18 levels, 1000 to 5 hPa; 22 of 22 fields", ""),
    "IFS": ("ifs", _ifs, 1, "14 levels, 1000 to 10 hPa; 13 of 13 fields", ""),
    "ENS": ("ifs-ens", _ens, 1, "14 levels, 1000 to 10 hPa; 13 of 13 fields", ""),
    "AIFS": ("aifs", _aifs, 1, "14 levels, 1000 to 10 hPa; 13 of 14 fields", "land mask"),
}


def wind_mps(step_h: int) -> float:
    """10 m wind at the site, by the formula of the inventory."""
    where = np.array([SITE[0]]), np.array([SITE[1]])
    u, v = (
        inventory.value(f"wind_{each}_10m_mps", 0.0, (step_h, step_h), 0, "", where)[0, 0]
        for each in "uv"
    )
    return float(np.hypot(u, v))


@pytest.mark.parametrize("name", CASES)
def test_all_that_is_wanted_is_there(name: str, tmp_path: Path) -> None:
    source, serve, ways, there, missing = CASES[name]
    with provider() as host:
        serve(host)
        table = f"""
[forecast]
source = "{source}"
range_urls = ["{host.url}"]
filter_script_urls = ["{host.url}/cgi-bin"]
filter_file_urls = ["{host.url}"]
step_every_h = 6
"""
        path = settings_in(
            tmp_path,
            table,
            model=f'"{source}"',
            latitude_deg=str(SITE[0]),
            longitude_deg=str(SITE[1]),
            first_utc="2026-05-05T08:00:00Z",
            last_utc="2026-05-05T20:00:00Z",
        )
        command = ["check", "--live", "--settings", str(path), "--at", "2026-05-04T22:00Z"]
        done = CliRunner().invoke(main, command, env={"COLUMNS": "200"})
        words = done.output
        assert done.exit_code == 0, words
        assert words.count(f" on {there} near the ground") == ways, words
        assert re.findall(r"missing: (.*)", words) == ([missing] * ways if missing else [])
        assert words.count("reaches +36 h, as needed (04 May 12Z)") == ways, words
        assert words.count(f"value: 10 m wind {wind_mps(18):.1f} m/s at Field") == ways, words
        assert ("under its other name" in words) == (name == "GFS v17")
        requests, size_mb = re.findall(r"(\d+) requests, ([\d.]+) MB", words)[0]
        assert int(requests) == len(host.log) <= MOST_REQUESTS
        assert float(size_mb) * 1e6 <= MOST_BYTES
