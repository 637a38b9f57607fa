"""Planned launches for a phone: the next step, what the planned minute says, what is old. Pure.

Named rules
-----------
old
    Numbers of a table are old when the plan, the forecast or what was seen has changed since it
    was flown, or when it was flown too long ago. They are still shown, and marked.
at once
    A measured gust over its hard limit is said at once, however old the table is.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from windowwatch.drawing.hour_map import TALL, WIDE, MapView, draw
from windowwatch.errors import InputError
from windowwatch.launchday.countdown import StepMark, StepStand, StepState, count_down
from windowwatch.launchday.flight import PlannedFlight, air_for_fill
from windowwatch.launchday.plan import COMING, Entry, Plan, stand
from windowwatch.launchday.releases import Release, ReleaseTable
from windowwatch.launchday.sighting import USED_FOR, Sighting, Veto, vetoes
from windowwatch.scoring.values import Site, Verdict
from windowwatch.storage.plans import PlanEntries
from windowwatch.web.values import Facts, site_keys, stamp
from windowwatch.windows.standing import Launch
from windowwatch.wording import launchday as told
from windowwatch.wording import page as words
from windowwatch.wording import planpage as said
from windowwatch.wording.phrases import percent, sentence

#: A table of a launch to come that was flown longer ago is old: it is made anew more often.
OLD_AFTER = timedelta(minutes=20)
#: Releases that are shown before the fold; the table has one every five minutes.
SHOWN = 12


@dataclass(frozen=True)
class PlanRow:
    """A planned launch in the list."""

    key: str
    site: str
    release: str
    state: str
    coming: bool


@dataclass(frozen=True)
class StepRow:
    """A step of the countdown. `form` says what its button does."""

    key: str
    text: str
    who: str
    due: str
    done: str
    late: bool
    must: bool
    next: bool
    form: str


@dataclass(frozen=True)
class ReleaseRow:
    """A release of the table."""

    clock: str
    mark: str
    verdict: str
    kind: str
    chance: str
    lands: str
    crew: str
    clearance: str
    daylight: str
    why: str
    planned: bool
    last_good: bool


@dataclass(frozen=True)
class Answer:
    """What the planned minute says: verdict, why, and how likely."""

    verdict: str
    mark: str
    kind: str
    why: str
    chance: str


@dataclass(frozen=True)
class FillNow:
    """The fill as it is to be done now; `fault` where it cannot be had."""

    lines: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    fault: str
    cylinders: tuple[str, ...]


@dataclass(frozen=True)
class PlanView:
    """A planned launch as its page and its take-along show it.

    Attributes
    ----------
    plan : Plan
    table : ReleaseTable or None
        As it is stored, old or not.
    flight : PlannedFlight or None
        Of the plan as it stands; None while that was not flown.
    old : tuple of str
        Why the table is old; empty when it is not.
    stop : str
        A measurement that forbids a release now; empty where there is none.
    """

    plan: Plan
    table: ReleaseTable | None
    flight: PlannedFlight | None
    site: Site | None
    zone: tzinfo
    now_utc: datetime
    title: str
    release_clock: str
    release: str
    state: str
    count: str
    answer: Answer
    stop: str
    last_good: str
    last_good_more: str
    age: str
    old: tuple[str, ...]
    steps: tuple[StepRow, ...]
    rows: tuple[ReleaseRow, ...]
    columns: frozenset[str]
    ample: tuple[str, ...]
    seen: tuple[str, ...]
    correction: str
    fill: FillNow
    lifts: tuple[str, ...]
    tall: MapView | None
    wide: MapView | None
    spoken: str
    lands: tuple[str, ...]
    log: tuple[str, ...]
    coming: bool

    @property
    def next(self) -> StepRow | None:
        """The step that is to be done next."""
        return next((step for step in self.steps if step.next), None)

    @property
    def near_rows(self) -> tuple[ReleaseRow, ...]:
        """The next releases, and the planned and the last good one wherever they are."""
        later = (row for row in self.later_rows if row.planned or row.last_good)
        return (*self.rows[:SHOWN], *later)

    @property
    def later_rows(self) -> tuple[ReleaseRow, ...]:
        """Releases behind the fold."""
        return self.rows[SHOWN:]


def as_of(
    entries: Sequence[Entry], table: ReleaseTable | None, now_utc: datetime
) -> tuple[Sequence[Entry], datetime]:
    """Entries of a plan that was played, as it stood when it was flown last, and that time.

    What a rehearsal plays lies ahead of the clock of its page.
    """
    now = max(now_utc, entries[0].at_utc if table is None else table.made_utc)
    return [each for each in entries if each.at_utc <= now], now


def to_plan(launch: Launch | None, sites: Sequence[Site], now_utc: datetime) -> str:
    """Address at which a window's launch is planned; empty where there is none to come."""
    keys = {site.name: key for key, site in site_keys(sites).items()}
    if launch is None or launch.time_utc <= now_utc or launch.window.site not in keys:
        return ""
    return f"/plans/new?site={keys[launch.window.site]}&time={stamp(launch.time_utc)}"


