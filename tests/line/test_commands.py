"""The commands as typed: what they answer to good and to wrong input, and their exit codes."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import httpx
import pytest
from line_watch import forecast_in, settings_in
from made_store import new_store
from patience import PATIENCE_S
from typed import typed as run
from typed import typed_in_a_process

from windowwatch import daemon
from windowwatch.clock import Clock
from windowwatch.storage.store import Store, open_store
from windowwatch.web.app import create_app
from windowwatch.web.server import PageServer
from windowwatch.web.values import Facts

DATABASE = '\n[database]\nurl = "sqlite:///{folder}/line.sqlite3"\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    settings_in(tmp_path, DATABASE.format(folder=tmp_path))
    return tmp_path


@pytest.mark.process
def test_pass_then_look_at_what_it_found(folder: Path) -> None:
    forecast_in(folder)
    typing = ("pass", "--settings", "watch.toml", "--from", "made.grib2")
    answer = typed_in_a_process(folder, *typing)
    assert (answer.code, answer.err) == (0, "")
    said = "made-2026-05-04T12Z: 6 launch hours, 6 flights; windows: 1 open; told: 1 opened"
    assert said in answer.words
    assert "now was taken to be 2026-05-04 12:00 UTC" in answer.out  # all of the forecast is past

    windows = run(folder, "windows", "--settings", "watch.toml")
    assert windows.code == 0
    assert "after cycle made-2026-05-04T12Z, windows: 1 open" in windows.out

    hours = run(folder, "hours", "--settings", "watch.toml", "field", "--all")
    assert hours.code == 0
    assert "6 hours" in hours.out

    sites = run(folder, "sites", "--settings", "watch.toml")
    assert sites.code == 0
    assert "1. Field: " in sites.out

    with sqlite3.connect(folder / "line.sqlite3") as connection:
        ((key,),) = connection.execute("SELECT key FROM changes").fetchall()
    trail = run(folder, "explain", "--settings", "watch.toml", key)
    assert trail.code == 0
    assert "made.grib2" in trail.out
    assert "sha256" in trail.out
    assert "strongest wind aloft" in trail.out

    again = run(folder, "pass", "--settings", "watch.toml", "--from", "made.grib2")
    assert "stored already" in again.out


@pytest.mark.process
def test_pass_without_files_looks_once_at_every_model(tmp_path: Path) -> None:
    """Each pass in a process of its own; the second model sees a gale."""
    more = '\n[[opinions]]\nmodel = "other"\nforecast_folder = "others"\n'
    settings_in(tmp_path, DATABASE.format(folder=tmp_path) + more)
    nothing = run(tmp_path, "pass", "--settings", "watch.toml", "--at", "2026-05-04T13:00Z")
    assert nothing.code == 0, "that the folder of the second model is not there ends nothing"
    assert "nothing new is there; no cycle is stored" in nothing.words
    (tmp_path / "others").mkdir()
    forecast_in(tmp_path / "forecasts")
    forecast_in(tmp_path / "others", gust=25.0)
    typing = ("pass", "--settings", "watch.toml", "--at", "2026-05-04T13:00Z")
    answer = typed_in_a_process(tmp_path, *typing)
    assert (answer.code, answer.err) == (0, "")
    assert "made-2026-05-04T12Z: 6 launch hours, 6 flights; windows: 1 open" in answer.words
    assert "once more, with what other models say now: told: 1 weaker" in answer.words
    with closing(sqlite3.connect(tmp_path / "line.sqlite3")) as connection:
        query = "SELECT causes FROM changes WHERE kind = 'weaker'"
        ((form,),) = connection.execute(query).fetchall()
    moved, disagree = json.loads(form)["causes"]
    assert (moved["before"], moved["after"], moved["fell"]) == (1.0, 0.5, True)
    assert [(o["model"], o["chance"]) for o in moved["opinions"]] == [("other", 0.0)]
    assert [(a["opinion"]["model"], a["no_go"]) for a in disagree["against"]] == [("other", True)]
    hours = run(tmp_path, "hours", "--settings", "watch.toml", "field")
    assert "no-go" in hours.words
    assert "others: what other would say" in hours.words
    again = typed_in_a_process(tmp_path, *typing)
    assert "nothing new is there; the newest cycle is made-2026-05-04T12Z" in again.words


def test_fill_says_what_it_needs_and_what_it_gives(folder: Path) -> None:
    answer = run(folder, "fill", "--settings", "watch.toml", "--rate", "5", "--burst", "34000")
    assert (answer.code, answer.err) == (0, "")
    assert "5.0 on average" in answer.words
    assert "short of 34.0 km" in answer.words  # the conflict, explained
    assert "Hydrogen burns" in answer.words
    given = run(folder, "fill", "--settings", "watch.toml", "--gas", "2")
    assert given.code == 1
    assert "2.00 m³ of gas lift" in given.err
    both = run(folder, "fill", "--settings", "watch.toml", "--gas", "4", "--rate", "5")
    assert "not both" in both.err


def test_check_says_what_to_fix_and_goes_on(folder: Path) -> None:
    answer = run(folder, "check", "--settings", "watch.toml")
    assert answer.code == 1
    assert "FIX   span: the watched days are over" in answer.out
    assert "holds no cycle yet" in answer.out
    assert "FIX   channels: none is given" in answer.out
    assert f"ok database: {folder}/line.sqlite3 is not there yet" in answer.words
    lines = answer.out.splitlines()
    assert not [line for line in lines if len(line) > 80 and str(folder) not in line]
    assert all(line.startswith(("ok    ", "FIX   ", "CARE  ", "      ")) for line in lines)
    assert not (folder / "line.sqlite3").exists(), "looking makes no database"
    assert run(folder, "windows", "--settings", "watch.toml").code == 1
    assert not (folder / "line.sqlite3").exists()


@pytest.mark.parametrize(
    ("lift", "said"),
    [
        ("2.8", "ok    train: with 2.8 kg of nozzle lift at Field it takes"),
        ("28", "CARE  train: caution: fast: it rises at"),
        ("1.55", "CARE  train: caution: slow: it rises at"),
    ],
)
def test_check_says_what_the_train_comes_to(folder: Path, lift: str, said: str) -> None:
    """A wrong digit shows in the rise; `fill` says the same of it."""
    settings = folder / "watch.toml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text.replace("lift_kg = 2.6", f"lift_kg = {lift}"), encoding="utf-8")
    words = run(folder, "check", "--settings", "watch.toml").words
    assert " ".join(said.split()) in words
    caution = said.partition("caution: ")[2]
    filled = run(folder, "fill", "--settings", "watch.toml").words
    assert caution in filled
    assert (caution != "") == ("CARE train:" in words)


def test_check_says_when_no_database_can_be_made(folder: Path) -> None:
    (folder / "line.sqlite3.d").write_text("a file where a folder is wanted", encoding="utf-8")
    settings = folder / "watch.toml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text.replace("line.sqlite3", "line.sqlite3.d/x"), encoding="utf-8")
    answer = run(folder, "check", "--settings", "watch.toml")
    assert "FIX   database:" in answer.out
    assert "line.sqlite3.d is not a folder this user may write into" in answer.words


def test_looking_leaves_an_older_schema_as_it_is(folder: Path) -> None:
    with closing(sqlite3.connect(folder / "line.sqlite3")) as connection:
        connection.execute("CREATE TABLE alembic_version (version_num VARCHAR(32) NOT NULL)")
        connection.execute("INSERT INTO alembic_version VALUES ('0001')")
        connection.commit()
    answer = run(folder, "windows", "--settings", "watch.toml")
    assert answer.code == 1
    assert "is of an older version (0001); run: windowwatch db upgrade" in answer.err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["windows", "--settings", "none.toml"], "none.toml: no such file; name your settings"),
        (["pass", "--settings", "watch.toml", "--from", "no.grib2"], "no.grib2"),
        (["pass", "--settings", "watch.toml", "--from", "watch.toml"], "watch.toml"),
        (["windows", "--settings", "watch.toml"], "holds no result of watch 'line'"),
        (["explain", "--settings", "watch.toml", "abc"], "holds no result"),
        (
            ["serve", "--settings", "watch.toml", "--at", "noon"],
            "'noon' is no time; write it as 2026-05-04T04:00Z",
        ),
        (
            ["serve", "--settings", "watch.toml", "--at", "2026-05-04T04:00"],
            "has no time zone",
        ),
        (["notices", "try", "--settings", "watch.toml"], "no channel to try"),
        (["rehearse", "--settings", "watch.toml"], "there is no cycle to rehearse"),
    ],
    ids=lambda value: "-".join(value) if isinstance(value, list) else "",
)
def test_wrong_input_gets_one_clear_error(folder: Path, words: list[str], said: str) -> None:
    answer = run(folder, *words)
    assert answer.code == 1
    assert said in answer.err
    assert answer.err.startswith("error: ")
    assert answer.err.count("\n") == 1


def test_a_site_that_is_not_there_is_answered_with_those_that_are(folder: Path) -> None:
    forecast_in(folder)
    run(folder, "pass", "--settings", "watch.toml", "--from", "made.grib2")
    answer = run(folder, "hours", "--settings", "watch.toml", "Meadow")
    assert answer.code == 1
    assert "no site is called 'Meadow'; the settings have Field" in answer.err


def test_a_cut_off_file_stores_nothing(folder: Path) -> None:
    whole = forecast_in(folder).read_bytes()
    (folder / "cut.grib2").write_bytes(whole[:-100])
    answer = run(folder, "pass", "--settings", "watch.toml", "--from", "cut.grib2")
    assert answer.code == 1
    assert "cut.grib2" in answer.err
    assert not (folder / "line.sqlite3").exists()


def test_a_locked_database_is_named_and_nothing_is_stored(folder: Path) -> None:
    forecast_in(folder)
    settings_in(folder, DATABASE.format(folder=folder).replace(".sqlite3", ".sqlite3?timeout=0.3"))
    assert run(folder, "db", "upgrade", "--settings", "watch.toml").code == 0
    holder = sqlite3.connect(folder / "line.sqlite3", isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    answer = run(folder, "pass", "--settings", "watch.toml", "--from", "made.grib2")
    holder.execute("ROLLBACK")
    assert answer.code == 1
    assert "is locked: another process holds it" in answer.err
    assert holder.execute("SELECT count(*) FROM cycles").fetchone() == (0,)
    holder.close()


def test_a_database_that_is_none_is_left_as_it_is(folder: Path) -> None:
    (folder / "line.sqlite3").write_text("not a database, but precious " * 100, encoding="utf-8")
    before = (folder / "line.sqlite3").read_bytes()
    forecast_in(folder)
    answer = run(folder, "pass", "--settings", "watch.toml", "--from", "made.grib2")
    assert answer.code == 1
    assert "is not a database" in answer.err
    assert (folder / "line.sqlite3").read_bytes() == before


def test_a_rehearsal_replaces_only_its_own_database(folder: Path) -> None:
    forecast_in(folder / "forecasts")
    first = run(folder, "rehearse", "--settings", "watch.toml")
    again = run(folder, "rehearse", "--settings", "watch.toml")
    assert (first.code, again.code) == (0, 0)
    assert (first.err, again.err) == ("", ""), "no terminal: no progress bar"
    assert not (folder / "line.sqlite3").exists()
    assert "OPEN Field Mon 4 May" in again.out
    assert "already" not in again.out
    looked = run(folder, "windows", "--rehearsal", "--settings", "watch.toml")
    assert (looked.code, looked.err) == (0, "")
    assert "windows: 1 open" in looked.out
    assert not (folder / "line.sqlite3").exists()


def test_a_rehearsal_that_fails_leaves_the_last_good_one(folder: Path) -> None:
    whole = forecast_in(folder / "forecasts").read_bytes()
    assert run(folder, "rehearse", "--settings", "watch.toml").code == 0
    looking = ("windows", "--rehearsal", "--settings", "watch.toml")
    good = run(folder, *looking)
    (folder / "cut").mkdir()
    (folder / "cut" / "made.grib2").write_bytes(whole[: len(whole) // 2])
    failed = run(folder, "rehearse", "--settings", "watch.toml", "--folder", "cut")
    assert failed.code == 1
    assert run(folder, *looking) == good
    (kept,) = (folder / "data" / "windowwatch").iterdir()
    assert kept.name == "rehearsal-line.sqlite3", "nothing half made is left"


def test_who_looks_at_a_rehearsal_sees_the_next_one(folder: Path) -> None:
    forecast_in(folder / "forecasts")
    assert run(folder, "rehearse", "--settings", "watch.toml").code == 0
    store = open_store(f"sqlite:///{folder}/data/windowwatch/rehearsal-line.sqlite3")
    (before,) = store.cycles("line")
    assert run(folder, "rehearse", "--settings", "watch.toml").code == 0
    (after,) = store.cycles("line")
    (change,) = store.changes("line")
    store.acknowledge(change.key, by_whom="Ines", now_utc=after.saved_utc)
    store.close()
    with closing(sqlite3.connect(store.place)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    again = open_store(f"sqlite:///{store.place}")
    said = again.acknowledge(change.key, by_whom="Jon", now_utc=after.saved_utc)
    again.close()
    assert said == "Ines", "it was written into the new one"
    assert before.cycle == after.cycle


def test_the_page_of_an_empty_rehearsal_says_what_to_run(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The page is asked once and ends; all before it is as typed."""
    file = folder / "data" / "windowwatch" / "rehearsal-line.sqlite3"
    store = new_store(file)
    store.close()
    said = []

    def ask(facts: Facts, store: Store, clock: Clock, *_: object, **__: object) -> None:
        with PageServer(create_app(store, facts, clock), "127.0.0.1", 0) as page:
            said.append(httpx.get(page.url, timeout=PATIENCE_S).text)

    monkeypatch.setattr(daemon, "show_page", ask)
    assert run(folder, "page", "--rehearsal", "--settings", "watch.toml").code == 0
    assert run(folder, "page", "--settings", "watch.toml").code == 0
    rehearsed, real = said
    assert "run <code>windowwatch rehearse</code> first" in rehearsed
    assert "windowwatch serve" not in rehearsed
    assert "start the daemon with <code>windowwatch serve</code>" in real


