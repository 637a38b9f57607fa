"""Decoding against a plain ecCodes loop, and the traps in which values get lost or mixed."""

import os
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import eccodes
import numpy as np
import pytest
import xarray as xr
from grib_maker import (
    AVERAGE,
    GREATEST,
    LEVELS_HPA,
    SUM,
    WHAT,
    Box,
    FloatArray,
    Message,
    aloft,
    ground,
    loop,
    write,
    write_joined,
)

from windowwatch.errors import DecodeError, MissingFieldError, SourceError
from windowwatch.forecast.dataset import arrays_of, remarks_of, seconds_of
from windowwatch.forecast.grib.arrange import open_cycle
from windowwatch.forecast.grib.framing import walk
from windowwatch.forecast.grib.messages import Kind
from windowwatch.forecast.grib.reader import inventory
from windowwatch.wording.gaps import notes_words


def _open(*paths: str) -> xr.Dataset:
    return open_cycle([walk(path) for path in paths], None)


def _plane(array: xr.DataArray, lead_h: int, level: float = 0.0, member: int = 0) -> Any:
    return array.sel(number=member, level=level).isel(step=seconds_of(array).index(lead_h * 3600))


def _random(seed: int) -> FloatArray:
    return np.random.default_rng(seed).uniform(0.0, 50.0, Box().shape)


def test_inventory_equals_an_eccodes_loop(tmp_path: Path) -> None:
    rain = [Message("rain", values=1.0, window=(0, 6)), Message("rain", 0, 1.0, window=(3, 6))]
    members = [message for m in (0, 1, 2) for message in aloft(6, member=m)]
    path = write(tmp_path / "a.grib2", [*aloft(3), *ground(), *rain, *members])
    keys = inventory(path)
    expected = [keys for keys, _ in loop(path)]
    assert len(keys) == len(expected)
    for key, other in zip(keys, expected, strict=True):
        assert (key.discipline, key.category, key.parameter, key.surface) == (
            other["discipline"],
            other["parameterCategory"],
            other["parameterNumber"],
            other["typeOfFirstFixedSurface"],
        )
        assert key.level == other["scaledValueOfFirstFixedSurface"]
        assert (key.start_s, key.end_s) == (other["startStep"] * 3600, other["endStep"] * 3600)
        assert key.member == (None if other["member"] < 0 else other["member"])
    assert {key.members for key in keys} == {0, 3}
    assert [key.kind for key in keys if key.parameter == 8] == [Kind.ACCUMULATION] * 2


def test_aloft_equals_an_eccodes_loop_whatever_the_order(tmp_path: Path) -> None:
    messages = [
        Message(what, step, _random(WHAT[what][2] * 100 + step + level), level)
        for what in ("u", "v", "t", "gh")
        for step in (0, 3, 6)
        for level in LEVELS_HPA
    ]
    order = np.random.default_rng(1).permutation(len(messages))
    path = write(tmp_path / "a.grib2", [messages[i] for i in order])
    opened = _open(path)
    names = {(2, 2): "u", (2, 3): "v", (0, 0): "t", (3, 5): "gh"}
    for keys, values in loop(path):
        name = names[keys["parameterCategory"], keys["parameterNumber"]]
        array = arrays_of(opened, "control")[name][0]
        plane = _plane(array, keys["endStep"], keys["scaledValueOfFirstFixedSurface"])
        assert np.array_equal(plane.values, values.astype(np.float32))
        assert np.array_equal(plane["latitude"], [50.0, 47.5, 45.0, 42.5])


def test_heights_above_ground_are_not_mixed(tmp_path: Path) -> None:
    """2 m, 10 m, 80 m, 100 m, the ground, a layer and a pressure level: one parameter each."""
    messages = [
        Message("10u", values=10.0),
        Message("80u", values=80.0),
        Message("100u", values=100.0),
        Message("deep shear", values=60.0),
        Message("2t", values=282.0),
        Message("ground temperature", values=300.0),
        Message("u", values=7.0, level=10),
    ]
    opened = _open(write(tmp_path / "a.grib2", messages))
    means = {name: float(arrays[0].mean()) for name, arrays in arrays_of(opened, "control").items()}
    assert means == {
        "wind_u_10m_mps": 10.0,
        "wind_u_100m_mps": 100.0,
        "temperature_2m_k": 282.0,
        "u": 7.0,
    }


