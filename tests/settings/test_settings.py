"""What is said when a settings file is wrong: file, key, value and mend, word for word."""

from pathlib import Path

import pytest

from windowwatch.errors import GroundError, SettingsError
from windowwatch.scoring.limits import LIMITS
from windowwatch.settings.model import known_keys
from windowwatch.settings.read import read_settings

CONFIG = Path(__file__).resolve().parents[2] / "config"
EXAMPLE = (CONFIG / "skerra.toml").read_text(encoding="utf-8")

#: What is changed in the example, and what must then be said.
WRONG = {
    "unit of a length": (
        ("height_m = 12", "height_ft = 40"),
        "sites[1].height_ft = 40: is in a unit this key does not take; write height_m = 12.192",
    ),
    "unit of a limit": (
        ("limit_mps = 10\n", "limit_kt = 20\n"),
        "limits.gust.limit_kt = 20: is in a unit this key does not take; write limit_mps = 10.2889",
    ),
    "grams for kilograms": (
        ("balloon_mass_kg = 1.2", "balloon_mass_kg = 1200"),
        "train.balloon_mass_kg = 1200: must be less than or equal to 20",
    ),
    "key misspelt": (
        ("[limits.gust]", "[limits.gsut]"),
        "limits.gsut = {…}: is not a key here; did you mean gust?",
    ),
    "window rule misspelt": (
        ("open_score = 60 ", "open_scor = 60 "),
        "windows.open_scor = 60: is not a key here; did you mean open_score?",
    ),
    "key missing": (
        ('model = "skerra" ', 'modell = "skerra" '),
        "watch.modell = 'skerra': is not a key here; did you mean model?",
    ),
    "unknown gas": (
        ('gas = "hydrogen"', 'gas = "neon"'),
        "train.gas = 'neon': must be 'hydrogen' or 'helium'",
    ),
    "no lift": (
        ("nozzle_lift_kg = 2.8", "nozzle_lift_kg = 1.2"),
        "[train] nozzle lift 1.2 kg does not lift the payload of 1.5 kg; give more gas or less "
        "payload",
    ),
    "limits the wrong way round": (
        ("limit_mps = 10\n", "limit_mps = 2\n"),
        "gust: fine_mps = 7 lies above limit_mps = 2; lower values are better here",
    ),
    "time without zone": (
        ("first_utc = 2026-05-05T00:00:00-02:00", "first_utc = 2026-05-05T00:00:00"),
        "watch.first_utc = 2026-05-05T00:00:00: must have timezone info",
    ),
    "span that ends before it begins": (
        ("last_utc = 2026-05-11T", "last_utc = 2026-05-01T"),
        "must come before last_utc",
    ),
    "two sites of one name": (
        ('name = "Millfield"', 'name = "Brackwater"'),
        "two sites are called 'Brackwater'; names must differ",
    ),
    "no such zone": (
        ('time_zone = "America/Noronha"', 'time_zone = "Skerra/Brackwater"'),
        'give an IANA time zone such as "Europe/Lisbon"',
    ),
    "not TOML": (("[train]", "[train"), "is not valid TOML"),
    "an address where its variable belongs": (
        ("[ground]", '[[channels]]\nname = "x"\nurl_env = "json://a:pw@host"\n[ground]'),
        "channels[1].url_env = json://…: give the NAME of an environment variable",
    ),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_key_is_named_with_its_mend(name: str, tmp_path: Path) -> None:
    (old, new), said = WRONG[name]
    assert old in EXAMPLE
    path = _written(tmp_path, EXAMPLE.replace(old, new, 1))
    with pytest.raises(SettingsError) as caught:
        read_settings(path)
    assert said in caught.value.message
    assert caught.value.message.startswith(str(path))
    assert "pw@" not in caught.value.message, "an address may hold a secret"


def test_all_findings_come_in_one_message(tmp_path: Path) -> None:
    text = EXAMPLE.replace("draws = 64", "draws = 0").replace('"hydrogen"', '"neon"')
    with pytest.raises(SettingsError, match="2 things are wrong"):
        read_settings(_written(tmp_path, text))


def test_a_missing_file_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"no such file; name your settings file with --set"):
        read_settings(tmp_path / "mine.toml")


def test_a_missing_map_is_named(tmp_path: Path) -> None:
    text = EXAMPLE.replace('"skerra-roads.geojson"', '"lanes.geojson"')
    with pytest.raises(GroundError, match=r"lanes\.geojson: no such file"):
        read_settings(_written(tmp_path, text))


def test_the_example_means_what_it_says() -> None:
    settings = read_settings(CONFIG / "skerra.toml")
    assert [site.name for site in settings.watch.sites] == ["Brackwater", "Millfield", "Highmoor"]
    assert settings.watch.train.free_lift_kg == pytest.approx(1.3)
    assert settings.watch.rules.step_min == settings.file.watch.launch_step_min == 60
    of_ground = {"built_up", "hazard_line", "forest", "slope", "crew", "walk", "arrival_daylight"}
    asked = {name: kind.default for name, kind in LIMITS.items() if kind.asked or name in of_ground}
    assert settings.watch.plan.limits == asked


def test_a_limit_can_be_left_unasked_or_changed(tmp_path: Path) -> None:
    text = EXAMPLE.replace("[limits.visibility]\n", "[limits.visibility]\nask = false\n")
    text = text.replace("fine_mps = 7\nlimit_mps = 10\n", "fine_mps = 5\nlimit_mps = 9\n")
    path = _written(tmp_path, text)
    limits = read_settings(path).watch.plan.limits
    assert "visibility" not in limits
    assert (limits["gust"].fine, limits["gust"].limit, limits["gust"].hard) == (5.0, 9.0, True)


def test_channels_name_the_variable_that_is_not_set(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("WINDOWWATCH_CREW", raising=False)
    channel = '[[channels]]\nname = "crew"\nurl_env = "WINDOWWATCH_CREW"\nkinds = ["closed"]\n'
    settings = read_settings(_written(tmp_path, EXAMPLE + channel))
    with pytest.raises(SettingsError, match="variable WINDOWWATCH_CREW is not set"):
        settings.channels()
    monkeypatch.setenv("WINDOWWATCH_CREW", "json://127.0.0.1:9")
    (found,) = settings.channels()
    assert (found.name, found.url, sorted(found.kinds)) == (
        "crew",
        "json://127.0.0.1:9",
        ["closed"],
    )


def test_every_key_is_explained_in_config() -> None:
    """Every key of every table stands in an example file of `config/`, set or commented out."""
    pages = "\n".join(p.read_text(encoding="utf-8") for p in sorted(CONFIG.glob("*.toml")))
    missing = [
        f"{'.'.join(place)}.{key}"
        for place, keys in known_keys().items()
        for key in keys
        if key not in pages
    ]
    assert not missing


def _written(folder: Path, text: str) -> Path:
    """The text as a settings file, with its maps beside it."""
    for path in (*CONFIG.glob("*.geojson"), CONFIG / "skerra.ground"):
        (folder / path.name).write_bytes(path.read_bytes())
    target = folder / "watch.toml"
    target.write_text(text, encoding="utf-8")
    return target
