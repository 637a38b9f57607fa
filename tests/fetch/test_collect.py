"""Cycles gathered from a loopback provider: whole, growing, faulty, and after a stop."""

import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from fetching import AREA, LEVELS, MEMBER_LEVELS, PART, QUICK, Bench, bench, served
from made_air import whole_air
from patience import PATIENCE_S
from provider import (
    BEFORE,
    CYCLE,
    VORTICITY_PA,
    Handler,
    Provider,
    Request,
    Sample,
    fill_ecmwf,
    fill_gefs,
    fill_gfs,
    gfs_messages,
    provider,
)

from windowwatch.forecast.download.collect import Haul
from windowwatch.forecast.sources import load_files

STEPS = (0, 3, 6)
#: Levels served: few, so that many faults can be tried. [hPa]
FEW = (1000.0, 500.0, 100.0, 10.0)
#: Ranges a step: from one unwanted message to the next.
PARTS = len(VORTICITY_PA) + 1
Fault = Callable[[Request, Handler], bool]


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


def ranges(folder: Path, *hosts: Provider) -> Bench:
    return bench(served("gfs-0.25", 1, list(hosts), FEW), folder)


def filtered(folder: Path, *hosts: Provider) -> Bench:
    return bench(served("gfs-0.25", 0, list(hosts), FEW), folder, area=PART)


def true_files(item: str = "0p25") -> dict[str, bytes]:
    """What a sound fetch leaves, taken straight from the sample: its messages in their order."""
    return {
        f"{item}-f{step:03d}": b"".join(m.data for m in gfs_messages(CYCLE, step, FEW))
        for step in STEPS
    }


def test_ranges_bring_the_bytes_of_the_provider(tmp_path: Path, host: Provider) -> None:
    b = ranges(tmp_path, host)
    haul = b.collector.gather(CYCLE, STEPS)
    assert haul.complete
    assert haul.problems == ()
    assert b.files() == true_files()
    # one index to begin, and for each step its index and a range from vorticity to vorticity
    assert len(host.log) == 1 + (1 + PARTS) * len(STEPS)
    assert not list(tmp_path.rglob("*.part"))


def test_what_was_fetched_reads_as_the_sample_itself(tmp_path: Path) -> None:
    with provider() as host:
        fill_gfs(host, STEPS)
        b = bench(served("gfs-0.25", 1, [host], LEVELS), tmp_path)
        haul = b.collector.gather(CYCLE, STEPS)
    data = load_files([f.path for f in haul.files], "gfs", area=AREA)
    every = [m for step in STEPS for m in gfs_messages(CYCLE, step)]
    path = tmp_path / "as-it-is.grib2"
    path.write_bytes(b"".join(m.data for m in every))
    whole = load_files([path], "gfs", area=AREA)
    assert np.array_equal(whole_air(data.wind), whole_air(whole.wind), equal_nan=True)
    for name, values in whole.surface.fields.items():
        assert np.array_equal(data.surface.fields[name], values, equal_nan=True), name


def test_the_filter_brings_the_area_and_no_more(tmp_path: Path, host: Provider) -> None:
    b = filtered(tmp_path, host)
    haul = b.collector.gather(CYCLE, STEPS)
    assert haul.complete, haul.problems
    assert len(host.log) == 1 + len(STEPS)
    data = load_files([f.path for f in haul.files], "gfs", area=PART)
    every = ranges(tmp_path / "all", host).collector.gather(CYCLE, STEPS)
    full = load_files([f.path for f in every.files], "gfs", area=PART)
    # the server packs anew, so the last bit of a value may differ
    assert np.allclose(
        whole_air(data.wind), whole_air(full.wind), rtol=1e-5, atol=1e-4, equal_nan=True
    )
    for name, values in full.surface.fields.items():
        assert np.allclose(data.surface.fields[name], values, rtol=1e-5, equal_nan=True), name
    assert sum(f.size_bytes for f in haul.files) < sum(f.size_bytes for f in every.files)
    paced = [s for s in b.pastime.slept if s > 0]
    assert len(paced) == 3, "100 a minute, index and data: all but the first question had to wait"


def test_ecmwf_members_come_from_one_file_and_the_control_from_another(tmp_path: Path) -> None:
    with provider() as host:
        fill_ecmwf(host, (0, 6))
        its = served("ifs-ens", 0, [host], MEMBER_LEVELS)
        route = its.routes[0]
        control, members = route.products
        route = replace(route, products=(control, replace(members, members=tuple(range(1, 8)))))
        b = bench(replace(its, routes=(route,)), tmp_path)
        haul = b.collector.gather(CYCLE, (0, 6))
        assert haul.complete, haul.problems
        data = load_files([f.path for f in haul.files], "ifs", area=AREA)
        assert data.wind.member_labels == ("control", *(f"member {n}" for n in range(1, 8)))
        assert np.isfinite(whole_air(data.wind)[:, :, 6, 6]).all()


