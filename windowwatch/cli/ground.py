"""The command that makes a ground file: it starts the builder and shows how far it is."""

import json
import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import click

from windowwatch.errors import GroundError
from windowwatch.settings.read import Settings, bases
from windowwatch.watch.pipeline import Progress

#: What the builder needs beyond a plain installation; module, and the extra that holds it.
NEEDS = ("osmium", "rasterio", "scipy")


def request(
    settings: Settings, given: dict[str, Any], reach_km: float | None, built_utc: datetime
) -> str:
    """What the builder is asked, as JSON (see `windowwatch.ground.build.builder.Request`)."""
    sites, crews = bases(settings.file)
    return json.dumps({
        **given,
        "sites": [vars(base) for base in sites],
        "crews": [vars(base) for base in crews],
        "reach_m": 1000.0 * (reach_km or settings.file.ground.reach_km),
        "built_utc": f"{built_utc:%Y-%m-%dT%H:%MZ}",
    })  # fmt: skip


def build_ground(asked: str, tell: Progress) -> None:
    """Let a process of its own build the ground file, and say what it holds.

    The builder uses libraries that must not share a process with those that read forecasts.

    Raises
    ------
    GroundError
        If a library is missing, or with what the builder found wrong.
    """
    missing = [name for name in NEEDS if find_spec(name) is None]
    if missing:
        raise GroundError(
            f"building ground needs {', '.join(missing)}; install them with "
            'pip install "windowwatch[maps]"'
        )
    done: list[str] = []
    for line in _lines(asked):
        if "error" in line:
            raise GroundError(str(line["error"]))
        if "words" in line:
            tell(str(line["words"]), float(line["share"]))
        done = line.get("done", done)
    for words in done:
        click.echo(words)


def _lines(asked: str) -> Iterator[dict[str, Any]]:
    """What the builder says, line by line; its end without an outcome is an error."""
    command = [sys.executable, "-m", "windowwatch.ground.build.builder"]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, encoding="utf-8"
    ) as builder:
        assert builder.stdin is not None
        assert builder.stdout is not None
        try:
            builder.stdin.write(asked)
            builder.stdin.close()
            last: dict[str, Any] = {}
            for line in builder.stdout:
                last = json.loads(line)
                yield last
        except BaseException:
            builder.terminate()
            raise
    if "done" not in last and "error" not in last:
        raise GroundError(
            f"the builder ended with code {builder.returncode} and said no more; perhaps there "
            "was too little memory: ask for larger cells (--cell-m) or less reach (--reach-km)"
        )


def existing(path: Path | None) -> str:
    """A path for the builder, whole, so that it does not hang on the working folder."""
    return "" if path is None else str(path.resolve())
