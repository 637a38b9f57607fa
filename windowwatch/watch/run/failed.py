"""A pass that was given up becomes a change: silence about it would look like good weather."""

import logging
from datetime import datetime

from windowwatch.errors import WindowwatchError
from windowwatch.forecast.cycle import Cycle
from windowwatch.storage.cycles import Role
from windowwatch.storage.store import Store
from windowwatch.watch.run.between import tell_of
from windowwatch.watch.values import Watch
from windowwatch.windows.causes import ErrorSaid, PassFailed
from windowwatch.windows.changes import about_the_watch, still_shown
from windowwatch.windows.values import ChangeKind
from windowwatch.wording.causes import reason
from windowwatch.wording.phrases import written

_LOG = logging.getLogger(__name__)


def tell_failed(
    store: Store,
    watch: Watch,
    cycle: Cycle,
    error: WindowwatchError,
    *,
    tries: int,
    now_utc: datetime,
) -> None:
    """Store, once for each cycle, that its pass was given up; people are told.

    Of a model that does not decide it is only logged.

    Parameters
    ----------
    store : Store
    watch : Watch
    cycle : Cycle
        Whose pass failed.
    error : WindowwatchError
        What the last try refused.
    tries : int
        How often it was tried.
    now_utc : datetime
        Aware UTC.

    Raises
    ------
    StorageError
        If the database refuses.
    """
    why = error.message.splitlines()[0] if error.message else "no reason is known"
    newest = store.latest_cycle(watch.name, watch.model)
    causes = (PassFailed(cycle.reference_utc, tries), still_shown(newest), ErrorSaid(why))
    _LOG.error("%s", reason(causes, written), extra={"cycle": cycle.id})
    if watch.role is Role.OPINION:
        return
    change = about_the_watch(
        ChangeKind.PASS_FAILED,
        cycle,
        causes,
        watch=watch.name,
        label=f"{cycle.id}#failed",
        now_utc=now_utc,
    )
    tell_of(store, watch, (change,))
