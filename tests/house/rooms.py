"""The table of modules, out of their own first lines: ``python tests/house/rooms.py [WORD]``.

With a word only modules whose name or first line has it are shown. Floors come in the order in
which imports point: the lowest first.
"""

import ast
import sys
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "windowwatch"


@dataclass(frozen=True)
class Module:
    """A module as the table has it: its floor, its name from the package on, and what it holds."""

    floor: str
    name: str
    holds: str
    lines: int


@cache
def first_line(path: Path) -> str:
    """First line of a module's docstring; nothing where there is none."""
    return (ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "").partition("\n")[0]


def floors() -> tuple[str, ...]:
    """Floors as the import contract of pyproject.toml has them, the lowest first."""
    document = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    contracts = document["tool"]["importlinter"]["contracts"]
    layers: Sequence[str] = next(c["layers"] for c in contracts if c["type"] == "layers")
    return tuple(name for layer in reversed(layers) for name in layer.split(" | "))


def modules() -> Iterator[Module]:
    """Every module but the schema's single steps, floor by floor."""
    order = {name: number for number, name in enumerate(floors())}
    found = []
    for path in PACKAGE.rglob("*.py"):
        name = path.relative_to(PACKAGE)
        if path.name == "__init__.py" or "versions" in name.parts:
            continue
        floor = name.parts[0].removesuffix(".py")
        lines = len(path.read_text(encoding="utf-8").splitlines())
        found.append(Module(floor, name.as_posix(), first_line(path), lines))
    yield from sorted(found, key=lambda m: (order.get(m.floor, len(order)), m.name))


def main(words: Sequence[str]) -> None:
    """Print the table."""
    shown = [m for m in modules() if all(w.lower() in f"{m.name} {m.holds}".lower() for w in words)]
    floor = None
    for module in shown:
        folder = PACKAGE / module.floor / "__init__.py"
        if module.floor != floor and folder.exists():
            print(f"\n{module.floor}/  {first_line(folder)}\n")
        floor = module.floor
        print(f"{module.name:36} {module.lines:4}  {module.holds}")
    print(f"\n{len(shown)} modules, {sum(m.lines for m in shown)} lines")


if __name__ == "__main__":
    main(sys.argv[1:])
