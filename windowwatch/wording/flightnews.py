"""What happened to a followed flight as a notice: what, where, and one thing to do. Pure."""

from windowwatch.chase.values import Happened
from windowwatch.windows import causes as c
from windowwatch.windows.values import Change
from windowwatch.wording.chase import height_words, place_words
from windowwatch.wording.phrases import Times, compass, percent, sentence

#: What to do, one thing for each; common practice, no source.
_TO_DO = {
    Happened.RELEASED: "Crews: say where you are, and drive to where the page sends you.",
    Happened.BURST: "Crews: be where you are to wait; look up only when you stand still.",
    Happened.MOVED: "Crews: look at the page for where to wait now; read it when you stand still.",
    Happened.WATER: "Director: call whoever has the boat; nobody swims for it.",
    Happened.SILENT: "Crews: go on to where it should land; point the antenna there.",
    Happened.DOWN: "Crews: drive to the road by the landing; ask the landowner before you walk.",
    Happened.FOUND: "Crews: drive home rested; tell air traffic that it is down.",
    Happened.GIVEN_UP: "Crews: stop the search and come home.",
}


def _news(change: Change) -> c.FlightNews | None:
    return next((each for each in change.causes if isinstance(each, c.FlightNews)), None)


def flight_title(change: Change) -> str:
    """``BURST: Skerra 7``."""
    news = _news(change)
    if news is None:
        return "FLIGHT"
    head = "LANDS ON WATER?" if news.happened == Happened.WATER else news.happened.upper()
    return f"{head}: {news.name}"


def flight_lines(change: Change, times: Times, page_url: str | None) -> list[tuple[str, str]]:
    """Lines in the order they are read, each with what the long text has in its place."""
    news = _news(change)
    if news is None:
        return []
    page = f"/flights/{news.flight}"
    lines = [sentence(news_words(news, times)), *_where(news, times)]
    said = [(line, "") for line in lines]
    to_do = _TO_DO[Happened(news.happened)]
    link = "" if page_url is None else f"{to_do} {page_url}{page}"
    return [*said, (to_do, link)]


def news_words(news: c.FlightNews, times: Times) -> str:
    """What happened, and when."""
    at = times(news.at_utc, news.at_utc)
    match Happened(news.happened):
        case Happened.RELEASED:
            return f"{news.name} flies since {at}"
        case Happened.BURST:
            high = "" if news.height_m is None else f", at {height_words(news.height_m)} or higher"
            return f"{news.name} has burst, {at}{high}"
        case Happened.MOVED:
            far = "" if news.km is None else f" by {news.km:.1f} km"
            way = "" if news.bearing_deg is None else f" to the {compass(news.bearing_deg)}"
            return f"the landing of {news.name} moved{far}{way}, by the report of {at}"
        case Happened.WATER:
            return f"{news.name} may land on water: {percent(news.chance)} of its landings do"
        case Happened.SILENT:
            return f"nothing is heard of {news.name} since {at}"
        case Happened.DOWN:
            return f"{news.name} is down, {at}"
        case Happened.FOUND:
            return f"{news.name} was found {at} by {news.by}"
        case Happened.GIVEN_UP:
            return f"{news.name} was given up {at} by {news.by}"


def _where(news: c.FlightNews, times: Times) -> list[str]:
    """Where it lands, was or lies; and when it lands."""
    if news.latitude_deg is None or news.longitude_deg is None:
        return []
    place = place_words(news.latitude_deg, news.longitude_deg)
    happened = Happened(news.happened)
    when = ""
    if news.landing_utc is not None:
        when = f" about {times(news.landing_utc, news.landing_utc)}"
    if happened is Happened.SILENT:
        was = f"Last heard at {place}, {height_words(news.height_m)}."
        return [was, f"It should land{when}."] if when else [was]
    if happened is Happened.DOWN:
        return [f"It lies near {place}."]
    if happened in (Happened.FOUND, Happened.GIVEN_UP):
        return [f"At {place}."]
    wet = ""
    if news.chance is not None and happened is not Happened.WATER and news.chance >= 0.05:
        wet = f"; on water {percent(news.chance)}"
    return [f"Lands at {place}{when}{wet}."]
