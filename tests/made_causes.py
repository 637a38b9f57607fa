"""One cause of every kind, with everything that it may hold."""

from datetime import timedelta

from invented import against, at, check, cycle

from windowwatch.scoring.values import (
    AtLeast,
    Check,
    Gap,
    Median,
    Missing,
    Opinion,
    Part,
    Refusal,
    RefusalKind,
    Verdict,
)
from windowwatch.windows import causes as c

HOUR = timedelta(hours=1)
CEILING = Check("ceiling", Part.RELEASE, Verdict.GO, 15_000.0, "m", 1000.0, 300.0, 14_700.0, 1.0,
                True, (AtLeast(), Median(9000.0)))  # fmt: skip
NO_WIND = Check("wind", Part.RELEASE, Verdict.UNKNOWN, None, "m/s", 4.0, 8.0, None, None, True,
                missing=Missing(Gap.FIELD, ("wind_u_10m_mps",)))  # fmt: skip
LOST = Refusal(RefusalKind.LOST_FLIGHTS, flights=128, lost=(("left_time", 100), ("too_long", 3)))
IFS = Opinion("ifs", cycle(1).id, Verdict.NO_GO, 0.0, 0.05, 60.0, 90.0, check("gust", 0.0, 14.0),
              ("ceiling", "visibility"))  # fmt: skip
GEFS = Opinion("gefs", cycle(1).id, Verdict.GO, 82.5, 0.2, None)
PLANNED = c.Hold(at(7), 0 * HOUR, Verdict.GO, True, 80.0, 0.8, 0.0, 0.0, c.CheckAgainst(CEILING))
OVER = c.Hold(at(9), 2 * HOUR, Verdict.UNKNOWN, False, None, None, None, None, c.Refused(LOST))

ONE_OF_EACH: tuple[c.Cause, ...] = (
    against(70.0),
    c.CheckAgainst(CEILING),
    c.FrontAt(at(8.5)),
    c.OnlyCaution(),
    c.ChanceUnder(0.1, 0.15),
    c.ScoreIs(45.25),
    c.ScoreFell(80.0, 49.0, 50.0),
    c.ChanceLowered(0.11, 0.15, 0.17, (IFS, GEFS)),
    c.NoAnswer(),
    c.Refused(LOST),
    c.DataMissing(),
    c.NotReadable(((at(6), at(8)), (at(23), at(23))), c.CheckAgainst(NO_WIND), 1),
    c.SeenGood(2, 1, 5),
    c.NearAndLikely(0.8, None, None),
    c.PartStillGood(),
    c.OnlyStays(HOUR, 2 * HOUR),
    c.NothingLeft(),
    c.LastKnownStands(),
    c.ReadableAgain(),
    c.BrokeUp(((at(9), at(10)),)),
    c.JoinedWith(((at(11), at(12)),)),
    c.EdgeMoved(c.Edge.END, -2 * HOUR, (against(0.0, "rain"), c.FrontAt(at(8)))),
    c.LandingMoved(33.4, 1.5),
    c.BestHourIs(at(7)),
    c.QualityMoved(80.0, 65.0, 0.8, None),
    c.ChanceMovedByOthers(0.8, 0.5, True, (IFS,)),
    c.ModelsDisagree((c.Against(IFS, no_go=True, apart=False),)),
    c.ForecastLate(at(6), at(11.5), 3, 9),
    c.NoForecast(at(16)),
    c.NothingNewer(at(6), 16 * HOUR),
    c.StillShown(None),
    c.GivenUp(at(6), 11 * HOUR, 0, 9),
    c.PassFailed(at(6), 2),
    c.WayGone("GFS", c.Way("area filter", 0.25), at(6), c.Way("byte ranges", 0.25)),
    c.ErrorSaid("short file"),
    c.DecideBy("buy gas", at(-18), 24 * HOUR, -HOUR, 2, True),
    c.CallOff(("buy gas", "book the crew")),
    c.HoldTable(PLANNED, (OVER,), at(8), OVER, HOUR),
    c.OfPlan("1", at(7), "planned"),
    c.PlanMade("Ada"),
    c.PlanMoved(at(6), "Ada"),
    c.PlanHeld(timedelta(minutes=20), "Ben"),
    c.PlanScrubbed("Ada", "front"),
    c.PlanReleased(at(7), "Ben"),
    c.PlanStands(Verdict.NO_GO, 0.0, 0.1, None, Verdict.GO, 82.0, 0.8),
    c.PlanUnanswered(),
    c.StepOverdue("gas", "Site safe for gas", at(6), "Ben"),
    c.GustMeasured(12.3, 10.0, at(6), at(6.5), "Ben"),
    c.FlightNews(
        "k3f9ab", "Skerra 7", "landing moved", at(6), 46.1, -35.2, None, at(7), 4.2, 90.0, 0.1
    ),
    c.ToldEarlier("Rain 2 mm/h, limit 1 mm/h."),
)
