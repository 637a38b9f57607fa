"""From files to the canonical grid: axes, units, intervals, gaps in words. Nothing is filled."""

from pathlib import Path

import numpy as np
import pytest
from grib_maker import AVERAGE, GREATEST, SUM, Box, Message, aloft, ground, loop, write
from made_air import whole_air

from windowwatch.errors import DecodeError, MissingFieldError
from windowwatch.forecast.cycle import CycleData
from windowwatch.forecast.notes import DryAir
from windowwatch.forecast.sources import load_file
from windowwatch.wording.gaps import note_words, notes_words

ROWS = Box(rising=True)


def _load(tmp_path: Path, messages: list[Message], box: Box | None = None) -> CycleData:
    return load_file(write(tmp_path / "a.grib2", messages, box), "x")


def _steps(*steps: int) -> list[Message]:
    return [message for step in steps for message in aloft(step)] + ground()


def _mean(data: CycleData, name: str) -> list[float]:
    """Mean over the grid of a surface field of the control, at each time."""
    return [round(float(v), 4) for v in data.surface.fields[name][0].mean(axis=(1, 2))]


def test_axes_rise_and_longitudes_run_one_way(tmp_path: Path) -> None:
    values = np.arange(20.0).reshape(4, 5)
    falling = _load(tmp_path, [*_steps(0, 3), Message("gust", 0, values), Message("gust", 3)])
    assert falling.wind.latitude_deg.tolist() == [42.5, 45.0, 47.5, 50.0]
    assert falling.wind.longitude_deg.tolist() == [-10.0, -7.5, -5.0, -2.5, 0.0]
    assert np.array_equal(falling.surface.fields["gust_mps"][0, 0], values[::-1])
    rising = _load(tmp_path, [*_steps(0, 3), Message("gust", 0, values), Message("gust", 3)], ROWS)
    assert np.array_equal(rising.wind.latitude_deg, falling.wind.latitude_deg)
    assert np.array_equal(rising.surface.fields["gust_mps"][0, 0], values)


def test_a_globe_has_no_seam(tmp_path: Path) -> None:
    box = Box(north=90.0, west=0.0, rows=5, columns=8, step=45.0)
    data = _load(tmp_path, _steps(0, 3), box)
    assert data.wind.longitude_deg.tolist() == [45.0 * n for n in range(9)]
    assert data.wind.covers(10.0, 359.0)
    assert data.wind.covers(10.0, -179.0)


def test_units_are_ours(tmp_path: Path) -> None:
    """kg m-2 s-1 to mm/h; geopotential to metres by standard gravity 9.80665 (WMO-No. 8)."""
    levels = [m for step in (0, 3) for m in aloft(step) if m.what != "gh"]
    heights = [
        Message("z", m.step, float(m.values) * 9.80665, m.level)
        for step in (0, 3)
        for m in aloft(step)
        if m.what == "gh" and isinstance(m.values, float)
    ]
    extra = [Message("surface z", 0, 981.0), Message("land"), *_pairs("rate", 1.5 / 3600.0)]
    data = _load(tmp_path, [*levels, *heights, *extra])
    usual = _load(tmp_path, _steps(0, 3))
    assert _mean(data, "precipitation_rate_mmph") == [1.5, 1.5]
    assert np.allclose(data.wind.terrain_m, 981.0 / 9.80665, atol=1e-3)
    high = data.wind.height_m > 6000.0  # the two terrains differ
    assert np.allclose(
        whole_air(data.wind)[..., high, :], whole_air(usual.wind)[..., high, :], atol=1e-3
    )


def _pairs(what: str, values: float) -> list[Message]:
    return [Message(what, 0, values), Message(what, 3, values)]


