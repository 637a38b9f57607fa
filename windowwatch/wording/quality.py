"""How good a window is, and where it lands, in the words of notices. Pure."""

from datetime import timedelta

from windowwatch.scoring.detail import Drive
from windowwatch.windows.values import Window
from windowwatch.wording.phrases import compass, length, percent

#: Share of computed flights in words, from which share on; as it is shown, in whole percent.
_SHARES = (
    (1.0, "all flights are"),
    (0.95, "nearly all flights are"),
    (0.75, "most flights are"),
    (0.55, "more than half of the flights are"),
    (0.45, "about half of the flights are"),
    (0.2, "fewer than half of the flights are"),
    (0.0, "few flights are"),
)


def how_good(window: Window) -> str:
    """``Score 78 of 100. Chance 80 %: most flights are go.``"""
    known = "" if window.readable else " as last known"
    return f"Score {window.best_score:.0f} of 100{known}. {_chance(window.chance)}"


def _chance(chance: float | None) -> str:
    if chance is None:
        return "Chance not known."
    if chance == 0.0:
        return f"Chance {percent(chance)}: no flight is go."
    shown = 1.0 if chance == 1.0 else min(round(chance, 2), 0.99)
    words = next(words for bound, words in _SHARES if shown >= bound)
    return f"Chance {percent(chance)}: {words} go."


def landing(window: Window, drive: Drive | None = None) -> str:
    """``Lands 42 km north-east of the site, 1.2 km from a road; 1 h by road from the depot.``

    The drive begins where the crew stands by, which need not be the site: it is named.
    """
    if window.drift_km is None or window.bearing_deg is None:
        return "Where it lands is not known."
    where = f"Lands {km(window.drift_km)} {compass(window.bearing_deg)} of the site, "
    road = (
        "distance to a road not known"
        if window.road_km is None
        else (f"{km(window.road_km)} from a road")
    )
    return f"{where}{road}{'' if drive is None else f'; {drive_words(drive)}'}."


def drive_words(drive: Drive) -> str:
    """``4 h 41 min by road from Marrowby depot``."""
    return f"{length(timedelta(minutes=drive.minutes))} by road from {drive.start}"


def km(distance: float) -> str:
    """``4.2 km``, ``42 km``."""
    return f"{distance:.1f} km" if distance < 9.95 else f"{distance:.0f} km"
