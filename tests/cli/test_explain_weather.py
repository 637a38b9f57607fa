"""What `explain --weather` prints is what the files say, and nothing that was made of it."""

from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from line_watch import REFERENCE, forecast_in, settings_in
from typed import typed

from windowwatch.forecast.dataset import said_at
from windowwatch.forecast.sources import load_file, open_files
from windowwatch.settings.read import read_settings
from windowwatch.storage.store import ready_store
from windowwatch.watch.pipeline import run_pass
from windowwatch.watch.values import area_of


def test_values_over_the_nearest_point_are_those_of_the_file(tmp_path: Path) -> None:
    """Against xarray's own choice of the nearest point, step by step and level by level."""
    watch = read_settings(settings_in(tmp_path), maps=False).watch
    dataset, _ = open_files([forecast_in(tmp_path / "forecasts")], area_of(watch.sites))
    moment = REFERENCE + timedelta(hours=4, minutes=20)
    (latitude, longitude), rows = said_at(dataset, 45.9, -4.1, moment)
    near = dataset.sel(latitude=45.9, longitude=-4.1, method="nearest")
    assert (latitude, longitude) == (float(near["latitude"]), float(near["longitude"]))
    found = 0
    for name, variable in near.data_vars.items():
        if "field" not in variable.attrs:
            continue
        _, steps, levels = (dataset[dim] for dim in dataset[name].dims[:3])
        mine = [r for r in rows if r.words == variable.attrs["long_name"]]
        assert len(mine) == levels.size
        for number, row in enumerate(mine):
            for time, value in zip(row.times_utc, row.values, strict=True):
                step_s = int((time - REFERENCE).total_seconds())
                at = int(np.flatnonzero(steps.values == step_s)[0])
                assert value == pytest.approx(variable.values[:, at, number], nan_ok=True)
                found += 1
            assert min(row.times_utc) <= moment or steps.size == 1
    assert found > 20


def test_it_is_printed_with_the_hour(tmp_path: Path) -> None:
    database = f"sqlite:///{tmp_path}/line.sqlite3"
    settings = read_settings(settings_in(tmp_path, f'\n[database]\nurl = "{database}"\n'))
    data = load_file(forecast_in(tmp_path / "forecasts"), "made")
    with ready_store(database) as store:
        run_pass(data, settings.watch, store, now_utc=REFERENCE + timedelta(hours=1))
        hour = store.hours("line")[0]
    asked = ("explain", "Field", f"{hour.time_utc:%Y-%m-%dT%H:%MZ}", "--settings", "watch.toml")
    plain, told = typed(tmp_path, *asked), typed(tmp_path, *asked, "--weather")
    assert plain.code == told.code == 0, told.err
    assert "own files say" not in plain.out
    said = " ".join(told.out.split())
    assert "what the forecast's own files say at the grid point" in said
    assert "eastward wind at 10 m" in said
    assert "upper air" in said
    (tmp_path / "forecasts" / "made.grib2").unlink()
    gone = typed(tmp_path, *asked, "--weather")
    assert gone.code == 1
    assert "files are not there any more" in " ".join(gone.err.split())
