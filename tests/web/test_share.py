"""Links that let others read: what they show, what they do not, and how they end."""

import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import httpx
import icalendar
import invented
import pytest
from click.testing import CliRunner
from line_watch import settings_in
from page_week import Week

from windowwatch.cli.main import main
from windowwatch.errors import InputError
from windowwatch.storage.store import Store, open_store
from windowwatch.storage.watches import hashed
from windowwatch.web.access.guard import (
    GUEST_COOKIE,
    MOST_FAILURES,
    NewShare,
    make_share,
    may_read,
    new_secret,
)
from windowwatch.web.data.openapi import PARAMETERS

TOKEN = "a long word for a test only"
DAY = timedelta(days=1)


def made(week: Week, lasts: timedelta = DAY, name: str = "field crew") -> NewShare:
    now = week.ended_utc
    return make_share(week.store, week.facts.watch, name, lasts, now, new_secret())


def guest(week: Week, share: NewShare) -> httpx.Client:
    """One who came by the link."""
    client = week.client(token=TOKEN)
    came = client.get(share.path)
    assert (came.status_code, came.headers["location"]) == (303, "/")
    assert came.headers["cache-control"] == "private, no-store"
    cookie = came.headers["set-cookie"].lower()
    assert cookie.startswith(GUEST_COOKIE)
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    return client


def test_a_link_lets_read_and_nothing_else(week: Week) -> None:
    client = guest(week, made(week))
    uid = week.store.current_windows(week.facts.watch)[0].uid
    window = f"/windows/{uid}"
    for path in ("/", "/windows", window, f"{window}/sheet", "/sites", "/data", "/data/hours.json",
                 "/data/windows.ics", f"/data/drive.gpx?window={uid}"):  # fmt: skip
        answer = client.get(path)
        assert answer.status_code == 200, path
        assert "/notices" not in answer.text, path
        assert "none://" not in answer.text, path
        assert "crew phones" not in answer.text, path  # the name of a channel
    for path in ("/notices", "/health/page", "/metrics", "/health", "/shares", "/nowhere"):
        refused = client.get(path)
        assert refused.status_code == 403, path
        assert "crew phones" not in refused.text
    key = week.store.changes(week.facts.watch)[0].key
    for path in (f"/notices/{key}/known", "/shares", "/shares/0123456789ab/revoke", "/"):
        assert client.post(path, data={"by": "Eve", "csrf": "x"}).status_code == 403
    assert week.store.acknowledgements([key]) == {}


@pytest.mark.parametrize("name", ["x/data/hours.json?", "x/windows/", "x/hour/#", "x/static/?"])
def test_a_forged_host_shows_a_guest_no_more(week: Week, name: str) -> None:
    client = guest(week, made(week))
    for path in ("/notices", "/data/changes.json", "/health/page"):
        assert client.get(path, headers={"host": name}).status_code in {400, 403}, (path, name)
    assert client.get("/data/hours.json", headers={"host": name}).status_code in {200, 400}


def test_news_are_heard_by_a_link_and_not_without(week: Week) -> None:
    client = guest(week, made(week))
    with client.stream("GET", "/live") as answer:
        assert answer.status_code == 200
        assert next(line for line in answer.iter_lines() if line).startswith("retry:")
    assert week.client(token=TOKEN).get("/live").status_code == 401


def test_what_is_added_later_is_not_for_guests_by_itself() -> None:
    assert may_read("GET", "/")
    assert may_read("HEAD", "/hour/millfield/20260508T0800Z")
    for method, path in (
        ("POST", "/"),
        ("GET", "/settings"),
        ("GET", "/notices"),
        ("PUT", "/data"),
    ):
        assert not may_read(method, path)


def test_every_data_address_is_decided_on_and_notices_are_not_for_guests(week: Week) -> None:
    """Changes are what notices tell: the page of links promises that guests see none."""
    addresses = {p for p in PARAMETERS if p.startswith("/data/")}
    assert {p for p in addresses if not may_read("GET", p)} == {"/data/changes.json"}
    for path in ("/data/changes.json", "/data/new.json", "/datax", "/windowsx", "/data/", "/livex"):
        assert not may_read("GET", path)
    client = guest(week, made(week))
    assert client.get("/data/changes.json").status_code == 403
    assert "changes.json" not in client.get("/data").text
    assert "changes.json" in week.client().get("/data").text


