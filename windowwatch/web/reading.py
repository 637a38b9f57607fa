"""What pages ask of the database, and keep as long as it stays true."""

import threading
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cached_property

from windowwatch.forecast.cycle import Cycle
from windowwatch.forecast.notes import Note, Quoting
from windowwatch.launchday.plan import Entry, stand
from windowwatch.launchday.releases import ReleaseTable
from windowwatch.launchday.sighting import USED_FOR
from windowwatch.learning.learned import Learned
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.values import Hour, HourDetail
from windowwatch.scouting.years import Surveyed
from windowwatch.storage.cycles import PassMark, StoredCycle
from windowwatch.storage.store import Store
from windowwatch.web.pages.plans import PlanView, as_of, plan_view
from windowwatch.web.values import Facts
from windowwatch.windows.causes import Cause, ErrorSaid, ToldEarlier
from windowwatch.windows.standing import judged
from windowwatch.windows.values import Change, Window
from windowwatch.windows.window import WindowRules
from windowwatch.wording.page import without_folders

#: Cycles of which an hour's page tells the story.
CYCLES_BACK = 8
#: How often a pass that is stored while it is read makes the reading start anew.
_TRIES = 5


@dataclass(frozen=True)
class Snapshot:
    """All of the newest pass; a stored pass never changes, but another may follow it."""

    mark: PassMark
    cycles: tuple[StoredCycle, ...]
    hours: tuple[Hour, ...]
    windows: tuple[Window, ...]
    by_time: Mapping[tuple[str, datetime], Hour]

    @property
    def word(self) -> str:
        """What tells this pass from others, for addresses and browsers."""
        return f"{self.mark.cycle.id}.{self.mark.passes}.{self.mark.saved_utc:%y%m%d%H%M%S}"

    @property
    def cycle(self) -> StoredCycle:
        """The newest cycle."""
        return self.cycles[-1]

    @cached_property
    def behind(self) -> tuple[Cycle, ...]:
        """Every cycle whose weather is in the results: the newest, and other models' ones."""
        return all_behind(self.cycle.cycle, self.hours)


def all_behind(cycle: Cycle, hours: Iterable[Hour]) -> tuple[Cycle, ...]:
    """A cycle, and those of other models whose weather is in its hours."""
    others = dict.fromkeys(name for hour in hours for name in hour.heard)
    return (cycle, *(Cycle.of_id(each) for each in others))


