"""One note of every kind and in every form, with the sentence in which it is said."""

from datetime import UTC, datetime

from windowwatch.forecast import notes as n
from windowwatch.physics.surface import CellMethod

H = 3600
NOON = datetime(2026, 5, 5, 12, tzinfo=UTC)
GUST, HEIGHT = n.Planes("gust_mps"), n.Planes("gh", 50_000.0, 2)


def at(lack: n.Lack, *hours: int, steps: int = 9) -> n.AtSteps:
    return n.AtSteps(lack, tuple(hour * H for hour in hours), steps)


def unused(planes: n.Planes, why: n.Fault) -> n.AtSteps:
    return at(n.NotUsed(planes, why), 9)


SAID: tuple[tuple[n.Note, str], ...] = (
    (at(n.NothingAloft(), 6), "nothing aloft is there at +6 h"),
    (at(n.NothingAloft(1), 0), "nothing aloft of member 1 is there at +0 h"),
    (at(n.NothingNearGround(), 6), "nothing near the ground is there at +6 h"),
    (at(n.NotThere(GUST), 3), "wind gust is missing at +3 h"),
    (
        at(n.NotThere(n.Planes("gust_mps", member=2)), 3),
        "wind gust of member 2 is missing at +3 h",
    ),
    (
        at(n.NotThere(n.Planes("u", 70_000.0)), 0, 3, steps=2),
        "eastward wind at 700 hPa is missing at every step",
    ),
    (at(n.NotThere(GUST), 0, steps=1), "wind gust is missing at +0 h"),
    (
        at(n.NotThere(GUST), *range(3, 60, 3), steps=21),
        "wind gust is missing at +3, +6, +9, +12, +15, +18 h and 13 more steps",
    ),
    (at(n.OnNoLevel("t", 4), 6), "temperature of member 4 is missing on all levels at +6 h"),
    (at(n.PartlyThere(n.Planes("ceiling_m")), 0), "cloud ceiling has missing cells at +0 h"),
    (
        at(n.TakenAsDry(n.Planes("r", 50_000.0)), 3),
        "air is taken as dry where relative humidity at 500 hPa is missing, at +3 h",
    ),
    (
        unused(n.Planes("cloud_low_pct"), n.OutOfBounds()),
        "low cloud is not used, its values cannot be right, at +9 h",
    ),
    (unused(GUST, n.AllZero()), "wind gust is not used, it is 0 everywhere, at +9 h"),
    (
        unused(n.Planes("t", 20_000.0), n.OneNumber()),
        "temperature at 200 hPa is not used, it is the same number everywhere, at +9 h",
    ),
    (
        unused(n.Planes("wind", 20_000.0, 3), n.AllCalm()),
        "wind at 200 hPa of member 3 is not used, it is calm everywhere, at +9 h",
    ),
    (
        unused(n.Planes("wind_10m"), n.AllCalm()),
        "wind at 10 m is not used, it is calm everywhere, at +9 h",
    ),
    (
        unused(n.Planes("wind_100m", member=1), n.AllCalm()),
        "wind at 100 m of member 1 is not used, it is calm everywhere, at +9 h",
    ),
    (
        unused(HEIGHT, n.HeightFalls((70_000.0, 50_000.0), -2_711.6)),
        "geopotential height at 500 hPa of member 2 is not used, height does not rise between "
        "700 and 500 hPa (by -2712 m somewhere), at +9 h",
    ),
    (
        unused(HEIGHT, n.ThicknessOff((50_000.0, 750.0), 4_000.4, 3_000.6, 120.5)),
        "geopotential height at 500 hPa of member 2 is not used, 4000 m lie between 500 and "
        "7.5 hPa where the temperature gives 3001 ± 120 m, at +9 h",
    ),
    (n.LevelLeftOut(1_000.0, ("u",)), "10 hPa is left out: it has no eastward wind"),
    (
        n.LevelLeftOut(1_000.0, ("u", "t")),
        "10 hPa is left out: it has no eastward wind and no temperature",
    ),
    (n.FieldsAbsent(("ceiling_m", "visibility_m")), "not in the files: cloud ceiling, visibility"),
    (n.FieldsAbsent(("soil_warmth",)), "not in the files: soil warmth"),
    (n.MemberAbsent(2), "member 2 is missing"),
    (n.FewerMembers(8, 2), "the source speaks of 8 members; 2 are there"),
    (n.MoreGaps(17), "and 17 more gaps of this kind"),
    (
        at(n.NotReceived(HEIGHT), 3, 6),
        "geopotential height at 500 hPa of member 2 was asked for and did not come, at +3, +6 h",
    ),
    (
        at(n.OverAnotherInterval(GUST, 6 * H, 3 * H), 93),
        "wind gust is over 6 h where 3 h are documented, at +93 h",
    ),
    (
        n.NearGround("hrrr-2026-05-05T12Z", at(n.NotThere(GUST), 3)),
        "hrrr-2026-05-05T12Z near the ground: wind gust is missing at +3 h",
    ),
    (
        n.UnperturbedLeftOut(),
        "the ensemble's own unperturbed run is left out: the run without ensemble header is "
        "taken as control",
    ),
    (
        n.CopiesDiffer("gust_mps", 3),
        "wind gust: 3 planes are there twice with other values; the first one found is used",
    ),
    (
        n.OverIntervals(CellMethod.MEAN, ("cloud_low_pct", "cloud_total_pct")),
        "mean over an interval that ends at the time, not at the time: low cloud, total cloud",
    ),
    (
        n.OverIntervals(CellMethod.MAXIMUM, ("gust_mps",)),
        "greatest in an interval that ends at the time, not at the time: wind gust",
    ),
    (
        n.IntervalsUnknown(("gust_mps",)),
        "stored without intervals, so taken as values at the time, sums as those since the time "
        "before: wind gust",
    ),
    (
        n.TerrainWorkedOut(),
        "terrain height is not in the files; it is worked out from pressure there",
    ),
    (
        n.SingleStep(NOON, 12 * H, 3 * H),
        "the files hold a single step, valid 2026-05-05 12:00 UTC (+12 h); it is taken as valid "
        "within three hours either way",
    ),
    (
        n.DryAir(),
        "humidity aloft is not in the files; air is taken as dry, which shifts a landing by 1 % "
        "of the drift, or 2 % in the tropics",
    ),
    (
        n.ControlForAll(("temperature_2m_k",)),
        "of these the control's is used for all members: temperature at 2 m",
    ),
    (n.Attribution("Data: invented."), "Data: invented."),
    (
        n.ChecksNotAsked("ifs", ("ceiling", "search_area")),
        "ifs has no data for some checks and is not asked: ceiling, search area",
    ),
    (
        n.CarriedOver(NOON, True, 7),
        "this cycle has come as far as 2026-05-05 12:00 UTC so far; 7 hours keep an earlier answer",
    ),
    (
        n.CarriedOver(NOON, False, 7),
        "this cycle reaches no further than 2026-05-05 12:00 UTC; 7 hours keep an earlier answer",
    ),
    (
        n.NearGroundUnused("hrrr-2026-05-05T12Z", "a.grib2: its bytes have changed"),
        "hrrr-2026-05-05T12Z near the ground is not used: a.grib2: its bytes have changed",
    ),
    (
        n.LearnedUnread("the stored tables are damaged"),
        "the stored tables are damaged; the error tables from memory are used",
    ),
    (n.SaidBefore("level 7 hPa is missing"), "level 7 hPa is missing"),
)
ONE_OF_EACH = tuple(note for note, _ in SAID)
