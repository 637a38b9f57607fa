"""Cycles are read and flown ahead of their turn, and are what they are one after the other."""

import subprocess
import sys
import threading
from collections import deque
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from itertools import starmap
from pathlib import Path
from typing import Any

import pytest
from grib_maker import aloft, ground, write
from line_watch import REFERENCE, forecast_in, settings_in

from windowwatch.child import Child, pickled, unheard
from windowwatch.errors import SourceError
from windowwatch.forecast.cycle import Cycle
from windowwatch.forecast.grib import reader
from windowwatch.forecast.grib.framing import walk
from windowwatch.forecast.sources import FoundCycle, load_cycle, scan_folder
from windowwatch.learning.learned import FROM_MEMORY
from windowwatch.settings.read import read_settings
from windowwatch.watch.flying import FlownCycle
from windowwatch.watch.run import ahead
from windowwatch.watch.run.ahead import Asked, Begun, FlownAhead, fly_here, read_stored
from windowwatch.watch.run.rehearsal import _coming
from windowwatch.watch.values import Watch, area_of

FOUND = [
    FoundCycle(Cycle(datetime(2026, 5, 4, tzinfo=UTC) + timedelta(hours=6 * n), "m"), ("x",))
    for n in range(3)
]


@pytest.mark.parametrize(
    ("at_once", "wanted"),
    [
        (1, ["begin 0", "pass 0", "begin 1", "pass 1", "begin 2", "pass 2"]),
        (2, ["begin 0", "begin 1", "pass 0", "begin 2", "pass 1", "pass 2"]),
        (9, ["begin 0", "begin 1", "begin 2", "pass 0", "pass 1", "pass 2"]),
    ],
)
def test_so_many_are_begun_by_the_turn_of_one(at_once: int, wanted: list[str]) -> None:
    said: list[str] = []

    def begin(asked: Asked) -> Begun:
        number = FOUND.index(asked.found)
        said.append(f"begin {number}")
        return lambda *_given: said.append(f"pass {number}")  # type: ignore[return-value]

    asked = [Asked(each, each.cycle.reference_utc) for each in FOUND]
    for coming in _coming(asked, begin, at_once):
        coming(FROM_MEMORY, (), unheard)
    assert said == wanted


