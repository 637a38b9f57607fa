"""What would make an hour go, on days with plain answers."""

from dataclasses import replace
from typing import Any

import launch_days as day
import numpy as np
import pytest

from windowwatch.scoring.hour import score_site
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Hour, Verdict
from windowwatch.scoring.verdict import WantedKind, what_is_wanted
from windowwatch.wording.checks import wanted_words

PLAN = ScoringPlan()
GROUND = day.ground()


def scored(changed: dict[str, Any] | None = None, **flown: Any) -> Hour:
    flights = day.flights(**flown)
    launch = np.array([day.LAUNCH])
    return score_site(day.SITE, launch, flights, day.surface(changed), GROUND, PLAN)[0]


@pytest.mark.parametrize(
    ("changed", "flown", "wanted"),
    [
        ({}, {}, ()),
        ({"gust_mps": 11.4}, {}, ((WantedKind.MARGIN, "gust", -1.4),)),
        ({"gust_mps": 10.01}, {}, ((WantedKind.MARGIN, "gust", -0.01),)),
        ({"ceiling_m": 210.0}, {}, ((WantedKind.MARGIN, "ceiling", -90.0),)),
        ({"gust_mps": 12.0, "visibility_m": None}, {},
         ((WantedKind.MARGIN, "gust", -2.0), (WantedKind.KNOWN, "visibility", None))),
        ({"precipitation_rate_mmph": 1.5}, {}, ((WantedKind.MARGIN, "precipitation", -0.5),)),
        ({}, {"draws": 4}, ((WantedKind.LANDINGS, None, None),)),
        ({"gust_mps": 9.99, "wind_u_10m_mps": 7.9, "precipitation_rate_mmph": 0.99}, {},
         ((WantedKind.SCORE, None, None),)),  # 100 · 0.05^(5.5/10 · 3/10) · 0.704: all at the floor
    ],
)  # fmt: skip
def test_what_would_make_it_go(
    changed: dict[str, Any], flown: dict[str, Any], wanted: tuple[Any, ...]
) -> None:
    hour = scored(changed, **flown)
    found = what_is_wanted(hour, PLAN)
    assert tuple((w.kind, w.check.name if w.check else None) for w in found) == tuple(
        (kind, name) for kind, name, _ in wanted
    )
    for each, (kind, _, margin) in zip(found, wanted, strict=True):
        if each.check is not None:
            assert each.check.margin == (
                None if margin is None else pytest.approx(margin, abs=1e-4)
            )
        if kind is WantedKind.SCORE:
            assert each.have == pytest.approx(43.0, abs=0.5)
            assert each.needed == 70.0
        if kind is WantedKind.LANDINGS:
            assert each.refused == hour.refused is not None


def test_a_low_chance_is_named_when_nothing_else_is() -> None:
    longitude = np.where(np.arange(20) < 2, -34.15, -34.3)  # two of twenty: far from the road
    drift = np.where(np.isin(np.arange(20), [2, 3]), 170_000.0, 54_000.0)
    wind = np.where(np.isin(np.arange(20), [4, 5]), 15.0, 3.0)
    strong = np.where(np.isin(np.arange(20), [6, 7]), 90.0, 20.0)
    flown: dict[str, Any] = {
        "landing_longitude_deg": longitude,
        "drift_m": drift,
        "landing_wind_mps": wind,
        "strongest_wind_mps": strong,
    }
    picky = replace(PLAN, go_chance=0.7)
    hour = score_site(day.SITE, np.array([day.LAUNCH]), day.flights(draws=20, **flown),
                      day.surface(), GROUND, picky)[0]  # fmt: skip
    assert hour.verdict is Verdict.CAUTION
    (wanted,) = what_is_wanted(hour, picky)
    assert (wanted.kind, wanted.needed) == (WantedKind.CHANCE, 0.7)
    assert wanted.have == pytest.approx(0.6)


def test_stored_checks_of_an_older_version_are_told_in_their_own_numbers() -> None:
    """A check that no longer exists must not break the comparison of old hours."""
    hour = scored({"gust_mps": 12.0})
    gust = next(check for check in hour.checks if check.name == "gust")
    old = replace(gust, name="old_check", unit="km", fine=20.0, limit=10.0, margin=-2.34)
    lower = replace(old, fine=5.0, limit=10.0)
    aged = replace(hour, checks=(*hour.checks, old, lower))
    wanted = what_is_wanted(aged, PLAN)
    assert sorted(each.check.name for each in wanted if each.check) == [
        "gust", "old_check", "old_check",
    ]  # fmt: skip
    assert {"gust 2.0 m/s less", "old check 2.4 km more", "old check 2.4 km less"} == {
        wanted_words(each) for each in wanted
    }
