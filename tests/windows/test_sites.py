"""Sites against each other, by the launches of their windows and not by hours that stand alone."""

import pytest
from invented import HIGHMOOR, MILLFIELD, NOW, at, check, hour, window

from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Check, Hour, Verdict
from windowwatch.windows.sites import SiteSummary, compare_sites
from windowwatch.windows.standing import week
from windowwatch.windows.values import Window
from windowwatch.windows.window import WindowRules

pytestmark = pytest.mark.one_answer

PLAN = ScoringPlan()


def compared(hours: list[Hour], *windows: Window) -> tuple[SiteSummary, ...]:
    made = week(hours, windows, WindowRules(), NOW)
    return compare_sites(made, (MILLFIELD, HIGHMOOR), PLAN)


def run(first: float, hours: float, planned: float, **other: object) -> Window:
    """A window of so many hours."""
    return window(
        uid=f"{other.get('site', 'Millfield')}-{first}",
        start_utc=at(first),
        end_utc=at(first + hours),
        best_hour_utc=at(planned),
        **other,
    )


def test_sites_stand_in_the_order_of_their_best_launch() -> None:
    hours = [hour(at(h), 70.0, chance=0.7) for h in range(6, 10)]
    # one hour of Highmoor is better than any, and alone; its window is the weaker one
    hours += [hour(at(14), 99.0, chance=0.99, site="Highmoor")]
    hours += [hour(at(h), 65.0, chance=0.6, site="Highmoor") for h in (30, 31)]
    weak = run(30, 2, 30, site="Highmoor", best_score=65.0, chance=0.6)
    first, second = compared(hours, run(6, 4, 7), weak)
    assert (first.site, second.site) == ("Millfield", "Highmoor")
    assert (second.go_hours, second.alone_hours) == (2, 1)
    assert [h.time_utc for h in second.best] == [at(30)]


def test_a_day_is_headed_by_the_planned_hour_of_its_best_window_and_by_none_without_one() -> None:
    # 23 h local on the 7th is the 8th in UTC; Noronha is two hours behind (IANA database)
    hours = [hour(at(h), 80.0, chance=0.8) for h in (23, 24, 25, 26, 27, 28)]
    hours += [hour(at(50), 95.0, chance=0.95)]
    night = run(23, 6, 27)
    (site, _) = compared(hours, night)
    thursday, friday = site.heads
    assert (thursday.hour.time_utc, thursday.planned) == (at(23), False)
    assert (friday.hour.time_utc, friday.planned) == (at(27), True)
    assert site.go_days == 2
    assert site.chance_any == pytest.approx(1.0 - 0.2 * 0.2)
    assert site.alone_hours == 1


def test_windows_recovery_and_what_is_in_the_way() -> None:
    def known(name: str, value: float) -> Check:
        return check(name, 80.0, value)

    hours = [hour(at(h), 80.0) for h in (6, 7, 30, 31)] + [hour(at(12), 0.0, by="wind")]
    rich = {6: (known("walk", 20.0), known("crew", -12.0)), 30: (known("walk", 40.0),)}
    for i, h in ((0, 6), (2, 30)):
        object.__setattr__(hours[i], "checks", (*hours[i].checks, *rich[h]))
    (site, none) = compared(hours, run(6, 2, 6), run(30, 2, 30))
    assert (site.window_count, site.window_h, site.longest_window_h) == (2, 4.0, 2.0)
    assert (site.walk_min, site.crew_min) == (30.0, -12.0)
    assert site.in_the_way == "wind"
    assert (none.heads, none.go_hours, none.chance_any, none.alone) == ((), 0, None, None)


def test_night_is_in_nobodys_way_and_a_check_of_an_older_version_may_be() -> None:
    dark = check("daylight", 0.0)
    bad = hour(at(6), 0.0, by="gust")
    night = hour(at(7), 0.0, by="gust")
    object.__setattr__(night, "checks", (*night.checks, dark))
    (site, _) = compared([bad, night])
    assert site.in_the_way == "gust"
    old = hour(at(8), 0.0, by="of another version")
    (site, _) = compared([old])
    assert site.in_the_way == "of another version"


def test_without_a_window_the_best_hour_that_stands_alone_is_known_as_such() -> None:
    single = [hour(at(8), 66.0, verdict=Verdict.CAUTION), hour(at(12), 62.0, chance=0.7)]
    (site, _) = compared(single)
    assert site.alone is single[1], "go before caution"
    assert site.best == ()
