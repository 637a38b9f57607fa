"""What windowwatch is delivered with: licences of everything it needs, and a lock file with hashes.

``python tests/house/supply.py`` writes the tables of licences in ``docs/dependencies.md`` anew, out
of what the installed packages say of themselves; with ``--lock`` it writes
``config/requirements.lock`` (needs the extra ``lock``).
"""

import re
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterable
from importlib import metadata
from pathlib import Path
from typing import Any

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parents[2]
LOCK = ROOT / "config" / "requirements.lock"
PAGE = ROOT / "docs" / "dependencies.md"
#: The tables stand between these lines of the page.
BEGIN, END = "<!-- written by tests/house/supply.py -->", "<!-- end -->"
#: The command of the lock file, as its first line says it.
COMMAND = "python tests/house/supply.py --lock"

#: What packages call their licence, in small letters, and its SPDX name. "BSD" alone may be one of
#: two, and the text of the licence decides.
_CALLED = {
    "mit": "MIT",
    "mit license": "MIT",
    "isc": "ISC",
    "apache license version 2.0": "Apache-2.0",
    "apache license, version 2.0": "Apache-2.0",
    "apache license 2.0": "Apache-2.0",
    "apache software license": "Apache-2.0",
    "bsd 2-clause license": "BSD-2-Clause",
    "bsd 3-clause license": "BSD-3-Clause",
    "bsd (3-clause)": "BSD-3-Clause",
    "new bsd": "BSD-3-Clause",
    "mozilla public license 2.0 (mpl 2.0)": "MPL-2.0",
    "gplv2": "GPL-2.0-only",
}
#: Names that may be stated in the field `License` just as SPDX has them.
_SPDX = {"MIT", "ISC", "Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "MPL-2.0"}
#: Packages whose wheel does not state which licence and carries no text, and where it was read.
READ_ELSEWHERE = {
    "fastkml": ("LGPL-2.1-or-later", "by the heads of its files"),
    "xstatic-leaflet": ("BSD-2-Clause", "says “same as Leaflet”; Leaflet 1.9 is BSD-2-Clause"),
}


def project() -> dict[str, Any]:
    """The table [project] of pyproject.toml, with `build` beside it: what builds a wheel."""
    document = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    return {**document["project"], "build": document["build-system"]["requires"]}


def direct(*extras: str) -> list[Requirement]:
    """What pyproject.toml asks for, with some extras."""
    named = project()
    lines = [*named["dependencies"]]
    for extra in extras:
        lines += named["optional-dependencies"][extra]
    return [Requirement(line) for line in lines]


def closure(requirements: Iterable[Requirement]) -> set[str]:
    """Names of all installed packages that some requirements need in the end."""
    found: set[str] = set()
    waiting = [(r.name, frozenset(r.extras)) for r in requirements if _asked(r, frozenset())]
    seen = set(waiting)
    while waiting:
        name, extras = waiting.pop()
        try:
            needs = metadata.requires(name) or []
        except metadata.PackageNotFoundError:
            continue
        found.add(canonicalize_name(name))
        for need in map(Requirement, needs):
            each = (need.name, frozenset(need.extras))
            if _asked(need, extras) and each not in seen:
                seen.add(each)
                waiting.append(each)
    return found


def _asked(requirement: Requirement, extras: frozenset[str]) -> bool:
    marker = requirement.marker
    return marker is None or any(marker.evaluate({"extra": e}) for e in {"", *extras})


def licence(name: str) -> str | None:
    """SPDX name of an installed package's licence, as it states it itself; None if it does not.

    From the field `License-Expression` (PEP 639), else `License`, else a classifier, else the
    licence's own text.
    """
    package = metadata.metadata(name)
    for stated in package.get_all("License-Expression") or []:
        return str(stated)
    classifiers = [
        line.rpartition("::")[2].strip()
        for line in package.get_all("Classifier") or []
        if line.startswith("License ::")
    ]
    for called in (*(package.get_all("License") or []), *classifiers):
        if called in _SPDX:
            return str(called)
        if called.lower() in _CALLED:
            return _CALLED[called.lower()]
    return _by_text(name)


def _by_text(name: str) -> str | None:
    """A licence known by its own words, out of the files that a package carries."""
    for file in metadata.files(name) or []:
        if not re.match(r"(LICEN[CS]E|COPYING)", file.name, re.IGNORECASE):
            continue
        if ".dist-info" not in str(file):
            continue
        text = " ".join(file.read_text(encoding="utf-8").split())
        if "Permission is hereby granted, free of charge" in text:
            return "MIT"
        if "Apache License Version 2.0" in text:
            return "Apache-2.0"
        if "GNU LESSER GENERAL PUBLIC LICENSE Version 3" in text:
            return "LGPL-3.0-or-later"
        if "Redistributions of source code must retain" in text:
            return "BSD-3-Clause" if re.search("[Nn]either the name", text) else "BSD-2-Clause"
    return None


def carries_libraries(name: str) -> bool:
    """Whether a package's wheel brings compiled libraries of others with it."""
    return any(file.parts[0].endswith(".libs") for file in metadata.files(name) or [])


def rows(names: Iterable[str], asked: Iterable[str]) -> list[str]:
    """Lines of a table: package, licence, and whether windowwatch asks for it itself."""
    mine = set(asked)
    lines = ["| package | licence | asked for by |", "| --- | --- | --- |"]
    for name in sorted(names):
        found = licence(name)
        if found is None and name in READ_ELSEWHERE:
            spdx, why = READ_ELSEWHERE[name]
            found = f"{spdx} ({why})"
        if found is None:
            raise SystemExit(f"{name} states no licence that is known: read it, and name it here")
        lines.append(f"| {name} | {found} | {'windowwatch' if name in mine else 'another'} |")
    return lines


def table_of(page: str) -> dict[str, str]:
    """Licence by package, out of the page's tables."""
    inside = page.partition(BEGIN)[2].partition(END)[0]
    cells = [[c.strip() for c in line.strip("|").split("|")] for line in inside.splitlines()]
    return {c[0]: c[1] for c in cells if len(c) == 3 and c[0] not in {"package", "---"}}


def write_tables() -> None:
    """Write the tables of the page anew."""
    running = closure(direct("postgres"))
    maps = closure(direct("maps")) - running
    survey = closure(direct("survey")) - running - maps
    testing = direct("test", "real-map")
    only_tests = {canonicalize_name(r.name) for r in testing} - running - maps - survey
    extras = ("maps", "postgres", "survey", "test", "real-map")
    asked = {canonicalize_name(r.name) for r in direct(*extras)}
    lines = [
        BEGIN, "", "**To run it** (with the extra `postgres`)", "", *rows(running, asked), "",
        "**Also for the extra `maps`**", "", *rows(maps, asked), "",
        "**Also for the extra `survey`**", "", *rows(survey, asked), "",
        "**Only for tests**, and only what windowwatch itself asks for", "",
        *rows(only_tests, asked), "", END,
    ]  # fmt: skip
    page = PAGE.read_text(encoding="utf-8")
    head, tail = page.partition(BEGIN)[0], page.partition(END)[2]
    PAGE.write_text(head + "\n".join(lines) + tail, encoding="utf-8")


def locked(text: str) -> dict[str, list[tuple[Requirement, int]]]:
    """What a lock file pins, by package: each requirement, and how many hashes it has."""
    found: dict[str, list[tuple[Requirement, int]]] = {}
    for block in re.split(r"\n(?=\S)", re.sub(r"^#.*\n", "", text, flags=re.MULTILINE)):
        first, *hashes = [part.strip() for part in block.replace("\\\n", "\n").splitlines()]
        requirement = Requirement(first)
        count = sum(line.startswith("--hash=sha256:") for line in hashes)
        found.setdefault(canonicalize_name(requirement.name), []).append((requirement, count))
    return found


def write_lock() -> None:
    """Resolve for every platform at once, with the hashes of all files of each release.

    Packages that only the installed ones name are handed in as well: eccodes 2.50.0 has wheels
    whose requirements differ, and a resolver that reads one of them misses ecCodes itself.
    """
    wanted = [*project()["build"], *map(str, direct("postgres"))]
    needed = sorted(closure(direct("postgres")) - {canonicalize_name(Requirement(w).name)
                                                   for w in wanted})  # fmt: skip
    wanted += [f'{name}; platform_system != "Windows"' for name in needed]
    with tempfile.NamedTemporaryFile("w", suffix=".in", encoding="utf-8") as file:
        file.write("\n".join(wanted))
        file.flush()
        done = subprocess.run(
            [sys.executable, "-m", "uv", "pip", "compile", "--universal", "--python-version",
             "3.11", "--generate-hashes", "--no-header", "--no-annotate", "--no-emit-index-url",
             "--no-emit-find-links", "--quiet", file.name],
            check=True, capture_output=True, text=True,
        )  # fmt: skip
    LOCK.write_text(f"# Written by `{COMMAND}`.\n{done.stdout}", encoding="utf-8")


if __name__ == "__main__":
    write_lock() if "--lock" in sys.argv[1:] else write_tables()
