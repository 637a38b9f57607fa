"""A reworded sentence changes nothing that is decided, stored or told to whom.

A week is lived twice through windows, storage, decisions, advice and delivery: once with the
words as they are, once with every function and table of `wording` giving its key instead. Every
row of the database is the same.
"""

import inspect
import pkgutil
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
import week as made_week
from grib_maker import AVERAGE, Message, aloft, ground, write
from invented import MILLFIELD, WATCH, hour, record
from made_store import new_store
from sink import Sink
from sqlalchemy import create_engine, text
from week import Week, phone, watch_of

from windowwatch import wording
from windowwatch.errors import InputError
from windowwatch.forecast.cycle import Cycle, SourceFile
from windowwatch.forecast.dataset import read_archive, with_origin, write_archive
from windowwatch.forecast.grib.arrange import open_cycle
from windowwatch.forecast.grib.framing import walk
from windowwatch.forecast.normalise import build_cycle
from windowwatch.scoring.opinions import Voice, with_opinions
from windowwatch.scoring.values import Hour
from windowwatch.storage.engine import sqlite_url
from windowwatch.storage.tables import Base
from windowwatch.watch.run.between import tell_failed
from windowwatch.watch.values import Watch
from windowwatch.windows.decisions import Decision
from windowwatch.windows.values import ChangeKind
from windowwatch.wording import gaps

START, DAY = (
    datetime.fromisoformat("2026-05-05T00:00Z"),
    datetime.fromisoformat("2026-05-07T00:00Z"),
)
#: Cycles 3 and 4 do not come, which is told.
CYCLES = (0, 1, 2, 5, 6, 7, 8)


def weather(_site: str, moment: datetime, number: int) -> tuple[float, str]:
    """Opens; moves after the silence; gets weaker; closes on launch morning."""
    if not 6 <= moment.hour < (9 if number >= 5 else 11):
        return 0.0, "daylight"
    if number == 8:
        return 0.0, "precipitation"
    return (65.0 if number >= 6 else 80.0), "gust"


def foreseen(
    watch: Watch, of: made_week.Weather, first: datetime, days: int, number: int
) -> list[Hour]:
    """Hours as of `week.foreseen`, with what another model says: no-go from the third cycle on."""
    ours = REAL(watch, of, first, days, number)
    theirs = [hour(each.time_utc, 80.0 if number < 2 else 0.0, by="rain") for each in ours]
    cycle = Cycle(START + number * made_week.BETWEEN, watch.model)
    voice = Voice(replace(cycle, model="other"), theirs)
    return list(with_opinions(ours, cycle, [voice], timedelta(hours=12)))


REAL = made_week.foreseen


def live(folder: Path) -> tuple[dict[str, list[Any]], list[Any], set[ChangeKind]]:
    """Every row of the week's database, the messages that were sent, and what was told of."""
    folder.mkdir()
    file = folder / "week.sqlite3"
    store, url = new_store(file), sqlite_url(file)
    with Sink() as sink:
        book = Decision("book the crew", timedelta(hours=24), remind=timedelta(minutes=30))
        watch = watch_of(folder, [MILLFIELD], [phone(sink, long=True)], [book])
        lived = Week(store, watch, weather, START, DAY).run(CYCLES)
        now = lived.clock.now()
        cycle = Cycle(now, watch.model)
        tell_failed(store, watch, cycle, InputError("short file"), tries=2, now_utc=now)
        lived.run(())
        kinds = {change.kind for change in store.changes(watch.name)}
        told = [(each["title"], each["message"]) for each in sink.received]
    store.close()
    plain = create_engine(url)
    with plain.connect() as connection:
        rows = {
            table: [tuple(row) for row in connection.execute(text(f"SELECT * FROM {table}"))]
            for table in sorted(Base.metadata.tables)
        }
    plain.dispose()
    return rows, told, kinds


