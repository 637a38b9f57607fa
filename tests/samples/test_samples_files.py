"""The committed files are what the script writes: keys, values, order, size."""

from collections.abc import Iterator
from itertools import zip_longest

import eccodes
import numpy as np
import pytest
from damage import DAMAGED
from decoded_samples import MISSING, SAMPLES, Message, framed, read_file, sections
from encode import FIELDS, message
from make_samples import cycle_file_name, main, member_file_name, second_file_name
from planes import Plane, cycle_planes, member_planes, second_planes
from scenario import CYCLE_HOURS, MEMBER_COUNT, SECOND_CYCLE_HOURS

FIRST = list(map(cycle_file_name, CYCLE_HOURS))
SECOND = list(map(second_file_name, SECOND_CYCLE_HOURS))
NAMES = [*FIRST, member_file_name(), *SECOND]
LARGEST_BYTES = 12_000_000


def _planes(name: str) -> Iterator[Plane]:
    if name == member_file_name():
        return member_planes()
    if name in SECOND:
        return second_planes(SECOND_CYCLE_HOURS[SECOND.index(name)])
    return cycle_planes(CYCLE_HOURS[NAMES.index(name)])


def _expected_keys(plane: Plane) -> tuple[int, ...]:
    field = FIELDS[plane.name]
    level = plane.level_hpa * 100 if plane.level_hpa is not None else field.level_m
    start = plane.step_h - 3 if plane.name == "precipitation" else plane.step_h
    product = 8 if plane.name == "precipitation" else 0
    return (
        field.discipline,
        field.category,
        field.number,
        field.surface,
        MISSING if level is None else level,
        field.second_surface,
        20260504,
        plane.cycle_h * 100,
        start,
        plane.step_h,
        product if plane.member is None else 1,
    )


@pytest.mark.parametrize("name", NAMES)
def test_committed_file_is_what_the_script_writes(name: str) -> None:
    for got, plane in zip_longest(read_file(name), _planes(name)):
        assert isinstance(got, Message), f"{name} lacks {plane}"
        assert plane is not None, f"{name} has {got.keys} beyond what the script writes"
        assert got.keys == _expected_keys(plane)
        if plane.member is not None:
            assert got.member_keys == (plane.member, MEMBER_COUNT, 3 if plane.member else 1)
        # Within half a step of the stated precision, and a hair for the last digit of a float.
        off = np.abs(got.values - plane.values).max()
        precision = 10.0 ** -FIELDS[plane.name].decimals
        assert off <= 0.5 * precision * 1.0001, f"{plane.name} {plane.step_h} h is off by {off}"


@pytest.mark.parametrize("name", NAMES)
def test_all_messages_share_origin_and_grid(name: str) -> None:
    messages = read_file(name)
    assert len({m.origin_and_grid for m in messages}) == 1


@pytest.mark.parametrize("name", NAMES)
def test_header_says_who_wrote_it_and_where_it_lies(name: str) -> None:
    """WMO-No. 306, code tables 1.3 (status 2: research), C-11 (centre 255: none), 3.2 to 3.4."""
    handle = eccodes.codes_new_from_message(next(framed((SAMPLES / name).read_bytes())))
    wanted = {
        "edition": 2,
        "centre": 255,
        "subCentre": 255,
        "productionStatusOfProcessedData": 2,
        "generatingProcessIdentifier": 255,
        "shapeOfTheEarth": 6,
        "Ni": 13,
        "Nj": 13,
        "latitudeOfFirstGridPoint": 49_000_000,
        "latitudeOfLastGridPoint": 43_000_000,
        "longitudeOfFirstGridPoint": 322_000_000,
        "longitudeOfLastGridPoint": 328_000_000,
        "iDirectionIncrement": 500_000,
        "jDirectionIncrement": 500_000,
        "scanningMode": 0,
        "uvRelativeToGrid": 0,
        "bitmapPresent": 0,
    }
    found = {key: eccodes.codes_get(handle, key, ktype=int) for key in wanted}
    packing = eccodes.codes_get(handle, "packingType")
    eccodes.codes_release(handle)
    assert found == wanted
    assert packing == "grid_ccsds"


