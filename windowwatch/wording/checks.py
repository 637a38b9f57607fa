"""Checks and launch hours in words, and what would make an hour go, when they are read. Pure.

No code reads what is said here back: whoever decides asks the facts (`scoring/values.py`).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import inf, isfinite
from typing import assert_never

from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import (
    AtLeast,
    Check,
    Fact,
    FromMeanWind,
    Gap,
    Hour,
    Median,
    Missing,
    MostNear,
    MostThrough,
    NeverReached,
    NotKnown,
    NotLanded,
    Opinion,
    OutOfReach,
    OverInterval,
    Refusal,
    RefusalKind,
    Told,
    Unanswered,
    Verdict,
)
from windowwatch.scoring.verdict import Wanted, WantedKind, what_is_wanted
from windowwatch.wording.page import is_long, reading_words
from windowwatch.wording.phrases import check_label, percent

#: How many reasons a refusal gives in full: a phone is small.
REASONS = 2
#: A smaller share of flights out of reach is not said. [%]
_LEAST_OUT_OF_REACH_PCT = 0.5


@dataclass(frozen=True)
class CheckWords:
    """What is said of a check.

    Parameters
    ----------
    sentence : str
        ``{value}`` with its unit, ``{bound}`` the limit in words, ``{extra}`` its facts.
    below : str
        The sentence for a value below zero, which is then said without its sign.
    none : str
        The sentence where there is none of it (`CheckKind.none_from`).
    median, median_below : str
        The median beside the value, from zero on and below zero.
    median_decimals : int
        That the median is read to.
    """

    sentence: str
    below: str = ""
    none: str = ""
    median: str = "{}"
    median_below: str = "-{}"
    median_decimals: int = 0


#: Words of every check by its name.
WORDS = {
    "wind": CheckWords("Wind {value}{extra}, {bound}."),
    "gust": CheckWords("Gust {value}{extra}, {bound}."),
    "cloud": CheckWords("Cloud {value}{extra}, {bound}."),
    "low_cloud": CheckWords("Low cloud {value}{extra}, {bound}."),
    "middle_cloud": CheckWords("Middle cloud {value}{extra}, {bound}."),
    "high_cloud": CheckWords("High cloud {value}{extra}, {bound}."),
    "ceiling": CheckWords(
        "Ceiling {value}{extra}, {bound}.", none="No cloud ceiling{extra}, {bound}."
    ),
    "visibility": CheckWords("Visibility {value}{extra}, {bound}."),
    "precipitation": CheckWords("Rain or snow {value}{extra}, {bound}."),
    "daylight": CheckWords("Sun at {value}{extra} from release to the end of hold, {bound}."),
    "thunder": CheckWords("Thunder: CAPE {value}{extra}, {bound}."),
    "lifted_index": CheckWords("Lifted index {value}{extra}, {bound}."),
    "freezing_rain": CheckWords("Freezing rain in {value} of forecasts{extra}, {bound}."),
    "shear": CheckWords("Wind shear 10 to 100 m {value}{extra}, {bound}."),
    "temperature": CheckWords("Air at the site {value}{extra}, {bound}."),
    "front": CheckWords("Front passage {value} from release{extra}, {bound}."),
    "clearance": CheckWords(
        "Clearance: {value} to spare{extra}, {bound}.",
        below="Clearance is missed by {value}{extra}, {bound}.",
    ),
    "notice": CheckWords(
        "Notice: {value} left until it must be given{extra}, {bound}.",
        below="Notice should have been given {value} ago{extra}, {bound}.",
    ),
    "strongest_wind": CheckWords("Strongest wind aloft {value}{extra}, {bound}."),
    "drift": CheckWords("Drift up to {value}{extra}, {bound}."),
    "flight_time": CheckWords("Flight up to {value}{extra}, {bound}."),
    "coldest_air": CheckWords("Coldest air met {value}{extra}, {bound}."),
    "battery": CheckWords(
        "Battery of the payload lasts {value} longer than the flight{extra}, {bound}.",
        below="Battery of the payload is empty {value} before the landing{extra}, {bound}.",
    ),
    "extrapolated": CheckWords(
        "{value} of flights go above the forecast's top{extra}, {bound}.",
    ),
    "airspace": CheckWords(
        "{value} of flights cross closed airspace{extra}, {bound}.",
    ),
    "permitted_area": CheckWords(
        "{value} of flights leave the permitted area{extra}, {bound}.",
    ),
    "water": CheckWords("{value} of flights land on water{extra}, {bound}."),
    "no_landing": CheckWords(
        "{value} of flights land where they must not{extra}, {bound}.",
    ),
    "built_up": CheckWords("{value} of flights land on built-up land{extra}, {bound}."),
    "hazard_line": CheckWords(
        "{value} of flights land by a motorway, railway or power line{extra}, {bound}.",
    ),
    "forest": CheckWords("{value} of flights land in forest{extra}, {bound}."),
    "slope": CheckWords("Ground as steep as {value}{extra}, {bound}."),
    "casualty": CheckWords("Casualty expectation {value}{extra}, {bound}."),
    "touchdown": CheckWords(
        "Touches down at up to {value}, sinking and wind together{extra}, {bound}.",
    ),
    "landing_height": CheckWords("Lands as high as {value} above the sea{extra}, {bound}."),
    "landing_wind": CheckWords("Wind at landing up to {value}{extra}, {bound}."),
    "road": CheckWords("Road up to {value} away{extra}, {bound}.", median_decimals=1),
    "crew": CheckWords(
        "Crew at the road {value} after the landing{extra}, {bound}.",
        below="Crew at the road {value} before the landing{extra}, {bound}.",
        # Beside a value of the other sign a bare number would be read the wrong way round.
        median_below="{} min before it",
    ),
    "tracker": CheckWords(
        "Tracker is heard {value} longer than the crew needs{extra}, {bound}.",
        below="Tracker falls silent {value} before the crew is there{extra}, {bound}.",
    ),
    "search_area": CheckWords("Nine of ten flights land within {value}{extra}, {bound}."),
    "walk": CheckWords("Walk from the road up to {value}{extra}, {bound}."),
    "arrival_daylight": CheckWords(
        "Daylight left when the crew is there {value}{extra}, {bound}.",
        below="Crew is there {value} after dark{extra}, {bound}.",
        median="{} min before dark",
        median_below="{} min after dark",
    ),
    "landing_daylight": CheckWords(
        "Daylight left at landing {value}{extra}, {bound}.",
        below="Lands {value} after dark{extra}, {bound}.",
    ),
}

#: Surface fields in the words of "no … in the forecast for this time".
_FIELDS = {
    "wind_u_10m_mps": "wind at 10 m",
    "wind_v_10m_mps": "wind at 10 m",
    "wind_u_100m_mps": "wind at 100 m",
    "wind_v_100m_mps": "wind at 100 m",
    "gust_mps": "gust",
    "cloud_total_pct": "total cloud",
    "cloud_low_pct": "low cloud",
    "cloud_middle_pct": "middle cloud",
    "cloud_high_pct": "high cloud",
    "ceiling_m": "cloud ceiling",
    "visibility_m": "visibility",
    "precipitation_rate_mmph": "precipitation",
    "precipitation_mm": "precipitation",
    "cape_jpkg": "CAPE",
    "lifted_index_k": "lifted index",
    "freezing_rain": "freezing rain",
    "temperature_2m_k": "temperature at 2 m",
    "dew_point_2m_k": "dew point",
    "pressure_msl_pa": "pressure",
}

#: Layers of a ground file, by the name that a gap holds.
_LAYERS = {
    "slope_deg": "terrain",
    "people_per_km2": "count of people",
    "motorway_m": "distances to motorways",
    "railway_m": "distances to railways",
    "power_m": "distances to power lines",
    "built_up_m": "distances to built-up land",
    "industry_m": "distances to works",
    "aerodrome_m": "distances to aerodromes",
    "military_m": "distances to military grounds",
    "no_entry_m": "distances to closed land",
    "road_m": "distances to roads",
    "walk_min": "walks",
}

#: What became of flights without a landing, by the name that a refusal holds.
_LOST = {
    "left_grid": "left the area of the forecast",
    "left_time": "ran past the hours of the forecast",
    "missing_air": "met a gap in the forecast",
    "not_rising": "did not rise",
    "too_long": "stayed up too long",
    "near_pole": "came too near a pole",
}


def check_sentence(check: Check) -> str:
    """One plain sentence with value and limit, fit for a phone."""
    for fact in check.facts:
        if isinstance(fact, Told):
            return fact.text
        if isinstance(fact, NeverReached):
            return (
                f"{fact.never_pct:.0f} % of flights land where no crew gets to, "
                f"limit {fact.aside_pct:.0f} %."
            )
    if check.verdict is Verdict.UNKNOWN or check.value is None:
        return f"{_unknown(check.missing, [check.name])}."
    words = _words_of(check)
    text, value = _template(check, check.value, words)
    if words.median == "{}" and _is_told_long(check):
        words = replace(words, median=f"{{}} {check.unit}")
    extra = "".join(_fact_words(fact, words) for fact in check.facts)
    return _capital(text.format(value=value, extra=extra, bound=_bound(check)))


def check_head(check: Check) -> str:
    """Value alone, without limit and facts: for a column of a table."""
    if check.verdict is Verdict.UNKNOWN or check.value is None:
        return check_sentence(check).removesuffix(".")
    words = _words_of(check)
    text, value = _template(check, check.value, words)
    extra = "".join(_fact_words(fact, words) for fact in check.facts if isinstance(fact, AtLeast))
    return _capital(text.partition(", ")[0].format(value=value, extra=extra))


def _words_of(check: Check) -> CheckWords:
    """Words of a check; made of its name where a later version has none."""
    made = f"{_capital(check_label(check.name))} {{value}}{{extra}}, {{bound}}."
    return WORDS.get(check.name, CheckWords(made))


def _template(check: Check, value: float, words: CheckWords) -> tuple[str, str]:
    """The sentence that fits a value, and the value with its unit."""
    kind = LIMITS.get(check.name)
    number = _number(check, value, 1 if kind is None else kind.decimals)
    text = words.sentence
    if words.below and number.startswith("-"):
        text, number = words.below, number.lstrip("-")
    if words.none and value >= (inf if kind is None else kind.none_from):
        text = words.none
    if _is_told_long(check):
        return text, reading_words(check, abs(value) if text is words.below else value)
    return text, f"{number}{'' if check.unit == '°' else ' '}{check.unit}"


def _number(check: Check, value: float, decimals: int) -> str:
    """The value with so many decimals that it is not read as its limit: never "10.0" past 10."""
    while isfinite(value) and value != check.limit and decimals < 4:
        if float(f"{value:.{decimals}f}") != check.limit:
            break
        decimals += 1
    number = f"{value:.{decimals}f}"
    return number.lstrip("-") if float(number) == 0.0 else number


def _is_told_long(check: Check) -> bool:
    """Whether value and limit are read as lengths of time: so long, and not read as the same."""
    said = [reading_words(check, each) for each in (check.value, check.limit)]
    apart = check.value == check.limit or said[0] != said[1]
    return apart and is_long(replace(check, fine=None))


def _bound(check: Check) -> str:
    if check.limit is None:
        return "no limit"
    unit = {"%": " %", "°": "°"}.get(check.unit, "")
    past = "limit"
    if check.verdict is Verdict.NO_GO:
        past = "past the limit of" if check.hard else "past the soft limit of"
    limit = f"{check.limit:g}{unit}"
    if check.limit and _is_told_long(check):
        limit = reading_words(check, check.limit)
    return f"{past} {limit}"


_METHOD_WORDS = {"mean": "mean", "sum": "sum", "maximum": "greatest", "minimum": "least"}


def interval_words(check: Check) -> str:
    """What a value is of its interval: ``greatest of 3 h``; empty for one at a time."""
    return ", ".join(_interval(fact) for fact in check.facts if isinstance(fact, OverInterval))


def _interval(fact: OverInterval) -> str:
    nearest = ", the nearest there is" if fact.nearest else ""
    return f"{_METHOD_WORDS[fact.method]} of {fact.interval_h:.3g} h{nearest}"


def _fact_words(fact: Fact, words: CheckWords) -> str:
    """A fact as it stands behind the value."""
    match fact:
        case AtLeast():
            return " or more"
        case FromMeanWind(factor=factor):
            return f" (no gust in the forecast; {factor:g} x mean wind)"
        case OverInterval():
            return f" ({_interval(fact)})"
        case Median(median=median):
            rounded = round(median, words.median_decimals)
            said = words.median if rounded >= 0 else words.median_below
            return f" (median {said.format(f'{abs(rounded):.{words.median_decimals}f}')})"
        case OutOfReach(out_of_reach_pct=share):
            least = _LEAST_OUT_OF_REACH_PCT
            return f", {share:.0f} % of flights out of reach" if share >= least else ""
        case NotLanded(not_landed_pct=share):
            return f" ({share:.1f} % of flights are lost and not in it)"
        case NotKnown(not_known_pct=share):
            return f" ({share:.0f} % not known, counted in)"
        case MostNear(name=name, area_kind=kind):
            return f", most of them near {name} ({kind})"
        case MostThrough(volume=name):
            return f", most of them {name}"
        case NeverReached() | Told():
            return ""  # they are whole sentences
        case _:
            assert_never(fact)


def _unknown(missing: Missing | None, names: Sequence[str]) -> str:
    """``Water, slope and 3 more unknown: …``."""
    kept = [name.replace("_", " ") for name in names[:REASONS]]
    more = f" and {len(names) - REASONS} more" if len(names) > REASONS else ""
    joined = " and ".join(kept) if not more else ", ".join(kept)
    return f"{_capital(joined)}{more} unknown: {_missing(missing)}"


def _missing(missing: Missing | None) -> str:
    return "data are missing" if missing is None else missing_words(missing)


def missing_words(missing: Missing) -> str:
    """Why a check has no value, without a full stop."""
    names = missing.names
    match missing.gap:
        case Gap.FIELD:
            fields = " and ".join(dict.fromkeys(_FIELDS.get(name, name) for name in names))
            return f"no {fields} in the forecast for this time"
        case Gap.FEW_FIELDS:
            return "too few of wind, warmth, dew point, pressure, gust and rain are in the forecast"
        case Gap.OUTSIDE:
            return f"{', '.join(names)} lies outside the area of the forecast"
        case Gap.SUN:
            return "the sun's height could not be found"
        case Gap.LANDINGS:
            return "no landing is known for enough flights"
        case Gap.LOST_LANDINGS:
            most = (
                ""
                if missing.most_pct is None
                else f" (at most {missing.most_pct:.0f} % may have none)"
            )
            return f"too few flights have a landing{most}"
        case Gap.SETTING:
            return f"[scoring] {', '.join(names)} is not given"
        case Gap.IMPACT:
            return "mass and face of what comes down are not given"
        case Gap.GROUND_FILE:
            return "no ground file is given"
        case Gap.LAYER:
            layers = ", ".join(_LAYERS.get(name, name) for name in names)
            return f"the ground file has no {layers}"
        case Gap.OFF_MAP:
            return "too many landings lie outside the map"
        case Gap.WATER:
            return "the forecast has no land mask and the map no water"
        case Gap.AREAS:
            return "no map of areas is given"
        case Gap.ROADS:
            return "no map of roads is given"
        case Gap.ROAD_CLASSES:
            return f"the map has none of the roads that count ({', '.join(names)})"
        case Gap.AIRSPACE:
            return "no airspace is given"
        case Gap.PERMITTED_AREA:
            return "no permitted area is given"
        case _:
            assert_never(missing.gap)


def refusal_words(refusal: Refusal) -> str:
    """Why nothing could be said of an hour, without a full stop."""
    match refusal.kind:
        case RefusalKind.LOST_FLIGHTS:
            parts = ", ".join(f"{count} {_LOST.get(what, what)}" for what, count in refusal.lost)
            return f"of {refusal.flights} flights {parts}"
        case RefusalKind.FEW_FLIGHTS:
            return f"only {refusal.landed} flights have a landing; {refusal.needed} are needed"
        case RefusalKind.UNKNOWN_CHECKS:
            return _first(_unknown(*each) for each in _by_reason(refusal.unknown).items())
        case RefusalKind.TOLD:
            return refusal.told
        case _:
            assert_never(refusal.kind)


def refusal_gist(refusal: Refusal) -> str:
    """As `refusal_words`, without the names of checks: for counting hours refused alike."""
    if refusal.kind is not RefusalKind.UNKNOWN_CHECKS:
        return refusal_words(refusal)
    return _first(_missing(each) for each in _by_reason(refusal.unknown))


def _by_reason(unknown: Iterable[Unanswered]) -> dict[Missing | None, list[str]]:
    """Names of checks by why they could not be answered, in the order in which they come."""
    found: dict[Missing | None, list[str]] = {}
    for each in unknown:
        found.setdefault(each.missing, []).append(each.check)
    return found


def _first(reasons: Iterable[str]) -> str:
    """The first reasons in full, the rest as a number."""
    kept = list(reasons)
    more = len(kept) - REASONS
    return "; ".join(kept[:REASONS]) + (f"; and {more} more" if more > 0 else "")


def worst_sentences(hour: Hour) -> tuple[str, ...]:
    """Sentences of the checks that are worst in an hour, the worst first."""
    return tuple(check_sentence(check) for check in hour.worst_checks)


def hour_words(hour: Hour) -> str:
    """Why an hour could not be answered, else what is worst in it, in one sentence or two."""
    if hour.refused is not None:
        return refusal_words(hour.refused)
    return next(iter(worst_sentences(hour)), "all is well within the limits.")


def hour_head(hour: Hour) -> str:
    """As `hour_words`, without limits, facts and further reasons: for a column of a table."""
    refusal = hour.refused
    if refusal is not None:
        return refusal_words(replace(refusal, lost=refusal.lost[:1], unknown=refusal.unknown[:1]))
    worst = next(iter(hour.worst_checks), None)
    return "all is well within the limits" if worst is None else check_head(worst)


def opinion_words(opinion: Opinion) -> str:
    """Sentence of the worst check of another model; empty when it says go."""
    return "" if opinion.says is None else check_sentence(opinion.says)


def others_words(hour: Hour) -> str:
    """How other models judge an hour, in as few words as there are: for a column of a table.

    ``agree``; the verdict of the one that does not; or how many of them do not.
    """
    own = hour.own_verdict or hour.verdict
    apart = [opinion.verdict for opinion in hour.others if opinion.verdict is not own]
    if not hour.others:
        return ""
    if not apart:
        return "agree"
    return str(apart[0]) if len(hour.others) == 1 else f"{len(apart)} of {len(hour.others)} not"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def what_would_make_it_go(hour: Hour, plan: ScoringPlan) -> tuple[str, ...]:
    """What stands between an hour and `go` in words, the worst first; empty when it is `go`.

    Parameters
    ----------
    hour : Hour
    plan : ScoringPlan
        The one it was scored by.
    """
    return tuple(wanted_words(each) for each in what_is_wanted(hour, plan))


def wanted_words(wanted: Wanted) -> str:
    """What stands between an hour and go: ``gust 1.4 m/s less``."""
    match wanted.kind:
        case WantedKind.LANDINGS:
            why = "" if wanted.refused is None else f" ({refusal_words(wanted.refused)})"
            return f"flights with a landing{why}"
        case WantedKind.SCORE:
            return f"a score of {wanted.needed or 0.0:.0f} instead of {wanted.have or 0.0:.0f}"
        case WantedKind.CHANCE:
            return f"a chance of {percent(wanted.needed)} instead of {percent(wanted.have)}"
        case WantedKind.REACHED:
            return "landings that a crew gets to"
        case WantedKind.KNOWN:
            return f"{check_label(wanted.check.name) if wanted.check else 'everything'} known"
        case WantedKind.MARGIN:
            return "" if wanted.check is None else _margin_words(wanted.check)
        case _:
            assert_never(wanted.kind)


def _margin_words(check: Check) -> str:
    label = check_label(check.name)
    kind = LIMITS.get(check.name)  # None for a stored check of an older version
    decimals = 1 if kind is None else kind.decimals
    gap = "" if check.unit == "°" else " "
    # Rounded up: "0.0 m/s less" would not do.
    step = 10.0**-decimals
    amount = max(step, -((check.margin or 0.0) // step) * step)
    higher = kind.higher_is_better if kind else (check.fine or 0.0) > (check.limit or 0.0)
    after = ":" if "," in label else ""
    return f"{label}{after} {amount:.{decimals}f}{gap}{check.unit} {'more' if higher else 'less'}"
