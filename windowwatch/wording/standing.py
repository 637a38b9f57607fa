"""How hours, launches and the week stand, in words: the same ones wherever they are read. Pure."""

from collections.abc import Sequence
from datetime import datetime, timedelta, tzinfo

from windowwatch.scoring.values import Hour, Verdict
from windowwatch.windows.sites import Head, SiteSummary
from windowwatch.windows.standing import Launch, Place, Standing, Week, is_no_go_by_chance
from windowwatch.windows.values import Window, WindowState
from windowwatch.windows.window import WindowRules
from windowwatch.wording.page import (
    ahead_words,
    chance_words,
    moment_words,
    release_words,
    score_words,
)
from windowwatch.wording.phrases import check_label, length, percent, sentence

_PLACES = {
    Place.SIGHTED: "in a window not yet confirmed",
    Place.CLOSED: "but its window is closed",
    Place.TOO_SHORT: "but alone too short",
    Place.TOO_WEAK: "but too weak to open a window",
    Place.APART: "but in no window",
    Place.OVER: "but it has gone by",
}
#: The same for a column of a table.
_SHORT_PLACES = {
    Place.SIGHTED: "window sighted",
    Place.CLOSED: "window closed",
    Place.TOO_SHORT: "but alone too short",
    Place.TOO_WEAK: "no window",
    Place.APART: "no window",
    Place.OVER: "gone by",
}


def place_words(hour: Hour, standing: Standing, *, short: bool = False) -> str:
    """What follows the verdict of an hour that is go or caution: ``but alone too short``.

    Empty inside an open window, and for an hour that is no-go or not known.
    """
    if hour.verdict not in (Verdict.GO, Verdict.CAUTION):
        return ""
    return (_SHORT_PLACES if short else _PLACES).get(standing.place, "")


def verdict_words(hour: Hour, standing: Standing) -> str:
    """``go``; ``go, but alone too short``."""
    beside = place_words(hour, standing)
    return f"{hour.verdict}, {beside}" if beside else str(hour.verdict)


def standing_words(hour: Hour, standing: Standing, rules: WindowRules) -> str:
    """Why an hour cannot be planned on although it looks good, in a sentence; else empty."""
    if is_no_go_by_chance(hour, rules):
        return chance_no_go_words(hour, rules)
    match standing.place:
        case Place.TOO_SHORT if standing.in_a_row is not None:
            return (
                f"Alone too short: {length(standing.in_a_row)} of good hours in a row, a window "
                f"needs {length(rules.min_length)}."
            )
        case Place.TOO_WEAK if hour.verdict in (Verdict.GO, Verdict.CAUTION):
            return (
                "It lies in no window: to open one takes a score of "
                f"{rules.open_score:.0f} and a chance of {percent(rules.open_chance)}"
                f"{'' if rules.accept_caution else ', and a verdict of go'}."
            )
        case Place.CLOSED if hour.verdict in (Verdict.GO, Verdict.CAUTION):
            return "Its window is closed: do not plan on it."
        case Place.SIGHTED:
            return "Its window is sighted, not yet confirmed."
        case _:
            return ""


def chance_no_go_words(hour: Hour, rules: WindowRules) -> str:
    """Why an hour is no-go though its score is not."""
    return (
        f"No-go for its chance: {percent(hour.chance)}, under the closing chance of "
        f"{percent(rules.close_chance)}."
    )


def clock_words(moment: datetime, beside: datetime, zone: tzinfo) -> str:
    """``06:00``; with its day where that is not the day of a time beside it."""
    there = moment.astimezone(zone)
    if there.date() == beside.astimezone(zone).date():
        return f"{there:%H:%M}"
    return moment_words(moment, zone)


def kept_words(window: Window, zone: tzinfo) -> str:
    """``planned 12:00``: the hour that a window keeps."""
    return f"planned {clock_words(window.best_hour_utc, window.start_utc, zone)}"


def planned_words(launch: Launch, zone: tzinfo) -> str:
    """As `kept_words`; once that hour has gone by, with the best one still to come."""
    window = launch.window
    planned = kept_words(window, zone)
    if launch.as_planned:
        return planned
    return (
        f"{planned} has gone by, best still to come "
        f"{clock_words(launch.time_utc, window.start_utc, zone)}"
    )


def now_best_words(launch: Launch, zone: tzinfo) -> str:
    """``now best: 06:00, 92``; empty where no hour does better than the planned one."""
    if launch.now_best is None:
        return ""
    return _now_best(launch.now_best.time_utc, launch.now_best.score, launch.window, zone)


def told_best_words(window: Window, zone: tzinfo) -> str:
    """As `now_best_words`, of a window as a pass left it."""
    if window.now_best_utc is None:
        return ""
    return _now_best(window.now_best_utc, window.now_best_score, window, zone)


