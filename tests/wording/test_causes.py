"""Every kind of cause in words, and several of them in one sentence."""

from dataclasses import replace
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from invented import against, at, check, cycle, hour, refused, window
from plan_words import FLIGHT_TABLE, PLAN_TABLE

from windowwatch.scoring.values import Opinion, Refusal, RefusalKind, Verdict
from windowwatch.windows import causes as c
from windowwatch.windows.causes import KINDS, Cause, Causes
from windowwatch.windows.holds import hold_table
from windowwatch.wording.causes import reason
from windowwatch.wording.phrases import local_to, written

#: Cycle 1 is that of 06 UTC.
IFS = Opinion("ifs", replace(cycle(1), model="ifs").id, Verdict.NO_GO, 0.0, 0.05, 60.0, 90.0,
              check("gust", 0.0, 14.0))  # fmt: skip
GO = replace(IFS, model="gefs", verdict=Verdict.GO, chance=0.2, says=None)
NO_GO = c.Against(IFS, no_go=True, apart=False)
LOWERED = c.ChanceLowered(0.11, 0.15, 0.17, (IFS,))
MOVED = c.ChanceMovedByOthers(0.8, 0.5, True, (replace(IFS, chance=0.2),))
H = timedelta(hours=1)
LATE = c.ForecastLate(at(6), at(11.5), 3, 9)
GAS = c.DecideBy("buy gas", at(-18), 24 * H, 3 * H)

