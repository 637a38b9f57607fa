"""METARs: the examples of ICAO Annex 3 and WMO-No. 306 (from memory), and what is refused."""

from datetime import UTC, datetime
from typing import Any

import pytest

from windowwatch.errors import InputError
from windowwatch.launchday.metar import read_metar

pytestmark = pytest.mark.launchday

NOW = datetime(2026, 5, 22, 17, 0, tzinfo=UTC)


def read(text: str, now: datetime = NOW, **options: Any) -> Any:
    return read_metar(text, "Millfield", "Ada", now, **options)


def test_the_example_of_a_report() -> None:
    """ICAO Annex 3, appendix 3, example A3-1; WMO-No. 306, FM 15 (from memory)."""
    seen = read(
        "METAR YUDO 221630Z 24004MPS 0600 R12/1000U DZ FG SCT010 OVC020 17/16 Q1018 "
        "BECMG TL1700 0800 FG BECMG AT1800 9999 NSW="
    )
    assert seen.at_utc == datetime(2026, 5, 22, 16, 30, tzinfo=UTC)
    assert (seen.wind_mps, seen.wind_from_deg, seen.gust_mps) == (4.0, 240.0, None)
    assert (seen.visibility_m, seen.cloud_oktas) == (600.0, 8)
    assert seen.ceiling_m == pytest.approx(2000 * 0.3048)
    assert (seen.temperature_k, seen.dew_point_k) == pytest.approx((290.15, 289.15))
    assert seen.pressure_pa == 101_800.0


def test_the_example_of_a_special_report() -> None:
    """ICAO Annex 3, appendix 3, example A3-2 (from memory); 1 knot is 1852 m an hour."""
    seen = read(
        "SPECI YUDO 151115Z 05025G37KT 3000 1200NE +TSRA BKN005CB 25/22 Q1008 TEMPO TL1200 0600 "
        "BECMG AT1200 8000 NSW NSC",
        datetime(2026, 5, 15, 11, 20, tzinfo=UTC),
    )
    assert (seen.wind_mps, seen.gust_mps) == pytest.approx(
        (25 * 1852 / 3600, 37 * 1852 / 3600), rel=1e-4
    )
    assert seen.ceiling_m == pytest.approx(500 * 0.3048)


def test_what_is_not_reported_is_unknown_and_never_harmless() -> None:
    blind = read("METAR EHXX 221655Z /////KT //// // ////// 08/06 Q1004")
    assert (blind.wind_mps, blind.visibility_m, blind.cloud_oktas) == (None, None, None)
    clear = read("METAR EHXX 221655Z VRB02KT CAVOK M03/M05 Q1030")
    assert (clear.cloud_oktas, clear.wind_from_deg, clear.visibility_m) == (None, None, 10_000.0)
    hidden = read("METAR EHXX 221655Z 00000KT 0050 FG VV001 08/08 Q1004")
    assert (hidden.cloud_oktas, hidden.ceiling_m) == (9, pytest.approx(30.48))


def test_a_report_of_the_last_hour_of_a_month_is_of_that_month() -> None:
    seen = read(
        "METAR EHXX 312355Z 22010KT 9999 08/06 Q1004", datetime(2026, 6, 1, 0, 5, tzinfo=UTC)
    )
    assert seen.at_utc == datetime(2026, 5, 31, 23, 55, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("good morning", "cannot be read"),
        ("", "cannot be read"),
        ("METAR EHXX 321655Z 22010KT 9999 08/06 Q1004", "cannot be read"),
        ("METAR EHXX 22010KT 9999 08/06 Q1004", "cannot be read"),
        ("METAR EHXX 211655Z 22010KT 9999 08/06 Q1004", r"2026-05-21 16:55 UTC, 24 h old"),
        ("METAR EHYY 221655Z 22010KT 9999 08/06 Q1004", "of EHYY, not of EHXX"),
        ("METAR EHXX 221655Z NIL", "nothing was seen"),
        ("METAR EHXX 221655Z 22010KT 9999 TOTAL NONSENSE HERE", "cannot be read"),
    ],
)
def test_what_is_no_report_of_now_is_refused(text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        read(text, station="EHXX")
