"""Indexes read, messages chosen, ranges merged, costs foretold."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from windowwatch.errors import DecodeError, InputError
from windowwatch.forecast.download import ecmwf, noaa
from windowwatch.forecast.download.catalogue import MODELS, Product, Speech, by_field, model
from windowwatch.forecast.download.wanted import (
    Entry,
    Item,
    Part,
    Wanted,
    items_of,
    make_plan,
    merge,
    missing_aloft,
    needed_steps,
)
from windowwatch.forecast.grib.messages import Kind
from windowwatch.forecast.models import FIELDS, ON_LEVELS
from windowwatch.scoring.values import Site
from windowwatch.watch.values import area_of

CYCLE = datetime(2023, 1, 31, 12, tzinfo=UTC)
#: Lines of one real inventory (GFS 0.25 degree, f001), as the project's notes keep them.
REAL = """\
151:113238572:d=2023013112:UGRD:10 mb:1 hour fcst:
152:113738862:d=2023013112:VGRD:10 mb:1 hour fcst:
588:415788976:d=2023013112:UGRD:10 m above ground:1 hour fcst:
596:420948246:d=2023013112:APCP:surface:0-1 hour acc fcst:
597:421181409:d=2023013112:APCP:surface:0-1 hour acc fcst:
"""
#: A line of a real test fixture of ECMWF's open data.
REAL_JSON = (
    '{"domain": "g", "date": "20240401", "time": "0000", "expver": "0001", "class": "od", '
    '"type": "pf", "stream": "enfo", "step": "3", "levelist": "500", "levtype": "pl", '
    '"number": "2", "param": "gh", "_offset": 674936844, "_length": 393429}\n'
)


def item(step: int = 1, cycle: datetime = CYCLE) -> Item:
    return Item(model("gfs-0.25").routes[0].products[0], cycle, step)


def test_a_record_ends_where_the_next_larger_offset_begins() -> None:
    records = noaa.read_index(REAL, "f001.idx")
    assert [r.length for r in records] == [500_290, 302_050_114, 5_159_270, 233_163, None]
    assert [(r.kind, r.start_s, r.end_s) for r in records[-1:]] == [(Kind.ACCUMULATION, 0, 3600)]
    assert records[0].reference_utc == CYCLE


def test_ten_millibar_is_not_ten_metres() -> None:
    chosen = noaa.choose(noaa.read_index(REAL, "x"), item(), "x")
    found = {(e.wanted.field, e.wanted.level_hpa): e.offset for e in chosen}
    assert found == {
        ("u", 10.0): 113238572,
        ("v", 10.0): 113738862,
        ("wind_u_10m_mps", 0.0): 415788976,
        ("precipitation_mm", 0.0): 420948246,  # of the two with the same words the first
    }


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        ("anl", (Kind.INSTANT, 0, 0)),
        ("3 hour fcst", (Kind.INSTANT, 10800, 10800)),
        ("6-9 hour acc fcst", (Kind.ACCUMULATION, 21600, 32400)),
        ("0-1 day acc fcst", (Kind.ACCUMULATION, 0, 86400)),
        ("0-6 hour ave fcst", (Kind.AVERAGE, 0, 21600)),
        ("0-6 hour max fcst", (Kind.MAXIMUM, 0, 21600)),
        ("15 min fcst", (Kind.INSTANT, 900, 900)),
        ("180-240 min acc fcst", (Kind.ACCUMULATION, 10800, 14400)),
        ("something new", (Kind.OTHER, 0, 0)),
    ],
)
def test_times_of_an_index(words: str, meant: tuple[Kind, int, int]) -> None:
    (record,) = noaa.read_index(f"1:0:d=2026072300:TMP:surface:{words}:\n", "x")
    assert (record.kind, record.start_s, record.end_s) == meant


def test_a_value_at_the_time_comes_before_a_mean_and_a_short_sum_before_a_long_one() -> None:
    text = "".join(
        f"{n}:{n * 100}:d=2023013112:{line}:\n"
        for n, line in enumerate(
            (
                "LCDC:low cloud layer:6-9 hour ave fcst",
                "LCDC:low cloud layer:9 hour fcst",
                "APCP:surface:0-9 hour acc fcst",
                "APCP:surface:6-9 hour acc fcst",
                "TMP:2 m above ground:6 hour fcst",
            )
        )
    )
    chosen = noaa.choose(noaa.read_index(text, "x"), item(9), "x")
    assert {(e.wanted.field, e.offset) for e in chosen} == {
        ("cloud_low_pct", 100),
        ("precipitation_mm", 300),
    }


def test_a_whole_day_counts_as_24_hours() -> None:
    line = "1:0:d=2023013112:APCP:surface:0-1 day acc fcst:\n"
    (entry,) = noaa.choose(noaa.read_index(line, "x"), item(24), "x")
    assert entry.wanted == Wanted("precipitation_mm", 0.0, 86400, None, 0)


def test_fields_of_one_message_are_fetched_once() -> None:
    text = (
        "12.1:5000:d=2023013112:UGRD:10 mb:1 hour fcst:\n"
        "12.2:5000:d=2023013112:VGRD:10 mb:1 hour fcst:\n"
        "13:9000:d=2023013112:RH:10 mb:1 hour fcst:\n"
    )
    chosen = noaa.choose(noaa.read_index(text, "x"), item(), "x")
    assert len(chosen) == 2
    assert merge(chosen) == (Part(5000, 4000),)


def test_humidity_is_wanted_up_to_200_hectopascal_only() -> None:
    """Above, even saturated air is as good as dry: WMO-No. 8, annex 4.B, at 220 K over ice."""
    lines = "".join(
        f"{n}:{n * 100}:d=2023013112:RH:{level}:1 hour fcst:\n"
        for n, level in enumerate(("1000 mb", "200 mb", "150 mb", "10 mb", "2 m above ground"))
    )
    chosen = noaa.choose(noaa.read_index(lines, "x"), item(), "x")
    assert [(e.wanted.field, e.wanted.level_hpa) for e in chosen] == [("r", 1000.0), ("r", 200.0)]
    assert not any(entry.wanted.aloft for entry in chosen), "flights do without it"
    assert "var_RH=on" in noaa.filter_url("http://h", item(), (40.0, -40.0, 50.0, -30.0))
    line = REAL_JSON.replace('"gh"', '"q"').replace('"pf"', '"fc"').replace('"number": "2", ', "")
    oper = Item(model("ifs").routes[0].products[0], datetime(2024, 4, 1, tzinfo=UTC), 3)
    for level, count in (("500", 1), ("100", 0)):
        found = ecmwf.read_index(line.replace('"500"', f'"{level}"'), "x")
        assert len(ecmwf.choose(found, oper, "x")) == count


def test_the_ensemble_stands_in_the_extras() -> None:
    lines = (
        "1:0:d=2026072300:HGT:10 mb:anl:ENS=low-res ctl\n"
        "2:9:d=2026072300:HGT:10 mb:anl:ENS=+5\n3:19:d=2026072300:HGT:10 mb:anl:ENS=-2\n"
    )
    assert [r.member for r in noaa.read_index(lines, "x")] == [0, 5, -2]


@pytest.mark.parametrize(
    "text",
    ["<html><body>busy</body></html>", "1:2:3", "a:b:d=2023013112:U:V:W:", "1:0:d=20231:U:V:anl:"],
)
def test_what_is_no_noaa_index_is_named(text: str) -> None:
    with pytest.raises(DecodeError, match=r"f001\.idx: line 1 is no line of an index"):
        noaa.read_index(text, "f001.idx")


@pytest.mark.parametrize("text", ["<html>", "{}", "[1]", REAL_JSON.replace("393429", '"393429"')])
def test_what_is_no_ecmwf_index_is_named(text: str) -> None:
    with pytest.raises(DecodeError, match="line 1 is no line of an index"):
        ecmwf.read_index(text, "x")


def test_an_empty_index_and_one_of_another_cycle_are_named() -> None:
    for reader in (noaa.read_index, ecmwf.read_index):
        with pytest.raises(DecodeError, match="the index is empty"):
            reader("\n", "x")
    late = item(cycle=CYCLE + timedelta(hours=6))
    with pytest.raises(DecodeError, match="index of 2023-01-31T12Z, not of 2023-01-31T18Z; it is"):
        noaa.choose(noaa.read_index(REAL, "x"), late, "x")


def test_an_ecmwf_line() -> None:
    ens = model("ifs-ens").routes[0].products[1]
    wanted = Item(ens, datetime(2024, 4, 1, tzinfo=UTC), 3)
    (entry,) = ecmwf.choose(ecmwf.read_index(REAL_JSON, "x"), wanted, "x")
    assert entry == Entry(Wanted("gh", 500.0, 10800, 2), 674936844, 393429)
    other = Item(ens, datetime(2024, 4, 1, tzinfo=UTC), 6)
    assert ecmwf.choose(ecmwf.read_index(REAL_JSON, "x"), other, "x") == ()


def test_the_control_of_the_ensemble_is_the_deterministic_run_and_51_are_not_awaited() -> None:
    control, members = model("ifs-ens").routes[0].products
    assert control.members == (None,)
    assert members.members == tuple(range(1, 51))
    assert control.path.endswith("-oper-fc.grib2")
    assert model("ifs-ens").members == 51


def test_paths_of_the_providers() -> None:
    at = datetime(2026, 5, 4, 6, tzinfo=UTC)

    def paths(name: str, step: int) -> list[str]:
        return [i.path for i in items_of(model(name).routes[-1].products, at, step)]

    assert [i.path for i in items_of(model("gfs-0.25").routes[0].products, at, 6)] == [
        "gfs.20260504/06/atmos/gfs.t06z.pgrb2.0p25.f006"
    ]
    gefs = paths("gefs", 120)
    assert len(gefs) == 62
    assert gefs[0] == "gefs.20260504/06/atmos/pgrb2ap5/gec00.t06z.pgrb2a.0p50.f120"
    assert gefs[61] == "gefs.20260504/06/atmos/pgrb2bp5/gep30.t06z.pgrb2b.0p50.f120"
    assert paths("ifs-ens", 6) == [
        "20260504/06z/ifs/0p25/oper/20260504060000-6h-oper-fc.grib2",
        "20260504/06z/ifs/0p25/enfo/20260504060000-6h-enfo-ef.grib2",
    ]
    assert paths("aifs", 12)[0].startswith("20260504/06z/aifs-single/0p25/oper/")


def test_the_filter_is_asked_in_its_own_words() -> None:
    url = noaa.filter_url("http://host/cgi-bin", item(6), (40.2, -41.7, 52.1, -28.3))
    assert url.startswith("http://host/cgi-bin/filter_gfs_0p25.pl?dir=%2Fgfs.20230131%2F12%2Fatmos")
    for words in (
        "file=gfs.t12z.pgrb2.0p25.f006",
        "var_UGRD=on",
        "lev_10_mb=on",
        "lev_10_m_above_ground=on",
        "lev_cloud_ceiling=on",
        "subregion=&toplat=53&bottomlat=40&leftlon=318&rightlon=332",
    ):
        assert words in url
    assert url.count("var_UGRD") == 1
    across = noaa.filter_url("http://h", item(), (-5.0, -3.5, 5.0, 4.5))
    assert "leftlon=-4&rightlon=5" in across


def test_adjacent_messages_merge_and_others_do_not() -> None:
    def entry(offset: int, length: int | None) -> Entry:
        return Entry(Wanted("u", 10.0, 0), offset, length)

    assert merge([entry(30, 5), entry(0, 10), entry(10, 10), entry(35, None)]) == (
        Part(0, 20),
        Part(30, None),
    )
    assert merge([]) == ()


def test_what_is_missing_aloft_is_known_by_field_level_and_member() -> None:
    product = Product("p", "x", by_field({"u t": "500 10"}), ("gust_mps",), (1, 2))
    wanted = Item(product, CYCLE, 3)
    have = [Wanted(f, p, 10800, m) for f in ("u", "t") for p in (500.0, 10.0) for m in (1, 2)]
    assert missing_aloft(wanted, have) == ()
    assert missing_aloft(wanted, have[:-1]) == (have[-1],)


def test_every_row_of_the_table_is_whole() -> None:
    for row in MODELS.values():
        assert row.credit(CYCLE)
        assert 0 < row.first_after_min < row.last_after_min
        for route in row.routes:
            for product in route.products:
                assert set(product.fields) <= set(FIELDS)
                spelled = noaa.SPELLED if route.speech is not Speech.ECMWF_INDEX else ecmwf.SPELLED
                assert set(product.fields) - ON_LEVELS <= set(spelled)
                assert bool(product.script) or route.speech is not Speech.NOAA_FILTER
                assert all(url.startswith("https://") for pair in route.hosts for url in pair)
        for hour in row.steps:
            steps = row.steps_h(hour)
            assert steps[0] == 0
            assert len(steps) == len(set(steps))
    assert "2026" in model("ifs").credit(datetime(2026, 5, 4, tzinfo=UTC))
    with pytest.raises(InputError, match=r"there are gfs-0\.25"):
        model("icon")
    with pytest.raises(InputError, match="cycles at 00, 06, 12, 18 UTC, none at 03"):
        model("gfs-0.25").steps_h(3)


def test_steps_follow_from_the_watched_hours() -> None:
    gfs = model("gfs-0.25")
    week = needed_steps(gfs, CYCLE, CYCLE, CYCLE + timedelta(hours=159))
    assert week == tuple(range(0, 169, 3))
    days = needed_steps(gfs, CYCLE, CYCLE + timedelta(hours=30), CYCLE + timedelta(hours=40))
    assert days == (24, 27, 30, 33, 36, 39, 42, 45, 48)
    start, end = CYCLE + timedelta(hours=30), CYCLE + timedelta(hours=40)
    assert needed_steps(gfs, CYCLE, start, end, with_zero=True) == (0, *days)
    gone = needed_steps(gfs, CYCLE, CYCLE + timedelta(days=20), CYCLE + timedelta(days=21))
    assert gone == ()
    short = needed_steps(model("ifs"), CYCLE + timedelta(hours=6), CYCLE, CYCLE + timedelta(days=7))
    assert short[-1] == 144


#: Five sites over 200 km, as a small team has them.
SITES = tuple(Site(f"s{i}", 45.0 + 0.4 * i, -36.0 + 0.5 * i, 10.0, "UTC") for i in range(5))


def test_a_week_of_gfs_for_five_sites_by_the_filter_is_cheap() -> None:
    """At most 60 requests and 40 MB a cycle: the bound this project set itself."""
    gfs = model("gfs-0.25")
    steps = needed_steps(gfs, CYCLE, CYCLE, CYCLE + timedelta(hours=159))
    plan = make_plan(gfs.routes[0], CYCLE, steps, area_of(SITES, 4.0))
    assert len(steps) == 57
    assert plan.requests <= 60
    assert plan.size_bytes <= 40e6
    assert plan.minutes < 5
    ranges = make_plan(gfs.routes[1], CYCLE, steps, area_of(SITES, 4.0))
    assert ranges.size_bytes > 50 * plan.size_bytes
    wide = make_plan(replace(gfs.routes[0], grid_deg=0.5), CYCLE, steps, area_of(SITES, 4.0))
    assert wide.size_bytes < plan.size_bytes
