"""Zero bytes between messages and behind the last, as tapes and block copies leave them."""

import hashlib
from pathlib import Path

import numpy as np
import pytest
from grib_maker import Box, aloft, encode, ground

from windowwatch.errors import DecodeError
from windowwatch.forecast.grib.framing import sha256_of, walk
from windowwatch.forecast.sources import load_file


def _pieces() -> list[bytes]:
    return [encode(m, Box()) for m in [*aloft(0), *aloft(3), *ground()]]


@pytest.mark.parametrize("zeros", [1, 3, 15, 16, 17, 511, 16_384, 65_536])
def test_padding_is_skipped(tmp_path: Path, zeros: int) -> None:
    plain, padded = tmp_path / "a.grib2", tmp_path / "b.grib2"
    plain.write_bytes(b"".join(_pieces()))
    padded.write_bytes(b"".join(p + b"\0" * zeros for p in _pieces()))
    framing = walk(padded)
    assert [f.length for f in framing.frames] == [f.length for f in walk(plain).frames]
    assert framing.size_bytes == padded.stat().st_size
    assert framing.sha256 == sha256_of(padded) == hashlib.sha256(padded.read_bytes()).hexdigest()
    ours, theirs = load_file(padded, "x"), load_file(plain, "x")
    assert np.array_equal(ours.wind.air, theirs.wind.air)


def test_a_hole_is_no_padding_and_neither_is_anything_else(tmp_path: Path) -> None:
    file = tmp_path / "a.grib2"
    first, *rest = _pieces()
    for between, words in (
        (b"\0" * 70_000, "more than 65536 zero bytes"),
        (b"\0" * 5 + b"x", "holds no GRIB"),
        (b"\0" * 5 + b"GRI", "holds no GRIB"),
    ):
        file.write_bytes(first + between + b"".join(rest))
        with pytest.raises(DecodeError, match=words):
            walk(file)
    file.write_bytes(b"\0" * 40 + first)
    with pytest.raises(DecodeError, match="begins with zero bytes"):
        walk(file)
