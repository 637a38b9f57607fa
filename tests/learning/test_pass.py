"""From a pass to what was learned and back: flights change only where the settings say so."""

import shutil
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from line_watch import REFERENCE, forecast_in, settings_in

from windowwatch.cli.main import main
from windowwatch.errors import SettingsError, StorageError
from windowwatch.forecast.cycle import CycleData
from windowwatch.forecast.sources import load_file
from windowwatch.launchday.plan import Planned
from windowwatch.learning.calibration import ChanceMap
from windowwatch.learning.learned import FROM_MEMORY, Learned, learn
from windowwatch.learning.posterior import WindTable
from windowwatch.learning.record import NOT_JUDGED, Answers
from windowwatch.physics.spread import KNOT_HEIGHT_M
from windowwatch.physics.winderror import FORECAST_ERROR
from windowwatch.settings.read import read_settings
from windowwatch.storage.store import Store, open_store, ready_store
from windowwatch.watch.launchday.desk import Desk
from windowwatch.watch.learned import as_flown
from windowwatch.watch.pipeline import PassResult, run_pass
from windowwatch.watch.values import Watch

pytestmark = pytest.mark.learning
NOW = REFERENCE + timedelta(hours=2)


@dataclass(frozen=True)
class Made:
    watch: Watch
    data: CycleData


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    folder = tmp_path_factory.mktemp("learning")
    watch = replace(read_settings(settings_in(folder)).watch, draws=16)
    return Made(watch, load_file(forecast_in(folder / "forecasts"), "made"))


@pytest.fixture
def store(tmp_path: Path, new_sqlite: Callable[[Path, bool], str]) -> Iterator[Store]:
    opened = open_store(new_sqlite(tmp_path, True))
    yield opened
    opened.close()


def passed(made: Made, store: Store, **changes: object) -> PassResult:
    watch = replace(made.watch, **changes)  # type: ignore[arg-type]
    return run_pass(made.data, watch, store, now_utc=NOW)


def taught() -> Learned:
    """Winds three times as wrong as from memory, and chances that are worth less."""
    nothing = learn(Answers((), (), *[np.zeros(0)] * 10), NOW)  # type: ignore[arg-type]
    table = FORECAST_ERROR.vector_rmse_mps
    larger = tuple(tuple(3.0 * each for each in row) for row in table)
    days = tuple(tuple(30.0 for _ in row) for row in table)
    axes = FORECAST_ERROR.lead_hours, FORECAST_ERROR.height_m
    return replace(
        nothing,
        key="0123456789",
        days=30,
        wind=(WindTable("made", *axes, table, larger, days),),
        chances=(ChanceMap("made", 0.0, 36.0, 30, 300, -1.0, 0.6, -1.1, 0.5, True),),
    )


def test_a_pass_keeps_what_it_said_to_be_judged_later(made: Made, store: Store) -> None:
    result = passed(made, store)
    (kept,) = store.records("line")
    assert kept.cycle == made.data.cycle
    assert kept.time_unix_s[0] == made.data.cycle.reference_utc.timestamp(), "hours gone by, too"
    assert np.all(np.diff(kept.time_unix_s) > 0.0)
    flown = kept.verdict != NOT_JUDGED
    assert flown.sum() == len(result.hours)
    chances = [np.nan if h.chance is None else h.chance for h in result.hours]
    assert kept.judged[flown, 1] == pytest.approx(chances, abs=1e-6, nan_ok=True)
    places = [h.footprint for h in result.hours]
    assert all(place is not None for place in places)
    assert kept.landing[flown, 0] == pytest.approx(
        [p.latitude_deg for p in places if p is not None], abs=1e-5
    )
    low = KNOT_HEIGHT_M < 30_000.0
    assert np.isfinite(kept.wind_mps[:, low]).all()
    assert np.isfinite(kept.surface["wind_u_10m_mps"]).all()
    (cycle,) = store.cycles("line")
    assert cycle.learned is None
    assert all(hour.raw_chance is None for hour in store.hours("line"))