def test_only_the_hash_of_the_word_is_stored(week: Week, tmp_path: Path) -> None:
    share = made(week)
    secret = share.path.rsplit("/", 1)[1]
    assert len(secret) >= 43  # 256 bits
    copy = tmp_path / "copy.sqlite3"
    week.store.backup(copy)
    bytes_there = copy.read_bytes()
    assert secret.encode() not in bytes_there
    assert hashed(secret).encode() in bytes_there
    assert share.share.key == hashed(secret)[:12]


def test_a_link_ends_and_can_be_taken_back(week: Week) -> None:
    short, long = made(week, timedelta(hours=1)), made(week, timedelta(days=3))
    client = guest(week, long)
    later = week.client(week.ended_utc + timedelta(hours=2), token=TOKEN)
    over = later.get(short.path)
    assert over.status_code == 404
    assert "over" in over.text
    assert "set-cookie" not in over.headers
    later.cookies.set(GUEST_COOKIE, short.path.rsplit("/", 1)[1])
    assert later.get("/").status_code == 401
    assert client.get("/").status_code == 200
    week.store.revoke_share(week.facts.watch, long.share.key, now_utc=week.ended_utc)
    assert client.get("/").status_code == 401  # at once
    assert client.get(long.path).status_code == 404
    again = week.store.revoke_share(week.facts.watch, long.share.key, now_utc=week.ended_utc + DAY)
    assert again is not None
    assert again.revoked_utc == week.ended_utc  # the first time counts


def test_a_link_of_another_watch_lets_nobody_in(week: Week) -> None:
    other = make_share(week.store, "another watch", "crew", DAY, week.ended_utc, new_secret())
    client = week.client(token=TOKEN + " other")
    assert client.get(other.path).status_code == 404
    assert (
        week.store.revoke_share(week.facts.watch, other.share.key, now_utc=week.ended_utc) is None
    )


def test_guessing_links_is_soon_over(week: Week) -> None:
    client = week.client(token=TOKEN + " guessing")
    codes = [client.get(f"/share/guess-{i}").status_code for i in range(MOST_FAILURES + 2)]
    assert codes == [404] * MOST_FAILURES + [429] * 2
    assert client.get(made(week).path).status_code == 303  # the right one is heard


def test_links_are_made_and_taken_back_on_the_page(week: Week) -> None:
    known = replace(week, facts=replace(week.facts, page_url="http://w.example"), _served={})
    client = known.client(token=TOKEN)
    csrf = re.search(r'name="csrf" value="([0-9a-f]+)"', client.get("/enter").text)
    assert csrf
    assert client.get("/shares").status_code == 401
    client.post("/enter", data={"token": TOKEN, "csrf": csrf[1]})
    page = client.get("/shares")
    assert page.status_code == 200
    word = re.search(r'name="csrf" value="([0-9a-f]+)"', page.text)
    assert word
    unsealed = client.post("/shares", data={"name": "tower", "days": "2"})
    assert unsealed.status_code == 403
    new = client.post("/shares", data={"name": "tower <b>", "days": "2", "csrf": word[1]})
    assert new.headers["cache-control"] == "private, no-store"
    link = re.search(r"<code[^>]*>http://w\.example(/share/[^<]+)</code>", new.text)
    assert link
    address = ("", f"{known.url(token=TOKEN)}{link[1]}")
    assert "tower &lt;b&gt;" in new.text
    with httpx.Client(follow_redirects=True) as visitor:
        assert "When and where to launch" in visitor.get(address[1]).text
        feed = httpx.get(f"{address[1]}/windows.ics")  # a calendar carries no cookie
        assert list(icalendar.Calendar.from_ical(feed.content).walk("VEVENT"))
        assert address[1] not in client.get("/shares").text  # shown once
        key = re.search(r'tower.*?"/shares/([0-9a-f]{12})/revoke"', client.get("/shares").text)
        assert key
        assert client.post(f"/shares/{key[1]}/revoke").status_code == 403
        gone = client.post(f"/shares/{key[1]}/revoke", data={"csrf": word[1]})
        assert gone.status_code == 303
        assert visitor.get(address[1].rsplit("/share/")[0]).status_code == 401
        assert httpx.get(f"{address[1]}/windows.ics").status_code == 404
    for fields in ({"name": ""}, {"name": "x", "days": "0"}, {"name": "x", "days": "nan"},
                   {"name": "x", "days": "1e999"}, {"name": "x", "days": "soon"},
                   {"name": "x" * 81}):  # fmt: skip
        assert client.post("/shares", data={**fields, "csrf": word[1]}).status_code == 400