TABLE: list[tuple[Causes, str]] = [
    ((c.CheckAgainst(check("gust", 0.0, 9.4)),), "Gust 9.4 m/s, limit 9.0 m/s."),
    (
        (against(0.0, "front"), c.FrontAt(at(8.5))),
        "Front 9.0 m/s, limit 9.0 m/s, about 2026-05-07 08:30 UTC.",
    ),
    (
        (against(70), c.OnlyCaution()),
        "Gust 6.2 m/s, limit 9.0 m/s; only caution, where go is asked.",
    ),
    ((c.ChanceUnder(0.1, 0.15),), "Chance 10 %, under 15 %."),
    ((c.ScoreIs(45.2),), "Score 45."),
    ((c.ScoreFell(80.0, 49.0, 50.0),), "Score 80 to 49, under 50."),
    (
        (LOWERED,),
        "The other model ifs (06Z run) lowers the chance to 11 %, under 15 %: it gives 5 % and "
        "says no-go, gust 14.0 m/s, limit 9.0 m/s; 17 % without it.",
    ),
    (
        (replace(LOWERED, lowered_by=(GO, IFS, IFS)),),
        "Other models lower the chance to 11 %, under 15 %: gefs (06Z run) gives 20 %; "
        "ifs (06Z run) gives 5 % and says no-go, gust 14.0 m/s, limit 9.0 m/s; and 1 more; "
        "17 % without them.",
    ),
    (
        (c.NotReadable(((at(6), at(8)), (at(23), at(23))), c.NoAnswer(), 1),),
        "The forecast could not be read for 2026-05-07 06:00 UTC to 2026-05-07 08:00 UTC, "
        "2026-05-07 23:00 UTC: no answer was computed (and 1 other reasons).",
    ),
    (
        (c.NotReadable(((at(6), at(6)),), c.DataMissing()), c.LastKnownStands()),
        "The forecast could not be read for 2026-05-07 06:00 UTC: data are missing; what was "
        "last known stands until it can.",
    ),
    (
        (
            against(),
            c.NotReadable(
                ((at(6), at(6)),), c.Refused(Refusal(RefusalKind.TOLD, told="no wind at 10 hPa."))
            ),
        ),
        "Gust 9.0 m/s, limit 9.0 m/s; the forecast could not be read for 2026-05-07 06:00 UTC: "
        "no wind at 10 hPa.",
    ),
    ((c.SeenGood(1, None, None),), "Good launch hours seen once."),
    ((c.SeenGood(2, 4, 4),), "Good launch hours seen in 2 cycles."),
    ((c.SeenGood(2, 1, 5),), "Seen in 2 cycles; 1 of 5 launch hours is go, the rest caution."),
    ((c.NearAndLikely(0.8, 4, 4),), "Good launch hours, near, and likely enough to open at once."),
    (
        (c.NearAndLikely(0.8, 0, 4),),
        "Near, and likely enough to open at once; all launch hours are caution.",
    ),
    (
        (c.PartStillGood(),),
        "Part of a window of which the rest cannot be read now; these hours are good.",
    ),
    ((c.OnlyStays(H, 2 * H),), "Only 1 h of it stays good, 2 h are wanted."),
    ((c.NothingLeft(),), "No launch hour is left of it."),
    (
        (c.ReadableAgain(), c.QualityMoved(80.0, 80.2, 0.8, None)),
        "The forecast can be read again; before: score 80, chance 80 %; now score 80, chance not "
        "known.",
    ),
    (
        (c.BrokeUp(((at(9), at(10)),)), c.EdgeMoved(c.Edge.END, -2 * H, (against(0.0, "rain"),))),
        "Broke up: releases 2026-05-07 09:00 UTC to 2026-05-07 10:00 UTC are now a window apart; "
        "last release 2 h earlier (rain 9.0 m/s, limit 9.0 m/s).",
    ),
    (
        (c.BrokeUp(((at(1), at(1)), (at(9), at(9)))),),
        "Broke up: releases 2026-05-07 01:00 UTC and 2026-05-07 09:00 UTC are now windows apart.",
    ),
    (
        (c.JoinedWith(((at(11), at(12)),)), c.EdgeMoved(c.Edge.START, 1.5 * H)),
        "Joined with the window of releases 2026-05-07 11:00 UTC to 2026-05-07 12:00 UTC; "
        "first release 1 h 30 min later.",
    ),
    (
        (c.LandingMoved(33.4, 1.0), c.BestHourIs(at(7)), c.QualityMoved(80.0, 65.0, None, None)),
        "Lands 33 km further north; planned hour is now 2026-05-07 07:00 UTC; before: score 80; "
        "now score 65.",
    ),
    ((MOVED,), "Chance fell from 80 to 50 %: the other model ifs (06Z run) gives 20 %."),
    (
        (replace(MOVED, after=0.9, fell=False),),
        "Chance rose from 80 to 90 %: the other model ifs (06Z run) gives 20 %.",
    ),
    (
        (MOVED, c.ModelsDisagree((c.Against(IFS, no_go=False, apart=True),))),
        "Chance fell from 80 to 50 %: the other model ifs (06Z run) gives 20 % and lands 60 km "
        "further east.",
    ),
    (
        (MOVED, c.ModelsDisagree((replace(NO_GO, opinion=GO),))),
        "Chance fell from 80 to 50 %: the other model ifs (06Z run) gives 20 %; but the other "
        "model gefs (06Z run) says no-go.",
    ),
    (
        (c.SeenGood(2, 4, 4), c.ModelsDisagree((NO_GO,))),
        "Good launch hours seen in 2 cycles; but the other model ifs (06Z run) says no-go: "
        "gust 14.0 m/s, limit 9.0 m/s.",
    ),
    (
        (c.ModelsDisagree((replace(NO_GO, apart=True), replace(NO_GO, opinion=GO), NO_GO)),),
        "The other model ifs (06Z run) says no-go: gust 14.0 m/s, limit 9.0 m/s; lands 60 km "
        "further east; the other model gefs (06Z run) says no-go; and 1 more disagree.",
    ),
    (
        (LATE, c.StillShown(at(0))),
        "The forecast of 2026-05-07 06:00 UTC was due about 2026-05-07 11:30 UTC; 3 of 9 steps "
        "are here; what is shown stays that of 2026-05-07 00:00 UTC.",
    ),
    (
        (c.NoForecast(at(16)), c.StillShown(None)),
        "No forecast has come; the next one was expected about 2026-05-07 16:00 UTC; no forecast "
        "has been read so far.",
    ),
    (
        (c.NothingNewer(at(0), 16 * H), c.StillShown(at(0))),
        "The newest forecast is of 2026-05-07 00:00 UTC, more than 16 h ago; what is shown stays "
        "that of 2026-05-07 00:00 UTC.",
    ),
    (
        (c.NothingNewer(at(0), 16 * H, none_yet=True), c.StillShown(None)),
        "No forecast has come since the watch began, 2026-05-07 00:00 UTC; no forecast has been "
        "read so far.",
    ),
    (
        (c.GivenUp(at(6), 11 * H, 0, 9),),
        "The forecast of 2026-05-07 06:00 UTC is given up after 11 h; 0 of 9 steps are here, "
        "nothing of it came; the next one is looked for.",
    ),
    (
        (c.PassFailed(at(6), 2), c.StillShown(at(0)), c.ErrorSaid("Short file.")),
        "The forecast of 2026-05-07 06:00 UTC could not be worked up; tried 2 times; what is "
        "shown stays that of 2026-05-07 00:00 UTC; short file.",
    ),
    (
        (c.WayGone("GFS", c.Way("area filter", 0.25), at(6), c.Way("byte ranges", 0.5)),),
        "The provider has moved or ended GFS by area filter, 0.25 degree (nothing has come since "
        "the forecast of 2026-05-07 06:00 UTC); it is fetched by byte ranges, 0.5 degree instead; "
        "run check --live, and write new names under [forecast.routes] in the settings.",
    ),
    (
        (c.WayGone("GFS", c.Way("area filter", 0.25), at(6), None),),
        "The provider has moved or ended GFS by area filter, 0.25 degree (nothing has come since "
        "the forecast of 2026-05-07 06:00 UTC); there is no other way to it; run check --live, "
        "and write new names under [forecast.routes] in the settings.",
    ),
    (
        (GAS,),
        "Buy gas: decide by 2026-05-06 06:00 UTC; 3 h left; 24 h before the first release.",
    ),
    (
        (replace(GAS, left=-H, reminder=1),),
        "Reminder, nobody has acknowledged this: buy gas: it was to be decided by "
        "2026-05-06 06:00 UTC; 1 h ago; 24 h before the first release.",
    ),
    (
        (replace(GAS, left=0 * H, reminder=2, last=True),),
        "Last reminder, nobody has acknowledged this: buy gas: it was to be decided by "
        "2026-05-06 06:00 UTC; that is now; 24 h before the first release.",
    ),
    (
        (c.CallOff(("buy gas", "book the crew")),),
        "Nobody has acknowledged that this window closed; call off: buy gas, book the crew.",
    ),
    ((c.ToldEarlier("Rain 2 mm/h, limit 1 mm/h."),), "Rain 2 mm/h, limit 1 mm/h."),
    *PLAN_TABLE,
    *FLIGHT_TABLE,
    ((), ""),
]


