"""The table [forecast.routes]: files, scripts, names and steps that a provider has changed."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from fetching import PART, bench
from line_watch import settings_in
from provider import (
    CYCLE,
    Provider,
    Request,
    fill_ecmwf,
    fill_gfs,
    provider,
    renamed,
)

from windowwatch.errors import SettingsError
from windowwatch.forecast.download.catalogue import MODELS, Model, akin
from windowwatch.forecast.sources import load_files
from windowwatch.settings.read import read_settings

CONFIG = Path(__file__).resolve().parents[2] / "config"
STEPS = (0, 3)
FEW = (1000.0, 500.0, 100.0, 10.0)
PATH = "gfs.{Y}/{H}/products/atmos/grib2/0p25/gfs.t{H}z.pres_a.0p25.f{F}.grib2"


@pytest.fixture
def host() -> Iterator[Provider]:
    with provider() as its:
        fill_gfs(its, STEPS, levels_hpa=FEW)
        yield its


def model_in(folder: Path, more: str, source: str = "gfs-0.25") -> Model:
    """The model that settings lead to."""
    text = f'\n[forecast]\nsource = "{source}"\n{more}'
    path = settings_in(folder, text, model=f'"{source}"')
    return read_settings(path).file.forecast.model_of_table()


def hosted(host: Provider) -> str:
    levels = ", ".join(str(p) for p in FEW)
    return f"""range_urls = ["{host.url}"]
filter_script_urls = ["{host.url}/cgi-bin"]
filter_file_urls = ["{host.url}"]
levels_hpa = [{levels}]
"""


def test_a_renamed_file_and_script_are_fetched_by_the_names_in_the_settings(
    tmp_path: Path, host: Provider
) -> None:
    renamed(host, "atmos/gfs.t12z.pgrb2.0p25", "products/atmos/grib2/0p25/gfs.t12z.pres_a.0p25")
    for path in list(host.files):
        host.add(f"{path}.grib2", host.steps[path], host.files[path])
    more = f'''
[forecast.routes.files.0p25]
path = "{PATH}"
script = "filter_gfs_new.pl"
'''
    its = model_in(tmp_path, hosted(host) + more)
    b = bench(its, tmp_path, area=PART)
    haul = b.collector.gather(CYCLE, STEPS)
    assert haul.complete, haul.problems
    assert {r.path for r in host.log if r.query} == {"/cgi-bin/filter_gfs_new.pl"}
    cut = next(r for r in host.log if r.query)
    assert cut.query["dir"] == ["/gfs.20260504/12/products/atmos/grib2/0p25"]


def test_the_filter_may_have_them_elsewhere(tmp_path: Path, host: Provider) -> None:
    more = f'''
[forecast.routes.files.0p25]
path = "{PATH}"
filter_path = "gfs.{{Y}}/{{H}}/atmos/gfs.t{{H}}z.pgrb2.0p25.f{{F}}"
'''
    its = model_in(tmp_path, hosted(host) + more)
    assert bench(its, tmp_path, area=PART).collector.gather(CYCLE, STEPS).complete


def lowest_cloud(host: Provider) -> None:
    """Low cloud under another name and level, in the index and at the filter."""
    sound = host.answer

    def answer(request: Request) -> bytes | None:
        query = request.query
        if {"var_TCDC", "lev_lowest_cloud_layer"} <= set(query):
            query |= {"var_LCDC": ["on"], "lev_low_cloud_layer": ["on"]}
        elif "var_LCDC" in query:
            del query["var_LCDC"]
        body = sound(request)
        if body is None or not request.path.endswith(".idx"):
            return body
        return body.replace(b"LCDC:low cloud layer", b"TCDC:lowest cloud layer")

    host.answer = answer  # type: ignore[method-assign]


@pytest.mark.parametrize("way", [0, 1], ids=["filter", "ranges"])
def test_a_field_under_another_name_is_found(way: int, tmp_path: Path, host: Provider) -> None:
    """By the filter and by ranges: without the name low cloud is lost, with it it is there."""
    lowest_cloud(host)
    (product,) = MODELS["gfs-0.25"].routes[way].products
    table = hosted(host) + ("use_filter = false\n" if way else "")
    name = f"""