def test_a_new_link_begins_as_the_settings_say(week: Week) -> None:
    """Not with the name that a browser, or who stands between, says is ours."""
    known = replace(week, facts=replace(week.facts, page_url="https://w.example"), _served={})
    client = known.client(token=TOKEN)
    csrf = re.search(r'name="csrf" value="([0-9a-f]+)"', client.get("/enter").text)
    assert csrf
    for jar in client.cookies.jar:
        jar.secure = False  # the visitor's browser comes by HTTPS, this one does not
    client.post("/enter", data={"token": TOKEN, "csrf": csrf[1]})
    for jar in client.cookies.jar:
        jar.secure = False
    word = re.search(r'name="csrf" value="([0-9a-f]+)"', client.get("/shares").text)
    assert word
    form = {"name": "tower", "days": "2", "csrf": word[1]}
    page = client.post("/shares", data=form, headers={"host": "evil.example"}).text
    assert re.search(r"<code[^>]*>https://w\.example/share/[\w-]{43}</code>", page)
    assert "evil.example" not in page


def test_the_settings_say_where_the_page_is(week: Week) -> None:
    watch = replace(week.settings.watch, page_url="https://w.example")
    assert replace(week.settings, watch=watch).page_facts(looks=True).page_url == watch.page_url


def test_without_a_token_there_are_no_links(week: Week) -> None:
    client = week.client()
    for path in ("/shares", "/share/x", "/enter"):
        assert client.get(path).status_code == 404
    assert ">Links<" not in client.get("/").text


def test_bounds_of_a_link(store: Store) -> None:
    for name, lasts in (("", DAY), ("a\nb", DAY), ("x", timedelta(0)), ("x", timedelta(days=367))):
        with pytest.raises(InputError):
            make_share(store, "w", name, lasts, invented.NOW, new_secret())
    share = make_share(store, "w", "  crew ", DAY, invented.NOW, "a secret").share
    assert share.name == "crew"
    assert share.holds(invented.NOW + DAY - timedelta(seconds=1))
    assert not share.holds(invented.NOW + DAY)
    assert store.find_share("w", hashed("a secret")) == share
    for key in ("", "%", "_" * 12, share.key[:6], share.key + "0"):
        assert store.revoke_share("w", key, now_utc=invented.NOW) is None


def test_the_command_makes_lists_and_revokes(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path}/w.sqlite3"
    settings = str(settings_in(tmp_path, f'\n[database]\nurl = "{url}"\n'))

    def said(*words: str, code: int = 0) -> tuple[str, str]:
        done = CliRunner().invoke(main, ["share", *words, "--settings", settings])
        assert done.exit_code == code, done.output
        return done.stdout, done.stderr

    out, told = said("make", "field crew", "--days", "2", "--address", "https://w.example/")
    assert re.fullmatch(r"https://w\.example/share/[\w-]{43}\n", out)
    key = re.search(r"revoke ([0-9a-f]{12})", told)
    assert key
    assert re.match(rf"{key[1]}  until \S+ \S+ UTC  field crew\n", said("list")[0])
    assert "taken back" in said("revoke", key[1])[0]
    assert "taken back" in said("list")[0]
    assert "share list" in said("revoke", "nothing", code=1)[1]
    assert "--days" in said("make", "x", "--days", "nan", code=2)[1]
    store = open_store(url)
    (share,) = store.shares("line")
    assert share.revoked_utc is not None
    store.close()
