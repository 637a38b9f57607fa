"""Indexes that the real servers sent: what is wanted is found by its own words, and nothing else.

Complete files: every wanted field on each of its levels, or named as absent. Excerpts: each line
is understood. Where no line of a file is known (10fg3 of IFS) real lines have one name changed,
and the test says so.
"""

import json
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest

from windowwatch.forecast.download import ecmwf, noaa
from windowwatch.forecast.download.catalogue import MODELS, Product, Speech, model
from windowwatch.forecast.download.ledger import complete_due, first_due
from windowwatch.forecast.download.wanted import (
    Entry,
    Item,
    Wanted,
    levels_of,
    merge,
    missing_aloft,
)
from windowwatch.forecast.finer import attribution
from windowwatch.forecast.grib.grid import Grid
from windowwatch.forecast.grib.messages import Kind, MessageKey
from windowwatch.forecast.models import match

pytestmark = pytest.mark.real_index

FEEDS = Path(__file__).parent / "feeds"
AUGUST = datetime(2025, 8, 1, tzinfo=UTC)
A, B = model("gefs").routes[1].products
QUARTER = model("gfs-0.25").routes[1].products[0]
AIFS = model("aifs").routes[0].products[0]
IFS, ENS = model("ifs-ens").routes[0].products
AIR = ("u", "v", "t", "gh")

#: Our fields in the words of the real files, written down from these; `{}` is a level.
WORDS = {
    "u": "UGRD:{} mb",
    "v": "VGRD:{} mb",
    "t": "TMP:{} mb",
    "gh": "HGT:{} mb",
    "r": "RH:{} mb",
    "wind_u_10m_mps": "UGRD:10 m above ground",
    "wind_v_10m_mps": "VGRD:10 m above ground",
    "wind_u_100m_mps": "UGRD:100 m above ground",
    "wind_v_100m_mps": "VGRD:100 m above ground",
    "gust_mps": "GUST:surface",
    "temperature_2m_k": "TMP:2 m above ground",
    "dew_point_2m_k": "DPT:2 m above ground",
    "pressure_msl_pa": "PRMSL:mean sea level",
    "pressure_surface_pa": "PRES:surface",
    "cloud_low_pct": "LCDC:low cloud layer",
    "cloud_middle_pct": "MCDC:middle cloud layer",
    "cloud_high_pct": "HCDC:high cloud layer",
    "cloud_total_pct": "TCDC:entire atmosphere",
    "ceiling_m": "HGT:cloud ceiling",
    "visibility_m": "VIS:surface",
    "precipitation_rate_mmph": "PRATE:surface",
    "precipitation_mm": "APCP:surface",
    "cape_jpkg": "CAPE:surface",
    "lifted_index_k": "LFTX:surface",
    "freezing_rain": "CFRZR:surface",
    "orography": "HGT:surface",
    "land_fraction": "LAND:surface",
}
GEFS_WORDS = WORDS | {
    "cloud_low_pct": "TCDC:low cloud layer",
    "cloud_middle_pct": "TCDC:middle cloud layer",
    "cloud_high_pct": "TCDC:high cloud layer",
}
#: File, its product, cycle, step, member, what of the near ground is not in it.
NOAA_FILES: dict[str, tuple[Product, datetime, int, int | None, set[str]]] = {
    "gfs.t00z.pgrb2.0p25.f000.idx": (QUARTER, AUGUST, 0, None, {"precipitation_mm"}),
    "gfs.t00z.pgrb2.0p25.f007.idx": (QUARTER, AUGUST, 7, None, set()),
    "gec00.t00z.pgrb2a.0p50.f432.idx": (A, AUGUST, 432, 0, set()),
    "gec00.t00z.pgrb2b.0p50.f003.idx": (B, AUGUST, 3, 0, set()),
    "geavg.20260723_00z.pgrb2a.0p50.f000.idx": (
        A,
        datetime(2026, 7, 23, tzinfo=UTC),
        0,
        0,
        {"precipitation_mm", "cloud_total_pct", "freezing_rain"},
    ),
}