class Reader:
    """Reads for the page. May be shared by threads.

    Parameters
    ----------
    store : Store
    watch : str
    rules : WindowRules, optional
        Of the watch: hours are read as `windowwatch.windows.standing.judged` by them.
    """

    def __init__(self, store: Store, watch: str, rules: WindowRules | None = None) -> None:
        self.store = store
        self._watch = watch
        self._rules = rules or WindowRules()
        self._lock = threading.Lock()
        self._kept: Snapshot | None = None
        self._survey: tuple[tuple[str, int], Surveyed | None] = ("", 0), None

    def newest(self) -> Snapshot | None:
        """The newest pass; None before the first one.

        Raises
        ------
        StorageError
            If the database refuses.
        """
        mark = self.store.newest_pass(self._watch)
        if mark is None:
            return None
        with self._lock:
            if self._kept is None or self._kept.mark != mark:
                self._kept = self._read_whole(mark)
            return self._kept

    def _read_whole(self, mark: PassMark) -> Snapshot:
        """A pass of one piece, also where the next one is stored meanwhile."""
        for _ in range(_TRIES):
            read = self._read(mark)
            now = self.store.newest_pass(self._watch)
            if now is None or now == mark:
                return read
            mark = now
        return read

    def _read(self, mark: PassMark) -> Snapshot:
        cycles = tuple(map(_shown, self.store.cycles(self._watch, last=CYCLES_BACK)))
        newest = cycles[-1].cycle.id
        hours = self.hours_of(newest)
        return Snapshot(
            mark=mark,
            cycles=cycles,
            hours=hours,
            windows=self.store.windows(self._watch, newest),
            by_time={(hour.site, hour.time_utc): hour for hour in hours},
        )

    def learned(self) -> Learned | None:
        """What was learned last of how good the answers were."""
        return self.store.learned_tables(self._watch)

    def scout_mark(self, now_utc: datetime) -> str:
        """What tells how scouting stands from how it stood."""
        number, run = self.store.scouting_number(self._watch), self.store.scout_run(self._watch)
        if run is None:
            return f"{number}"
        return f"{number}.{run.stands(now_utc)}.{100.0 * run.share:.0f}.{run.stop}"

    def surveys(self) -> tuple[tuple[str, int, datetime], ...]:
        """Mark, number and time of each survey, the newest first."""
        return self.store.surveys(self._watch)

    def survey(self, mark: str | None) -> Surveyed | None:
        """A survey, the newest where no mark is given; read anew only when there is another."""
        known = next(((m, n) for m, n, _ in self.surveys() if mark in (None, m)), None)
        if known is None:
            return None
        with self._lock:
            if self._survey[0] != known:
                found = self.store.survey(self._watch, known[0])
                if found is not None:
                    remarks = tuple(map(without_folders, found.remarks))
                    found = replace(found, remarks=remarks)
                self._survey = known, found
            return self._survey[1]

    def hour_in(self, cycle_id: str, site: str, time_utc: datetime) -> Hour | None:
        """One launch hour as one cycle saw it; None when it did not look at it."""
        found = self.store.hours(
            self._watch,
            cycle_id,
            site=site,
            from_utc=time_utc,
            until_utc=time_utc + timedelta(seconds=1),
        )
        return self._read_hour(found[0]) if found else None

    def detail(self, cycle_id: str, site: str, time_utc: datetime) -> HourDetail | None:
        """What an hour of a cycle is drawn with; None when it is not kept."""
        return self.store.detail(self._watch, cycle_id, site=site, time_utc=time_utc)

    def history(self, uid: str) -> tuple[Window, ...]:
        """Every version of a window, oldest first; empty when there is none of that uid."""
        return self.store.window_history(self._watch, uid)

    def passes(self, cycle_ids: Collection[str]) -> dict[str, int]:
        """How many passes are stored of each of some cycles."""
        return self.store.passes_by_cycle(self._watch, cycle_ids)

    def changes(self, last: int, uid: str | None = None) -> tuple[Change, ...]:
        """The last changes in the order they were found; only those of one window when named."""
        found = self.store.changes(self._watch, window_uid=uid, last=last)
        return tuple(
            replace(each, causes=tuple(map(_without_folders, each.causes))) for each in found
        )

    def others(self) -> tuple[StoredCycle, ...]:
        """The newest cycle of every model that does not decide, by name of the model."""
        return tuple(map(_shown, self.store.opinions(self._watch)))

    def count_changes(self) -> int:
        """How many changes there are in all."""
        return self.store.count_changes(self._watch)

    def has_change(self, key: str) -> bool:
        """Whether this watch has had such a change."""
        return bool(self.store.changes_by_key([key], self._watch))

    def hours_of(self, cycle_id: str) -> tuple[Hour, ...]:
        """All hours of one cycle."""
        return tuple(map(self._read_hour, self.store.hours(self._watch, cycle_id)))

    def _read_hour(self, hour: Hour) -> Hour:
        return judged(_of_this_version(hour), self._rules)


def _shown(cycle: StoredCycle) -> StoredCycle:
    """A cycle of which no note quotes where files lie."""
    gaps, remarks = (tuple(map(_quoting_none, held)) for held in (cycle.gaps, cycle.remarks))
    return replace(cycle, gaps=gaps, remarks=remarks)


def _quoting_none(note: Note) -> Note:
    """A note of which no words of an error say where files lie; values name no folder."""
    return replace(note, text=without_folders(note.text)) if isinstance(note, Quoting) else note


def _without_folders(cause: Cause) -> Cause:
    """A cause of which no words of an error say where files lie."""
    if isinstance(cause, ErrorSaid | ToldEarlier):
        return replace(cause, text=without_folders(cause.text))
    return cause


def _of_this_version(hour: Hour) -> Hour:
    """An hour without checks that this program knows no more: an older one stored them.

    Its verdict and score stay what was told; only the table gets shorter.
    """
    if all(check.name in LIMITS for check in hour.checks):
        return hour
    return replace(hour, checks=tuple(c for c in hour.checks if c.name in LIMITS))


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
