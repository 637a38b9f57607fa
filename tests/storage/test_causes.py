"""Causes are kept exactly, refused when damaged, and made of what older versions told."""

import json
from dataclasses import replace
from typing import Any

import pytest
from alembic import command
from invented import NOW, WATCH, at, change, cycle, record, window
from jsonschema import Draft202012Validator
from made_causes import ONE_OF_EACH
from made_store import migrate
from sqlalchemy import text

from windowwatch.errors import StorageError
from windowwatch.storage import engine
from windowwatch.storage.rows import (
    causes_from_json,
    causes_to_json,
    causes_to_plain,
    window_from_json,
    window_to_json,
)
from windowwatch.storage.store import Store, open_store
from windowwatch.web.data.openapi import cause_schema
from windowwatch.windows.causes import KINDS, Cause, Dissent, LandingMoved, ToldEarlier
from windowwatch.windows.values import ChangeKind, Window


@pytest.fixture(scope="module")
def described() -> Draft202012Validator:
    """What holds a cause against the description; that it is one takes long, and is asked once."""
    schema = {**cause_schema(), "components": {"schemas": {"Cause": cause_schema()}}}
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


@pytest.mark.parametrize("cause", ONE_OF_EACH, ids=lambda cause: type(cause).__name__)
def test_every_kind_comes_back_and_is_as_it_is_described(
    cause: Cause, described: Draft202012Validator
) -> None:
    assert causes_from_json(causes_to_json((cause,), "change a"), "change a") == (cause,)
    (plain,) = causes_to_plain((cause,), "change a")
    described.validate(json.loads(json.dumps(plain)))


def test_there_is_one_of_every_kind() -> None:
    assert {type(cause) for cause in ONE_OF_EACH} == set(KINDS.values())


def test_a_change_and_a_window_keep_all_of_them(store: Store) -> None:
    dissent = (Dissent("our own|model", no_go=True, apart=False),)
    kept = window(limited_by=ONE_OF_EACH, unread=ONE_OF_EACH, dissent=dissent)
    told = change(ChangeKind.MOVED, causes=ONE_OF_EACH, after=kept)
    store.save_pass(record(windows=(replace(kept, told=kept),), changes=(told,), deliveries=()))
    assert store.changes(WATCH) == (told,)
    assert store.current_windows(WATCH) == (replace(kept, told=kept),)


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        ({"kind": "rained on"}, "'rained on' is no kind that this program knows"),
        ({"kind": None}, "None is no kind"),
        ({"before": "80"}, "score fell, before: '80' is stored where a float belongs"),
        ({"before": True}, "before: True is stored where a float belongs"),
        ({"before": None}, "before: None is stored where a float belongs"),
        ({"more": 1.0}, "score fell: more missing or not known"),
    ],
)
def test_what_is_damaged_is_refused_by_name(damage: dict[str, Any], words: str) -> None:
    values = {"kind": "score fell", "before": 80.0, "after": 49.0, "bound": 50.0, **damage}
    form = json.dumps({"version": 1, "causes": [values]})
    with pytest.raises(StorageError, match=f"change a, causes, 1.*{words}"):
        causes_from_json(form, "change a")


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ('{"version":2,"causes":[]}', "version 2 of its form is stored"),
        ("[]", "version None of its form"),
        ("{", "version None of its form"),
        ('{"version":1}', "None is stored where a list belongs"),
        ('{"version":1,"causes":[{"kind":"front at","at_utc":"2026-05-07T06:00"}]}', "front at"),
        ('{"version":1,"causes":[{"kind":"front at","at_utc":"soon"}]}', "'soon' is stored where"),
        ('{"version":1,"causes":[{"kind":"edge moved","edge":"middle","by":1.0}]}', "'middle'"),
        ('{"version":1,"causes":[{"kind":"broke up","parts":[["2026-05-07T06:00Z"]]}]}', "list"),
    ],
)
def test_another_form_is_refused(form: str, words: str) -> None:
    with pytest.raises(StorageError, match=words):
        causes_from_json(form, "change a")


def test_a_field_that_came_later_takes_its_default() -> None:
    form = '{"version":1,"causes":[{"kind":"edge moved","edge":"end","by":3600.0}]}'
    (cause,) = causes_from_json(form, "change a")
    assert getattr(cause, "lost_to", None) == ()


def test_a_number_that_is_none_is_never_kept() -> None:
    with pytest.raises(StorageError, match=r"km is nan; a missing number must be None"):
        causes_to_json((LandingMoved(float("nan"), 0.0),), "change a")


