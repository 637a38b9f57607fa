"""`windowwatch new`: its file passes `check`, wrong answers are asked again, nothing is lost."""

import os
import pty
import select
import signal
import sys
from datetime import date
from pathlib import Path
from time import monotonic

import pytest
from click.testing import CliRunner
from patience import PATIENCE_S
from typed import ROOT, typed, typed_in_a_process

from windowwatch.cli.main import main
from windowwatch.errors import InputError
from windowwatch.physics.balloon import BURST_DIAMETERS
from windowwatch.physics.fill import GAS_CAUTIONS
from windowwatch.physics.train import Gas
from windowwatch.settings import draft
from windowwatch.settings.read import read_settings

OPTIONS = {
    "--place": "Tagus valley", "--time-zone": "Europe/Lisbon", "--site": "Evora 38.57 -7.91 300",
    "--gas": "helium", "--balloon": "1.2", "--payload": "1.5", "--days": "6", "--tell": "crew",
}  # fmt: skip


def options(**changed: str) -> list[str]:
    """All options, some of them changed (``site`` for ``--site``); None leaves one out."""
    said = {**OPTIONS, **{f"--{name.replace('_', '-')}": v for name, v in changed.items()}}
    return [word for pair in said.items() for word in pair if pair[1] is not None]


def asked(folder: Path, answers: list[str], *words: str) -> tuple[int, str]:
    """Exit code and output where these answers are typed."""
    before = Path.cwd()
    os.chdir(folder)
    try:
        done = CliRunner().invoke(main, ["new", *words], input="\n".join(answers) + "\n")
    finally:
        os.chdir(before)
    return done.exit_code, done.output