def test_gefs_has_a_file_for_each_member(tmp_path: Path) -> None:
    with provider() as host:
        fill_gefs(host, (0, 6))
        its = served("gefs", 1, [host], MEMBER_LEVELS)
        a = replace(its.routes[0].products[0], members=tuple(range(4)))
        b = bench(replace(its, routes=(replace(its.routes[0], products=(a,)),)), tmp_path)
        haul = b.collector.gather(CYCLE, (0, 6))
        assert haul.complete, haul.problems
        assert [f.item for f in haul.files[:4]] == [f"a-f000-m0{m}" for m in range(4)]


def test_a_cycle_that_grows_is_taken_step_by_step(tmp_path: Path, host: Provider) -> None:
    b = ranges(tmp_path, host)
    host.upto_h = -1
    haul = b.collector.gather(CYCLE, STEPS)
    assert (haul.steps_h, haul.waiting_h, haul.problems) == ((), STEPS, ())
    host.upto_h = 3
    haul = b.collector.gather(CYCLE, STEPS)
    assert (haul.steps_h, haul.waiting_h) == ((0, 3), (6,))
    host.upto_h = 6
    asked = len(host.log)
    haul = b.collector.gather(CYCLE, STEPS)
    assert haul.complete
    assert len(host.log) - asked == 2 + PARTS, "what is kept is not asked for again"
    assert b.files() == true_files()
    asked = len(host.log)
    assert b.collector.gather(CYCLE, STEPS).complete
    assert len(host.log) == asked


def test_a_new_start_goes_on_where_the_last_one_ended(tmp_path: Path, host: Provider) -> None:
    first = ranges(tmp_path, host)
    host.upto_h = 3
    first.collector.gather(CYCLE, STEPS)
    host.upto_h = 6
    its = served("gfs-0.25", 1, [host], FEW)
    again = bench(its, tmp_path, ledger=first.ledger)
    asked = len(host.log)
    assert again.collector.gather(CYCLE, STEPS).complete
    assert len(host.log) - asked == 2 + PARTS
    assert again.files() == true_files()


def test_a_kept_file_that_changed_on_the_disk_is_seen_and_fetched_again(
    tmp_path: Path, host: Provider
) -> None:
    first = ranges(tmp_path, host)
    haul = first.collector.gather(CYCLE, STEPS)
    path = Path(haul.files[1].path)
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1  # most likely inside packed values: no frame can tell
    path.write_bytes(data)
    again = bench(served("gfs-0.25", 1, [host], FEW), tmp_path, ledger=first.ledger)
    assert again.collector.gather(CYCLE, STEPS).complete
    assert again.files() == true_files()
    (note,) = (tmp_path / "set-aside").glob("*.txt")
    assert "its bytes have changed since it was checked" in note.read_text()


# --- faults ---------------------------------------------------------------------------------


def every_third(deal: Callable[[Handler, Request], bool]) -> Fault:
    def fault(request: Request, handler: Handler) -> bool:
        if request.number % 3 == 0:
            return deal(handler, request)
        return False

    return fault


#: Faults that are got over: the result is the fault-free one, byte for byte.
OVERCOME: dict[str, Fault] = {
    "503 every third": every_third(lambda h, _: h.say(503, b"busy")),
    "body cut every third": every_third(lambda h, r: h.cut(r)),
    "connection reset every third": every_third(lambda h, r: h.reset(r)),
    "429 with Retry-After every third": every_third(
        lambda h, _: h.say(429, b"", {"Retry-After": "7"})
    ),
    "another range every third": every_third(
        lambda h, r: h.say(206, b"x" * 100, {"Content-Range": "bytes 5-104/9"})
    ),
}


@pytest.mark.fault
@pytest.mark.parametrize(
    ("way", "name"),
    [(w, n) for w in (ranges, filtered) for n in OVERCOME if w is ranges or "range" not in n],
)
def test_a_fault_that_passes_leaves_no_trace(
    name: str, way: Callable[..., Bench], tmp_path: Path, host: Provider
) -> None:
    sound = way(tmp_path / "sound", host)
    sound.collector.gather(CYCLE, STEPS)
    host.log.clear()
    host.fault = OVERCOME[name]
    b = way(tmp_path / "faulty", host)
    haul = b.collector.gather(CYCLE, STEPS)
    for _ in range(3):  # a look that had enough of one host leaves the rest to the next look
        haul = b.collector.gather(CYCLE, STEPS)
    assert haul.complete, haul.problems
    assert b.files() == sound.files()


