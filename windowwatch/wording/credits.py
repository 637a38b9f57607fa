"""Whose weather and whose maps results are made of: said wherever they are given out. Pure."""

from collections.abc import Iterable

from windowwatch.forecast.cycle import Cycle
from windowwatch.forecast.finer import attribution
from windowwatch.ground.query.features import Ground

#: Said with everything that is given out.
NO_PERMISSION = "A forecast, no permission to fly."


def weather_credits(cycles: Iterable[Cycle]) -> tuple[str, ...]:
    """One line for each model: its provider's attribution, or just its name."""
    lines = []
    for cycle in cycles:
        known = attribution(cycle.model, cycle.reference_utc)
        own = f"Weather: model {cycle.model}, cycle {cycle.id}"
        lines.append(own if known is None else f"Weather: {known}")
    return tuple(dict.fromkeys(lines))


def credit_lines(cycles: Iterable[Cycle], ground: Ground) -> tuple[str, ...]:
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