def test_old_style_cloud_layers_and_means_of_growing_intervals(tmp_path: Path) -> None:
    """Total cloud on NCEP's cloud-layer surfaces 214, 224, 234; means over 0-3 and 0-6 h."""
    layers = [("low", 10.0), ("middle", 20.0), ("high", 30.0)]
    messages = [
        Message(f"old {layer} cloud", values=value, window=(0, 3), kind=AVERAGE)
        for layer, value in layers
    ] + [
        Message(f"old {layer} cloud", values=value + 15.0, window=(0, 6), kind=AVERAGE)
        for layer, value in layers
    ]
    data = _load(tmp_path, [*_steps(0, 3, 6), *messages, *_pairs("gust", 1), Message("gust", 6)])
    for layer, value in layers:
        _, first, second = _mean(data, f"cloud_{layer}_pct")
        assert first == pytest.approx(value, abs=1e-3)
        assert second == pytest.approx(value + 30.0, abs=1e-3)  # (value + value + 30) / 2
    assert any("mean over an interval" in words for words in notes_words(data.remarks))


def test_a_gust_may_be_the_greatest_of_the_interval(tmp_path: Path) -> None:
    gusts = [
        Message("10gust", values=7.0 + end, window=(end - 3, end), kind=GREATEST) for end in (3, 6)
    ]
    data = _load(tmp_path, [*_steps(0, 3, 6), *gusts])
    assert _mean(data, "gust_mps") == [10.0, 13.0]
    assert "greatest in an interval that ends at the time" in notes_words(data.remarks)[0]


@pytest.mark.parametrize("running", [True, False])
def test_precipitation_is_the_amount_since_the_time_before(tmp_path: Path, running: bool) -> None:
    amounts, total = {3: 1.0, 6: 0.0, 9: 4.5}, 0.0
    messages = [*_steps(0, 3, 6, 9), Message("2t", 0, 280.0)]
    for end, amount in amounts.items():
        total += amount
        window = (0, end) if running else (end - 3, end)
        values = total if running else amount
        messages.append(Message("rain", values=values, window=window, kind=SUM))
        messages.append(Message("2t", end, 280.0))
    rain = _mean(_load(tmp_path, messages), "precipitation_mm")
    assert np.isnan(rain[0])
    assert rain[1:] == pytest.approx([1.0, 0.0, 4.5], abs=1e-4)


def test_a_ceiling_above_sea_level_becomes_one_above_ground(tmp_path: Path) -> None:
    """NCEP's height of the ceiling surface (215) is a geopotential height; terrain is 120 m."""
    data = _load(tmp_path, [*_steps(0, 3), *_pairs("old ceiling", 620.0)])
    assert _mean(data, "ceiling_m") == [500.0, 500.0]
    own = _load(tmp_path, [*_steps(0, 3), *_pairs("ceiling", 620.0)])
    assert _mean(own, "ceiling_m") == [620.0, 620.0]


def test_a_single_step_is_held_three_hours_and_says_so(tmp_path: Path) -> None:
    rain = Message("rain", values=6.0, window=(9, 12), kind=SUM)
    data = _load(tmp_path, [*aloft(12), *ground(12), Message("gust", 12, 8.0), rain])
    noon = data.wind.cycle_unix_s + 12 * 3600
    assert data.wind.time_unix_s.tolist() == [noon - 10800, noon + 10800]
    assert data.surface.time_unix_s.tolist() == [noon - 10800, noon + 10800]
    assert np.array_equal(whole_air(data.wind)[:, 0], whole_air(data.wind)[:, 1])
    assert _mean(data, "gust_mps") == [8.0, 8.0]
    assert _mean(data, "precipitation_mm")[1] == 12.0  # 2 mm/h for the six hours
    assert notes_words(data.remarks) == (
        "the files hold a single step, valid 2026-05-05 00:00 UTC (+12 h); it is taken as valid "
        "within three hours either way",
        note_words(DryAir()),
    )


