"""Positions out of files and lines: CSV, GPX, NMEA 0183, APRS; the only door to what reads them.

A line that cannot be read is named and left out; the rest counts. A file has no time at which it
was heard, so a report out of one counts as heard when its tracker says it was there.
"""

import csv
import io
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from windowwatch.chase.reports import CLOCK_AHEAD, Report
from windowwatch.errors import InputError

#: Larger files are no track of a balloon. [bytes]
LARGEST = 50_000_000
#: Doubt of a satellite fix in height, three times that in place; common practice, no source. [m]
FIX_SIGMA_M, FIX_HEIGHT_SIGMA_M = 15.0, 30.0
#: Endings by which a file's kind is known.
ENDINGS = {".csv": "csv", ".gpx": "gpx", ".nmea": "nmea", ".aprs": "aprs"}


@dataclass(frozen=True)
class Refused:
    """A line or point that is left out: its number, and why."""

    number: int
    why: str


#: Time, latitude, longitude and height, the tracker's own name where it has one, and the text.
_Fix = tuple[datetime, float | None, float | None, float | None, str, str]


def read_track(
    path: Path, kind: str | None, tracker: str, now_utc: datetime
) -> tuple[list[Report], list[Refused]]:
    """Reports of a file in their order, and what was left out of it.

    Parameters
    ----------
    path : Path
    kind : str or None
        csv, gpx, nmea or aprs; by the ending of the file's name where it is None.
    tracker : str
        Name for reports that have none of their own.
    now_utc : datetime
        Times of day without a day are the last such before this.

    Raises
    ------
    InputError
        If the file cannot be read, is of no known kind, or holds nothing of use.
    """
    found = kind or ENDINGS.get(path.suffix.lower())
    if found is None:
        raise InputError(
            f"{path}: its kind is not known by its ending; give --format csv, gpx, nmea or aprs"
        )
    readers: dict[str, Callable[[str, datetime], Iterator[_Fix | Refused]]] = {
        "csv": _csv, "gpx": _gpx, "nmea": _nmea, "aprs": _aprs,
    }  # fmt: skip
    text = _text(path)
    reports, refused = [], []
    try:
        for number, each in enumerate(readers[found](text, now_utc), start=1):
            if isinstance(each, Refused):
                refused.append(each)
                continue
            try:
                reports.append(_report(each, tracker, f"file {path.name}", now_utc))
            except InputError as error:
                refused.append(Refused(number, error.message))
    except InputError as error:
        raise InputError(f"{path}: {error.message}") from error
    if not reports:
        first = f"; {refused[0].number}: {refused[0].why}" if refused else ""
        raise InputError(f"{path}: no position in it can be used as {found}{first}")
    return reports, refused


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > LARGEST:
            raise InputError(f"{path}: is larger than {LARGEST // 1_000_000} MB; cut it")
        return path.read_bytes().decode("utf-8-sig", errors="replace")
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error


def _report(fix: _Fix, tracker: str, source: str, now_utc: datetime) -> Report:
    # one of the future is not believed, however it came
    heard = fix[0] if fix[0] <= now_utc + CLOCK_AHEAD else now_utc
    return report_of(fix, tracker, source, heard)


def report_of(fix: _Fix, tracker: str, source: str, heard_utc: datetime) -> Report:
    """A report of what was read, heard at a time.

    Raises
    ------
    InputError
        If it cannot be one.
    """
    when, latitude, longitude, height, own, text = fix
    plain = "".join(each for each in text if each.isprintable())
    return Report(
        (own or tracker)[:80], when, heard_utc, latitude, longitude, height, FIX_SIGMA_M,
        FIX_HEIGHT_SIGMA_M, source[:80], plain[:500],
    )  # fmt: skip


def _csv(text: str, now_utc: datetime) -> Iterator[_Fix | Refused]:
    """A header, then rows: time_utc, latitude_deg, longitude_deg, height_m (or _ft), tracker."""
    del now_utc
    rows = csv.DictReader(io.StringIO(text))
    names = [name.strip() for name in rows.fieldnames or []]
    rows.fieldnames = names
    missing = {"time_utc", "latitude_deg", "longitude_deg"} - set(names)
    if missing:
        raise InputError(
            f"the first line must name the columns; {', '.join(sorted(missing))} is missing "
            "(optional: height_m or height_ft, tracker)"
        )
    for row in rows:
        try:
            height = _number(row.get("height_m"))
            feet = _number(row.get("height_ft"))
            if height is None and feet is not None:
                height = 0.3048 * feet
            yield (
                _moment(row["time_utc"] or ""),
                _number(row["latitude_deg"]),
                _number(row["longitude_deg"]),
                height,
                (row.get("tracker") or "").strip(),
                ",".join(str(value) for value in row.values()),
            )
        except (ValueError, InputError) as error:
            yield Refused(rows.line_num, str(error))


def _number(text: str | None) -> float | None:
    if text is None or not text.strip():
        return None
    try:
        return float(text)
    except ValueError:
        raise ValueError(f"{text!r} is no number") from None


