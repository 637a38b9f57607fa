"""Small words of page and terminal: times, distances and marks, each said one way. Pure."""

import re
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta, tzinfo
from math import atan2, ceil, cos, degrees, hypot, radians
from zoneinfo import ZoneInfo

from windowwatch.errors import InputError
from windowwatch.forecast.cycle import Cycle
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.values import Check, Drive, Hour, HourDetail, Site, Verdict
from windowwatch.windows.values import Window
from windowwatch.wording.phrases import check_label as check_label  # said one way everywhere
from windowwatch.wording.phrases import compass, length, percent

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

_KM_PER_DEG = 111.19  # of latitude, on the mean sphere

#: A verdict is told apart by its mark, never by colour alone.
MARKS = {Verdict.GO: "●", Verdict.CAUTION: "◐", Verdict.NO_GO: "×", Verdict.UNKNOWN: "?"}

#: An absolute path, of POSIX or Windows, and the `name` at its end. Folders may have blanks in
#: their names; what follows a file's name and a blank is no part of it.
_PATH = re.compile(
    r"""(?:(?<![\w/.])|(?<=//))/(?:(?![^/\n]*\.\w+\s)[^/\n:;,"'()]+/)*(?P<name>[^\s/:;,"'()]+)"""
    r"""|(?:\b[A-Za-z]:|(?<!\S)\\)\\(?:[^\\\n:;,"'()]+\\)*(?P<named>[^\s\\:;,"'()]+)"""
)


def without_folders(text: str) -> str:
    """A text in which of every absolute path only the file's name is left.

    Where a machine keeps its files is nothing that a page tells. Addresses stay as they are.
    """
    return _PATH.sub(lambda found: found["name"] or found["named"], text)


def zone_of(site: Site | None) -> tzinfo:
    """Time zone in which a site's times are read aloud; UTC for no site."""
    return UTC if site is None else ZoneInfo(site.time_zone)


def day_words(day: date) -> str:
    """``Fri 8 May``."""
    return f"{_DAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]}"


def moment_words(moment: datetime, zone: tzinfo) -> str:
    """``Fri 8 May 06:00`` in a zone."""
    there = moment.astimezone(zone)
    return f"{day_words(there.date())} {there:%H:%M}"


def utc_words(moment: datetime) -> str:
    """``Fri 8 May 08:00 UTC``."""
    return f"{moment_words(moment, UTC)} UTC"


def span_words(start: datetime, end: datetime, zone: tzinfo) -> str:
    """``Fri 8 May 06:00–16:00``; the second day only where it differs."""
    first, last = start.astimezone(zone), end.astimezone(zone)
    if first.date() == last.date():
        return f"{moment_words(start, zone)}–{last:%H:%M}"
    return f"{moment_words(start, zone)}–{moment_words(end, zone)}"


def length_words(length: timedelta) -> str:
    """``25 min``, ``4 h``, ``3 days 5 h``: rounded to what matters."""
    minutes = length.total_seconds() / 60.0
    if minutes < 90.0:
        return f"{max(0, round(minutes))} min"
    hours = round(minutes / 60.0)
    if hours < 48:
        return f"{hours} h"
    days, left = divmod(hours, 24)
    return f"{days} days {left} h" if left else f"{days} days"


def km_words(distance_km: float) -> str:
    """``0.4 km``, ``65 km``."""
    return f"{distance_km:.1f}\xa0km" if distance_km < 9.95 else f"{distance_km:.0f}\xa0km"


def windows_words(count: int, together_h: float, longest_h: float) -> str:
    """``none``, ``1, 4 h``, ``3, together 9 h, the longest 5 h``."""
    if count < 2:
        return f"1, {together_h:g}\xa0h" if count else "none"
    return f"{count}, together {together_h:g}\xa0h, the longest {longest_h:g}\xa0h"


def walk_words(walk_min: float | None) -> str:
    """``12 min``; empty when it is not known."""
    return "" if walk_min is None else f"{walk_min:.0f}\xa0min"


def crew_words(crew_min: float | None) -> str:
    """How a crew stands to the landing: ``12 min before``; empty when it is not known."""
    if crew_min is None:
        return ""
    whole = round(crew_min)
    side = "before" if whole < 0 else "after"
    return f"{abs(whole)}\xa0min {side} the landing" if whole else "with the landing"


def lands_words(
    drift_km: float | None, bearing_deg: float | None, road_km: float | None = None
) -> str:
    """``lands 65 km east, 1.3 km from a road``; what is not known is said so."""
    if drift_km is None or bearing_deg is None:
        return "where it lands is not known"
    words = f"lands {km_words(drift_km)} {compass(bearing_deg)}"
    return words if road_km is None else f"{words}, {km_words(road_km)} from a road"


