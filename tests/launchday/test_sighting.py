"""What is measured at the site: by hand-worked numbers, and never a calm that nobody measured."""

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from windowwatch.clock import to_unix_s
from windowwatch.errors import InputError
from windowwatch.launchday.sighting import (
    Correction,
    Sighting,
    corrected,
    correction,
    vetoes,
)
from windowwatch.physics.surface import CellMethod, SurfaceSeries, TimeCells

pytestmark = pytest.mark.launchday

NOW = datetime(2026, 5, 5, 9, 0, tzinfo=UTC)


def seen(minutes_ago: float, **values: Any) -> Sighting:
    return Sighting("Millfield", NOW - timedelta(minutes=minutes_ago), "Ada", **values)


def forecast(_: datetime) -> tuple[float | None, float | None]:
    return 4.0, 6.0


def test_a_worked_example() -> None:
    """Two readings, 6 m/s now and 5 m/s an hour ago, against a forecast of 4 and 6 m/s.

    By hand: weights 1 and 1/2; mean difference (2·1 + 1·½) / 1½ = 5/3; two readings: times 2/3,
    10/9 m/s. No gust was measured: differences times 6/4, so 15/9 m/s.
    """
    found = correction([seen(60, wind_mps=5.0), seen(0, wind_mps=6.0)], forecast, NOW)
    assert found is not None
    assert found.wind_mps == pytest.approx(10.0 / 9.0)
    assert found.gust_mps == pytest.approx(15.0 / 9.0)
    assert (found.measured, found.last_utc) == (2, NOW)
    later = np.array([to_unix_s(NOW + timedelta(hours=h)) for h in (-1, 0, 2, 4)])
    assert found.share_at(later) == pytest.approx([1.0, 1.0, 0.5, 0.25])


def test_old_and_future_readings_change_nothing() -> None:
    assert correction([seen(181, wind_mps=9.0)], forecast, NOW) is None
    assert correction([seen(-1, wind_mps=9.0)], forecast, NOW) is None
    assert correction([seen(0, cloud_oktas=3)], forecast, NOW) is None
    assert correction([seen(0, wind_mps=9.0)], lambda _: (None, None), NOW) is None


def series(**cells: TimeCells) -> SurfaceSeries:
    time = to_unix_s(NOW) + 3600.0 * np.arange(0.0, 4.0)
    return SurfaceSeries(
        time,
        {
            "wind_u_10m_mps": np.array([[3.0, 3.0, 3.0, 3.0], [0.0, 0.0, 0.0, np.nan]]),
            "wind_v_10m_mps": np.array([[4.0, 4.0, 4.0, 4.0], [0.0, 0.0, 0.0, 1.0]]),
            "gust_mps": np.array([[8.0, 8.0, 8.0, 8.0], [8.0, np.nan, 8.0, 8.0]]),
            "cloud_total_pct": np.full((1, 4), 50.0),
        },
        cells,
    )


def test_the_corrected_wind_keeps_its_direction_and_fades() -> None:
    found = corrected(series(), Correction(2.0, 3.0, 1, NOW))
    speed = np.hypot(found.values["wind_u_10m_mps"], found.values["wind_v_10m_mps"])
    at = np.searchsorted(found.time_unix_s, series().time_unix_s)
    assert speed[0, at] == pytest.approx(5.0 + 2.0 * 0.5 ** (np.arange(4.0) / 2.0))
    assert found.values["wind_v_10m_mps"][0] / found.values["wind_u_10m_mps"][0] == pytest.approx(
        4.0 / 3.0
    )
    assert speed[1, at[:3]] == pytest.approx(2.0 * 0.5 ** (np.arange(3.0) / 2.0))
    assert np.isnan(speed[1, at[3]])
    assert set(found.values) == {"wind_u_10m_mps", "wind_v_10m_mps", "gust_mps"}


def test_a_measured_calm_takes_at_most_half_of_the_forecast() -> None:
    found = corrected(series(), Correction(-20.0, -20.0, 9, NOW))
    speed = np.hypot(found.values["wind_u_10m_mps"], found.values["wind_v_10m_mps"])
    assert speed[0, 0] == pytest.approx(2.5)
    assert found.values["gust_mps"][0, 0] == pytest.approx(4.0)


def test_missing_stays_missing() -> None:
    found = corrected(series(), Correction(2.0, 3.0, 1, NOW))
    assert np.isnan(found.values["gust_mps"][1, np.searchsorted(found.time_unix_s,
                    series().time_unix_s[1])])  # fmt: skip


@pytest.mark.parametrize(("added", "wanted"), [(4.0, 12.0), (-2.0, 8.0 - 2.0 * 0.5**0.5)])
def test_a_gust_of_an_interval_is_changed_by_the_worst_in_it(added: float, wanted: float) -> None:
    time = series().time_unix_s
    cells = TimeCells(CellMethod.MAXIMUM, np.concatenate([[np.nan], time[:-1]]))
    found = corrected(series(gust_mps=cells), Correction(0.0, added, 1, NOW))
    at = int(np.searchsorted(found.time_unix_s, time[1]))
    assert found.values["gust_mps"][0, at] == pytest.approx(wanted)
    assert found.cells["gust_mps"].start_unix_s[at] == time[0]
    assert np.isnan(found.cells["gust_mps"].start_unix_s).sum() == found.time_unix_s.size - 3


def test_a_measured_gust_over_the_limit_forbids_at_once_and_for_half_an_hour() -> None:
    found = vetoes([seen(10, wind_mps=6.0, gust_mps=11.0), seen(5, gust_mps=9.0)], 10.0, NOW)
    assert [(v.gust_mps, v.by) for v in found] == [(11.0, "Ada")]
    assert found[0].forbids(NOW + timedelta(minutes=20))
    assert not found[0].forbids(NOW + timedelta(minutes=21))
    assert vetoes([seen(31, gust_mps=11.0)], 10.0, NOW) == ()
    assert len(vetoes([seen(0, wind_mps=10.5)], 10.0, NOW)) == 1


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"wind_mps": 61.0}, "give 0 to 60"),
        ({"wind_mps": 8.0, "gust_mps": 5.0}, "below the mean wind"),
        ({"cloud_oktas": 10}, "give 0 to 9"),
        ({"temperature_k": 12.0}, "give 200 to 335"),
        ({}, "nothing was seen"),
    ],
)
def test_what_nobody_can_see_is_refused(values: dict[str, float], words: str) -> None:
    with pytest.raises(InputError, match=words):
        seen(0, **values)
