"""What crews of a flight are told: what to do now, drives, walks, silence and where to search."""

from collections.abc import Mapping
from datetime import datetime, timedelta

from windowwatch.chase.drives import (
    THERE_S,
    Advice,
    Chances,
    CrewAdvice,
    NoAdvice,
    Order,
    Share,
    Span,
)
from windowwatch.chase.phases import Phase, State
from windowwatch.chase.silence import Search, SearchCell, Sight, Whereabouts
from windowwatch.chase.values import Estimate
from windowwatch.wording.chase import age_words, height_words, place_words
from windowwatch.wording.phrases import length, percent

NO_ADVICE: Mapping[NoAdvice, str] = {
    NoAdvice.NO_LANDING: "Crews are sent nowhere before a landing is estimated.",
    NoAdvice.NO_ROADS: "Crews are not advised: the settings name no ground file with roads; make "
    "one with windowwatch ground build.",
    NoAdvice.OFF_MAP: "Crews are not advised: it will land off the map of the ground file.",
    NoAdvice.NO_WALK: "Crews are not advised: nobody gets to these landings on foot from a road.",
}
NO_CREW = "No crew has said where it is. Tell it below, and each is sent to a place to wait."
#: Said where crews are sent anywhere. Common practice, no source.
DRIVE_CAUTION = (
    "Stop to read this. Times are by the map, not by traffic, weather or a gate that is shut; "
    "keep clear of where it comes down."
)
#: Said above the order of a search. Common practice, no source.
SEARCH_CAUTION = (
    "Ask the landowner first. Nobody searches alone, in the dark, on water, railways or cliffs."
)
NO_WALKS = "how long the walk takes is not known: the ground file has no terrain"


def now_words(
    state: State, estimate: Estimate | None, advice: Advice | None, now_utc: datetime
) -> str:
    """What to do now, in one sentence."""
    if state.phase is Phase.WAITING:
        return "Wait for the release, and let each crew say where it is."
    said = () if advice is None else tuple(_short(each) for each in advice.crews)
    if state.silent and estimate is not None and state.phase is not Phase.DOWN:
        place = place_words(estimate.landing.latitude_deg, estimate.landing.longitude_deg)
        lands = "should have landed" if now_utc > estimate.landing_utc else "should land"
        where = f"{place}, where it {lands} about {estimate.landing_utc:%H:%M} UTC"
        if not said:
            return f"Nothing is heard: go on to {where}, and listen there."
        return f"Nothing is heard. {'; '.join(said)}; listen towards {where}."
    if estimate is not None and (advice is None or (advice.refused is None and not said)):
        return "Let each crew say where it is, and it is told where to wait."
    if advice is None or advice.refused is not None or estimate is None:
        if state.phase is Phase.DOWN:
            return "Drive to the landing, ask the landowner, and search by the order below."
        return "Keep reporting positions; nobody can be sent to a landing yet."
    return f"{'; '.join(said)}."


def _short(advice: CrewAdvice) -> str:
    name = advice.crew.name
    if advice.order is Order.STAY:
        return f"{name}: stay where you are"
    if advice.order is Order.NO_WAY:
        return f"{name}: get to a road of the map first"
    if advice.to_s is None or advice.to_latitude_deg is None or advice.to_longitude_deg is None:
        return f"{name}: no road leads to the landing"
    there = advice.to_s <= THERE_S
    if advice.order is Order.GO:
        walk = "" if advice.walk is None else f", walk {span_words(advice.walk)}"
        if there:
            return f"{name}: park here, ask the landowner{walk}"
        return f"{name}: drive {_length(advice.to_s)} to the landing's road{walk}"
    if there:
        return f"{name}: wait here"
    place = place_words(advice.to_latitude_deg, advice.to_longitude_deg)
    return f"{name}: drive {_length(advice.to_s)} to {place} and wait there"


def _length(seconds: float) -> str:
    return length(timedelta(seconds=max(seconds, 60.0)))


def span_words(span: Span) -> str:
    """``25 min (12 min to 48 min)``; what is reached in too few cases is said so."""
    if span.middle_s is None:
        if span.low_s is None:
            return "no way"
        return f"{_length(span.low_s)} at best, more often no way"
    low = _length(span.low_s or 0.0)
    high = "no way" if span.high_s is None else _length(span.high_s)
    middle = _length(span.middle_s)
    return middle if low == high == middle else f"{middle} ({low} to {high})"


