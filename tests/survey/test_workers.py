"""The same survey by threads, by one worker and two, and after a kill: bit by bit."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import distributed
import made_archive
import pandas as pd
import pytest
from typed import ROOT

from windowwatch.child import unheard
from windowwatch.errors import ImpossibleWeatherError, SourceError
from windowwatch.learning.climatology import Reference
from windowwatch.survey.archive import Archive
from windowwatch.survey.blocks import Shelf
from windowwatch.survey.making import Asked, make_ready
from windowwatch.survey.opening import open_archive
from windowwatch.survey.plan import Block, Planned
from windowwatch.survey.run import Crew, run_blocks

pytestmark = pytest.mark.survey

#: Flies in threads, says each block that is put down, and hangs after the second.
KILLED = """
import sys, time
from pathlib import Path
import distributed
import made_archive
from windowwatch.survey.blocks import Shelf
from windowwatch.survey.opening import open_archive
from windowwatch.survey.run import Crew, run_blocks
done = []
def told(block, _took):
    done.append(block)
    print(block.key, flush=True)
    if len(done) == 2:
        time.sleep(600)
found = made_archive.survey_of(open_archive(sys.argv[1]))
run_blocks(found, Shelf(Path(sys.argv[2])), Crew(1, threads=True), watching=told)
"""


def test_threads(found: Planned, right: dict[str, bytes], tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    assert run_blocks(found, shelf, Crew(2, threads=True)) == (len(right), 0)
    assert made_archive.written(shelf) == right
    assert run_blocks(found, shelf, Crew(2, threads=True)) == (0, len(right))


def test_a_cluster_that_somebody_else_runs(
    found: Planned, right: dict[str, bytes], tmp_path: Path
) -> None:
    """By its address, as `--scheduler` has it; its workers are threads here, reached by TCP."""
    with distributed.LocalCluster(  # type: ignore[no-untyped-call]
        n_workers=2, threads_per_worker=1, processes=False, protocol="tcp",
        dashboard_address="127.0.0.1:0",
    ) as cluster:  # fmt: skip
        run_blocks(found, Shelf(tmp_path), Crew(1, scheduler=cluster.scheduler_address))
    assert made_archive.written(Shelf(tmp_path)) == right


def test_looking_at_a_survey_loads_nothing_that_flies_it() -> None:
    code = "import windowwatch.cli.surveyed, sys; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not set(done.stdout.split()) & {"xarray", "zarr", "dask", "numba", "eccodes"}


def test_one_worker(found: Planned, right: dict[str, bytes], tmp_path: Path) -> None:
    run_blocks(found, Shelf(tmp_path), Crew(1))
    assert made_archive.written(Shelf(tmp_path)) == right


def test_two_workers_of_whom_one_is_killed(
    found: Planned, right: dict[str, bytes], tmp_path: Path
) -> None:
    killed: list[int] = []

    def kill_one(_block: Block, _took_s: float) -> None:
        if not killed:
            killed.append(made_archive.workers()[0])
            os.kill(killed[0], signal.SIGKILL)

    run_blocks(found, Shelf(tmp_path), Crew(2), watching=kill_one)
    assert killed
    assert made_archive.written(Shelf(tmp_path)) == right


def test_a_run_that_was_killed_goes_on_where_it_was(
    archive: Archive, found: Planned, right: dict[str, bytes], tmp_path: Path
) -> None:
    paths = os.pathsep.join([str(ROOT), str(ROOT / "tests")])
    with subprocess.Popen(
        [sys.executable, "-c", KILLED, archive.address, str(tmp_path)],
        stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": paths},
    ) as running:  # fmt: skip
        assert running.stdout is not None
        said = [running.stdout.readline().strip() for _ in range(2)]
        running.kill()
    shelf = Shelf(tmp_path)
    assert sorted(shelf.there()) == sorted(said)
    assert run_blocks(found, shelf, Crew(1, threads=True)) == (len(right) - 2, 2)
    assert made_archive.written(shelf) == right


def test_what_a_block_ends_with_is_told_once_and_the_others_are_kept(tmp_path: Path) -> None:
    made = made_archive.archive(days=70.0, start="2024-03-28", step_h=12)
    warm = made["t"].values.copy()
    warm[-20:] -= 273.15  # of June alone
    made["t"] = (made["t"].dims, warm, made["t"].attrs)
    found = made_archive.survey_of(open_archive(made_archive.write(made, tmp_path / "warm.zarr")))
    shelf = Shelf(tmp_path)
    with pytest.raises(ImpossibleWeatherError, match=r"t \(temperature\) at 2024-05-\d\d"):
        run_blocks(found, shelf, Crew(1, threads=True))
    assert "g00-2024-03" in shelf.there()


def test_a_survey_that_is_whole_tells_the_usual_chance_of_its_very_rows(
    archive: Archive, tmp_path: Path
) -> None:
    asked = Asked(tmp_path, None, (), (2024, 2024), 3, 180, 500, 2.5, None)
    made = make_ready(made_archive.watch(), archive.address, asked)
    made.run(2, None, progress=unheard)
    told = made.usual()
    assert (told.first_year, told.last_year, told.weather) == (2024, 2024, "made for a test")
    rows = pd.read_parquet(made.folder / "blocks")
    local = rows.launch_utc.dt.tz_convert("America/Noronha")
    chance = rows.chance.astype(float).where(rows.state != "dark", 0.0)
    chance = chance.where(rows.state != "unknown")
    by = [rows.site, local.dt.month, local.dt.hour]
    usual, known = chance.groupby(by).mean().dropna(), chance.groupby(by).count()
    assert usual.between(0.05, 0.95).any(), "flights that pass, and flights that do not"
    for each in told.sites:
        cells = {(m, h): p for m, row in enumerate(each.chance, 1) for h, p in enumerate(row)}
        found = {cell: p for cell, p in cells.items() if p is not None}
        assert found == pytest.approx(usual[each.site.name].to_dict(), abs=1e-9)
        assert sum(map(sum, each.hours)) == known[each.site.name].sum()
    # the watch asks visibility too, of which the archive has nothing
    watch = made_archive.watch()
    reference = Reference(told, watch.plan, watch.train, watch.sites)
    assert reference.against.left_out == ("visibility",)
    assert reference.against.unlike == ()


def test_no_scheduler_is_said(found: Planned, tmp_path: Path) -> None:
    crew = Crew(1, scheduler="tcp://127.0.0.1:9", wait_s=1.0)
    with pytest.raises(SourceError, match=r"no scheduler answers at tcp://127\.0\.0\.1:9"):
        run_blocks(found, Shelf(tmp_path), crew)