def test_kinds_of_time_are_not_mixed(tmp_path: Path) -> None:
    messages = [
        Message("low cloud", 6, 30.0),
        Message("low cloud", values=60.0, window=(0, 6), kind=AVERAGE),
        Message("2t", 6, 280.0),
        Message("2t", values=290.0, window=(0, 6), kind=GREATEST),
        Message("rain", 6, 99.0),  # an amount at an instant means nothing
    ]
    opened = _open(write(tmp_path / "a.grib2", messages))
    assert float(arrays_of(opened, "control")["cloud_low_pct"][0].mean()) == 30.0
    assert float(arrays_of(opened, "control")["temperature_2m_k"][0].mean()) == 280.0
    assert "precipitation_mm" not in arrays_of(opened, "control")
    assert notes_words(remarks_of(opened)) == ()


def test_the_coding_with_more_times_is_used_and_means_are_remarked(tmp_path: Path) -> None:
    means = [
        Message("old low cloud", values=40.0 + end, window=(end - 3, end), kind=AVERAGE)
        for end in (3, 6)
    ]
    opened = _open(write(tmp_path / "a.grib2", [Message("low cloud", 0, 5.0), *means]))
    assert arrays_of(opened, "control")["cloud_low_pct"][0].shape[1] == 2
    assert notes_words(remarks_of(opened)) == (
        "mean over an interval that ends at the time, not at the time: low cloud",
    )


def test_two_windows_of_one_step_both_stay(tmp_path: Path) -> None:
    messages = [
        Message("rain", values=1.0 * end, window=(0, end), kind=SUM) for end in (3, 6, 9)
    ] + [Message("rain", values=0.25, window=(3, 6), kind=SUM)]
    opened = _open(write(tmp_path / "a.grib2", messages))
    found = {
        (int(start), end, float(array.isel(step=i).mean()))
        for array in arrays_of(opened, "control")["precipitation_mm"]
        for i, (start, end) in enumerate(zip(array["start"].values, seconds_of(array), strict=True))
    }
    assert found == {(0, 10800, 3.0), (0, 21600, 6.0), (0, 32400, 9.0), (10800, 21600, 0.25)}


def test_members_stay_apart_from_the_control(tmp_path: Path) -> None:
    messages = [message for m in (0, 1, 2) for message in aloft(wind=10.0 + m, member=m)]
    opened = _open(write(tmp_path / "a.grib2", [*messages, *aloft(wind=3.0)]))
    assert float(arrays_of(opened, "control")["u"][0].mean()) == 3.0
    members = arrays_of(opened, "members")["u"][0]
    assert members["number"].values.tolist() == [1, 2]
    assert members.mean(["step", "level", "latitude", "longitude"]).values.tolist() == [11.0, 12.0]
    assert "unperturbed run is left out" in notes_words(remarks_of(opened))[0]


def test_an_ensemble_control_alone_is_the_control(tmp_path: Path) -> None:
    messages = [message for m in (0, 1) for message in aloft(wind=10.0 + m, member=m)]
    opened = _open(write(tmp_path / "a.grib2", messages))
    assert float(arrays_of(opened, "control")["u"][0].mean()) == 10.0
    assert notes_words(remarks_of(opened)) == ()


def test_an_ensemble_mean_is_nobodys_weather(tmp_path: Path) -> None:
    """Product definition template 2 (code table 4.0): derived from all members."""
    path = write(tmp_path / "a.grib2", aloft(wind=3.0))
    handle = eccodes.codes_new_from_message(Path(path).read_bytes()[: walk(path).frames[0].length])
    eccodes.codes_set(handle, "productDefinitionTemplateNumber", 2)
    eccodes.codes_set_values(handle, np.full(20, 99.0))
    Path(path).write_bytes(Path(path).read_bytes() + eccodes.codes_get_message(handle))
    eccodes.codes_release(handle)
    assert len(inventory(path)) == 13
    assert float(arrays_of(_open(path), "control")["u"][0].max()) == 3.0


def test_levels_that_some_fields_lack_do_not_drop_the_field(tmp_path: Path) -> None:
    messages = [Message("w", values=1.0, level=500), Message("gh", values=3e4, level=7)]
    opened = _open(write(tmp_path / "a.grib2", [*aloft(), *messages]))
    assert arrays_of(opened, "control")["u"][0]["level"].values.tolist() == [
        1000.0,
        50000.0,
        100000.0,
    ]
    assert arrays_of(opened, "control")["gh"][0]["level"].values.tolist() == [
        700,
        1000,
        50000,
        100000,
    ]