def text_of(name: str) -> str:
    return (FEEDS / name).read_text(encoding="utf-8")


def chosen(name: str) -> tuple[Item, tuple[Entry, ...]]:
    product, cycle, step, member, _ = NOAA_FILES[name]
    item = Item(product, cycle, step, member)
    return item, noaa.choose(noaa.read_index(text_of(name), name), item, name)


@pytest.mark.parametrize("name", NOAA_FILES)
def test_a_complete_file_of_noaa_gives_all_that_is_wanted(name: str) -> None:
    item, entries = chosen(name)
    assert missing_aloft(item, [e.wanted for e in entries]) == ()
    got = {(e.wanted.field, e.wanted.level_hpa) for e in entries}
    assert len(got) == len(entries)
    humid = {("r", p) for p in levels_of(item.product, "r")}
    assert humid <= got
    near = {field for field, level in got if level == 0.0}
    assert set(item.product.near) - near == NOAA_FILES[name][4]
    words = WORDS if item.product is QUARTER else GEFS_WORDS
    lines = {int(line.split(":")[1]): line.split(":") for line in text_of(name).splitlines()}
    for entry in entries:
        line = lines[entry.offset]
        said = words[entry.wanted.field].format(f"{entry.wanted.level_hpa:g}")
        assert ":".join(line[3:5]) == said, "no other line"


def test_records_of_a_complete_file_follow_one_another() -> None:
    for name in NOAA_FILES:
        records = noaa.read_index(text_of(name), name)
        assert len(records) == len(text_of(name).splitlines())
        for one, other in pairwise(records):
            assert one.length is not None
            assert one.offset + one.length == other.offset


def test_gfs_gives_values_at_the_time_where_it_has_means_too_and_the_shorter_sum() -> None:
    _, entries = chosen("gfs.t00z.pgrb2.0p25.f007.idx")
    over = {e.wanted.field: e.wanted.start_s for e in entries if e.wanted.start_s != 7 * 3600}
    assert over == {"precipitation_mm": 6 * 3600}, "6-7 h, not 0-7 h; clouds, rates: at the time"


def test_gefs_has_its_layers_and_rate_as_means() -> None:
    _, entries = chosen("gec00.t00z.pgrb2b.0p50.f003.idx")
    means = {e.wanted.field for e in entries if e.wanted.start_s == 0}
    assert means == {
        "cloud_low_pct",
        "cloud_middle_pct",
        "cloud_high_pct",
        "precipitation_rate_mmph",
    }
    _, entries = chosen("gec00.t00z.pgrb2a.0p50.f432.idx")
    over = {e.wanted.field for e in entries if e.wanted.start_s == 426 * 3600}
    assert over == {"cloud_total_pct", "precipitation_mm", "freezing_rain"}


def test_both_files_of_gefs_together_have_every_field_on_every_level() -> None:
    """They share the levels out field by field, and no level is asked of a file without it."""
    _, a = chosen("gec00.t00z.pgrb2a.0p50.f432.idx")
    _, b = chosen("gec00.t00z.pgrb2b.0p50.f003.idx")
    levels = {p for product in (A, B) for p in product.offered_hpa}
    assert len(levels) == 18
    for name in AIR:
        of_a, of_b = (
            {e.wanted.level_hpa for e in entries if e.wanted.field == name} for entries in (a, b)
        )
        assert of_a | of_b == levels
        assert not of_a & of_b, "nothing is fetched twice"
    assert 300.0 not in A.levels_hpa["t"]
    assert 400.0 not in A.levels_hpa["gh"]
    assert 400.0 not in B.levels_hpa["u"]
    near = {e.wanted.field for e in (*a, *b) if not e.wanted.level_hpa}
    assert near == set(WORDS) - {*AIR, "r"}, "as much as GFS has"


