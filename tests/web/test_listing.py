"""Windows, sites, notices and health as pages."""

import html
import re
from dataclasses import replace
from datetime import timedelta
from zoneinfo import ZoneInfo

import invented
from page_week import Week

from windowwatch.forecast.cycle import Cycle
from windowwatch.web.data.health import Condition, health, model_states
from windowwatch.web.pages.listing import FIGURES, site_rows
from windowwatch.web.reading import Reader
from windowwatch.windows.values import ChangeKind, WindowState
from windowwatch.wording.credits import gathered
from windowwatch.wording.page import cycle_words, release_words


def test_every_window_is_listed_and_has_its_history(week: Week) -> None:
    client, watch = week.client(), week.facts.watch
    listed = client.get("/windows").text
    windows = week.store.windows(watch)
    assert windows
    for window in windows:
        assert f'href="/windows/{window.uid}"' in listed
        assert f"{window.site}, {release_words(window, ZoneInfo('America/Noronha'))}" in listed
        page = client.get(f"/windows/{window.uid}").text
        cycles = re.findall(r'<th scope="row">(\w{3} \d+ May \d\d:00 UTC)</th>', page)
        history = week.store.window_history(watch, window.uid)
        assert cycles == [cycle_words(w.cycle_id) for w in reversed(history)]
        inside = [
            h
            for h in week.store.hours(watch, site=window.site)
            if window.start_utc <= h.time_utc < window.end_utc
        ]
        if window.state in (WindowState.OPEN, WindowState.SIGHTED):
            assert page.count('<li><a class="cell') == len(inside)
    assert client.get("/windows/no-such-window").status_code == 404


def test_notices_are_told_in_the_words_of_the_phone(week: Week) -> None:
    page = week.client().get("/notices").text
    changes = week.store.changes(week.facts.watch)
    assert page.count('<article class="notice"') == len(changes)
    for change in changes:
        assert f'id="{change.key}"' in page
        assert f"{str(change.kind).upper()} {change.site}" in page
    assert page.count("crew phones: sent Mon 4 May") == len(changes)
    assert "None waits." in page


def test_a_notice_that_waits_is_named_first_and_its_error_is_not(made_week: Week) -> None:
    store = made_week.store
    store.save_pass(invented.record())
    claim = store.claim_delivery(["phone"], now_utc=invented.NOW, lease=timedelta(minutes=5))
    assert claim is not None
    store.mark_failed(
        claim,
        error="http://secret.example/ cannot be reached",
        next_try_utc=invented.NOW + timedelta(minutes=7),
    )
    page = made_week.client().get("/notices").text
    waiting, _ = page.split("Told, the newest first")
    assert "phone: waits, tried 1 times, next Tue 5 May 04:07 UTC" in waiting
    assert "secret.example" not in page


def test_sites_stand_side_by_side_the_best_first(week: Week) -> None:
    page = week.client().get("/sites").text
    names = re.findall(r"<h2 id=\"s-\w+\"><a href=\"/#\w+\">\d\. (\w+)</a>", page)
    assert sorted(names) == sorted(site.name for site in week.facts.sites)
    board = week.client().get("/").text
    assert names == re.findall(r'<section class="site[^>]*id="(\w+)"', board.title()) or [
        n.lower() for n in names
    ] == re.findall(r'<section class="site[^>]*id="([\w-]+)"', board)


def test_sites_are_told_apart_by_their_windows_and_what_crews_must_do(made_week: Week) -> None:
    checks = (invented.check("walk", value=22.4), invented.check("crew", value=12.2))
    hours = [replace(h, checks=checks) for h in invented.flat(6, 10)]
    runs = [
        invented.window(uid=f"millfield-{h}", start_utc=invented.at(h), end_utc=invented.at(h + n))
        for h, n in ((6, 4), (30, 2))
    ]
    over = replace(runs[0], uid="millfield-x", state=WindowState.CLOSED)
    made_week.store.save_pass(
        invented.record(hours=tuple(hours), windows=(*runs, over), changes=(), deliveries=())
    )
    page = made_week.client(invented.NOW).get("/sites").text.replace("\xa0", " ")
    for told in ("2, together 6 h, the longest 4 h", "22 min", "12 min after the landing", "none"):
        assert f'<td class="n">{told}</td>' in page, told


