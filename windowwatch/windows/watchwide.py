"""Changes about the watch as a whole: a forecast that is late, given up, or of no use. Pure.

Their reasons carry written times (see `spoken`): they have no site, and are read aloud in the
zone that all sites share.
"""

from datetime import datetime, timedelta

from windowwatch.forecast.cycle import Cycle
from windowwatch.windows.changes import change_key
from windowwatch.windows.phrases import inside, length, sentence
from windowwatch.windows.spoken import written
from windowwatch.windows.values import Change, ChangeKind


def shown_words(newest: Cycle | None) -> str:
    """Say what people look at meanwhile; the same words for as long as nothing newer comes."""
    if newest is None:
        return "no forecast has been read so far"
    return f"what is shown stays that of {written(newest.reference_utc)}"


def late_words(
    cycle: Cycle,
    *,
    due_utc: datetime,
    steps_there: int,
    steps_needed: int,
    newest: Cycle | None,
) -> str:
    """Say that a forecast is late.

    Parameters
    ----------
    cycle : Cycle
        The late one.
    due_utc : datetime
        When it was expected to be complete.
    steps_there, steps_needed : int
        How far it has come.
    newest : Cycle or None
        The newest one that was read.
    """
    here = f"{steps_there} of {steps_needed} steps are here"
    return sentence(
        f"the forecast of {written(cycle.reference_utc)} was due about {written(due_utc)}; "
        f"{here}; {shown_words(newest)}"
    )


def given_up_words(cycle: Cycle, *, after: timedelta, steps_there: int, steps_needed: int) -> str:
    """Say that the rest of a forecast is not waited for any more."""
    used = "it is used as far as it has come" if steps_there else "nothing of it came"
    return sentence(
        f"the forecast of {written(cycle.reference_utc)} is given up after {length(after)}; "
        f"{steps_there} of {steps_needed} steps are here, {used}; the next one is looked for"
    )


def failed_words(cycle: Cycle, *, tries: int, why: str, newest: Cycle | None) -> str:
    """Say that a forecast is here but could not be worked up."""
    times = "once" if tries == 1 else f"{tries} times"
    return sentence(
        f"the forecast of {written(cycle.reference_utc)} could not be worked up; tried {times}; "
        f"{shown_words(newest)}; {inside(why)}"
    )


def about_the_watch(
    kind: ChangeKind, cycle: Cycle, reason: str, *, watch: str, label: str, now_utc: datetime
) -> Change:
    """A change without site and window.

    Parameters
    ----------
    kind : ChangeKind
    cycle : Cycle
        The cycle it is about.
    reason : str
    watch : str
        Name of the watch.
    label : str
        What makes its key differ from others about the same cycle; told once for each.
    now_utc : datetime
        Aware UTC.
    """
    return Change(
        key=change_key(watch, label, kind, ""),
        kind=kind,
        site="",
        window_uid=None,
        cycle_id=cycle.id,
        found_utc=now_utc,
        before=None,
        after=None,
        reason=sentence(reason),
    )
