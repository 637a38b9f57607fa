"""The ledger of fetches, and a cycle that is passed again when more of it has come."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from alembic import command
from invented import WATCH, at, change, cycle, flat, hour, record, window
from made_store import migrate
from sqlalchemy import text

from windowwatch.forecast.download.ledger import CycleStage, CycleState, KeptFile
from windowwatch.forecast.notes import AtSteps, NotReceived, Planes, SaidBefore
from windowwatch.storage import engine
from windowwatch.storage.store import Store, open_store
from windowwatch.windows.values import ChangeKind

CYCLE = datetime(2026, 5, 4, 12, tzinfo=UTC)
FILE = KeptFile(
    "gfs-0.25", CYCLE, "filter-0.25", "0p25-f003", 3, "http://h/x", "/c/x", 5, "ab" * 32, CYCLE
)
LACKS = AtSteps(NotReceived(Planes("visibility_m")), (21_600,), 1)
STATE = CycleState("gfs-0.25", CYCLE, CycleStage.PARTIAL, "filter-0.25", 3, 57, CYCLE)


def test_the_ledger_remembers_files(store: Store) -> None:
    ledger = store.ledger()
    assert ledger.kept_files("gfs-0.25", CYCLE) == ()
    later = replace(FILE, item="0p25-f006", step_h=6, lacking=(LACKS,))
    for file in (later, FILE, replace(FILE, model="gefs")):
        ledger.keep_file(file)
    assert ledger.kept_files("gfs-0.25", CYCLE) == (FILE, later)
    again = replace(FILE, sha256="cd" * 32)
    ledger.keep_file(again)
    assert ledger.kept_files("gfs-0.25", CYCLE) == (again, later)
    ledger.forget_file(again)
    ledger.forget_file(again)
    assert ledger.kept_files("gfs-0.25", CYCLE) == (later,)


def test_what_a_version_before_kept_as_texts_is_said_as_it_was(store_url: str) -> None:
    database = engine.open_database(store_url)
    made = open_store(store_url)
    made.upgrade()
    noted = SaidBefore("not in the source: gust_mps +3 h")
    made.save_pass(record(gaps=(noted, LACKS)))
    made.ledger().keep_file(replace(FILE, lacking=(LACKS,)))
    made.close()
    migrate(database, command.downgrade, "0017")
    with database.writing() as session:
        (gaps,) = session.scalars(text("SELECT gaps FROM cycles"))
        assert '{"kind":"not in source","message":"gust_mps +3 h"}' in gaps
        assert session.scalars(text("SELECT lacking FROM kept_files")).all() == ["[]"]
        session.execute(
            text("UPDATE kept_files SET lacking = :texts"), {"texts": '["visibility_m +6 h"]'}
        )
    migrate(database, command.upgrade, "0018")
    database.engine.dispose()
    store = open_store(store_url)
    assert store.cycles(WATCH)[0].gaps == (noted, LACKS)
    (file,) = store.ledger().kept_files("gfs-0.25", CYCLE)
    assert file.lacking == (SaidBefore("visibility_m +6 h"),)
    store.close()


def test_the_ledger_remembers_how_cycles_came_in(store: Store) -> None:
    ledger = store.ledger()
    newer = replace(STATE, cycle_utc=CYCLE + timedelta(hours=6))
    ledger.note_cycle(STATE)
    ledger.note_cycle(newer)
    done = replace(STATE, stage=CycleStage.COMPLETE, absent_utc=CYCLE, complete_utc=CYCLE)
    ledger.note_cycle(done)
    assert ledger.cycle_states("gfs-0.25") == (newer, done)
    assert ledger.cycle_states("gfs-0.25", 1) == (newer,)
    assert ledger.cycle_states("gefs") == ()


def test_a_cycle_that_has_come_further_is_passed_again(store: Store) -> None:
    carried = replace(hour(at(9)), from_cycle=cycle(0).id)
    store.save_pass(record(0))
    first = record(1, hours=(hour(at(8)), carried), steps=3)
    assert store.save_pass(first)
    assert store.passes(WATCH, cycle(1).id) == (1, 3)
    assert store.hours(WATCH) == first.hours
    told = change(ChangeKind.MOVED, key="feed", cycle_id=cycle(1).id)
    fuller = record(
        1,
        hours=tuple(flat(8, 10)),
        windows=(window(best_score=66.0),),
        changes=(told,),
        deliveries=(("feed", "phone"),),
        pass_number=2,
        steps=9,
    )
    assert store.save_pass(fuller)
    assert not store.save_pass(fuller), "the same again"
    assert not store.save_pass(replace(fuller, pass_number=3)), "no more steps than before"
    assert not store.save_pass(replace(fuller, pass_number=2, steps=12)), "made beside another"
    assert store.passes(WATCH, cycle(1).id) == (2, 9)
    assert store.hours(WATCH) == fuller.hours
    assert store.windows(WATCH) == fuller.windows
    assert [c.cycle for c in store.cycles(WATCH)] == [cycle(0), cycle(1)]
    assert {c.key for c in store.changes(WATCH, cycle(1).id)} == {first.changes[0].key, "feed"}
    assert store.explain("feed").cycle is not None
    assert store.passes(WATCH, "never") == (0, 0)
