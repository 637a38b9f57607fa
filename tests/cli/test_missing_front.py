"""`check` tells of every check of the table that the deciding model cannot answer, fronts too."""

from dataclasses import replace
from pathlib import Path

import pytest

from windowwatch.cli.checking import _check_fields, unanswerable
from windowwatch.forecast.download.catalogue import MODELS
from windowwatch.scoring.limits import LIMITS
from windowwatch.settings.read import read_settings

pytestmark = pytest.mark.missing

CONFIG = Path(__file__).parents[2] / "config" / "skerra.toml"
#: What each model of the catalogue never answers, as its inventories have it.
SILENT = {
    "gfs-0.25": set(),
    "ifs": {"low_cloud", "middle_cloud", "high_cloud", "ceiling", "visibility", "lifted_index",
            "freezing_rain"},
    "aifs": {"gust", "ceiling", "visibility", "thunder", "lifted_index", "freezing_rain"},
}  # fmt: skip


@pytest.mark.parametrize("model", SILENT)
def test_each_model_says_what_it_never_answers(model: str) -> None:
    assert set(unanswerable(MODELS[model].near)) == SILENT[model]


def test_the_front_is_told_of_when_too_few_of_its_fields_come() -> None:
    read = read_settings(CONFIG)
    limits = {name: kind.default for name, kind in LIMITS.items()}
    watch = replace(read.watch, plan=replace(read.watch.plan, limits=limits))
    settings = replace(read, watch=watch)
    carried = MODELS["gfs-0.25"].near - {"temperature_2m_k", "dew_point_2m_k"}
    assert "front" not in unanswerable(carried)
    carried -= {"pressure_msl_pa"}
    found = [f.words for f in _check_fields(settings, "some", carried) if "front" in f.words]
    assert found == [
        "nearest front passage: some carries too few of its fields, so every hour is unknown; "
        "write ask = false in [limits.front]"
    ]
    every = _check_fields(settings, "some", set())
    assert len(every) == sum(bool(kind.needs) for kind in LIMITS.values()), "each of the table"