def plan_rows(facts: Facts, plans: Sequence[PlanEntries], now_utc: datetime) -> tuple[PlanRow, ...]:
    """Planned launches: those to come by their release, then the others, the newest first."""
    sites = {site.name: site for site in facts.sites}
    stands = [stand(each.key, each.entries, now_utc) for each in plans]
    coming = sorted((p for p in stands if p.coming), key=lambda p: p.release_utc)
    over = [plan for plan in stands if not plan.coming]
    return tuple(
        PlanRow(
            plan.key,
            plan.site,
            words.both_words(plan.release_utc, words.zone_of(sites.get(plan.site))),
            str(plan.state),
            plan.coming,
        )
        for plan in (*coming, *over)
    )


def plan_view(
    facts: Facts,
    key: str,
    entries: Sequence[Entry],
    table: ReleaseTable | None,
    sightings: Sequence[Sighting],
    newest_cycle: str,
    now_utc: datetime,
) -> PlanView:
    """A planned launch at a time.

    Parameters
    ----------
    facts : Facts
    key : str
    entries : sequence of Entry
        All that happened to it until `now_utc`.
    table : ReleaseTable or None
        The newest one.
    sightings : sequence of Sighting
        Of its site, of the last hours.
    newest_cycle : str
        Id of the newest cycle of the deciding model; empty where there is none.
    now_utc : datetime
    """
    plan = stand(key, entries, now_utc)
    site = next((s for s in facts.sites if s.name == plan.site), None)
    zone = words.zone_of(site)
    old = _old(plan, table, sightings, newest_cycle, now_utc)
    flight = _flight_of(plan, table)
    vetoed = _vetoes(facts, sightings, now_utc)
    rows, (columns, ample) = _rows(plan, table, zone, now_utc), _columns(table)
    tall, wide, spoken = _maps(facts, site, flight)
    last, more = _last_good(table, zone, now_utc)
    return PlanView(
        plan=plan,
        table=table,
        flight=flight,
        site=site,
        zone=zone,
        now_utc=now_utc,
        title=f"{plan.site}, {said.release_title(plan, zone)}",
        release_clock=f"{plan.release_utc.astimezone(zone):%H:%M}",
        release=words.both_words(plan.release_utc, zone),
        state=said.state_words(plan, zone),
        count=said.count_words(plan.release_utc - now_utc),
        answer=_answer(plan, table, vetoed, zone),
        stop=said.veto_words(vetoed[0], zone) if vetoed and plan.coming else "",
        last_good=last,
        last_good_more=more,
        age="" if table is None else sentence(said.age_words(table, zone, now_utc)),
        old=old,
        steps=_steps(facts, plan, zone, now_utc),
        rows=rows,
        columns=columns,
        ample=ample,
        seen=_seen(table, sightings, zone),
        correction="" if table is None else sentence(told.correction_words(table.correction)),
        fill=_fill(facts, plan, site, flight, sightings, now_utc),
        lifts=() if flight is None else told.lift_lines(flight.lifts, plan.train.nozzle_lift_kg),
        tall=tall,
        wide=wide,
        spoken=spoken,
        lands=() if flight is None else said.landing_lines(flight, plan, zone),
        log=tuple(said.entry_words(each, zone) for each in reversed(entries)),
        coming=plan.coming,
    )