def test_made_by_options_in_a_process_it_passes_check(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("WINDOWWATCH_CREW", raising=False)
    made = typed_in_a_process(tmp_path, "new", *options())
    assert (made.code, made.err) == (0, "")
    assert "my.toml is written" in made.out
    assert GAS_CAUTIONS[Gas.HELIUM] in made.words
    assert "licensed practice come first" in made.words
    text = (tmp_path / "my.toml").read_text(encoding="utf-8")
    assert 30 <= len(text.splitlines()) <= 42
    plain = " ".join(text.replace("\n# ", " ").split())
    assert GAS_CAUTIONS[Gas.HELIUM] in plain
    assert "licensed practice decide" in plain
    assert "NOBODY LOOKS where flights come down" in plain
    unset = typed(tmp_path, "check", "--settings", "my.toml")
    assert unset.code == 1
    assert "FIX   channels" in unset.out, "the one thing that is still to be done"
    assert unset.out.count("FIX ") == 1
    monkeypatch.setenv("WINDOWWATCH_CREW", "json://127.0.0.1:9")
    checked = typed(tmp_path, "check", "--settings", "my.toml")
    assert checked.code == 0, checked.out
    assert "ok    reads: files my.toml; the database" in checked.out
    assert "CARE  map: none is given, and the checks that ask one are off" in checked.out


@pytest.mark.parametrize("balloon", [mass for mass, _ in BURST_DIAMETERS])
@pytest.mark.parametrize("gas", list(Gas))
def test_every_balloon_of_the_table_makes_a_file_that_flies(
    gas: Gas, balloon: float, tmp_path: Path
) -> None:
    (site,) = draft.sites("Evora 38.57 -7.91 300", "Europe/Lisbon")
    payload = draft.payload_kg(f"{0.8 * balloon:g}", gas, balloon, site)
    days = draft.days("6", date(2026, 5, 4))
    crew = draft.people("crew")
    answers = draft.Answers("Tagus", "Europe/Lisbon", [site], gas, balloon, payload, days, crew)
    path = tmp_path / "my.toml"
    path.write_text(draft.settings_of(answers, "my.toml", date(2026, 5, 4)), encoding="utf-8")
    train = read_settings(path).watch.train
    assert (train.gas, train.balloon_mass_kg) == (gas, balloon)
    assert train.burst_diameter_m == dict(BURST_DIAMETERS)[balloon]
    assert train.free_lift_kg > 0


def test_wrong_answers_are_asked_again_with_the_reason(tmp_path: Path) -> None:
    """Eight questions, and for each wrong answer one more time the same."""
    code, said = asked(
        tmp_path,
        [
            "Tagus/valley", "Tagus valley", "lisbon", "Europe/Lisbon",
            "Evora 38,57 -7,91 300", "Evora 138.57 -7.91 300", "Evora 38.57",
            "Evora 38.57 -7.91 300; Evora 38.02N 7.86W 190", "Evora 38.57N 7.91W 300m",
            "neon", "hydrogen", "1,2", "1200", "1.1", "1200 g", "15", "1500", "1.5",
            "2020-01-01 to 2020-01-05", "99", "6", "tgram://1:2", "crew, Ines Duarte",
        ],
    )  # fmt: skip
    assert code == 0, said
    for reason in (
        "'Tagus/valley' cannot be a name here", "did you mean Europe/Lisbon?",
        "write a point, not a comma, in numbers", "latitude_deg = 138.57 is no latitude",
        "'Evora 38.57': give name, latitude, longitude", "two sites are called 'Evora'",
        "give hydrogen or helium", "write a point, not a comma: 1.2", "for grams write 1200 g",
        "(the nearest: 1.2)", "12 times the mass of the balloon", "for grams write 1500 g",
        "2020-01-05 is over", "up to 16 (usual: 6)", "that is an address, and a secret",
    ):  # fmt: skip
        assert said.count(reason) == 1, reason
    assert said.count("Error: ") == 15
    assert "8 of 8." in said
    assert "9 of" not in said
    watch = read_settings(tmp_path / "my.toml")
    (site,) = watch.watch.sites
    assert (site.name, site.longitude_deg, site.height_m) == ("Evora", -7.91, 300.0)
    assert [c.url_env for c in watch.file.channels] == ["WINDOWWATCH_CREW",
                                                       "WINDOWWATCH_INES_DUARTE"]  # fmt: skip


def test_what_is_given_is_not_asked(tmp_path: Path) -> None:
    words = options()
    at = words.index("--gas")
    code, said = asked(tmp_path, ["hydrogen"], *words[:at], *words[at + 2 :])
    assert code == 0, said
    assert "1 of 1. Gas" in said
    assert "2 of" not in said


def test_a_wrong_option_is_named(tmp_path: Path) -> None:
    answer = typed(tmp_path, "new", *options(payload="150 kg"))
    assert answer.code == 2
    assert "--payload: a payload of 150 kg cannot be" in " ".join(answer.err.split())
    assert not list(tmp_path.glob("*.toml"))


def test_a_file_that_is_there_is_kept_unless_told(tmp_path: Path) -> None:
    mine = tmp_path / "my.toml"
    mine.write_text("precious", encoding="utf-8")
    answer = typed(tmp_path, "new", *options())
    assert answer.code == 1
    assert "my.toml is there already; name another file, or give --overwrite" in answer.err
    assert mine.read_text(encoding="utf-8") == "precious"
    assert typed(tmp_path, "new", "--overwrite", *options()).code == 0
    assert "[train]" in mine.read_text(encoding="utf-8")
    assert [path.name for path in tmp_path.iterdir()] == ["my.toml"]
    nowhere = typed(tmp_path, "new", "no/my.toml", *options())
    assert "no is no folder; make it first" in nowhere.err


def test_answers_that_end_leave_nothing_behind(tmp_path: Path) -> None:
    code, said = asked(tmp_path, ["Tagus valley"])
    assert code == 130
    assert "stopped; nothing is written" in said
    assert not list(tmp_path.iterdir())


def test_ctrl_c_in_a_real_terminal_leaves_nothing_behind(tmp_path: Path) -> None:
    """A pseudo-terminal of its own: the key is typed, and the terminal makes the signal of it."""
    child, terminal = pty.fork()
    if child == 0:  # pragma: no cover - another process
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        os.chdir(tmp_path)
        os.environ["PYTHONPATH"] = str(ROOT)
        os.execv(sys.executable, [sys.executable, "-m", "windowwatch", "new"])
    said, typing, asked_so_far, until = (
        b"",
        [b"Tagus valley\n", b"\x03"],
        0,
        monotonic() + PATIENCE_S,
    )
    while monotonic() < until:
        if not select.select([terminal], [], [], 1.0)[0]:
            # a key that came just before it waited for one is seen with the next
            if not typing and b"stopped" not in said:
                os.write(terminal, b"\x03")
            continue
        try:
            got = os.read(terminal, 1024)
        except OSError:  # the other end is closed
            break
        if not got:
            break
        said += got
        if typing and said.count(b"\n> ") > asked_so_far:
            asked_so_far += 1
            os.write(terminal, typing.pop(0))
    else:
        os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    os.close(terminal)
    assert os.waitstatus_to_exitcode(status) == 130, said
    assert b"stopped" in said
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [("2026-05-05 to 2026-05-10", "2026-05-05T00:00:00+01:00", "2026-05-11T00:00:00+01:00"),
     ("2026-10-24 2026-10-25", "2026-10-24T00:00:00+01:00", "2026-10-26T00:00:00+00:00")],
)  # fmt: skip
def test_days_are_those_of_the_place(text: str, first: str, last: str, tmp_path: Path) -> None:
    """Lisbon's clocks go back on the last Sunday of October (EU directive 2000/84/EC)."""
    found = draft.days(text, date(2026, 5, 4))
    (site,) = draft.sites("Evora 38.57 -7.91 300")
    answers = draft.Answers(
        "Tagus", "Europe/Lisbon", [site], Gas.HELIUM, 1.2, 1.5, found, draft.people("crew")
    )
    made = draft.settings_of(answers, "my.toml", date(2026, 5, 4))
    assert f"first_utc = {first}\n" in made
    assert f"last_utc = {last} " in made


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("2026-05-10 to 2026-05-05", "lies before"),
        ("2026-02-30", "no day of the calendar"),
        ("0", "up to 16"),
        ("6,5", "write a point"),
        ("nan", "up to 16"),
        ("2026-05-05 to 2027-05-05", "more than 60 days"),
    ],
)
def test_days_that_cannot_be_are_refused(text: str, reason: str) -> None:
    with pytest.raises(InputError, match=reason):
        draft.days(text, date(2026, 2, 1))