def test_relative_and_specific_humidity_make_the_same_lighter_air(tmp_path: Path) -> None:
    """80 % at 250 K and 500 hPa (1000 hPa is under the terrain): WMO-No. 8, annex 4.B, over
    ice, by hand."""
    dry = _load(tmp_path, _steps(0, 3))
    vapour = 0.8 * 611.2 * np.exp(22.46 * -23.15 / (272.62 - 23.15))
    q = 0.62198 * vapour / (50_000.0 - 0.37802 * vapour)
    humid = {}
    for what, values in (("r", 80.0), ("q", q)):
        found = [Message(what, step, values, level) for step in (0, 3) for level in (1000, 500)]
        humid[what] = _load(tmp_path, [*_steps(0, 3), *found])
        assert notes_words(humid[what].remarks) == ()
        moisture = humid[what].wind.moisture
        assert moisture is not None
        assert np.allclose(moisture, 1.0 - 1.0 / (1.0 + 0.60777 * q), rtol=1e-3)
        k = int(np.searchsorted(dry.wind.height_m, 5_500.0))  # 75 m under the level
        low = whole_air(humid[what].wind)[..., k, 3] - whole_air(dry.wind)[..., k, 3]
        assert np.allclose(low, -np.log(1.0 + 0.60777 * q), rtol=0.05)
        assert np.array_equal(whole_air(humid[what].wind)[..., 2], whole_air(dry.wind)[..., 2])
    assert dry.wind.moisture is None
    assert notes_words(dry.remarks) == (note_words(DryAir()),)
    given = [
        Message(what, step, value, level)
        for what, value in (("r", 10.0), ("q", q))
        for step in (0, 3)
        for level in (1000, 500)
    ]
    both = _load(tmp_path, [*_steps(0, 3), *given])
    assert np.array_equal(whole_air(both.wind), whole_air(humid["q"].wind)), (
        "what is given comes before what is worked out"
    )


def test_missing_humidity_is_dry_air_and_named(tmp_path: Path) -> None:
    found = [Message("r", 0, 80.0, 1000), Message("r", 0, 50.0, 500), Message("r", 3, 50.0, 1000)]
    data = _load(tmp_path, [*_steps(0, 3), *found, Message("r", 0, 30.0, 10)])
    assert not np.isnan(whole_air(data.wind)).any()
    assert data.wind.moisture is not None
    assert (data.wind.moisture[0] > 0.0).all()
    assert (data.wind.moisture[1] == 0.0).all()
    (gap,) = (gap for gap in notes_words(data.gaps) if "humidity" in gap)
    assert "air is taken as dry where relative humidity at 500 hPa is missing" in gap
    wrong = [Message("r", 0, 80.0, 1000), Message("r", 3, 900.0, 1000)]
    data = _load(tmp_path, [*_steps(0, 3), *wrong])
    assert any("relative humidity at 1000 hPa is not used" in gap for gap in notes_words(data.gaps))
    assert not np.isnan(whole_air(data.wind)).any()


# --- what is not there ---------------------------------------------------------------------


def _without(messages: list[Message], what: str, step: int, level: int) -> list[Message]:
    return [m for m in messages if (m.what, m.step, m.level) != (what, step, level)]


def test_a_missing_plane_is_nan_there_only_and_named(tmp_path: Path) -> None:
    whole = _load(tmp_path, _steps(0, 3, 6))
    data = _load(tmp_path, _without(_steps(0, 3, 6), "v", 3, 500))
    assert "northward wind at 500 hPa is missing at +3 h" in notes_words(data.gaps)
    lost = np.isnan(whole_air(data.wind))
    assert lost[:, 1].any()
    assert not lost[:, [0, 2]].any()
    assert not np.isnan(whole_air(whole.wind)).any()
    kept = ~lost
    assert np.array_equal(whole_air(data.wind)[kept], whole_air(whole.wind)[kept]), (
        "and nothing else changed"
    )
    middle = int(np.searchsorted(data.wind.height_m, 6000.0))
    assert lost[0, 1, :, :, middle, 1].all(), "the wind at 500 hPa is not made up"


def test_a_level_that_one_field_always_lacks_is_nan_inside_and_left_out_at_the_top(
    tmp_path: Path,
) -> None:
    levels = (1000, 700, 500, 10)
    messages = [m for step in (0, 3) for m in aloft(step, levels=levels)] + ground()
    inside = _load(tmp_path, [m for m in messages if (m.what, m.level) != ("u", 700)])
    assert "eastward wind at 700 hPa is missing at every step" in notes_words(inside.gaps)
    assert np.isnan(whole_air(inside.wind)[..., 0]).any()
    top = _load(tmp_path, [m for m in messages if (m.what, m.level) != ("u", 10)])
    assert "10 hPa is left out: it has no eastward wind" in notes_words(top.gaps)
    assert not np.isnan(whole_air(top.wind)).any()
    assert top.wind.top_height_m < 6_000.0 < inside.wind.top_height_m


