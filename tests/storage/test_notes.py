"""What is noted of a cycle is kept as facts, read exactly, and refused when damaged."""

import json
from dataclasses import replace
from typing import Any, get_type_hints

import pytest
from invented import WATCH, record
from made_notes import ONE_OF_EACH
from sqlalchemy import text

from windowwatch.errors import StorageError
from windowwatch.forecast import atsites, cycle, notes
from windowwatch.forecast.notes import DryAir, MemberAbsent, Note, Notes, SaidBefore
from windowwatch.storage import cycles, engine
from windowwatch.storage.rows import notes_from_json, notes_to_json
from windowwatch.storage.store import Store
from windowwatch.watch import nearby, pipeline


@pytest.mark.parametrize("note", ONE_OF_EACH, ids=lambda note: type(note).__name__)
def test_every_kind_comes_back(note: Note) -> None:
    kept = notes_to_json((note,), "cycle a")
    assert notes_from_json(kept, "cycle a") == (note,)
    (plain,) = json.loads(kept)["notes"]
    assert notes.NOTE_KINDS[plain["kind"]] is type(note)


def test_a_stored_cycle_has_its_notes(store: Store) -> None:
    saved = replace(record(), gaps=ONE_OF_EACH, remarks=ONE_OF_EACH[::-1])
    store.save_pass(saved)
    (found,) = store.cycles(WATCH)
    assert (found.gaps, found.remarks) == (saved.gaps, saved.remarks)


def test_rows_of_earlier_versions_keep_their_sentences(store: Store, store_url: str) -> None:
    store.save_pass(record())
    database = engine.open_database(store_url)
    with database.writing() as session:
        session.execute(text("UPDATE cycles SET gaps = :gaps, remarks = '[]'"),
                        {"gaps": '["wind gust is missing at +3 h","no gust"]'})  # fmt: skip
    database.engine.dispose()
    (found,) = store.cycles(WATCH)
    assert found.gaps == (SaidBefore("wind gust is missing at +3 h"), SaidBefore("no gust"))
    assert found.remarks == ()
    assert notes_from_json(notes_to_json(found.gaps, "a"), "a") == found.gaps, "and are kept so"


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ('{"version":2,"notes":[]}', "version 2 of its form is stored"),
        ("{", "version None of its form"),
        ("[1]", "version None of its form"),
        ('{"version":1}', "None is stored where a list belongs"),
        ('{"version":1,"notes":["wind is missing"]}', "None is no kind"),
        ('{"version":1,"notes":[{"kind":"it rains"}]}', "'it rains' is no kind"),
        ('{"version":1,"notes":[{"kind":"member absent"}]}', "member missing or not known"),
        ('{"version":1,"notes":[{"kind":"member absent","member":"2"}]}', "'2' is stored where"),
        ('{"version":1,"notes":[{"kind":"dry air","more":1}]}', "more missing or not known"),
        (
            '{"version":1,"notes":[{"kind":"at steps","lack":{"kind":"dry air"},"leads_s":[0],'
            '"steps":1}]}',
            "'dry air' is no kind",
        ),
        (
            '{"version":1,"notes":[{"kind":"over intervals","method":"now","fields":[]}]}',
            "'now' is stored where a CellMethod belongs",
        ),
    ],
)
def test_what_is_damaged_is_refused_by_name(form: str, words: str) -> None:
    with pytest.raises(StorageError, match=f"cycle a.*{words}"):
        notes_from_json(form, "cycle a")


def test_no_sentence_and_no_odd_number_is_kept() -> None:
    sentence: Any = "wind gust is missing"
    with pytest.raises(StorageError, match="is no note of a cycle; nothing was saved"):
        notes_to_json((DryAir(), sentence), "cycle a")
    level = notes.LevelLeftOut(float("nan"), ("u",))
    with pytest.raises(StorageError, match="level_pa is nan"):
        notes_to_json((MemberAbsent(1), level), "cycle a")


def test_nothing_that_holds_notes_holds_sentences() -> None:
    for holder in (cycles.PassRecord, cycles.StoredCycle, nearby.NearAtSites, pipeline.PassResult):
        hints = get_type_hints(holder)
        assert hints["gaps"] == hints["remarks"] == Notes, holder
    assert get_type_hints(atsites.AtSites)["gaps"] == Notes
    assert {cycle.CycleData.__annotations__[name] for name in ("gaps", "remarks")} == {"Notes"}
