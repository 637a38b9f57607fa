"""Whose weather and whose maps results are made of, and which model spoke near the ground. Pure."""

from collections.abc import Iterable
from typing import TYPE_CHECKING

from windowwatch.forecast.cycle import Cycle
from windowwatch.forecast.finer import attribution
from windowwatch.scoring.values import Hour, NearGap, NearGround
from windowwatch.wording.phrases import check_label

if TYPE_CHECKING:  # commands that only read results load no geometry
    from windowwatch.ground.query.features import Ground

#: Said with everything that is given out.
NO_PERMISSION = "A forecast, no permission to fly."
_WHY = {
    NearGap.OUTSIDE: "the site lies outside its area",
    NearGap.ABSENT: "no cycle of it is at hand",
    NearGap.UNREADABLE: "its files could not be read",
    NearGap.BEYOND: "it does not reach this hour",
    NearGap.INCOMPLETE: "it lacks values at this time",
}


def weather_credits(cycles: Iterable[Cycle]) -> tuple[str, ...]:
    """One line for each model: its provider's attribution, or just its name."""
    lines = []
    for cycle in cycles:
        known = attribution(cycle.model, cycle.reference_utc)
        own = f"Weather: model {cycle.model}, cycle {cycle.id}"
        lines.append(own if known is None else f"Weather: {known}")
    return tuple(dict.fromkeys(lines))


def credit_lines(cycles: Iterable[Cycle], ground: "Ground") -> tuple[str, ...]:
    """Lines for weather and map; the map's are those that its files carry."""
    return (*weather_credits(cycles), *(f"Map: {line}" for line in ground.sources))


def gathered(lines: Iterable[str]) -> tuple[str, ...]:
    """The same in fewer words: sources of a map of which the same is said stand together."""
    kept: dict[tuple[str, str], list[str]] = {}
    for line in lines:
        what, name, said = (*line.split(": ", 2), "", "")[:3]
        if said:
            kept.setdefault((what, said), []).append(name)
        else:
            kept[line, ""] = []
    return tuple(
        f"{what}: {', '.join(names)}: {said}" if said else what
        for (what, said), names in kept.items()
    )


def near_words(near: NearGround | None) -> str:
    """A sentence on which checks a finer model answers; empty where none was asked."""
    if near is None:
        return ""
    name = near.cycle_id or near.model
    why = "" if near.gap is None else _WHY[near.gap]
    if not near.checks:
        return f"Near the ground by the deciding model, not by {name}: {why}."
    listed = ", ".join(check_label(check) for check in near.checks)
    rest = f"; the others by the deciding model, because {why}" if why else ""
    return f"Near the ground by {name}: {listed}{rest}."


def near_summary(hours: Iterable[Hour]) -> tuple[str, ...]:
    """What is said below a list of hours: each source of the air near the ground, and how often."""
    counts: dict[str, int] = {}
    for hour in hours:
        words = near_words(hour.near_ground)
        if words:
            counts[words] = counts.get(words, 0) + 1
    return tuple(
        f"{count} hour{'s' * (count > 1)}: {words[0].lower()}{words[1:]}"
        for words, count in counts.items()
    )
