"""Commands as typed: run here, and for what a process alone can show, as a process."""

import logging
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from click.testing import CliRunner

from windowwatch.cli.main import main

#: Where the package stands, for processes that start in another folder.
ROOT = Path(__file__).resolve().parents[1]


@dataclass(frozen=True)
class Answer:
    """What a command said, and how it ended."""

    code: int
    out: str
    err: str

    @property
    def words(self) -> str:
        """What it said, however the lines were folded."""
        return " ".join(self.out.split())


def typed(folder: Path, *words: str, width: int = 80) -> Answer:
    """Answer of a command that is typed in a folder, run in this process."""
    environment = {"XDG_DATA_HOME": str(folder / "data"), "COLUMNS": str(width)}
    before = Path.cwd()
    os.chdir(folder)
    try:
        with _logging_as_before():
            done = CliRunner().invoke(main, words, env=environment, catch_exceptions=False)
    finally:
        os.chdir(before)
    return Answer(done.exit_code, done.stdout, done.stderr)


def typed_in_a_process(folder: Path, *words: str, **environment: str) -> Answer:
    """The same as a process of its own, as a person starts it."""
    done = subprocess.run(
        [sys.executable, "-m", "windowwatch", *words],
        capture_output=True,
        text=True,
        cwd=folder,
        env={
            **os.environ,
            "PYTHONPATH": str(ROOT),
            "XDG_DATA_HOME": str(folder / "data"),
            "COLUMNS": "80",
            **environment,
        },
        check=False,
        timeout=120,
    )
    assert "Traceback" not in done.stderr, done.stderr
    return Answer(done.returncode, done.stdout, done.stderr)


@contextmanager
def _logging_as_before() -> Iterator[None]:
    """A command sets up the logs of its process; here it is ours, so that is put back."""
    root, ours = logging.getLogger(), logging.getLogger("windowwatch")
    handlers, levels = root.handlers[:], (root.level, ours.level)
    try:
        yield
    finally:
        root.handlers[:] = handlers
        root.setLevel(levels[0])
        ours.setLevel(levels[1])