def flights_words(share: float) -> str:
    """``9 of 10 flights``; a share that is no whole number of tenths in percent."""
    tenths = round(10.0 * share, 6)
    return f"{tenths:.0f} of 10 flights" if tenths.is_integer() else f"{100 * share:g} % of flights"


def score_words(score: float | None) -> str:
    """Whole score, or a dash."""
    return "–" if score is None else f"{score:.0f}"


def chance_words(share: float | None) -> str:
    """Share in percent, never 100 % unless it is so."""
    return percent(share).replace(" %", "\xa0%")


def cycle_words(cycle_id: str) -> str:
    """``Mon 4 May 18:00 UTC`` of a cycle's id, which ends in its time; else the id."""
    try:
        return utc_words(Cycle.of_id(cycle_id).reference_utc)
    except InputError:
        return cycle_id


def agreement_words(hour: Hour) -> str:
    """``2 of 3 models say go; north no-go``; empty where only one model is asked."""
    if not hour.others:
        return ""
    own = hour.own_verdict or hour.verdict
    apart = [o for o in hour.others if o.verdict is not own]
    alike, asked = len(hour.others) + 1 - len(apart), len(hour.others) + 1
    if not apart:
        return f"all {asked} models say {own}"
    other = ", ".join(f"{o.model} {o.verdict}" for o in apart)
    return f"{alike} of {asked} models {'says' if alike == 1 else 'say'} {own}; {other}"


def models_differ(hour: Hour) -> bool:
    """Whether some models would launch in an hour and others would not."""
    said = {hour.own_verdict or hour.verdict, *(other.verdict for other in hour.others)}
    said -= {Verdict.UNKNOWN}
    return Verdict.NO_GO in said and len(said) > 1


def release_words(window: Window, zone: tzinfo) -> str:
    """``Fri 8 May, release 06:00 to 10:00``: first and last good launch hour."""
    first, last = (t.astimezone(zone) for t in (window.start_utc, window.last_release_utc))
    if first == last:
        return f"{day_words(first.date())}, release {first:%H:%M}"
    if first.date() == last.date():
        return f"{day_words(first.date())}, release {first:%H:%M} to {last:%H:%M}"
    return f"release {moment_words(first, zone)} to {moment_words(last, zone)}"


def number_words(check: Check, value: float | None) -> str:
    """A number of a check with the decimals that its kind is read to; a dash when unknown."""
    if value is None:
        return "–"
    kind = LIMITS.get(check.name)
    decimals = 1 if kind is None else kind.decimals
    return f"{value:.{decimals}f}".removesuffix(".0").replace("-", "−")


#: Units of time, in minutes, and from how many of them on a number is read as a length of time.
_TIME_MIN, _LONG = {"min": 1.0, "h": 60.0}, {"min": 120.0, "h": 48.0}


def is_long(check: Check) -> bool:
    """Whether the numbers of a check are times too long to be read in its own unit."""
    seen = (check.value, check.fine, check.limit)
    return check.unit in _LONG and any(
        value is not None and abs(value) >= _LONG[check.unit] for value in seen
    )


def reading_words(check: Check, value: float | None) -> str:
    """A number of a check as tables show it: a long time as ``2 days 7 h`` or ``3 h 20 min``."""
    if value is None or not is_long(check):
        return number_words(check, value)
    sign = "−" if value < 0.0 else ""
    said = length(timedelta(minutes=value * _TIME_MIN[check.unit]))
    return sign + said


def is_none(check: Check) -> bool:
    """Whether there is none of what a check is about, such as a cloud ceiling."""
    kind = LIMITS.get(check.name)
    return kind is not None and check.value is not None and check.value >= kind.none_from


def value_words(check: Check) -> str:
    """The value of a check, or that there is none of what it is about."""
    return "none" if is_none(check) else number_words(check, check.value)


def margin_words(check: Check) -> str:
    """How far the value is from the limit; a dash where there is none of it to be far from."""
    return "–" if is_none(check) else number_words(check, check.margin)


def is_night(hour: Hour) -> bool:
    """Whether an hour is vetoed for want of daylight."""
    return any(c.name == "daylight" and c.verdict is Verdict.NO_GO for c in hour.checks)


def ahead_words(moment: datetime, now: datetime) -> str:
    """``in 12 h``, or ``now`` for what has begun."""
    wait = moment - now
    if wait <= timedelta(0):
        return "now"
    return f"in {length_words(timedelta(minutes=ceil(wait.total_seconds() / 60)))}"


def both_words(moment: datetime, zone: tzinfo | None) -> str:
    """``Fri 8 May 06:00 local (08:00 UTC)``; UTC's day only where it differs, UTC alone without."""
    if zone is None:
        return utc_words(moment)
    there, utc = moment.astimezone(zone), moment.astimezone(UTC)
    beside = f"{utc:%H:%M} UTC" if there.date() == utc.date() else utc_words(moment)
    return f"{moment_words(moment, zone)} local ({beside})"


