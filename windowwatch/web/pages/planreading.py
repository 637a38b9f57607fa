"""What the page of a planned launch, and what is taken along of it, ask of the database."""

from collections.abc import Sequence
from datetime import datetime

from windowwatch.launchday.plan import Entry, stand
from windowwatch.launchday.releases import ReleaseTable
from windowwatch.launchday.sighting import USED_FOR
from windowwatch.storage.store import Store
from windowwatch.web.pages.plans import PlanView, as_of, plan_view
from windowwatch.web.values import Facts


def kept_plan(
    store: Store, facts: Facts, key: str, entries: Sequence[Entry], now_utc: datetime
) -> tuple[Sequence[Entry], ReleaseTable | None, datetime]:
    """Entries and table of a plan, and the time at which they are looked at.

    Of a rehearsal, as they stood when it was flown last.
    """
    table = store.release_table(facts.watch, key)
    if facts.rehearsal:
        entries, now_utc = as_of(entries, table, now_utc)
    return entries, table, now_utc


def read_plan(
    store: Store, facts: Facts, key: str, entries: Sequence[Entry], now_utc: datetime
) -> PlanView:
    """A plan as its page shows it; parameters as of `kept_plan`."""
    entries, table, now = kept_plan(store, facts, key, entries, now_utc)
    newest = store.latest_cycle(facts.watch)
    seen = store.sightings(facts.watch, stand(key, entries, now).site, now - USED_FOR)
    return plan_view(
        facts,
        key,
        entries,
        table,
        [each for each in seen if each.at_utc <= now],
        "" if newest is None else newest.id,
        now,
    )