#: A window as the version before wrote it.
OLD_WINDOW = {
    "uid": "millfield-0507T0600-abc123", "site": "Millfield", "state": "open",
    "start_utc": "2026-05-07T06:00:00+00:00", "end_utc": "2026-05-07T10:00:00+00:00",
    "best_hour_utc": "2026-05-07T07:00:00+00:00", "best_score": 78.0, "chance": 0.8,
    "landing_latitude_deg": 45.9, "landing_longitude_deg": -35.5, "drift_km": 42.3,
    "bearing_deg": 44.0, "road_km": 1.2, "cycles_seen": 2,
    "limited_by": "Gust 6.8 m/s, limit 9.", "cycle_id": "skerra-2026-05-05T00Z",
    "unread": "the forecast could not be read for 2026-05-07 08:00 UTC: no wind",
    "readable": True, "merged_into": None, "split_from": None,
    "seen_in": "skerra-2026-05-05T00Z", "told": None, "own_chance": 0.8,
    "dissent": "ifs:no-goapart|our own:no-go|gefs:apart", "step_min": 60.0,
    "go_hours": 4, "good_hours": 4,
}  # fmt: skip
OLD_REASON = "Ends 2 h earlier (rain 9.0 m/s, limit 9.0 m/s); about 2026-05-07 08:00 UTC."


def test_a_database_of_the_schema_before_keeps_its_words(store_url: str) -> None:
    """Sentences become causes that hold them; and come back, should somebody go back."""
    database = engine.open_database(store_url)
    engine.make_file(database)
    migrate(database, command.upgrade, "0004")
    whole = {**OLD_WINDOW, "told": {**OLD_WINDOW, "limited_by": "", "unread": "", "dissent": ""}}
    _insert(database, json.dumps(whole), "sqlite" in store_url)
    database.engine.dispose()

    store = open_store(store_url)
    store.upgrade()
    (found,) = store.changes(WATCH)
    assert found.causes == (ToldEarlier(OLD_REASON),)
    assert (found.before, found.key, found.found_utc) == (None, "abc123", NOW)
    (kept,) = store.current_windows(WATCH)
    assert found.after == kept
    assert kept.limited_by == (ToldEarlier("Gust 6.8 m/s, limit 9."),)
    assert kept.unread == (
        ToldEarlier("the forecast could not be read for 2026-05-07 08:00 UTC: no wind"),
    )
    assert kept.dissent == (
        Dissent("ifs", no_go=True, apart=True),
        Dissent("our own", no_go=True, apart=False),
        Dissent("gefs", no_go=False, apart=True),
    )
    assert kept.told == replace(kept, told=None, limited_by=(), unread=(), dissent=())
    assert (kept.start_utc, kept.best_score, kept.cycle_id) == (at(6), 78.0, cycle().id)
    store.close()

    database = engine.open_database(store_url)
    migrate(database, command.downgrade, "0004")
    with database.reading() as session:
        reason, after = session.execute(text("SELECT reason, after FROM changes")).one()
        (value,) = session.execute(text("SELECT value FROM windows")).one()
    database.engine.dispose()
    assert reason == OLD_REASON
    assert json.loads(after) == json.loads(value) == whole


def _insert(database: Any, window_text: str, naive: bool) -> None:
    """A cycle with one window and one change, as the version before wrote them."""
    moment = NOW.replace(tzinfo=None) if naive else NOW
    held = {"watch": WATCH, "cycle": cycle().id, "now": moment, "value": window_text}
    held |= {"start": moment, "reason": OLD_REASON, "uid": OLD_WINDOW["uid"]}
    with database.writing() as session:
        session.execute(text(
            "INSERT INTO cycles (watch, cycle_id, model, reference_utc, saved_utc, gaps, remarks)"
            " VALUES (:watch, :cycle, 'skerra', :now, :now, '[]', '[]')"), held)  # fmt: skip
        session.execute(text(
            "INSERT INTO windows (cycle_row, uid, site, state, start_utc, end_utc, value) VALUES"
            " ((SELECT id FROM cycles), :uid, 'Millfield', 'open', :now, :now, :value)"
        ), held)  # fmt: skip
        session.execute(text(
            "INSERT INTO changes (key, cycle_row, watch, position, kind, site, window_uid,"
            " cycle_id, found_utc, after, reason) VALUES ('abc123', (SELECT id FROM cycles),"
            " :watch, 0, 'moved', 'Millfield', :uid, :cycle, :now, :value, :reason)"
        ), held)  # fmt: skip


def test_a_window_of_another_form_is_refused() -> None:
    made = window_to_json(window())
    assert made is not None
    values = json.loads(made)
    for damage in ({"version": 7}, {"best_score": "high"}, {"state": "ajar"}, {"more": 1}):
        with pytest.raises(StorageError):
            window_from_json(json.dumps({**values, **damage}))
    del values["site"]
    with pytest.raises(StorageError, match="millfield-0507T0600-abc123: site missing"):
        window_from_json(json.dumps(values))
    assert isinstance(window_from_json(made), Window)
