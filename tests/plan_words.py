"""Causes of what is told of a planned launch and of a flight, and what they are in words."""

from datetime import timedelta

from invented import against, at

from windowwatch.scoring.values import Verdict
from windowwatch.windows import causes as c
from windowwatch.windows.causes import Causes

STANDS = c.PlanStands(Verdict.NO_GO, 0.0, 0.1, None, Verdict.GO, 82.0, 0.8)

PLAN_TABLE: list[tuple[Causes, str]] = [
    ((c.OfPlan("1", at(7), "held"),), "Plan 1, release 2026-05-07 07:00 UTC, held."),
    ((c.PlanMade("Ada"),), "Planned by Ada."),
    ((c.PlanMoved(at(6), "Ada"),), "Moved by Ada, was 2026-05-07 06:00 UTC."),
    ((c.PlanHeld(timedelta(minutes=20), "Ben"),), "Ben holds for 20 min."),
    ((c.PlanScrubbed("Ada", "Front."),), "Scrubbed by Ada: Front."),
    ((c.PlanScrubbed("Ada"),), "Scrubbed by Ada."),
    ((c.PlanReleased(at(7), "Ben"),), "Left the hand 2026-05-07 07:00 UTC (Ben)."),
    (
        (STANDS, against(0.0)),
        "The planned minute is no-go, was go; score 0, was 82; chance 10 %, was 80 %; no good "
        "release is in sight; gust 9.0 m/s, limit 9.0 m/s.",
    ),
    (
        (c.PlanStands(Verdict.GO, 82.0, 0.8, at(8), Verdict.GO, 82.0, 0.8),),
        "The planned minute is go; score 82; chance 80 %; last good release 2026-05-07 08:00 UTC.",
    ),
    (
        (c.PlanStands(Verdict.GO, 82.0, 0.8, at(8), Verdict.GO, 82.0, 0.8, at(8)),),
        "The planned minute is go; score 82; chance 80 %; go or caution until 2026-05-07 "
        "08:00 UTC at least, the last release that was flown.",
    ),
    (
        (c.PlanStands(Verdict.UNKNOWN, None, None, None, Verdict.GO, 82.0, 0.8), c.NoAnswer()),
        "The planned minute is not known, was go; no good release is in sight; no answer was "
        "computed.",
    ),
    (
        (c.PlanUnanswered(), c.ErrorSaid("its files are gone")),
        "Nothing could be flown for the planned minute; its files are gone.",
    ),
    (
        (c.StepOverdue("gas", "Site safe for gas", at(6), "Ben"),),
        "Not ticked: Site safe for gas (Ben), due 2026-05-07 06:00 UTC.",
    ),
    (
        (c.GustMeasured(12.34, 10.0, at(6), at(6.5), "Ben"),),
        "12.3 m/s measured by Ben, hard limit 10.0 m/s: no release before 2026-05-07 06:30 UTC, "
        "whatever the forecast says.",
    ),
]


def news(happened: str, **more: object) -> c.FlightNews:
    """News of a flight that was invented."""
    return c.FlightNews("k3f9ab", "Skerra 7", happened, at(6), **more)  # type: ignore[arg-type]


WHEN = "2026-05-07 06:00 UTC"
FLIGHT_TABLE: list[tuple[Causes, str]] = [
    ((news("released"),), f"Skerra 7 flies since {WHEN}."),
    (
        (news("burst", height_m=28_400.0),),
        f"Skerra 7 has burst, {WHEN}, at 28400 m (93,200 ft) or higher.",
    ),
    (
        (news("landing moved", km=4.21, bearing_deg=91.0),),
        f"The landing of Skerra 7 moved by 4.2 km to the east, by the report of {WHEN}.",
    ),
    (
        (news("on water", chance=0.31),),
        "Skerra 7 may land on water: 31 % of its landings do.",
    ),
    ((news("silent"),), f"Nothing is heard of Skerra 7 since {WHEN}."),
    ((news("down"),), f"Skerra 7 is down, {WHEN}."),
    ((news("found", by="Ada"),), f"Skerra 7 was found {WHEN} by Ada."),
    ((news("given up", by="Ada"),), f"Skerra 7 was given up {WHEN} by Ada."),
]