def test_a_cycle_that_several_processes_read_is_the_one_that_one_reads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Bit by bit, also where another process has read all."""
    monkeypatch.setattr(reader, "WORTH_FIELDS", 1)
    monkeypatch.setattr(reader, "_PIECE_FIELDS", 8)
    messages = [m for step in (0, 3, 6) for m in aloft(step, wind=float(step))]
    write(tmp_path / "a.grib2", [*messages, *ground()])
    (found,) = scan_folder(tmp_path, model="m").cycles
    whole = load_cycle(found, processes=1)
    shared = load_cycle(found)
    assert shared.wind.air.tobytes() == whole.wind.air.tobytes()
    assert (shared.gaps, shared.remarks, shared.files) == (whole.gaps, whole.remarks, whole.files)

    framing = walk(found.files[0])
    pieces = deque(starmap(reader._Piece, enumerate(reader._cut(framing))))
    results: list[Any] = [None] * len(pieces)
    reader._hand_out(pieces, None, results)  # all by another process
    planes = [plane for result in results for plane in result]
    alone = reader.read_planes(framing, None)
    assert [p.values.tobytes() for p in planes] == [p.values.tobytes() for p in alone]


@pytest.fixture
def line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Watch, list[FoundCycle]]:
    """A small watch, and two cycles that are worth a process."""
    monkeypatch.setattr(ahead, "WORTH_BYTES", 1)
    settings = read_settings(settings_in(tmp_path))
    folder = tmp_path / "forecasts"
    for hour in (6, 12):
        forecast_in(folder, f"made{hour}.grib2", wind=5.0 + 0.3 * hour, hour=hour)
    return settings.watch, list(scan_folder(folder, model="made").cycles)


def here(asked: Asked, watch: Watch, belief: Any = FROM_MEMORY) -> bytes:
    read = partial(read_stored, area=area_of(watch.sites))
    return told(fly_here(asked, watch, read, belief)[0])


def told(flown: FlownCycle) -> bytes:
    """All of it, arrays bit by bit."""
    parts = [
        (each.hours, each.details, sorted(each.ended), each.flights, vars(each.record))
        for each in flown.sites
    ]
    rest = [value for name, value in sorted(vars(flown).items()) if name != "sites"]
    # what is one object in one process may be two equal ones out of another
    return b"".join(pickled(part) for part in _plain([parts, rest]))


def _plain(value: Any) -> list[Any]:
    if isinstance(value, (list, tuple, set, frozenset)):
        return [part for each in value for part in _plain(each)]
    if isinstance(value, dict):
        return [part for name, each in value.items() for part in [name, *_plain(each)]]
    if hasattr(value, "__dataclass_fields__"):
        return _plain({name: getattr(value, name) for name in value.__dataclass_fields__})
    return [value]


@pytest.mark.process
def test_processes_fly_the_same_cycles_and_a_lost_file_is_told_in_its_turn(
    line: tuple[Watch, list[FoundCycle]], tmp_path: Path
) -> None:
    watch, (first, second) = line
    gone = FoundCycle(first.cycle, (str(tmp_path / "gone.grib2"),))
    asked = [Asked(each, REFERENCE, keep=each is second) for each in (first, gone, second)]
    heard: list[str] = []
    with FlownAhead(watch, 2) as flying:
        begun = [flying.begin(each) for each in asked]
        flown, data = begun[0](watch.belief, (), unheard)
        assert data is None
        assert flown.sites[0].flights > 0
        assert told(flown) == here(asked[0], watch)
        with pytest.raises(SourceError, match=r"gone\.grib2: there is no such file"):
            begun[1](watch.belief, (), unheard)
        flown, data = begun[2](watch.belief, (), lambda words, _share: heard.append(words))
        assert told(flown) == here(asked[2], watch)
        assert data is not None
        whole = load_cycle(second, area=area_of(watch.sites))
        assert data.wind.air.tobytes() == whole.wind.air.tobytes()
        for name, planes in data.surface.fields.items():
            assert planes.tobytes() == whole.surface.fields[name].tobytes(), name
        assert not flying._awaited, "what was given is not kept: a backtest has hundreds"


@pytest.mark.process
def test_what_flies_by_what_was_learned_is_only_read_ahead(
    line: tuple[Watch, list[FoundCycle]],
) -> None:
    """What it is flown with is said in its turn, whatever it was when it was begun."""
    watch, found = line
    watch = replace(watch, use_learned=True)
    wind = replace(FROM_MEMORY.wind, vector_rmse_mps=tuple(
        tuple(3.0 * each for each in row) for row in FROM_MEMORY.wind.vector_rmse_mps
    ))  # fmt: skip
    learned = replace(FROM_MEMORY, wind=wind, version="learned")
    watch = replace(watch, draws=4)
    with FlownAhead(watch, 1) as flying:
        asked = [Asked(each, REFERENCE) for each in found]
        begun = [flying.begin(each) for each in asked]
        first = begun[0](FROM_MEMORY, (), unheard)[0]
        second = begun[1](learned, (), unheard)[0]
        begun_in_vain = flying.begin(asked[0])
    assert (first.learned, second.learned) == (None, "learned")
    assert told(first) == here(asked[0], watch)
    assert told(second) == here(asked[1], watch, learned)
    assert here(asked[1], watch, learned) != here(asked[1], watch)
    del begun_in_vain  # it waited for its turn when all was closed: nobody waits for it


@pytest.mark.parametrize("learned", [False, True])
def test_the_largest_is_taken_first_but_by_one_process_and_where_all_wait_for_their_turn(
    line: tuple[Watch, list[FoundCycle]], learned: bool
) -> None:
    watch, (found, _) = line
    with FlownAhead(replace(watch, use_learned=learned), 2) as flying:
        jobs = [ahead._Job(Asked(found, REFERENCE), size) for size in (3, 9, 5, 7)]
        flying._todo = list(jobs)
        taken = [flying._take(largest=largest) for largest in (True, False, True, True)]
    in_order = [0, 1, 2, 3]
    assert [jobs.index(each) for each in taken if each] == (in_order if learned else [1, 0, 3, 2])


def test_small_cycles_start_no_process(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_given: Any) -> None:
        raise AssertionError("a process was started")

    monkeypatch.setattr(Child, "start", refused)
    watch = read_settings(settings_in(tmp_path)).watch
    forecast_in(tmp_path / "forecasts")
    (found,) = scan_folder(tmp_path / "forecasts", model="made").cycles
    before = threading.active_count()
    with FlownAhead(watch, 2) as flying:
        flown, _ = flying.begin(Asked(found, REFERENCE))(watch.belief, (), unheard)
        assert flown.cycle == found.cycle
        assert threading.active_count() == before


@pytest.mark.process
def test_who_starts_passes_does_not_load_what_they_read_with() -> None:
    """150 MB in the daemon and in a rehearsal, and a second at each start."""
    asked = "import sys, windowwatch.daemon, windowwatch.cli.work; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    assert "windowwatch.watch.pipeline" in done.stdout.split()
    assert not {"eccodes", "cfgrib", "xarray", "pandas"} & set(done.stdout.split())


@pytest.mark.process
def test_who_flies_ahead_does_not_load_what_a_database_takes() -> None:
    """30 MB and half a second in every such process."""
    asked = "import sys, windowwatch.watch.run.ahead; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    assert "windowwatch.scoring.hour" in done.stdout.split()
    assert not {"sqlalchemy", "apprise", "rich"} & set(done.stdout.split())
