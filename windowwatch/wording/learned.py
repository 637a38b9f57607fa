"""What was learned of forecasts and chances, in words: how good they were, what changes. Pure."""

from collections.abc import Iterable, Sequence
from statistics import median

from windowwatch.learning.calibration import ChanceMap
from windowwatch.learning.climatology import FEWEST_HOURS, Against, Difference, Unlike
from windowwatch.learning.learned import Learned, Use
from windowwatch.learning.posterior import SurfaceTable, WindTable
from windowwatch.learning.scores import FEW_DAYS, Bin, Estimate
from windowwatch.learning.verify import ALL_SITES, LeadTable
from windowwatch.scoring.values import Hour
from windowwatch.wording.phrases import check_label, percent

#: Said of every table: what it was held against.
REFERENCE = (
    "Held against each hour as its own model saw it in the end (six hours before it at most), or "
    "against what was measured, where there was anything. What all forecasts of a model get wrong "
    "alike does not show."
)
#: Said below two settings that are compared.
COMPARED = (
    "Each is held against its own last word, so other limits change what was right as well as what "
    "was said. Brier: mean square error of the chance, smaller is better. False go: said go, and "
    "was not; missed go: the other way round."
)
#: What `came true` means, said once beside the chances.
CAME_TRUE = (
    "An hour came true as far as its last forecast said: one that ended at 70 % counts 0.7. Skill: "
    "1 is perfect, 0 no better than telling the share of these hours for every one of them."
)
#: A factor on an error so near to 1 is no change worth a line.
_SAME = 0.05


def raw_chance_words(hour: Hour) -> str:
    """The chance before it was mended by what was learned."""
    return (
        f"Chance {percent(hour.raw_chance)} as the flights gave it; "
        f"{percent(hour.chance if hour.own_chance is None else hour.own_chance)} is what such "
        "chances were worth before."
    )


def days_words(days: float) -> str:
    """``1 day``, ``41 days``."""
    whole = round(days)
    if days > 0.0 and not whole:
        return "under 1 day"
    return f"{whole} day{'' if whole == 1 else 's'}"


def lead_words(hours: float) -> str:
    """``12 h`` up to a day, ``3 days`` beyond."""
    if hours <= 24.0 or hours % 24.0:
        return f"{hours:g} h"
    return days_words(hours / 24.0)


def from_words(learned: Learned) -> str:
    """From what it was learned."""
    if learned.first_utc is None or learned.last_utc is None:
        return "Nothing is known yet: no launch hour that was forecast has gone by."
    first, last = (f"{t.day} {t:%B %Y}" for t in (learned.first_utc, learned.last_utc))
    return (
        f"Learned from {learned.hours} hours on {days_words(learned.days)}, {first} to "
        f"{last}, and {learned.cycles} forecasts."
    )


def few_words(learned: Learned) -> str:
    """That there are too few days, where there are."""
    if learned.days >= FEW_DAYS:
        return ""
    if not learned.days:
        return "Too few days to say anything."
    return (
        f"{days_words(learned.days).capitalize()} {'is' if learned.days == 1 else 'are'} too few "
        f"to go by: hours of a day hang together, and below {FEW_DAYS} days luck may be all of it."
    )


def headline(learned: Learned, model: str) -> str:
    """The sentence that matters first: what high chances were worth."""
    best = _most_telling(learned, model)
    if best is None:
        return "No chance has been put to the test yet."
    table, each = best
    return (
        f"{_bin_name(each)} came true {round(each.came_true)} of {each.hours} times, "
        f"{lead_words(table.lead_h)} before."
    )


