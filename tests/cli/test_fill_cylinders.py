"""`fill` counts cylinders as warm or cold, and as read, as they are.

Held against CoolProp (Bell et al., Ind. Eng. Chem. Res. 53 (2014) 2498).
"""

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from windowwatch.cli.main import main

CONFIG = Path(__file__).parents[2] / "config" / "skerra.toml"
#: Air at the site of the settings. [Pa] is read from the answer.
FILL = ["fill", "--temperature", "5", "--cylinder-l", "0.5"]


def _settings(folder: Path, gas: str, table: str = "") -> Path:
    text = CONFIG.read_text(encoding="utf-8").replace('gas = "hydrogen"', f'gas = "{gas}"')
    text = text.replace('set = "rules/', f'set = "{CONFIG.parent}/rules/')
    before, rest = text.split("[cylinders]", 1)
    path = folder / "watch.toml"
    own = table or "[cylinders]\n"
    path.write_text(f"{before}{own}\n[ground]\n{rest.split('[ground]', 1)[1]}", encoding="utf-8")
    return path


def _asked(path: Path, *options: str) -> str:
    said = CliRunner().invoke(main, [*FILL, "--settings", str(path), *options])
    assert said.exit_code == 0, said.output
    return " ".join(said.output.split())


def _number(said: str, pattern: str) -> float:
    found = re.search(pattern, said)
    assert found is not None, said
    return float(found.group(1))


def _exact(said: str, name: str, full: tuple[float, float], left: tuple[float, float]) -> float:
    """Cylinders by CoolProp: pressures [Pa] with the temperature at which they are meant [K]."""
    from CoolProp.CoolProp import PropsSI  # takes seconds to load: only whoever asks it does

    volume_m3 = _number(said, r"gas ([\d.]+) m³ at 15")
    held = [PropsSI("D", "T", at_k, "P", pa, name) for pa, at_k in (full, left)]
    one_kg = 0.0005 * (held[0] - held[1])
    return volume_m3 * float(PropsSI("D", "T", 288.15, "P", 101_325.0, name)) / one_kg


@pytest.mark.parametrize("gas", ["hydrogen", "helium"])
@pytest.mark.parametrize("celsius", [-20.0, 5.0, 35.0])
@pytest.mark.parametrize("read_now", [False, True])
@pytest.mark.parametrize("gauge", [False, True])
def test_the_count_is_that_of_another_library(
    gas: str, celsius: float, read_now: bool, gauge: bool, tmp_path: Path
) -> None:
    said = _asked(
        _settings(tmp_path, gas),
        *("--cylinder-bar", "150", "--residual-bar", "12"),
        *("--cylinder-temperature", str(celsius)),
        "--read-now" if read_now else "--stamped",
        "--gauge" if gauge else "--absolute",
    )
    air_pa = 100.0 * _number(said, r", (\d+) hPa") if gauge else 0.0
    warm_k = celsius + 273.15
    full = (150e5 + air_pa, warm_k if read_now else 288.15)
    exact = _exact(said, gas.capitalize(), full, (12e5 + air_pa, warm_k))
    count = _number(said, r"cylinders (\d+) of 0.5 l at 150 bar")
    assert exact * 0.994 <= count <= exact * 1.006 + 1.0
    assert exact > 30.0, "enough to tell 3 % apart"
    assert ("(gauge, at" if gauge else "(absolute, at") in said
    assert f"used at {celsius:.0f} °C down to 12 bar" in said


def test_settings_are_the_default_and_options_override_them(tmp_path: Path) -> None:
    table = "[cylinders]\npressure_bar = 150\nresidual_bar = 12\ngauge = true\nread_now = true\n"
    path = _settings(tmp_path, "hydrogen", f"{table}temperature_degc = -20\nflow_m3pmin = 0.2\n")
    plain = tmp_path / "plain"
    plain.mkdir()
    typed = ["--cylinder-bar", "150", "--residual-bar", "12", "--gauge", "--read-now",
             "--cylinder-temperature", "-20", "--flow", "0.2"]  # fmt: skip
    by_options = _asked(_settings(plain, "hydrogen"), *typed)
    assert _asked(path) == by_options
    assert "at 0.2 m³ a minute" in by_options
    other = _asked(path, "--absolute", "--stamped", "--cylinder-temperature", "20")
    assert "150 bar (absolute, at 15 °C) used at 20 °C" in other


def test_nonsense_names_the_option_and_the_key(tmp_path: Path) -> None:
    path = _settings(tmp_path, "helium")
    said = CliRunner().invoke(main, [*FILL, "--settings", str(path), "--cylinder-bar", "-3"])
    assert said.exit_code == 2
    assert "--cylinder-bar" in said.output
    assert "-3 bar cannot be meant" in " ".join(said.output.split())
    empty = CliRunner().invoke(
        main, [*FILL, "--settings", str(path), "--cylinder-bar", "5", "--residual-bar", "6"]
    )
    assert empty.exit_code == 1
    assert "must hold more pressure" in empty.output
    wrong = _settings(tmp_path, "helium", "[cylinders]\npressure_bar = 0\n")
    refused = CliRunner().invoke(main, ["fill", "--settings", str(wrong)])
    assert "cylinders.pressure_bar" in " ".join(refused.output.split())