def test_a_missing_step_is_nan_and_named(tmp_path: Path) -> None:
    gusts = [Message("gust", step, 5.0) for step in (0, 3, 9, 12)]
    data = _load(tmp_path, [*_steps(0, 3, 9, 12), *gusts])
    assert "nothing aloft is there at +6 h" in notes_words(data.gaps)
    assert "nothing near the ground is there at +6 h" in notes_words(data.gaps)
    assert data.wind.time_unix_s.size == data.surface.time_unix_s.size == 5
    assert np.isnan(whole_air(data.wind)[:, 2]).all()
    assert not np.isnan(whole_air(data.wind)[:, [0, 1, 3, 4]]).any()
    assert np.isnan(_mean(data, "gust_mps")[2])


def test_a_missing_surface_plane_is_nan_and_named(tmp_path: Path) -> None:
    messages = [*_steps(0, 3, 6), *(Message("2t", s, 280.0) for s in (0, 3, 6))]
    data = _load(tmp_path, [*messages, Message("gust", 0, 5.0), Message("gust", 6, 6.0)])
    assert "wind gust is missing at +3 h" in notes_words(data.gaps)
    gust = _mean(data, "gust_mps")
    assert (gust[0], gust[2]) == (5.0, 6.0)
    assert np.isnan(gust[1])


def test_fields_that_are_not_there_at_all_are_absent_and_named(tmp_path: Path) -> None:
    data = _load(tmp_path, [*_steps(0, 3), *_pairs("gust", 5.0)])
    assert set(data.surface.fields) == {"gust_mps"}
    (words,) = notes_words(data.gaps)
    assert words.startswith("not in the files: eastward wind at 10 m")
    for field in ("visibility", "cloud ceiling", "low cloud", "CAPE"):
        assert field in words
    assert "land mask" not in words
    assert data.surface.land_fraction is not None


def test_many_lost_steps_are_counted_not_listed(tmp_path: Path) -> None:
    steps = list(range(0, 60, 3))
    messages = [*_steps(*steps), *(Message("2t", s, 280.0) for s in steps)]
    data = _load(tmp_path, [*messages, Message("gust", 0, 5.0)])
    assert "wind gust is missing at +3, +6, +9, +12, +15, +18 h and 13 more steps" in notes_words(
        data.gaps
    )


@pytest.mark.parametrize("what", ["u", "v", "t", "gh"])
def test_nothing_flies_without_one_of_the_four_fields(tmp_path: Path, what: str) -> None:
    words = {"u": "eastward wind", "v": "northward wind", "t": "temperature"}
    with pytest.raises(MissingFieldError) as caught:
        _load(tmp_path, [m for m in _steps(0, 3) if m.what != what])
    expected = f"a.grib2: {words.get(what, 'geopotential height')} on isobaric levels is missing"
    assert expected in caught.value.message


def test_impossible_values_are_refused_not_flown(tmp_path: Path) -> None:
    messages = _without(_steps(0, 3), "u", 3, 500)
    wild = np.full((4, 5), 5.0)
    wild[2, 3] = 2.0e4
    data = _load(tmp_path, [*messages, Message("u", 3, wild, 500)])
    expected = "eastward wind at 500 hPa is not used, its values cannot be right, at +3 h"
    assert expected in notes_words(data.gaps)
    lost = np.isnan(whole_air(data.wind)[0, 1, ..., 0])
    assert lost.any(axis=-1).all(), "the whole plane goes, not one cell"
    assert float(np.nanmax(whole_air(data.wind)[..., 0])) < 6.0


def test_coding_noise_is_trimmed_and_real_nonsense_is_not(tmp_path: Path) -> None:
    messages = [Message("low cloud", 0, 100.4), Message("low cloud", 3, 180.0)]
    data = _load(tmp_path, [*_steps(0, 3), *messages])
    first, second = _mean(data, "cloud_low_pct")
    assert first == 100.0
    assert np.isnan(second)
    assert "low cloud is not used, its values cannot be right, at +3 h" in notes_words(data.gaps)


