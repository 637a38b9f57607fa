"""What is fetched by byte ranges can be thinned; hosts that ask for it are spared; moved names."""

import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import inventory
import numpy as np
import pytest
from fetching import bench, served
from line_watch import settings_in
from provider import CYCLE, Handler, Provider, Request, provider

from windowwatch.cli.checking import plan_lines
from windowwatch.clock import SimulatedClock
from windowwatch.errors import SettingsError
from windowwatch.forecast.download.catalogue import MODELS, Product, Route, by_field
from windowwatch.forecast.download.wanted import route_steps
from windowwatch.forecast.sources import load_files
from windowwatch.settings.read import read_settings

CONFIG = Path(__file__).resolve().parents[2] / "config"
NOW = datetime(2026, 5, 4, 13, tzinfo=UTC)
TABLE = '\n[forecast]\nsource = "gfs-0.25"\n'


def routes_of(more: str, folder: Path) -> tuple[Route, ...]:
    section = read_settings(settings_in(folder, TABLE + more)).file.forecast
    return section.model_of_table().routes


def test_levels_and_steps_of_ranges_are_thinned_and_the_filter_is_left_alone(
    tmp_path: Path,
) -> None:
    more = (
        "range_levels_hpa = [1000, 500, 100, 10]\nrange_far_after_h = 72\nrange_far_every_h = 6\n"
    )
    area_filter, ranges = routes_of(more, tmp_path)
    assert area_filter == MODELS["gfs-0.25"].routes[0]
    assert ranges.products[0].offered_hpa == (1000.0, 500.0, 100.0, 10.0)
    assert ranges.products[0].levels_hpa["r"] == (1000.0, 500.0), "humidity where it counts"
    steps = tuple(range(66, 91, 3))
    assert ranges.steps(steps) == (66, 69, 72, 78, 84, 90)
    assert area_filter.steps(steps) == steps
    model = replace(MODELS["gfs-0.25"], routes=(area_filter, ranges))
    hourly = tuple(range(66, 80))
    assert route_steps(model, ranges, hourly) == (66, 69, 72, 78), "what stands in is three-hourly"
    assert route_steps(model, area_filter, hourly) == hourly
    alone = replace(model, routes=(ranges,))
    assert route_steps(alone, ranges, hourly) == (*range(66, 73), 78)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("range_levels_hpa = [500, 501]", "give range_levels_hpa at least two of the levels that"),
        ("range_levels_hpa = [500]", "give range_levels_hpa at least two of the levels that are"),
        (
            "levels_hpa = [1000, 500, 10]\nrange_levels_hpa = [1000, 100]",
            "at least two of the levels that are: 1000, 500, 10",
        ),
        ("range_far_after_h = -3", "range_far_after_h"),
        ("range_far_every_h = 48", "range_far_every_h"),
    ],
)
def test_a_wrong_thinning_is_named(line: str, said: str, tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as caught:
        routes_of(f"{line}\n", tmp_path)
    assert said in caught.value.message


def cost_of(more: str, folder: Path) -> tuple[float, float]:
    """Requests and megabytes of the second way in `check --forecast`."""
    text = (CONFIG / "online.toml").read_text(encoding="utf-8")
    for name in ("skerra-areas.geojson", "skerra-roads.geojson"):
        text = text.replace(name, (CONFIG / name).as_posix())
    path = folder / "settings.toml"
    path.write_text(text.replace("[forecast]\n", f"[forecast]\n{more}"), encoding="utf-8")
    words = [line.words for line in plan_lines(read_settings(path), SimulatedClock(NOW))]
    (line,) = (w for w in words if w.startswith("otherwise by NOAA index"))
    assert "0.25 degree" in line
    requests, rest = line.split("degree: ")[1].split(" requests, ")
    return float(requests), float(rest.split(" MB")[0])


def test_check_tells_what_the_other_way_costs_and_what_thinning_saves(tmp_path: Path) -> None:
    requests, size = cost_of("", tmp_path)
    fewer, less = cost_of(
        "range_levels_hpa = [1000, 950, 900, 850, 800, 700, 600, 500, 400, 300, 250, 200, 150, "
        "100, 70, 50, 30, 20, 10, 5]\n",
        tmp_path,
    )
    assert less / size == pytest.approx(0.71, abs=0.01), "as online.toml says"
    assert fewer < requests
    _, far = cost_of("range_far_after_h = 72\n", tmp_path)
    assert far / size == pytest.approx(0.72, abs=0.03), "as online.toml says"


def test_fields_of_a_product_are_cut_down_with_their_levels() -> None:
    product = Product("p", "x", by_field({"u v": "1000 500", "t": "500"}), ("gust_mps",))
    assert product.fields == ("u", "v", "t", "gust_mps")
    assert product.offered_hpa == (1000.0, 500.0)
    low = product.only([1000.0])
    assert low.fields == ("u", "v", "gust_mps"), "temperature has none of these levels"
    assert not product.only([3.0]).levels_hpa


# --- moved names, and hosts that are spared ---------------------------------------------------


@pytest.fixture
def host() -> Iterator[Provider]:
    with provider() as its:
        yield its


def test_a_new_name_is_found_and_asked_for_first_from_then_on(
    host: Provider, tmp_path: Path
) -> None:
    inventory.serve_gfs(host, (0, 3), v17=True)
    its = MODELS["gfs-0.25"]
    route = replace(its.routes[1], hosts=((host.url, host.url),))
    b = bench(replace(its, routes=(route,)), tmp_path)
    haul = b.collector.gather(CYCLE, (0, 3))
    assert haul.complete, haul.problems
    old = [r for r in host.log if "/atmos/gfs.t" in r.path]
    assert len(old) == 1, "the old name is asked for once"
    assert all("pres_a" in file.url for file in haul.files)
    data = load_files([f.path for f in haul.files], "gfs")
    assert np.isfinite(data.wind.air[:, :, 2, 2]).any()


def test_old_names_are_found_as_before(host: Provider, tmp_path: Path) -> None:
    inventory.serve_gfs(host, (0,))
    its = MODELS["gfs-0.25"]
    route = replace(its.routes[1], hosts=((host.url, host.url),))
    b = bench(replace(its, routes=(route,)), tmp_path)
    assert b.collector.gather(CYCLE, (0,)).complete
    assert not [r for r in host.log if "pres_a" in r.path]


@pytest.mark.parametrize("at_once", [1, 2])
def test_a_host_is_asked_for_no_more_files_at_a_time_than_it_bears(
    at_once: int, host: Provider, tmp_path: Path
) -> None:
    steps = (0, 6, 12, 18, 24)
    inventory.serve_ecmwf(host, steps, "aifs")
    lock, now, most = threading.Lock(), [0], [0]

    def slow(_request: Request, _handler: Handler) -> bool:
        with lock:
            now[0] += 1
            most[0] = max(most[0], now[0])
        time.sleep(0.02)
        with lock:
            now[0] -= 1
        return False

    host.fault = slow
    levels = MODELS["aifs"].routes[0].products[0].offered_hpa
    its = served("aifs", 0, [host], levels)
    route = replace(its.routes[0], at_once={host.url: at_once})
    b = bench(replace(its, routes=(route,)), tmp_path)
    assert b.collector.gather(CYCLE, steps).complete
    assert most[0] <= at_once
