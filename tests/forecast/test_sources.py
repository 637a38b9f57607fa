"""Finding cycles in a folder, and loading them by folder or by file."""

import os
import threading
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from grib_maker import Box, Message, aloft, ground, write

from windowwatch.errors import DecodeError, InputError, MissingFieldError, SourceError
from windowwatch.forecast.cycle import Cycle
from windowwatch.forecast.notes import DryAir
from windowwatch.forecast.sources import (
    FoundCycle,
    Seen,
    load_cycle,
    load_file,
    load_files,
    require_covers,
    scan_folder,
)
from windowwatch.wording.gaps import note_words, notes_words


@dataclass(frozen=True)
class Spot:
    name: str
    latitude_deg: float
    longitude_deg: float


def _put(folder: Path, name: str, hour: int = 12, steps: tuple[int, ...] = (0, 3)) -> str:
    messages = [m for step in steps for m in aloft(step, hour=hour)] + ground(hour=hour)
    return write(folder / name, messages)


def test_cycles_are_found_by_header_newest_last(tmp_path: Path) -> None:
    late = _put(tmp_path, "a-name-that-says-06.grib2", hour=12)
    early = _put(tmp_path, "z.grib2", hour=6)
    part = write(tmp_path / "more of 12", [Message("gust", 0), Message("gust", 3)])
    look = scan_folder(tmp_path, model="skerra")
    assert [cycle.cycle.id for cycle in look.cycles] == [
        "skerra-2026-05-04T06Z",
        "skerra-2026-05-04T12Z",
    ]
    assert look.cycles[0].files == (early,)
    assert look.cycles[1].files == (late, part)
    assert look.set_aside == ()
    assert look.unfinished == ()


def test_what_is_no_forecast_is_passed_over(tmp_path: Path) -> None:
    _put(tmp_path, "good.grib2")
    for name in ("good.grib2.5b7b6.idx", "x.index", "README.md", ".hidden", "next.grib2.part"):
        (tmp_path / name).write_bytes(b"nothing of interest")
    (tmp_path / "folder.grib2").mkdir()
    look = scan_folder(tmp_path, model="m")
    assert [c.files for c in look.cycles] == [(str(tmp_path / "good.grib2"),)]
    assert look.set_aside == ()


def test_damaged_files_are_set_aside_and_the_others_go_on(tmp_path: Path) -> None:
    good = _put(tmp_path, "good.grib2")
    cut = Path(_put(tmp_path, "cut.grib2"))
    cut.write_bytes(cut.read_bytes()[:-9])
    (tmp_path / "page.grib2").write_bytes(b"<html>503</html>")
    (tmp_path / "empty.grib2").write_bytes(b"")
    write(tmp_path / "mixed.grib2", [*aloft(), *aloft(3, hour=6)])
    look = scan_folder(tmp_path, model="m")
    assert [cycle.files for cycle in look.cycles] == [(good,)]
    reasons = {Path(item.path).name: item.reason for item in look.set_aside}
    assert set(reasons) == {"cut.grib2", "page.grib2", "empty.grib2", "mixed.grib2"}
    assert "is cut off: message" in reasons["cut.grib2"]
    assert "web page" in reasons["page.grib2"]
    assert "empty (0 bytes)" in reasons["empty.grib2"]
    assert "2 different cycles" in reasons["mixed.grib2"]


def test_files_that_did_not_change_are_not_read_again(tmp_path: Path) -> None:
    """Shown by a look that believes what it is handed: the file itself says 12 UTC."""
    path = _put(tmp_path, "a.grib2", hour=12)
    look = scan_folder(tmp_path, model="m")
    seen = look.seen[path]
    told = datetime(2026, 5, 4, 18, tzinfo=UTC)
    again = scan_folder(
        tmp_path, model="m", seen={path: Seen(seen.size_bytes, seen.changed_ns, told)}
    )
    assert [cycle.cycle.reference_utc for cycle in again.cycles] == [told]


