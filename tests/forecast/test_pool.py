"""Files read by several processes: the very same planes, the same error, a named death."""

from pathlib import Path

import eccodes
import numpy as np
import pytest
from grib_maker import Box, Message, aloft, encode, joined, loop, write, write_joined

from windowwatch import child
from windowwatch.errors import DecodeError
from windowwatch.forecast.grib import reader as pool
from windowwatch.forecast.grib.framing import pieces, walk
from windowwatch.forecast.grib.messages import Plane
from windowwatch.forecast.grib.reader import inventory, read_planes


@pytest.fixture
def paths(tmp_path: Path) -> list[str]:
    """Files with one field a message and with two, with holes, and with what nobody wants."""
    holes = np.where(np.arange(20.0).reshape(4, 5) > 12.0, np.nan, 3.0)
    mixed = [*aloft(6, wind=7.0), Message("w", 6, 1.0, 500), Message("gust", 6, holes)]
    steps = [m for step in range(9, 30, 3) for m in aloft(step, wind=float(step))]
    return [
        write(tmp_path / "a.grib2", aloft(0)),
        write_joined(tmp_path / "b.grib2", aloft(3, wind=-6.0)),
        write(tmp_path / "c.grib2", mixed),
        write(tmp_path / "d.grib2", steps),
    ]


def _same(one: list[Plane], other: list[Plane]) -> bool:
    return len(one) == len(other) and all(
        (a.key, a.path, a.values.tobytes(), a.values.dtype, a.values.shape)
        == (b.key, b.path, b.values.tobytes(), b.values.dtype, b.values.shape)
        for a, b in zip(one, other, strict=True)
    )


@pytest.mark.parametrize("area", [None, (43.0, -9.0, 49.0, -1.0)], ids=["globe", "area"])
def test_however_many_read_the_planes_are_the_same_bit_by_bit(
    paths: list[str],
    area: tuple[float, float, float, float] | None,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(pool, "_PIECE_FIELDS", 8)  # so that files are cut, too
    framings = [walk(path) for path in paths]
    serial = [plane for framing in framings for plane in read_planes(framing, area)]
    assert len(serial) == 121
    for processes in (1, 2, 3):
        assert _same(pool.read_all(framings, area, processes), serial), processes


def test_the_first_error_in_order_is_the_one_that_is_raised(
    paths: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pool, "_PIECE_FIELDS", 8)
    framings = [walk(path) for path in paths]
    for path, number in ((paths[1], 3), (paths[3], 40)):
        frame = walk(path).frames[number]
        content = bytearray(Path(path).read_bytes())
        content[frame.offset + 40 : frame.offset + frame.length - 4] = b"\x00" * (frame.length - 44)
        Path(path).write_bytes(content)
    said = []
    for processes in (1, 2):
        with pytest.raises(DecodeError) as caught:
            pool.read_all(framings, None, processes)
        said.append(caught.value.message)
    assert said[0] == said[1]
    assert "b.grib2: message 4 at byte" in said[0]


def test_a_process_that_dies_is_named_and_nothing_is_missing_in_silence(
    paths: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    framings = [walk(path) for path in paths]
    monkeypatch.setattr(child, "_SERVE", "import os; os.kill(os.getpid(), 9)")

    def read() -> None:
        for _ in range(20):  # this process may be the quicker one now and then
            pool.read_all(framings, None, 2)

    with pytest.raises(
        DecodeError, match=r"the process that read it died \(signal 9 \(SIGKILL\)\)"
    ) as one:
        read()
    assert one.value.retry
    monkeypatch.setattr(child, "_SERVE", "print('hello')")
    with pytest.raises(DecodeError, match="died"):
        read()


def test_few_fields_are_read_by_this_process_alone(
    paths: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def start() -> None:
        raise AssertionError("another process was started")

    monkeypatch.setattr(child, "_started", start)
    assert len(pool.read_all([walk(path) for path in paths], None)) == 121


def test_a_bitmap_defined_before_is_the_one_of_the_first_field(tmp_path: Path) -> None:
    """Against ecCodes with its switch for multi-field messages on."""
    holes = np.where(np.arange(20.0).reshape(4, 5) > 12.0, np.nan, 3.0)
    one = encode(Message("u", 0, holes, 500), Box())
    other = encode(Message("v", 0, holes * 2.0, 500), Box())
    message = bytearray(joined(one, other))
    places = [n for n in range(len(message)) if message[n : n + 6] == message[_six(message) :][:6]]
    second = places[-1]
    length = int.from_bytes(message[second : second + 4], "big")
    message[second : second + length] = (6).to_bytes(4, "big") + b"\x06\xfe"
    message[8:16] = len(message).to_bytes(8, "big")
    path = tmp_path / "a.grib2"
    path.write_bytes(message)
    (frame,) = walk(path).frames
    assert [p[1:] for p in frame.products] == [(0, 2, 2), (0, 2, 3)]
    expected = [values.astype(np.float32) for _, values in loop(path)]
    found = read_planes(walk(path), None)
    assert np.isnan(expected[1]).sum() == 7
    assert len(found) == 2
    for plane, values in zip(found, expected, strict=True):
        assert np.array_equal(plane.values, values, equal_nan=True)
    for piece in pieces(bytes(message), frame):
        handle = eccodes.codes_new_from_message(piece)
        assert eccodes.codes_get_long(handle, "bitmapPresent") == 1
        eccodes.codes_release(handle)


def test_what_nobody_wants_is_not_looked_into(tmp_path: Path) -> None:
    path = Path(write(tmp_path / "a.grib2", [Message("w", 0, 1.0, 500), *aloft()]))
    content = bytearray(path.read_bytes())
    place = 16
    while content[place + 4] != 5:
        place += int.from_bytes(content[place : place + 4], "big")
    content[place + 9 : place + 11] = b"\xfe\xfe"  # no such way to pack values
    path.write_bytes(content)
    assert len(read_planes(walk(path), None)) == 12
    assert len(inventory(str(path))) == 13, "asked for all keys, it is looked into"


def _six(message: bytes | bytearray) -> int:
    place = 16
    while message[place + 4] != 6:
        place += int.from_bytes(message[place : place + 4], "big")
    return place
