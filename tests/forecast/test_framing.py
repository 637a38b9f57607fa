"""Files from outside: whole, cut off, foreign, damaged. The words of errors are read too."""

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import eccodes
import pytest
from grib_maker import Message, aloft, write

from windowwatch.errors import DecodeError, SourceError
from windowwatch.forecast.grib.framing import unreadable, walk


@pytest.fixture
def good(tmp_path: Path) -> str:
    return write(tmp_path / "good.grib2", aloft() + aloft(3))


def _damage(path: str, place: int, data: bytes) -> str:
    content = bytearray(Path(path).read_bytes())
    content[place : place + len(data)] = data
    Path(path).write_bytes(content)
    return path


def test_every_message_is_found_with_its_cycle(good: str) -> None:
    found = walk(good)
    content = Path(good).read_bytes()
    assert [frame.number for frame in found.frames] == list(range(1, 25))
    assert [content[f.offset : f.offset + 4] for f in found.frames] == [b"GRIB"] * 24
    assert sum(frame.length for frame in found.frames) == len(content) == found.size_bytes
    assert found.fields == 24
    assert found.reference_utc() == datetime(2026, 5, 4, 12, tzinfo=UTC)
    assert found.sha256 == hashlib.sha256(content).hexdigest()


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match=r"nowhere\.grib2: there is no such file or folder"):
        walk(tmp_path / "nowhere.grib2")


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="is a folder; name a GRIB2 file in it"):
        walk(tmp_path)


@contextmanager
def _as_nobody() -> Iterator[None]:
    """Root may read everything; step down for as long as it takes."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_a_file_without_the_right_to_read_it_is_named(good: str) -> None:
    Path(good).chmod(0)
    with _as_nobody(), pytest.raises(SourceError) as caught:
        walk(good)
    assert caught.value.message == f"{good}: may not be read; give this user the right to read it"


def test_other_troubles_of_the_system_may_pass() -> None:
    error = unreadable("x.grib2", OSError(5, "Input/output error"))
    assert error.message == "x.grib2: cannot be read (Input/output error)"
    assert error.retry


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "the file is empty (0 bytes); fetch it again"),
        (bytes(4096), "it begins with zero bytes, as an unfinished copy does"),
        (b"<!DOCTYPE html><html>503</html>", "'<!DOCTYPE': a web page, perhaps an error page"),
        (b"\n <html>Not found</html>", "a web page, perhaps an error page saved in its place"),
        (b"CDF\x01 something else altogether", "is no GRIB file, it begins with 'CDF"),
        (b"GRIB", "is cut off: message 1 begins at byte 0 and needs 16 bytes, but the file"),
    ],
)
def test_what_is_no_grib_is_said_so(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "bad.grib2"
    path.write_bytes(content)
    with pytest.raises(DecodeError) as caught:
        walk(path)
    assert str(path) in caught.value.message
    assert words in caught.value.message


def test_grib_edition_1_is_refused_by_name(tmp_path: Path) -> None:
    path = tmp_path / "old.grib"
    handle = eccodes.codes_grib_new_from_samples("regular_ll_sfc_grib1")
    path.write_bytes(eccodes.codes_get_message(handle))
    eccodes.codes_release(handle)
    with pytest.raises(DecodeError, match="message 1 at byte 0 is GRIB edition 1; only edition 2"):
        walk(path)


@pytest.mark.parametrize("kept", [1, 10, 15, 16, 100, 177])
def test_a_file_that_is_cut_off_says_where(good: str, kept: int) -> None:
    last = walk(good).frames[-1]
    content = Path(good).read_bytes()
    assert kept < last.length
    Path(good).write_bytes(content[: last.offset + kept])
    with pytest.raises(DecodeError) as caught:
        walk(good)
    words = caught.value.message
    assert f"is cut off: message 24 begins at byte {last.offset}" in words
    assert f"the file ends at byte {last.offset + kept}" in words
    assert "wait if it is still being written" in words
    assert caught.value.retry


def test_bytes_lost_in_the_middle_are_found(good: str) -> None:
    content = Path(good).read_bytes()
    third = walk(good).frames[2]
    Path(good).write_bytes(content[: third.offset + 90] + content[third.offset + 97 :])
    with pytest.raises(DecodeError, match=f"message 3 at byte {third.offset} does not end in 7777"):
        walk(good)


def test_junk_between_messages_is_found(good: str) -> None:
    content = Path(good).read_bytes()
    third = walk(good).frames[2]
    Path(good).write_bytes(content[: third.offset] + b"junk" * 8 + content[third.offset :])
    with pytest.raises(DecodeError, match=f"byte {third.offset}, where message 3 should begin"):
        walk(good)


def test_an_absurd_length_is_found(good: str) -> None:
    fourth = walk(good).frames[3]
    _damage(good, fourth.offset + 8, b"\xff" * 8)
    with pytest.raises(DecodeError, match=f"message 4 at byte {fourth.offset} claims a length"):
        walk(good)


def test_garbage_in_a_right_frame_is_found(good: str) -> None:
    frame = walk(good).frames[5]
    _damage(good, frame.offset + 16, bytes(range(7, 107)))
    with pytest.raises(DecodeError) as caught:
        walk(good)
    assert f"message 6 at byte {frame.offset} is damaged inside" in caught.value.message
    assert f"at byte {frame.offset + 16} no section begins" in caught.value.message


def test_an_impossible_reference_time_is_found(good: str) -> None:
    frame = walk(good).frames[1]
    _damage(good, frame.offset + 16 + 14, bytes([13]))  # octet 15 of section 1: the month
    with pytest.raises(DecodeError, match=r"message 2 at byte .* has no valid reference time"):
        walk(good)


def test_messages_of_another_cycle_are_counted_and_named(tmp_path: Path) -> None:
    path = write(tmp_path / "mixed.grib2", [*aloft(), Message("gust", hour=6), *aloft(3)])
    framing = walk(path)
    with pytest.raises(DecodeError) as caught:
        framing.reference_utc()
    words = caught.value.message
    assert "of 2 different cycles (24 of 2026-05-04T12:00Z, 1 of 2026-05-04T06:00Z)" in words
    assert f"message 13 at byte {framing.frames[12].offset}" in words
