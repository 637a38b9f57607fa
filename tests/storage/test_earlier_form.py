"""Rows that an earlier version wrote with sentences in them are read as facts that were told."""

import json
import zlib
from dataclasses import fields, replace
from typing import Any

import pytest
import sqlalchemy as sa
from invented import WATCH, at, check, hour, record

from windowwatch.errors import StorageError
from windowwatch.scoring.values import Check, Hour, Refusal, RefusalKind, Told, Verdict
from windowwatch.storage import codec
from windowwatch.storage.store import Store
from windowwatch.storage.tables import HourRow
from windowwatch.wording.checks import (
    check_sentence,
    hour_words,
    opinion_words,
    refusal_words,
    worst_sentences,
)

GUST, CLOUD = "Gust 9.4 m/s, limit 10.", "Cloud 62 %, limit 87.5 %."
SHARED = "40 % of flights land where no crew gets to, limit 10 %."
OLD_FIELDS = ["name", "part", "verdict", "value", "unit", "fine", "limit", "margin",
              "desirability", "hard", "sentence"]  # fmt: skip


def old_row(made: Check, sentence: str) -> list[Any]:
    """A check in the list that the first form kept of it."""
    plain = {field.name: getattr(made, field.name) for field in fields(made)}
    plain |= {"part": str(made.part), "verdict": str(made.verdict), "sentence": sentence}
    return [plain[name] for name in OLD_FIELDS]


def old_checks(*rows: list[Any]) -> bytes:
    return zlib.compress(json.dumps([OLD_FIELDS, *rows]).encode())


def written_over(store: Store, **columns: Any) -> Hour:
    """The one hour of a pass, read back with columns as an earlier version had them."""
    assert store.save_pass(record(hours=(hour(at(7)),), windows=(), changes=(), deliveries=()))
    with store.engine.begin() as connection:
        connection.execute(sa.update(HourRow).values(**columns))
    (found,) = store.hours(WATCH)
    return found


def test_an_old_sentence_is_a_fact_that_was_told(store: Store) -> None:
    found = written_over(
        store,
        checks=old_checks(old_row(check("cloud"), CLOUD), old_row(check("gust"), GUST)),
        worst=json.dumps([GUST, CLOUD]),
    )
    cloud, gust = found.checks
    assert gust == replace(check("gust"), facts=(Told(GUST),), missing=None)
    assert (check_sentence(gust), check_sentence(cloud)) == (GUST, CLOUD)
    assert found.worst == ("gust", "cloud")
    assert worst_sentences(found) == (GUST, CLOUD)
    assert hour_words(found) == GUST


def test_a_sentence_that_several_checks_share_is_told_once(store: Store) -> None:
    rows = [old_row(check(name), SHARED) for name in ("walk", "crew")]
    found = written_over(
        store,
        checks=old_checks(*rows, old_row(check("gust"), GUST)),
        worst=json.dumps([SHARED, GUST]),
    )
    assert found.worst == ("walk", "gust")
    assert worst_sentences(found) == (SHARED, GUST)


def test_no_old_sentence_is_lost_even_where_no_check_has_it(store: Store) -> None:
    found = written_over(
        store,
        checks=old_checks(old_row(check("gust"), GUST)),
        worst=json.dumps(["Something else.", GUST, "And more."]),
    )
    assert worst_sentences(found) == ("Something else.", GUST, "And more.")
    assert found.checks[0].name == "gust"
    assert {each.verdict for each in found.checks[1:]} == {Verdict.UNKNOWN}


def test_an_old_refusal_and_what_other_models_said(store: Store) -> None:
    words = "of 8 flights 2 ran past the hours of the forecast"
    says = {
        "model": "ifs", "cycle_id": "ifs-2026-05-05T06Z", "verdict": "no-go", "score": 0.0,
        "chance": 0.2, "apart_km": 12.5, "bearing_deg": 90.0, "says": GUST,
        "lacks": "ceiling, visibility",
    }  # fmt: skip
    go = {**says, "verdict": "go", "says": "", "lacks": ""}
    older = {name: held for name, held in says.items() if name not in ("says", "lacks")}
    found = written_over(store, refused=words, others=json.dumps([says, go, older]))
    assert found.refused == Refusal(RefusalKind.TOLD, told=words)
    assert refusal_words(found.refused) == words
    no, yes, oldest = found.others
    assert (opinion_words(no), no.lacks) == (GUST, ("ceiling", "visibility"))
    assert (yes.says, yes.lacks, opinion_words(yes)) == (None, (), "")
    assert (oldest.says, oldest.lacks) == (None, ())


def test_an_old_hour_that_is_saved_again_stays_what_it_was(store: Store) -> None:
    """An answer that is carried over is written in the new form, with its old sentence."""
    old = written_over(
        store, checks=old_checks(old_row(check("gust"), GUST)), worst=json.dumps([GUST])
    )
    other = "another watch"
    again = record(watch=other, hours=(old,), windows=(), changes=(), deliveries=())
    assert store.save_pass(again)
    assert store.hours(other) == (old,)


def test_without_checks_an_old_hour_names_none(store: Store) -> None:
    written_over(store, worst=json.dumps([GUST]))
    (bare,) = store.hours(WATCH, with_checks=False)
    assert (bare.checks, bare.worst) == ((), ())


def test_a_form_with_its_fields_in_another_order_is_read() -> None:
    made = replace(check("gust"), facts=())
    head, row = json.loads(zlib.decompress(codec.pack_checks((made,), "hour")))
    assert head["version"] == 2
    turned = [{**head, "fields": head["fields"][::-1]}, row[::-1]]
    assert codec.unpack_checks(zlib.compress(json.dumps(turned).encode())) == (made,)


@pytest.mark.parametrize("fact", [{"kind": "of tomorrow"}, {"kind": "median", "middle": 1.0}])
def test_a_fact_of_a_later_version_is_named(fact: dict[str, Any]) -> None:
    head, row = json.loads(zlib.decompress(codec.pack_checks((check("gust"),), "hour")))
    row[head["fields"].index("facts")] = [fact]
    with pytest.raises(StorageError, match=r"check gust: .*run the newer windowwatch"):
        codec.unpack_checks(zlib.compress(json.dumps([head, row]).encode()))
