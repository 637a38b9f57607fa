"""Damaged copies of a fetched file, hundreds of them: what is promised, and kept.

Promised: (1) a kept file whose bytes change is always seen, against the SHA-256 taken when it
was checked; (2) bytes that arrive damaged are refused by a named error, or else every message
is of the field, level, step, cycle and grid that was asked for and holds plausible numbers.
GRIB has no checksum: what (2) cannot see are plausible numbers out of damaged packing
(sections 5 to 7). A third thing, that nothing crashes, is what the whole test shows.
"""

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fetching import AREA
from provider import CYCLE, gfs_messages

from windowwatch.errors import ForecastError
from windowwatch.forecast.download.catalogue import model
from windowwatch.forecast.download.checked import check_file
from windowwatch.forecast.download.wanted import Item, Wanted
from windowwatch.forecast.grib.framing import walk
from windowwatch.forecast.grib.reader import read_planes
from windowwatch.forecast.models import FIELDS, match

COPIES = 600
LEVELS = (1000, 500, 100, 10)
STEP = 6
Spans = list[tuple[int, int, int]]


def whole() -> tuple[bytes, list[Wanted]]:
    """A small sound file, and what was asked for."""
    numbers = {(0, 2, 2): "u", (0, 2, 3): "v", (0, 0, 0): "t", (0, 3, 5): "gh"}
    data, asked = b"", []
    for message in gfs_messages(CYCLE, STEP):
        if message.number[3] == 100 and message.number[4] / 100 in LEVELS:
            name = numbers[message.number[:3]]
            asked.append(Wanted(name, message.number[4] / 100, STEP * 3600, None, STEP * 3600))
            data += message.data
    return data, asked


def item() -> Item:
    product = model("gfs-0.25").routes[1].products[0]
    return Item(
        replace(product, levels_hpa=dict.fromkeys(product.levels_hpa, tuple(map(float, LEVELS)))),
        CYCLE,
        STEP,
    )


def damage(data: bytes, rng: np.random.Generator) -> bytes:
    """One way in which bytes go wrong."""
    made = bytearray(data)
    place = int(rng.integers(0, len(made)))
    size = int(rng.integers(1, 200))
    match int(rng.integers(0, 8)):
        case 0 | 1:
            made[place] ^= 1 << int(rng.integers(0, 8))
        case 2:
            for where in rng.integers(0, len(made), 8):
                made[where] ^= 1 << int(rng.integers(0, 8))
        case 3:
            made[place : place + size] = bytes(len(made[place : place + size]))
        case 4:
            del made[place:]
        case 5:
            del made[place : place + size]
        case 6:
            made[place : place + 4] = rng.bytes(len(made[place : place + 4]))
        case _:
            made[place:place] = made[max(0, place - size) : place] or b"x"
    return bytes(made)


def sections(data: bytes) -> Spans:
    """(first, end, number) of every section of a sound file."""
    found, offset = [], 0
    while offset < len(data):
        length = int.from_bytes(data[offset + 8 : offset + 16], "big")
        found.append((offset, offset + 16, 0))
        place = offset + 16
        while place < offset + length - 4:
            size = int.from_bytes(data[place : place + 4], "big")
            found.append((place, place + size, data[place + 4]))
            place += size
        found.append((place, place + 4, 8))
        offset += length
    return found


@pytest.mark.fault
def test_hundreds_of_damaged_copies(tmp_path: Path) -> None:
    data, asked = whole()
    truth = hashlib.sha256(data).hexdigest()
    path = tmp_path / "copy.grib2"
    path.write_bytes(data)
    sound, _ = check_file(path, item(), AREA, asked=asked)
    assert sound.sha256 == truth
    true_planes = read_planes(walk(path), AREA)
    spans = sections(data)
    rng = np.random.default_rng(20260504)
    refused = unseen = harmless = 0
    for _ in range(COPIES):
        made = damage(data, rng)
        if made == data:
            continue
        path.write_bytes(made)
        assert hashlib.sha256(made).hexdigest() != truth
        try:
            framing, _ = check_file(path, item(), AREA, asked=asked)
        except ForecastError:  # named; anything else would end the test
            refused += 1
            continue
        assert framing.sha256 != truth, "what was kept is told from what is there now"
        planes = read_planes(framing, AREA)
        assert [p.key.grid for p in planes] == [p.key.grid for p in true_planes]
        same = True
        for plane, true in zip(planes, true_planes, strict=True):
            found = match(plane.key)
            assert found is not None
            field, selector = found
            values = plane.values * np.float32(selector.scale)
            assert np.isfinite(values).all()
            assert FIELDS[field.name].least <= values.min()
            assert values.max() <= FIELDS[field.name].greatest
            assert (plane.key.level, plane.key.end_s) == (true.key.level, true.key.end_s)
            same = same and np.array_equal(plane.values, true.values)
        if same:
            harmless += 1
            continue
        unseen += 1
        assert len(made) == len(data)
        changed = [i for i, (a, b) in enumerate(zip(made, data, strict=True)) if a != b]
        inside = {next(n for first, end, n in spans if first <= i < end) for i in changed}
        assert inside & {5, 6, 7}, "other numbers come out of damaged packing only"
    assert refused + unseen + harmless >= 0.98 * COPIES
    assert refused > COPIES / 2
    print(f"refused {refused}, plausible other numbers {unseen}, harmless {harmless}")
