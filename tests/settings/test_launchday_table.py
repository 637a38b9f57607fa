"""The table about launch day: what it becomes, and that each wrong value names its key and fix."""

import re
from datetime import timedelta
from pathlib import Path

import pytest
from line_watch import settings_in

from windowwatch.errors import SettingsError
from windowwatch.launchday.countdown import DEFAULT_STEPS, StepMark
from windowwatch.launchday.team import Team
from windowwatch.settings.read import read_settings

pytestmark = pytest.mark.launchday

EXAMPLE = Path(__file__).parents[2] / "config" / "skerra.toml"
CHANNEL = '[[channels]]\nname = "phone"\nurl_env = "WINDOWWATCH_TEST_PHONE"\n'
STEP = '[[launchday.steps]]\nkey = "gas"\ntext = "Site safe"\nbefore_min = 90\n'
FULL = f"""
{CHANNEL}
[cylinders]
residual_bar = 5
gauge = true
flow_m3pmin = 0.6
[[launchday.cylinders]]
name = "A1"
volume_l = 50
gauge_bar = 150
temperature_degc = 5
[[launchday.go]]
name = "Ines Duarte"
channels = ["phone"]
[[launchday.stations]]
site = "Field"
station = "EGXX"
[[launchday.steps]]
key = "release"
text = "Release"
before_min = 0
mark = "release"
{STEP}who = "Ben"
must = false
"""


def team(folder: Path, more: str) -> Team:
    return read_settings(settings_in(folder, more), maps=False).watch.team


def test_what_it_becomes(tmp_path: Path) -> None:
    found = team(tmp_path, FULL)
    assert found.step_keys == ("gas", "release")
    gas, release = sorted(found.steps, key=lambda step: step.key)
    assert (gas.before, gas.who, gas.must) == (timedelta(minutes=90), "Ben", False)
    assert (release.mark, release.must) == (StepMark.RELEASE, True)
    assert found.go_channels == ("phone",)
    (cylinder,) = found.cylinders
    assert cylinder.pressure_pa == pytest.approx(151.01325e5), "a gauge shows nothing in the air"
    assert cylinder.temperature_k == pytest.approx(278.15)
    assert found.left_pa == pytest.approx(6.01325e5)
    assert found.flow_m3ps == pytest.approx(0.01)
    assert found.station("Field") == "EGXX"


def test_absolute_pressures_stay_what_they_are(tmp_path: Path) -> None:
    found = team(tmp_path, "[cylinders]\nresidual_bar = 3\n")
    assert found.left_pa == pytest.approx(3e5)


def test_left_out_there_is_the_usual_countdown(tmp_path: Path) -> None:
    assert team(tmp_path, "").steps == DEFAULT_STEPS


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("[launchday]\nflow = 1\n", "launchday.flow"),
        ("[cylinders]\nresidual_bar = -1\n", "cylinders.residual_bar"),
        ("[cylinders]\nflow_m3pmin = 0\n", "cylinders.flow_m3pmin"),
        ("[launchday]\nflow_m3pmin = 1\n", "is a key of [cylinders]; move it there"),
        ('[[launchday.cylinders]]\nname = "A"\nvolume_l = 50\n', "gauge_bar"),
        (2 * '[[launchday.cylinders]]\nname = "A"\nvolume_l = 50\ngauge_bar = 9\n', "names must"),
        ('[[launchday.go]]\nname = "Ines"\nchannels = ["pager"]\n', "'pager', which is not here"),
        ('[[launchday.stations]]\nsite = "Fiel"\nstation = "EGXX"\n', "'Fiel', which is not here"),
        ('[[launchday.stations]]\nsite = "Field"\nstation = "egxx"\n', "launchday.stations"),
        (2 * STEP, "two steps of the countdown have the key 'gas'"),
        (STEP.replace("90", "-5"), "launchday.steps"),
        (STEP.replace('"gas"', '"Gas!"'), "launchday.steps"),
        (STEP + 'mark = "burst"\n', "launchday.steps"),
        (
            STEP + 'mark = "fill"\n' + STEP.replace("gas", "more") + 'mark = "fill"\n',
            "have the mark 'fill'",
        ),
    ],
)
def test_what_is_wrong_names_key_and_fix(tmp_path: Path, more: str, words: str) -> None:
    with pytest.raises(SettingsError, match=re.escape(words)) as caught:
        team(tmp_path, more)
    assert "watch.toml" in caught.value.message


def test_the_example_read_with_everything_that_is_commented_out(tmp_path: Path) -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    block = text[text.index("[launchday]") : text.index("# Where results are kept")]
    lines = [re.sub(r"^# (?=\[|[a-z_]+ = )", "", line) for line in block.splitlines()]
    more = "\n".join(lines).replace("Millfield", "Field").replace("director phone", "phone")
    found = team(tmp_path, f"{CHANNEL}\n{more}\n")
    assert [each.name for each in found.cylinders] == ["A1", "A2"]
    assert found.go_channels == ("phone",)
    assert found.station("Field") == "EGXX"
    assert found.step_keys == ("gas",)