def test_what_was_learned_is_only_shown_unless_it_is_to_be_used(made: Made, store: Store) -> None:
    store.save_learned("line", taught())
    shown = passed(made, store)
    other = {"name": "other", "use_learned": True}
    store.save_learned("other", taught())
    used = passed(made, store, **other)
    assert store.cycles("line")[0].learned is None
    assert store.cycles("other")[0].learned == "0123456789"
    for before, after in zip(shown.hours, used.hours, strict=True):
        assert before.footprint is not None
        assert after.footprint is not None
        assert after.footprint.major_90_m > 1.5 * before.footprint.major_90_m
        if after.raw_chance:
            worth = taught().chances[0].mended(np.array([after.raw_chance]))[0]
            assert after.chance == pytest.approx(float(worth))
            assert after.chance is not None
            assert after.chance < after.raw_chance
    assert any(hour.raw_chance for hour in used.hours)
    assert store.hours("other") == used.hours, "the raw chance is stored beside it"
    records = {r.cycle: r for r in store.records("other")}
    (kept,) = records.values()
    flown = kept.verdict != NOT_JUDGED
    raw = [np.nan if h.chance is None else h.raw_chance or h.chance for h in used.hours]
    assert kept.judged[flown, 1] == pytest.approx(raw, abs=1e-6, nan_ok=True), "it learns from raw"


def test_without_anything_learned_memory_is_used(made: Made, store: Store) -> None:
    passed(made, store, use_learned=True)
    assert store.cycles("line")[0].learned is None


def test_a_planned_launch_is_flown_as_its_pass_was(made: Made, store: Store) -> None:
    store.save_learned("line", taught())
    used = passed(made, store, use_learned=True)
    release = used.hours[1].time_utc
    key = store.make_plan(
        "line", Planned("Field", release, made.watch.train), at_utc=NOW, by="A"
    ).key
    desk = Desk(made.watch, store)
    desk.take(store.cycles("line")[-1], made.data)
    table = desk.table(key, NOW)
    assert table.flight is not None
    assert table.flight.chance == pytest.approx(used.hours[1].chance)


def test_a_version_that_is_gone_is_an_error_that_says_so(made: Made, store: Store) -> None:
    with pytest.raises(StorageError, match="version 42 is not stored any more"):
        as_flown(made.watch, store, "42")
    assert as_flown(made.watch, store, None).belief == FROM_MEMORY


def test_the_settings_say_what_is_done(tmp_path: Path) -> None:
    assert not read_settings(settings_in(tmp_path)).watch.use_learned
    path = settings_in(tmp_path, '\n[learning]\nuse = "use"\n')
    assert read_settings(path).watch.use_learned
    path = settings_in(tmp_path, '\n[learning]\nuse = "always"\n')
    with pytest.raises(SettingsError, match=r"learning\.use"):
        read_settings(path)


def test_a_store_that_is_of_the_version_before_says_what_to_run(
    store: Store, tmp_path: Path
) -> None:
    copy = tmp_path / "before.sqlite"
    shutil.copy(store.place, copy)
    with sqlite3.connect(copy) as plain:
        plain.execute("UPDATE alembic_version SET version_num = '0010'")
    plain.close()
    older = open_store(f"sqlite:///{copy}")
    with pytest.raises(StorageError, match=r"older version \(0010\); run: windowwatch db upgrade"):
        older.require_current()
    older.close()


def test_the_commands_show_it_and_explain_tells_what_was_flown_with(
    made: Made, tmp_path: Path
) -> None:
    url = f"sqlite:///{tmp_path / 'own.sqlite'}"
    path = settings_in(tmp_path, f'\n[database]\nurl = "{url}"\n')
    with ready_store(url) as own:
        own.save_learned("line", replace(taught(), made_utc=NOW))
        used = passed(made, own, use_learned=True)
        shown = own.learned_tables("line")
    assert shown is not None
    when = next(h for h in used.hours if h.raw_chance).time_utc

    def said(*words: str) -> str:
        done = CliRunner().invoke(main, [words[0], "--settings", str(path), *words[1:]])
        assert done.exit_code == 0, done.output
        return " ".join(done.output.split())

    told = said("explain", "Field", f"{when:%Y-%m-%dT%H:%M}+00:00")
    assert "flown with what was learned, version 0123456789" in told
    assert "as the flights gave it" in told
    assert "What would change" in said("learned")
    wrong = CliRunner().invoke(main, ["learned", "--settings", str(path), "--site", "Nowhere"])
    assert wrong.exit_code != 0
    assert "Field" in wrong.output
