"""Blocks on the disk: whole or not there, and the same bytes whoever flew them."""

import re
import resource
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import made_archive
import numpy as np
import pandas as pd
import pytest
import shapely
from typed import ROOT, typed

from windowwatch.errors import InputError, StorageError
from windowwatch.ground.activity import read_activity
from windowwatch.ground.query.airspace import Airspace, AirspaceKind, Level, Volume
from windowwatch.ground.query.features import Ground
from windowwatch.scoring.limits import LIMITS
from windowwatch.survey.archive import Archive
from windowwatch.survey.blocks import Shelf, block_bytes
from windowwatch.survey.flying import fly_block
from windowwatch.survey.found import found_in
from windowwatch.survey.making import Asked, make_ready
from windowwatch.survey.names import Mapped
from windowwatch.survey.plan import Planned, bytes_of_block, hours_at_once, planned
from windowwatch.survey.rows import State
from windowwatch.wording.survey import head_words

pytestmark = pytest.mark.survey


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    made = made_archive.archive(days=6.0)
    return made_archive.opened(made, tmp_path_factory.mktemp("made") / "made.zarr")


@pytest.fixture(scope="module")
def found(archive: Archive) -> Planned:
    return made_archive.survey_of(archive)


@contextmanager
def disk_of(size: int) -> Iterator[None]:
    """Files of this process may grow no further: the kernel refuses, as a full disk does."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_full_disk_is_one_clear_error_and_what_was_there_stays(
    archive: Archive, found: Planned, tmp_path: Path
) -> None:
    may = next(block for block in found.blocks if block.month == 5)
    content = block_bytes(fly_block(found.survey, archive, may), may)
    shelf = Shelf(tmp_path)
    shelf.put(may, content)
    later = replace(may, month=6)
    with disk_of(len(content) // 2), pytest.raises(StorageError, match="what was done before is"):
        shelf.put(later, content)
    assert shelf.there() == (may.key,)
    assert [path.name for path in (tmp_path / "blocks").iterdir()] == [f"{may.key}.parquet"]
    shelf.put(later, content)
    assert shelf.has(later)


def test_a_block_is_flown_again_when_the_archive_has_more_of_it_or_it_is_damaged(
    archive: Archive, found: Planned, tmp_path: Path
) -> None:
    may = next(block for block in found.blocks if block.month == 5)
    shelf = Shelf(tmp_path)
    assert not shelf.has(may)
    content = block_bytes(fly_block(found.survey, archive, may), may)
    shelf.put(may, content)
    assert shelf.has(may)
    assert not shelf.has(replace(may, times=may.times + 4))
    shelf.path(may).write_bytes(content[:-100])
    assert not shelf.has(may)
    with pytest.raises(StorageError, match=rf"{may.key}.parquet: cannot be read"):
        shelf.rows([may.key])


def test_slices_and_groups_change_no_answer(archive: Archive, found: Planned) -> None:
    """Weather read a day at a time, and site by site, gives the very bytes of all at once."""
    may = next(block for block in found.blocks if block.month == 5)
    whole = block_bytes(fly_block(found.survey, archive, may), may)
    tight = found.survey
    while hours_at_once(tight, archive, may, 138) > 24.0:
        tight = replace(tight, memory_mb=int(0.9 * tight.memory_mb))
    assert block_bytes(fly_block(tight, archive, may), may) == whole
    with pytest.raises(InputError, match=r"need .* MB of a worker, which has 1 MB"):
        fly_block(replace(tight, memory_mb=1), archive, may)
    rows = fly_block(found.survey, archive, may)
    for name in may.sites:
        alone = fly_block(found.survey, archive, replace(may, sites=(name,)))
        mine = rows.of_site(name)
        np.testing.assert_array_equal(alone.score, mine.score)
        np.testing.assert_array_equal(alone.landing_latitude_deg, mine.landing_latitude_deg)


def test_hours_in_the_dark_are_not_flown_and_past_the_end_nothing_is_known(
    archive: Archive, found: Planned
) -> None:
    rows = fly_block(found.survey, archive, next(b for b in found.blocks if b.month == 5))
    time = pd.to_datetime(rows.time_unix_s, unit="s")
    dark = rows.state == State.DARK
    assert set(time[dark].hour) <= {0, 6}  # local night: UTC-2
    assert np.isnan(rows.landing_latitude_deg[dark]).all()
    gone = (time >= "2024-05-07") & ~dark
    assert (rows.state[gone] == State.UNKNOWN).all()
    early = (time < "2024-05-06") & ~dark
    assert set(rows.state[early]) <= {State.GOOD, State.BAD}
    assert {"strongest_wind", "drift"} & set(rows.limit) or State.GOOD in rows.state


def test_bytes_of_a_block_are_those_of_the_chunks_it_touches(
    archive: Archive, found: Planned
) -> None:
    """24 times in chunks of 8 from May on; the block before touches the first two of the three:
    its launches end nine hours before noon."""
    may = next(block for block in found.blocks if block.month == 5)
    plane = 4 * made_archive.LATITUDE_DEG.size * made_archive.LONGITUDE_DEG.size
    aloft, near, still = 5 * len(made_archive.LEVELS_HPA), 5, 2
    assert bytes_of_block(archive, may) == plane * (24 * (aloft + near) + still)
    april = next(block for block in found.blocks if block.month == 4)
    assert bytes_of_block(archive, april) == plane * (8 * (aloft + near) + still)


def test_a_survey_is_shown_and_written_out(archive: Archive, tmp_path: Path) -> None:
    asked = Asked(tmp_path / "kept", None, (), (2024, 2024), 3, 360, 500, 2.5, "made for a test")
    made = make_ready(made_archive.watch(), archive.address, asked)
    assert any("visibility: the archive has no" in words for words in made.first_words())
    shelf = Shelf(made.folder)
    for block in made.planned.blocks:
        if block.month == 5:
            rows = fly_block(made.planned.survey, archive, block)
            shelf.put(block, block_bytes(rows, block))
    found = found_in(tmp_path / "kept")
    now = datetime(2026, 5, 4, tzinfo=UTC)
    survey = found.surveyed(now)
    assert "1 of 12 blocks done" in head_words(survey)
    assert survey.mark == made.folder.name
    written = found.export(tmp_path / "out", made_archive.watch().ground, now)
    page = (tmp_path / "out" / "report.html").read_text()
    for words in ("made for a test", "Near", "Far", "Not asked: visibility",
                  "Ask before you step on private land"):  # fmt: skip
        assert words in page
    assert "<script" not in page
    assert not re.search(r"<link|<img|@import|url\((?!#)|http(?!-equiv|://www.w3.org)", page)
    hours = pd.read_parquet(tmp_path / "out" / "hours.parquet")
    assert len(hours) == found.rows.state.size
    assert str(hours.launch_utc.dt.tz) == "UTC"
    assert hours.launch_utc.min() == pd.Timestamp("2024-05-01T00:00Z")
    assert {path.suffix for path in written} == {".html", ".csv", ".parquet"}


def zone_over_the_sites(name: str, *times: dict[str, str]) -> Volume:
    """From the ground up, closed at some times."""
    box = shapely.box(-36.5, 45.0, -33.5, 47.0)
    given = read_activity(name, list(times) or None)
    return Volume(name, AirspaceKind.CLOSED, box, Level(0.0), Level(np.inf), *given)


def test_airspace_closed_week_after_week_is_closed_then_in_every_year(archive: Archive) -> None:
    """Launch hours in daylight are 10 and 16 by the clock there, and flights are down by 15."""
    office = {"days": "Thu-Fri", "from": "15:00", "until": "21:00", "zone": "America/Noronha"}
    ground = Ground(airspace=Airspace([zone_over_the_sites("office", office)]))
    plan = made_archive.watch().plan
    plan = replace(plan, limits={**plan.limits, "airspace": LIMITS["airspace"].default})
    watch = made_archive.watch(ground=ground, plan=plan)
    made = planned(watch, archive, Mapped(), (2024, 2024), draws=3, step=timedelta(hours=6),
                   reach_deg=2.5)  # fmt: skip
    assert made.survey.always_closed == ()
    assert any("public holidays are not known" in each for each in made.remarks)
    may = next(block for block in made.blocks if block.month == 5)
    rows = fly_block(made.survey, archive, may)
    launch = pd.to_datetime(rows.time_unix_s, unit="s", utc=True).tz_convert("America/Noronha")
    flown = np.isfinite(rows.drift_km)
    shut = launch.day_name().isin(["Thursday", "Friday"]) & (launch.hour == 16)
    open_ = flown & ~shut
    assert (rows.limit[flown & shut] == "airspace").all()
    assert (flown & shut).any()
    assert not (rows.limit[open_] == "airspace").any()
    assert open_.any()


def test_airspace_with_dates_is_never_laxer_in_other_years(archive: Archive) -> None:
    dates = {"from_utc": "2026-05-05T06:00Z", "until_utc": "2026-05-05T20:00Z"}
    season = {"days": "Mon", "from": "08:00", "until": "17:00", "zone": "UTC",
              "first_day": "2026-04-01", "last_day": "2026-10-31"}  # fmt: skip
    ground = Ground(airspace=Airspace(
        [zone_over_the_sites("dated", dates, season), zone_over_the_sites("season", season)]
    ))  # fmt: skip
    made = planned(made_archive.watch(ground=ground), archive, Mapped(), (2024, 2024))
    assert made.survey.always_closed == ("dated", "season")
    assert made.survey.ground.airspace is not None
    dated, bounded = made.survey.ground.airspace.volumes
    assert not dated.at_times
    assert bounded.at_times
    assert not bounded.weekly[0].is_bounded
    said = " | ".join(made.remarks)
    assert "taken as closed at all times: dated; give it times of the week" in said
    assert "closed at these times all year: season" in said


def test_commands_say_what_to_do(tmp_path: Path) -> None:
    settings = str(ROOT / "config" / "skerra.toml")
    answer = typed(tmp_path, "survey", "show", "--settings", settings)
    assert answer.code == 1
    assert "holds no survey; run `windowwatch survey run` first" in answer.err
    answer = typed(tmp_path, "survey", "run", "--settings", settings)
    assert answer.code == 1
    assert "survey.archive: no archive is named" in answer.err
    answer = typed(tmp_path, "survey", "run", "--rehearsal", "--settings", settings, "--years", "x")
    assert answer.code == 1
    assert "--years x: write it as 2005-2024" in answer.err
