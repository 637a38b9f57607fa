"""The sample week through the whole line, as a newcomer runs it."""

import os
import re
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import pytest
from notices_counted import taken_back

from windowwatch.chase.phases import Phase
from windowwatch.chase.reports import Mark
from windowwatch.forecast.cycle import Cycle
from windowwatch.launchday.countdown import DEFAULT_STEPS
from windowwatch.launchday.plan import PlanState, stand
from windowwatch.settings.read import read_settings
from windowwatch.storage.store import Store, open_store
from windowwatch.windows.values import ChangeKind, Window, WindowState
from windowwatch.wording.gaps import notes_words

ROOT = Path(__file__).resolve().parents[2]
EXAMPLE = ROOT / "config" / "skerra.toml"
WATCH = "skerra demo"
#: File of what README's first command printed; what it names is still there.
REHEARSED = "WINDOWWATCH_TEST_REHEARSED"


@dataclass(frozen=True)
class Week:
    """What a rehearsal printed, and the database it left."""

    printed: str
    store: Store


def with_fewer_draws(folder: Path) -> Path:
    """The example's settings, its files named in full, with a quarter of the flights."""
    text = EXAMPLE.read_text(encoding="utf-8").replace("draws = 64", "draws = 16", 1)
    inside = re.compile(r'= "([^"]+\.(?:geojson|ground|toml)|\.\./[^"]+)"')
    path = folder / "skerra.toml"
    path.write_text(inside.sub(lambda m: f'= "{EXAMPLE.parent / m[1]}"', text), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def week(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Week]:
    """The rehearsal that `.ci/run` has made already by README's first command; else one of ours."""
    data = tmp_path_factory.mktemp("data")
    printed = os.environ.get(REHEARSED)
    said = _rehearsed(data) if printed is None else Path(printed).read_text(encoding="utf-8")
    said = said[said.index("skerra demo: INVENTED") :]
    (left,) = re.findall(r"^Everything is in (.+)$", said, re.M)
    shutil.copyfile(left, data / "left.sqlite3")
    store = open_store(f"sqlite:///{data}/left.sqlite3")
    yield Week(said, store)
    store.close()


def _rehearsed(data: Path) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "windowwatch", "rehearse", "--settings", with_fewer_draws(data)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        env={**os.environ, "XDG_DATA_HOME": str(data), "COLUMNS": "80"},
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert not done.stderr, "without a terminal there is no progress bar and nothing to warn of"
    return done.stdout


def test_the_week_shows_windows_that_open_and_move(week: Week) -> None:
    kinds = {change.kind for change in week.store.changes(WATCH)}
    assert kinds >= {ChangeKind.OPENED, ChangeKind.MOVED}


@pytest.mark.one_answer
def test_notices_are_few_and_none_is_taken_back(week: Week) -> None:
    """Saturday looks good for two cycles, four days ahead, and not in the third."""
    changes = [c for c in week.store.changes(WATCH) if c.kind is not ChangeKind.PLAN]
    assert len(re.findall(r"^╭─ \d+\. told ", week.printed, re.M)) <= 8, "the launch and all"
    assert not [c for c in changes if (c.after or c.before or _none()).start_utc.day == 9]
    saturday = [
        window
        for window in week.store.windows(WATCH, "skerra-2026-05-04T12Z")
        if window.start_utc.day == 9 and window.state is WindowState.CLOSED
    ]
    assert saturday, "it was sighted, and went without a word"
    cycles = [each.cycle for each in week.store.cycles(WATCH)]
    for change in changes:
        later = [c.id for c in cycles if c > Cycle.of_id(change.cycle_id)]
        if later:
            assert not taken_back(change, week.store.windows(WATCH, later[0])), change.key


def _none() -> Window:
    raise AssertionError("a change without a window")


def test_four_cycles_are_stored_whole(week: Week) -> None:
    cycles = [each.cycle.id for each in week.store.cycles(WATCH)]
    assert cycles == [f"skerra-2026-05-04T{hour:02d}Z" for hour in (0, 6, 12, 18)]
    for each in cycles:
        hours = week.store.hours(WATCH, each)
        assert len(hours) == 3 * 144
        assert all(hour.checks for hour in hours)


def test_a_second_model_is_asked_and_heard_where_it_disagrees(week: Week) -> None:
    """It comes in later than the first, so hours are weighed anew, and it is told."""
    (opinion,) = week.store.opinions(WATCH)
    assert opinion.cycle.id == "skerra-b-2026-05-04T12Z"
    assert [each.passes for each in week.store.cycles(WATCH)] == [1, 2, 2, 1]
    hours = week.store.hours(WATCH, "skerra-2026-05-04T06Z")
    heard = [hour for hour in hours if hour.others]
    assert len(heard) > len(hours) / 2
    assert {o.cycle_id for hour in heard for o in hour.others} == {"skerra-b-2026-05-04T06Z"}
    for hour in heard:
        (said,) = hour.others
        if hour.own_chance is not None and said.chance is not None and not said.lacks:
            assert hour.chance == pytest.approx((hour.own_chance + said.chance) / 2)
    # Each comes in an hour before the next cycle decides: what it alone says waits for that.
    decides = {each.saved_utc for each in week.store.cycles(WATCH)}
    of_windows = [c for c in week.store.changes(WATCH) if c.kind is not ChangeKind.PLAN]
    assert {change.found_utc for change in of_windows} <= decides
    assert "asked what it thinks" in week.printed
    assert "once more, with what other models say now" in week.printed


def test_the_front_bars_its_day_at_every_site(week: Week) -> None:
    """The first front crosses on 6 May: no launch hour of that day's light is go."""
    day = [hour for hour in week.store.hours(WATCH) if hour.time_utc.day == 6]
    assert len(day) == 3 * 24
    assert not [hour for hour in day if hour.verdict == "go"]


def test_every_site_has_its_table_and_every_notice_its_kind(week: Week) -> None:
    for site in ("Brackwater", "Millfield", "Highmoor"):
        assert re.search(
            rf"^{site} \(local: America/Noronha\)|^{site}: no window", week.printed, re.M
        )
    told = re.findall(r"^╭─ (\d+)\. told .*\n│ ([A-Z0-9]+)", week.printed, re.M)
    changes = week.store.changes(WATCH)
    assert [int(number) for number, _ in told] == list(range(1, len(told) + 1))
    heads = {"OPEN", "LONGER", "SHORTER", "EARLIER", "LATER", "LANDING", "WEAKER", "BETTER"}
    of_windows, of_plans = told[:-3], told[-3:]
    assert {kind for _, kind in of_windows} <= heads | {"BROKE", "CLOSED", *map(str, range(2, 9))}
    assert [kind for _, kind in of_plans] == ["LAUNCH", "HOLD", "RELEASED"]
    assert all(week.printed.count(f"[{change.key}]") == 1 for change in changes)
    where, _, *more = week.printed[week.printed.index("Everything is in ") :].splitlines()
    assert "rehearsal-skerra-demo.sqlite3" in where
    asked = [line.split()[:2] for line in more]
    assert {Path(program).name for program, _ in asked} == {"windowwatch"}, "as it was started"
    commands = ["page", "sites", "hours", "explain", "plan", "learned"]
    assert [command for _, command in asked] == commands


def test_what_six_cycles_say_of_one_another_is_told_and_said_to_be_too_little(week: Week) -> None:
    said = " ".join(week.printed.split())
    learned = week.store.learned_tables(WATCH)
    assert learned is not None
    assert learned.cycles == 6
    assert f"and {learned.cycles} forecasts." in said
    assert "the wind aloft was" in said
    assert "too few to go by" in said


def test_a_launch_is_planned_held_filled_and_released(week: Week) -> None:
    """In the best window that is open after the last cycle; its table is there to be looked at."""
    (kept,) = week.store.all_plans(WATCH)
    plan = stand(kept.key, kept.entries)
    best = max(
        (w for w in week.store.current_windows(WATCH) if w.state is WindowState.OPEN),
        key=lambda w: w.best_score,
    )
    assert (plan.site, plan.first_release_utc) == (best.site, best.best_hour_utc)
    assert plan.state is PlanState.RELEASED
    assert plan.released_utc == plan.first_release_utc + timedelta(minutes=20)
    assert plan.measured_lift_kg == pytest.approx(plan.meant_lift_kg + 0.05)
    assert set(plan.ticks) == {step.key for step in DEFAULT_STEPS}
    table = week.store.release_table(WATCH, kept.key)
    assert table is not None
    assert table.plan_number >= plan.flown_number
    assert table.planned_utc == plan.released_utc
    assert len(table.seen) == 1
    assert table.correction is not None


@pytest.mark.chase
def test_its_flight_is_followed_to_the_ground(week: Week) -> None:
    """Through air and with a train that the forecast did not know; wild reports are not used."""
    (flight,) = week.store.flights()
    assert (flight.begun.plan, flight.begun.watch) == ("1", WATCH)
    assert flight.begun.forecast == week.store.cycles(WATCH)[-1].cycle.id
    assert flight.begun.train.nozzle_lift_kg == pytest.approx(2.85, abs=0.3)
    marks = Counter(each.mark for each in week.store.reports(flight.key))
    assert marks.pop(Mark.USED) > 60
    assert marks == {Mark.ZERO_ISLAND: 1, Mark.IMPOSSIBLE: 1}
    off = [float(km) for km in re.findall(r"UTC +([\d.]+) km off", week.printed)]
    forecast, burst, before = off
    assert forecast > 5.0, "else there was nothing to learn"
    assert before < burst < 0.7 * forecast
    said = week.store.said(flight.key)
    assert said is not None
    assert said.estimate is not None
    assert said.estimate.phase is Phase.DOWN


def test_what_is_true_of_every_cycle_is_said_once(week: Week) -> None:
    words = " ".join(week.printed.split())
    remarks = {r for each in week.store.cycles(WATCH) for r in notes_words(each.remarks)}
    assert remarks
    for remark in remarks:
        assert words.count(f"of the forecast: {' '.join(remark.split())}") == 1, remark


def test_no_line_is_wider_than_a_terminal(week: Week) -> None:
    wide = [line for line in week.printed.splitlines() if len(line) > 80 and "/" not in line]
    assert not [line for line in wide if line.startswith(("│", "╭", " "))]


def test_windows_now_follow_from_the_hours_they_hold(week: Week) -> None:
    hours = {(h.site, h.time_utc): h for h in week.store.hours(WATCH)}
    rules = read_settings(ROOT / "config" / "skerra.toml").watch.rules
    for window in week.store.current_windows(WATCH):
        assert window.state in (WindowState.SIGHTED, WindowState.OPEN)
        best = hours[window.site, window.best_hour_utc]
        assert best.score is not None
        assert best.score == pytest.approx(window.best_score)
        assert best.score >= rules.close_score
