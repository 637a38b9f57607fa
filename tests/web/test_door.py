"""The door behind a proxy: whose address counts, cookies, names that are none, links."""

import re
import shutil
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from line_watch import settings_in
from page_week import Week
from starlette.datastructures import Headers

from windowwatch.cli.main import main
from windowwatch.errors import SettingsError
from windowwatch.settings.read import read_settings
from windowwatch.web.access.guard import MOST_FAILURES, MOST_FAILURES_ALL
from windowwatch.web.access.proxies import (
    LOOPBACK,
    Visitor,
    counted_as,
    is_authority,
    is_origin,
    network,
    visitor,
)

pytestmark = pytest.mark.night
TOKEN = "a long word for a test only"
TRUSTED = tuple(network(each) for each in LOOPBACK)
CONFIG = Path(__file__).resolve().parents[2] / "config"


def seen(peer: str, *headers: tuple[str, str]) -> Visitor:
    raw = [(name.encode(), value.encode()) for name, value in headers]
    return visitor(peer, "http", Headers(raw=raw), TRUSTED)


def test_nobody_is_believed_who_is_not_trusted() -> None:
    told = (("x-forwarded-for", "192.0.2.1"), ("x-forwarded-proto", "https"))
    assert seen("198.51.100.7", *told) == Visitor("198.51.100.7", "http")
    assert seen("127.0.0.1", *told) == Visitor("192.0.2.1", "https", True)
    assert seen("::ffff:127.0.0.1", *told) == Visitor("192.0.2.1", "https", True)
    assert seen("127.0.0.1") == Visitor("127.0.0.1", "http")


@pytest.mark.parametrize(
    ("name", "value", "address"),
    [
        # what the visitor wrote stands before what the proxy added
        ("x-forwarded-for", "203.0.113.9, 192.0.2.1", "192.0.2.1"),
        ("x-forwarded-for", "203.0.113.9, 192.0.2.1, 127.0.0.1", "192.0.2.1"),
        ("x-forwarded-for", "nonsense", "127.0.0.1"),
        ("x-forwarded-for", "192.0.2.1:4711", "192.0.2.1"),
        # the examples of RFC 7239, section 4
        ("forwarded", 'For="[2001:db8:cafe::17]:4711"', "2001:db8:cafe::17"),
        ("forwarded", "for=192.0.2.60;proto=http;by=203.0.113.43", "192.0.2.60"),
        ("forwarded", "for=192.0.2.43, for=198.51.100.17", "198.51.100.17"),
        ("forwarded", 'for="_gazonk"', "127.0.0.1"),
        ("forwarded", 'for="192.0.2.1', "127.0.0.1"),
    ],
)
def test_the_last_address_that_no_proxy_of_ours_has(name: str, value: str, address: str) -> None:
    assert seen("127.0.0.1", (name, value)).address == address


def test_two_ways_that_disagree_are_both_in_doubt() -> None:
    """A proxy that sets one of them hands the other on as the visitor wrote it."""
    one, other = ("x-forwarded-for", "192.0.2.1"), ("forwarded", "for=203.0.113.9")
    assert seen("127.0.0.1", one, other).address == "127.0.0.1"
    assert seen("127.0.0.1", one, ("forwarded", "for=192.0.2.1")).address == "192.0.2.1"


def test_wrong_words_are_counted_by_what_one_visitor_has() -> None:
    assert counted_as("2001:db8::1") == counted_as("2001:db8::ffff") != counted_as("2001:db8:1::1")
    assert counted_as("192.0.2.1") != counted_as("192.0.2.2")


@pytest.mark.parametrize("name", ["a b", "x/y", "x@y", "x:99999", "x:y", "[::1", "[1.2]", "", "é"])
def test_a_name_that_can_be_none_is_refused(week: Week, name: str) -> None:
    assert not is_authority(name)
    assert not is_origin(f"https://{name}")
    client = week.client(token=TOKEN)
    if name.isascii():
        assert client.get("/enter", headers={"host": name}).status_code == 400
        origin = {"origin": f"https://{name}"}
        assert client.get("/enter", headers=origin).status_code == 400
    assert client.get("/enter", headers={"origin": "watch.example"}).status_code == 400
    assert client.post("/enter", headers={"origin": "null"}).status_code == 403


@pytest.mark.parametrize("name", ["w.example", "w.example:8750", "[::1]:80", "192.0.2.1", "a_b."])
def test_a_name_that_can_be_one_is_taken(name: str) -> None:
    assert is_authority(name)
    assert is_origin(f"https://{name}")


