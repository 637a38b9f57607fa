"""Changes about the watch as a whole: a forecast that is late, given up, or of no use. Pure.

They have no site; their times are read aloud in the zone that all sites share.
"""

from collections.abc import Iterable
from datetime import datetime

from windowwatch.forecast.cycle import Cycle
from windowwatch.windows.causes import Causes, StillShown
from windowwatch.windows.changes import change_key
from windowwatch.windows.values import Change, ChangeKind


def still_shown(newest: Cycle | None) -> StillShown:
    """What people look at meanwhile; the same for as long as nothing newer comes."""
    return StillShown(None if newest is None else newest.reference_utc)


def was_told(changes: Iterable[Change], shown: StillShown) -> bool:
    """Whether one of some changes told of the same silence."""
    return any(shown in change.causes for change in changes)


def about_the_watch(
    kind: ChangeKind, cycle: Cycle, causes: Causes, *, watch: str, label: str, now_utc: datetime
) -> Change:
    """A change without site and window.

    Parameters
    ----------
    kind : ChangeKind
    cycle : Cycle
        The cycle it is about.
    causes : tuple of Cause
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
        causes=causes,
    )
