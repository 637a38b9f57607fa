"""Planned launches followed from one moment to the next: their tables made, and people told.

Named rules
-----------
once
    Each thing is told once: its key is made of the plan and what happened. So a daemon that was
    killed between two steps does them again, and nobody hears of it twice.
at once
    What people did, a measured gust and an overdue step do not wait for anything to be flown.
material
    How the planned minute stands is told when its verdict is another one than was last told, or
    its score or chance moved by as much as windows must move to be told.
grace
    A step is asked about when it is overdue by two minutes: somebody may be on the way to tick it.
in the air
    The flight of a launch begins when it was released. Where its reports show that it has left
    and nobody said so, that is written down in the name of the flight.
set late
    What was overdue already when the release was set is named in that notice, and not asked for.
"""

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Protocol

from windowwatch.chase.following import state_by
from windowwatch.chase.values import Closing, Flight, Outcome
from windowwatch.child import ChildStoppedError
from windowwatch.clock import Clock
from windowwatch.errors import WindowwatchError
from windowwatch.launchday.countdown import count_down
from windowwatch.launchday.plan import (
    Entry,
    Held,
    Moved,
    Plan,
    Planned,
    PlanState,
    Released,
    Scrubbed,
    stand,
)
from windowwatch.launchday.releases import ReleaseTable
from windowwatch.launchday.sighting import FRESH_FOR, USED_FOR, Sighting, vetoes
from windowwatch.scoring.values import Verdict
from windowwatch.storage.cycles import StoredCycle
from windowwatch.storage.plans import PlanEntries
from windowwatch.storage.store import Store
from windowwatch.watch.chasing import tell, told_of
from windowwatch.watch.launchday.desk import ElsewhereError
from windowwatch.watch.values import Watch
from windowwatch.windows import causes as c
from windowwatch.windows.causes import Cause
from windowwatch.windows.values import Change, ChangeKind
from windowwatch.windows.window import WindowRules

_LOG = logging.getLogger(__name__)

GRACE = timedelta(minutes=2)
#: What happened longer ago is not told any more by a daemon that only starts now.
_TOLD_FOR = timedelta(hours=24)
#: A table is made anew after this, however little changed: the wind's correction fades.
REMADE_AFTER = timedelta(minutes=15)
#: … while the release is nearer than this.
_NEAR = timedelta(hours=6)
#: Pause after a table that could not be made.
_TRIED_AGAIN = timedelta(minutes=1)


class TableMaker(Protocol):
    """What flies a plan: a desk here, or one in a process of its own."""

    def table(self, key: str, now_utc: datetime) -> ReleaseTable:
        """As `windowwatch.watch.launchday.desk.Desk.table`."""
        ...


@dataclass
class _Memory:
    """What is known of a plan since this process began."""

    made_of: tuple[object, ...] | None = None
    made_utc: datetime | None = None
    failed_of: tuple[object, ...] | None = None
    next_try_utc: datetime | None = None
    stands: c.PlanStands | None = None
    known: bool = False  #: that there is a plan was told
    unanswered: bool = False  #: … and that nothing could be flown for it, last of all
    loaded: bool = False


