"""The table [rules]: a rule set laid on the train of the settings, and what is said of it.

Classes and limits: Regulation (EU) No 923/2012, Annex, Appendix 2, as in `config/rules/sera.toml`.
"""

import re
import shutil
from pathlib import Path

import pytest

from windowwatch.cli.checking import check
from windowwatch.clock import SystemClock
from windowwatch.errors import SettingsError
from windowwatch.settings.read import Settings, read_settings
from windowwatch.wording.rules import check_rule_words, in_force_words

CONFIG = Path(__file__).resolve().parents[2] / "config"
EXAMPLE = (CONFIG / "skerra.toml").read_text(encoding="utf-8")


def _read(folder: Path, *changes: tuple[str, str], maps: bool = False) -> Settings:
    text = EXAMPLE
    for old, new in changes:
        assert re.search(old, text), old
        text = re.sub(old, new, text)
    shutil.copytree(CONFIG / "rules", folder / "rules", dirs_exist_ok=True)
    (folder / "watch.toml").write_text(text, encoding="utf-8")
    return read_settings(folder / "watch.toml", maps=maps)


def _words(settings: Settings) -> list[str]:
    return [f.line() for f in check(settings, SystemClock()) if f.what == "rules"]


HEAVY = (r"mass_kg = 1\.2\n", "mass_kg = 3.2\n")
CARRIES = (r"payload_mass_kg = 1\.5", "payload_mass_kg = 3.5")
LIFTS = (r"nozzle_lift_kg = 2\.8", "nozzle_lift_kg = 5.0")
UNSET = (r"(?s)\[rules\]\nset.*?smallest_face_m2 = 0\.04[^\n]*\n", "")


def test_a_light_train_keeps_the_directors_limits(tmp_path: Path) -> None:
    settings = _read(tmp_path)
    applied = settings.watch.plan.applied
    assert applied is not None
    assert applied.found.name == "light"
    assert settings.watch.plan.limits["cloud"].limit == 87.5
    (title, said) = _words(settings)
    assert "No 923/2012, Annex, Appendix 2; edition consolidations" in title
    assert said.startswith("ok    rules: Light by sera 1.1(a). ")
    assert "Local authority and its permission decide" in said


def test_a_heavy_train_gets_the_rules_limits_and_duties(tmp_path: Path) -> None:
    settings = _read(tmp_path, HEAVY, CARRIES, LIFTS)
    plan = settings.watch.plan
    assert plan.applied is not None
    assert plan.applied.found.name == "heavy"
    assert plan.limits["cloud"].limit == 50.0
    assert plan.notice_h == 168.0, "seven days, where the settings say nothing"
    assert plan.limits["visibility"].limit == 8.0
    assert not plan.limits["cloud"].hard, "from memory: it never vetoes"
    words = "\n".join(_words(settings))
    assert "sera 3.1(a) (from memory): cloud at most 50 % (below 18 000 m" in words
    assert "sera 5.1.1 asks: tell air traffic services not less than 7 days before" in words
    said = check_rule_words(plan.applied, "visibility")
    assert said.startswith("sera 3.1(b) (from memory): visibility ")
    assert check_rule_words(plan.applied, "gust") == ""
    assert in_force_words(plan.applied)[0].startswith("Heavy by sera 1.1(c)(2). ")


def test_limits_need_not_be_laid(tmp_path: Path) -> None:
    settings = _read(tmp_path, HEAVY, CARRIES, LIFTS, ("lay_limits = true", "lay_limits = false"))
    assert settings.watch.plan.limits["cloud"].limit == 87.5
    assert any(words.endswith("(not laid on the checks)") for words in _words(settings))


def test_a_class_that_cannot_be_said_is_to_be_fixed(tmp_path: Path) -> None:
    settings = _read(tmp_path, (r"\nseparation_n = 100 [^\n]*", ""))
    marked = [words for words in _words(settings) if words.startswith("FIX")]
    assert len(marked) == 1
    assert "cannot be said without the impact force that parts payload and balloon" in marked[0]
    assert "Local authority and its permission decide" in marked[0]


def test_no_rule_set(tmp_path: Path) -> None:
    settings = _read(tmp_path, UNSET)
    assert settings.watch.plan.applied is None
    assert "local authority and its permission decide" in _words(settings)[0]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        (
            [(r"rules/sera\.toml", "rules/none.toml")],
            r"rules/none\.toml: no such file; fix \[rules",
        ),
        ([(r"rules/sera\.toml", "watch.toml")], r"watch\.toml: the file: \w+ is not a key here"),
        ([HEAVY], r"\[rules\] packages weigh 3\.2 kg together, and the train carries only"),
        ([(r'set = "rules/sera\.toml"\n', "")], r"packages and separation_n are for a rule set"),
        ([(r"smallest_face_m2 = 0\.04", "smallest_face_m2 = 0")], "must be greater than 0"),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, changes: list[tuple[str, str]], said: str) -> None:
    with pytest.raises(SettingsError, match=said):
        _read(tmp_path, *changes)


def test_a_rule_set_with_a_missing_key(tmp_path: Path) -> None:
    own = (CONFIG / "rules" / "own.toml").read_text(encoding="utf-8")
    (tmp_path / "mine.toml").write_text(own.replace('decides = "', 'decided = "'), encoding="utf-8")
    with pytest.raises(SettingsError, match=r"mine\.toml: the file: decided is not a key here"):
        _read(tmp_path, (r"rules/sera\.toml", "mine.toml"))
    (tmp_path / "mine.toml").write_text(re.sub("decides = .*", "", own), encoding="utf-8")
    with pytest.raises(SettingsError, match=r"mine\.toml: the file: decides is missing"):
        _read(tmp_path, (r"rules/sera\.toml", "mine.toml"))
    (tmp_path / "mine.toml").write_text("name = ", encoding="utf-8")
    with pytest.raises(SettingsError, match=r"mine\.toml: is not valid TOML"):
        _read(tmp_path, (r"rules/sera\.toml", "mine.toml"))
