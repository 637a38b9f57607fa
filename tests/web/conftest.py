"""The page over the sample week, flown with few draws."""

import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import invented
import pytest
from page_week import Week
from playwright.sync_api import Browser
from visiting import chromium

from windowwatch.forecast.sources import load_cycle, scan_folder
from windowwatch.notices.values import Channel
from windowwatch.settings.read import Settings, read_settings
from windowwatch.storage.store import Store, open_store, ready_store
from windowwatch.watch.run.rehearsal import rehearse
from windowwatch.watch.values import area_of

ROOT = Path(__file__).resolve().parents[2]


def _rehearsed(folder: Path, settings: Settings) -> None:
    watch = replace(
        settings.watch,
        draws=16,
        channels=(Channel("crew phones", "none://"),),
    )
    look = scan_folder(settings.forecast_folder, model=watch.model)
    area = area_of(watch.sites)
    chosen = [look.cycles[0], look.cycles[-1]]
    data = load_cycle(chosen[-1], area=area)
    with ready_store(f"sqlite:///{folder}/w.sqlite3") as store:
        rehearse(
            chosen,
            watch,
            store,
            load=lambda found: replace(data, cycle=found.cycle),
            available_after=settings.available_after,
            send=lambda _channel, _message: None,
        )


@pytest.fixture(scope="session")
def week(
    tmp_path_factory: pytest.TempPathFactory,
    made_once: Callable[[str, Callable[[Path], None]], Path],
) -> Iterator[Week]:
    """The last sample cycle, passed twice, the first time under the name of the first one.

    So windows are seen twice, and open, while only one cycle need be decoded. All workers have
    copies of one rehearsal.
    """
    settings = read_settings(ROOT / "config" / "skerra.toml")
    made = made_once("rehearsal", lambda folder: _rehearsed(folder, settings))
    place = tmp_path_factory.mktemp("week")
    shutil.copytree(made, place, dirs_exist_ok=True)
    with ready_store(f"sqlite:///{place}/w.sqlite3") as store:
        facts = settings.page_facts(looks=True, note="A rehearsal.")
        with ExitStack() as opened:
            yield Week(
                settings, store, facts, store.cycles(settings.watch.name)[-1].saved_utc, opened
            )


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """A real Chromium; its tests are skipped where none is installed."""
    yield from chromium()


@pytest.fixture
def empty_week(week: Week, tmp_path: Path) -> Iterator[Week]:
    """The same watch before its first pass."""
    store = open_store(f"sqlite:///{tmp_path}/empty.sqlite3")
    store.upgrade()
    with ExitStack() as opened:
        yield week.over(store, opened)
    store.close()


@pytest.fixture
def later(week: Week) -> timedelta:
    """So long after the end that the forecast is stale, but not all of its hours are over."""
    return timedelta(hours=30)


@pytest.fixture
def made_week(week: Week, store: Store) -> Iterator[Week]:
    """The page over made-up passes; its database is still empty."""
    with ExitStack() as opened:
        yield week.over(store, opened, watch=invented.WATCH)