def _most_telling(learned: Learned, model: str) -> tuple[LeadTable, Bin] | None:
    """The highest bin that has hours, of the lead nearest to two days that has one."""
    found = [
        (table, table.chance.bins[-1])
        for table in tables_of(learned, model)
        if table.chance.bins and table.chance.bins[-1].low >= 0.5
    ]
    found.sort(key=lambda pair: (-pair[1].low, abs(pair[0].lead_h - 48.0)))
    if found:
        return found[0]
    rest = [(t, t.chance.bins[-1]) for t in tables_of(learned, model) if t.chance.bins]
    return min(rest, key=lambda pair: abs(pair[0].lead_h - 48.0)) if rest else None


def _bin_name(each: Bin) -> str:
    if each.high >= 1.0:
        return f"Chances above {percent(each.low)}"
    if each.low <= 0.0:
        return f"Chances up to {percent(each.high)}"
    return f"Chances of {100 * each.low:.0f} to {percent(each.high)}"


def tables_of(learned: Learned, model: str, site: str = ALL_SITES) -> list[LeadTable]:
    """Tables of a model and a site, by lead."""
    return [table for table in learned.tables if (table.model, table.site) == (model, site)]


def models_of(learned: Learned) -> list[str]:
    """Models that were judged, in order."""
    return list(dict.fromkeys(table.model for table in learned.tables))


def estimate_words(found: Estimate, digits: int = 0, *, share: bool = False) -> str:
    """``12 (9–16)``, or a dash where nothing is known; shares in percent."""
    if found.value is None:
        return "–"
    many = 100.0 if share else 1.0
    value, *ends = (
        None if x is None else _number(many * x, digits)
        for x in (found.value, found.low, found.high)
    )
    if None in ends:
        return str(value)
    signed = any(str(end).startswith("−") for end in ends)
    return f"{value} ({(' to ' if signed else '–').join(map(str, ends))})"


def _number(value: float, digits: int) -> str:
    """With a real minus, and none before nought."""
    words = f"{value:.{digits}f}"
    return words.replace("-", "" if float(words) == 0.0 else "−")


def bin_words(each: Bin) -> str:
    """``80–100 %: 17 of 20 came true (64–95 %), on 9 days``."""
    span = f"{100 * each.low:.0f}–{100 * each.high:.0f} %"
    ends = ""
    if each.share.low is not None and each.share.high is not None:
        ends = f" ({100 * each.share.low:.0f}–{100 * each.share.high:.0f} %)"
    return (
        f"{span}: {each.came_true:.0f} of {each.hours} came true{ends}, on {days_words(each.days)}"
    )


def verdict_words(table: LeadTable) -> str:
    """What became of "go"."""
    counts = table.verdicts
    said = counts.hits + counts.false_alarms
    if not counts.total:
        return "–"
    kept = f"of {said} go {counts.hits} stayed go" if said else "no hour was go"
    lost = f", {table.go_to_no_go} ended as no-go" if said else ""
    seen = f"{counts.misses} good hour{'' if counts.misses == 1 else 's'} not seen"
    return f"{kept}{lost}; {seen}"


def lead_more_words(table: LeadTable) -> str:
    """The rest of a lead's numbers: how far most landings were, wind near the ground, verdicts."""
    parts = []
    if table.landing_most_km.value is not None and table.claimed_most_km is not None:
        parts.append(
            f"9 of 10 within {table.landing_most_km.value:.0f} km "
            f"({table.claimed_most_km:.0f} claimed)"
        )
    if table.surface_rmse_mps.value is not None and table.surface_claimed_mps is not None:
        bias = table.surface_bias_mps.value or 0.0
        way = "" if abs(bias) < 0.25 else f", {'too high' if bias > 0 else 'too low'} as a rule"
        parts.append(
            f"wind near the ground {table.surface_rmse_mps.value:.1f} m/s off "
            f"({table.surface_claimed_mps:.1f} expected{way})"
        )
    if table.verdicts.total:
        parts.append(verdict_words(table))
    if table.chance.skill.value is not None:
        parts.append(f"skill of the chance {estimate_words(table.chance.skill, 2)}")
    held = table.chance.survey
    if held.skill.value is not None:
        factor = "" if held.factor == 1.0 else f" (its chances times {held.factor:.2f})"
        parts.append(
            f"skill against the survey {estimate_words(held.skill, 2)} over {held.hours} "
            f"hour{'' if held.hours == 1 else 's'}{factor}"
        )
    parts.append(f"{table.hours} hours on {days_words(table.days)}")
    return "; ".join(parts)