[forecast.routes.files.{product.name}.names]
cloud_low_pct = "TCDC:lowest cloud layer"
"""
    found = list[bool]()
    for more in ("", name):
        folder = tmp_path / str(len(found))
        folder.mkdir()
        b = bench(model_in(folder, table + more), folder, area=PART)
        haul = b.collector.gather(CYCLE, STEPS)
        assert haul.complete, haul.problems
        data = load_files([file.path for file in haul.files], "gfs", area=PART)
        found.append("cloud_low_pct" in data.surface.fields)
    assert found == [False, True]


def test_a_parameter_of_ecmwf_under_another_name_is_found(tmp_path: Path) -> None:
    with provider() as host:
        fill_ecmwf(host, (0, 6))
        sound = host.answer

        def answer(request: Request) -> bytes | None:
            body = sound(request)
            if body is None or not request.path.endswith(".index"):
                return body
            return body.replace(b'"10fg"', b'"10fg9"')

        host.answer = answer  # type: ignore[method-assign]
        table = f'range_urls = ["{host.url}"]\nlevels_hpa = [1000, 500, 100]\n'
        sizes = list[int]()
        for more in ("", '[forecast.routes.files.fc.names]\ngust_mps = "10fg9"\n'):
            folder = tmp_path / str(len(sizes))
            folder.mkdir()
            b = bench(model_in(folder, table + more, "ifs"), folder)
            haul = b.collector.gather(CYCLE, (6,))
            assert haul.complete, haul.problems
            sizes.append(sum(f.size_bytes for f in haul.files))
        assert sizes[1] > sizes[0], "the gust came, too"


def test_steps_of_an_hour_are_those_of_the_settings(tmp_path: Path) -> None:
    more = '[forecast.routes.steps]\n"06" = ["0-12/3", "18-24/6"]\n'
    its = model_in(tmp_path, more, "ifs")
    assert its.steps_h(6) == (0, 3, 6, 9, 12, 18, 24)
    assert its.steps_h(0) == MODELS["ifs"].steps_h(0)


def test_new_names_do_not_part_ways_that_carry_the_same() -> None:
    first = MODELS["gfs-0.25"].routes[0]
    (product,) = first.products
    spelled = {"ceiling_m": ("HGT", "base")}
    moved = replace(product, path="elsewhere", script="x", spelled=spelled)
    assert akin(first, replace(first, products=(moved,)))
    assert not akin(first, replace(first, grid_deg=0.5))


def test_the_example_in_the_settings_fits(tmp_path: Path) -> None:
    """What is commented out in `online.toml` can be taken as it stands."""
    text = (CONFIG / "online.toml").read_text(encoding="utf-8")
    begin = text.index("# [forecast.routes.files.0p25]\n")
    table = text[begin : text.index("# A second model")]
    more = "\n".join(line.removeprefix("# ") for line in table.splitlines())
    its = model_in(tmp_path, more)
    (product,) = its.routes[0].products
    assert product.path == PATH
    assert product.spelled == {"cloud_low_pct": ("TCDC", "low cloud layer")}
    assert its.steps_h(6)[-1] == 384


@pytest.mark.parametrize(
    ("source", "more", "said"),
    [
        ("gfs-0.25", "files.0p33]\nscript = 'x.pl'", "gfs-0.25 has the files 0p25"),
        ("gfs-0.25", "files.0p25]\npath = 'gfs/{X}'", "has the place {X}; there are {Y} date"),
        ("gfs-0.25", "files.0p25]\npath = 'gfs/{Y}'", "must hold {Y} (date), {H} (hour)"),
        ("gfs-0.25", "files.0p25]\npath = '/a/{Y}{H}{F}'", "without a slash ahead"),
        ("gfs-0.25", "files.0p25]\npath = 'a/{Y}{H}{F'", "is no path"),
        ("gfs-0.25", "files.0p25]\nscript = 'a/b.pl'", "give the name of a script alone"),
        ("gfs-0.25", "files.0p25]\npth = 'x'", "did you mean path?"),
        ("gfs-0.25", "files.0p25.names]\ngust = 'GUST:x'", "is not a field of these files"),
        ("gfs-0.25", "files.0p25.names]\ngust_mps = 'GUST'", "write name and level as in the"),
        ("gfs-0.25", "files.0p25.names]\nu = 'UGRD:10 mb'", '"UGRD:{} mb"'),
        ("ifs", "files.fc.names]\ngust_mps = 'GUST:surface'", "give the parameter alone"),
        ("gefs", "files.a]\npath = 'a/{Y}{H}{F}'", "its path must hold {run}"),
        ("ifs", "steps]\n'06' = ['0-144']", "'0-144' are no steps; write first-last/every"),
        ("ifs", "steps]\n'6' = ['0-144/3']", "'6' is no hour of the day"),
        ("ifs", "steps]\n'05' = ['0-144/3']", "ifs has cycles at 00, 06, 12, 18 UTC"),
        ("ifs", "steps]\n'06' = []", '"06" has no steps'),
        ("ifs", "step]\n'06' = []", "did you mean steps?"),
    ],
)
def test_a_wrong_entry_is_named(source: str, more: str, said: str, tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as caught:
        model_in(tmp_path, f"[forecast.routes.{more}\n", source)
    assert said in caught.value.message
    assert str(tmp_path / "watch.toml") in caught.value.message
    assert "routes" in caught.value.message


def test_a_folder_has_no_routes(tmp_path: Path) -> None:
    path = settings_in(tmp_path, "\n[forecast.routes.steps]\n'06' = ['0-144/3']\n")
    with pytest.raises(SettingsError, match="give routes only where source is not"):
        read_settings(path)