def _now_best(moment: datetime, score: float | None, window: Window, zone: tzinfo) -> str:
    return f"now best: {clock_words(moment, window.start_utc, zone)}, {score_words(score)}"


def end_words(window: Window, zone: tzinfo) -> str:
    """``last release 14:00, window ends 15:00``: two times, and each by its name."""
    first = window.start_utc
    return (
        f"last release {clock_words(window.last_release_utc, first, zone)}, "
        f"window ends {clock_words(window.end_utc, first, zone)}"
    )


def figures_words(launch: Launch) -> str:
    """``chance 91 %, score 87``, marked where an earlier cycle gave them."""
    known = "" if launch.window.readable else ", as an earlier cycle had it"
    return f"chance {chance_words(launch.chance)}, score {launch.score:.0f}{known}"


def launch_words(launch: Launch, zone: tzinfo) -> str:
    """``Brackwater, Fri 8 May, release 09:00 to 14:00, planned 12:00: chance 91 %, score 87``."""
    window = launch.window
    better = now_best_words(launch, zone)
    state = "" if window.state is WindowState.OPEN else "; sighted, not yet confirmed"
    return (
        f"{window.site}, {release_words(window, zone)}, {planned_words(launch, zone)}: "
        f"{figures_words(launch)}{f'; {better}' if better else ''}{state}"
    )


def setup_words(launch: Launch, setup_min: float, now: datetime, zone: tzinfo) -> str:
    """``set-up begins Fri 8 May 11:00 (in 12 h)``."""
    begins = launch.setup_utc(setup_min)
    when = moment_words(begins, zone)
    if begins <= now:
        return f"set-up has begun by plan, {when}"
    return f"set-up begins {when} ({ahead_words(begins, now)})"


def week_lines(
    week: Week, zones: dict[str, tzinfo], setup_min: float
) -> tuple[tuple[str, str, Launch], ...]:
    """The first lines of the week: name, words and launch of the best and of the soonest.

    One line where both are the same; none where there is no window.
    """
    best, soonest = week.best, week.soonest
    if best is None or soonest is None:
        return ()

    def line(name: str, launch: Launch, *, setup: bool) -> tuple[str, str, Launch]:
        zone = zones[launch.window.site]
        begins = setup_words(launch, setup_min, week.now_utc, zone)
        said = launch_words(launch, zone)
        return name, sentence(f"{said}; {begins}" if setup else said), launch

    if best is soonest:
        return (line("Best and soonest", best, setup=True),)
    return line("Best of the week", best, setup=False), line("Soonest", soonest, setup=True)


def count_words(launches: Sequence[Launch]) -> str:
    """How many windows there are, in a sentence."""
    held = sum(each.window.state is WindowState.OPEN for each in launches)
    seen = len(launches) - held
    if not launches:
        return "No window is open or in sight."
    counts = [f"{held} window{'s are' if held != 1 else ' is'} open"] if held else []
    if seen:
        more = f"window{'s' * (seen != 1)} " * (not held)
        counts.append(f"{seen} {more}sighted, not yet confirmed")
    return sentence(", ".join(counts))


def head_words(head: Head, zone: tzinfo) -> str:
    """What is to be said beside the hour that heads a day; empty for a planned hour as such."""
    said = [] if head.planned else ["not planned, the best of its window on this day"]
    if head.launch.window.state is not WindowState.OPEN:
        said.append("sighted, not yet confirmed")
    if head.planned and (better := now_best_words(head.launch, zone)):
        said.append(better)
    return "; ".join(said)


def site_words(summary: SiteSummary) -> str:
    """A site over all its hours to come, in one sentence for the ranking."""
    go, days = summary.go_hours, summary.go_days
    words = [f"{go} go hour{'s' * (go != 1)} in its windows, on {days} day{'s' * (days != 1)}"]
    if summary.chance_any is not None:
        chance = percent(summary.chance_any)
        words.append(f"chance of at least one {chance} (taking days as independent)")
    if summary.in_the_way is not None:
        words.append(f"mostly in the way: {check_label(summary.in_the_way)}")
    return f"{summary.site}: {', '.join(words)}."


def alone_words(hours: int) -> str:
    """``3 more hours are go or caution, but lie in no window``; empty for none."""
    if not hours:
        return ""
    verb = "hour is" if hours == 1 else "hours are"
    lie = "lies" if hours == 1 else "lie"
    return f"{hours} more {verb} go or caution, but {lie} in no window"


def until_words(wait: timedelta) -> str:
    """How long after the planned release, for narrow columns: ``+1 h``, ``plan``."""
    minutes = round(wait / timedelta(minutes=1))
    if minutes == 0:
        return "plan"
    sign, hours, rest = "+" if minutes > 0 else "−", abs(minutes) // 60, abs(minutes) % 60
    return f"{sign}{hours} h" if not rest else f"{sign}{hours}:{rest:02d} h"
