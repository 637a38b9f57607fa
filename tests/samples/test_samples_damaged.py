"""Each damaged sample has the one fault that the README says, and nothing else wrong."""

import contextlib
import re
from pathlib import Path

import eccodes
import numpy as np
import pytest
from damage import DAMAGED
from decoded_samples import SAMPLES, Message, framed, read_file, read_message
from scenario import MEMBER_LEVELS_HPA

FOLDER = SAMPLES / "damaged"
CYCLE = (20260504, 1200)
STEPS_H = (0, 3, 6)


def _whole() -> set[tuple[int, ...]]:
    """Keys of a small file without fault: the good twin lies beside the stale index."""
    return {m.keys for m in read_file("damaged/stale-index.grib2")}


def test_folder_readme_and_script_name_the_same_files() -> None:
    page = (SAMPLES / "README.md").read_text(encoding="utf-8")
    named = set(re.findall(r"^\| `([^`]+)`", page.split("## Damaged files")[1], re.MULTILINE))
    assert named == set(DAMAGED) == {p.name for p in FOLDER.iterdir()}


@pytest.mark.parametrize("name", sorted(DAMAGED))
def test_committed_file_is_what_the_script_writes(name: str) -> None:
    """Message by message, decoded; bytes that are no messages are compared as they are."""
    got, made = (FOLDER / name).read_bytes(), DAMAGED[name]()
    if name in {"cut-off.grib2", "garbage.grib2"} or not name.endswith("grib2"):
        assert len(got) == len(made)
    if not got.startswith(b"GRIB"):
        assert got == made
        return
    left, right = (_readable(data) for data in (got, made))
    assert len(left) == len(right)
    for one, other in zip(left, right, strict=True):
        assert one.keys == other.keys
        assert np.abs(one.values - other.values).max() <= 10.0**-one.decimals * 1.0001


def _readable(data: bytes) -> list[Message]:
    """Every message of a file that ecCodes can decode."""
    found, start = [], 0
    while start < len(data):
        length = int.from_bytes(data[start + 8 : start + 16], "big")
        piece = data[start : start + length]
        with contextlib.suppress(eccodes.CodesInternalError):
            found.append(read_message(piece))
        start += length
    return found


def test_good_twin_is_whole() -> None:
    messages = read_file("damaged/stale-index.grib2")
    per_step = len(MEMBER_LEVELS_HPA) * 4 + 18
    assert len(messages) == len(_whole()) == per_step * len(STEPS_H) + 1
    assert {m.keys[6:8] for m in messages} == {CYCLE}


def test_cut_off_ends_inside_its_last_message() -> None:
    data = (FOLDER / "cut-off.grib2").read_bytes()
    with pytest.raises(AssertionError, match="cut off"):
        list(framed(data))
    good = _readable(data)
    assert {m.keys for m in good} < _whole()
    assert len(good) == len(_whole()) - 1
    with (FOLDER / "cut-off.grib2").open("rb") as file:
        for _ in good:
            eccodes.codes_release(eccodes.codes_grib_new_from_file(file))
        with pytest.raises(eccodes.PrematureEndOfFileError):
            eccodes.codes_grib_new_from_file(file)


def test_missing_level_lacks_one_plane_of_wind() -> None:
    missing = _whole() - {m.keys for m in read_file("damaged/missing-level.grib2")}
    assert [(k[:5], k[8:10]) for k in missing] == [((0, 2, 3, 100, 30000), (3, 3))]


def test_missing_step_lacks_one_gust() -> None:
    missing = _whole() - {m.keys for m in read_file("damaged/missing-step.grib2")}
    assert [(k[:4], k[8:10]) for k in missing] == [((0, 2, 22, 1), (3, 3))]


def test_missing_member_lacks_a_step_of_one_member() -> None:
    messages = read_file("damaged/missing-member.grib2")
    there = {(m.member_keys[0], m.keys[9]) for m in messages}
    assert there == {(n, step) for n in range(4) for step in (0, 6)} - {(2, 6)}
    assert {m.member_keys[1] for m in messages} == {8}, "the header promises eight"


def test_wrong_cycle_has_one_step_of_the_cycle_before() -> None:
    messages = read_file("damaged/wrong-cycle.grib2")
    cycles = {(m.keys[9], m.keys[7]) for m in messages}
    assert cycles == {(0, 1200), (3, 1200), (6, 600)}


def test_garbage_has_good_framing_and_one_message_that_says_nothing() -> None:
    pieces = list(framed((FOLDER / "garbage.grib2").read_bytes()))
    assert len(pieces) == len(_whole())
    bad = []
    for index, piece in enumerate(pieces):
        handle = eccodes.codes_new_from_message(piece)
        try:
            eccodes.codes_get(handle, "dataDate", ktype=int)
            eccodes.codes_get_values(handle)
        except eccodes.CodesInternalError:
            bad.append(index)
        finally:
            eccodes.codes_release(handle)
    assert bad == [len(pieces) // 2]


def test_stale_index_belongs_to_another_cycle_and_to_other_offsets() -> None:
    lines = (FOLDER / "stale-index.grib2.idx").read_text().splitlines()
    data = (FOLDER / "stale-index.grib2").read_bytes()
    assert {line.split(":")[2] for line in lines} == {"d=2026050406"}
    starts, place = {}, 0
    for piece in framed(data):
        starts[place] = piece
        place += len(piece)
    wrong = sum(int(line.split(":")[1]) not in starts for line in lines)
    assert wrong > 0.9 * len(lines)
    assert len(lines) < len(starts)


@pytest.mark.parametrize("name", ["zeros.grib2", "error-page.grib2"])
def test_files_without_any_message(name: str) -> None:
    data = (FOLDER / name).read_bytes()
    assert data
    assert b"GRIB" not in data
    with Path(FOLDER / name).open("rb") as file:
        assert eccodes.codes_grib_new_from_file(file) is None
