"""Commands that look after a running watch: acknowledge, and a backup of the database."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner
from invented import record
from line_watch import settings_in
from made_store import new_store

from windowwatch.cli.main import main

DATABASE = '\n[database]\nurl = "sqlite:///{folder}/line.sqlite3"\n'


@pytest.fixture
def settings(tmp_path: Path) -> str:
    """Settings of a watch with one stored pass."""
    path = settings_in(tmp_path, DATABASE.format(folder=tmp_path))
    store = new_store(tmp_path / "line.sqlite3")
    store.save_pass(record(watch="line"))
    store.close()
    return str(path)


def run(*words: str) -> tuple[int, str]:
    answer = CliRunner().invoke(main, words)
    return answer.exit_code, answer.output


def test_acknowledge_once_by_name(settings: str) -> None:
    words = ("acknowledge", "0000", "--settings", settings, "--by")
    assert run(*words, "Ines") == (0, "acknowledged\n")
    assert run(*words, "Jon") == (0, "Ines had acknowledged it before\n")
    code, said = run("acknowledge", "beef", "--settings", settings, "--by", "Jon")
    assert code == 1
    assert "no change has a key that begins with 'beef'" in said


def test_a_backup_is_a_database_of_its_own(settings: str, tmp_path: Path) -> None:
    target = tmp_path / "kept.sqlite3"
    code, said = run("db", "backup", str(target), "--settings", settings)
    assert code == 0
    assert said.endswith("MB, whole and checked\n")
    with closing(sqlite3.connect(target)) as copy:
        assert copy.execute("SELECT count(*) FROM hours").fetchone() == (24,)
    code, said = run("db", "backup", str(target), "--settings", settings)
    assert code == 1
    assert "is there already" in said


TOKEN = "WINDOWWATCH_PAGE_TOKEN"


def test_a_link_says_what_is_still_to_do(settings: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(TOKEN, raising=False)
    made = CliRunner().invoke(main, ["share", "make", "Ines", "--settings", settings])
    assert made.exit_code == 1
    assert made.stdout == "", "no address is made up, and no link made without one"
    assert "page_url" in made.stderr
    there = ["--address", "https://there.example"]
    made = CliRunner().invoke(main, ["share", "make", "Ines", "--settings", settings, *there])
    assert f"{TOKEN} is not set here." in made.stderr

    monkeypatch.setenv(TOKEN, "x" * 40)
    given = ["share", "make", "Jon", "--settings", settings, "--address", "https://there.example/"]
    made = CliRunner().invoke(main, given)
    assert made.stdout.startswith("https://there.example/share/")
    assert made.stderr.startswith("for Jon, until ")


def test_a_link_begins_with_the_page_of_the_settings(
    settings: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(TOKEN, "x" * 40)
    text = Path(settings).read_text(encoding="utf-8")
    url = '[notices]\npage_url = "https://watch.example"\n'
    Path(settings).write_text(text.replace("[notices]\n", url), encoding="utf-8")
    made = CliRunner().invoke(main, ["share", "make", "Ines", "--settings", settings])
    assert made.stdout.startswith("https://watch.example/share/")
    assert made.stderr.startswith("for Ines, until ")