def test_health_is_judged_by_the_age_of_the_newest_cycle(week: Week) -> None:
    cycle = week.store.cycles(week.facts.watch)[-1]
    stale_after = week.facts.stale_after
    for age, condition in (
        (stale_after, Condition.FRESH),
        (stale_after + timedelta(seconds=1), Condition.STALE),
    ):
        now = cycle.cycle.reference_utc + age
        assert health(week.facts, cycle, now, pending={}).condition is condition
    empty = health(week.facts, None, week.ended_utc, pending={})
    assert empty.condition is Condition.EMPTY
    assert not empty.well


def test_health_has_a_row_for_every_model(week: Week) -> None:
    deciding = week.store.cycles(week.facts.watch)[-1]
    at = deciding.cycle.reference_utc
    bound = week.facts.others_stale_after
    others = [
        replace(deciding, cycle=Cycle(at - late, model))
        for model, late in (("north", bound), ("south", bound + timedelta(hours=1)))
    ]
    rows = model_states(week.facts, deciding, others, at + timedelta(hours=3))
    assert [(r.model, r.age, r.state) for r in rows] == [
        (deciding.cycle.model, "3 h old", "fresh, decides"),
        ("north", "15 h old", "fresh, heard"),
        ("south", "16 h old", "stale, not heard"),
    ]
    old = model_states(week.facts, deciding, (), at + week.facts.stale_after + timedelta(hours=1))
    assert [r.state for r in old] == ["stale, decides"]
    assert model_states(week.facts, None, others, at) == ()
    page = week.client().get("/health/page").text
    assert ">fresh, decides</td>" in page


def test_a_notice_on_the_page_names_where_the_drive_begins(week: Week) -> None:
    page = html.unescape(week.client().get("/notices").text)
    assert re.search(r"from a road; [\dhmin ]+ by road from \w+", page)


def test_health_tells_machines_what_they_need(week: Week, later: timedelta) -> None:
    answer = week.client().get("/health")
    assert answer.status_code == 200
    told = answer.json()
    assert told["condition"] == "fresh"
    assert told["age_s"] == 4 * 3600
    assert told["last_pass_utc"] == f"{week.ended_utc:%Y-%m-%dT%H:%M:%SZ}"
    assert week.client(week.ended_utc + later).get("/health").status_code == 503


def test_the_sheet_says_what_the_window_and_its_hours_say(week: Week) -> None:
    client, watch = week.client(), week.facts.watch
    window = week.store.current_windows(watch)[0]
    assert f"/windows/{window.uid}/sheet" in client.get(f"/windows/{window.uid}").text
    page = client.get(f"/windows/{window.uid}/sheet").text
    train = week.settings.watch.train
    assert f"<dd>{train.nozzle_lift_kg:.2f} kg</dd>" in page
    assert f"<dd>{train.free_lift_kg:.2f} kg</dd>" in page
    zone = ZoneInfo("America/Noronha")
    for hour in week.store.hours(
        watch,
        site=window.site,
        from_utc=window.start_utc,
        until_utc=window.end_utc + timedelta(hours=2),
    ):
        row = re.search(
            rf">{hour.time_utc.astimezone(zone):%H:%M}(?: <small>.*?</small>)?</th>(.*?)</tr>",
            page,
            re.S,
        )
        assert row is not None
        assert str(hour.verdict) in row[1]
        if hour.footprint is not None:
            assert f"{hour.footprint.latitude_deg:.3f}° N" in row[1]


def test_a_window_that_the_newest_cycle_left_has_no_sheet(made_week: Week) -> None:
    gone = invented.record(hours=())
    made_week.store.save_pass(gone)
    uid = gone.windows[0].uid
    assert made_week.client().get(f"/windows/{uid}").status_code == 200
    assert made_week.client().get(f"/windows/{uid}/sheet").status_code == 404


