"""Starting: the command line answers at once, and never loads what a command has no use for."""

import os
import subprocess
import sys
from pathlib import Path

from invented import record
from line_watch import settings_in
from typed import ROOT

from windowwatch.storage.store import open_store

#: Libraries that take long to load; none of them is needed to look at results.
SLOW = {"numba", "xarray", "eccodes", "apscheduler", "apprise", "starlette", "httpx", "scipy",
        "PIL", "resvg_py"}  # fmt: skip


def loaded(code: str) -> set[str]:
    """Names of the modules that are loaded after some lines."""
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport sys; print('loaded:', *sys.modules)"],
        capture_output=True, text=True, check=False, cwd=ROOT,
        env={**os.environ, "COLUMNS": "80"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return set(done.stdout.partition("loaded:")[2].split())


def test_help_loads_neither_settings_nor_database_nor_numbers() -> None:
    names = loaded("import windowwatch.cli.main")
    assert not names & (SLOW | {"numpy", "pydantic", "sqlalchemy", "rich"})


def test_looking_at_results_loads_nothing_that_computes_them(tmp_path: Path) -> None:
    database = f"sqlite:///{tmp_path}/line.sqlite3"
    settings = settings_in(tmp_path, f'\n[database]\nurl = "{database}"\n')
    store = open_store(database)
    store.upgrade()
    store.save_pass(record(watch="line"))
    store.close()
    words = (["windows"], ["hours", "Field", "--all"], ["sites"], ["explain", "0000"],
             ["plan", "list"])  # fmt: skip
    names = loaded(
        "from windowwatch.cli.main import main\n"
        f"for words in {words}:\n"
        f"    try: main([*words, '--settings', {str(settings)!r}])\n"
        "    except SystemExit as end: assert end.code == 0, (words, end.code)\n"
    )
    assert not names & SLOW
