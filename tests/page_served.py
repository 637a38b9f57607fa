"""The page alone as a process, over the sample week, for benchmarks."""

import re
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import httpx
from sink import free_port

ROOT = Path(__file__).resolve().parents[1]


def settings_in(folder: Path) -> Path:
    """The demonstration's settings over a database of their own."""
    text = (ROOT / "config" / "skerra.toml").read_text(encoding="utf-8")
    for name in sorted(set(re.findall(r'"([^"\n]+)"', text))):
        place = ROOT / "config" / name
        if place.exists():  # a path of the demonstration, seen from another folder
            text = text.replace(f'"{name}"', f'"{place.resolve()}"')
    text += f'\n[database]\nurl = "sqlite:///{folder}/w.sqlite3"\n'
    path = folder / "watch.toml"
    path.write_text(text, encoding="utf-8")
    return path


def passes(folder: Path, watch: str, count: int) -> None:
    """Pass the last sample cycle `count` times, under names of different cycles."""
    from windowwatch.forecast.sources import load_cycle, scan_folder
    from windowwatch.settings.read import read_settings
    from windowwatch.storage.store import ready_store
    from windowwatch.watch.run.rehearsal import rehearse
    from windowwatch.watch.values import area_of

    settings = read_settings(folder / "watch.toml")
    made = replace(settings.watch, name=watch, channels=())
    look = scan_folder(settings.forecast_folder, model=made.model)
    with ready_store(f"sqlite:///{folder}/w.sqlite3") as store:
        for i in range(count):
            named = replace(made, name=watch if i == 0 else f"{watch} {i}")
            rehearse(
                [look.cycles[-1]],
                named,
                store,
                load=lambda found: load_cycle(found, area=area_of(made.sites)),
                available_after=settings.available_after,
                send=lambda _channel, _message: None,
            )


@contextmanager
def served(folder: Path) -> Iterator[int]:
    """The port of a page over one pass of the sample week, with its database in a folder."""
    settings, port = settings_in(folder), free_port()
    passes(folder, "skerra demo", 1)
    command = [sys.executable, "-m", "windowwatch", "page", "--settings", str(settings),
               "--port", str(port), "--at", "2026-05-05T04:00Z"]  # fmt: skip
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL)
    try:
        for _ in range(300):
            try:
                httpx.get(f"http://127.0.0.1:{port}/").raise_for_status()
                break
            except httpx.HTTPError:
                time.sleep(0.1)
        yield port
    finally:
        process.terminate()
        process.wait(20)
