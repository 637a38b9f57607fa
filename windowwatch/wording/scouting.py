"""What is said of a scouted region: the places, what limits them, and a place as a site. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from zoneinfo import ZoneInfo

from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.values import Verdict
from windowwatch.scouting.values import (
    FLIGHTS,
    LeftOut,
    Place,
    PlaceHours,
    RunState,
    Scouting,
    ScoutRun,
    Skipped,
    Unasked,
)
from windowwatch.wording.page import (
    MARKS,
    chance_words,
    cycle_words,
    km_words,
    moment_words,
    place_words,
    score_words,
    without_folders,
)
from windowwatch.wording.phrases import check_label, compass, percent

#: What to bear in mind wherever places are told.
CAUTION = (
    "A place on the map is no permission. Ask whoever owns the land, look at wires and trees "
    "there, and keep to the rules of your authority."
)
#: What a new site needs besides its block.
AFTERWARDS = (
    "Put a block into your settings file under a name of its own, and build the ground file again "
    "(windowwatch ground build): it then has drives from there."
)
#: What the signs of a map of places mean.
PLACE_SIGNS = {
    Verdict.GO: "go; larger: more chance",
    Verdict.CAUTION: "caution",
    Verdict.NO_GO: "no-go",
    Verdict.UNKNOWN: "unknown",
}
GO_INSIDE_SIGN = "go; larger: more landings inside"
#: Where landings are wanted, and what was scouted, as maps draw them.
REGION_SIGN, LAND_IN_SIGN = "region", "landings wanted"
#: In which order places are told.
ORDER = "Go stands before caution, then the greater chance, then the higher score."
ORDER_INSIDE = (
    "Go stands before caution, then more landings where they are wanted, then the greater chance."
)
#: What is said where a scouting is not of the newest forecast, or of hours that are over.
OLD = "A newer forecast has come since: this is what the one before said. Scout again."
OVER = "All launch hours of the last scouting are over. Scout again: windowwatch scout."
#: Where landings are wanted, when it was not a file that said so.
WANTED = "the wanted area"
_RUNS = {
    RunState.FAILED: "The last scouting failed: {error}.",
    RunState.ENDED: "The last scouting was ended before its end.",
    RunState.STOPPED: "The last scouting was ended, for the watch was stopped. Start it again.",
    RunState.DIED: "The last scouting died: nothing is heard of it since {seen}. Start it again.",
}
_LEFT_OUT = {
    LeftOut.OFF_MAP: "off the map",
    LeftOut.BUILT_UP: "on built-up land",
    LeftOut.NO_GO: "in works, aerodromes or closed land",
    LeftOut.COVERED: "in forest, wetland or water",
    LeftOut.AIRSPACE: "under closed airspace that reaches the ground",
    LeftOut.NOT_PERMITTED: "outside the permitted area",
    LeftOut.CLOSE: "too near to another place",
}
_UNASKED = {
    Unasked.NO_ROADS: "the ground file keeps no roads to drive from a new place",
    Unasked.FINER: "its air near the ground is not read at new places; the deciding model answers",
    Unasked.OTHERS: "other models are not heard; the chance is the deciding model's alone",
}


@dataclass(frozen=True)
class PlaceRow:
    """A place at one of its hours, in words.

    `letter` tells it on maps; `why` is what is most in the way, `inside` how many flights land
    where it is wanted.
    """

    letter: str
    name: str
    where: str
    when: str
    mark: str
    verdict: str
    score: str
    chance: str
    lands: str
    why: str
    inside: str
    go_hours: int


def letter_of(number: int) -> str:
    """``A`` for the first of the best, and so on."""
    return chr(ord("A") + number) if number < 26 else str(number + 1)


def place_row(scouting: Scouting, each: PlaceHours, hour: int, letter: str = "") -> PlaceRow:
    """A place at one hour."""
    place, verdict = scouting.places[each.place], each.verdict(hour)
    inside = each.inside[hour]
    return PlaceRow(
        letter=letter,
        name=place.name,
        where=place_words(place.latitude_deg, place.longitude_deg),
        when=moment_words(scouting.times_utc[hour], ZoneInfo(place.time_zone)),
        mark=MARKS[verdict],
        verdict=str(verdict),
        score=score_words(each.score[hour]),
        chance="–" if each.chance[hour] is None else chance_words(each.chance[hour]),
        lands=_lands(each.drift_km[hour], each.bearing_deg[hour]),
        why=why_words(each, hour),
        inside="–" if inside is None else chance_words(inside),
        go_hours=each.verdicts.count("g"),
    )


def _lands(drift_km: float | None, bearing_deg: float | None) -> str:
    if drift_km is None or bearing_deg is None:
        return "–"
    initials = "".join(word[0] for word in compass(bearing_deg).split("-")).upper()
    return f"{km_words(drift_km)} {initials}"


def limit_words(name: str | None) -> str:
    """What is in the way, by the name of its check."""
    if name is None:
        return "nothing"
    return "too few landings known" if name == FLIGHTS else check_label(name)


def why_words(each: PlaceHours, hour: int) -> str:
    """What is most in the way at an hour, with its value where there is one."""
    name, value = each.limit[hour], each.value[hour]
    if name is None:
        return "all is well within the limits"
    if each.in_the_dark(hour):
        return "in the dark"
    kind = LIMITS.get(name)
    if value is None or kind is None:
        unknown = each.verdict(hour) is Verdict.UNKNOWN
        return f"{limit_words(name)}{' not known' if unknown and name != FLIGHTS else ''}"
    unit = "" if kind.unit == "" else f"\xa0{kind.unit}"
    return f"{limit_words(name)} {value:.{kind.decimals}f}{unit}"


def region_words(scouting: Scouting) -> str:
    """``within 80 km of 46.100° N, 36.200° W``, or the name of its file."""
    asked = scouting.asked
    if asked.radius_km is None:
        return f"in {asked.region or 'the region on the map'}"
    middle = place_words(asked.middle_latitude_deg, asked.middle_longitude_deg)
    return f"within {asked.radius_km:g}\xa0km of {middle}"


def head_words(scouting: Scouting, zone: tzinfo) -> str:
    """What was scouted, in a sentence or two."""
    asked, times = scouting.asked, scouting.times_utc
    so_far = f"{len(scouting.found)} of " if scouting.coarse else ""
    hours = "1 launch hour" if len(times) == 1 else f"{len(times)} launch hours"
    words = (
        f"{so_far}{len(scouting.places)} places {region_words(scouting)}, "
        f"{asked.spacing_km:g}\xa0km or more apart; {hours} from {moment_words(times[0], zone)} to "
        f"{moment_words(times[-1], zone)} local, {asked.draws} flights for each and member, over "
        f"the forecast of {cycle_words(scouting.cycle_id)}."
    )
    if asked.land_in is not None:
        words += f" Landings are wanted in {asked.land_in or WANTED}."
    return words


def run_words(run: ScoutRun, now_utc: datetime, zone: tzinfo) -> str:
    """How a scouting does that was started on the page; nothing of one that came to its end."""
    state = run.stands(now_utc)
    if state is RunState.RUNNING:
        done = f"{100.0 * run.share:.0f}\xa0% is done"
        done = done if run.share else "places are looked for, and the forecast is read"
        begun = moment_words(run.begun_utc, zone)
        on = "is being ended" if run.stop else "is under way"
        return f"A scouting {on}, begun {begun} local: {done}."
    words = _RUNS.get(state, "")
    error = without_folders(run.error).rstrip(".")
    return words.format(error=error, seen=f"{moment_words(run.seen_utc, zone)} local")


def order_words(scouting: Scouting) -> str:
    """In which order places are told."""
    return ORDER if scouting.asked.land_in is None else ORDER_INSIDE


def share_words(scouting: Scouting) -> str:
    """What a map of places shows, as its head."""
    if scouting.asked.land_in is None:
        return "Chance"
    return f"Share that lands in {scouting.asked.land_in or WANTED}"


def answer_words(scouting: Scouting) -> str:
    """How many places have a go hour, in one sentence."""
    go = sum("g" in each.verdicts for each in scouting.found)
    caution = sum("c" in each.verdicts and "g" not in each.verdicts for each in scouting.found)
    if go:
        return f"{go} of {len(scouting.found)} places have a go hour."
    if caution:
        return f"No place has a go hour; {caution} of {len(scouting.found)} have a caution hour."
    unknown = sum(set(each.verdicts) == {"u"} for each in scouting.found)
    more = f"; {unknown} places are unknown at every hour" if unknown else ""
    return f"No place has a go or caution hour{more}."


def notes(scouting: Scouting) -> tuple[str, ...]:
    """What was left out: spots that are no places, and what is not asked of places."""
    left = ", ".join(
        f"{count} {_LEFT_OUT[LeftOut(why)]}" for why, count in scouting.left_out if count
    )
    said = [_skipped(each) for each in scouting.skipped]
    if scouting.off_map > 0.0:
        part = percent(scouting.off_map)
        said.insert(0, f"No place was looked for in {part} of the region: off the ground file.")
    return (*((f"Left out of the spots by roads: {left}.",) if left else ()), *said)


def _skipped(each: Skipped) -> str:
    names = ", ".join(
        check_label(name) if each.why is Unasked.NO_ROADS else name for name in each.names
    )
    return f"Not asked of places: {names}: {_UNASKED[each.why]}."


def limit_lines(limits: Sequence[tuple[str, int]]) -> tuple[tuple[str, str, int], ...]:
    """A small letter for what is in the way, its words, and at how many places."""
    return tuple(
        (small_letter(number), limit_words(name), count)
        for number, (name, count) in enumerate(limits)
    )


def small_letter(number: int) -> str:
    """``a`` for what is most often in the way, and so on."""
    return chr(ord("a") + number) if number < 26 else "z"


def settings_block(place: Place) -> str:
    """A place as a site of a settings file."""
    height = "of the ground file" if place.height_of == "map" else "of the forecast: look it up"
    return "\n".join(
        (
            "[[sites]]",
            f'name = "{place.name}"'.ljust(36) + "# give it a name of its own",
            f"latitude_deg = {place.latitude_deg:.5f}",
            f"longitude_deg = {place.longitude_deg:.5f}",
            f"height_m = {place.height_m:.0f}".ljust(36) + f"# {height}",
            f'time_zone = "{place.time_zone}"'.ljust(36) + "# that of the nearest site",
        )
    )
