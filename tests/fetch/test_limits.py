"""Hosts that limit, move, or lay a stale index beside their files; and the next way goes on."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from threading import Barrier

import numpy as np
import pytest
from fetching import AREA, PART, QUICK, Bench, MemoryLedger, bench, served
from patience import PATIENCE_S
from provider import (
    CYCLE,
    Fault,
    Handler,
    Provider,
    Request,
    b_files_late,
    fill_gefs,
    fill_gfs,
    index_of_the_day_before,
    moved_for_good,
    overloaded,
    provider,
    renamed,
    sent_away,
    too_many,
    web_page,
)

from windowwatch.forecast.download.catalogue import Model, Route, Speech
from windowwatch.forecast.sources import load_files

STEPS = (0, 3, 6)
FEW = (1000.0, 500.0, 100.0, 10.0)


@pytest.fixture
def host() -> Iterator[Provider]:
    with provider() as its:
        fill_gfs(its, STEPS, levels_hpa=FEW)
        yield its


@pytest.fixture
def second() -> Iterator[Provider]:
    with provider() as its:
        fill_gfs(its, STEPS, levels_hpa=FEW)
        yield its


def two_ways(filtering: Provider, files: Provider) -> Model:
    """The area filter at one host, and the very same files by ranges at another."""
    its = served("gfs-0.25", 0, [filtering], FEW)
    first = its.routes[0]
    ranges = Route(
        Speech.NOAA_INDEX, first.products, ((files.url, files.url),), first.grid_deg, 680_000
    )
    return replace(its, routes=(first, ranges))


def by_ranges(its: Model, folder: Path, ledger: MemoryLedger) -> Bench:
    """A collector by the second way, with what the first one kept."""
    b = bench(its, folder, area=PART, ledger=ledger)
    b.collector.route = its.routes[1]
    return b


#: Faults by which a host limits for good, and how they are named.
LIMITS: dict[str, tuple[Fault, str]] = {
    "302": (sent_away, "sends us away to https://www.example.invalid/limits (HTTP 302)"),
    "301": (moved_for_good, "has moved this to https://new.example.invalid/gfs/file (HTTP 301)"),
    "429": (too_many(), "refuses us (HTTP 429); left alone for 600 s"),
    "429 with Retry-After": (too_many("900"), "refuses us (HTTP 429); left alone for 900 s"),
    "429 with a date": (
        too_many("Mon, 04 May 2026 17:15:00 GMT"),  # the clock of the bench stands at 17:00
        "refuses us (HTTP 429); left alone for 900 s",
    ),
    "503 with Retry-After": (overloaded("120"), "is overloaded (HTTP 503); left alone for 120 s"),
    "page": (web_page, "answers with a web page in place of an index; left alone for 600 s"),
}


@pytest.mark.fault
@pytest.mark.parametrize("name", LIMITS)
def test_a_host_that_limits_rests_and_is_not_asked_again(
    name: str, tmp_path: Path, host: Provider
) -> None:
    fault, said = LIMITS[name]
    host.fault = fault
    b = bench(served("gfs-0.25", 1, [host], FEW), tmp_path)
    haul = b.collector.gather(CYCLE, STEPS)
    assert haul.refused
    assert said in "; ".join(haul.problems)
    assert "abc" not in "; ".join(haul.problems), "no query of where it sends us"
    asked = len(host.log)
    assert asked <= 3, "it is asked no more than three times"
    assert b.collector.gather(CYCLE, STEPS).refused
    assert len(host.log) == asked, "and rests"


@pytest.mark.fault
def test_a_short_retry_after_is_waited_for(tmp_path: Path, host: Provider) -> None:
    answers = iter([too_many("20"), overloaded("31")])
    host.fault = lambda r, h: (fault := next(answers, None)) is not None and fault(r, h)
    b = bench(served("gfs-0.25", 1, [host], FEW), tmp_path)
    assert b.collector.gather(CYCLE, STEPS).complete
    assert sum(b.pastime.slept) >= 50.9


def test_refusals_of_questions_on_their_way_together_count_once(
    tmp_path: Path, host: Provider
) -> None:
    """Eight workers are refused at one moment: that is one refusal, not eight."""
    together = Barrier(3)  # each is answered only when all three have asked

    def refuse(r: Request, h: Handler) -> bool:
        if not 2 <= r.number <= 4:
            return False
        together.wait(PATIENCE_S)
        return h.say(429, b"")

    host.fault = refuse
    b = bench(served("gfs-0.25", 1, [host], FEW), tmp_path)
    haul = b.collector.gather(CYCLE, STEPS)
    assert haul.complete, haul.problems
    assert max(b.pastime.slept) < 60.0


def test_a_host_has_one_pace_for_index_and_data(tmp_path: Path, host: Provider) -> None:
    """What its owner allows holds for byte ranges, too."""
    name = host.url.removeprefix("http://")
    retry_policy = replace(QUICK, paces={name: 60.0})
    b = bench(served("gfs-0.25", 1, [host], FEW), tmp_path, retry_policy=retry_policy)
    begun = b.pastime.tick()
    assert b.collector.gather(CYCLE, STEPS).complete
    assert b.pastime.tick() - begun >= len(host.log) - 1


@pytest.mark.fault
@pytest.mark.parametrize("south_first", [False, True])
def test_the_next_way_goes_on_from_what_is_kept(
    tmp_path: Path, host: Provider, second: Provider, *, south_first: bool
) -> None:
    """Cut-outs of the filter and messages of the globe stand side by side in one cycle."""
    host.south_first = south_first
    host.upto_h = 3
    its = two_ways(host, second)
    first = bench(its, tmp_path, area=PART)
    haul = first.collector.gather(CYCLE, STEPS)
    assert haul.steps_h == (0, 3), haul.problems
    host.fault = sent_away
    refused = first.collector.gather(CYCLE, STEPS)
    assert refused.refused
    assert refused.steps_h == (0, 3)
    both = by_ranges(its, tmp_path, first.ledger).collector.gather(CYCLE, STEPS)
    assert both.complete, both.problems
    assert [f.route for f in both.files] == ["filter-0.25", "filter-0.25", "ranges-0.25"]
    assert not any(r.span and ".f003" in r.path for r in second.log), "kept is kept"
    mixed = load_files([f.path for f in both.files], "gfs", area=PART)
    alone = by_ranges(its, tmp_path / "alone", MemoryLedger()).collector.gather(CYCLE, STEPS)
    whole = load_files([f.path for f in alone.files], "gfs", area=PART)
    # the server packs anew, so the last bit of a value may differ
    assert np.allclose(mixed.wind.air, whole.wind.air, rtol=1e-5, atol=1e-4, equal_nan=True)
    for name, values in whole.surface.fields.items():
        assert np.allclose(
            mixed.surface.fields[name], values, rtol=1e-5, atol=1e-4, equal_nan=True
        ), name


def test_ways_of_another_grid_or_other_fields_do_not_mix(
    tmp_path: Path, host: Provider, second: Provider
) -> None:
    its = two_ways(host, second)
    first, other = its.routes
    (product,) = other.products
    for foreign in (
        replace(other, grid_deg=0.5),
        replace(other, products=(replace(product, near=product.near[:-3]),)),
    ):
        model = replace(its, routes=(first, foreign))
        kept = bench(model, tmp_path / foreign.name, area=PART)
        assert kept.collector.gather(CYCLE, STEPS).complete
        second.log.clear()
        haul = by_ranges(model, tmp_path / foreign.name, kept.ledger).collector.gather(CYCLE, STEPS)
        assert {f.route for f in haul.files} == {foreign.name}


@pytest.mark.fault
def test_a_file_renamed_behind_its_index_is_named(tmp_path: Path, host: Provider) -> None:
    """Its index is there, the script or the file is not: waiting would not help."""
    host.fault = lambda r, h: "/filter_" in r.path and h.say(404, b"")
    haul = bench(served("gfs-0.25", 0, [host], FEW), tmp_path, area=PART).collector.gather(
        CYCLE, STEPS
    )
    assert haul.failed
    assert "though its index is: the file or the script has another name" in haul.problems[0]
    assert "[forecast.routes.files.0p25]" in haul.problems[0]


def stale(host: Provider) -> None:
    index_of_the_day_before(host)


def page_for_data(host: Provider) -> None:
    host.fault = lambda r, h: r.span is not None and web_page(r, h)


@pytest.mark.fault
@pytest.mark.parametrize(
    ("make", "said"),
    [
        (stale, "is the index of 2026-05-03T12Z, not of 2026-05-04T12Z; it is stale"),
        (page_for_data, "answers with a web page in place of GRIB"),
    ],
)
def test_what_is_no_data_is_refused_by_name(
    make: Callable[[Provider], None], said: str, tmp_path: Path, host: Provider, second: Provider
) -> None:
    make(host)
    b = bench(served("gfs-0.25", 1, [host], FEW), tmp_path)
    haul = b.collector.gather(CYCLE, STEPS)
    assert haul.failed
    assert said in "; ".join(haul.problems)
    assert b.files() == {}
    both = bench(served("gfs-0.25", 1, [host, second], FEW), tmp_path / "both")
    assert both.collector.gather(CYCLE, STEPS).complete


@pytest.mark.fault
def test_late_b_files_are_waited_for_in_silence(tmp_path: Path) -> None:
    with provider() as host:
        fill_gefs(host, (0, 6), "ab")
        b_files_late(host)
        its = served("gefs", 1, [host], (1000.0, 500.0, 20.0))
        a, b = (replace(p, members=tuple(range(2))) for p in its.routes[0].products)
        a, b = a.only((1000.0, 500.0)), b.only((20.0,))
        its = replace(its, routes=(replace(its.routes[0], products=(a, b)),))
        pair = bench(its, tmp_path, area=AREA)
        haul = pair.collector.gather(CYCLE, (0, 6))
        assert (haul.steps_h, haul.problems, haul.failed) == ((), (), False)
        host.late = lambda _path: False
        assert pair.collector.gather(CYCLE, (0, 6)).complete


def test_a_renamed_file_is_found_under_the_name_that_settings_give(
    tmp_path: Path, host: Provider
) -> None:
    renamed(host, "atmos/gfs.t12z.pgrb2.0p25", "products/atmos/grib2/0p25/gfs.t12z.pres_a.0p25")
    its = served("gfs-0.25", 0, [host], FEW)
    b = bench(its, tmp_path, area=PART)
    assert not b.collector.gather(CYCLE, STEPS).heard
    (product,) = its.routes[0].products
    path = "gfs.{Y}/{H}/products/atmos/grib2/0p25/gfs.t{H}z.pres_a.0p25.f{F}"
    b.collector.route = replace(its.routes[0], products=(replace(product, path=path),))
    assert b.collector.gather(CYCLE, STEPS).complete