def has_survey(learned: Learned) -> bool:
    """Whether any chance was held against a survey of years."""
    return any(table.chance.survey.hours for table in learned.tables)


def survey_words(learned: Learned) -> list[str]:
    """Which survey of years chances were held against, or why not; nothing where there is none."""
    against = learned.against
    if against is None:
        return []
    if against.unlike:
        why = "; ".join(map(_unlike_words, against.unlike))
        return [
            f"Not held against {_survey_name(against)}: {why}. Its chances are of something else: "
            "`windowwatch survey run` flies it as the watch is now."
        ]
    found = []
    if against.hours:
        hours = "hour" if against.hours == 1 else "hours"
        found.append(
            f"Skill against the survey: held against {_survey_name(against)}; 0 is no better than "
            "telling the usual chance of the month and local hour at the site, the mean over all "
            f"its launch hours. Told for {against.hours} {hours}."
        )
    if against.hours and against.left_out:
        found.append(
            f"The survey could not ask {_listed(check_label(n) for n in against.left_out)}, so its "
            "chances are too high. They are taken times the factor that fits what came best, 1 at "
            "most: no forecast looks good for that alone."
        )
    for sites, why in (
        (against.no_site, "does not have it"), (against.moved, "has it at another place"),
    ):  # fmt: skip
        if sites:
            found.append(f"Not held against the survey: {_listed(sites)} (the survey {why}).")
    if against.uncovered:
        n = against.uncovered
        found.append(
            f"Nor {n} launch hour{'' if n == 1 else 's'}: the survey knows fewer than "
            f"{FEWEST_HOURS} launch hours of that month and local hour."
        )
    return found


def _survey_name(against: Against) -> str:
    first, last = against.first_year, against.last_year
    years = f"{first}" if first == last else f"{first} to {last}"
    return f"the survey of {years} ({against.weather})"


def _unlike_words(each: Difference) -> str:
    if each.kind is Unlike.LIMIT:
        return f"its limit of {check_label(each.name)} is {each.there}, the watch's {each.here}"
    if each.kind is Unlike.ASKED:
        return f"it asked {check_label(each.name)}, and the watch does not"
    if each.kind is Unlike.AIRSPACE:
        return f"it took the airspace {each.name} as closed more often than it is"
    return f"{each.name} was {each.there}, and is {each.here}"


def _listed(names: Iterable[str]) -> str:
    *most, last = names
    return f"{', '.join(most)} and {last}" if most else last


def windows_words(learned: Learned) -> str:
    """What became of windows that were opened."""
    table = learned.windows
    if not table.opened:
        return "No window that was opened has gone by yet."
    days = (table.opened_before_h or 0.0) / 24.0
    return (
        f"Of {table.opened} window{'' if table.opened == 1 else 's'} that opened {table.stayed} "
        f"{'was' if table.stayed == 1 else 'were'} still open on the day; opened {days:.1f} days "
        f"before as a rule, with {table.changes_each or 0.0:.1f} changes each."
    )


def use_words(use: Use, learned: Learned) -> str:
    """Whether flights are made with it."""
    if use is Use.USE:
        return f"Flights are made with what is below (version {learned.key}, by the settings)."
    return (
        "Nothing of it is used: flights and chances are as before. To use it: [learning] "
        'use = "use" in the settings.'
    )


def what_would_change(learned: Learned, model: str) -> list[str]:
    """What flights and chances of a model would be made with, where it differs from memory."""
    found = [words for t in learned.wind if t.model == model for words in _wind_changes(t)]
    found += [words for t in learned.surface if t.model == model for words in _below_changes(t)]
    found += [chance_map_words(m) for m in learned.chances if m.model == model and m.mends]
    return found