def test_missing_cells_stay_missing(tmp_path: Path) -> None:
    values = np.full((4, 5), 900.0)
    values[0, 1] = np.nan
    data = _load(tmp_path, [*_steps(0, 3), Message("ceiling", 0, values), Message("ceiling", 3)])
    plane = data.surface.fields["ceiling_m"][0, 0]
    assert np.isnan(plane[3, 1])
    assert np.isnan(plane).sum() == 1
    assert "cloud ceiling has missing cells at +0 h" in notes_words(data.gaps)


# --- terrain ------------------------------------------------------------------------------


def test_terrain_comes_from_pressure_where_it_is_not_given(tmp_path: Path) -> None:
    """Between 1000 and 500 hPa height is linear in the logarithm of pressure; by hand."""
    messages = [m for step in (0, 3) for m in aloft(step)]
    data = _load(tmp_path, [*messages, *_pairs("sp", 90_000.0)])
    height = {m.level: float(np.mean(m.values)) for m in aloft() if m.what == "gh"}
    share = np.log(1000 / 900) / np.log(1000 / 500)
    by_hand = height[1000] + share * (height[500] - height[1000])
    assert np.allclose(data.wind.terrain_m, by_hand, atol=0.01)
    assert "terrain height is not in the files" in notes_words(data.remarks)[0]
    below = _load(tmp_path, [*messages, *_pairs("sp", 102_000.0)])
    assert np.all(below.wind.terrain_m < height[1000])


def test_without_any_terrain_no_landing_can_be_found(tmp_path: Path) -> None:
    with pytest.raises(MissingFieldError, match="neither the height of the model's terrain nor"):
        _load(tmp_path, [m for step in (0, 3) for m in aloft(step)])


def test_damaged_terrain_is_an_error(tmp_path: Path) -> None:
    values = np.full((4, 5), 100.0)
    values[1, 1] = 60_000.0
    with pytest.raises(DecodeError, match=r"a\.grib2: height of the model's terrain has 1 cells"):
        _load(tmp_path, [*_steps(0, 3)[:-2], Message("orography", 0, values)])


# --- members ------------------------------------------------------------------------------


def _ensemble(numbers: tuple[int, ...], steps: tuple[int, ...]) -> list[Message]:
    return [
        message
        for n in numbers
        for step in steps
        for message in [
            *aloft(step, levels=(1000, 500, 10), wind=10.0 * n, member=n, members=4),
            Message("gust", step, 10.0 * n + step, member=n, members=4),
        ]
    ]


def test_members_follow_the_control_on_its_times(tmp_path: Path) -> None:
    control = [*_steps(0, 3, 6), *(Message("gust", s, 1.0) for s in (0, 3, 6))]
    control += [Message("2t", s, 280.0) for s in (0, 3, 6)]
    data = _load(tmp_path, [*control, *_ensemble((1, 2, 3), (0, 6))])
    assert data.wind.member_labels == ("control", "member 1", "member 2", "member 3")
    assert whole_air(data.wind).shape[:2] == (4, 3)
    high = int(np.searchsorted(data.wind.height_m, 10_000.0))
    assert whole_air(data.wind)[:, 1, 0, 0, high, 0].tolist() == pytest.approx(
        [5.0, 10.0, 20.0, 30.0]
    )
    gust = data.surface.fields["gust_mps"]
    assert gust[:, :, 0, 0].tolist() == [[1, 1, 1], [10, 13, 16], [20, 23, 26], [30, 33, 36]]
    assert data.surface.fields["temperature_2m_k"].shape[0] == 1
    assert notes_words(data.remarks) == (
        "of these the control's is used for all members: temperature at 2 m",
        note_words(DryAir()),
    )


def test_before_and_after_the_members_nothing_is_made_up(tmp_path: Path) -> None:
    control = [*_steps(0, 3, 6, 9), *(Message("gust", s, 1.0) for s in (0, 3, 6, 9))]
    data = _load(tmp_path, [*control, *_ensemble((1, 2, 3), (3, 6))])
    assert np.isnan(whole_air(data.wind)[1:, [0, 3]]).all()
    assert np.isnan(data.surface.fields["gust_mps"][1:, [0, 3]]).all()
    assert not np.isnan(whole_air(data.wind)[:, 1:3]).any()


