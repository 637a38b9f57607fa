"""Every row of the table of weather models, by each of its routes, from a provider to a grid.

What is fetched must be, in every plane, what the samples hold of the same levels and members.
"""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fetching import AREA, LEVELS, MEMBER_LEVELS, PART, Bench, bench, close_all
from provider import (
    CYCLE,
    Provider,
    fill_ecmwf,
    fill_gefs,
    fill_gfs,
    ground_of,
    provider,
    samples,
)

from windowwatch.forecast.cycle import CycleData
from windowwatch.forecast.download.catalogue import (
    MODELS,
    Model,
    Product,
    Speech,
    family,
)
from windowwatch.forecast.download.collect import Haul
from windowwatch.forecast.finer import attribution
from windowwatch.forecast.grib.grid import Area
from windowwatch.forecast.sources import load_files

STEPS = (0, 6)
#: The members that the samples have; member 0 is the control.
MEMBERS = tuple(range(8))
#: Above this all of a column comes from levels aloft; what models have near the ground differs.
ABOVE_M = 3000.0
ROUTES = [(name, i) for name, model in MODELS.items() for i in range(len(model.routes))]


@pytest.fixture(scope="module")
def host() -> Iterator[Provider]:
    with provider() as its:
        fill_gfs(its, STEPS)
        fill_ecmwf(its, STEPS)
        fill_gefs(its, STEPS, "ab")
        yield its


def as_served(name: str, route: int, host: Provider) -> Model:
    """A row of the table with one of its routes, on the levels and members that are served."""
    its = MODELS[name]
    way = its.routes[route]
    there = LEVELS if family(name) == "gfs" or len(way.products) == 1 else MEMBER_LEVELS

    def crop(product: Product) -> Product:
        members = tuple(m for m in product.members if m is None or m in MEMBERS)
        return replace(product.only(there), members=members)

    roots = ((f"{host.url}/cgi-bin", host.url),)
    products = tuple(map(crop, way.products))
    return replace(its, routes=(replace(way, hosts=roots, products=products),))


def expected(its: Model, folder: Path, area: Area) -> CycleData:
    """The same levels and members straight out of the sample files."""
    products = its.routes[0].products
    levels = {p for product in products for p in product.offered_hpa}
    members = {m for product in products for m in product.members}
    found = [ground_of(s, m).data for s in STEPS for m in sorted(members - {None})]  # type: ignore[type-var]
    for name in ("skerra", "skerra-members"):
        for m in samples(f"{name}-{CYCLE:%Y-%m-%dT%HZ}.grib2", STEPS):
            wanted = m.number[3] != 100 or m.number[4] / 100 in levels
            if m.member in members and m.end_h in STEPS and wanted:
                found.append(m.data)
    path = folder / "straight.grib2"
    path.write_bytes(b"".join(found))
    return load_files([path], its.name, area=area)


def gathered(name: str, route: int, host: Provider, folder: Path) -> tuple[Bench, Haul, Area]:
    its = as_served(name, route, host)
    area = PART if its.routes[0].speech is Speech.NOAA_FILTER else AREA
    b = bench(its, folder, area=area)
    host.log.clear()
    return b, b.collector.gather(CYCLE, STEPS), area


@pytest.mark.parametrize(("name", "route"), ROUTES)
def test_a_row_of_the_table_becomes_the_grid_that_the_samples_hold(
    name: str, route: int, host: Provider, tmp_path: Path
) -> None:
    b, haul, area = gathered(name, route, host, tmp_path)
    its = b.collector.model
    assert haul.complete, haul.problems
    items = sum(len(p.members) if p.file_per_member else 1 for p in its.routes[0].products)
    assert len(haul.files) == items * len(STEPS)
    data = load_files([f.path for f in haul.files], name, area=area)
    straight = expected(its, tmp_path, area)
    assert len(data.wind.member_labels) == len(straight.wind.member_labels)
    assert data.wind.air.shape == straight.wind.air.shape
    aloft = data.wind.height_m > ABOVE_M
    got, wanted = data.wind.air[..., aloft, :], straight.wind.air[..., aloft, :]
    if its.routes[0].speech is Speech.NOAA_FILTER:  # the server packs anew
        assert np.allclose(got, wanted, rtol=1e-5, atol=2e-3, equal_nan=True)
    else:
        assert np.array_equal(got, wanted, equal_nan=True)
    assert np.isfinite(got[:, :, 3, 3]).any(axis=-2).all()
    close_all()


def test_both_kinds_of_gefs_files_make_one_column(host: Provider, tmp_path: Path) -> None:
    """Without the b-files a level between is missing: 20 hPa is nowhere else."""
    _, haul, _ = gathered("gefs", 1, host, tmp_path)
    kinds = {file.item.split("-")[0] for file in haul.files}
    assert kinds == {"a", "b"}
    a = [f.path for f in haul.files if f.item.startswith("a")]
    both = load_files([f.path for f in haul.files], "gefs", area=AREA)
    alone = load_files(a, "gefs", area=AREA)
    assert not np.array_equal(both.wind.air, alone.wind.air, equal_nan=True)
    close_all()


def test_every_model_says_whose_data_it_is() -> None:
    for name in MODELS:
        line = attribution(name, CYCLE)
        assert line == MODELS[name].credit(CYCLE)
        assert attribution(family(name), CYCLE) is not None
    assert "NOAA/NCEP, GFS" in str(attribution("gfs", CYCLE))
    assert "2026 European Centre" in str(attribution("IFS", CYCLE))
    assert attribution("skerra", CYCLE) is None