def due_words(name: str, due: datetime, now: datetime, zone: tzinfo) -> str:
    """``tell air traffic by Thu 7 May 06:00 (in 9 h)``; what is past is overdue."""
    when = "overdue" if due <= now else ahead_words(due, now)
    return f"{name} by {moment_words(due, zone)} ({when})"


def map_words(site: Site, footprint: Footprint, detail: HourDetail | None = None) -> str:
    """Say in words what the map of an hour shows."""
    where = _from_site(site, footprint.latitude_deg, footprint.longitude_deg)

    def size(major_m: float, minor_m: float) -> str:
        return f"{major_m / 500.0:.0f} by {minor_m / 500.0:.0f} km"

    said = [
        f"Map of the landing: the middle of the footprint lies {where} of {site.name}, at "
        f"{place_words(footprint.latitude_deg, footprint.longitude_deg)}.",
        f"Half of the flights land in an ellipse of "
        f"{size(footprint.major_50_m, footprint.minor_50_m)}, nine in ten in one of "
        f"{size(footprint.major_90_m, footprint.minor_90_m)}, its long axis towards "
        f"{compass(footprint.bearing_deg)}. {footprint.flights} flights were counted.",
    ]
    if detail is not None and detail.track is not None:
        track, i = detail.track, detail.track.burst_index
        after = (track.time_unix_s[i] - track.time_unix_s[0]) / 60.0
        where = _from_site(site, track.latitude_deg[i], track.longitude_deg[i])
        said.append(
            f"The middle flight bursts {after:.0f} min after the release at "
            f"{track.height_m[i] / 1000.0:.1f} km, {where} of the site."
        )
    if detail is not None and detail.drive is not None:
        said.append(drive_words(detail.drive))
    return " ".join(said)


def drive_words(drive: Drive) -> str:
    """``The crew drives 1 h 14 min from Millfield.``"""
    return f"The crew drives {length(timedelta(minutes=drive.minutes))} from {drive.start}."


def _from_site(site: Site, latitude_deg: float, longitude_deg: float) -> str:
    east_km = _KM_PER_DEG * cos(radians((latitude_deg + site.latitude_deg) / 2.0))
    turn = (longitude_deg - site.longitude_deg + 180.0) % 360.0 - 180.0
    x, y = turn * east_km, (latitude_deg - site.latitude_deg) * _KM_PER_DEG
    return f"{km_words(hypot(x, y))} {compass(degrees(atan2(x, y)))}"


def place_words(latitude_deg: float, longitude_deg: float) -> str:
    """``45.669° N, 35.787° W``."""
    return (
        f"{abs(latitude_deg):.3f}° {'N' if latitude_deg >= 0 else 'S'}, "
        f"{abs(longitude_deg):.3f}° {'E' if longitude_deg >= 0 else 'W'}"
    )


#: What each sign of a map means, by its name; and the letter at the arrow to the north.
SIGNS = {
    "site": "site",
    "up": "up, minutes",
    "burst": "burst",
    "down": "down",
    "way": "from site to landing",
    "burst_90": "90 % burst inside",
    "centre": "middle of the landings",
    "landing": "a landing",
    "in_50": "50 % land inside",
    "in_90": "90 %",
    "drive": "the crew's drive",
    "crew": "where it stands by",
    "park": "to here by road",
    "airspace": "airspace",
    "open": "airspace that may be entered",
    "permitted": "permitted area",
    "announced": "area that was announced",
    "landed": "landed",
    "water": "water",
    "shun": "town, works, closed land",
    "forest": "forest",
    "wetland": "wetland",
    "roads": "roads, tracks",
}
NORTH = "N"
#: Layers of the map that can be moved, by their names, the lowest first.
LAYERS = {
    "areas": "water, towns, woods",
    "roads": "roads",
    "permitted": "permitted area",
    "airspace": "airspace",
    "drive": "the crew's drive",
    "inside": "50 % and 90 % of landings",
    "landings": "single landings",
    "bursts": "where balloons burst",
    "flight": "the middle flight",
}


def burst_mark(height_m: float) -> str:
    """``burst 31 km``, beside its sign on a map."""
    return f"burst {height_m / 1000.0:.0f} km"


def minute_mark(minutes: int) -> str:
    """``30 min`` after the release, beside a flight on a map."""
    return f"{minutes} min"


def touched_words(names: Sequence[str]) -> str:
    """``The 90 % ring touches: Marrowby, Sound TMA.``; empty where it touches nothing named."""
    return f"The 90\xa0% ring touches: {', '.join(names)}." if names else ""


def bar_mark(length_km: int) -> str:
    """``20 km``, beside the scale bar of a map."""
    return f"{length_km} km"