def test_missing_cells_become_nan_and_nothing_else_does(tmp_path: Path) -> None:
    values = _random(3)
    values[1, 2] = np.nan
    values[0, 0] = 9999.0  # the number that ecCodes writes for missing cells by default
    path = write(tmp_path / "a.grib2", [Message("visibility", values=values)])
    got = arrays_of(_open(path), "control")["visibility_m"][0].values[0, 0, 0]
    want = next(values for _, values in loop(path))
    assert np.isnan(got[1, 2])
    assert np.isnan(got).sum() == np.isnan(want).sum() > 0
    assert np.array_equal(got, want.astype(np.float32), equal_nan=True)


def test_levels_below_one_hectopascal_keep_their_place(tmp_path: Path) -> None:
    """40 Pa and 1 Pa, which libraries call by another name than levels in hectopascals."""
    messages = [
        Message("u", values=4.0, keys={"scaledValueOfFirstFixedSurface": 40}),
        Message("u", values=5.0, keys={"scaledValueOfFirstFixedSurface": 1}),
        Message(
            "u",
            values=6.0,
            keys={"scaledValueOfFirstFixedSurface": 10, "scaleFactorOfFirstFixedSurface": -2},
        ),
    ]
    array = arrays_of(_open(write(tmp_path / "a.grib2", messages)), "control")["u"][0]
    assert array["level"].values.tolist() == [1.0, 40.0, 1000.0]
    assert array.mean(["latitude", "longitude"]).values.ravel().tolist() == [5.0, 4.0, 6.0]


def test_an_index_beside_the_file_is_neither_read_nor_written(tmp_path: Path) -> None:
    """A stale cfgrib index, made by cfgrib itself, whose time is later than the file's."""
    path = Path(write(tmp_path / "a.grib2", aloft(wind=1.0)))
    xr.open_dataset(path, engine="cfgrib", decode_timedelta=True).close()
    (stale,) = tmp_path.glob("*.idx")
    before = stale.read_bytes()
    write(path, aloft(3, wind=2.0, hour=18))
    os.utime(stale, (2e9, 2e9))
    opened = _open(str(path))
    assert float(arrays_of(opened, "control")["u"][0].mean()) == 2.0
    assert seconds_of(arrays_of(opened, "control")["u"][0]) == [3 * 3600]
    assert sorted(tmp_path.iterdir()) == sorted([path, stale])
    assert stale.read_bytes() == before


def test_fields_on_two_grids_are_refused(tmp_path: Path) -> None:
    one = write(tmp_path / "one.grib2", aloft())
    other = write(tmp_path / "other.grib2", [Message("gust")], Box(step=1.0))
    with pytest.raises(DecodeError, match=r"other\.grib2: message 1 .* lies on another grid"):
        _open(one, other)


def test_a_grid_that_is_not_latitude_longitude_is_refused_only_if_wanted(tmp_path: Path) -> None:
    path = tmp_path / "a.grib2"
    write(path, aloft())
    handle = eccodes.codes_grib_new_from_samples("rotated_ll_pl_grib2")
    eccodes.codes_set(handle, "dataDate", 20260504)
    eccodes.codes_set(handle, "parameterCategory", 1)
    eccodes.codes_set(handle, "parameterNumber", 22)  # cloud water: nobody wants it
    good = path.read_bytes()
    path.write_bytes(good + eccodes.codes_get_message(handle))
    assert "u" in arrays_of(_open(str(path)), "control")
    for key, value in (("Category", 2), ("Number", 22)):
        eccodes.codes_set(handle, f"parameter{key}", value)
    eccodes.codes_set(handle, "typeOfFirstFixedSurface", 1)
    path.write_bytes(good + eccodes.codes_get_message(handle))
    eccodes.codes_release(handle)
    with pytest.raises(DecodeError, match=r"message 13 .* its grid is of template 1; only"):
        _open(str(path))


def test_column_by_column_scanning_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "a.grib2", [Message("gust", keys={"jPointsAreConsecutive": 1})])
    with pytest.raises(DecodeError, match="it is scanned in mode 32; only rows from west to east"):
        _open(path)


def test_a_file_with_nothing_wanted_says_what_to_fetch(tmp_path: Path) -> None:
    path = write(tmp_path / "a.grib2", [Message("w", level=500)])
    with pytest.raises(MissingFieldError, match="none of the fields that flights need is there"):
        _open(path)