def test_retry_after_is_kept_to(tmp_path: Path, host: Provider) -> None:
    answers = iter([True, False])
    host.fault = lambda _r, h: next(answers, False) and h.say(429, b"", {"Retry-After": "42"})
    b = ranges(tmp_path, host)
    assert b.collector.gather(CYCLE, STEPS).complete
    assert max(b.pastime.slept) >= 41.9


@pytest.mark.fault
def test_slow_drips_are_cut_short(tmp_path: Path, host: Provider, second: Provider) -> None:
    begun, left = [], []

    def drip(request: Request, handler: Handler) -> bool:
        if request.span is None:
            return False
        begun.append(request)
        handler.drip(request, 0.02)
        left.append(handler.close_connection)
        return True

    host.fault = drip
    retry_policy = replace(QUICK, whole_s=3.0, tries=1)
    its = served("gfs-0.25", 1, [host, second], FEW)
    b = bench(its, tmp_path, retry_policy=retry_policy)
    haul = b.collector.gather(CYCLE, STEPS)
    assert haul.complete, haul.problems
    assert b.files() == true_files()
    end = time.monotonic() + PATIENCE_S
    while len(left) < len(begun):
        assert time.monotonic() < end
        time.sleep(0.05)
    assert begun
    assert all(left), "of each drip somebody had enough before it was over"


@pytest.mark.fault
def test_a_host_that_says_nothing_is_left_for_another(
    tmp_path: Path, host: Provider, second: Provider
) -> None:
    host.fault = lambda _r, h: h.stay_silent(20.0)
    retry_policy = replace(QUICK, read_s=3.0, tries=1)
    b = bench(served("gfs-0.25", 1, [host, second], FEW), tmp_path, retry_policy=retry_policy)
    assert b.collector.gather(CYCLE, STEPS).complete
    assert b.files() == true_files()


def stale_index(host: Provider) -> None:
    """The index of the cycle before lies beside the file."""
    before = {step: gfs_messages(BEFORE, step, FEW) for step in STEPS}
    host.index_of = lambda path: before[host.steps[path]]


def other_offsets(host: Provider) -> None:
    """An index with the right times whose offsets are those of another writing order."""
    host.index_of = lambda path: tuple(reversed(host.files[path]))


def other_field(host: Provider) -> None:
    """Where the index says temperature there is vorticity: well framed, and another field."""

    def index(path: str) -> tuple[Sample, ...]:
        swapped = {(0, 0, 0): (0, 2, 10), (0, 2, 10): (0, 0, 0)}
        return tuple(
            replace(m, number=(*swapped.get(m.number[:3], m.number[:3]), *m.number[3:]))
            if m.number[3:] == (100, 50_000)
            else m
            for m in host.files[path]
        )

    host.index_of = index


def other_step(host: Provider) -> None:
    """The data are of step 3 under every name, the indexes say otherwise."""
    three = next(host.files[path] for path, step in host.steps.items() if step == 3)
    for path, step in host.steps.items():
        if step != 3:
            host.files[path] = three
    host.index_of = lambda path: tuple(
        replace(m, start_h=host.steps[path], end_h=host.steps[path]) for m in three
    )


def wrong_offsets(host: Provider) -> None:
    host.shift = 17


def ignored_ranges(host: Provider) -> None:
    host.fault = lambda r, h: r.span is not None and h.say(200, h.body_of(replace(r, span=None)))


def web_pages(host: Provider) -> None:
    host.fault = lambda r, h: h.say(206 if r.span else 200, b"<html>busy</html>")


def wrong_cycle(host: Provider) -> None:
    """The data are of the cycle before, under the name and index of this one."""
    named = dict(host.files)
    for path in named:
        host.files[path] = gfs_messages(BEFORE, host.steps[path], FEW)
    host.index_of = lambda path: tuple(
        replace(m, ymdh=f"{CYCLE:%Y%m%d%H}") for m in host.files[path]
    )


def refuses(host: Provider) -> None:
    host.fault = lambda _r, h: h.say(403, b"no")


def refuses_after_five(host: Provider) -> None:
    host.fault = lambda r, h: r.number > 5 and h.say(403, b"no")


def behind(host: Provider) -> None:
    """A mirror that is a cycle behind has other paths only."""
    host.files.clear()
    fill_gfs(host, STEPS, BEFORE, FEW)


def broken(host: Provider) -> None:
    host.fault = lambda _r, h: h.say(500, b"oops")


