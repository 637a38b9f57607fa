"""A METAR read into a sighting: the only import of `metar`."""

from datetime import UTC, datetime, timedelta
from typing import Any

from metar.Metar import Metar, ParserError

from windowwatch.clock import require_utc
from windowwatch.errors import InputError
from windowwatch.launchday.sighting import Sighting

#: A report is good for what was seen "now" up to this age. Common practice, no source.
OLDEST = timedelta(hours=3)
#: … and the clock of whoever made it may be ahead of ours by so much.
AHEAD = timedelta(minutes=15)
#: Cover by the words of the code, as eighths: the most of each. WMO-No. 306, FM 15, 15.9.
_OKTAS = {"SKC": 0, "CLR": 0, "NSC": 0, "NCD": 0, "FEW": 2, "SCT": 4, "BKN": 7, "OVC": 8, "VV": 9}
#: What stands in the place of a visibility that the station does not measure; the library reads
#: it as ten kilometres.
_NO_VISIBILITY = "////"
#: A ceiling is the base of the lowest layer that hides more than half of the sky. ICAO Annex 2.
_CEILING = frozenset({"BKN", "OVC", "VV"})


def read_metar(
    text: str,
    site: str,
    by: str,
    now_utc: datetime,
    *,
    station: str | None = None,
) -> Sighting:
    """Read one report.

    Parameters
    ----------
    text : str
        As it was sent, with or without the word METAR.
    site : str
        The site that it is to stand for.
    by : str
        Who handed it in.
    now_utc : datetime
        The report carries day, hour and minute: it is of the last such moment.
    station : str, optional
        Location indicator of the station that is wanted; another one is refused.

    Raises
    ------
    InputError
        If the text is no whole report, is of another station, or is too old; or if wind, cloud
        and visibility are all missing.
    """
    now_utc = require_utc(now_utc)
    report = " ".join(text.split()).rstrip("=")
    try:
        read, seen_utc = _dated(report, now_utc)
        values = _values(read)
    except (ParserError, ValueError, AttributeError) as error:
        first = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise InputError(
            f"the METAR {report[:120]!r} cannot be read ({first}); paste one whole report"
        ) from error
    if station is not None and read.station_id != station.upper():
        raise InputError(
            f"the METAR is of {read.station_id}, not of {station.upper()}; paste the right one, or "
            "name that station"
        )
    age = now_utc - seen_utc
    if age > OLDEST:
        raise InputError(
            f"the METAR of {read.station_id} is of {seen_utc:%Y-%m-%d %H:%M} UTC, "
            f"{age.total_seconds() / 3600:.0f} h old; paste one of the last "
            f"{OLDEST.total_seconds() / 3600:.0f} hours"
        )
    return Sighting(site=site, at_utc=seen_utc, by=by, told=report, **values)


def _dated(report: str, now_utc: datetime) -> tuple[Metar, datetime]:
    """A report, and its moment: the last one with its day of the month, hour and minute."""
    first = now_utc.replace(day=1)
    refused: Exception = ValueError("its day fits no month")
    for month in (now_utc, first - timedelta(days=1), first - timedelta(days=32)):
        try:
            read = Metar(report, month=month.month, year=month.year, strict=True)
        except ParserError as error:  # also where that month has no such day
            refused = error
            continue
        if read.time is None:
            raise ValueError("no time in it")
        found = read.time.replace(tzinfo=UTC, year=month.year, month=month.month)
        if found <= now_utc + AHEAD:
            return read, found
    raise refused


def _values(read: Metar) -> dict[str, Any]:
    """What the report says, in our units; what it does not say is left out."""
    speed = None if read.wind_speed is None else read.wind_speed.value("MPS")
    gust = None if read.wind_gust is None else read.wind_gust.value("MPS")
    found: dict[str, Any] = {
        "wind_mps": speed,
        "gust_mps": gust if gust is None or speed is None else max(gust, speed),
        "wind_from_deg": None if read.wind_dir is None else float(read.wind_dir.value()),
        "visibility_m": None if read.vis is None else read.vis.value("M"),
        "temperature_k": None if read.temp is None else read.temp.value("K"),
        "dew_point_k": None if read.dewpt is None else read.dewpt.value("K"),
        "pressure_pa": None if read.press is None else 100.0 * read.press.value("HPA"),
    }
    if _NO_VISIBILITY in read.code.split():
        found["visibility_m"] = None
    covers = [layer[0] for layer in read.sky if layer[0] in _OKTAS]
    if covers:
        found["cloud_oktas"] = max(_OKTAS[cover] for cover in covers)
    # CAVOK says no cloud below 1500 m, and nothing of what is above: the cover stays unknown
    bases = [
        layer[1].value("M") for layer in read.sky if layer[0] in _CEILING and layer[1] is not None
    ]
    if bases:
        found["ceiling_m"] = min(bases)
    return {name: value for name, value in found.items() if value is not None}