def crew_head(advice: CrewAdvice) -> str:
    """``Ada: drive 12 min to wait at 46.01234, 7.56789``."""
    if advice.order is Order.WAIT and advice.to_s is not None and advice.to_s > THERE_S:
        return f"{advice.crew.name}: drive {_length(advice.to_s)} and wait"
    return _short(advice)


def crew_lines(advice: CrewAdvice, now_utc: datetime) -> tuple[str, ...]:
    """What stands below the head: drives with their range, and how old the crew's place is."""
    lines = []
    if advice.order is Order.WAIT:
        lines.append(f"from there to the landing's road {span_words(advice.drive)}")
    if advice.order in (Order.WAIT, Order.STAY):
        lines.append(f"from here straight to the landing's road {span_words(advice.here)}")
    elif advice.order is Order.GO and advice.here.low_s != advice.here.high_s:
        lines.append(f"over all landings {span_words(advice.here)}")
    lines.append(
        f"advised so since {advice.since_utc:%H:%M} UTC, by its place of "
        f"{age_words(now_utc - advice.crew.at_utc)} ago"
    )
    return tuple(lines)


def advice_lines(advice: Advice) -> tuple[str, ...]:
    """What is said of all crews together."""
    lines = []
    if advice.arrival_utc is not None:
        lines.append(
            f"the first is expected at the payload about {advice.arrival_utc:%H:%M} UTC, on "
            "average over all landings"
        )
    walk = next((each.walk for each in advice.crews), None)
    if advice.crews:
        lines.append(NO_WALKS if walk is None else f"walk from the road {span_words(walk)}")
    if advice.unreached >= 0.005:
        lines.append(f"nobody gets on foot to {percent(advice.unreached)} of the landings")
    if advice.off_map >= 0.005:
        lines.append(f"{percent(advice.off_map)} of the landings lie off the map")
    if sum(each.order in (Order.WAIT, Order.STAY) for each in advice.crews) > 1:
        lines.append(
            "places are chosen one crew after the other, the one that gains most first; others "
            "together may be a little better"
        )
    return tuple(lines)


def chance_words(chances: Chances) -> str:
    """``on water 12 %, in a no-landing area 3 %, in airspace 0 %``; what nobody knows is said."""
    parts = (
        ("on water", chances.water),
        ("in or near a no-landing area", chances.no_landing),
        ("in closed airspace at the ground", chances.airspace),
        ("outside the permitted area", chances.left),
    )
    known = [f"{words} {_share(share)}" for words, share in parts if share is not None]
    return (
        f"lands {', '.join(known)}" if known else "nobody knows what it lands on: no map is given"
    )


def _share(share: Share) -> str:
    if share.unknown >= 0.005:
        return f"{percent(share.share)} (and not known of {percent(share.unknown)})"
    return percent(share.share)


def silence_lines(place: Whereabouts, landing_m: float) -> tuple[str, ...]:
    """Where it must be by now while nothing is heard, and how that area grows."""
    where = place_words(place.latitude_deg, place.longitude_deg)
    if place.landed:
        return (
            f"it should lie near {where}, nine in ten within {landing_m / 1e3:.1f} km of there",
            "the area does not grow any more",
        )
    return (
        f"it should be over {where}, at {height_words(place.height_m)}",
        f"nine in ten within {place.reach_m / 1e3:.1f} km of there, growing to "
        f"{landing_m / 1e3:.1f} km at the landing",
    )


def sight_words(sight: Sight | None) -> str:
    """Until when a crew has the tracker in sight from where it waits."""
    if sight is None:
        return ""
    if sight.until_utc is None:
        return "hills hide the tracker from there from now on"
    if sight.to_ground:
        return "in line of sight from there down to the ground, by terrain alone"
    return (
        f"in line of sight from there until about {sight.until_utc:%H:%M} UTC, at "
        f"{height_words(sight.lowest_m)}: listen before that"
    )


def search_words(search: Search) -> tuple[str, ...]:
    """What stands above the order of a search."""
    lines = [f"squares of {search.side_m:.0f} m, the most likely for a minute's walk first"]
    if search.water >= 0.005:
        lines.append(f"{percent(search.water)} lies on water and is not among them")
    if search.unreached >= 0.005:
        lines.append(f"{percent(search.unreached)} cannot be walked to, or is on no map")
    return tuple(lines)


def cell_words(cell: SearchCell) -> str:
    """``46.01234, 7.56789: 4.2 %, walk 12 min, look 8 min``."""
    return (
        f"{place_words(cell.latitude_deg, cell.longitude_deg)}: {100.0 * cell.probability:.1f} %, "
        f"walk {_length(60.0 * cell.walk_min)}, look {_length(60.0 * cell.look_min)}"
    )
