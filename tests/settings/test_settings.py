"""What is said when a settings file is wrong: file, key, value and fix, word for word."""

import re
import shutil
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
        "train.balloon_mass_kg = 1200: must be less than or equal to 20 (usual: 0.2 to 3)",
    ),
    "beyond bounds of a key with a default": (
        ("draws = 64", "draws = 5000"),
        "watch.draws = 5000: must be less than or equal to 256 (usual: 16)",
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
        "watch.first_utc = 2026-05-05T00:00:00: has no time zone; write its offset from UTC "
        "behind it, such as 2026-05-05T00:00:00-02:00, or 2026-05-05T00:00:00Z for UTC",
    ),
    "a day for a time": (
        ("first_utc = 2026-05-05T00:00:00-02:00", "first_utc = 2026-05-05"),
        "watch.first_utc = 2026-05-05: is a day without a time; write one such as 2026-05-05T06:00",
    ),
    "a number for a time": (
        ("first_utc = 2026-05-05T00:00:00-02:00", "first_utc = 2026"),
        "watch.first_utc = 2026: is no time; write one such as 2026-05-05T06:00:00-02:00",
    ),
    "words for a time": (
        ("first_utc = 2026-05-05T00:00:00-02:00", 'first_utc = "tomorrow"'),
        "watch.first_utc = 'tomorrow': is no time; write one such as 2026-05-05T06:00:00-02:00",
    ),
    "a number for a time of day": (
        ("[ground]", '[[channels]]\nname = "x"\nurl_env = "X"\nquiet_from = 22\n[ground]'),
        "channels[1].quiet_from = 22: write a time of day: quiet_from = 22:00:00",
    ),
    "number that is none": (
        ("gas_purity = 0.99 ", "gas_purity = nan "),
        "train.gas_purity = nan: must be a number; nan and inf are none",
    ),
    "limit without end": (
        ("limit_mps = 10\n", "limit_mps = inf\n"),
        "limits.gust.limit_mps = inf: must be a number; nan and inf are none",
    ),
    "score that is none": (
        ("go_score = 70 ", "go_score = -inf "),
        "scoring.go_score = -inf: must be a number; nan and inf are none",
    ),
    "number in quotes": (
        ("draws = 64", 'draws = "64"'),
        "watch.draws = '64': is text; write the number without quotes: draws = 64",
    ),
    "number in quotes with a comma": (
        ("height_m = 12", 'height_m = "12,5"'),
        "sites[1].height_m = '12,5': is text; write the number without quotes: height_m = 12.5",
    ),
    "words for a number": (
        ("height_m = 12", 'height_m = "low"'),
        "sites[1].height_m = 'low': must be a number, without quotes",
    ),
    "truth for a number": (
        ("draws = 64", "draws = true"),
        "watch.draws = true: must be a number, not true or false",
    ),
    "number for a truth": (
        ("hard = true", "hard = 1"),
        "limits.wind.hard = 1: write true or false, without quotes",
    ),
    "number for a name": (
        ('name = "skerra demo"', "name = 12"),
        'watch.name = 12: must be text; write it in quotes: name = "12"',
    ),
    "half a draw": (("draws = 64", "draws = 64.5"), "watch.draws = 64.5: must be a whole number"),
    "text for a list": (
        (
            'no_landing_kinds = ["aerodrome", "industry", "military", "no-entry", "town"]',
            'no_landing_kinds = "town"',
        ),
        "scoring.no_landing_kinds = 'town': must be a list in square brackets: no_landing_kinds =",
    ),
    "a table twice": (
        ("[watch]", "[[watch]]"),
        "watch = […]: must be a table, with the line [watch] at its head, once",
    ),
    "no such place on Earth": (
        ("latitude_deg = 46.10", "latitude_deg = 146.10"),
        "sites[1] = {…}: latitude_deg = 146.1 is no latitude; give -89 to 89. If it is swapped "
        "with the longitude, write latitude_deg = -36.6 and longitude_deg = 146.1",
    ),
    "one site swapped": (
        (
            "latitude_deg = 46.10\nlongitude_deg = -36.60",
            "latitude_deg = -36.60\nlongitude_deg = 46.10",
        ),
        "latitude_deg and longitude_deg of Brackwater (or of all the others) seem to be swapped: "
        "it and Millfield are 12253 km apart, and would then be 78 km apart",
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
def test_a_wrong_key_is_named_with_its_fix(name: str, tmp_path: Path) -> None:
    (old, new), said = WRONG[name]
    assert old in EXAMPLE
    path = _written(tmp_path, EXAMPLE.replace(old, new, 1))
    with pytest.raises(SettingsError) as caught:
        read_settings(path)
    assert said in caught.value.message
    assert caught.value.message.startswith(str(path))
    assert "pw@" not in caught.value.message, "an address may hold a secret"


#: The example with one site, the others and the crew left out.
LONELY = re.sub(
    r"\[\[sites\]\]\nname = .(Millfield|Highmoor).*?(?=\n\[)"
    r"|\[\[ground.crew\]\].*?(?=\n\[|\n# )",
    "",
    EXAMPLE,
    flags=re.DOTALL,
)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("height_m = 12\n", 'height_m = "low"\n'),
        ("height_m = 12\n", "heigth_m = 12\n"),
        ("height_m = 12\n", "height_ft = 40\n"),
    ],
)
def test_one_slip_is_one_finding(old: str, new: str, tmp_path: Path) -> None:
    """The only site is wrong: nothing is said of a list without sites, or of a key missing."""
    assert LONELY.count("[[sites]]") == 1
    with pytest.raises(SettingsError, match="one thing is wrong"):
        read_settings(_written(tmp_path, LONELY.replace(old, new)))


def test_without_sites_that_is_said(tmp_path: Path) -> None:
    text = "sites = []\n" + re.sub(r"\[\[sites\]\].*?(?=\n\[)", "", LONELY, flags=re.DOTALL)
    with pytest.raises(SettingsError, match=r"sites = \[…\]: must have at least one entry"):
        read_settings(_written(tmp_path, text))


def test_sites_all_swapped_are_seen_by_the_map(tmp_path: Path) -> None:
    """The only site lies elsewhere; swapped it would lie on the map, and that is said."""
    text = LONELY.replace("latitude_deg = 46.10\n", "latitude_deg = -36.60\n")
    text = text.replace("longitude_deg = -36.60\n", "longitude_deg = 46.10\n")
    said = "latitude_deg and longitude_deg of the sites are swapped: the file would then fit"
    with pytest.raises(GroundError, match=said):
        read_settings(_written(tmp_path, text))
    text = re.sub(
        r'^(areas|roads|airspace|permitted) = "skerra', r'# \1 = "skerra', text, flags=re.MULTILINE
    )
    with pytest.raises(GroundError, match="of Brackwater seem to be swapped"):
        read_settings(_written(tmp_path, text))


def test_times_may_stand_in_quotes(tmp_path: Path) -> None:
    """A time in quotes can only be meant in one way."""
    text = EXAMPLE.replace("2026-05-05T00:00:00-02:00", '"2026-05-05T00:00:00-02:00"')
    quoted, plain = (read_settings(_written(tmp_path, t), maps=False) for t in (text, EXAMPLE))
    assert quoted.watch == plain.watch


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
    of_ground = {"built_up", "hazard_line", "forest", "slope", "crew", "walk", "arrival_daylight",
                 "airspace", "permitted_area"}  # fmt: skip
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
    shutil.copytree(CONFIG / "rules", folder / "rules", dirs_exist_ok=True)
    target = folder / "watch.toml"
    target.write_text(text, encoding="utf-8")
    return target