#: Faults of one host that stay; what is said when there is no other host.
STAYING: dict[str, tuple[Callable[[Provider], None], str]] = {
    "offsets wrong by 17 bytes": (wrong_offsets, "is no GRIB file"),
    "index of the cycle before": (
        stale_index,
        "is the index of 2026-05-04T06Z, not of 2026-05-04T12Z; it is stale",
    ),
    "offsets of another order": (other_offsets, "bytes"),
    "vorticity where temperature should be": (
        other_field,
        "temperature at 500 hPa at +0 h is not in it",
    ),
    "another step inside": (other_step, "+3 h, not of step 6 h"),
    "ranges ignored": (ignored_ranges, "ignores byte ranges and would send whole files"),
    "web pages instead": (
        web_pages,
        "answers with a web page in place of an index; left alone for 600 s",
    ),
    "wrong cycle inside": (
        wrong_cycle,
        "holds the run of 2026-05-04T06Z, not of 2026-05-04T12Z",
    ),
    "403 always": (refuses, "refuses us (HTTP 403); left alone for 600 s"),
    "403 after five requests": (refuses_after_five, "refuses us (HTTP 403); left alone"),
    "500 always": (broken, "answers HTTP 500"),
}


@pytest.mark.fault
@pytest.mark.parametrize("name", STAYING)
def test_a_fault_that_stays_is_named_and_nothing_wrong_is_kept(
    name: str, tmp_path: Path, host: Provider
) -> None:
    make, said = STAYING[name]
    make(host)
    b = ranges(tmp_path, host)
    haul = b.collector.gather(CYCLE, STEPS)
    assert not haul.complete
    assert haul.problems
    assert said in "; ".join(haul.problems)
    truth = true_files()
    assert all(data == truth[item] for item, data in b.files().items())
    assert not list(tmp_path.rglob("*.part"))


@pytest.mark.fault
@pytest.mark.parametrize("name", [*STAYING, "a cycle behind"])
def test_another_host_stands_in_whole(
    name: str, tmp_path: Path, host: Provider, second: Provider
) -> None:
    """Never an index of one host with data of another: the second gives both, or nothing."""
    make = behind if name == "a cycle behind" else STAYING[name][0]
    make(host)
    b = ranges(tmp_path, host, second)
    haul: Haul | None = None
    for _ in range(2):
        haul = b.collector.gather(CYCLE, STEPS)
    assert haul is not None
    assert haul.complete, haul.problems
    assert b.files() == true_files()
    for file in haul.files:
        indexes = {r.path for r in second.log if r.path.endswith(".idx")}
        if file.url.startswith(second.url):
            assert f"{file.url.removeprefix(second.url)}.idx" in indexes


@pytest.mark.fault
@pytest.mark.parametrize("make", [web_pages, wrong_cycle, refuses, broken])
def test_the_filter_in_trouble_names_it(
    make: Callable[[Provider], None], tmp_path: Path, host: Provider
) -> None:
    make(host)
    sound = host.fault
    host.fault = lambda r, h: "/filter_" in r.path and sound(r, h)
    b = filtered(tmp_path, host)
    haul = b.collector.gather(CYCLE, STEPS)
    assert not haul.steps_h
    assert haul.problems
    assert haul.refused == (make is not wrong_cycle)
    assert b.files() == {}


@pytest.mark.fault
def test_the_filter_must_cover_what_was_asked(tmp_path: Path, host: Provider) -> None:
    b = bench(served("gfs-0.25", 0, [host], FEW), tmp_path, area=(40.0, -38.0, 47.0, -34.0))
    haul = b.collector.gather(CYCLE, STEPS)
    assert not haul.steps_h
    assert "which is less than was asked for" in haul.problems[0]


@pytest.mark.fault
def test_a_missing_level_is_waited_for_and_named(tmp_path: Path, host: Provider) -> None:
    for path, messages in host.files.items():
        host.files[path] = tuple(m for m in messages if ":500 mb" not in m.noaa)
    haul = ranges(tmp_path, host).collector.gather(CYCLE, STEPS)
    assert not haul.steps_h
    assert "at 500 hPa" in haul.problems[0]
    assert "it may still grow" in haul.problems[0]


def test_no_host_at_all_is_a_named_error(tmp_path: Path, host: Provider) -> None:
    gone = Provider(url="http://127.0.0.1:9")
    haul = ranges(tmp_path, gone).collector.gather(CYCLE, STEPS)
    assert not haul.steps_h
    assert "127.0.0.1:9" in haul.problems[0]


def test_cycles_do_not_mix(tmp_path: Path, host: Provider) -> None:
    fill_gfs(host, STEPS, BEFORE, FEW)
    b = ranges(tmp_path, host)
    assert b.collector.gather(BEFORE, STEPS).complete
    assert b.collector.gather(CYCLE, STEPS).complete
    assert not b.collector.gather(CYCLE + timedelta(hours=6), STEPS).steps_h
    assert len(list(tmp_path.rglob("*.grib2"))) == 2 * len(STEPS)