@dataclass
class Following:
    """Follows all planned launches of a watch.

    Parameters
    ----------
    watch : Watch
        With its channels.
    store : Store
    clock : Clock
    maker : TableMaker
    """

    watch: Watch
    store: Store
    clock: Clock
    maker: TableMaker
    remarks: dict[str, str] = field(default_factory=dict)
    """What could not be done, by plan; empty while all is well."""
    begun: Callable[[str], None] = lambda _key: None
    """Told the key of the flight of a launch that has left, once by this process."""
    near: bool = False
    """Whether a launch was near at the last look: what flies it is then kept at hand."""
    _memory: dict[str, _Memory] = field(default_factory=dict)
    _told: set[str] = field(default_factory=set)
    _flown: dict[str, PlanState] = field(default_factory=dict)
    _cycle: str = ""

    def look(self) -> tuple[Change, ...]:
        """Look once at every plan; what goes wrong with one is logged, and hurts no other.

        Returns
        -------
        tuple of Change
            What is told, and was not before.

        Raises
        ------
        StorageError
            If plans cannot be read.
        """
        now = self.clock.now()
        found: list[Change] = []
        kept = self.store.all_plans(self.watch.name)
        plans = [stand(each.key, each.entries, now) for each in kept]
        self.near = any(p.coming and abs(p.release_utc - now) < _NEAR for p in plans)
        newest = _newest(self.store, self.watch.name) if any(p.coming for p in plans) else None
        self._cycle = self._cycle if newest is None else newest.cycle.id
        for plan, each in zip(plans, kept, strict=True):
            last = each.entries[-1].at_utc
            if now - (max(last, plan.release_utc) if plan.coming else last) > _TOLD_FOR:
                continue  # over, or forgotten
            try:
                found += self._follow(plan, each, newest, now)
            except WindowwatchError as error:
                self._trouble(plan.key, error.message)
        return tuple(found)

    def _trouble(self, key: str, words: str) -> None:
        if self.remarks.get(key) != words:
            _LOG.error("plan %s: %s", key, words)
        self.remarks[key] = words

    def _follow(
        self, plan: Plan, kept: PlanEntries, newest: StoredCycle | None, now: datetime
    ) -> list[Change]:
        found = self._entries(plan, kept.entries, now)
        self._aloft(plan, now)
        if not plan.coming:
            self._memory.pop(plan.key, None)
            self.remarks.pop(plan.key, None)
            return found
        seen = self.store.sightings(self.watch.name, plan.site, now - USED_FOR)
        found += self._gusts(plan, seen, now)
        found += self._overdue(plan, kept.entries, now)
        memory = self._remembered(plan)
        what = _made_of(plan, newest, seen)
        table = None
        if self._is_due(plan, memory, what, now):
            table, unanswered = self._made(plan, memory, what, newest, now)
            found += unanswered
        if table is not None:
            found += self._stands(plan, memory, table, now)
        found += self._made_known(plan, kept.entries[0], memory, now)
        return found

    # -- in the air --

    def _aloft(self, plan: Plan, now: datetime) -> None:
        """Begin the flight of a launch that has left; notice one that left unsaid, by its track."""
        if plan.state is PlanState.SCRUBBED or self._flown.get(plan.key) is plan.state:
            return
        flight = self.store.flight_of_plan(self.watch.name, plan.key)
        site = next((s for s in self.watch.sites if s.name == plan.site), None)
        if plan.coming and flight is not None and flight.closing is None:
            track, _ = self.store.track_so_far(flight.key)
            left = state_by(flight.begun, track, now).released_utc
            if left is not None:
                self._left(plan, flight, min(max(left, plan.made_utc), now), now)
        elif plan.state is PlanState.RELEASED:
            if flight is None and site is not None:
                flight = self.store.begin_planned(self.watch.name, plan, site, now)
            if flight is not None:
                self.begun(flight.key)
            self._flown[plan.key] = plan.state
        elif plan.state is PlanState.DONE:
            if flight is not None and flight.closing is None and not self.store.reports(flight.key):
                ended = plan.ended
                by = plan.made_by if ended is None else ended.by
                self.store.close_flight(flight.key, Closing(Outcome.GIVEN_UP, now, by))
            self._flown[plan.key] = plan.state

    def _left(self, plan: Plan, flight: Flight, at_utc: datetime, now: datetime) -> None:
        """Write down that the balloon has left, where its reports show it and nobody said so."""
        self.store.act_on_plan(
            self.watch.name,
            plan.key,
            Released(at_utc),
            at_utc=now,
            by=f"flight {flight.key}",
            steps=self.watch.team.steps,
        )
        _LOG.info("plan %s: its flight %s has left by its reports", plan.key, flight.key)

    # -- what people did --

    def _entries(self, plan: Plan, entries: Sequence[Entry], now: datetime) -> list[Change]:
        """Moves, holds, the release and the scrub, each with how the plan stands after it."""
        found = []
        for at, entry in enumerate(entries[1:], start=1):
            why = _entry_cause(entry, entries[:at])
            if why is None or now - entry.at_utc > _TOLD_FOR:
                continue
            after = stand(plan.key, entries[: at + 1])
            late = self._late_from_start(after, entry) if isinstance(entry.event, Moved) else ()
            to = self._heard(plan, now) if isinstance(entry.event, Scrubbed) else ()
            found += self._tell(after, f"entry {entry.number}", (why, *late), now, also=to)
        return found

    def _made_known(self, plan: Plan, first: Entry, memory: _Memory, now: datetime) -> list[Change]:
        """That there is a plan, once something was flown for it or could not be."""
        if memory.known or (memory.made_of, memory.failed_of) == (None, None):
            return []
        memory.known = True
        if now - first.at_utc > _TOLD_FOR:
            return []
        stands = () if memory.stands is None else (memory.stands,)
        late = self._late_from_start(plan, first)
        return self._tell(plan, "entry 1", (c.PlanMade(first.by), *stands, *late), now)

    def _late_from_start(self, plan: Plan, entry: Entry) -> tuple[Cause, ...]:
        """Steps that were overdue when the release was set."""
        count = count_down(plan, self.watch.team.steps, entry.at_utc)
        return tuple(
            c.StepOverdue(each.step.key, each.step.text, each.due_utc, each.step.who)
            for each in count.alarming
        )

    def _overdue(self, plan: Plan, entries: Sequence[Entry], now: datetime) -> list[Change]:
        """Ask those who may say go about each step that must be done and is not."""
        set_utc = max(e.at_utc for e in entries if isinstance(e.event, Planned | Moved))
        found = []
        for each in count_down(plan, self.watch.team.steps, now).alarming:
            if each.due_utc <= set_utc or now - each.due_utc <= GRACE:
                continue
            why = c.StepOverdue(each.step.key, each.step.text, each.due_utc, each.step.who)
            asked = self.watch.team.go_channels
            label = f"overdue {each.step.key} {each.due_utc.isoformat()}"
            found += self._tell(plan, label, (why,), now, only=asked)
        return found

    # -- what was measured and flown --

    def _gusts(self, plan: Plan, seen: Sequence[Sighting], now: datetime) -> list[Change]:
        limit = self.watch.plan.limits.get("gust")
        if limit is None or not limit.hard or plan.release_utc - now > USED_FOR:
            return []
        found = []
        for veto in vetoes(seen, limit.limit, now):
            until = veto.at_utc + FRESH_FOR
            why = c.GustMeasured(veto.gust_mps, veto.limit_mps, veto.at_utc, until, veto.by)
            found += self._tell(plan, f"gust {veto.at_utc.isoformat()}", (why,), now)
        return found

    def _remembered(self, plan: Plan) -> _Memory:
        """Memory of a plan; what was last told of it is read from the store at first."""
        memory = self._memory.setdefault(plan.key, _Memory())
        if not memory.loaded:
            for each in self._changes(plan):
                for cause in each.causes:
                    memory.known |= isinstance(cause, c.PlanMade)
                    if isinstance(cause, c.PlanStands):
                        memory.stands, memory.unanswered = cause, False
                    memory.unanswered |= isinstance(cause, c.PlanUnanswered)
            memory.loaded = True
        return memory

    def _changes(self, plan: Plan) -> list[Change]:
        """All that was told of a plan, the oldest first."""
        since = plan.made_utc - _TOLD_FOR  # a clock may have been put back
        told = self.store.changes_since(self.watch.name, since, ChangeKind.PLAN)
        mine = [each for each in told if _is_of(each, plan.key)]
        return sorted(mine, key=lambda each: each.found_utc)

    def _is_due(self, plan: Plan, memory: _Memory, what: tuple[object, ...], now: datetime) -> bool:
        if memory.failed_of == what and memory.next_try_utc is not None:
            # a clock that was put back must not make it wait for longer
            return not now < memory.next_try_utc <= now + _TRIED_AGAIN
        if memory.made_of != what or memory.made_utc is None:
            return True
        near = plan.release_utc - now < _NEAR
        return near and not timedelta(0) <= now - memory.made_utc < REMADE_AFTER

    def _made(
        self,
        plan: Plan,
        memory: _Memory,
        what: tuple[object, ...],
        newest: StoredCycle | None,
        now: datetime,
    ) -> tuple[ReleaseTable | None, list[Change]]:
        """Make and keep the table; where that fails, say so once for each cycle."""
        try:
            table = self.maker.table(plan.key, now)
            self.store.save_release_table(self.watch.name, table)
        except ChildStoppedError:
            return None, []  # the program ends, which says nothing about the plan
        except ElsewhereError as error:
            memory.failed_of, memory.next_try_utc = what, now + _TRIED_AGAIN
            self._trouble(plan.key, error.message)
            return None, []  # no fault of the forecast: the release is past, or its site is gone
        except WindowwatchError as error:
            memory.failed_of, memory.next_try_utc = what, now + _TRIED_AGAIN
            self._trouble(plan.key, error.message)
            about = "no cycle" if newest is None else newest.cycle.id
            why = (c.PlanUnanswered(), c.ErrorSaid(error.first_line))
            memory.unanswered = True
            return None, self._tell(plan, f"unanswered {about}", why, now)
        memory.made_of, memory.made_utc, memory.failed_of = what, now, None
        if self.remarks.pop(plan.key, None) is not None:
            _LOG.info("plan %s: its releases are flown again", plan.key)
        return table, []

    def _stands(
        self, plan: Plan, memory: _Memory, table: ReleaseTable, now: datetime
    ) -> list[Change]:
        """Tell how the planned minute stands, where that is news."""
        row = table.planned
        if row is None or row.vetoed is not None:
            return []  # the gust was told by itself, with until when it counts
        before = memory.stands
        stands = c.PlanStands(
            row.verdict,
            row.score,
            row.chance,
            table.last_good_utc,
            None if before is None else before.verdict,
            None if before is None else before.score,
            None if before is None else before.chance,
            table.rows[-1].time_utc,
        )
        if not memory.known:
            memory.stands = stands  # told in the notice that there is a plan
            return []
        if not memory.unanswered and not is_news(stands, self.watch.rules):
            return []
        memory.stands, memory.unanswered = stands, False
        why: list[Cause] = [stands]
        if row.refused is not None:
            why.append(c.Refused(row.refused))
        elif row.limiting is not None:
            why.append(c.CheckAgainst(row.limiting))
        label = f"stands {table.cycle_id} {table.made_utc.isoformat()}"
        return self._tell(plan, label, tuple(why), now)

    # -- telling --

    def _heard(self, plan: Plan, now: datetime) -> tuple[str, ...]:
        """Channels on which anything of a plan was to be told."""
        found = [
            each.channel
            for change in self._changes(plan)
            for each in self.store.deliveries(change.key)
        ]
        return tuple(dict.fromkeys(found))

    def _tell(
        self,
        plan: Plan,
        label: str,
        causes: tuple[Cause, ...],
        now: datetime,
        *,
        only: Sequence[str] = (),
        also: Sequence[str] = (),
    ) -> list[Change]:
        """As `tell`, what was not told before."""
        change = told_of(
            self.watch,
            f"plan {plan.key}",
            ChangeKind.PLAN,
            label,
            (c.OfPlan(plan.key, plan.release_utc, str(plan.state)), *causes),
            now,
            self._cycle or plan.cycle_id or "",
            plan.site,
        )
        if change.key in self._told:
            return []
        new = tell(self.store, self.watch, change, only=only, also=also)
        self._told.add(change.key)
        return new


