"""What a finer model said of an hour, kept and read; rows of before it was asked."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text

from windowwatch.scoring.values import Hour, NearGap, NearGround, Verdict
from windowwatch.storage import codec
from windowwatch.storage.engine import sqlite_url
from windowwatch.storage.store import open_store
from windowwatch.web.data.export import hour_data, hours_csv

HOUR = Hour(
    "Field", datetime(2026, 5, 4, 15, tzinfo=UTC), Verdict.GO, 80.0, 0.9, 0.8, 1.0, {}, (), (),
    None,
    near_ground=NearGround("hrrr", "hrrr-2026-05-04T12Z", ("wind", "gust"), NearGap.INCOMPLETE),
)  # fmt: skip


@pytest.mark.parametrize(
    "near",
    [
        None,
        HOUR.near_ground,
        *(NearGround("hrrr", None, (), gap) for gap in NearGap),
        NearGround("hrrr", "hrrr-2026-05-04T12Z", ("wind", "gust", "precipitation")),
    ],
)
def test_it_is_read_as_it_was_written(near: NearGround | None) -> None:
    assert codec.near_from_json(codec.near_to_json(near)) == near


def test_a_database_has_room_for_it_and_none_for_older_rows(tmp_path: Path) -> None:
    url = sqlite_url(tmp_path / "a.sqlite3")
    store = open_store(url)
    store.upgrade()
    store.close()
    engine = create_engine(url)
    with engine.connect() as connection:
        columns = connection.execute(text("pragma table_info(hours)")).all()
    engine.dispose()
    (column,) = (c for c in columns if c[1] == "near_ground")
    assert column[3] == 0, "may be empty: older rows are"


def test_other_programs_are_given_it() -> None:
    assert hour_data(HOUR)["near_ground"] == {
        "model": "hrrr",
        "cycle_id": "hrrr-2026-05-04T12Z",
        "checks": ["wind", "gust"],
        "gap": "incomplete",
    }
    head, row = hours_csv([HOUR], "gfs-2026-05-04T12Z").splitlines()
    fields = dict(zip(head.split(","), row.split(","), strict=True))
    assert fields["near_ground"] == "hrrr-2026-05-04T12Z"
    assert fields["cycle"] == "gfs-2026-05-04T12Z"