def closed_week(made_week: Week) -> str:
    """One closed window that nobody knows of; its key."""
    change = invented.change(ChangeKind.CLOSED, found_utc=invented.NOW)
    made_week.store.save_pass(invented.record(changes=(change,), deliveries=()))
    return change.key


def seal_of(page: str) -> str:
    found = re.search(r'name="csrf" value="([\w-]+)"', page)
    assert found is not None
    return found[1]


def test_somebody_says_that_they_know_and_the_page_says_who(made_week: Week) -> None:
    key, client = closed_week(made_week), made_week.client(invented.NOW)
    csrf = seal_of(client.get("/notices").text)
    answer = client.post(f"/notices/{key}/known", data={"csrf": csrf, "by": " Ada <b> "})
    assert (answer.status_code, answer.headers["location"]) == (303, f"/notices#{key}")
    assert made_week.store.acknowledgements([key])[key].by_whom == "Ada <b>"
    for path in ("/notices", "/windows/millfield-0507T0600-abc123"):
        page = client.get(path).text
        assert "Known to Ada &lt;b&gt;, Tue 5 May 04:00 UTC." in page
        assert "I know of it" not in page


def test_an_acknowledgement_from_elsewhere_is_refused(made_week: Week) -> None:
    key, client = closed_week(made_week), made_week.client(invented.NOW)
    csrf = seal_of(client.get("/notices").text)
    path = f"/notices/{key}/known"
    good = {"csrf": csrf, "by": "Ada"}
    foreign = {"origin": "https://evil.example"}
    assert client.post(path, data=good, headers=foreign).status_code == 403
    assert client.post(path, data={**good, "csrf": "x"}).status_code == 403
    assert client.post(path, data={"by": "Ada"}).status_code == 403
    assert client.post(path, data={**good, "by": ""}).status_code == 400
    assert client.post(path, data={**good, "by": "x" * 81}).status_code == 400
    assert client.post(path, data={**good, "by": "x" * 9000}).status_code == 413
    assert client.post(path, data={f"f{i}": "x" for i in range(9)}).status_code == 400
    assert client.post("/notices/abc/known", data=good).status_code == 404
    assert client.get(path).status_code == 405
    assert made_week.store.acknowledgements([key]) == {}


def test_the_weather_and_the_map_are_credited_on_every_page(week: Week) -> None:
    for path in ("/", "/windows", "/sites", "/notices", "/health/page"):
        page = week.client().get(path).text
        foot = html.unescape(page[page.index("<footer>") :])
        assert "Weather: model skerra, cycle skerra-2026-05-04T18Z" in foot
        for source in week.facts.ground.sources:
            name, said = source.split(": ", 1)
            assert name in foot
            assert said in foot


def test_sources_of_which_the_same_is_said_stand_together() -> None:
    lines = ("Weather: model a, cycle b", "Map: x.geojson: © Y", "Map: z.osm: © Y", "Map: w: © V")
    assert gathered(lines) == (
        "Weather: model a, cycle b", "Map: x.geojson, z.osm: © Y", "Map: w: © V",
    )  # fmt: skip


def test_sites_tell_the_best_days_chance_before_one_that_takes_days_as_independent(
    week: Week,
) -> None:
    snapshot = Reader(week.store, week.facts.watch).newest()
    assert snapshot is not None
    first = min(h.time_utc for h in snapshot.hours)
    for row in site_rows(week.facts, snapshot, first):
        figures = dict(zip(FIGURES, row.figures, strict=True))
        said = figures["chance of the best launch"]
        told = [re.findall(r"score (\d+), chance (\d+)", words)[0] for _, _, words in row.best]
        if not told:
            assert said == "not known"
            continue
        best = max(told, key=lambda each: int(each[0]) * int(each[1]))
        assert said == f"{best[1]}\xa0%"
