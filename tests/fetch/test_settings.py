"""The table [forecast] and what `check --forecast` says of it."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from line_watch import settings_in

from windowwatch.cli.checking import plan_lines
from windowwatch.cli.main import main
from windowwatch.clock import SimulatedClock
from windowwatch.errors import SettingsError
from windowwatch.forecast.download.catalogue import MODELS, Speech, model
from windowwatch.forecast.download.ledger import (
    CycleStage,
    CycleState,
    complete_due,
    cycles_between,
    first_due,
    next_words,
)
from windowwatch.settings.read import Settings, read_settings

CONFIG = Path(__file__).resolve().parents[2] / "config"
NOW = datetime(2026, 5, 4, 13, tzinfo=UTC)
TABLE = '\n[forecast]\nsource = "gfs-0.25"\n'


def test_the_example_fetches_gfs_by_the_filter() -> None:
    settings = read_settings(CONFIG / "online.toml")
    lines = plan_lines(settings, SimulatedClock(NOW))
    words = [line.words for line in lines]
    assert "GFS, 0.25 degree: cycle 2026-05-04 06Z, 5" in words[0]
    assert "by NOAA area filter, 0.25 degree: 5" in words[1]
    assert "from nomads.ncep.noaa.gov" in words[1]
    assert words[2].startswith("otherwise by NOAA index and byte ranges, 0.25 degree: ")
    assert words[3].startswith("caution: this other way is much for one cycle, ")
    assert "requests and " in words[3]
    assert "is taken by itself when the way before it fails" in words[3]
    cautions = [number for number, line in enumerate(lines) if line.caution]
    assert cautions == [3], "not of the way that is cheap"
    assert words[-1].startswith("licence: public domain")
    plan = settings.file.forecast.plan(settings.watch, Path("x"))
    assert plan.area == pytest.approx((41.6, -35.9 - 6.18, 49.6, -35.9 + 6.18), abs=0.05)


@pytest.mark.parametrize("name", MODELS)
def test_every_model_has_a_plan(name: str, tmp_path: Path) -> None:
    path = settings_in(tmp_path, TABLE.replace("gfs-0.25", name))
    words = [line.words for line in plan_lines(read_settings(path), SimulatedClock(NOW))]
    assert model(name).words in words[0]
    assert model(name).credit(NOW) in words[-1]


def test_the_command_prints_the_plan_and_asks_nobody(tmp_path: Path) -> None:
    """In the past nothing is to come; the command says so and ends well."""
    path = settings_in(tmp_path, TABLE)
    text = path.read_text(encoding="utf-8")
    kept = "\n".join(line for line in text.splitlines() if "t_utc" not in line)
    path.write_text(kept, encoding="utf-8")
    done = CliRunner().invoke(main, ["check", "--forecast", "--settings", str(path)])
    assert done.exit_code == 0, done.output
    assert "requests" in done.output
    assert max(map(len, done.output.splitlines())) <= 80
    folder = settings_in(tmp_path)
    done = CliRunner().invoke(main, ["check", "--forecast", "--settings", str(folder)])
    assert done.exit_code == 0
    assert done.output.startswith("nothing is fetched: ")


def test_other_hosts_take_the_place_of_the_providers(tmp_path: Path) -> None:
    more = (
        'range_urls = ["http://127.0.0.1:1/gfs/", "https://b.example"]\n'
        'filter_script_urls = ["http://127.0.0.1:1/cgi-bin"]\n'
        'filter_file_urls = ["http://127.0.0.1:1/gfs"]\n'
    )
    section = read_settings(settings_in(tmp_path, TABLE + more)).file.forecast
    first, other = section.model_of_table().routes
    assert first.hosts == (("http://127.0.0.1:1/cgi-bin", "http://127.0.0.1:1/gfs"),)
    assert other.hosts == (("http://127.0.0.1:1/gfs",) * 2, ("https://b.example",) * 2)
    plain = read_settings(settings_in(tmp_path, TABLE + "use_filter = false\n")).file.forecast
    assert [r.speech for r in plain.model_of_table().routes] == [Speech.NOAA_INDEX]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('source = "icon"', "forecast.source = 'icon': give 'folder' or one of gfs-0.25"),
        ('source = "ifs"\nrange_urls = ["ftp://x"]', "'ftp://x' is no address"),
        ('source = "ifs"\nfilter_file_urls = ["http://x"]', "give filter_file_urls as many"),
        ('source = "ifs"\nlevels_hpa = [500, 7]', "give levels_hpa at least two of the levels"),
        ('source = "ifs"\nkeep_gb = 3', "forecast.keep_gb = 3: is not a key here"),
    ],
)
def test_a_wrong_key_is_named(line: str, said: str, tmp_path: Path) -> None:
    path = settings_in(tmp_path, f"\n[forecast]\n{line}\n")
    with pytest.raises(SettingsError) as caught:
        read_settings(path)
    assert said in caught.value.message


OPINION = '\n[[opinions]]\nmodel = "ifs"\n'


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (OPINION, "give forecast_folder where source is 'folder', and only there"),
        (OPINION + 'source = "ifs"\nforecast_folder = "x"\n', "give forecast_folder where source"),
        (OPINION + 'source = "gfs-0.25"\n', "model is 'ifs', but gfs-0.25 is fetched"),
        (OPINION.replace("ifs", "made") + 'source = "ifs"\n', "names a weather model twice"),
        (2 * (OPINION + 'source = "ifs"\n'), "names a weather model twice"),
        ("\n[agreement]\nshare = 2.0\n", "[agreement] rule share = 2.0: give a share, up to 1"),
        ("\n[agreement]\napart_km = 0\n", "rule apart_km = 0.0: give a number above 0"),
    ],
)
def test_wrong_opinions_are_named(more: str, said: str, tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as caught:
        read_settings(settings_in(tmp_path, more))
    assert said in caught.value.message


def test_one_models_cycles_are_not_called_by_anothers_name(tmp_path: Path) -> None:
    """The default name is gfs; whoever fetches another model gives another name."""
    with pytest.raises(SettingsError) as caught:
        read_settings(settings_in(tmp_path, TABLE.replace("gfs-0.25", "ifs"), model='"gfs"'))
    assert "model is 'gfs', but ifs is fetched" in caught.value.message
    assert "Write model = 'ifs'" in caught.value.message
    for label in ("gfs", "GFS-fine", "ours"):
        assert read_settings(settings_in(tmp_path, TABLE, model=f'"{label}"')).watch.model == label


def test_the_example_of_a_second_model_costs_what_it_says(tmp_path: Path) -> None:
    """What is commented out in `online.toml`, over six days."""
    text = (CONFIG / "online.toml").read_text(encoding="utf-8")
    table = text[text.index("# [[opinions]]") : text.index("[[sites]]")]
    second = "\n".join(line.removeprefix("# ") for line in table.splitlines())
    settings = read_settings(settings_in(tmp_path, TABLE + second))
    words = [line.words for line in plan_lines(settings, SimulatedClock(NOW))]
    mine = [line for line in words if line.startswith("ifs, asked what it thinks: ")]
    assert "ECMWF IFS" in mine[0]
    assert "CC BY 4.0" in mine[-1]
    steps = float(mine[0].split(" steps")[0].split()[-1])
    cost_mb = float(mine[1].split(" requests, ")[1].split(" MB")[0])
    assert cost_mb / steps * 27 == pytest.approx(900, abs=60)
    assert "and 0.9 GB with the levels and steps below" in text


def test_opinions_have_sources_of_their_own(tmp_path: Path) -> None:
    more = (
        '\n[forecast]\nkeep_days = 7\n\n[[opinions]]\nmodel = "ifs"\nsource = "ifs"\n'
        "levels_hpa = [500, 100]\nstep_every_h = 6\n"
        '\n[[opinions]]\nmodel = "ours"\nforecast_folder = "x"\navailable_after_min = 30\n'
    )
    settings = read_settings(settings_in(tmp_path, more))
    assert settings.watch.others == ("ifs", "ours")
    first, ifs, ours = settings.sources()
    assert (first.model, first.folder) == ("made", tmp_path / "forecasts")
    assert ifs.network is not None
    assert ifs.network.every_h == 6
    assert ifs.network.keep.days == 7, "as for all"
    assert ifs.network.model.routes[0].products[0].offered_hpa == (500.0, 100.0)
    assert ours.folder == tmp_path / "x"
    assert ours.available_after == timedelta(minutes=30)


def test_settings_know_where_forecasts_are_kept(tmp_path: Path) -> None:
    def read(more: str) -> Settings:
        return read_settings(settings_in(tmp_path, more))

    assert read(TABLE + 'cache_folder = "kept"\n').cache_folder == tmp_path / "kept"
    assert read(TABLE).cache_folder.name == "forecasts"
    assert read(TABLE).forecast_place == "GFS, 0.25 degree"
    assert read("").forecast_place == str(tmp_path / "forecasts")


# --- when cycles are due --------------------------------------------------------------------


def state(cycle: datetime, after_min: float, bracket_min: float = 4.0) -> CycleState:
    there = cycle + timedelta(minutes=after_min + bracket_min / 2)
    before = there - timedelta(minutes=bracket_min)
    return CycleState("gfs-0.25", cycle, CycleStage.COMPLETE, "r", 9, 9, there, before, there)


def test_delays_are_learned_by_hour_of_the_day() -> None:
    gfs = model("gfs-0.25")
    today = datetime(2026, 5, 10, 18, tzinfo=UTC)
    assert complete_due(gfs, (), today).at_utc == today + timedelta(minutes=335)
    assert complete_due(gfs, (), today).learned_from == 0
    days = [timedelta(days=d) for d in range(1, 5)]
    at_18 = [state(today - d, m) for d, m in zip(days, (340, 350, 345, 900), strict=True)]
    at_12 = [state(today - d - timedelta(hours=6), 300) for d in days]
    due = complete_due(gfs, (*at_18, *at_12), today)
    assert due.at_utc == today + timedelta(minutes=347.5), "the median, not the mean"
    assert due.learned_from == 4
    few = complete_due(gfs, (*at_18[:1], *at_12), today)
    assert few.at_utc == today + timedelta(minutes=300)
    wide = [replace(s, absent_utc=s.cycle_utc) for s in at_18]
    assert complete_due(gfs, wide, today).learned_from == 0, "nobody looked in between"


def test_the_next_look_in_words() -> None:
    gfs = model("gfs-0.25")
    noon = datetime(2026, 5, 10, 12, tzinfo=UTC)
    words = next_words(gfs, (state(noon, 335),), noon + timedelta(hours=5, minutes=40))
    assert words == (
        "next look for cycle 2026-05-10 18Z about 21:25 UTC; complete about 23:35 UTC, "
        "as commonly seen"
    )
    learned = [state(noon - timedelta(days=d), 340) for d in range(4)]
    words = next_words(gfs, learned, noon + timedelta(hours=6))
    assert words.endswith("complete about 23:40 UTC, as 4 before it")
    assert first_due(gfs, noon) < noon + timedelta(minutes=216)
    assert cycles_between(gfs, noon - timedelta(hours=13), noon) == [
        noon - timedelta(hours=h) for h in (0, 6, 12)
    ]


def test_fewer_levels_cost_less(tmp_path: Path) -> None:
    table = TABLE + "levels_hpa = [1000, 500, 10]\n"
    section = read_settings(settings_in(tmp_path, table)).file.forecast
    assert section.model_of_table().routes[0].products[0].offered_hpa == (1000.0, 500.0, 10.0)
    gefs = table.replace("gfs-0.25", "gefs")
    read = read_settings(settings_in(tmp_path, gefs))
    (a,) = read.file.forecast.model_of_table().routes[0].products
    assert a.name == "a", "the b files have none of these"
