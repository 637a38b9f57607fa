"""What fetched files lack is told of their cycle: each once, with all its steps."""

from datetime import UTC, datetime
from pathlib import Path

from fetching import MemoryLedger
from line_watch import forecast_in

from windowwatch.forecast.cycle import Cycle
from windowwatch.forecast.download.ledger import KeptFile
from windowwatch.forecast.grib.framing import sha256_of
from windowwatch.forecast.notes import (
    AtSteps,
    Note,
    NotReceived,
    OverAnotherInterval,
    Planes,
    SaidBefore,
)
from windowwatch.watch.run.processes import Fetched, load_fetched

CYCLE = datetime(2026, 5, 4, 12, tzinfo=UTC)
SEEN, GUST = NotReceived(Planes("visibility_m")), OverAnotherInterval(Planes("gust_mps"), 7, 3)


def test_each_is_told_once_with_all_its_steps(tmp_path: Path) -> None:
    path = str(forecast_in(tmp_path))
    before = SaidBefore("not in the source: ceiling_m +3 h")

    def kept(step_h: int, *lacking: Note) -> KeptFile:
        return KeptFile(
            "made", CYCLE, "ranges", f"f{step_h:03d}", step_h, "http://h/x", path, 5,
            sha256_of(path), CYCLE, lacking,
        )  # fmt: skip

    def at(lack: NotReceived | OverAnotherInterval, *hours: int, steps: int = 1) -> AtSteps:
        return AtSteps(lack, tuple(hour * 3600 for hour in hours), steps)

    files = (
        kept(3, at(SEEN, 3), before),
        kept(6, at(SEEN, 6), at(GUST, 6), before),
        kept(9, at(SEEN, 9)),
    )
    fetched = Fetched(
        Cycle(CYCLE, "made"), files, (-90.0, -180.0, 90.0, 180.0), partial=True, credit="",
        store_path="",
    )  # fmt: skip
    gaps = load_fetched(fetched, MemoryLedger(), CYCLE).gaps
    assert gaps[-3:] == (at(SEEN, 3, 6, 9, steps=3), at(GUST, 6, steps=3), before)