def _newest(store: Store, watch: str) -> StoredCycle | None:
    stored = store.cycles(watch, last=1)
    return stored[-1] if stored else None


def _made_of(
    plan: Plan, newest: StoredCycle | None, seen: Sequence[Sighting]
) -> tuple[object, ...]:
    """What a table hangs on: the plan as it is, the forecast, and what was seen."""
    forecast = None if newest is None else (newest.cycle.id, newest.saved_utc)
    return plan.flown_number, forecast, tuple((each.at_utc, each.by) for each in seen)


def _is_of(change: Change, key: str) -> bool:
    return any(isinstance(each, c.OfPlan) and each.plan == key for each in change.causes)


def _entry_cause(entry: Entry, before: Sequence[Entry]) -> Cause | None:
    """What is told of an entry; None where nothing is."""
    event = entry.event
    if isinstance(event, Held):
        return c.PlanHeld(event.wait, entry.by)
    if isinstance(event, Moved):
        return c.PlanMoved(stand("", before).release_utc, entry.by)
    if isinstance(event, Scrubbed):
        return c.PlanScrubbed(entry.by, event.why)
    if isinstance(event, Released):
        return c.PlanReleased(event.release_utc, entry.by)
    return None


def is_news(stands: c.PlanStands, rules: WindowRules) -> bool:
    """Whether how a planned minute stands is another thing than what was told before."""
    if stands.verdict is not stands.verdict_before:
        return True
    if stands.verdict is Verdict.UNKNOWN:
        return False
    pairs = (
        (stands.score, stands.score_before, rules.score_step),
        (stands.chance, stands.chance_before, rules.chance_step),
    )
    return any(
        new is not None and old is not None and abs(new - old) > step for new, old, step in pairs
    )
