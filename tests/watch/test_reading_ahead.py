"""The next cycle is begun while one is passed; what cannot be begun is refused in its turn."""

import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from grib_maker import aloft, ground, write

from windowwatch.child import Child
from windowwatch.errors import SourceError
from windowwatch.forecast import sources
from windowwatch.forecast.cycle import Cycle, CycleData
from windowwatch.forecast.grib import reader
from windowwatch.forecast.grib.framing import walk
from windowwatch.forecast.sources import (
    CycleReader,
    FoundCycle,
    begin_cycle,
    load_cycle,
    scan_folder,
)
from windowwatch.watch.run.rehearsal import _coming

FOUND = [
    FoundCycle(Cycle(datetime(2026, 5, 4, tzinfo=UTC) + timedelta(hours=6 * n), "m"), ("x",))
    for n in range(3)
]


def test_the_next_is_begun_when_one_is_given_and_never_two() -> None:
    said: list[str] = []

    def begin(each: FoundCycle) -> Callable[[], CycleData]:
        number = FOUND.index(each)
        said.append(f"begin {number}")

        def give() -> Any:
            said.append(f"give {number}")
            return number

        return give

    for number, coming in enumerate(_coming(FOUND, begin)):
        given: Any = coming()
        assert given == number
        said.append(f"pass {number}")
    assert said == [
        *("begin 0", "give 0", "begin 1", "pass 0", "give 1", "begin 2", "pass 1"),
        *("give 2", "pass 2"),
    ]


def test_what_cannot_be_begun_is_refused_when_its_turn_comes() -> None:
    def begin(each: FoundCycle) -> Callable[[], CycleData]:
        if each is FOUND[1]:
            raise SourceError("the file is gone")
        return lambda: None  # type: ignore[return-value]

    coming = _coming(FOUND, begin)
    next(coming)()
    with pytest.raises(SourceError, match="the file is gone"):
        next(coming)()


def test_a_cycle_begun_early_is_the_one_that_is_loaded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Bit by bit, read by another process before it is asked for."""
    monkeypatch.setattr(reader, "WORTH_FIELDS", 1)
    monkeypatch.setattr(reader, "_PIECE_FIELDS", 8)
    messages = [m for step in (0, 3, 6) for m in aloft(step, wind=float(step))]
    write(tmp_path / "a.grib2", [*messages, *ground()])
    (found,) = scan_folder(tmp_path, model="m").cycles
    whole = load_cycle(found)
    begun = begin_cycle(found)()
    assert begun.wind.air.tobytes() == whole.wind.air.tobytes()
    assert (begun.gaps, begun.remarks, begun.files) == (whole.gaps, whole.remarks, whole.files)

    reading = reader.Reading([walk(found.files[0])], None, 2)
    while reading._todo:  # all that is left to others
        reading._helpers[0].join(0.05)
    alone = reader.read_planes(walk(found.files[0]), None)
    assert [p.values.tobytes() for p in reading.planes()] == [p.values.tobytes() for p in alone]


@pytest.mark.process
def test_a_process_of_its_own_reads_the_same_cycles_and_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Bit by bit; a file that is gone is said as it is said here, and the next one is read."""
    monkeypatch.setattr(sources, "WORTH_BYTES", 1)
    area = (43.0, -9.0, 49.0, -1.0)
    messages = [m for step in (0, 3, 6) for m in aloft(step, wind=float(step))]
    write(tmp_path / "a.grib2", [*messages, *ground()])
    (found,) = scan_folder(tmp_path, model="m").cycles
    whole = load_cycle(found, area=area)
    gone = FoundCycle(found.cycle, (str(tmp_path / "gone.grib2"),))
    with CycleReader(area, 2) as ahead:
        given = [ahead.begin(each) for each in (found, gone, found)]
        read = given[0]()
        assert read.wind.air.tobytes() == whole.wind.air.tobytes()
        assert list(read.surface.fields) == list(whole.surface.fields)
        for name, planes in read.surface.fields.items():
            assert planes.tobytes() == whole.surface.fields[name].tobytes(), name
        assert (read.gaps, read.remarks, read.files) == (whole.gaps, whole.remarks, whole.files)
        with pytest.raises(SourceError, match=r"gone\.grib2: there is no such file"):
            given[1]()
        assert given[2]().wind.air.tobytes() == whole.wind.air.tobytes()


def test_small_cycles_start_no_process(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_given: Any) -> None:
        raise AssertionError("a process was started")

    monkeypatch.setattr(Child, "start", refused)
    write(tmp_path / "a.grib2", [*aloft(0), *aloft(3), *ground()])
    (found,) = scan_folder(tmp_path, model="m").cycles
    with CycleReader(None, 2) as ahead:
        assert ahead.begin(found)().cycle == found.cycle


@pytest.mark.process
def test_who_starts_passes_does_not_load_what_they_read_with() -> None:
    """150 MB in the daemon and in a rehearsal, and a second at each start."""
    asked = "import sys, windowwatch.daemon, windowwatch.cli.work; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    assert "windowwatch.watch.pipeline" in done.stdout.split()
    assert not {"eccodes", "cfgrib", "xarray", "pandas"} & set(done.stdout.split())
