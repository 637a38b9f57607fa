"""Fields that stand for an interval, from encoded messages to the check, against ecCodes' keys."""

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import eccodes
import numpy as np
import pytest
from grib_maker import AVERAGE, GREATEST, SUM, Box, Message, aloft, encode, ground, loop, write
from hypothesis import given, settings
from hypothesis import strategies as st
from launch_days import flights
from numpy.typing import NDArray

from windowwatch.forecast.cycle import CycleData
from windowwatch.forecast.grib.messages import Kind
from windowwatch.forecast.grib.reader import inventory
from windowwatch.forecast.sources import load_file
from windowwatch.physics.surface import CellMethod
from windowwatch.scoring.answer import Measure, answer
from windowwatch.scoring.checks.release import release_measures
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Site
from windowwatch.wording.checks import check_sentence
from windowwatch.wording.gaps import notes_words

HOUR = 3600.0
LEAST = 3  # code table 4.10
UNITS = ("hours", "three hours", "minutes and seconds")
#: ecCodes' own words for code table 4.10.
STEP_TYPES = {"avg": Kind.AVERAGE, "accum": Kind.ACCUMULATION, "max": Kind.MAXIMUM,
              "min": Kind.MINIMUM, "instant": Kind.INSTANT}  # fmt: skip
SITE = Site("Midlea", 46.0, -5.0, 100.0, "UTC")
PLAN = ScoringPlan()  # set-up 60 min, hold 30 min


def load(tmp_path: Path, messages: Iterable[Message]) -> CycleData:
    return load_file(write(tmp_path / "a.grib2", messages), "x")


def steps(*at: int) -> list[Message]:
    """What flies, and one field near the ground at every step."""
    air = [message for step in at for message in aloft(step, levels=(1000, 500))]
    return air + ground() + [Message("2t", step, 280.0) for step in at]


def greatest(value: float, start: int, end: int, member: int | None = None) -> Message:
    return Message("10gust", values=value, window=(start, end), kind=GREATEST, member=member)


def row(data: CycleData, name: str) -> NDArray[np.float64]:
    """Values of the control at one point."""
    series = data.surface.at(SITE.latitude_deg, SITE.longitude_deg)
    return np.asarray(series.values[name][0], dtype=np.float64)


def cells_h(data: CycleData, name: str) -> list[tuple[float, float]]:
    """Intervals of a field, in hours of lead time."""
    start = (data.surface.cells[name].start_unix_s - data.wind.cycle_unix_s) / HOUR
    end = (data.surface.time_unix_s - data.wind.cycle_unix_s) / HOUR
    return [(s, e) for s, e in zip(start.tolist(), end.tolist(), strict=True) if not np.isnan(s)]


def measured(data: CycleData, *launch_h: float, plan: ScoringPlan = PLAN) -> dict[str, Measure]:
    launch = data.wind.cycle_unix_s + HOUR * np.array(launch_h)
    found = release_measures(SITE, launch, flights(launch.size), data.surface, plan)
    return {measure.name: measure for measure in found}


def spoken(measure: Measure, hour: int = 0) -> str:
    kind = LIMITS[measure.name]
    return check_sentence(answer(measure, hour, kind, kind.default).check)


# --- keys ------------------------------------------------------------------------------------


def keys_of_eccodes(message: Message, raw: bytes) -> tuple[int, Kind, int, int]:
    """Template, kind and interval [s] as ecCodes itself works them out."""
    handle = eccodes.codes_new_from_message(raw)
    try:
        eccodes.codes_set(handle, "stepUnits", "s")
        return (
            eccodes.codes_get_long(handle, "productDefinitionTemplateNumber"),
            STEP_TYPES[eccodes.codes_get_string(handle, "stepType")],
            eccodes.codes_get_long(handle, "startStep"),
            eccodes.codes_get_long(handle, "endStep"),
        )
    finally:
        eccodes.codes_release(handle)


