"""Several models looked after: whose turn it is, and what was weighed before the start."""

import logging
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from line_watch import REFERENCE, forecast_in, settings_in
from made_store import new_store

from windowwatch.child import ChildLimits
from windowwatch.clock import SimulatedClock
from windowwatch.errors import WindowwatchError
from windowwatch.logs import LogStyle
from windowwatch.settings.read import Settings, read_settings
from windowwatch.storage.engine import sqlite_url
from windowwatch.storage.store import Store
from windowwatch.watch.polling.watching import PassContext, Watching

NOW = REFERENCE + timedelta(hours=1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = new_store(tmp_path / "several.sqlite3")
    yield opened
    opened.close()


def several(folder: Path, *others: str) -> Settings:
    """A watch with other models, each with a folder of its own that is not there yet."""
    more = [f'\n[[opinions]]\nmodel = "{name}"\nforecast_folder = "{name}"\n' for name in others]
    return read_settings(settings_in(folder, "".join(more)))


def watching(settings: Settings, store: Store, others: bool = True) -> Watching:
    url = sqlite_url(settings.path.parent / "several.sqlite3")
    shop = PassContext(url, ChildLimits(), LogStyle(logging.WARNING))
    watch = settings.watch if others else replace(settings.watch, others=())
    sources = settings.sources() if others else settings.sources()[:1]
    return Watching(watch, sources, store, SimulatedClock(NOW), shop)


def test_one_other_model_a_look_and_each_has_its_turn(
    tmp_path: Path, store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    """Nothing can be read, so that each look fails: what counts is who is looked at."""
    settings = several(tmp_path, "one", "two", "three")
    (tmp_path / "forecasts").rmdir()
    line = watching(settings, store)
    turns = []
    for _ in range(4):
        caplog.clear()
        with pytest.raises(WindowwatchError, match="forecasts"):  # the deciding one, every time
            line.look()
        turns.append([each.getMessage() for each in caplog.records])
    assert [len(said) for said in turns] == [1, 1, 1, 1]
    for said, name in zip(turns, ("one", "two", "three", "one"), strict=True):
        assert said[0].startswith(f"{name}, which does not decide: ")
    caplog.clear()
    with pytest.raises(WindowwatchError, match="forecasts"):
        line.look(every=True)
    assert len(caplog.records) == 3, "asked for by hand, all of them"


@pytest.mark.process
def test_the_deciding_model_comes_between_passes_of_others(tmp_path: Path, store: Store) -> None:
    settings = several(tmp_path, "one", "two")
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        forecast_in(tmp_path / name)
    line = watching(settings, store)
    assert line.look() == (), "files must be quiet for one look"
    assert line.look() == (), "a pass of one; nothing is there to be weighed"
    assert [each.cycle.model for each in store.opinions("line")] == ["one"]
    forecast_in(tmp_path / "forecasts")
    line.look()
    assert [each.cycle.model for each in store.opinions("line")] == ["one", "two"]
    (flown,) = line.look()
    assert not flown.recombined
    assert {len(hour.others) for hour in flown.hours} == {2}

    again = watching(settings, store, others=False)
    (weighed,) = again.look()
    assert weighed.recombined, "others were taken out of the settings: no need of a new cycle"
    assert not any(hour.others or hour.own_chance for hour in store.hours("line"))
    assert again.look() == ()