def swap_every_text(monkeypatch: pytest.MonkeyPatch) -> int:
    """Put its key in the place of every text of `wording`; returns of how many."""
    swapped: dict[int, tuple[Any, Callable[..., str]]] = {}
    for found in pkgutil.iter_modules(wording.__path__):
        module = import_module(f"{wording.__name__}.{found.name}")
        for name, held in list(vars(module).items()):
            own = inspect.isfunction(held) and held.__module__ == module.__name__
            if own and inspect.signature(held).return_annotation is str:
                swapped[id(held)] = (held, _key(f"<{found.name}.{name}>"))
            elif isinstance(held, dict):
                for word in [w for w, said in held.items() if isinstance(said, str)]:
                    monkeypatch.setitem(held, word, f"<{word}>")
    for module in [m for n, m in sys.modules.items() if n.startswith("windowwatch")]:
        for name, held in list(vars(module).items()):
            if id(held) in swapped and swapped[id(held)][0] is held:
                monkeypatch.setattr(module, name, swapped[id(held)][1])
    return len(swapped)


def _key(word: str) -> Callable[..., str]:
    return lambda *_said, **_more: word


def test_every_row_is_the_same_whatever_the_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(made_week, "foreseen", foreseen)
    rows, told, kinds = live(tmp_path / "as they are")
    with monkeypatch.context() as patched:
        count = swap_every_text(patched)
        swapped, said, _ = live(tmp_path / "swapped")
    assert swapped == rows
    assert count > 60, "all of them"
    assert kinds >= {
        ChangeKind.OPENED,
        ChangeKind.MOVED,
        ChangeKind.WEAKER,
        ChangeKind.CLOSED,
        ChangeKind.MODELS_DISAGREE,
        ChangeKind.DECISION_DUE,
        ChangeKind.HOLD_ADVICE,
        ChangeKind.FORECAST_LATE,
        ChangeKind.PASS_FAILED,
    }
    _require_only_keys(told, said)


def noted(folder: Path) -> tuple[list[Any], tuple[str, ...]]:
    """Rows of a cycle with gaps, decoded, archived, read and stored; and what is said of it."""
    folder.mkdir()
    low = [Message("old low cloud", values=4.0, window=(0, 3), kind=AVERAGE)]
    found = [m for step in (0, 3) for m in aloft(step) if (m.what, m.level, step) != ("u", 500, 3)]
    framing = walk(write(folder / "a.grib2", [*found, *ground(), *low]))
    files = (SourceFile(framing.path, framing.sha256, framing.size_bytes),)
    opened = open_cycle([framing], None)
    cycle = Cycle(datetime.fromtimestamp(opened.attrs["reference_unix_s"], UTC), "skerra")
    write_archive(folder / "a.nc", with_origin(opened, cycle, files, "Data: invented."))
    data = build_cycle(read_archive(folder / "a.nc"), cycle, ())
    file = folder / "cycle.sqlite3"
    store, url = new_store(file), sqlite_url(file)
    store.save_pass(replace(record(), gaps=data.gaps, remarks=data.remarks))
    (stored,) = store.cycles(WATCH)
    store.close()
    plain = create_engine(url)
    with plain.connect() as connection:
        rows = [tuple(row) for row in connection.execute(text("SELECT * FROM cycles"))]
    plain.dispose()
    return rows, gaps.notes_words((*stored.gaps, *stored.remarks))


def test_what_is_noted_of_a_cycle_is_kept_the_same_whatever_the_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows, told = noted(tmp_path / "as they are")
    with monkeypatch.context() as patched:
        swap_every_text(patched)
        swapped, said = noted(tmp_path / "swapped")
    assert swapped == rows
    assert len(told) == len(said) > 3
    assert "eastward wind at 500 hPa is missing at +3 h" in told
    assert set(said) == {"<gaps.note_words>"}


def _require_only_keys(told: Sequence[Any], said: Sequence[Any]) -> None:
    """As many messages as before, none of them in the words from before."""
    assert len(said) == len(told) > 8
    assert all("<" in title and "<" in body for title, body in said)
    assert not any("m/s" in body for _, body in said)
    assert any("m/s" in body for _, body in told)
