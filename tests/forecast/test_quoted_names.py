"""A file name with a line end or an escape begins no line and moves no cursor, in any error."""

from collections.abc import Callable
from pathlib import Path

import pytest
from grib_maker import Box, Message, aloft, write

from windowwatch.errors import WindowwatchError
from windowwatch.forecast.dataset import read_archive
from windowwatch.forecast.sources import load_files

pytestmark = pytest.mark.night
NAME = "a\nall is well\x1b[2J.grib2"
QUOTED = r"a\nall is well\x1b[2J.grib2"


def two_grids(path: Path) -> None:
    write(path, [Message("gust")], Box(step=1.0))


def twice_with_other_numbers(path: Path) -> None:
    write(path, aloft(wind=30.0))


def cut_off(path: Path) -> None:
    write(path, aloft())
    path.write_bytes(path.read_bytes()[:-5])


def no_grib(path: Path) -> None:
    path.write_text("<html>busy</html>", encoding="utf-8")


def undecodable(path: Path) -> None:
    """Its frame is right, and its data section's length of packing is absurd."""
    write(path, [Message("gust")])
    whole = bytearray(path.read_bytes())
    at = 16
    while whole[at + 4] != 5:  # to section 5, the data representation
        at += int.from_bytes(whole[at : at + 4], "big")
    whole[at + 9 : at + 11] = (9999).to_bytes(2, "big")  # no such template (code table 5.0)
    path.write_bytes(bytes(whole))


@pytest.mark.parametrize(
    "spoil", [two_grids, twice_with_other_numbers, cut_off, no_grib, undecodable]
)
def test_every_error_of_decoding_quotes_the_name(
    tmp_path: Path, spoil: Callable[[Path], None]
) -> None:
    good = write(tmp_path / "good.grib2", aloft())
    odd = tmp_path / NAME
    spoil(odd)
    with pytest.raises(WindowwatchError) as caught:
        load_files([good, odd], "made")
    assert caught.value.message.isprintable(), repr(caught.value.message)
    assert QUOTED in caught.value.message


def test_the_error_of_a_stored_cycle_quotes_the_name(tmp_path: Path) -> None:
    odd = tmp_path / NAME
    odd.write_bytes(b"no such file")
    with pytest.raises(WindowwatchError) as caught:
        read_archive(odd)
    assert caught.value.message.isprintable(), repr(caught.value.message)
    assert QUOTED in caught.value.message