@pytest.mark.parametrize("name", NOAA_FILES)
def test_the_area_filter_asked_for_a_real_file_brings_all_that_is_wanted(name: str) -> None:
    """The filter sends every name on every level that is ticked; nothing is ticked in vain."""
    item, _ = chosen(name)
    query = parse_qs(urlsplit(noaa.filter_url("http://h", item, (40.0, 0.0, 50.0, 10.0))).query)
    names = {key[4:] for key in query if key.startswith("var_")}
    levels = {key[4:].replace("_", " ") for key in query if key.startswith("lev_")}
    lines = [line.split(":") for line in text_of(name).splitlines()]
    sent = [line for line in lines if line[3] in names and line[4] in levels]
    records = noaa.read_index("\n".join(":".join(line) for line in sent), name)
    entries = noaa.choose(records, item, name)
    assert missing_aloft(item, [e.wanted for e in entries]) == ()
    if item.step_h:
        assert names <= {line[3] for line in lines}
        assert levels <= {line[4] for line in lines}


def test_ranges_of_a_real_file_are_as_many_and_as_long_as_the_plan_takes_them_for() -> None:
    for name, route in (
        ("gfs.t00z.pgrb2.0p25.f007.idx", model("gfs-0.25").routes[1]),
        ("aifs_single_20250301_00z_6h.index", model("aifs").routes[0]),
    ):
        entries = chosen(name)[1] if name in NOAA_FILES else aifs(6)[1]
        sizes = [e.length for e in entries if e.length is not None]
        assert sum(sizes) / len(sizes) == pytest.approx(route.field_bytes, rel=0.05)
        assert len(entries) / len(merge(entries)) == pytest.approx(route.joined, rel=0.05)
    gefs = model("gefs").routes[1]
    both = [chosen(f"gec00.t00z.pgrb2{kind}.idx")[1] for kind in ("a.0p50.f432", "b.0p50.f003")]
    sizes = [e.length for entries in both for e in entries if e.length is not None]
    assert sum(sizes) / len(sizes) == pytest.approx(gefs.field_bytes, rel=0.05)
    requests = sum(len(merge(entries)) for entries in both)
    assert sum(map(len, both)) / requests == pytest.approx(gefs.joined, rel=0.05)


#: Excerpts of NOAA: each line, as it is to be understood.
NOAA_EXCERPTS = {
    "gec00.20260723_00z.pgrb2a.0p50.f000.excerpt.idx": [
        (name, "10 mb", Kind.INSTANT, 0, 0, 0) for name in ("HGT", "TMP", "RH", "UGRD", "VGRD")
    ],
    "gep01.20260725_00z.pgrb2s.0p25.f024.excerpt.idx": [
        ("TMP", "2 m above ground", Kind.INSTANT, 24, 24, 1),
        ("TMAX", "2 m above ground", Kind.MAXIMUM, 18, 24, 1),
    ],
    "gfs.20260830_00z.pgrb2.0p25.f006.excerpt.idx": [
        ("TMP", "2 mb", Kind.INSTANT, 6, 6, None),
        ("TMP", "2 m above ground", Kind.INSTANT, 6, 6, None),
        ("TMAX", "2 m above ground", Kind.MAXIMUM, 0, 6, None),
    ],
}


