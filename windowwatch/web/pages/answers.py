"""The answer of a site in one sentence, and what else is to be known of it. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from windowwatch.scoring.compare import SiteSummary
from windowwatch.scoring.values import Hour, Site, Verdict
from windowwatch.web.values import Facts, stamp
from windowwatch.windows.values import Window, WindowState
from windowwatch.wording import page as words
from windowwatch.wording.causes import clauses
from windowwatch.wording.checks import refusal_words, worst_sentences
from windowwatch.wording.phrases import check_label, go_words, local_to, sentence
from windowwatch.wording.phrases import inside as inside_words

LIVE = (WindowState.OPEN, WindowState.SIGHTED)
_ORDER = {Verdict.GO: 3, Verdict.CAUTION: 2, Verdict.NO_GO: 1, Verdict.UNKNOWN: 0}


@dataclass(frozen=True)
class Answer:
    """What a site's card says: when, the sentence, where to look, and what else matters.

    `also` are its other windows, each with its address; `dues` what is to be decided.
    """

    headline: str
    sentence: str
    href: str | None
    asides: tuple[str, ...]
    also: tuple[tuple[str, str], ...]
    dues: tuple[str, ...]


def answer(
    facts: Facts,
    site: Site,
    key: str,
    hours: Sequence[Hour],
    windows: Sequence[Window],
    summary: SiteSummary,
    now: datetime,
) -> Answer:
    """The best window of a site, or the best hour, or why there is none.

    Parameters
    ----------
    facts : Facts
    site : Site
    key : str
        Stands for the site in addresses.
    hours : sequence of Hour
        All of the site.
    windows : sequence of Window
        Those of the site that can still be used.
    summary : SiteSummary
        Over the hours still to come.
    now : datetime
    """
    zone = words.zone_of(site)
    best = best_window(windows)
    coming = [h for h in hours if h.time_utc > now]
    others = sorted((w for w in windows if w is not best), key=lambda w: w.start_utc)
    earlier = [w for w in others if best is not None and w.start_utc < best.start_utc]
    if best is None:
        headline, said, href = _without_window(summary, coming, zone, key)
    else:
        headline, said = words.release_words(best, zone), _window_words(best, zone)
        said = f"{_why_it(best, earlier)}{said}"
        href = f"/windows/{best.uid}"
    return Answer(
        headline=headline,
        sentence=said,
        href=href,
        asides=_asides(best, coming, summary, zone),
        also=tuple(
            (
                f"/windows/{w.uid}",
                f"{words.release_words(w, zone)}: {words.chance_words(w.chance)}"
                + ("" if w.state is WindowState.OPEN else f", {w.state}"),
            )
            for w in others
        ),
        dues=tuple(
            words.due_words(d.name, due, now, zone)
            for d, due in (() if best is None else facts.due(best))
        ),
    )


def best_window(windows: Iterable[Window]) -> Window | None:
    """Open before sighted, then by chance, then by score."""
    return max(
        windows,
        key=lambda w: (w.state is WindowState.OPEN, w.chance or 0.0, w.best_score),
        default=None,
    )


def _why_it(best: Window, earlier: Sequence[Window]) -> str:
    """Why a window is the answer although another begins before it; empty where none does."""
    if not earlier:
        return ""
    alike = [
        w for w in earlier if (w.state is WindowState.OPEN) is (best.state is WindowState.OPEN)
    ]
    if not alike:
        return "named before an earlier one that is only sighted: "
    better = all((best.chance or 0.0) > (w.chance or 0.0) for w in alike)
    return f"named before an earlier one for its better {'chance' if better else 'score'}: "


def lead(windows: Sequence[Window], sites: dict[str, Site], now: datetime) -> str:
    """How many windows there are, and which begins first."""
    held = sum(w.state is WindowState.OPEN for w in windows)
    seen = len(windows) - held
    if not windows:
        return "No window is open or in sight."
    counts = [f"{held} window{'s are' if held != 1 else ' is'} open"] if held else []
    if seen:
        counts.append(f"{seen} sighted, not yet confirmed")
    first = min(windows, key=lambda w: (w.state is not WindowState.OPEN, w.start_utc))
    zone = words.zone_of(sites.get(first.site))
    when = words.ahead_words(first.start_utc, now)
    verb = "has begun" if when == "now" else f"begins {when}"
    span = words.release_words(first, zone)
    return f"{', '.join(counts)}. The next one {verb}: {first.site}, {span}."


def _window_words(best: Window, zone: tzinfo) -> str:
    at = best.best_hour_utc.astimezone(zone)
    lands = words.lands_words(best.drift_km, best.bearing_deg, best.road_km)
    mixed = go_words(best.go_hours, best.good_hours)
    known = "" if best.readable else ", as an earlier cycle had it"
    said = (
        f"chance {words.chance_words(best.chance)}, score {best.best_score:.0f} at "
        f"{at:%H:%M}{known}; {lands}{f'; {mixed}' if mixed else ''}."
    )
    return f"sighted, not yet confirmed; {said}" if best.state is WindowState.SIGHTED else said


def _without_window(
    summary: SiteSummary, coming: Sequence[Hour], zone: tzinfo, key: str
) -> tuple[str, str, str | None]:
    if summary.best:
        hour = max(summary.best, key=merit)
        said = (
            f"best single hour {words.moment_words(hour.time_utc, zone)}: {hour.verdict}, "
            f"score {words.score_words(hour.score)}, "
            f"{words.lands_words(hour.drift_km, hour.bearing_deg, hour.road_km)}."
        )
        return "No window", said, f"/hour/{key}/{stamp(hour.time_utc)}"
    if _all_unknown(coming):
        return "Not known", "no launch hour could be answered for.", None
    said = "every launch hour to come is no-go" if coming else "no launch hour is still to come"
    if summary.in_the_way:
        said += f"; mostly in the way: {check_label(summary.in_the_way)}"
    return "No window", f"{said}.", None


def _asides(
    best: Window | None, coming: Sequence[Hour], summary: SiteSummary, zone: tzinfo
) -> tuple[str, ...]:
    """What else is to be known of the answer, in small sentences."""
    if best is None:
        if summary.best:
            worst = worst_sentences(max(summary.best, key=merit))
            return (f"Held down most by: {inside_words(worst[0])}.",) if worst else ()
        refused = coming[0].refused if _all_unknown(coming) else None
        return () if refused is None else (sentence(refusal_words(refused)),)
    inside = [h for h in coming if best.start_utc <= h.time_utc < best.end_utc]
    kept = next((h for h in inside if h.time_utc == best.best_hour_utc), None)
    said = [] if kept is None else [sentence(words.agreement_words(kept))]
    if best.limited_by:
        held = inside_words(clauses(best.limited_by, local_to(zone)))
        said.append(f"Held down most by: {held}.")
    top = max(inside, key=merit, default=None)
    if top is not None and kept is not None and merit(top) > merit(kept):
        said.append(
            f"{top.time_utc.astimezone(zone):%H:%M} now scores {words.score_words(top.score)}: "
            "a window keeps its best hour until another is clearly better."
        )
    return tuple(each for each in said if each)


def merit(hour: Hour) -> tuple[int, float]:
    """What makes one hour better than another: the verdict, then the score."""
    return _ORDER[hour.verdict], hour.score or 0.0


def _all_unknown(coming: Sequence[Hour]) -> bool:
    return bool(coming) and all(h.verdict is Verdict.UNKNOWN for h in coming)