@pytest.mark.parametrize(("section", "key"), [(3, "product"), (4, "parameter"), (5, "values")])
def test_garbage_inside_a_section_names_the_message(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], section: int, key: str
) -> None:
    path = Path(write(tmp_path / "a.grib2", aloft() + aloft(3)))
    frame = walk(path).frames[7]
    content = bytearray(path.read_bytes())
    place = frame.offset + 16
    while content[place + 4] != section:
        place += int.from_bytes(content[place : place + 4], "big")
    length = int.from_bytes(content[place : place + 4], "big")
    noise = np.random.default_rng(0).integers(0, 256, length - 5, dtype=np.uint8)
    content[place + 5 : place + length] = noise.tobytes()
    path.write_bytes(content)
    with pytest.raises(DecodeError) as caught:
        _open(str(path))
    words = caught.value.message
    assert f"message 8 at byte {frame.offset} has a right frame but cannot be decoded" in words
    assert key in words
    assert "Fetch the file again" in words
    assert capfd.readouterr().err == "", "one clear error, and no chatter of the library"


def test_both_fields_of_a_message_are_seen(tmp_path: Path) -> None:
    """U and V in one message: a reader without multi-field support sees no V and no error."""
    path = write_joined(tmp_path / "a.grib2", [*aloft(), *aloft(3)])
    framing = walk(path)
    assert (len(framing.frames), framing.fields) == (12, 24)
    opened = _open(path)
    fields = list(loop(path))
    assert len(fields) == 24
    for keys, values in fields:
        name = {(2, 2): "u", (2, 3): "v", (0, 0): "t", (3, 5): "gh"}[
            keys["parameterCategory"], keys["parameterNumber"]
        ]
        plane = _plane(
            arrays_of(opened, "control")[name][0],
            keys["endStep"],
            keys["scaledValueOfFirstFixedSurface"],
        )
        assert np.array_equal(plane.values, values.astype(np.float32))


def test_four_threads_at_once_read_the_same_as_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Multi-field messages: the switch for them is one for the whole process, so never used."""

    def turned(*_: object) -> None:
        raise AssertionError("the switch was turned")

    monkeypatch.setattr(eccodes, "codes_grib_multi_support_on", turned)
    paths = [
        write_joined(
            tmp_path / f"{n}.grib2",
            [m for step in range(0, 24, 3) for m in aloft(step, wind=float(n + 1))],
        )
        for n in range(4)
    ]
    found: dict[tuple[int, int], xr.Dataset] = {}
    failures: list[Exception] = []

    def read(worker: int) -> None:
        try:
            for turn in range(4):
                n = (worker + turn) % 4
                found[worker, n] = _open(paths[n])
        except Exception as error:
            failures.append(error)

    workers = [threading.Thread(target=read, args=(n,)) for n in range(4)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert not failures
    assert len(found) == 16
    for (_, n), opened in found.items():
        assert arrays_of(opened, "control")["u"][0].shape == (1, 8, 3, 4, 5)
        assert np.all(arrays_of(opened, "control")["u"][0].values == n + 1)
        assert np.all(arrays_of(opened, "control")["v"][0].values == -n - 1)


def test_a_walk_given_up_early_leaves_the_next_one_whole(tmp_path: Path) -> None:
    """The error of one file must not switch multi-field reading off for another's."""
    good = write_joined(tmp_path / "good.grib2", aloft())
    bad = write_joined(tmp_path / "bad.grib2", aloft())
    errors = []
    for _ in range(3):
        with pytest.raises(SourceError) as caught:
            open_cycle([walk(bad)], (-10.0, 0.0, -5.0, 5.0))
        errors.append(caught)  # keeps the frames of the walk alive
        found = {name: f[0].sizes["level"] for name, f in arrays_of(_open(good), "control").items()}
        assert found == {"u": 3, "v": 3, "t": 3, "gh": 3}


@pytest.mark.process
@pytest.mark.parametrize("first", ["reader", "arrange"])
def test_a_database_is_not_read_by_the_sqlite_of_eccodes(first: str) -> None:
    asked = f"import windowwatch.forecast.grib.{first}, sqlite3; print(sqlite3.sqlite_version)"
    said = [
        subprocess.run([sys.executable, "-c", each], capture_output=True, text=True, check=True)
        for each in (asked, "import sqlite3; print(sqlite3.sqlite_version)")
    ]
    assert said[0].stdout == said[1].stdout