@pytest.mark.parametrize("name", NOAA_EXCERPTS)
def test_each_line_of_an_excerpt_of_noaa_is_understood(name: str) -> None:
    read = noaa.read_index(text_of(name), name)
    got = [(r.name, r.level, r.kind, r.start_s // 3600, r.end_s // 3600, r.member) for r in read]
    assert got == NOAA_EXCERPTS[name]


def test_the_kind_of_file_that_is_not_used_is_read_and_gives_what_it_has() -> None:
    name = "gep01.t00z.pgrb2s.0p25.f015.idx"
    records = noaa.read_index(text_of(name), name)
    assert len(records) == 38
    assert {r.member for r in records} == {1}
    assert Kind.OTHER not in {r.kind for r in records}
    item = Item(A, AUGUST, 15, 1)
    entries = noaa.choose(records, item, name)
    assert len(missing_aloft(item, [e.wanted for e in entries])) > 40, "it stands in for nothing"


def test_every_time_in_the_complete_files_is_understood() -> None:
    """But a mean of a whole month or the like there is none."""
    for name in NOAA_FILES:
        strange = {r.kind for r in noaa.read_index(text_of(name), name)}
        assert Kind.OTHER not in strange, name


# --- ECMWF ----------------------------------------------------------------------------------

MARCH = datetime(2025, 3, 1, tzinfo=UTC)


def aifs(step: int) -> tuple[Item, tuple[Entry, ...]]:
    name = f"aifs_single_20250301_00z_{step}h.index"
    item = Item(AIFS, MARCH, step)
    return item, ecmwf.choose(ecmwf.read_index(text_of(name), name), item, name)


@pytest.mark.parametrize(
    ("step", "absent"), [(0, {"precipitation_mm"}), (6, {"land_fraction", "orography"})]
)
def test_a_complete_file_of_aifs_gives_all_that_is_wanted(step: int, absent: set[str]) -> None:
    """Of March 2025: geopotential in place of height, and nothing at 10 hPa."""
    item, entries = aifs(step)
    assert missing_aloft(item, [e.wanted for e in entries]) == ()
    got = {(e.wanted.field, e.wanted.level_hpa) for e in entries}
    assert len(got) == len(entries)
    assert {p for f, p in got if f == "gh"} == {p for p in AIFS.offered_hpa if p != 10.0}
    assert set(AIFS.near) - {f for f, p in got if p == 0.0} == absent
    lines = {
        line["_offset"]: line
        for line in map(json.loads, text_of(f"aifs_single_20250301_00z_{step}h.index").splitlines())
    }
    names = {
        "wind_u_10m_mps": "10u", "wind_v_10m_mps": "10v", "wind_u_100m_mps": "100u",
        "wind_v_100m_mps": "100v", "temperature_2m_k": "2t", "dew_point_2m_k": "2d",
        "pressure_msl_pa": "msl", "pressure_surface_pa": "sp", "cloud_low_pct": "lcc",
        "cloud_middle_pct": "mcc", "cloud_high_pct": "hcc", "cloud_total_pct": "tcc",
        "precipitation_mm": "tp", "orography": "z", "land_fraction": "lsm",
        "u": "u", "v": "v", "t": "t", "gh": "z", "q": "q",
    }  # fmt: skip
    for entry in entries:
        line, wanted = lines[entry.offset], entry.wanted
        assert line["param"] == names[wanted.field]
        assert line["levtype"] == ("pl" if wanted.level_hpa else "sfc")
        assert float(line.get("levelist", 0)) == wanted.level_hpa
        assert entry.length == line["_length"]
    rain = [e.wanted.start_s for e in entries if e.wanted.field == "precipitation_mm"]
    assert rain == ([0] if step else [])


def since_may_2026(step: int) -> str:
    """The real text with what came in May 2026: height beside geopotential, and 10 hPa."""
    lines = text_of(f"aifs_single_20250301_00z_{step}h.index").splitlines()
    lines += [
        line.replace('"param": "z"', '"param": "gh"').replace('"_offset": ', '"_offset": 9')
        for line in lines
        if '"pl"' in line and '"param": "z"' in line
    ]
    lines += [
        line.replace('"levelist": "50"', '"levelist": "10"')
        for line in lines
        if '"levelist": "50"' in line and '"q"' not in line
    ]
    return "\n".join(lines)


def test_height_comes_before_geopotential_and_10_hpa_is_taken_where_it_is() -> None:
    item = Item(AIFS, MARCH, 6)
    text = since_may_2026(6)
    entries = ecmwf.choose(ecmwf.read_index(text, "x"), item, "x")
    got = {(e.wanted.field, e.wanted.level_hpa) for e in entries}
    assert {("gh", p) for p in AIFS.offered_hpa} <= got
    assert {(name, 10.0) for name in AIR} <= got
    params = [line for line in text.splitlines() if '"gh"' in line]
    heights = {json.loads(line)["_offset"] for line in params}
    assert {e.offset for e in entries if e.wanted.field == "gh"} == heights, "not geopotential"
    assert len([f for f, _ in got if f == "gh"]) == len(params) == 14
    # a level of height that is lost is not made up by another kind of number on that level alone
    short = "\n".join(x for x in text.splitlines() if '"gh"' not in x or '"500"' not in x)
    entries = ecmwf.choose(ecmwf.read_index(short, "x"), item, "x")
    assert missing_aloft(item, [e.wanted for e in entries]) == ()


ECMWF_EXCERPTS = {
    "ifs-oper.20260119_12z_0h.excerpt.index": (IFS, 3),
    "ifs-oper.20260405_00z_0h.excerpt.index": (IFS, 1),
    "ifs-oper.20260524_00z_0h.excerpt.index": (IFS, 3),
    "ifs-oper.20260730_00z_0h.excerpt.index": (IFS, 1),
    "ifs-oper.20260830_00z_6h.excerpt.index": (IFS, 1),
    "ifs-oper.20261005_00z_240h.excerpt.index": (IFS, 0),
    "ifs-ens.20240401_00z_3h.excerpt.index": (ENS, 1),
    "ifs-ens.20250930_00z_135h.excerpt.index": (ENS, 0),
    "ifs-ens.20260702_00z_24h.excerpt.index": (ENS, 0),
}


@pytest.mark.parametrize("name", ECMWF_EXCERPTS)
def test_each_line_of_an_excerpt_of_ecmwf_is_understood(name: str) -> None:
    product, wanted = ECMWF_EXCERPTS[name]
    found = re.search(r"\.(\d{8})_(\d\d)z_(\d+)h\.", name)
    assert found is not None
    cycle = datetime.strptime(found[1] + found[2], "%Y%m%d%H").replace(tzinfo=UTC)
    item = Item(product, cycle, int(found[3]))
    records = ecmwf.read_index(text_of(name), name)
    for record, line in zip(records, map(json.loads, text_of(name).splitlines()), strict=True):
        assert record.param == line["param"]
        assert record.levtype == line["levtype"]
        assert record.member == (int(line["number"]) if "number" in line else None)
        assert (record.offset, record.length) == (line["_offset"], line["_length"])
        assert record.end_s == item.step_h * 3600
    assert len(ecmwf.choose(records, item, name)) == wanted


def line_of(param: str, step: int, **changes: str) -> str:
    """A real line of the near ground with another name and step."""
    line = json.loads(text_of("ifs-oper.20260830_00z_6h.excerpt.index").splitlines()[1])
    return json.dumps(line | {"param": param, "step": str(step)} | changes)


@pytest.mark.parametrize(
    ("param", "step", "hours"),
    [
        ("10fg", 3, 1),
        ("10fg", 90, 1),
        ("10fg3", 93, 3),
        ("10fg3", 144, 3),
        ("10fg", 150, 6),
        ("10fg", 360, 6),
        ("tp", 240, 240),
    ],
)
def test_over_how_long_a_field_of_ecmwf_is(param: str, step: int, hours: int) -> None:
    """No line of 10fg3 is known; names and lengths are those of the provider's lists."""
    cycle = datetime(2026, 8, 30, tzinfo=UTC)
    item = Item(IFS, cycle, step)
    (entry,) = ecmwf.choose(ecmwf.read_index(line_of(param, step), "x"), item, "x")
    field = "precipitation_mm" if param == "tp" else "gust_mps"
    assert entry.wanted == Wanted(field, 0.0, step * 3600, None, (step - hours) * 3600)
    assert not entry.wanted.said, "the index does not say it; the message's own keys count"


def test_a_gust_of_the_whole_step_comes_before_one_of_the_last_hour() -> None:
    cycle = datetime(2026, 8, 30, tzinfo=UTC)
    text = "\n".join(line_of(param, 6, _at=param) for param in ("10fg", "10fg3"))
    (entry,) = ecmwf.choose(ecmwf.read_index(text, "x"), Item(IFS, cycle, 6), "x")
    assert entry.wanted.start_s == 3 * 3600


def test_what_is_over_no_time_at_step_0_is_not_taken() -> None:
    cycle = datetime(2026, 8, 30, tzinfo=UTC)
    text = "\n".join(line_of(param, 0) for param in ("10fg", "tp", "2t"))
    entries = ecmwf.choose(ecmwf.read_index(text, "x"), Item(IFS, cycle, 0), "x")
    assert [e.wanted.field for e in entries] == ["temperature_2m_k"]


@pytest.mark.parametrize("cycle_hour", [0, 6, 12, 18])
def test_steps_of_ecmwf(cycle_hour: int) -> None:
    """85 files of a long cycle and 49 of a short one."""
    for name in ("ifs", "ifs-ens"):
        steps = model(name).steps_h(cycle_hour)
        long = cycle_hour in (0, 12)
        assert len(steps) == (85 if long else 49)
        assert steps[-1] == (360 if long else 144)
    assert len(model("aifs").steps_h(cycle_hour)) == 61


def test_10_hpa_of_ecmwf_is_asked_for_and_not_insisted_on() -> None:
    for product in (IFS, ENS, AIFS):
        assert product.optional_hpa == (10.0,)
        assert all(product.levels_hpa[name][-1] == 10.0 for name in AIR)
        assert len(product.offered_hpa) == 14
        item = Item(product, AUGUST, 6)
        lacking = missing_aloft(item, [])
        assert {w.level_hpa for w in lacking} == set(product.offered_hpa) - {10.0}
    assert model("ifs").top_hpa == model("ifs-ens").top_hpa == 10.0


# --- how messages carry them ------------------------------------------------------------------


def key(number: tuple[int, int, int], surface: int, level: float, kind: Kind) -> MessageKey:
    start_s = 0 if kind is not Kind.INSTANT else 21_600
    return MessageKey(
        *number, surface, 255, level, kind, start_s, 21_600, None, 0, Grid(0), AUGUST, 1, 0
    )


@pytest.mark.parametrize(
    ("number", "surface", "level", "kind", "field", "scale"),
    [
        # numbers as ecCodes has them for ECMWF's centre; WMO-No. 306, code table 4.2, for the rest
        ((0, 1, 193), 1, 0.0, Kind.ACCUMULATION, "precipitation_mm", 1000.0),
        ((0, 1, 8), 1, 0.0, Kind.ACCUMULATION, "precipitation_mm", 1.0),
        ((0, 1, 52), 1, 0.0, Kind.ACCUMULATION, "precipitation_mm", 1.0),
        ((0, 6, 192), 1, 0.0, Kind.INSTANT, "cloud_total_pct", 100.0),
        ((0, 6, 1), 1, 0.0, Kind.INSTANT, "cloud_total_pct", 1.0),
        ((0, 6, 3), 1, 0.0, Kind.INSTANT, "cloud_low_pct", 1.0),
        ((0, 6, 4), 1, 0.0, Kind.INSTANT, "cloud_middle_pct", 1.0),
        ((0, 6, 5), 1, 0.0, Kind.INSTANT, "cloud_high_pct", 1.0),
        ((0, 7, 6), 17, 0.0, Kind.INSTANT, "cape_jpkg", 1.0),
        ((0, 2, 22), 103, 10.0, Kind.MAXIMUM, "gust_mps", 1.0),
        ((0, 3, 4), 100, 50_000.0, Kind.INSTANT, "gh", 1.0 / 9.80665),  # 3rd CGPM, 1901
        # NCEP's own number of freezing rain is ECMWF's of rain
        ((0, 1, 193), 1, 0.0, Kind.INSTANT, "freezing_rain", 1.0),
        ((0, 1, 193), 1, 0.0, Kind.AVERAGE, "freezing_rain", 1.0),
        ((0, 6, 1), 214, 0.0, Kind.AVERAGE, "cloud_low_pct", 1.0),
        ((0, 6, 1), 224, 0.0, Kind.AVERAGE, "cloud_middle_pct", 1.0),
        ((0, 6, 1), 234, 0.0, Kind.AVERAGE, "cloud_high_pct", 1.0),
    ],
)
def test_numbers_of_ecmwf_now_and_later_and_of_gefs(
    number: tuple[int, int, int], surface: int, level: float, kind: Kind, field: str, scale: float
) -> None:
    found = match(key(number, surface, level, kind))
    assert found is not None
    assert (found[0].name, found[1].scale) == (field, scale)


def test_cape_of_a_layer_and_clouds_of_other_layers_are_nobodys() -> None:
    assert match(key((0, 7, 6), 108, 18_000.0, Kind.INSTANT)) is None
    assert match(key((0, 6, 1), 244, 0.0, Kind.INSTANT)) is None
    assert match(key((0, 6, 1), 211, 0.0, Kind.AVERAGE)) is None


# --- names, hosts, times, terms ---------------------------------------------------------------


def test_names_of_gfs_now_and_as_announced() -> None:
    at = datetime(2026, 11, 29, 6, tzinfo=UTC)
    for route in model("gfs-0.25").routes:
        (product,) = route.products
        item = Item(product, at, 9)
        assert item.path == "gfs.20261129/06/atmos/gfs.t06z.pgrb2.0p25.f009"
        later = replace(item, which=1)
        assert later.path == (
            "gfs.20261129/06/products/atmos/grib2/0p25/gfs.t06z.pres_a.0p25.f009.grib2"
        )
        assert later.name == item.name, "it is kept under the same name"
    url = noaa.filter_url("http://h", later, (40.0, 0.0, 50.0, 10.0))
    assert "dir=%2Fgfs.20261129%2F06%2Fproducts%2Fatmos%2Fgrib2%2F0p25&" in url
    assert "file=gfs.t06z.pres_a.0p25.f009.grib2&" in url


def test_nothing_hangs_on_half_and_whole_degrees_of_gfs() -> None:
    for name in ("gfs-0.25", "gfs-0.5"):
        assert model(name).routes[1].grid_deg == 0.25
    assert model("gfs-0.25").routes[0].grid_deg == 0.25
    half = model("gfs-0.5")
    assert "ends with version 17" in half.words
    (product,) = half.routes[0].products
    assert product.script == "filter_gfs_0p50.pl"
    assert "pgrb2full.0p50" in product.file(AUGUST, 6, None)
    assert not any("1p00" in p.path for m in MODELS.values() for r in m.routes for p in r.products)


def test_stores_come_before_ecmwfs_own_host_which_is_asked_little() -> None:
    for its in MODELS.values():
        for route in its.routes:
            if route.speech is Speech.ECMWF_INDEX:
                hosts = [root.split("/")[2] for root, _ in route.hosts]
                assert "s3" in hosts[0]
                assert hosts[1] == "storage.googleapis.com"
                assert hosts[-1] == "data.ecmwf.int"
                assert route.at_once == {route.hosts[-1][1]: 2}


@pytest.mark.parametrize(
    ("name", "hour", "first", "last"),
    [
        ("gfs-0.25", 0, 216, (313, 335)),
        ("gefs", 0, 228, (400, 408)),
        ("ifs", 0, 454, (454, 480)),
        ("ifs", 18, 387, (387, 410)),
        ("ifs-ens", 12, 460, (460, 480)),
        ("ifs-ens", 6, 424, (424, 440)),
        ("aifs", 6, 325, (370, 415)),
    ],
)
def test_when_cycles_come_in(name: str, hour: int, first: int, last: tuple[int, int]) -> None:
    """Minutes from the cycle's time, as seen in 2025 and 2026."""
    its, cycle = model(name), datetime(2026, 10, 5, hour, tzinfo=UTC)
    assert (first_due(its, cycle) - cycle) / timedelta(minutes=1) == pytest.approx(0.95 * first)
    due = (complete_due(its, (), cycle).at_utc - cycle) / timedelta(minutes=1)
    assert last[0] <= due <= last[1]


@pytest.mark.parametrize("name", ["ifs", "ifs-ens", "aifs"])
def test_a_page_says_what_ecmwfs_terms_ask_for(name: str) -> None:
    line = str(attribution(name, datetime(2026, 11, 29, tzinfo=UTC)))
    for words in (
        "This service is based on data and products of the European Centre for Medium-Range "
        "Weather Forecasts (ECMWF).",
        "Copyright 2026 European Centre",
        "www.ecmwf.int",
        "https://creativecommons.org/licenses/by/4.0/",
        "ECMWF accepts no liability",
        "Changed: cut out",
    ):
        assert words in line