@pytest.mark.parametrize(("causes", "words"), TABLE)
def test_words(causes: Causes, words: str) -> None:
    assert reason(causes, written) == words


def test_every_kind_is_in_the_table() -> None:
    def kinds(cause: Cause) -> set[type[Cause]]:
        inner = [cause.why] if isinstance(cause, c.NotReadable) and cause.why else []
        return {type(cause), *map(type, inner)}

    told = {kind for causes, _ in TABLE for cause in causes for kind in kinds(cause)}
    assert told | {c.HoldTable} == set(KINDS.values())


def test_times_are_read_where_people_are() -> None:
    """Each once, with UTC beside it, also in an older version's sentence."""
    there = local_to(ZoneInfo("America/Noronha"))
    assert reason((GAS,), there).startswith("Buy gas: decide by Wed 6 04:00 local (06:00 UTC); 3 h")
    assert reason((c.BestHourIs(at(1)),), there) == (
        "Planned hour is now Wed 6 23:00 local (Thu 7 01:00 UTC)."
    )
    old = c.ToldEarlier("decide by 2026-05-06 06:00 UTC to 2026-05-06 09:00 UTC")
    assert reason((old,), there) == "Decide by Wed 6 04:00 to 07:00 local (06:00 to 09:00 UTC)."
    assert reason((c.BestHourIs(at(1)),), local_to(None)) == "Planned hour is now Thu 7 01:00 UTC."


def test_hold_advice() -> None:
    hours = [hour(at(6 + 0.5 * n), 80.0 - n, landing=(45.9, -35.5 + 0.1 * n)) for n in range(6)]
    made = window(end_utc=at(9), step_min=30.0)

    def said(*more: object) -> str:
        found = hold_table([*hours, *more], made, at(4))  # type: ignore[list-item]
        assert found is not None
        return reason((found,), written)

    assert said(hour(at(9), 0.0)) == (
        "Planned release 2026-05-07 07:00 UTC: go, chance 80 %. "
        "Slip 30 min: lands 8 km further east, still go. "
        "Slip 1 h: lands 16 km further east, still go. "
        "Last good release 2026-05-07 08:30 UTC; 2026-05-07 09:00 UTC no more: "
        "gust 9.0 m/s, limit 9.0 m/s. "
        "Flown in steps of 30 min, between them nothing is known."
    )
    hours[3] = replace(hours[3], footprint=None)
    assert "Slip 30 min: where it lands is not known, still go." in said()
    assert "Last good release 2026-05-07 08:30 UTC; nothing was flown after it." in said()
    hours[4] = refused(at(8))
    assert "2026-05-07 08:00 UTC could not be read: the wind at 10 hPa is missing." in said()


def test_hourly_steps_say_so_and_tell_no_half_hours() -> None:
    found = hold_table([hour(at(6 + n)) for n in range(4)], window(), at(4))
    assert found is not None
    words = reason((found,), written)
    assert "Slip 1 h: lands at the same place, still go." in words
    assert "30 min" not in words
    assert "Flown in steps of 1 h, between them nothing is known." in words
