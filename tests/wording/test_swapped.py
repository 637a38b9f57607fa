"""Words decide nothing: every text about checks and hours is swapped for its key, the rest stays.

Cycles of hours scored from made weather and flights are joined to windows and compared, with the
words as they are, and once more with keys in their place.
"""

import sys
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from datetime import timedelta
from typing import Any

import launch_days as day
import numpy as np
import pytest

from windowwatch.clock import from_unix_s
from windowwatch.forecast.cycle import Cycle
from windowwatch.ground.query.features import Ground
from windowwatch.physics.flights import Flights, FlightStatus
from windowwatch.scoring.hour import score_site
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.opinions import Voice, with_opinions
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Check, Hour, Opinion, Refusal, Verdict
from windowwatch.scoring.verdict import what_is_wanted
from windowwatch.storage import codec
from windowwatch.windows.agreement import AgreementRules, tell_disagreements
from windowwatch.windows.changes import compare
from windowwatch.windows.holds import hold_table
from windowwatch.windows.sites import compare_sites
from windowwatch.windows.standing import week as week_of
from windowwatch.windows.values import Change, ChangeKind, Window
from windowwatch.windows.window import WindowRules, join_hours, worst_check
from windowwatch.wording import checks as wording
from windowwatch.wording.causes import reason
from windowwatch.wording.phrases import written

HOURS = 9
LAUNCHES = day.LAUNCH + 3600.0 * np.arange(float(HOURS))
PLAN = ScoringPlan(
    limits={**ScoringPlan().limits, **{n: LIMITS[n].default for n in ("front", "search_area")}}
)
RULES, AGREEMENT = WindowRules(), AgreementRules(apart_km=20.0)
#: What stands in a window or a change in words: another floor's, or made of checks.
_TEXTS = {"limited_by", "unread", "reason", "told", "dissent"}


@dataclass(frozen=True)
class Made:
    """Everything that one run of the made week comes to, but for its words."""

    hours: list[tuple[Hour, ...]]
    windows: list[list[dict[str, Any]]]
    changes: list[list[dict[str, Any]]]
    holds: list[Any]
    said: list[str]


def scored(
    weather: dict[str, Any], flights: Flights | None = None, ground: Ground | None = None
) -> tuple[Hour, ...]:
    calm = {"temperature_2m_k": 288.0, "dew_point_2m_k": 280.0, "pressure_msl_pa": 101_000.0}
    flown = day.flights(HOURS) if flights is None else flights
    surface = day.surface({**calm, **weather})
    return score_site(day.SITE, LAUNCHES, flown, surface, ground or day.ground(), PLAN)


def some_lost() -> Flights:
    """Of two launch hours too many flights ran past the last step."""
    lost = np.zeros((HOURS, 1, 8), dtype=bool)
    lost[3:5, :, :3] = True
    return day.with_lost(day.flights(HOURS), lost, FlightStatus.LEFT_TIME)


def week() -> list[tuple[tuple[Hour, ...], tuple[Hour, ...]]]:
    """What the deciding model and another say, cycle by cycle."""
    gusty = {"gust_mps": day.by_step(3.0, 3.0, 14.0)}
    fine, no_gust = scored({}), scored({"gust_mps": None})
    afield = scored({}, day.flights(HOURS, landing_longitude_deg=-34.65))
    towards_town = day.flights(HOURS, landing_longitude_deg=-33.95)
    return [
        (fine, fine),
        (fine, fine),  # opens
        (fine, scored(gusty)),  # the other model is against it
        (fine, afield),
        (no_gust, fine),  # cannot be read
        (scored({}, some_lost()), no_gust),
        (scored({"visibility_m": None}), fine),
        (scored(gusty), fine),
        (scored({}, towards_town), fine),  # closed
        (scored({}, ground=Ground()), fine),
    ]