def _maps(
    facts: Facts, site: Site | None, flight: PlannedFlight | None
) -> tuple[MapView | None, MapView | None, str]:
    """The map for a phone and for a desk, and what it shows in words."""
    if site is None or flight is None or flight.footprint is None:
        return None, None, ""
    mark, detail = flight.footprint, flight.detail
    tall, wide = (
        draw(site, mark, facts.ground, detail=detail, zones=facts.zones, shape=shape)
        for shape in (TALL, WIDE)
    )
    return tall, wide, words.map_words(site, mark, detail)


def _flight_of(plan: Plan, table: ReleaseTable | None) -> PlannedFlight | None:
    """The flight of the plan as it stands; None where the plan has changed since."""
    if table is None or table.plan_number < plan.flown_number:
        return None
    return table.flight


def _old(
    plan: Plan,
    table: ReleaseTable | None,
    sightings: Sequence[Sighting],
    newest_cycle: str,
    now_utc: datetime,
) -> tuple[str, ...]:
    if table is None or plan.state not in COMING:
        return ()
    why = []
    if table.plan_number < plan.flown_number:
        why.append(said.OLD_PLAN)
    if newest_cycle and table.cycle_id != newest_cycle:
        why.append(said.old_cycle(table.cycle_id, newest_cycle))
    if any(seen.at_utc > table.made_utc for seen in sightings):
        why.append(said.OLD_SEEN)
    if now_utc - table.made_utc > OLD_AFTER:
        why.append(said.old_age(now_utc - table.made_utc))
    return tuple(why)


def _vetoes(facts: Facts, sightings: Sequence[Sighting], now_utc: datetime) -> tuple[Veto, ...]:
    """Fresh measurements that forbid a release now, the newest first."""
    limit = facts.plan.limits.get("gust")
    if limit is None or not limit.hard:
        return ()
    return vetoes(sightings, limit.limit, now_utc)


def _answer(
    plan: Plan, table: ReleaseTable | None, against: Sequence[Veto], zone: tzinfo
) -> Answer:
    veto = next((each for each in against if each.forbids(plan.release_utc)), None)
    if veto is not None:
        why = said.veto_words(veto, zone)
        return Answer("no-go", words.MARKS[Verdict.NO_GO], "no-go", why, "")
    row = None
    if table is not None:
        row = next((r for r in table.rows if r.time_utc == plan.release_utc), None)
    if row is None:
        return Answer(said.NOT_KNOWN, words.MARKS[Verdict.UNKNOWN], "unknown", said.NOT_FLOWN, "")
    verdict = said.NOT_KNOWN if row.verdict is Verdict.UNKNOWN else str(row.verdict)
    why = told.limit_words(row)
    return Answer(
        verdict,
        words.MARKS[row.verdict],
        str(row.verdict),
        sentence(said.because(row.verdict, why)),
        "" if row.chance is None else percent(row.chance),
    )


def _last_good(table: ReleaseTable | None, zone: tzinfo, now_utc: datetime) -> tuple[str, str]:
    """The one large time, and what is to be known beside it."""
    if table is None:
        return "–", said.NOT_FLOWN
    if table.last_good_utc is None:
        return "none", said.NONE_GOOD
    clock = f"{table.last_good_utc.astimezone(zone):%H:%M}"
    if table.last_good_utc < now_utc:
        return clock, said.GONE_BY
    return clock, said.last_good_more(table, zone, now_utc)