def test_results_are_those_of_a_settings_file_or_of_a_rehearsal(folder: Path) -> None:
    unsaid = run(folder, "windows")
    assert unsaid.code == 2
    assert "Missing option '--settings': name your settings file." in unsaid.err
    none = run(folder, "windows", "--rehearsal", "--settings", "watch.toml")
    assert none.code == 1
    assert "rehearsal-line.sqlite3 is not there: run `windowwatch rehearse` first" in none.err


@pytest.mark.parametrize(
    "words",
    [
        "acknowledge abcd --by Ines", "check", "check --forecast", "db backup copy.sqlite3",
        "db upgrade", "explain abcd", "fill", "ground build --map a.pbf --out a.ground",
        "hours Field", "notices try", "pass", "pass --from made.grib2", "serve", "share list",
        "share make Ines", "share revoke abcd", "sites", "windows",
    ],
)  # fmt: skip
def test_every_command_asks_for_its_settings_file(folder: Path, words: str) -> None:
    answer = run(folder, *words.split())
    assert answer.code == 2
    assert "Missing option '--settings': name your settings file." in answer.err


@pytest.mark.parametrize("group", ["", "share", "notices", "ground", "db"])
def test_help_says_in_a_line_what_each_command_does(folder: Path, group: str) -> None:
    answer = run(folder, *group.split(), "--help")
    assert answer.code == 0
    assert "..." not in answer.out.partition("Commands:")[2], "a line is cut off"
    assert max(map(len, answer.out.splitlines())) <= 80