@pytest.mark.parametrize("name", NAMES)
def test_no_message_spends_bits_on_digits_it_does_not_have(name: str) -> None:
    """The bits just hold the span of the values at the stated precision."""
    for got in read_file(name)[::7]:
        steps = np.ptp(got.values) * 10.0**got.decimals
        assert got.bits == int(np.rint(steps)).bit_length()


def test_steps_and_levels_are_those_of_the_readme() -> None:
    for name in FIRST:
        messages = read_file(name)
        levels = {m.keys[4] // 100 for m in messages if m.keys[3] == 100}
        assert {m.keys[9] for m in messages} == set(range(0, 169, 3))
        assert len(levels) == 22
        assert (min(levels), max(levels)) == (5, 1000)
        assert len(messages) == 57 * (22 * 4 + 18) + 1  # no rain at step 0, but two fixed fields
    for name in SECOND:
        messages = read_file(name)
        assert {m.keys[9] for m in messages} == set(range(0, 169, 6))
        assert len({m.keys[4] for m in messages if m.keys[3] == 100}) == 12
        assert len(messages) == 29 * (12 * 4 + 15) + 2
    messages = read_file(member_file_name())
    assert {m.keys[9] for m in messages} == set(range(0, 169, 6))
    assert {m.member_keys[0] for m in messages} == set(range(MEMBER_COUNT))
    assert len(messages) == MEMBER_COUNT * 29 * (12 * 4 + 3)


def test_rain_is_summed_over_the_three_hours_that_end_at_the_step() -> None:
    rain = [m.keys for m in read_file(NAMES[0]) if m.keys[:3] == (0, 1, 8)]
    assert [(k[8], k[9]) for k in rain] == [(s - 3, s) for s in range(3, 169, 3)]


def test_all_files_together_are_small() -> None:
    sizes = {p: p.stat().st_size for p in SAMPLES.rglob("*") if ".grib2" in p.name}
    assert sum(sizes.values()) <= LARGEST_BYTES
    assert max(s for p, s in sizes.items() if p.parent.name == "damaged") < 100_000


def test_no_value_that_is_not_a_number_gets_in() -> None:
    plane = next(cycle_planes(0, (0,), (500,)))
    values = plane.values.copy()
    values[3, 4] = np.nan
    with pytest.raises(ValueError, match="not a number"):
        message(Plane("u", 0, 0, 500, None, values))


def test_script_writes_the_same_bytes_twice_and_leaves_nothing_half_done(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    first, second = tmp_path_factory.mktemp("first"), tmp_path_factory.mktemp("second")
    for folder in (first, second):
        assert main(["--out", str(folder), "--only", "damaged"]) == 0
    made = sorted(p.relative_to(first) for p in first.rglob("*") if p.is_file())
    assert [str(p) for p in made] == sorted(f"damaged/{name}" for name in DAMAGED)
    assert all((first / p).read_bytes() == (second / p).read_bytes() for p in made)


def test_script_says_when_it_cannot_write(
    tmp_path_factory: pytest.TempPathFactory, capsys: pytest.CaptureFixture[str]
) -> None:
    blocked = tmp_path_factory.mktemp("blocked") / "file"
    blocked.write_text("in the way")
    assert main(["--out", str(blocked), "--only", "damaged"]) == 1
    assert f"cannot write to {blocked}" in capsys.readouterr().err


def test_every_section_of_a_message_is_where_its_length_says() -> None:
    first = next(framed((SAMPLES / NAMES[0]).read_bytes()))
    parts = sections(first)
    assert sorted(parts) == [1, 3, 4, 5, 6, 7]
    assert 16 + sum(map(len, parts.values())) + 4 == len(first)
