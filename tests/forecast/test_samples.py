"""The sample week through the reader: every value against an ecCodes loop, every fault named."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from grib_maker import FloatArray, loop
from made_air import whole_air

from windowwatch.errors import DecodeError
from windowwatch.forecast.cycle import CycleData
from windowwatch.forecast.dataset import arrays_of, seconds_of
from windowwatch.forecast.grib.arrange import open_cycle
from windowwatch.forecast.grib.framing import walk
from windowwatch.forecast.models import SELDOM
from windowwatch.forecast.normalise import build_cycle
from windowwatch.forecast.sources import load_file, load_files, scan_folder
from windowwatch.physics.surface import SURFACE_FIELDS
from windowwatch.wording.gaps import notes_words

SAMPLES = Path(__file__).resolve().parents[2] / "grib_samples"
DAMAGED = SAMPLES / "damaged"
NOON = (
    str(SAMPLES / "skerra-2026-05-04T12Z.grib2"),
    str(SAMPLES / "skerra-members-2026-05-04T12Z.grib2"),
)

#: discipline, category, number, surface, level -> our name and unit; WMO code tables 4.2, 4.5.
NEAR_GROUND: dict[tuple[int, int, int, int, int], tuple[str, float]] = {
    (0, 2, 2, 103, 10): ("wind_u_10m_mps", 1.0),
    (0, 2, 3, 103, 10): ("wind_v_10m_mps", 1.0),
    (0, 2, 2, 103, 100): ("wind_u_100m_mps", 1.0),
    (0, 2, 3, 103, 100): ("wind_v_100m_mps", 1.0),
    (0, 2, 22, 1, 0): ("gust_mps", 1.0),
    (0, 0, 0, 103, 2): ("temperature_2m_k", 1.0),
    (0, 0, 6, 103, 2): ("dew_point_2m_k", 1.0),
    (0, 3, 1, 101, 0): ("pressure_msl_pa", 1.0),
    (0, 3, 0, 1, 0): ("pressure_surface_pa", 1.0),
    (0, 6, 3, 1, 0): ("cloud_low_pct", 1.0),
    (0, 6, 4, 1, 0): ("cloud_middle_pct", 1.0),
    (0, 6, 5, 1, 0): ("cloud_high_pct", 1.0),
    (0, 6, 1, 1, 0): ("cloud_total_pct", 1.0),
    (0, 6, 13, 1, 0): ("ceiling_m", 1.0),
    (0, 19, 0, 1, 0): ("visibility_m", 1.0),
    (0, 1, 7, 1, 0): ("precipitation_rate_mmph", 3600.0),
    (0, 1, 8, 1, 0): ("precipitation_mm", 1.0),
    (0, 7, 6, 1, 0): ("cape_jpkg", 1.0),
}
ALOFT = {(2, 2): "u", (2, 3): "v", (0, 0): "t", (3, 5): "gh"}


Fields = list[tuple[dict[str, int], FloatArray]]


def _number(message: bytes) -> int:
    """Perturbation number: octet 36 of section 4 in product definition template 1."""
    place = 16
    while message[place + 4] != 4:
        place += int.from_bytes(message[place : place + 4], "big")
    return message[place + 35]


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    """The noon cycle: the whole control, and of the eight members three, to save time."""
    content = Path(NOON[1]).read_bytes()
    messages = [content[f.offset : f.offset + f.length] for f in walk(NOON[1]).frames]
    few = tmp_path_factory.mktemp("noon") / "members.grib2"
    few.write_bytes(b"".join(message for message in messages if _number(message) <= 2))
    return NOON[0], str(few)


@pytest.fixture(scope="module")
def looped(files: tuple[str, str]) -> list[Fields]:
    """Both files by the plain loop, once for all tests."""
    return [list(loop(path)) for path in files]


@pytest.fixture(scope="module")
def opened(files: tuple[str, str]) -> xr.Dataset:
    """The cycle with its members, as it comes out of the decoder."""
    return open_cycle([walk(path) for path in files], None)


@pytest.fixture(scope="module")
def noon(opened: xr.Dataset) -> CycleData:
    """The same on the canonical grid."""
    (found,) = [c for c in scan_folder(SAMPLES, model="skerra").cycles if c.files == NOON]
    return build_cycle(opened, found.cycle, [])


def _level(keys: dict[str, int]) -> int:
    has_level = keys["typeOfFirstFixedSurface"] in (100, 103)
    return keys["scaledValueOfFirstFixedSurface"] if has_level else 0


def test_every_cycle_is_found_and_the_two_noon_files_belong_together() -> None:
    look = scan_folder(SAMPLES, model="skerra")
    assert [found.cycle.id for found in look.cycles] == [
        f"skerra-2026-05-04T{hour:02}Z" for hour in (0, 6, 12, 18)
    ]
    assert [len(found.files) for found in look.cycles] == [1, 1, 2, 1]
    assert look.set_aside == ()


def test_every_value_aloft_equals_the_loop(opened: xr.Dataset, looped: list[Fields]) -> None:
    compared = 0
    for fields, which in zip(looped, ("control", "members"), strict=True):
        run = arrays_of(opened, which)
        arrays = {name: run[name][0] for name in ALOFT.values()}
        axes = {
            name: (
                array["number"].values.tolist(),
                seconds_of(array),
                array["level"].values.tolist(),
            )
            for name, array in arrays.items()
        }
        for keys, values in fields:
            if keys["typeOfFirstFixedSurface"] != 100 or keys["member"] == 0:
                continue
            name = ALOFT[keys["parameterCategory"], keys["parameterNumber"]]
            numbers, steps, levels = axes[name]
            place = (
                numbers.index(max(keys["member"], 0)),
                steps.index(keys["endStep"] * 3600),
                levels.index(keys["scaledValueOfFirstFixedSurface"]),
            )
            assert np.array_equal(arrays[name].values[place], values.astype(np.float32))
            compared += 1
    # 57 steps of 22 levels; 2 members with 29 steps of 12 levels; 4 fields (README of the samples)
    assert compared == 4 * (57 * 22 + 2 * 29 * 12)


def test_every_value_near_the_ground_equals_the_loop(noon: CycleData, looped: list[Fields]) -> None:
    given = set(SURFACE_FIELDS) - SELDOM
    assert set(noon.surface.fields) == given
    seen: dict[str, int] = {}
    for keys, values in looped[0]:
        if keys["typeOfFirstFixedSurface"] == 100:
            continue
        number = (keys["discipline"], keys["parameterCategory"], keys["parameterNumber"])
        code = (*number, keys["typeOfFirstFixedSurface"], _level(keys))
        upright: FloatArray = values[::-1]  # the samples' latitudes fall
        if code == (0, 3, 5, 1, 0):
            assert np.allclose(noon.wind.terrain_m, upright)
        elif code == (2, 0, 0, 1, 0):
            assert noon.surface.land_fraction is not None
            assert np.allclose(noon.surface.land_fraction, np.clip(upright, 0.0, 1.0), atol=1e-6)
        else:
            name, scale = NEAR_GROUND[code]
            plane = noon.surface.fields[name][0, keys["endStep"] // 3]
            expected = np.maximum(upright * scale, 0.0) if scale != 1.0 else upright
            assert np.allclose(plane, expected, rtol=1e-6, atol=0.0), name
            seen[name] = seen.get(name, 0) + 1
    assert seen == {name: 57 - (name == "precipitation_mm") for name in given}
    assert np.isnan(noon.surface.fields["precipitation_mm"][0, 0]).all(), "no rain before step 0"


def test_members_near_the_ground_equal_the_loop_on_their_steps(
    noon: CycleData, looped: list[Fields]
) -> None:
    compared = 0
    for keys, values in looped[1]:
        if keys["typeOfFirstFixedSurface"] == 100 or keys["member"] == 0:
            continue
        number = (keys["discipline"], keys["parameterCategory"], keys["parameterNumber"])
        name, _ = NEAR_GROUND[(*number, keys["typeOfFirstFixedSurface"], _level(keys))]
        plane = noon.surface.fields[name][keys["member"], keys["endStep"] // 3]
        assert np.array_equal(plane, values[::-1].astype(np.float32))
        compared += 1
    assert compared == 3 * 2 * 29


def test_the_noon_cycle_is_whole_but_for_the_members_left_out(noon: CycleData) -> None:
    assert notes_words(noon.gaps) == ("the source speaks of 8 members; 2 are there",)
    assert noon.wind.member_labels == ("control", "member 1", "member 2")
    assert whole_air(noon.wind).shape[:4] == (3, 57, 13, 13)
    assert not np.isnan(whole_air(noon.wind)).any()
    assert noon.wind.longitude_deg.tolist() == np.arange(-38.0, -31.9, 0.5).tolist()
    assert noon.wind.latitude_deg.tolist() == np.arange(43.0, 49.1, 0.5).tolist()
    assert noon.wind.top_height_m > 35_000.0  # 5 hPa in the standard atmosphere: 36 km
    assert "unperturbed run is left out" in notes_words(noon.remarks)[0]
    assert (
        "control's is used for all members: eastward wind at 100 m" in notes_words(noon.remarks)[1]
    )


def _garbage(words: str) -> None:
    assert "message 100 at byte" in words
    assert "is damaged inside" in words


def _wrong_cycle(words: str) -> None:
    assert "2 different cycles (133 of 2026-05-04T12:00Z, 66 of 2026-05-04T06:00Z)" in words


@pytest.mark.parametrize(
    ("name", "check"),
    [
        ("cut-off", lambda words: "is cut off: message 199 begins at byte" in words),
        ("garbage", _garbage),
        ("wrong-cycle", _wrong_cycle),
        ("zeros", lambda words: "it begins with zero bytes" in words),
        ("error-page", lambda words: "a web page, perhaps an error page saved" in words),
    ],
)
def test_a_damaged_sample_is_refused_by_name(name: str, check: Callable[[str], object]) -> None:
    path = DAMAGED / f"{name}.grib2"
    with pytest.raises(DecodeError) as caught:
        load_file(path, "skerra")
    assert str(path) in caught.value.message
    assert check(caught.value.message) is not False


def test_the_folder_of_damaged_samples_gives_the_good_ones_only() -> None:
    look = scan_folder(DAMAGED, model="skerra")
    aside = {Path(item.path).stem for item in look.set_aside}
    assert aside == {"cut-off", "garbage", "wrong-cycle", "zeros", "error-page"}
    (found,) = look.cycles
    assert {Path(path).stem for path in found.files} == {
        "missing-level",
        "missing-member",
        "missing-step",
        "stale-index",
    }


def test_a_missing_level_is_named_and_never_calm() -> None:
    data = load_file(DAMAGED / "missing-level.grib2", "skerra")
    assert notes_words(data.gaps) == ("northward wind at 300 hPa is missing at +3 h",)
    lost = np.isnan(whole_air(data.wind)[0, 1, :, :, :, 1])
    at_300_hpa = np.abs(data.wind.height_m - 9_300.0) < 1_500.0  # in the standard atmosphere
    assert lost[..., at_300_hpa].all()
    assert not np.isnan(whole_air(data.wind)[0, [0, 2]]).any()


def test_a_missing_step_of_the_gust_is_named() -> None:
    data = load_file(DAMAGED / "missing-step.grib2", "skerra")
    assert notes_words(data.gaps) == ("wind gust is missing at +3 h",)
    lost = np.isnan(data.surface.fields["gust_mps"]).all(axis=(2, 3))
    assert lost.tolist() == [[False, True, False]]


def test_a_missing_member_is_named_and_the_promise_of_the_header_too() -> None:
    whole = DAMAGED / "stale-index.grib2"
    data = load_files([whole, DAMAGED / "missing-member.grib2"], "skerra")
    assert "nothing aloft of member 2 is there at +6 h" in notes_words(data.gaps)
    assert "the source speaks of 8 members; 3 are there" in notes_words(data.gaps)
    assert np.isnan(whole_air(data.wind)[2, 2]).all()
    assert not np.isnan(whole_air(data.wind)[[0, 1, 3]]).any()


def test_a_stale_index_beside_a_file_changes_nothing(tmp_path: Path) -> None:
    with_index = load_file(DAMAGED / "stale-index.grib2", "skerra")
    alone = tmp_path / "alone.grib2"
    alone.write_bytes((DAMAGED / "stale-index.grib2").read_bytes())
    without = load_file(alone, "skerra")
    assert notes_words(with_index.gaps) == notes_words(without.gaps) == ()
    assert with_index.cycle == without.cycle
    assert np.array_equal(whole_air(with_index.wind), whole_air(without.wind))
    for name, values in without.surface.fields.items():
        assert np.array_equal(with_index.surface.fields[name], values, equal_nan=True)
