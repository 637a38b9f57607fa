"""Planned launches are followed: who is told what, once, and that a failure hurts nothing else."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import pytest
from invented import HIGHMOOR, MILLFIELD, SITES, WATCH, cycle, hour, refused

from windowwatch.chase.reports import Report
from windowwatch.chase.values import Air, Outcome
from windowwatch.clock import SimulatedClock
from windowwatch.errors import SourceError
from windowwatch.ground.query.features import Ground
from windowwatch.launchday.plan import (
    Done,
    Event,
    Held,
    LiftMeasured,
    Moved,
    Planned,
    PlanState,
    Released,
    Scrubbed,
    Ticked,
    stand,
)
from windowwatch.launchday.releases import ReleaseTable, release_table
from windowwatch.launchday.sighting import Sighting
from windowwatch.launchday.team import GoSayer, Team
from windowwatch.notices.deliver import deliver_pending
from windowwatch.notices.values import Channel, Message
from windowwatch.physics.train import FlightTrain, Gas
from windowwatch.scoring.limits import Limit
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Hour
from windowwatch.storage.cycles import PassRecord
from windowwatch.storage.plans import PlanEntries
from windowwatch.storage.store import Store, open_store
from windowwatch.watch.launchday.desk import ElsewhereError
from windowwatch.watch.launchday.following import Following
from windowwatch.watch.values import Span, Watch
from windowwatch.windows import causes as c
from windowwatch.windows.values import Change
from windowwatch.windows.window import WindowRules

pytestmark = pytest.mark.launchday

NOW = datetime(2026, 5, 5, 6, 0, tzinfo=UTC)
RELEASE = NOW + timedelta(hours=2)
TRAIN = FlightTrain(1.2, 1.6, 2.8, 8.6, 2.5, gas=Gas.HELIUM)
#: One who sleeps, one who is asked, and one who hears of another site alone.
CHANNELS = (
    Channel("crew", "none://", quiet=(time(0), time(23, 59)), time_zone="UTC", at_once=frozenset()),
    Channel("director", "none://", digest_at=(time(23),), at_once=frozenset()),
    Channel("elsewhere", "none://", sites=frozenset({"Highmoor"})),
)


class Maker:
    """Gives tables of one verdict for every release, or fails."""

    def __init__(self, store: Store) -> None:
        self.store, self.score, self.fails, self.gone = store, 82.0, "", False
        self.made = 0
        self.odd: Callable[[datetime], Hour] | None = None

    def table(self, key: str, now_utc: datetime) -> ReleaseTable:
        """A table of three releases round the planned one."""
        self.made += 1
        if self.fails:
            raise SourceError(self.fails)
        if self.gone:
            raise ElsewhereError("its release is past")
        plan = stand(key, self.store.plan_entries(WATCH, key).entries, now_utc)
        steps = [timedelta(minutes=minutes) for minutes in (-5, 0, 5)]
        made = self.odd or (lambda at: hour(at, self.score))
        return release_table(
            [made(plan.release_utc + step) for step in steps],
            plan=key,
            plan_number=plan.number,
            planned_utc=plan.release_utc,
            cycle_id=cycle(0).id,
            now_utc=now_utc,
        )


class Day:
    """A launch day: a clock, a database, and whoever follows."""

    def __init__(self, store: Store) -> None:
        self.store, self.clock, self.maker = store, SimulatedClock(NOW), Maker(store)
        self.watch = Watch(
            WATCH,
            "skerra",
            (MILLFIELD, HIGHMOOR),
            TRAIN,
            Span(timedelta(hours=1), 6),
            16,
            ScoringPlan(limits={"gust": Limit(7.0, 10.0, True)}),
            WindowRules(),
            Ground(),
            channels=CHANNELS,
            team=Team(go=(GoSayer("Ines", ("director",)),)),
        )
        self.following = self.anew()
        self.key = self.plan().key

    def anew(self) -> Following:
        """As after a new start of the daemon."""
        return Following(self.watch, self.store, self.clock, self.maker)

    def plan(self) -> PlanEntries:
        event = Planned("Millfield", RELEASE, TRAIN)
        return self.store.make_plan(WATCH, event, at_utc=self.clock.now(), by="Ada")

    def act(self, event: Event, by: str = "Ben") -> None:
        """Somebody does something."""
        steps = self.watch.team.steps
        self.store.act_on_plan(WATCH, self.key, event, at_utc=self.clock.now(), by=by, steps=steps)

    def cycle(self, number: int) -> None:
        """A new cycle is stored."""
        self.clock.set(self.clock.now() + timedelta(minutes=1))
        record = PassRecord(WATCH, cycle(number), self.clock.now(), (), (), ())
        assert self.store.save_pass(record)

    def look(self, minutes: float = 0.0) -> list[type]:
        """Look once, after a while; kinds of what is told, but for which plan it is."""
        self.clock.set(self.clock.now() + timedelta(minutes=minutes))
        return [type(told(change)) for change in self.following.look()]

    def on(self, change: Change) -> set[str]:
        """Channels on which a change is to be told."""
        return {each.channel for each in self.store.deliveries(change.key)}


def told(change: Change) -> c.Cause:
    """What a change of a plan is about."""
    assert isinstance(change.causes[0], c.OfPlan)
    return change.causes[1]


@pytest.fixture
def day(tmp_path: Path, new_sqlite: Callable[[Path, bool], str]) -> Iterator[Day]:
    store = open_store(new_sqlite(tmp_path, True))
    yield Day(store)
    store.close()


def test_a_plan_is_told_once_with_how_it_stands_and_what_is_overdue_already(day: Day) -> None:
    (made,) = day.following.look()
    assert [type(each) for each in made.causes[1:]] == [
        c.PlanMade,
        c.PlanStands,
        c.StepOverdue,  # notice to air traffic, a day before
        c.StepOverdue,  # last look at the forecast, three hours before
    ]
    assert day.on(made) == {"crew", "director"}
    assert day.look() == day.look(1) == []
    day.following = day.anew()
    assert day.look() == [], "a new start tells nothing twice"
    assert day.maker.made == 2, "and makes the table once more, not at every look"


def test_holds_and_moves_are_told_and_flown_at_once(day: Day) -> None:
    day.look()
    day.act(Held(timedelta(minutes=20)))
    assert day.look(0.1) == [c.PlanHeld]
    table = day.store.release_table(WATCH, day.key)
    assert table is not None
    assert table.planned_utc == RELEASE + timedelta(minutes=20)
    day.act(Moved(RELEASE + timedelta(hours=1)))
    assert day.look(0.1) == [c.PlanMoved]
    day.act(Ticked("train"))
    assert day.look(0.1) == []


def test_a_new_forecast_tells_when_it_is_better_worse_or_no_go_and_why(day: Day) -> None:
    day.cycle(0)
    day.look()
    day.maker.score = 60.0
    day.cycle(1)
    (worse,) = day.following.look()
    stands = told(worse)
    assert isinstance(stands, c.PlanStands)
    assert (stands.score_before, stands.score) == (82.0, 60.0)
    assert isinstance(worse.causes[2], c.CheckAgainst)
    day.maker.score = 62.0
    day.cycle(2)
    assert day.look() == [], "two points are no news"
    day.maker.score = 0.0
    day.cycle(3)
    (no_go,) = day.following.look()
    stands = told(no_go)
    assert isinstance(stands, c.PlanStands)
    assert stands.verdict == "no-go"
    day.maker.odd = lambda at: replace(refused(at), site="Millfield")
    day.cycle(4)
    (unknown,) = day.following.look()
    assert isinstance(unknown.causes[2], c.Refused), "what is not known is never shown as good"


def test_what_cannot_be_flown_is_said_and_hurts_no_other_plan(day: Day) -> None:
    day.maker.fails = "its files are gone"
    assert day.look() == [c.PlanUnanswered, c.PlanMade]
    assert day.following.remarks == {day.key: "its files are gone"}
    assert day.look() == day.look(0.5) == []
    assert day.maker.made == 1, "tried again a minute later, not at every look"
    day.act(Scrubbed("rain"))
    assert day.look() == [c.PlanScrubbed]
    assert not day.following.remarks
    other = day.plan()
    day.maker.fails = ""
    assert day.look(1) == [c.PlanMade]
    assert day.store.release_table(WATCH, other.key) is not None


def test_it_is_told_when_it_can_be_flown_again(day: Day) -> None:
    day.maker.fails = "its files are gone"
    day.look()
    day.maker.fails = ""
    assert day.look(1.5) == [c.PlanStands]
    assert day.look(1.5) == []


def test_an_overdue_step_asks_those_who_may_say_go_once(day: Day) -> None:
    day.look()
    assert day.look(30) == [], "due now: two minutes of grace"
    day.clock.set(NOW + timedelta(minutes=33))
    (asked,) = day.following.look()
    why = told(asked)
    assert isinstance(why, c.StepOverdue)
    assert why.step == "gas"
    assert day.on(asked) == {"director"}
    assert day.look(1) == []
    day.act(Ticked("gas"))
    day.act(Ticked("payload"))
    assert day.look(30) == [], "the train is no must, and the payload is on"
    day.following = day.anew()
    assert day.look() == []


def test_a_scrub_tells_everybody_who_was_told_of_the_plan(day: Day) -> None:
    day.look()
    day.watch = day.following.watch = replace(
        day.watch, channels=(replace(CHANNELS[0], sites=frozenset({"Highmoor"})), *CHANNELS[1:])
    )
    day.act(Scrubbed("front"))
    (change,) = day.following.look()
    assert day.on(change) == {"crew", "director"}, "the crew heard of it, whatever they hear now"
    day.following = day.anew()
    assert day.look(1) == []


def test_a_release_is_told_and_ends_the_asking(day: Day) -> None:
    day.look()
    day.clock.set(RELEASE)
    day.act(Released(RELEASE))
    assert day.look(60) == [c.PlanReleased]


def test_a_measured_gust_over_the_hard_limit_is_told_at_once(day: Day) -> None:
    day.look()
    day.maker.fails = "the process that flies has died"
    seen = Sighting("Millfield", day.clock.now(), "Ben", wind_mps=6.0, gust_mps=12.3)
    day.store.save_sighting(WATCH, seen)
    assert day.look() == [c.GustMeasured, c.PlanUnanswered]
    assert day.look(0.5) == []


def test_plans_come_before_all_others_and_wake_those_who_sleep(day: Day) -> None:
    from invented import Line, flat

    line = Line(WindowRules(confirm_cycles=1, open_steady=0.0))
    changes = line.read(flat(6, 9))
    pairs = tuple((each.key, "crew") for each in changes)
    day.store.save_changes(WATCH, changes, pairs)
    day.look()
    sent: list[tuple[str, Message]] = []
    deliver_pending(
        day.store,
        CHANNELS,
        SITES,
        day.clock,
        send=lambda channel, message: sent.append((channel.name, message)),
    )
    titles = [message.title for name, message in sent if name == "crew"]
    assert titles[0].startswith("LAUNCH PLANNED: Millfield Tue 5 06:00 local"), titles
    assert len(titles) == 2, "the older notice comes after it"
    assert {"crew", "director"} == {name for name, _ in sent}


def test_a_release_that_went_by_untold_is_no_fault_of_the_forecast(day: Day) -> None:
    day.look()
    day.maker.gone = True
    day.clock.set(RELEASE + timedelta(hours=3))
    assert set(day.look()) == {c.StepOverdue}
    assert "is past" in day.following.remarks[day.key]
    assert day.look(60 * 24) == [], "and a plan that everybody forgot is left alone"
    assert not day.following.near


def rising(minute: int) -> Report:
    """What a tracker says so many minutes after it left, 5 m/s up."""
    when = RELEASE + timedelta(minutes=minute)
    return Report(
        "radio", when, when, MILLFIELD.latitude_deg, MILLFIELD.longitude_deg + 0.005 * minute,
        MILLFIELD.height_m + 300.0 * minute,
    )  # fmt: skip


@pytest.mark.chase
def test_a_flight_begins_once_with_the_release_and_the_measured_lift(day: Day) -> None:
    begun: list[str] = []
    for each in (day.following, day.anew()):
        each.begun = begun.append
    day.act(LiftMeasured(2.95))
    day.following.look()
    assert day.store.flights() == ()
    day.clock.set(RELEASE)
    day.act(Released(RELEASE))
    day.following.look()
    day.following.look()
    day.anew().look()
    (flight,) = day.store.flights()
    assert begun == [flight.key]
    assert day.store.flight_of_plan(WATCH, day.key) == flight
    kept = flight.begun
    assert (kept.watch, kept.plan, kept.air) == (WATCH, day.key, Air.AWAITED)
    assert kept.train == replace(TRAIN, nozzle_lift_kg=2.95)
    assert kept.released_utc == RELEASE
    assert kept.release == (MILLFIELD.latitude_deg, MILLFIELD.longitude_deg, MILLFIELD.height_m)
    day.act(Done())
    day.following.look()
    (flight,) = day.store.flights()
    assert flight.closing is not None, "nobody ever reported it"
    assert flight.closing.outcome is Outcome.GIVEN_UP


@pytest.mark.chase
def test_a_release_that_nobody_ticked_is_noticed_by_its_reports(day: Day) -> None:
    plan = stand(day.key, day.store.plan_entries(WATCH, day.key).entries, NOW)
    flight = day.store.begin_planned(WATCH, plan, MILLFIELD, NOW)
    day.clock.set(RELEASE + timedelta(minutes=4))
    day.store.add_reports(flight.key, [replace(rising(0), height_m=MILLFIELD.height_m)])
    day.following.look()
    stands = stand(day.key, day.store.plan_entries(WATCH, day.key).entries, day.clock.now())
    assert stands.coming
    day.store.add_reports(flight.key, [rising(minute) for minute in range(1, 5)])
    day.following.look()
    heard = day.following.look()
    stands = stand(day.key, day.store.plan_entries(WATCH, day.key).entries, day.clock.now())
    assert stands.state is PlanState.RELEASED
    assert stands.released_utc is not None
    assert abs(stands.released_utc - RELEASE) < timedelta(minutes=1)
    (why,) = [told(each) for each in heard]
    assert isinstance(why, c.PlanReleased)
    assert why.by == f"flight {flight.key}"
