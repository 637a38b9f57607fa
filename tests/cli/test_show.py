"""What the terminal shows: nothing is cut off at 80 columns, and the worst stands first."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import timedelta
from io import StringIO

import pytest
from invented import (
    FILES,
    HIGHMOOR,
    MILLFIELD,
    NOW,
    SITES,
    at,
    change,
    check,
    cycle,
    hour,
    window,
)
from rich.console import Console

from windowwatch.cli.explaining import hour_at, print_hour, print_trail
from windowwatch.cli.show import print_hours, print_sites, print_windows
from windowwatch.clock import require_utc
from windowwatch.errors import InputError
from windowwatch.forecast.notes import DryAir, FieldsAbsent
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Hour, Median, Opinion, OutOfReach, Part, Told, Verdict
from windowwatch.storage.cycles import StoredCycle, Trail
from windowwatch.windows.sites import compare_sites
from windowwatch.windows.standing import Week, week
from windowwatch.windows.values import ChangeKind, Window, WindowState
from windowwatch.windows.window import WindowRules

ZONE = "America/Noronha"
PLAN = ScoringPlan()
LONG = "Crew is there 117 min after dark (median -32), 12 % of flights out of reach, limit 0."


def shown(draw: Callable[[Console], None], width: int = 80) -> str:
    """What is drawn on a terminal of a width; no line is wider, and nothing is cut off."""
    paper = StringIO()
    draw(Console(file=paper, width=width))
    text = paper.getvalue()
    assert max(map(len, text.splitlines())) <= width
    assert "…" not in text
    return text


def week_of(hours: Sequence[Hour], *windows: Window) -> Week:
    """Hours and windows two days before."""
    return week(hours, windows, WindowRules(), NOW)


def worst_of(made: Hour, words: str) -> Hour:
    """An hour whose worst check is told by so many words."""
    first, *others = made.checks
    return replace(made, checks=(replace(first, facts=(Told(words),)), *others))


def rough(*, parts_apart: bool = False) -> Hour:
    """An hour with checks of two parts, perhaps in the order of their keys and not their parts."""
    ceiling = replace(
        check("ceiling", 0.0, 230.0), part=Part.RELEASE, fine=1500.0, limit=300.0, margin=-70.0,
        unit="m", hard=False, verdict=Verdict.NO_GO, facts=(),
    )  # fmt: skip
    drift = replace(check("drift", 40.0, 140.0), part=Part.FLIGHT, unit="km", margin=20.0)
    crew = replace(check("crew", 70.0, 61.0), part=Part.RECOVERY, unit="min",
                   facts=(Told(LONG),))  # fmt: skip
    gust = check("gust", 95.0, 5.2)
    checks = (gust, drift, ceiling, crew) if parts_apart else (gust, ceiling, drift, crew)
    made = hour(at(8), 46.0, verdict=Verdict.CAUTION)
    return replace(made, checks=checks, worst=("ceiling", "crew"))


def test_a_window_is_told_from_its_first_to_its_last_release() -> None:
    text = shown(lambda c: print_windows(c, [window()], [MILLFIELD, HIGHMOOR]))
    assert "Thu 7 04:00–07:00  06:00–09:00" in text, "both ends are releases"
    assert "Highmoor: no window" in text
    words = " ".join(text.split())
    assert (
        "Thu 7 04:00: last release 07:00, window ends 08:00. Gust 6.8 m/s, limit 9.0 m/s."
    ) in words
    better = window(now_best_utc=at(8), now_best_score=84.0)
    told = " ".join(shown(lambda c: print_windows(c, [better], [MILLFIELD])).split())
    assert "window ends 08:00; now best: 06:00, 84." in told
    assert "open: good in enough cycles to plan on" in text
    assert "closed:" not in text, "only the words that stand in the table are explained"


def test_windows_over_midnight_fit_and_name_both_days() -> None:
    over = window(start_utc=at(23), end_utc=at(29), chance=0.998, drift_km=142.0, bearing_deg=140.0)
    local = replace(over, start_utc=at(0), end_utc=at(6), state=WindowState.SIGHTED)
    text = shown(lambda c: print_windows(c, [over, local], [MILLFIELD]))
    words = " ".join(text.split())
    assert "Thu 7 21:00– 23:00–04:00 05:00 78 over 99 % 142 km SE Fri 8 02:00" in words
    assert "Wed 6 22:00– Thu 7 00:00–05:00 05:00 78 over 99 % 142 km SE Thu 7 03:00" in words


def test_hours_stand_under_their_day_with_what_is_worst() -> None:
    dark = replace(
        check("arrival_daylight", 0.0, -117.0), unit="min", limit=0.0,
        facts=(Median(-32.0), OutOfReach(12.0)),
    )  # fmt: skip
    hours = [
        replace(hour(at(h)), checks=(dark,), worst=(dark.name,), chance=0.999) for h in range(4)
    ]
    hours[3] = replace(hours[3], from_cycle="skerra-2026-05-04T18Z")
    night = window(start_utc=at(0), end_utc=at(4), best_hour_utc=at(9))
    text = shown(lambda c: print_hours(c, hours, MILLFIELD, week_of(hours, night)))
    lines = [line.strip() for line in text.splitlines()]
    assert lines.index("Wed 6") < lines.index("Thu 7")
    assert "22:00   00:00+1  go" in text, "the day in UTC is a later one"
    assert "Crew is there" in text
    assert "01:00*" in text
    assert "* the newest cycle has not come so far yet" in text
    assert "skerra-2026-05-04T18Z" in text
    assert " ".join(text.split()).count("12 %") == 0, "a row tells the head of it"
    assert "the whole of a worst check: windowwatch explain Millfield TIME" in text


@pytest.mark.parametrize(
    "worst",
    [
        LONG,
        "30 % of flights land where they must not, most of them near Fallow Heath (no-entry), "
        "past the limit of 10 %.",
        "Walk from the road up to 82 min (median 26), limit 150.",
        "The forecast of this cycle ends at 14:00 UTC before the last of the flights is down.",
    ],
)
def test_an_hour_takes_two_lines_at_most(worst: str) -> None:
    said = Opinion(
        model="other", cycle_id="other-2026-05-05T00Z", verdict=Verdict.NO_GO, score=0.0,
        chance=0.0, apart_km=50.0,
    )  # fmt: skip
    hours = [replace(worst_of(hour(at(h)), worst), others=(said,)) for h in (6, 7)]
    paper = StringIO()
    print_hours(Console(file=paper, width=80), hours, MILLFIELD, week_of(hours))
    first, second = (
        next(n for n, line in enumerate(paper.getvalue().splitlines()) if line.startswith(local))
        for local in ("04:00", "05:00")
    )
    assert second - first <= 2


def test_sites_side_by_side_fit() -> None:
    hours = [hour(at(h), site=site) for site in SITES for h in (8, 9, 33)]
    sites = list(SITES.values())
    ranked = compare_sites(week_of(hours), sites, PLAN)
    text = shown(lambda c: print_sites(c, ranked, sites))
    assert "Windows: none; 3 more hours are go or caution, but lie in no window." in text
    assert text.count("  no window ") == 2
    assert "  go  " not in text, "what stands alone heads no day"
    runs = [
        window(uid=str(h), start_utc=at(h), end_utc=at(h + 4), best_hour_utc=at(h + 2))
        for h in (6, 31)
    ]
    known = compare_sites(week_of(hours, *runs), sites, PLAN)
    text = shown(lambda c: print_sites(c, known, sites))
    assert "Thu 7 06:00  08:00  go" in text
    rich = [replace(each, walk_min=22.4, crew_min=-12.2) for each in known]
    words = " ".join(shown(lambda c: print_sites(c, rich, sites)).split())
    assert "Windows: 2, together 8 h, the longest 4 h; walk from the road 22 min; " in words
    assert "crew at the road 12 min before the landing." in words


@pytest.mark.parametrize("parts_apart", [False, True])
def test_an_hour_in_full_has_each_part_once_and_its_worst_check_first(parts_apart: bool) -> None:
    zone = at(0).tzinfo
    assert zone is not None
    text = shown(lambda c: print_hour(c, rough(parts_apart=parts_apart), PLAN, zone))
    for part in (Part.RELEASE, Part.FLIGHT, Part.RECOVERY):
        assert sum(line.startswith(f"{part}: ") for line in text.splitlines()) == 1
    assert "1. Ceiling 230 m" in text
    release = text[text.index("release: ") : text.index("flight: ")]
    assert release.index(" ceiling") < release.index(" gust !")
    assert "−70" in release
    assert "crew at the road, after the" in text, "checks stand in words, as on the page"
    assert "It would be go with: ceiling 70 m more" in text


def test_what_other_models_say_of_an_hour() -> None:
    other = Opinion(
        "ifs", "ifs-2026-05-05T00Z", Verdict.NO_GO, 31.0, 0.1, 42.0, 45.0,
        replace(check("gust", 0.0), facts=(Told("Gust 12 m/s"),)),
    )  # fmt: skip
    said = replace(rough(), others=(other,), own_chance=0.9, from_cycle="skerra-2026-05-04T18Z")
    zone = at(0).tzinfo
    assert zone is not None
    words = " ".join(shown(lambda c: print_hour(c, said, PLAN, zone)).split())
    assert (
        "Ifs (ifs-2026-05-05T00Z) says no-go, score 31, chance 10 %; lands 42 km NE of this one: "
        "Gust 12 m/s."
    ) in words
    assert "Chance by its own model alone: 90 %." in words
    assert "by cycle skerra-2026-05-04T18Z" in words


def trail(kind: ChangeKind = ChangeKind.CLOSED) -> Trail:
    hours = (hour(at(6), 80.0), hour(at(7), 90.0), rough(), hour(at(9), 60.0, verdict=Verdict.GO))
    stored = StoredCycle(
        "skerra demo", cycle(), at(0), FILES, (FieldsAbsent(("gust_mps",)),), (DryAir(),)
    )
    return Trail("skerra demo", change(kind), window(), hours, stored, ())


def test_the_trail_of_a_closed_window_tells_its_worst_hour_in_full() -> None:
    text = shown(lambda c: print_trail(c, trail(), SITES, PLAN, WindowRules()), 100)
    listed = text[text.index("the worst first") : text.index("in full")]
    clock = [line.split()[2] for line in listed.splitlines() if line.startswith("Thu 7")]
    assert clock == ["06:00", "07:00", "04:00", "05:00", "06:00"]
    assert text.count("in full") == 1
    assert "Thu 7 06:00 local (08:00 UTC) in full: caution" in text
    assert FILES[0].sha256 in text
    assert "not in the files: wind gust" in text
    assert "air is taken as dry" in text
    whole = shown(
        lambda c: print_trail(c, trail(), SITES, PLAN, WindowRules(), every_hour=True), 100
    )
    assert whole.count("in full") == 4


def test_the_trail_of_an_open_window_tells_its_planned_hour_in_full() -> None:
    text = shown(lambda c: print_trail(c, trail(ChangeKind.OPENED), SITES, PLAN, WindowRules()))
    assert "Thu 7 05:00 local (07:00 UTC) in full: go; score 90" in text


def test_an_hour_is_found_by_local_time_or_by_any_zone() -> None:
    hours = [hour(at(h)) for h in (6, 7)]
    assert hour_at(hours, MILLFIELD, "2026-05-07T04:00") is hours[0]
    assert hour_at(hours, MILLFIELD, "2026-05-07T07:00Z") is hours[1]
    assert require_utc(hours[1].time_utc) - hours[0].time_utc == timedelta(hours=1)
    with pytest.raises(InputError, match=r"Thu 7 04:30 local \(06:30 UTC\) is no launch hour of"):
        hour_at(hours, MILLFIELD, "2026-05-07T04:30")
    with pytest.raises(InputError, match=r"they are every hour, from Thu 7 04:00"):
        hour_at(hours, MILLFIELD, "2026-05-07T04:30")
    said = "'noon' is no time; write it as 2026-05-04T04:00, local to the site, or with its zone"
    with pytest.raises(InputError, match=said):
        hour_at(hours, MILLFIELD, "noon")
    with pytest.raises(InputError, match="holds no launch hour of Millfield"):
        hour_at([], MILLFIELD, "2026-05-07T04:30")