def run() -> Made:
    """The week through windows, changes and hold advice."""
    made = Made([], [], [], [], [])
    known: tuple[Window, ...] = ()
    start = from_unix_s(day.LAUNCH) - timedelta(hours=60)
    for number, (ours, theirs) in enumerate(week()):
        cycle = Cycle(start + timedelta(hours=6 * number), "made")
        now = cycle.reference_utc + timedelta(hours=4)
        voice = Voice(Cycle(cycle.reference_utc, "other"), theirs)
        hours = with_opinions(stored(ours), cycle, [voice], timedelta(hours=12))
        times: dict[str, Any] = {"cycle": cycle, "now_utc": now, "watch": "made"}
        joined = join_hours(hours, RULES, now_utc=now, known=known)
        windows, changes = compare(known, joined, hours, RULES, **times)
        windows, changes = tell_disagreements(
            known, windows, changes, hours, RULES, AGREEMENT, **times
        )
        made.hours.append(hours)
        made.windows.append([bare(window) for window in windows])
        made.changes.append([bare(change) for change in changes])
        for window in windows:
            table = hold_table(hours, window, now)
            rows = () if table is None else (table.planned, *table.rows)
            made.holds.append([(row.time_utc, row.verdict, row.good) for row in rows])
        made.said.extend([reason(change.causes, written) for change in changes])
        made.said.extend([words for hour in hours for words in wording.worst_sentences(hour)])
        known = windows
    return made


def stored(hours: tuple[Hour, ...]) -> tuple[Hour, ...]:
    """The hours with their checks as rows hold them."""
    found = []
    for each in hours:
        checks = codec.unpack_checks(codec.pack_checks(each.checks, "hour"))
        worst, checks = codec.worst_from_json(codec.worst_to_json(each.worst), checks)
        refused = codec.refusal_from_json(codec.refusal_to_json(each.refused))
        found.append(replace(each, checks=checks, worst=worst, refused=refused))
    assert tuple(found) == hours
    return tuple(found)


def bare(value: Window | Change) -> dict[str, Any]:
    """A window or a change without its words."""
    found: dict[str, Any] = {}
    for field in fields(value):
        held = getattr(value, field.name)
        if isinstance(held, Window):
            held = bare(held)
        if field.name not in _TEXTS or not isinstance(held, str):
            found[field.name] = held
    return found


def by_name(name: str) -> Callable[..., str]:
    """A function that gives a key in place of words."""

    def key(*said: Any) -> str:
        (about,) = said
        if isinstance(about, Check):
            return f"<check {about.name}>"
        if isinstance(about, Refusal):
            return f"<refused {about.kind}>"
        if isinstance(about, Opinion):
            return "" if about.says is None else f"<opinion {about.says.name}>"
        return f"<{name}>"

    return key


def swap(monkeypatch: pytest.MonkeyPatch) -> None:
    """Put a key in the place of every text, wherever it was imported to."""
    for name in ("check_sentence", "check_label", "missing_words", "refusal_words",
                 "opinion_words", "others_words", "hour_words"):  # fmt: skip
        real, key = getattr(wording, name), by_name(name)
        for module in [m for n, m in sys.modules.items() if n.startswith("windowwatch.")]:
            for held in [n for n, what in vars(module).items() if what is real]:
                monkeypatch.setattr(module, held, key)


def test_verdicts_windows_and_changes_do_not_hang_on_words(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    before = run()
    with monkeypatch.context() as patched:
        swap(patched)
        after = run()
    assert after.hours == before.hours
    assert after.windows == before.windows
    assert after.changes == before.changes
    assert after.holds == before.holds
    assert before.said != after.said
    assert any("<check gust>" in words for words in after.said), "it was swapped indeed"
    assert not any("m/s" in words for words in after.said)
    kinds = {change["kind"] for changes in before.changes for change in changes}
    assert {ChangeKind.OPENED, ChangeKind.CLOSED, ChangeKind.MODELS_DISAGREE} <= kinds
    verdicts = {hour.verdict for hours in before.hours for hour in hours}
    assert verdicts == set(Verdict)


def test_what_is_asked_of_hours_does_not_hang_on_words(monkeypatch: pytest.MonkeyPatch) -> None:
    hours = [hour for ours, _ in week() for hour in ours]

    def asked() -> list[Any]:
        latest = {hour.time_utc: hour for hour in hours}
        return [
            [what_is_wanted(hour, PLAN) for hour in hours],
            [worst_check(hour) for hour in hours],
            compare_sites(
                week_of(latest.values(), (), WindowRules(), min(latest)), [day.SITE], PLAN
            ),
        ]

    before = asked()
    with monkeypatch.context() as patched:
        swap(patched)
        assert asked() == before