def test_files_that_changed_or_went_are_noticed(tmp_path: Path) -> None:
    path = Path(_put(tmp_path, "a.grib2", hour=12))
    gone = Path(_put(tmp_path, "b.grib2", hour=0))
    whole = path.read_bytes()
    path.write_bytes(whole[:-200])
    look = scan_folder(tmp_path, model="m")
    assert [item.path for item in look.set_aside] == [str(path)]
    path.write_bytes(whole)
    gone.unlink()
    look = scan_folder(tmp_path, model="m", seen=look.seen)
    assert look.set_aside == ()
    assert [cycle.cycle.reference_utc.hour for cycle in look.cycles] == [12]
    assert set(look.seen) == {str(path)}


def test_a_file_that_grows_while_it_is_read_is_left_for_the_next_look(tmp_path: Path) -> None:
    done = _put(tmp_path, "done.grib2")
    message = Path(write(tmp_path / "one.tmp", [Message("gust")])).read_bytes()
    growing = tmp_path / "growing.grib2"
    growing.write_bytes(message * 20_000)
    under_way, stop = threading.Event(), threading.Event()

    def append() -> None:
        with growing.open("ab", buffering=0) as file:
            while not stop.is_set():
                file.write(message)
                under_way.set()
                time.sleep(0.0005)

    writer = threading.Thread(target=append)
    writer.start()
    under_way.wait()
    look = scan_folder(tmp_path, model="m")
    stop.set()
    writer.join()
    assert look.unfinished == (str(growing),)
    assert [cycle.files for cycle in look.cycles] == [(done,)]
    look = scan_folder(tmp_path, model="m", seen=look.seen)
    assert look.unfinished == ()
    assert look.cycles[0].files == (done, str(growing))