def _wind_changes(table: WindTable) -> list[str]:
    """A line for each lead: the errors at its heights, were and are."""
    found = []
    for r, lead in enumerate(table.lead_hours):
        days = max(table.days[r])
        pairs = list(zip(table.prior_mps[r], table.vector_rmse_mps[r], strict=True))
        if not days or all(abs(now / was - 1.0) < _SAME for was, now in pairs):
            continue
        parts = ", ".join(
            f"{height / 1000:.0f} km {was:.1f} → {now:.1f}"
            for height, (was, now) in zip(table.height_m, pairs, strict=True)
            if abs(now / was - 1.0) >= _SAME
        )
        found.append(
            f"Wind error {lead_words(lead)} ahead, m/s: {parts} (learned from {days_words(days)})"
        )
    return found


def _below_changes(table: SurfaceTable) -> list[str]:
    return [
        f"Surface wind error {lead_words(lead)} ahead: {was:.1f} → {now:.1f} m/s (learned from "
        f"{days_words(days)})"
        for lead, was, now, days in zip(
            table.lead_hours, table.prior_mps, table.speed_rmse_mps, table.days, strict=True
        )
        if days and abs(now / was - 1.0) >= _SAME
    ]


def chance_map_words(learned: ChanceMap) -> str:
    """What chances of a span of leads are worth."""
    span = _span_words(learned)
    if not learned.mends:
        return f"Chances {span} are left as they are ({days_words(learned.days)})"
    shown = ", ".join(
        f"{percent(said)} → {percent(_mended(learned, said))}" for said in (0.2, 0.5, 0.8, 0.95)
    )
    return f"Chances {span}: {shown} (learned from {days_words(learned.days)})"


def _span_words(learned: ChanceMap) -> str:
    if learned.lead_from_h <= 0.0:
        return f"up to {learned.lead_until_h:.0f} h ahead"
    if learned.lead_until_h >= 300.0:
        return f"from {lead_words(learned.lead_from_h)} ahead on"
    return f"{learned.lead_from_h:.0f} to {learned.lead_until_h:.0f} h ahead"


def _mended(learned: ChanceMap, chance: float) -> float:
    from numpy import array

    return float(learned.mended(array([chance]))[0])


def summary(learned: Learned, models: Sequence[str]) -> list[str]:
    """What was learned, in a line or two: for a rehearsal."""
    if not learned.tables:
        return [from_words(learned)]
    model = next((m for m in models if tables_of(learned, m)), models_of(learned)[0])
    tables = tables_of(learned, model)
    parts = [
        f"{lead_words(t.lead_h)} before, landings were {t.landing_median_km.value:.0f} km off "
        f"({t.claimed_median_km:.0f} km claimed)"
        for t in tables
        if t.landing_median_km.value is not None and t.claimed_median_km is not None
    ]
    parts = parts or [
        f"{lead_words(t.lead_h)} before, the wind aloft was {error:.1f} m/s off "
        f"({claimed:.1f} expected)"
        for t in tables
        for error, claimed in [_aloft(t)]
        if error is not None and claimed is not None
    ]
    lines = [from_words(learned)]
    if parts:
        lines.append(f"{'; '.join(parts[:3])}.")
    few = few_words(learned)
    return [*lines, *([few] if few else [])]


def _aloft(table: LeadTable) -> tuple[float | None, float | None]:
    """Median over all heights of the wind's error, found and claimed; None where unknown."""
    both = [
        (found.value, claimed)
        for found, claimed in zip(table.wind_rmse_mps, table.wind_claimed_mps, strict=True)
        if found.value is not None and claimed is not None
    ]
    if not both:
        return None, None
    return median(pair[0] for pair in both), median(pair[1] for pair in both)
