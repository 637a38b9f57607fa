"""`check` names the checks that the deciding model never carries the fields of."""

from pathlib import Path

import pytest

from windowwatch.cli.checking import _check_fields
from windowwatch.settings.read import read_settings

pytestmark = pytest.mark.missing

CONFIG = Path(__file__).parents[2] / "config" / "skerra.toml"


def test_a_check_without_fields_is_named_with_its_fix() -> None:
    settings = read_settings(CONFIG)
    most = {"wind_u_10m_mps", "wind_v_10m_mps", "gust_mps", "cloud_total_pct", "ceiling_m",
            "visibility_m", "cape_jpkg", "precipitation_rate_mmph"}  # fmt: skip
    assert [f.words for f in _check_fields(settings, "gfs", most)] == []
    (said,) = _check_fields(settings, "gfs", most - {"visibility_m"})
    assert said.caution
    assert "[limits.visibility]" in said.words
    assert len(_check_fields(settings, "gfs", set())) > 5
