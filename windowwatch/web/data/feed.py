"""Windows as a calendar (RFC 5545): the only module that knows icalendar."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta

from icalendar import Calendar, Event, vDuration, vText

from windowwatch.drawing.credits import NO_PERMISSION
from windowwatch.scoring.values import Site
from windowwatch.windows.values import Window, WindowState
from windowwatch.wording import page as words
from windowwatch.wording.causes import reason
from windowwatch.wording.phrases import local_to

#: How often calendars are asked to look again.
REFRESH = timedelta(hours=1)
_STATUS = {
    WindowState.OPEN: "CONFIRMED",
    WindowState.PAST: "CONFIRMED",
    WindowState.SIGHTED: "TENTATIVE",
    WindowState.CLOSED: "CANCELLED",
}


def windows_calendar(
    watch: str,
    histories: Iterable[Sequence[Window]],
    sites: Sequence[Site],
    stamped_utc: datetime,
    *,
    passes: Mapping[str, int] | None = None,
    notes: Sequence[str] = (),
) -> bytes:
    """A calendar with one event for each window.

    Parameters
    ----------
    watch : str
    histories : iterable of sequence of Window
        The versions of each window, oldest first. UID is the window's own; SEQUENCE rises by
        one with every version, so that a calendar takes the newest.
    sites : sequence of Site
    stamped_utc : datetime
        When the windows were worked out.
    passes : mapping of str to int, optional
        How often each cycle was passed, by its id: a further pass of a cycle takes the place of
        a version, and must rise above it.
    notes : sequence of str
        Whose weather and map it is, and what else must be said of the whole.
    """
    known = {site.name: site for site in sites}
    calendar = Calendar()
    calendar.add("prodid", "-//windowwatch//launch windows//EN")
    calendar.add("version", "2.0")
    calendar.add("x-wr-calname", f"Launch windows, {watch}")
    calendar.add("refresh-interval", vDuration(REFRESH), parameters={"VALUE": "DURATION"})
    calendar.add("x-published-ttl", vDuration(REFRESH))
    if notes:
        calendar.add("x-wr-caldesc", " ".join(notes))
    for history in histories:
        number = sum((passes or {}).get(version.cycle_id, 1) for version in history) - 1
        event = _event(history[-1], known.get(history[-1].site), stamped_utc)
        event.add("sequence", number)
        calendar.add_component(event)
    feed: bytes = calendar.to_ical()
    return feed


def _event(window: Window, site: Site | None, stamped_utc: datetime) -> Event:
    event = Event()
    event.add("uid", f"{window.uid}@windowwatch")
    event.add("dtstamp", stamped_utc)
    event.add("dtstart", window.start_utc)
    event.add("dtend", window.end_utc)
    event.add("status", _STATUS[window.state])
    event.add("transp", "TRANSPARENT")
    event.add("summary", f"{window.site}: launch window {window.state}")
    event.add("location", window.site)
    zone = words.zone_of(site)
    lands = words.lands_words(window.drift_km, window.bearing_deg, window.road_km)
    text = (
        f"Best at {words.moment_words(window.best_hour_utc, zone)} ({zone}): score "
        f"{words.score_words(window.best_score)}, chance {words.chance_words(window.chance)}; "
        f"{lands}. {reason(window.limited_by, local_to(zone))} {NO_PERMISSION}"
    )
    event.add("description", vText(text.replace("\xa0", " ")))
    if site is not None:
        event.add("geo", (site.latitude_deg, site.longitude_deg))
    return event