def _steps(facts: Facts, plan: Plan, zone: tzinfo, now_utc: datetime) -> tuple[StepRow, ...]:
    count = count_down(plan, facts.team.steps, now_utc)
    return tuple(_step(each, each is count.next, zone, plan) for each in count.steps)


def _step(each: StepStand, is_next: bool, zone: tzinfo, plan: Plan) -> StepRow:
    step = each.step
    form = {StepMark.LIFT: "lift", StepMark.RELEASE: "released"}.get(step.mark, "tick")
    return StepRow(
        key=step.key,
        text=step.text,
        who=step.who,
        due=said.due_words(each.due_utc, plan.release_utc, zone),
        done="" if each.tick is None else said.tick_words(each.tick, zone),
        late=each.state is StepState.OVERDUE,
        must=step.must,
        next=is_next,
        form=form,
    )


def _rows(
    plan: Plan, table: ReleaseTable | None, zone: tzinfo, now_utc: datetime
) -> tuple[ReleaseRow, ...]:
    if table is None:
        return ()
    coming = [row for row in table.rows if row.time_utc >= now_utc or not plan.coming]
    return tuple(_release_row(row, table, zone) for row in coming)


def _release_row(row: Release, table: ReleaseTable, zone: tzinfo) -> ReleaseRow:
    clock, verdict, chance, lands, *spans = told.row_cells(row, zone)
    crew, clearance, daylight = (each.removesuffix(" h") for each in spans)
    return ReleaseRow(
        clock=clock,
        mark=words.MARKS[row.verdict],
        verdict=verdict,
        kind=str(row.verdict),
        chance=chance,
        lands=lands,
        crew=crew,
        clearance=clearance,
        daylight=daylight,
        why=told.limit_words(row),
        planned=row.time_utc == table.planned_utc,
        last_good=row.time_utc == table.last_good_utc,
    )


#: A clearance or a daylight that lasts longer than this at every release needs no column. [min]
_AMPLE_MIN = 12.0 * 60.0


def _columns(table: ReleaseTable | None) -> tuple[frozenset[str], tuple[str, ...]]:
    """Columns that a crew has to look at, and what is said in the place of the others."""
    if table is None:
        return frozenset(), ()
    shown, ample = set(), []
    for name, field_name in (
        ("crew", "crew_after_min"),
        ("clearance", "clearance_left_min"),
        ("daylight", "daylight_left_min"),
    ):
        known = [v for row in table.rows if (v := getattr(row, field_name)) is not None]
        if name != "crew" and known and min(known) > _AMPLE_MIN:
            ample.append(said.ample_words(name, min(known)))
        elif known:
            shown.add(name)
    return frozenset(shown), tuple(ample)


def _seen(
    table: ReleaseTable | None, sightings: Sequence[Sighting], zone: tzinfo
) -> tuple[str, ...]:
    """What was seen, the newest first, each beside the forecast where that is known."""
    beside = {} if table is None else {each.seen: each for each in table.seen}
    return tuple(
        told.beside_words(beside[each], zone) if each in beside else told.seen_words(each, zone)
        for each in sorted(sightings, key=lambda each: each.at_utc, reverse=True)
    )


def _fill(
    facts: Facts,
    plan: Plan,
    site: Site | None,
    flight: PlannedFlight | None,
    sightings: Sequence[Sighting],
    now_utc: datetime,
) -> FillNow:
    team = facts.team
    names = tuple(each.name for each in team.cylinders)
    if site is None:
        return FillNow((), (), said.NO_SITE, names)
    fresh = [each for each in sightings if each.at_utc > now_utc - USED_FOR]
    air, source = air_for_fill(
        site.height_m, None if flight is None else flight.air, fresh, now_utc
    )
    try:
        day = team.fill_to(plan.meant_lift_kg, plan, air)
    except InputError as error:
        return FillNow((), (), error.message, names)
    lines = told.fill_lines(day, air, str(source), cylinders=bool(names))
    return FillNow(lines, told.fill_cautions(day), "", names)