def _moment(text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        raise ValueError(f"{text!r} is no time; write 2026-05-08T06:31:00Z") from None
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def _gpx(text: str, now_utc: datetime) -> Iterator[_Fix | Refused]:
    """Points of all tracks, or waypoints where there is no track."""
    del now_utc
    import gpxpy
    from gpxpy.gpx import GPXException

    try:
        read = gpxpy.parse(text)
    except (GPXException, ValueError) as error:
        raise InputError(f"is no GPX: {error}") from error
    points: Iterable[Any] = [p for t in read.tracks for s in t.segments for p in s.points]
    for number, point in enumerate(points or read.waypoints, start=1):
        if point.time is None:
            yield Refused(number, "the point has no time")
            continue
        when = point.time if point.time.tzinfo else point.time.replace(tzinfo=UTC)
        yield when.astimezone(UTC), point.latitude, point.longitude, point.elevation, "", ""


def _nmea(text: str, now_utc: datetime) -> Iterator[_Fix | Refused]:
    """GGA sentences; their day is that of the last RMC or ZDA, or the last before now."""
    read = NmeaLines()
    for number, line in enumerate(text.splitlines(), start=1):
        found = read(line, now_utc)
        if found is not None:
            yield Refused(number, found) if isinstance(found, str) else found


class NmeaLines:
    """Reads sentences one by one, and remembers the day that was said last."""

    def __init__(self) -> None:
        self._day: date | None = None
        self._before: datetime | None = None

    def __call__(self, line: str, now_utc: datetime) -> _Fix | str | None:
        """A position, why a line that should hold one does not, or None for any other line."""
        from pynmeagps import NMEAReader
        from pynmeagps.exceptions import NMEAParseError

        spot = line.find("$")
        if spot < 0:
            return None
        sentence = line[spot:].strip()
        try:
            said: Any = NMEAReader.parse(sentence + "\r\n")
        except (NMEAParseError, ValueError) as error:
            return f"is no NMEA 0183: {error}"
        if said is None:
            return None
        if said.msgID == "RMC" and said.date:
            self._day = said.date
        if said.msgID != "GGA":
            return None
        if not isinstance(said.time, time):
            return "the sentence has no time"
        if self._day is None:
            when = _on_day(said.time, now_utc)
        else:
            when = datetime.combine(self._day, said.time, UTC)
        if self._before is not None and self._before - when > timedelta(hours=12):
            when += timedelta(days=1)  # midnight has passed since the day was said
        self._before = when
        placed = bool(said.quality) and said.lat != "" and said.lon != ""
        height = float(said.alt) if placed and said.alt != "" else None
        return (
            when, float(said.lat) if placed else None, float(said.lon) if placed else None, height,
            "", sentence,
        )  # fmt: skip


def _on_day(clock: time, now_utc: datetime) -> datetime:
    """The last such time of day up to now, or hardly after it. UTC."""
    found = datetime.combine(now_utc.date(), clock, UTC)
    return found if found <= now_utc + CLOCK_AHEAD else found - timedelta(days=1)


#: A time before a packet, as receivers write their logs.
_STAMPED = re.compile(
    r"^\W*(\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:\.\d+)?(?:Z|\s?UTC|[+-]\d\d:?\d\d)?)\W*\s(?=\S)"
)


def _aprs(text: str, now_utc: datetime) -> Iterator[_Fix | Refused]:
    """Position packets, one a line, each with its own time or behind that of the log."""
    for number, line in enumerate(text.splitlines(), start=1):
        found = aprs_line(line, now_utc, None)
        if found is not None:
            yield Refused(number, found) if isinstance(found, str) else found


def aprs_line(line: str, now_utc: datetime, heard_utc: datetime | None) -> _Fix | str | None:
    """A position of a packet, why a line is none, or None for a packet of another kind.

    `heard_utc` is taken for packets that have no time of their own, where it is known.
    """
    try:
        import aprslib
    except ImportError:
        raise InputError("APRS needs one more package: pip install 'windowwatch[aprs]'") from None
    if not line.strip() or line.startswith("#"):
        return None
    stamp = _STAMPED.match(line)
    packet = line[stamp.end() :].strip() if stamp else line.strip()
    try:
        said = aprslib.parse(packet)
        if "latitude" not in said:
            return None
        when = _moment(stamp[1].replace("UTC", "").strip()) if stamp else _aprs_time(said, now_utc)
    except (aprslib.ParseError, aprslib.UnknownFormat, ValueError) as error:
        return f"is no position packet: {error}"
    when = when or heard_utc
    if when is None:
        return "the packet has no time, and none stands before it"
    height = said.get("altitude")
    return (
        when, said["latitude"], said["longitude"], None if height is None else float(height),
        said.get("object_name", said["from"]).strip(), packet,
    )  # fmt: skip


def _aprs_time(said: dict[str, Any], now_utc: datetime) -> datetime | None:
    """Time of a packet by APRS 1.0.1, chapter 6: day, hours, minutes, or hours to seconds."""
    raw = str(said.get("raw_timestamp", ""))
    if not re.fullmatch(r"\d{6}[zh]", raw):
        return None
    one, two, three = int(raw[:2]), int(raw[2:4]), int(raw[4:6])
    try:
        if raw.endswith("h"):
            return _on_day(time(one, two, three), now_utc)
        for back in range(32):
            day = (now_utc - timedelta(days=back)).date()
            if day.day == one:
                return datetime.combine(day, time(two, three), UTC)
    except ValueError:
        return None
    return None
