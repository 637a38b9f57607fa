"""Words for which weather model the air near the ground of an hour is from. Pure."""

from collections.abc import Iterable

from windowwatch.scoring.values import Hour, NearGap, NearGround
from windowwatch.wording.phrases import check_label

_WHY = {
    NearGap.OUTSIDE: "the site lies outside its area",
    NearGap.ABSENT: "no cycle of it is at hand",
    NearGap.UNREADABLE: "its files could not be read",
    NearGap.BEYOND: "it does not reach this hour",
    NearGap.INCOMPLETE: "it lacks values at this time",
}


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
