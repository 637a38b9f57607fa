"""The rules of the house, checked by machine: floors, doors, types, style, sizes, the map."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
MODULES = sorted(p for p in (ROOT / "windowwatch").rglob("*.py") if "versions" not in p.parts)
LONGEST_MODULE = 600
LONGEST_FUNCTION = 50


def _run(*command: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, f"{' '.join(command)}:\n{done.stdout}\n{done.stderr}"


def test_code_is_formatted() -> None:
    _run("ruff", "format", "--check", ".")


def test_code_has_no_lint() -> None:
    _run("ruff", "check", ".")


def test_types_are_strict() -> None:
    _run("mypy")


def test_imports_point_down_and_each_library_has_one_door() -> None:
    script = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run([script], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_only_the_planned_names_stand_at_the_top() -> None:
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.splitlines()
    top = {name.split("/")[0] for name in listed}
    visible = {name for name in top if not name.startswith(".")}
    assert visible == {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "windowwatch",
        "tests",
        "config",
        "grib_samples",
    }


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_module_fits_in_one_head(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= LONGEST_MODULE
    tree = ast.parse(text)
    assert ast.get_docstring(tree), "a module says what it is for"
    if path.name == "__init__.py":
        assert len(tree.body) == 1, "an __init__ holds one docstring and nothing else"
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            assert _length(node) <= LONGEST_FUNCTION, f"{node.name} has {_length(node)} lines"


def _length(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of a function's body without its docstring."""
    body = node.body[1:] if ast.get_docstring(node) else node.body
    if not body:
        return 0
    return (body[-1].end_lineno or 0) - body[0].lineno + 1


def test_every_module_is_on_the_map() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    missing = [
        name
        for path in MODULES
        if path.name not in {"__init__.py", "__main__.py"}
        and (name := str(path.relative_to(ROOT / "windowwatch"))) not in page
    ]
    assert not missing, f"DEVELOPERS.md does not mention {missing}"


def test_no_clock_but_the_clock() -> None:
    """Only `clock.py` may ask the machine for the time of day."""
    asking = [
        str(path.relative_to(ROOT))
        for path in MODULES
        if path.name != "clock.py"
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute) and node.attr in {"now", "utcnow", "today"}
        if isinstance(node.value, ast.Name) and node.value.id in {"datetime", "date"}
    ]
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
