"""windowwatch as a library: the names that are promised, and the example of docs/library.md."""

import doctest
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import invented
import line_watch
import pytest
from page_served import settings_in
from typed import ROOT

import windowwatch
from windowwatch import library
from windowwatch.errors import InputError
from windowwatch.settings.read import read_settings
from windowwatch.storage.store import ready_store

PAGE = ROOT / "docs" / "library.md"
SAMPLE = ROOT / "grib_samples" / "skerra-2026-05-04T12Z.grib2"


def test_ten_names_are_promised_and_each_is_on_the_page() -> None:
    assert windowwatch.__all__ == library.__all__
    assert len(windowwatch.__all__) == 10
    page = PAGE.read_text(encoding="utf-8")
    for name in windowwatch.__all__:
        assert f"`{name}" in page
        assert getattr(windowwatch, name) is getattr(library, name)
        assert name in dir(windowwatch)


def test_other_names_are_refused_as_of_any_module() -> None:
    assert not hasattr(windowwatch, "land")


def test_importing_the_package_loads_nothing_of_it() -> None:
    code = (
        "import sys, windowwatch\n"
        "mine = [m for m in sys.modules if m.startswith('windowwatch')]\n"
        "assert mine == ['windowwatch'], mine\n"
        "assert 'numpy' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_the_example_runs_as_it_stands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    settings = read_settings(settings_in(tmp_path), maps=False)
    with ready_store(settings.database_url()) as store:
        store.save_pass(invented.record(watch=settings.watch.name))
    (tmp_path / "forecast.grib2").symlink_to(SAMPLE)
    monkeypatch.chdir(tmp_path)
    found = doctest.testfile(str(PAGE), module_relative=False, encoding="utf-8")
    assert found.attempted > 15
    assert found.failed == 0


def test_no_time_and_times_without_a_zone_are_refused(tmp_path: Path) -> None:
    watch = read_settings(line_watch.settings_in(tmp_path), maps=False).watch
    made = line_watch.forecast_in(tmp_path)
    forecast = library.open_forecast(made, model="made", sites=watch.sites[:1])
    with pytest.raises(InputError, match="no time to launch at"):
        library.fly(forecast, watch.train, watch.sites[0], [])
    with pytest.raises(InputError, match="zone"):
        library.fly(forecast, watch.train, watch.sites[0], [datetime(2026, 5, 7, 12)])  # noqa: DTZ001
    assert library.score(forecast, watch, []) == ()
    with pytest.raises(InputError, match="at least one draw"):
        library.fly(
            forecast, watch.train, watch.sites[0], [datetime(2026, 5, 7, tzinfo=UTC)], draws=0
        )
