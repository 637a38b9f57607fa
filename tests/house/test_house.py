"""The rules of the house, checked by machine: sizes, pages for developers, names, clocks, samples.

Style, types and import floors are checked by `.ci/check`, which has tools of its own for that.
"""

import ast
import re
import subprocess
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest
import rooms
from recorded import samples_have_changed

ROOT = Path(__file__).resolve().parents[2]
MODULES = sorted(p for p in (ROOT / "windowwatch").rglob("*.py") if "versions" not in p.parts)
LONGEST_MODULE = 600
LONGEST_FUNCTION = 50


@dataclass(frozen=True)
class Looked:
    """What rules ask of a module; the tree itself is too large to keep."""

    lines: int
    has_docstring: bool
    statements: int
    functions: tuple[tuple[str, int], ...]
    asks_the_machine: int
    """How often for the time of day."""


@cache
def _looked_at(path: Path) -> Looked:
    text = path.read_text(encoding="utf-8")
    tree = ast.parse(text)
    nodes = list(ast.walk(tree))
    return Looked(
        len(text.splitlines()),
        bool(ast.get_docstring(tree)),
        len(tree.body),
        tuple(
            (node.name, _length(node))
            for node in nodes
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        ),
        sum(map(_asks_the_machine, nodes)),
    )


def _asks_the_machine(node: ast.AST) -> bool:
    return (
        isinstance(node, ast.Attribute)
        and node.attr in {"now", "utcnow", "today"}
        and isinstance(node.value, ast.Name)
        and node.value.id in {"datetime", "date"}
    )


def test_only_the_planned_names_stand_at_the_top() -> None:
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.splitlines()
    top = {name.split("/")[0] for name in listed}
    visible = {name for name in top if not name.startswith(".")}
    assert visible - {"LICENSE", "docs"} == {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "windowwatch",
        "tests",
        "config",
        "grib_samples",
    }


def test_the_samples_are_those_that_were_checked() -> None:
    """Tests of the samples are left out of the quick part only while this holds."""
    assert not samples_have_changed(), (
        "samples, their makers or their tests have changed: run `python tests/recorded.py`, which "
        "checks them all and records that they are right"
    )


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_module_fits_in_one_head(path: Path) -> None:
    found = _looked_at(path)
    assert found.lines <= LONGEST_MODULE
    assert found.has_docstring, "a module says what it is for"
    # The package's own __init__ names what others may build on; tests/line/test_library.py holds
    # it to loading nothing. A floor has no such interface.
    if path.name == "__init__.py" and path.parent != ROOT / "windowwatch":
        assert found.statements == 1, "an __init__ holds one docstring and nothing else"
    for name, length in found.functions:
        assert length <= LONGEST_FUNCTION, f"{name} has {length} lines"


def _length(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of a function's body without its docstring."""
    body = node.body[1:] if ast.get_docstring(node) else node.body
    if not body:
        return 0
    return (body[-1].end_lineno or 0) - body[0].lineno + 1


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_module_tells_the_table_what_it_holds(path: Path) -> None:
    """The table of modules (`python tests/house/rooms.py`) is made of these lines."""
    line = rooms.first_line(path)
    assert 15 <= len(line) <= 100, line
    assert line[-1] in ".?!:", f"{line!r} is a part of a sentence: it goes on in the next line"
    assert "windowwatch." not in line, "its place is in the table already"


def test_no_two_modules_say_the_same_and_every_floor_is_known() -> None:
    found = list(rooms.modules())
    assert len({module.holds for module in found}) == len(found)
    assert {module.floor for module in found} - {"__main__"} == set(rooms.floors())


def test_the_page_for_developers_is_short_and_names_what_is_there() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert len(page.encode()) <= 10_000
    for name in re.findall(
        r"`((?:windowwatch|tests|docs|config|grib_samples|\.ci)/[\w./-]*)`", page
    ):
        assert (ROOT / name).exists(), f"DEVELOPERS.md names {name}, which is not there"


def test_what_was_learned_has_a_date_a_measurement_and_a_test_that_is_there() -> None:
    page = (ROOT / "docs" / "decisions.md").read_text(encoding="utf-8")
    entries = page.split("\n## ")[1:]
    assert entries
    for entry in entries:
        title = entry.partition("\n")[0]
        assert re.search(r"^20\d\d-\d\d-\d\d\. ", entry, re.MULTILINE), f"{title}: no date"
        assert re.search(r"^Measured: ", entry, re.MULTILINE), f"{title}: no measurement"
        held = re.search(r"^Held by (.+)", entry, re.MULTILINE | re.DOTALL)
        assert held, f"{title}: no test, nor why there is none"
        tests = re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", held[1])
        assert tests or held[1].startswith("no test: "), title
        for file, name in tests:
            assert f"def {name}(" in (ROOT / file).read_text(encoding="utf-8"), f"{title}: {name}"


def test_no_clock_but_the_clock() -> None:
    """Only `clock.py` may ask the machine for the time of day."""
    asking = [
        str(path.relative_to(ROOT))
        for path in MODULES
        if path.name != "clock.py" and _looked_at(path).asks_the_machine
    ]
    assert _looked_at(ROOT / "windowwatch" / "clock.py").asks_the_machine, "it is seen at all"
    assert not asking


def test_nothing_happens_at_import() -> None:
    """Importing the command line opens no file of ours, no database, and starts no thread."""
    code = (
        "import threading, pathlib, os\n"
        "before = set(pathlib.Path.cwd().iterdir())\n"
        "import windowwatch.cli\n"
        "assert threading.active_count() == 1, threading.enumerate()\n"
        "assert set(pathlib.Path.cwd().iterdir()) == before\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=ROOT / "config")
