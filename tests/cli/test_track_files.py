"""Positions out of files, against the examples that the specifications print."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from windowwatch.cli.track_files import read_track
from windowwatch.errors import InputError

pytestmark = pytest.mark.chase
NOW = datetime(2026, 5, 9, 12, 0, tzinfo=UTC)


def read(tmp_path: Path, name: str, text: str, now: datetime = NOW) -> tuple[list, list]:  # type: ignore[type-arg]
    path = tmp_path / name
    path.write_text(text)
    return read_track(path, None, "tracker", now)


def test_gga_with_the_day_of_rmc(tmp_path: Path) -> None:
    """The sentences that descriptions of NMEA 0183 print (from memory): 48°07.038' N,
    11°31.000' E, 545.4 m at 12:35:19 on 23 March 1994."""
    text = (
        "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\n"
        "noise $GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\n"
        "$GPGGA,123520,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*48\n"
    )
    (one,), (wrong,) = read(tmp_path, "a.nmea", text)
    assert one.time_utc == datetime(1994, 3, 23, 12, 35, 19, tzinfo=UTC)
    assert one.latitude_deg == pytest.approx(48.0 + 7.038 / 60.0)
    assert one.longitude_deg == pytest.approx(11.0 + 31.0 / 60.0)
    assert one.height_m == 545.4
    assert wrong.number == 3
    assert "checksum" in wrong.why


def test_midnight_passes_between_two_sentences(tmp_path: Path) -> None:
    def gga(clock: str) -> str:
        fields = f"{clock},4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
        total = 0
        for letter in f"GPGGA,{fields}":
            total ^= ord(letter)
        return f"$GPGGA,{fields}*{total:02X}"

    reports, refused = read(tmp_path, "b.nmea", f"{gga('235950')}\n{gga('000010')}\n",
                            NOW.replace(hour=0, minute=5))  # fmt: skip
    assert refused == []
    assert reports[1].time_utc - reports[0].time_utc == timedelta(seconds=20)


def test_packets_of_the_aprs_specification(tmp_path: Path) -> None:
    """APRS Protocol Reference 1.0.1: chapter 8 (092345z4903.50N/07201.75W, 49.0583, -72.0292),
    chapter 9 (compressed /5L!!<*e7, 49.5, -72.75), chapter 10 (Mic-E S32U6T, 33.4273 N); altitude
    of chapter 6 in feet."""
    text = (
        "# a log\n"
        "N0CALL>APRS:@082345z4903.50N/07201.75W>Test1234\n"
        "2026-05-09T06:00:00Z N0CALL-1>APRS:=/5L!!<*e7>7P[\n"
        '[2026-05-09 06:01:00 UTC] N0CALL-2>S32U6T:`(_fn"Oj/]TEST\n'
        "N0CALL-3>APRS:/060217h4903.50N/07201.75W>up /A=001234\n"
        "N0CALL-4>APRS:=4903.50N/07201.75W-no time\n"
        "N0CALL-5>APRS:>a status\n"
        "rubbish\n"
    )
    found, refused = read(tmp_path, "c.aprs", text)
    assert [r.tracker for r in found] == ["N0CALL", "N0CALL-1", "N0CALL-2", "N0CALL-3"]
    first, packed, mic, with_height = found
    assert first.time_utc == datetime(2026, 5, 8, 23, 45, tzinfo=UTC)
    assert (first.latitude_deg, first.longitude_deg) == pytest.approx((49.0583, -72.0292), abs=1e-4)
    assert (packed.latitude_deg, packed.longitude_deg) == pytest.approx((49.5, -72.75), abs=1e-4)
    assert mic.latitude_deg == pytest.approx(33.4273, abs=1e-4)
    assert mic.time_utc == datetime(2026, 5, 9, 6, 1, tzinfo=UTC)
    assert with_height.height_m == pytest.approx(1234 * 0.3048, abs=0.01)
    assert with_height.time_utc == datetime(2026, 5, 9, 6, 2, 17, tzinfo=UTC)
    assert [each.number for each in refused] == [6, 8]
    assert "no time" in refused[0].why


def test_csv_in_feet_with_a_bad_line(tmp_path: Path) -> None:
    text = (
        "time_utc,latitude_deg,longitude_deg,height_ft,tracker\n"
        "2026-05-08T06:00:00Z,46.0,7.0,10000,radio\n"
        "2026-05-08T06:01:00Z,46.0,east,10000,radio\n"
        "2026-05-08T06:02:00Z,146.0,7.0,10000,radio\n"
        "2026-05-08T06:03:00Z,46.0,7.0,,\n"
    )
    found, refused = read(tmp_path, "d.csv", text)
    assert [r.height_m for r in found] == [pytest.approx(3048.0), None]
    assert [r.tracker for r in found] == ["radio", "tracker"]
    assert [each.why for each in refused] == [
        "'east' is no number", "latitude_deg of 146 cannot be; give -90 to 90",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("a.txt", "x", "give --format csv, gpx, nmea or aprs"),
        ("a.csv", "when,where\n1,2\n", "latitude_deg, longitude_deg, time_utc is missing"),
        ("a.csv", "", "is missing"),
        ("a.gpx", "<gpx", "is no GPX"),
        ("a.nmea", "hello\n", "no position in it can be used as nmea"),
        ("a.aprs", "\x00\x01\x02", "no position in it can be used as aprs"),
    ],
)
def test_files_of_no_use(tmp_path: Path, name: str, text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        read(tmp_path, name, text)
    with pytest.raises(InputError, match="cannot be read"):
        read_track(tmp_path / "none.csv", None, "tracker", NOW)