def test_missing_members_and_their_planes_are_named(tmp_path: Path) -> None:
    messages = _ensemble((1, 4), (0, 6))
    messages = [m for m in messages if (m.member, m.step, m.what) != (4, 6, "t")]
    messages = [m for m in messages if (m.member, m.step) != (1, 0) or m.what == "gust"]
    data = _load(tmp_path, [*_steps(0, 3, 6), *messages])
    assert "member 2 is missing" in notes_words(data.gaps)
    assert "member 3 is missing" in notes_words(data.gaps)
    assert "temperature of member 4 is missing on all levels at +6 h" in notes_words(data.gaps)
    assert "nothing aloft of member 1 is there at +0 h" in notes_words(data.gaps)
    assert np.isnan(whole_air(data.wind)[1, 0]).all()
    assert not np.isnan(whole_air(data.wind)[0]).any()


def test_fewer_members_than_promised_are_counted(tmp_path: Path) -> None:
    """The count may include the unperturbed run, so one less is no gap."""
    three = _load(tmp_path, [*_steps(0, 3, 6), *_ensemble((1, 2, 3), (0, 6))])
    assert not any("members" in words for words in notes_words(three.gaps))
    two = _load(tmp_path, [*_steps(0, 3, 6), *_ensemble((1, 2), (0, 6))])
    assert "the source speaks of 4 members; 2 are there" in notes_words(two.gaps)


def test_members_alone_are_a_cycle_too(tmp_path: Path) -> None:
    data = _load(tmp_path, [*ground(), *_ensemble((1, 2, 3), (0, 6))])
    assert data.wind.member_labels == ("member 1", "member 2", "member 3")
    assert data.surface.fields["gust_mps"].shape[0] == 3


def test_a_field_that_stands_there_twice_is_taken_once(tmp_path: Path) -> None:
    messages = [*_steps(0, 3), *_pairs("gust", 5.0)]
    same = _load(tmp_path, [*messages, Message("gust", 3, 5.0)])
    assert notes_words(same.remarks) == (note_words(DryAir()),)
    slope = 5.0 + np.linspace(0.0, 4.0, 20).reshape(4, 5)
    coarse = np.round(slope, 1)  # the same weather in another coding
    messages = [*_steps(0, 3), Message("gust", 0, slope), Message("gust", 3, slope)]
    other = _load(tmp_path, [*messages, Message("gust", 3, np.clip(coarse, slope - 0.03, slope))])
    assert np.allclose(other.surface.fields["gust_mps"][0, 1], slope[::-1], atol=1e-5)
    assert notes_words(other.remarks) == (
        "wind gust: 1 planes are there twice with other values; the first one found is used",
        note_words(DryAir()),
    )


def test_the_loop_and_the_grid_agree_on_every_surface_value(tmp_path: Path) -> None:
    random = np.random.default_rng(5)
    names = {"10u": "wind_u_10m_mps", "10v": "wind_v_10m_mps", "100u": "wind_u_100m_mps",
             "100v": "wind_v_100m_mps", "gust": "gust_mps", "2t": "temperature_2m_k",
             "2d": "dew_point_2m_k", "sp": "pressure_surface_pa", "prmsl": "pressure_msl_pa",
             "total cloud": "cloud_total_pct", "visibility": "visibility_m",
             "cape": "cape_jpkg"}  # fmt: skip
    base = {"2t": 280.0, "2d": 275.0, "sp": 9e4, "prmsl": 1e5}
    messages = [
        Message(what, step, base.get(what, 10.0) + random.uniform(0.0, 9.0, (4, 5)))
        for what in names
        for step in (0, 3)
    ]
    path = write(tmp_path / "b.grib2", messages)
    data = _load(tmp_path, [*_steps(0, 3), *messages])
    fields = [values for _, values in loop(path)]
    for n, message in enumerate(messages):
        grid = data.surface.fields[names[message.what]][0, message.step // 3]
        assert np.array_equal(grid, fields[n][::-1].astype(np.float32)), message.what
