"""Every weather model fetched from the real servers' own inventories, and compared plane by plane.

The provider on the loopback serves files as `inventory` makes them: the real index lines, with
messages that fit. What is decoded must be what the formula of each field, level, time and member
says, in our unit; everything wanted that the inventory has must be there, and nothing else.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import inventory
import numpy as np
import pytest
import xarray as xr
from fetching import AREA, PART, bench
from provider import CYCLE, Provider, provider

from windowwatch.forecast.dataset import arrays_of, seconds_of, selector_of
from windowwatch.forecast.download.catalogue import MODELS, Model, Speech
from windowwatch.forecast.download.collect import Haul
from windowwatch.forecast.download.wanted import levels_of
from windowwatch.forecast.grib.messages import Kind
from windowwatch.forecast.grib.reader import inventory as keys_of
from windowwatch.forecast.notes import AtSteps, OverAnotherInterval, Planes
from windowwatch.forecast.sources import load_files, open_files
from windowwatch.wording.gaps import notes_words

pytestmark = pytest.mark.real_index

MEMBERS = (0, 1, 2)
NOAA_STEPS, FEW, IFS_STEPS = (0, 3, 6, 9), (0, 6), (0, 6, 90, 93, 150)


@dataclass(frozen=True)
class Case:
    """One model from one provider, and what of that which is wanted is nowhere in its files."""

    model: str
    route: int
    serve: Callable[[Provider], None]
    steps_h: tuple[int, ...]
    absent: frozenset[str] = frozenset()
    lacks_10_hpa: bool = False
    members: tuple[int, ...] = ()


def _gfs(its: Provider) -> None:
    inventory.serve_gfs(its, NOAA_STEPS)


def _v17(its: Provider) -> None:
    inventory.serve_gfs(its, NOAA_STEPS, v17=True)


def _gefs(its: Provider) -> None:
    inventory.serve_gefs(its, FEW, MEMBERS)


def _ifs(its: Provider) -> None:
    inventory.serve_ecmwf(its, IFS_STEPS, "ifs")


def _ifs_before(its: Provider) -> None:
    inventory.serve_ecmwf(its, FEW, "ifs before")


def _ifs_later(its: Provider) -> None:
    inventory.serve_ecmwf(its, FEW, "ifs later")


def _ens(its: Provider) -> None:
    inventory.serve_ecmwf(its, FEW, "ifs", MEMBERS[1:])


def _aifs(its: Provider) -> None:
    inventory.serve_ecmwf(its, FEW, "aifs")


def _aifs_before(its: Provider) -> None:
    inventory.serve_ecmwf(its, FEW, "aifs before")


CASES = {
    "GFS by the filter": Case("gfs-0.25", 0, _gfs, FEW),
    "GFS by ranges": Case("gfs-0.25", 1, _gfs, NOAA_STEPS),
    "GFS v17 by the filter": Case("gfs-0.25", 0, _v17, FEW),
    "GFS v17 by ranges": Case("gfs-0.25", 1, _v17, FEW),
    "GFS 0.5 by the filter": Case("gfs-0.5", 0, _gfs, FEW),
    "GFS 0.5 by ranges of 0.25": Case("gfs-0.5", 1, _gfs, FEW),
    "GEFS by the filter": Case("gefs", 0, _gefs, FEW, members=MEMBERS),
    "GEFS by ranges": Case("gefs", 1, _gefs, FEW, members=MEMBERS),
    "IFS": Case("ifs", 0, _ifs, IFS_STEPS),
    "IFS before May 2026": Case("ifs", 0, _ifs_before, FEW, lacks_10_hpa=True),
    "IFS by the WMO's numbers": Case("ifs", 0, _ifs_later, FEW),
    "IFS ensemble": Case("ifs-ens", 0, _ens, FEW, members=MEMBERS[1:]),
    "AIFS": Case("aifs", 0, _aifs, FEW, frozenset({"orography", "land_fraction"})),
    "AIFS before May 2026": Case("aifs", 0, _aifs_before, FEW, lacks_10_hpa=True),
}


def as_served(case: Case, host: Provider) -> Model:
    """A row of the table, one of its routes, the members that are served."""
    its = MODELS[case.model]
    route = its.routes[case.route]
    products = tuple(
        p
        if p.members == (None,)
        else replace(p, members=tuple(m for m in p.members if m in case.members))
        for p in route.products
    )
    roots = ((f"{host.url}/cgi-bin", host.url),)
    return replace(its, routes=(replace(route, hosts=roots, products=products),))


@pytest.fixture(scope="module", params=CASES)
def fetched(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Case, Model, Haul, xr.Dataset]]:
    case = CASES[request.param]
    with provider() as host:
        case.serve(host)
        its = as_served(case, host)
        filtered = its.routes[0].speech is Speech.NOAA_FILTER
        b = bench(its, tmp_path_factory.mktemp("fetched"), area=PART if filtered else AREA)
        haul = b.collector.gather(CYCLE, case.steps_h)
        b.fetcher.close()
        opened, _ = open_files([f.path for f in haul.files], PART)
        yield case, its, haul, opened


Fetched = tuple[Case, Model, Haul, xr.Dataset]
#: Over an interval: there is none yet at step 0.
LATER = {"precipitation_mm", "gust_mps"}


def test_every_file_is_accepted(fetched: Fetched) -> None:
    _, _, haul, _ = fetched
    assert haul.complete, haul.problems
    assert haul.problems == ()
    for file in haul.files:
        lacks = [note.lack for note in file.lacking if isinstance(note, AtSteps)]
        assert not [lack for lack in lacks if isinstance(lack, OverAnotherInterval)], (
            "intervals are as documented"
        )


def wanted_of(case: Case, its: Model, step: int) -> set[tuple[str, float, int, int]]:
    """Field, level, step and member of everything that is to be there of a step."""
    found = set()
    for product in its.routes[0].products:
        for member in product.members:
            for name in product.levels_hpa:
                for level in levels_of(product, name):
                    if not (level == 10.0 and case.lacks_10_hpa):
                        found.add((name, level, step, member or 0))
            for name in product.near:
                if name in case.absent:
                    continue
                found.add((name, 0.0, step, member or 0))
    return found


def test_every_plane_is_what_the_server_has(fetched: Fetched) -> None:
    case, its, _, opened = fetched
    seen: set[tuple[str, float, int, int]] = set()
    where = (opened["latitude"].values, opened["longitude"].values)
    runs = [arrays_of(opened, run) for run in ("control", "members")]
    for name, arrays in [*runs[0].items(), *runs[1].items()]:
        selector = selector_of(arrays[0])
        kind = {Kind.AVERAGE: "ave", Kind.ACCUMULATION: "acc"}.get(selector.kind, "at")
        for array in arrays:
            for t, end_s in enumerate(seconds_of(array)):
                hours = (float(array["start"].values[t]) / 3600, end_s / 3600)
                for m, member in enumerate(array["number"].values):
                    for z, level in enumerate(array["level"].values):
                        got = array.values[m, t, z] * selector.scale
                        if np.isnan(got).all():
                            continue
                        aloft = name in ("u", "v", "t", "gh", "q", "r")
                        hpa = float(level) / 100.0 if aloft else 0.0
                        truth = inventory.value(name, hpa, hours, int(member), kind, where)
                        near = 1e-3 * np.abs(truth).max()
                        np.testing.assert_allclose(got, truth, rtol=0, atol=near, err_msg=name)
                        seen.add((name, hpa, end_s // 3600, int(member)))
    wanted = {w for step in case.steps_h for w in wanted_of(case, its, step)}
    lacking = wanted - seen
    assert {w for w in lacking if not may_lack(case, w)} == set()
    if its.routes[0].speech is not Speech.NOAA_FILTER:  # which sends more than is asked for
        assert seen <= wanted


def may_lack(case: Case, what: tuple[str, float, int, int]) -> bool:
    """What the real text itself has not got at a step."""
    name, _, step, _ = what
    ecmwf = case.model in ("ifs", "ifs-ens", "aifs")
    if step == 0 and name in LATER and (ecmwf or name == "precipitation_mm"):
        return True
    if case.model == "aifs":
        return name in ("orography", "land_fraction") and step > 0
    # means of GEFS, and of ECMWF terrain, which is at step 0 alone
    means = {"cloud_low_pct", "cloud_middle_pct", "cloud_high_pct", "cloud_total_pct",
             "precipitation_rate_mmph", "freezing_rain"}  # fmt: skip
    return (case.model == "gefs" and step == 0 and name in means) or (ecmwf and name == "orography")


def test_gusts_say_over_what_they_are_the_greatest(fetched: Fetched) -> None:
    case, _, _, opened = fetched
    if case.model not in ("ifs", "ifs-ens"):
        runs = [arrays_of(opened, run) for run in ("control", "members")]
        others = [its["gust_mps"][0] for its in runs if "gust_mps" in its]
        assert all(selector_of(its).kind is Kind.INSTANT for its in others)
        assert bool(others) is (case.model != "aifs")
        return
    gust = arrays_of(opened, "control")["gust_mps"]
    assert selector_of(gust[0]).kind is Kind.MAXIMUM
    spans = {
        end_s // 3600: (end_s - int(start)) // 3600
        for array in gust
        for end_s, start in zip(seconds_of(array), array["start"].values, strict=True)
    }
    known = {6: 1, 90: 1, 93: 3, 150: 6}
    assert spans == {step: known[step] for step in case.steps_h if step}


def test_it_is_a_cycle_that_can_be_flown(fetched: Fetched) -> None:
    _, its, haul, _ = fetched
    data = load_files([f.path for f in haul.files], its.name, area=PART)
    assert np.isfinite(data.wind.air[:, :, 1, 1]).any()
    assert not [gap for gap in notes_words(data.gaps) if "left out" in gap]


def test_what_is_fetched_is_no_more_than_is_asked_for(tmp_path: Path) -> None:
    """By ranges GFS' 743 messages of a step come down to those that are wanted."""
    with provider() as host:
        _gfs(host)
        b = bench(as_served(CASES["GFS by ranges"], host), tmp_path)
        (file,) = b.collector.gather(CYCLE, (9,)).files
        assert len(keys_of(file.path)) == 161
        ranges = [r for r in host.log if r.span is not None]
        assert len(ranges) < 90


def test_a_gust_over_another_interval_than_documented_is_kept_and_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No line of 10fg3 is known: the message's own keys count, and no file is lost over it."""
    monkeypatch.setattr(inventory, "gust_name", lambda _step: ("10fg3", 6))
    with provider() as host:
        path = f"{CYCLE:%Y%m%d}/{CYCLE:%H}z/ifs/0p25/oper/{CYCLE:%Y%m%d%H}0000-93h-oper-fc.grib2"
        host.add(path, 93, inventory.ecmwf_file.__wrapped__("ifs", 93))
        b = bench(as_served(CASES["IFS"], host), tmp_path)
        (file,) = b.collector.gather(CYCLE, (93,)).files
        opened, _ = open_files([file.path], PART)
    gust = OverAnotherInterval(Planes("gust_mps"), 6 * 3600, 3 * 3600)
    assert file.lacking == (AtSteps(gust, (93 * 3600,), 1),)
    (array,) = arrays_of(opened, "control")["gust_mps"]
    assert array["start"].values.tolist() == [87 * 3600]
