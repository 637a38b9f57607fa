"""Notices of a planned launch: what happened first, never too long, never without what to do."""

from dataclasses import replace
from datetime import timedelta

import pytest
from invented import MILLFIELD, NOW, at, cycle
from plan_words import PLAN_TABLE, STANDS

from windowwatch.scoring.values import Verdict
from windowwatch.windows import causes as c
from windowwatch.windows.causes import Causes
from windowwatch.windows.values import Change, ChangeKind
from windowwatch.wording.notices import LONGEST_BODY, LONGEST_TITLE, message

pytestmark = pytest.mark.launchday

OF = c.OfPlan("1", at(7), "planned")


def change(causes: Causes, site: str = "Millfield") -> Change:
    return Change("3fa9c1d2e4b5", ChangeKind.PLAN, site, None, cycle(0).id, NOW, None, None, causes)


@pytest.mark.parametrize(
    ("cause", "title", "to_do"),
    [
        (c.PlanMade("Ada"), "LAUNCH PLANNED", "A forecast, no permission."),
        (c.PlanMoved(at(6), "Ada"), "LAUNCH MOVED", "A forecast, no permission."),
        (c.PlanHeld(timedelta(minutes=20), "Ada"), "HOLD 20 min", "A forecast, no permission."),
        (c.PlanScrubbed("Ada"), "SCRUBBED", "make the gas safe"),
        (c.PlanReleased(at(7), "Ada"), "RELEASED", "A forecast, no permission."),
        (STANDS, "LAUNCH NO-GO", "Do not release"),
        (replace(STANDS, verdict=Verdict.UNKNOWN), "LAUNCH NOT KNOWN", "Do not release"),
        (replace(STANDS, verdict=Verdict.CAUTION), "LAUNCH WORSE: caution", "no permission"),
        (
            replace(STANDS, verdict=Verdict.GO, verdict_before=Verdict.CAUTION),
            "LAUNCH BETTER: go",
            "no permission",
        ),
        (replace(STANDS, verdict=Verdict.GO), "LAUNCH WORSE", "no permission"),
        (c.PlanUnanswered(), "LAUNCH NOT KNOWN", "is older"),
        (c.StepOverdue("gas", "Site safe", at(6)), "OVERDUE, GO OR NOT?", "plan tick gas"),
        (c.GustMeasured(12.0, 10.0, at(6), at(6.5), "Ben"), "NO-GO, GUST MEASURED", "not release"),
    ],
)
def test_the_title_says_what_happened_and_the_last_line_what_to_do(
    cause: c.Cause, title: str, to_do: str
) -> None:
    told = message(change((OF, cause)), MILLFIELD, now_utc=NOW)
    assert told.title == f"{title}: Millfield Thu 7 05:00 local"
    assert to_do in told.body
    assert told.body.endswith("[3fa9c1d2e4b5]")


@pytest.mark.parametrize("causes", [causes for causes, _ in PLAN_TABLE])
def test_never_too_long(causes: Causes) -> None:
    long = "w" * 120
    grown = tuple(
        replace(each, text=long) if isinstance(each, c.StepOverdue) else each for each in causes
    )
    told = message(
        change((OF, *grown, *[c.StepOverdue("gas", long, at(6))] * 6), "S" * 40),
        None,
        now_utc=NOW + timedelta(hours=30),
    )
    assert len(told.title) <= LONGEST_TITLE
    assert len(told.body) <= LONGEST_BODY
    assert "S" * 40 in told.body
    assert "Told late" in told.body