def test_strangers_through_a_proxy_meet_no_page_without_a_token(week: Week) -> None:
    """A proxy that hands on our own name as Host must not make everybody one of this machine."""
    client = week.client()
    assert client.get("/", headers={"x-forwarded-for": "192.0.2.1"}).status_code == 421
    assert client.get("/", headers={"x-forwarded-for": "127.0.0.1"}).status_code == 200


def test_who_guesses_is_slowed_down_behind_a_proxy_and_no_other(week: Week) -> None:
    client = week.client(token=TOKEN + " behind")

    def code(address: str, word: str) -> int:
        asked = {"x-forwarded-for": address, "authorization": f"Bearer {word}"}
        return client.get("/data/cycle.json", headers=asked).status_code

    assert [code("192.0.2.1", "wrong") for _ in range(MOST_FAILURES + 1)] == [401] * 5 + [429]
    assert code("192.0.2.2", "wrong") == 401
    assert code("192.0.2.1", TOKEN + " behind") == 200
    for i in range(MOST_FAILURES_ALL):
        code(f"198.51.100.{i}", "wrong")
    assert code("203.0.113.1", "wrong") == 429
    assert code("203.0.113.1", TOKEN + " behind") == 200


@pytest.mark.parametrize(
    ("page_url", "headers", "secure"),
    [
        (None, {}, False),
        ("http://w.example", {}, False),
        ("https://w.example", {}, True),
        (None, {"x-forwarded-proto": "https"}, True),
        (None, {"forwarded": "for=192.0.2.1;proto=https"}, True),
    ],
)
def test_cookies_go_by_https_only_where_visitors_come_so(
    week: Week, page_url: str | None, headers: dict[str, str], secure: bool
) -> None:
    known = replace(week, facts=replace(week.facts, page_url=page_url), _served={})
    client = known.client(token=TOKEN)
    shown = client.get("/enter", headers=headers)
    assert ("secure" in shown.headers["set-cookie"].lower()) is secure
    csrf = re.search(r'name="csrf" value="([0-9a-f]+)"', shown.text)
    assert csrf
    cookie = shown.headers["set-cookie"].partition(";")[0]
    client.cookies.clear()
    sent = {
        **headers,
        "cookie": cookie,
        "origin": page_url or str(client.base_url).rstrip("/"),
    }
    came = client.post("/enter", data={"token": TOKEN, "csrf": csrf[1]}, headers=sent)
    assert came.status_code == 303
    entry = came.headers.get_list("set-cookie")[0].lower()
    assert entry.startswith("windowwatch_entry=")
    assert ("secure" in entry) is secure


def test_without_page_url_no_link_is_made(week: Week, tmp_path: Path) -> None:
    client = week.client(token=TOKEN)
    csrf = re.search(r'name="csrf" value="([0-9a-f]+)"', client.get("/enter").text)
    assert csrf
    client.post("/enter", data={"token": TOKEN, "csrf": csrf[1]})
    assert "page_url" in client.get("/shares").text
    before = len(week.store.shares(week.facts.watch))
    form = {"name": "tower", "days": "2"}
    refused = client.post("/shares", data=form, headers={"host": "evil.example"})
    assert refused.status_code == 400
    assert "page_url" in refused.text
    assert "evil.example" not in refused.text
    assert len(week.store.shares(week.facts.watch)) == before
    settings = str(settings_in(tmp_path, f'\n[database]\nurl = "sqlite:///{tmp_path}/w.db"\n'))
    for more in ([], ["--address", "watch.example"]):
        done = CliRunner().invoke(main, ["share", "make", "crew", "--settings", settings, *more])
        assert done.exit_code == (2 if more else 1)
        assert ("'watch.example' is no address" if more else "page_url") in done.stderr
    assert not (tmp_path / "w.db").exists()


def test_trusted_proxies_are_checked_and_explained(tmp_path: Path) -> None:
    shutil.copytree(CONFIG / "rules", tmp_path / "rules")
    example = (CONFIG / "skerra.toml").read_text(encoding="utf-8")
    explained = re.search(r"^# (trusted_proxies = \[.*?\])", example, re.MULTILINE)
    assert explained
    assert tuple(tomllib.loads(explained[1])["trusted_proxies"]) == LOOPBACK
    settings = tmp_path / "my.toml"
    for wrong in ("0.0.0.0/0", "::/0", "proxy.example", "10.0.0.1/8"):
        settings.write_text(f'{example}\n[page]\ntrusted_proxies = ["{wrong}"]\n')
        with pytest.raises(SettingsError, match=rf"page\.trusted_proxies.*{re.escape(wrong)}"):
            read_settings(settings, maps=False)
    settings.write_text(f'{example}\n[page]\ntrusted_proxies = ["10.0.0.1", "fd00::/8"]\n')
    read = read_settings(settings, maps=False)
    assert read.file.page.trusted_proxies == ("10.0.0.1", "fd00::/8")