def test_a_pipe_in_the_folder_keeps_nobody_waiting(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.grib2")
    assert scan_folder(tmp_path, model="m").cycles == ()


@pytest.mark.parametrize("what", ["missing", "file"])
def test_a_folder_that_is_none_is_named(tmp_path: Path, what: str) -> None:
    folder = tmp_path / "nowhere"
    if what == "file":
        folder.write_bytes(b"x")
    words = {"missing": "there is no such file or folder", "file": "is a file, not a folder"}
    with pytest.raises(SourceError) as caught:
        scan_folder(folder, model="m")
    assert str(folder) in caught.value.message
    assert words[what] in caught.value.message


def test_all_files_of_a_cycle_are_read_together(tmp_path: Path) -> None:
    _put(tmp_path, "aloft.grib2")
    write(tmp_path / "gust.grib2", [Message("gust", 0, 4.0), Message("gust", 3, 6.0)])
    members = [m for n in (1, 2) for s in (0, 3) for m in aloft(s, member=n, members=3)]
    write(tmp_path / "members.grib2", members)
    (found,) = scan_folder(tmp_path, model="skerra").cycles
    data = load_cycle(found)
    assert data.cycle.id == "skerra-2026-05-04T12Z"
    assert data.wind.member_labels == ("control", "member 1", "member 2")
    assert data.surface.fields["gust_mps"][0, :, 0, 0].tolist() == [4.0, 6.0]
    assert [Path(f.path).name for f in data.files] == [
        "aloft.grib2",
        "gust.grib2",
        "members.grib2",
    ]
    for file in data.files:
        assert file.size_bytes == Path(file.path).stat().st_size
        assert len(file.sha256) == 64
    same = load_files([f.path for f in data.files], "skerra")
    assert np.array_equal(same.wind.air, data.wind.air)
    assert same.cycle == data.cycle


def test_one_step_a_file_makes_a_whole_cycle(tmp_path: Path) -> None:
    """As NCEP publishes: a file for each step, terrain in all of them."""
    for step in (0, 3, 6):
        write(tmp_path / f"x.f{step:03}", [*aloft(step), *ground(step), Message("gust", step)])
    (found,) = scan_folder(tmp_path, model="gfs").cycles
    data = load_cycle(found)
    assert len(found.files) == 3
    assert data.wind.time_unix_s.size == 3
    assert not np.isnan(data.wind.air).any()
    assert notes_words(data.remarks) == (note_words(DryAir()),)


def test_only_the_area_is_kept(tmp_path: Path) -> None:
    box = Box(north=90.0, west=0.0, rows=37, columns=72, step=5.0)
    path = write(tmp_path / "globe.grib2", [*aloft(), *aloft(3), *ground()], box)
    data = load_file(path, "m", area=(44.0, -4.0, 52.0, 6.0))
    assert data.wind.latitude_deg.tolist() == [40.0, 45.0, 50.0, 55.0]
    assert data.wind.longitude_deg.tolist() == [-5.0, 0.0, 5.0, 10.0]
    assert data.surface.land_fraction is not None
    assert data.surface.land_fraction.shape == (4, 4)
    across = load_file(path, "m", area=(-20.0, 172.0, -12.0, 188.0))
    assert across.wind.longitude_deg.tolist() == [170.0, 175.0, 180.0, 185.0, 190.0]
    assert across.wind.covers(-15.0, -175.0)
    assert not across.wind.covers(-15.0, 160.0)


def test_files_of_two_cycles_do_not_make_one(tmp_path: Path) -> None:
    paths = [_put(tmp_path, "a.grib2", hour=6), _put(tmp_path, "b.grib2", hour=12)]
    with pytest.raises(SourceError) as caught:
        load_files(paths, "m")
    assert "the files are of different cycles" in caught.value.message
    assert "a.grib2 2026-05-04T06:00Z" in caught.value.message
    assert "b.grib2 2026-05-04T12:00Z" in caught.value.message
    with pytest.raises(InputError, match="no forecast file is named"):
        load_files([], "m")


def test_a_file_replaced_since_it_was_found_is_not_taken_for_the_old_one(tmp_path: Path) -> None:
    path = _put(tmp_path, "a.grib2", hour=12)
    (found,) = scan_folder(tmp_path, model="m").cycles
    _put(tmp_path, "a.grib2", hour=18)
    with pytest.raises(SourceError) as caught:
        load_cycle(found)
    assert caught.value.message.startswith(f"{path}: holds the run of 2026-05-04T18:00Z, not")
    assert caught.value.retry
    Path(path).unlink()
    with pytest.raises(SourceError, match="there is no such file") as caught:
        load_cycle(found)
    assert caught.value.retry


def test_a_file_cut_off_since_it_was_found_gives_nothing(tmp_path: Path) -> None:
    path = Path(_put(tmp_path, "a.grib2"))
    cycle = Cycle(datetime(2026, 5, 4, 12, tzinfo=UTC), "m")
    path.write_bytes(path.read_bytes()[:-1])
    with pytest.raises(DecodeError, match="is cut off"):
        load_cycle(FoundCycle(cycle, (str(path),)))


def test_places_outside_the_grid_are_all_named(tmp_path: Path) -> None:
    data = load_file(_put(tmp_path, "a.grib2"), "skerra")
    inside = Spot("Brackwater", 46.1, -8.0)
    require_covers(data, [inside, Spot("by the edge", 50.0, 350.0)])
    with pytest.raises(MissingFieldError) as caught:
        require_covers(data, [inside, Spot("Far", 46.1, 8.0), Spot("North", 51.0, -8.0)])
    assert caught.value.message == (
        "outside the grid of skerra-2026-05-04T12Z (latitude 42.5 to 50, longitude -10 to 0): "
        "Far (46.100, 8.000), North (51.000, -8.000). Correct the position, or fetch a "
        "forecast that covers it"
    )


def test_swapped_numbers_are_said_where_they_would_fit(tmp_path: Path) -> None:
    data = load_file(_put(tmp_path, "a.grib2"), "skerra")
    with pytest.raises(MissingFieldError) as caught:
        require_covers(data, [Spot("Turned", -8.0, 46.1), Spot("Far", 46.1, 8.0)])
    said = caught.value.message
    assert said.endswith("; latitude_deg and longitude_deg of Turned seem to be swapped")
