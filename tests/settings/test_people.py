"""Tables about people and the daemon: what they become, and what is refused."""

import re
from datetime import time, timedelta
from pathlib import Path

import pytest
from line_watch import settings_in

from windowwatch.errors import SettingsError
from windowwatch.notices.channels import check_channel_url
from windowwatch.notices.values import AT_ONCE, Channel
from windowwatch.settings.read import read_settings
from windowwatch.windows.decisions import Decision
from windowwatch.windows.values import ChangeKind

EXAMPLE = Path(__file__).parents[2] / "config" / "skerra.toml"

FULL = """
[[channels]]
name = "phone"
url_env = "WINDOWWATCH_TEST_PHONE"
sites = ["Field"]
from_chance = 0.6
within_h = 72
time_zone = "Europe/London"
quiet_from = 22:00:00
quiet_until = 06:30:00
at_once = ["closed"]
fallback = "mail"
fallback_after_min = 10

[[channels]]
name = "mail"
url_env = "WINDOWWATCH_TEST_MAIL"
time_zone = "Europe/London"
digest_at = [07:00:00, 18:00:00]

[[decisions]]
name = "tell air traffic"
before_h = 24
escalate_to = ["mail"]
"""


def test_everything_that_can_be_said_of_people(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WINDOWWATCH_TEST_PHONE", "json://127.0.0.1:9/")
    monkeypatch.setenv("WINDOWWATCH_TEST_MAIL", "json://127.0.0.1:9/mail")
    settings = read_settings(settings_in(tmp_path, FULL))
    phone, mail = settings.channels()
    assert phone == Channel(
        "phone",
        "json://127.0.0.1:9/",
        sites=frozenset({"Field"}),
        from_chance=0.6,
        within=timedelta(hours=72),
        time_zone="Europe/London",
        quiet=(time(22), time(6, 30)),
        at_once=frozenset({ChangeKind.CLOSED}),
        fallback="mail",
        fallback_after=timedelta(minutes=10),
    )
    assert (mail.digest_at, mail.at_once) == ((time(7), time(18)), AT_ONCE)
    assert settings.watch.decisions == (
        Decision("tell air traffic", timedelta(hours=24), escalate_to=("mail",)),
    )


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('sites = ["Field"]', 'sites = ["Meadow"]', "'phone' names the site 'Meadow'"),
        ('fallback = "mail"', 'fallback = "post"', "'phone' falls back to 'post'"),
        ('fallback = "mail"', 'fallback = "phone"', "'phone' falls back in a circle"),
        ('escalate_to = ["mail"]', 'escalate_to = ["x"]', "names the channel 'x'"),
        ("quiet_until = 06:30:00", "", "give both quiet_from and quiet_until, or neither"),
        ("quiet_until = 06:30:00", "quiet_until = 22:00:00", "are the same time"),
        ('time_zone = "Europe/London"\ndigest', "digest", "need a time_zone to be read in"),
        ("from_chance = 0.6", "from_chance = 60", "channels[1].from_chance = 60"),
        ("before_h = 24", "before_min = 24", "write before_h = 0.4"),
    ],
)
def test_what_does_not_fit_is_named(tmp_path: Path, old: str, new: str, words: str) -> None:
    assert old in FULL
    path = settings_in(tmp_path, FULL.replace(old, new, 1))
    with pytest.raises(SettingsError, match=re.escape(words)):
        read_settings(path)


def test_the_addresses_in_the_example_can_be_used() -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    addresses = re.findall(r"^#   [A-Za-z ]+?  +(\S+://\S+)$", text, re.M)
    assert len(addresses) == 5
    for address in addresses:
        check_channel_url(Channel("example", address))


def test_the_example_read_with_everything_that_is_commented_out(tmp_path: Path) -> None:
    """The commented tables of the example are settings that are taken."""
    text = EXAMPLE.read_text(encoding="utf-8")
    tables = text[text.index("# [[channels]]") :]
    lines = [
        line.removeprefix("# ")
        for line in tables.splitlines()
        if re.match(r"# (\[|[a-z_]+ = | +\")", line)  # a list may go on in the next line
    ]
    more = "\n".join(lines)
    more = more.replace('["Millfield", "Highmoor"]', '["Field"]').replace(
        '["Millfield"]', '["Field"]'
    )
    more += '\n[[channels]]\nname = "mail"\nurl_env = "A"\n'
    more += '\n[[channels]]\nname = "director\'s phone"\nurl_env = "B"\n'
    more = more.replace("director's phone", "director phone")
    path = settings_in(tmp_path)
    own = re.sub(r"\[notices\].*?(?=\n\[|\Z)", "", path.read_text(encoding="utf-8"), flags=re.S)
    path.write_text(f"{own}\n{more}", encoding="utf-8")
    file = read_settings(path).file
    assert file.channels[0].quiet_from == time(22)
    assert file.decisions[0].before_h == 24
    assert file.service.pass_tries == 3
    assert [contact.phone for contact in file.contacts] == ["+1 555 0100", "+1 555 0142"]
