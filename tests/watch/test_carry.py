"""Which hours keep an earlier answer, why, and for how long."""

from contextlib import closing
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from grib_maker import write
from invented import at, check, cycle, hour, refused
from line_watch import BOX, REFERENCE, forecast_in, messages, settings_in
from made_store import new_store

from windowwatch.forecast.sources import load_file
from windowwatch.physics.flights import FlightStatus
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Check, Hour, Part, Verdict
from windowwatch.settings.read import read_settings
from windowwatch.watch.flying import FLIGHT_NEEDS, past_end
from windowwatch.watch.pipeline import KEPT_FOR, carry_over, run_pass
from windowwatch.wording.gaps import notes_words

NEW = cycle(4)
OLD = cycle(3)
#: What there is of the new cycle ends with the day's tenth hour.
REACHES = at(10)
DOWN, LATE, OFF, HOLE = (
    FlightStatus.LANDED,
    FlightStatus.LEFT_TIME,
    FlightStatus.LEFT_GRID,
    FlightStatus.MISSING_AIR,
)
PLAN = ScoringPlan()


def carried(ours: Hour, earlier: Hour) -> Hour:
    made, count = carry_over(
        [ours],
        [earlier],
        earlier_cycle=OLD.id,
        cycle_utc=NEW.reference_utc,
        ended={("Millfield", at(12))},
    )
    assert count == (made[0] != ours)
    return made[0]


def unknown(name: str, part: Part = Part.RELEASE) -> Check:
    """A hard check without an answer."""
    return replace(check(name), part=part, verdict=Verdict.UNKNOWN, value=None, desirability=None)


def ended(*hours: tuple[Hour, dict[FlightStatus, int]], surface: datetime = REACHES) -> list[float]:
    """Which of some hours the cycle does not reach: hours after midnight of the day."""
    status = np.array(
        [[[code for code, count in met.items() for _ in range(count)]] for _, met in hours],
        dtype=np.uint8,
    )
    found = past_end(
        [each for each, _ in hours], status, PLAN, air_until_utc=REACHES, surface_until_utc=surface
    )
    return sorted((moment - at(0)).total_seconds() / 3600.0 for _, moment in found)


def test_an_hour_beyond_the_cycle_keeps_what_the_one_before_said() -> None:
    assert carried(refused(at(12)), hour(at(12))) == replace(hour(at(12)), from_cycle=OLD.id)


def test_an_hour_that_the_cycle_reaches_does_not() -> None:
    assert carried(refused(at(11)), hour(at(11))) == refused(at(11)), "its weather was all there"


@pytest.mark.parametrize(
    ("ours", "earlier"),
    [(hour(at(12), 70.0), hour(at(12))), (refused(at(12)), refused(at(12), "no wind"))],
    ids=["it was read", "neither was"],
)
def test_everything_else_is_as_the_newest_cycle_says(ours: Hour, earlier: Hour) -> None:
    assert carried(ours, earlier) == ours


@pytest.mark.parametrize(
    ("met", "is_it"),
    [
        ({LATE: 20}, True),
        ({DOWN: 12, LATE: 7, OFF: 1}, True),
        ({DOWN: 10, LATE: 7, OFF: 3}, False),
        ({DOWN: 17, LATE: 1, OFF: 2}, False),
        ({OFF: 20}, False),
        ({HOLE: 20}, False),
        ({DOWN: 20}, False),
    ],
    ids=["all too late", "most", "too many off", "more off", "all off", "a lost field", "none"],
)
def test_flights_say_whether_it_is_the_end_of_time(
    met: dict[FlightStatus, int], is_it: bool
) -> None:
    assert ended((refused(at(8)), met)) == [8.0] * is_it


def test_an_hour_whose_flights_end_in_time_is_never_past_the_end() -> None:
    last = REACHES - FLIGHT_NEEDS
    assert ended((refused(last), {LATE: 20})) == [], "they began before the first step"


def test_a_check_without_data_is_no_end_of_time() -> None:
    """Past the last step near the ground nothing is known; a field that is lost never was."""
    fine = (hour(at(1)), {DOWN: 20})
    held = (replace(refused(at(9.75)), checks=(unknown("gust"),)), {DOWN: 20})
    assert ended(fine, held) == [9.75], "the hold runs past the last step"
    early = (replace(refused(at(9)), checks=(unknown("gust"),)), {DOWN: 20})
    assert ended(fine, early) == [], "the gust of that hour is lost"
    assert ended(fine, early, surface=at(9)) == [9.0]
    assert ended((early[0], {LATE: 20})) == [], "lost, and its flights end too late besides"
    other = (replace(refused(at(9.75)), checks=(unknown("visibility"),)), {DOWN: 20})
    assert ended(fine, other) == [], "no hour has it"
    landing = (replace(refused(at(8)), checks=(unknown("water", Part.LANDING),)), {LATE: 20})
    assert ended(fine, landing) == [], "no hour knows water"
    knows = (replace(hour(at(1)), checks=(check("water"),)), {DOWN: 20})
    assert ended(knows, landing) == [8.0]


def test_an_answer_is_not_kept_for_ever() -> None:
    """It names the cycle that gave it, through every short one between."""
    kept = cycle(0)
    assert NEW.reference_utc - kept.reference_utc == KEPT_FOR
    old = replace(hour(at(12)), from_cycle=kept.id)
    assert carried(refused(at(12)), old) == old
    older = replace(hour(at(12)), from_cycle=cycle(-1).id)
    assert carried(refused(at(12)), older) == refused(at(12))


def test_a_lost_field_leaves_hours_unknown_however_good_the_cycle_before_was(
    tmp_path: Path,
) -> None:
    watch = read_settings(settings_in(tmp_path)).watch
    with closing(new_store(tmp_path / "line.sqlite3")) as store:
        before = load_file(forecast_in(tmp_path), "made")
        hours = run_pass(before, watch, store, now_utc=REFERENCE).hours
        assert all(h.refused is None for h in hours)
        later, last_h = REFERENCE + timedelta(hours=3), 9
        made = [m for m in messages(hour=later.hour) if m.step <= last_h and m.what != "gust"]
        write(tmp_path / "without.grib2", made, BOX)
        now = run_pass(load_file(tmp_path / "without.grib2", "made"), watch, store, now_utc=later)
        *in_daylight, dark = now.hours
        assert later + timedelta(hours=last_h) < in_daylight[1].time_utc + FLIGHT_NEEDS
        assert {h.verdict for h in in_daylight} == {Verdict.UNKNOWN}
        assert all(
            h.refused is not None and "gust" in {each.check for each in h.refused.unknown}
            for h in in_daylight
        )
        assert dark.verdict is Verdict.NO_GO
        assert all(h.from_cycle is None for h in now.hours)
        assert not any("an earlier answer" in words for words in notes_words(now.remarks))
