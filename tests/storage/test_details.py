"""What an hour is drawn with: stored, read back, and dropped when it is old."""

import json
import zlib
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from made_store import new_store

from windowwatch.errors import StorageError
from windowwatch.forecast.cycle import Cycle
from windowwatch.physics.fill import SiteAir
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.opinions import Role
from windowwatch.scoring.values import Drive, HourDetail, Track
from windowwatch.storage import codec
from windowwatch.storage.cycles import KEPT_CYCLES, PassRecord
from windowwatch.storage.store import Store

LAUNCH = datetime(2026, 5, 5, 9, tzinfo=UTC)
DETAIL = HourDetail(
    site="Millfield",
    time_utc=LAUNCH,
    track=Track(
        time_unix_s=(1.7e9, 1.7e9 + 60.5, 1.7e9 + 120.0),
        latitude_deg=(45.6, 45.61234, 45.62),
        longitude_deg=(-35.9, -35.8, -35.70001),
        height_m=(140.0, 31_000.5, 20.0),
        u_mps=(1.5, -40.2, 2.0),
        v_mps=(0.0, 3.3, -1.0),
        temperature_k=(285.1, 221.0, 284.0),
        burst_index=1,
    ),
    landing_latitude_deg=(45.6, 45.7),
    landing_longitude_deg=(-35.9, -35.8),
    burst=Footprint(45.6, -35.9, 64, 1e3, 2e3, 3e3, 4e3, 12.0),
    drive=Drive("Marrowby depot", 42.5, (45.98, 45.9), (-34.52, -34.6)),
    air=SiteAir(100_412.5, 287.25),
)


def _record(cycle: int, detail: HourDetail) -> PassRecord:
    at = datetime(2026, 5, 1, tzinfo=UTC) + timedelta(hours=6 * cycle)
    return PassRecord(
        watch="week", cycle=Cycle(at, "skerra"), saved_utc=at, hours=(), windows=(), changes=(),
        details=(detail,),
    )  # fmt: skip


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return new_store(tmp_path / "w.sqlite3")


def test_a_detail_comes_back_as_it_was_kept(store: Store) -> None:
    record = _record(0, DETAIL)
    assert store.save_pass(record)
    assert store.detail("week", record.cycle.id, site="Millfield", time_utc=LAUNCH) == DETAIL
    assert store.detail("week", record.cycle.id, site="Highmoor", time_utc=LAUNCH) is None


def test_a_detail_that_an_earlier_version_kept_has_no_air() -> None:
    values = json.loads(zlib.decompress(codec.pack_detail(DETAIL)))
    del values["air"]
    packed = zlib.compress(json.dumps(values).encode("utf-8"))
    assert codec.unpack_detail(packed, "Millfield", LAUNCH) == replace(DETAIL, air=None)


def test_only_the_newest_cycles_keep_their_details(store: Store) -> None:
    records = [_record(n, DETAIL) for n in range(KEPT_CYCLES + 2)]
    assert all(store.save_pass(record) for record in records)
    kept = [
        store.detail("week", r.cycle.id, site="Millfield", time_utc=LAUNCH) is not None
        for r in records
    ]
    assert kept == [False] * 2 + [True] * KEPT_CYCLES


def test_cycles_of_other_models_do_not_count(store: Store) -> None:
    """They are not drawn; half of the cycles would be theirs."""
    records = [_record(n, DETAIL) for n in range(KEPT_CYCLES)]
    for record in records:
        opinion = replace(
            record, cycle=Cycle(record.cycle.reference_utc, "ifs"), role=Role.OPINION, details=()
        )
        assert store.save_pass(opinion)
        assert store.save_pass(record)
    kept = [
        store.detail("week", r.cycle.id, site="Millfield", time_utc=LAUNCH) is not None
        for r in records
    ]
    assert all(kept)


def test_a_track_with_a_hole_is_not_saved(store: Store) -> None:
    assert DETAIL.track is not None
    holed = replace(DETAIL.track, u_mps=(1.0, float("nan"), 2.0))
    with pytest.raises(StorageError, match="u_mps is nan"):
        store.save_pass(_record(0, replace(DETAIL, track=holed)))