@pytest.mark.parametrize("member", [None, 2])
@pytest.mark.parametrize("kind", [AVERAGE, SUM, GREATEST, LEAST])
@pytest.mark.parametrize(
    ("length", "unit"),
    [(n, unit) for n in (1, 3, 6) for unit in UNITS if n % 3 == 0 or unit != "three hours"],
)
def test_kind_and_interval_are_those_that_eccodes_finds(
    member: int | None, kind: int, length: int, unit: str, tmp_path: Path
) -> None:
    """Product definition templates 4.8 and 4.11 of WMO-No. 306, with units of code table 4.4."""
    end = 12
    keys = {}
    if unit == "minutes and seconds":
        keys = {
            "indicatorOfUnitOfTimeRange": 0,
            "forecastTime": 60 * (end - length),
            "indicatorOfUnitForTimeRange": 13,
            "lengthOfTimeRange": 3600 * length,
        }
    elif unit == "three hours":
        keys = {"indicatorOfUnitForTimeRange": 10, "lengthOfTimeRange": length // 3}
    message = Message("10gust", 0, 5.0, window=(end - length, end), kind=kind, member=member,
                      keys=keys)  # fmt: skip
    path = write(tmp_path / "a.grib2", [message])
    template, its_kind, start_s, end_s = keys_of_eccodes(message, encode(message, Box()))
    assert template == (8 if member is None else 11)
    (key,) = inventory(path)
    assert (key.kind, key.start_s, key.end_s) == (its_kind, start_s, end_s)
    assert (key.start_s, key.end_s) == ((end - length) * 3600, end * 3600)
    assert key.kind.method.value in {"mean", "sum", "maximum", "minimum"}


# --- from messages to intervals ----------------------------------------------------------------


def test_gusts_of_one_three_and_six_hours_as_ecmwf_gives_them(tmp_path: Path) -> None:
    """0 at step 0; the last hour to 90 h, three to 144 h, six from 150 h."""
    ends = [*range(0, 145, 3), 150, 156]
    lengths = {end: 1 if end <= 90 else 3 if end <= 144 else 6 for end in ends}
    gusts = [greatest(5.0 + end / 10, end - lengths[end], end) for end in ends if end]
    calm = greatest(0.0, 0, 0)
    warmth = [Message("2t", end, 280.0) for end in ends[2:]]
    data = load(tmp_path, [*steps(0, 3), *warmth, calm, *gusts])
    assert data.surface.cells["gust_mps"].method is CellMethod.MAXIMUM
    assert cells_h(data, "gust_mps") == [(end - lengths[end], end) for end in ends if end]
    assert np.isnan(row(data, "gust_mps")[0]), "a constant 0 at step 0 is no calm"
    gust = measured(data, 1.5, 31.5, 88.2, 101.0, 151.0)["gust"]
    assert np.isnan(gust.values[0, 0, 0])
    # 30.5 to 32 h lies between 29-30 and 32-33 h; 87.2 to 88.7 h between 86-87 and 89-90 h
    assert gust.values[1:, 0, 0] == pytest.approx([8.3, 14.0, 15.2, 20.6], abs=1e-3)
    assert spoken(gust, 1) == "Gust 8.3 m/s (greatest of 1 h, the nearest there is), limit 10."
    assert "Gust 15.2 m/s (greatest of 3 h), past" in spoken(gust, 3)
    assert "Gust 20.6 m/s (greatest of 6 h), past" in spoken(gust, 4)


@pytest.mark.parametrize("member", [None, 0])
def test_an_instant_of_constant_0_at_step_0_is_missing_too(
    member: int | None, tmp_path: Path
) -> None:
    gusts = [Message("10gust", step, float(step), member=member) for step in (0, 3, 6)]
    data = load(tmp_path, [*steps(0, 3, 6), *gusts])
    assert np.isnan(row(data, "gust_mps")).tolist() == [True, False, False]
    assert "wind gust is missing at +0 h" in notes_words(data.gaps)
    blows = np.zeros((4, 5))
    blows[1, 1] = 0.1
    data = load(tmp_path, [*steps(0, 3, 6), Message("10gust", 0, blows, member=member), *gusts[1:]])
    assert not np.isnan(row(data, "gust_mps")).any()
    later = [Message("10gust", step, 0.0, member=member) for step in (3, 6)]
    data = load(tmp_path, [*steps(0, 3, 6), Message("10gust", 0, blows, member=member), *later])
    assert row(data, "gust_mps")[1:].tolist() == [0.0, 0.0], "later on 0 is what it says"


@pytest.mark.parametrize(
    ("what", "name", "kind"),
    [("rain", "precipitation_mm", SUM), ("total cloud", "cloud_total_pct", AVERAGE),
     ("10gust", "gust_mps", GREATEST)],
)  # fmt: skip
def test_an_interval_without_length_stands_for_nothing(
    what: str, name: str, kind: int, tmp_path: Path
) -> None:
    windows = [(0, 0), (0, 3), (6, 6), (6, 9)]
    messages = [Message(what, values=1.0, window=w, kind=kind) for w in windows]
    data = load(tmp_path, [*steps(0, 3, 6, 9), *messages])
    assert np.isnan(row(data, name)).tolist() == [True, False, True, False]
    assert cells_h(data, name) == [(0, 3), (3, 6), (6, 9)]  # the one in the middle is missing
    assert any("is missing at +6 h" in gap for gap in notes_words(data.gaps))


def test_of_two_intervals_with_one_end_the_one_that_reaches_back_is_used(tmp_path: Path) -> None:
    gusts = [greatest(9.0, end - length, end) for end in (3, 6) for length in (1, 3)]
    data = load(tmp_path, [*steps(0, 3, 6), *gusts])
    assert cells_h(data, "gust_mps") == [(0, 3), (3, 6)]
    long = [greatest(9.0, 0, 6), greatest(4.0, 4, 6), greatest(5.0, 2, 3)]
    assert cells_h(load(tmp_path, [*steps(0, 3, 6), *long]), "gust_mps") == [(2, 3), (0, 6)]


def test_a_lost_plane_is_missing_and_one_that_is_covered_is_not(tmp_path: Path) -> None:
    hours = [greatest(9.0, end - 1, end) for end in (3, 6, 12)]
    data = load(tmp_path, [*steps(0, 3, 6, 9, 12), *hours])
    assert cells_h(data, "gust_mps") == [(2, 3), (5, 6), (6, 9), (11, 12)]
    assert "wind gust is missing at +9 h" in notes_words(data.gaps)
    gust = measured(data, 5.2, 7.5, 10.0, 10.3)["gust"].values[:, 0, 0]
    assert np.isnan(gust).tolist() == [False, True, True, True]
    sixes = [greatest(9.0, 0, 6), greatest(7.0, 6, 12)]
    data = load(tmp_path, [*steps(0, 3, 6, 9, 12), *sixes])
    assert cells_h(data, "gust_mps") == [(0, 6), (6, 12)]
    assert not any(
        "wind gust" in gap for gap in notes_words(data.gaps) if "not in the files" not in gap
    )
    gust = measured(data, 2.0, 5.9, 8.0)["gust"].values[:, 0, 0]
    assert gust == pytest.approx([9.0, 9.0, 7.0])


def test_a_mean_of_a_part_stays_the_mean_of_that_part(tmp_path: Path) -> None:
    cloud = [
        Message("total cloud", values=10.0 * end, window=(end - 1, end), kind=AVERAGE)
        for end in (3, 6, 9)
    ]
    data = load(tmp_path, [*steps(0, 3, 6, 9), *cloud])
    assert cells_h(data, "cloud_total_pct") == [(2, 3), (5, 6), (8, 9)]
    said = spoken(measured(data, 4.2)["cloud"])
    assert said.startswith("Cloud 60 % (mean of 1 h, the nearest there is), ")


def test_an_instant_comes_before_a_mean_and_the_greatest_gust_before_an_instant(
    tmp_path: Path,
) -> None:
    """As GFS gives cloud both ways: a mean of each three hours, and an instant at each step."""
    both = [Message("total cloud", step, 20.0) for step in (0, 3, 6)]
    both += [
        Message("total cloud", values=70.0, window=(end - 3, end), kind=AVERAGE) for end in (3, 6)
    ]
    data = load(tmp_path, [*steps(0, 3, 6), *both])
    assert row(data, "cloud_total_pct").tolist() == pytest.approx([20.0] * 3, abs=1e-4)
    assert "cloud_total_pct" not in data.surface.cells
    gusts = [Message("gust", step, 5.0) for step in (0, 3, 6)]
    gusts += [greatest(8.0, end - 3, end) for end in (3, 6)]
    data = load(tmp_path, [*steps(0, 3, 6), *gusts])
    assert row(data, "gust_mps").tolist() == pytest.approx([np.nan, 8.0, 8.0], nan_ok=True)
    assert data.surface.cells["gust_mps"].method is CellMethod.MAXIMUM
    fewer = [m for m in gusts if m.window != (3, 6)]
    assert "gust_mps" not in load(tmp_path, [*steps(0, 3, 6), *fewer]).surface.cells


def test_members_go_with_a_control_of_the_same_intervals_only(tmp_path: Path) -> None:
    def run(member: int, length: int) -> list[Message]:
        air = [m for s in (0, 3, 6) for m in aloft(s, levels=(1000, 500), member=member)]
        return air + [greatest(7.0, end - length, end, member=member) for end in (3, 6)]

    control = [*steps(0, 3, 6), *(greatest(5.0, end - 3, end) for end in (3, 6))]
    same = load(tmp_path, [*control, *run(1, 3), *run(2, 3)])
    assert same.surface.fields["gust_mps"].shape[0] == 3
    assert cells_h(same, "gust_mps") == [(0, 3), (3, 6)]
    other = load(tmp_path, [*control, *run(1, 1), *run(2, 1)])
    assert other.surface.fields["gust_mps"].shape[0] == 1
    assert any(
        "control's is used for all members: wind gust" in r for r in notes_words(other.remarks)
    )
    instants = [*steps(0, 3, 6), *(Message("gust", step, 5.0) for step in (0, 3, 6))]
    mixed = load(tmp_path, [*instants, *run(1, 3), *run(2, 3)])
    assert mixed.surface.fields["gust_mps"].shape[0] == 1
    assert mixed.surface.cells == {}
    alone = load(tmp_path, [*steps(0, 3, 6), *run(1, 1), *run(2, 1)])
    assert np.isnan(alone.surface.fields["gust_mps"][0]).all()
    assert cells_h(alone, "gust_mps") == [(2, 3), (5, 6)]
    uneven = [m for m in run(2, 3) if m.window != (0, 3)]
    lost = load(tmp_path, [*control, *run(1, 3), *uneven])
    assert cells_h(lost, "gust_mps") == [(0, 3), (3, 6)]
    assert "wind gust of member 2 is missing at +3 h" in notes_words(lost.gaps)


@pytest.mark.parametrize(("what", "kind"), [("10gust", GREATEST), ("total cloud", AVERAGE)])
def test_a_single_step_is_held_with_the_length_of_its_interval(
    what: str, kind: int, tmp_path: Path
) -> None:
    message = Message(what, values=8.0, window=(11, 12), kind=kind)
    data = load(tmp_path, [*steps(12), message])
    name = {"10gust": "gust_mps", "total cloud": "cloud_total_pct"}[what]
    assert cells_h(data, name) == [(8, 9), (14, 15)]
    measure = measured(data, 12.0)[{"gust_mps": "gust"}.get(name, "cloud")]
    assert measure.values[0, 0, 0] == pytest.approx(8.0, abs=1e-4)
    assert "of 1 h, the nearest there is)" in spoken(measure)
    rain = Message("rain", values=6.0, window=(9, 12), kind=SUM)
    found = measured(load(tmp_path, [*steps(12), rain]), 12.0)["precipitation"]
    assert found.values[0, 0, 0] == pytest.approx(2.0)


def test_without_its_first_step_an_hour_waits_for_the_first_interval(tmp_path: Path) -> None:
    data = load(tmp_path, [*steps(0, 3, 6), greatest(5.0, 2, 3), greatest(6.0, 5, 6)])
    gust = measured(data, 1.0, 2.9, 3.0, 5.4)["gust"].values[:, 0, 0]
    assert np.isnan(gust).tolist() == [True, True, False, False]


# --- by brute force ----------------------------------------------------------------------------


@st.composite
def layouts(draw: st.DrawFn) -> tuple[list[tuple[int, int, float]], list[float]]:
    """Intervals of 1, 3 or 6 h that end at steps of 3 h, and launch times."""
    last = draw(st.integers(2, 6)) * 3
    windows = []
    for end in range(3, last + 1, 3):
        length = draw(st.sampled_from([n for n in (1, 3, 6) if n <= end]))
        windows.append((end - length, end, float(draw(st.integers(1, 40)))))
    hours = draw(st.lists(st.integers(0, 4 * last), min_size=1, max_size=8))
    return windows, [hour / 4.0 for hour in hours]


Gust = tuple[int, int, float]  # begin and end of the interval [h], value


def gusts_by_eccodes(path: str) -> list[Gust]:
    return [
        (keys["startStep"], keys["endStep"], float(values[0, 0]))
        for keys, values in loop(path)
        if (keys["parameterCategory"], keys["parameterNumber"]) == (2, 22)
    ]


def gust_by_hand(found: list[Gust], launch_h: float, plan: ScoringPlan) -> float:
    """Greatest of all messages that touch the span, or lie nearest to a part that none does."""
    start, end = launch_h - plan.setup_min / 60.0, launch_h + plan.hold_min / 60.0
    if start < min(f[0] for f in found) or end > max(f[1] for f in found):
        return float("nan")
    seen = []
    for quarter in range(round(4 * (end - start))):
        moment = start + (quarter + 0.5) / 4.0
        here = [f for f in found if f[0] < moment < f[1]]
        if not here:
            before = max(f[1] for f in found if f[1] < moment)
            after = min(f[0] for f in found if f[0] > moment)
            here = [f for f in found if f[1] == before or f[0] == after]
        seen += [f[2] for f in here]
    return max(seen)


@settings(max_examples=20, deadline=None)
@given(layouts(), st.sampled_from([None, 0]))
def test_every_hour_is_judged_by_every_message_it_touches(
    layout: tuple[list[tuple[int, int, float]], list[float]], member: int | None
) -> None:
    """Templates 4.8 and 4.11, against a plain ecCodes loop."""
    windows, hours = layout
    longer = replace(PLAN, setup_min=240.0, hold_min=180.0)
    gusts = [Message("10gust", values=v, window=(s, e), kind=GREATEST, member=member)
             for s, e, v in windows]  # fmt: skip
    with TemporaryDirectory() as folder:
        path = write(Path(folder) / "a.grib2", [*steps(0, *(w[1] for w in windows)), *gusts])
        data = load_file(path, "x")
        by_eccodes = gusts_by_eccodes(path)
    expected = [gust_by_hand(by_eccodes, hour, PLAN) for hour in hours]
    expected_slow = [gust_by_hand(by_eccodes, hour, longer) for hour in hours]
    found = measured(data, *hours)["gust"].values[:, 0, 0]
    slow = measured(data, *hours, plan=longer)["gust"].values[:, 0, 0]
    assert found == pytest.approx(expected, nan_ok=True, abs=1e-4)
    assert slow == pytest.approx(expected_slow, nan_ok=True, abs=1e-4)
