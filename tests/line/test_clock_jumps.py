"""A real daemon whose clock jumps by hours, and one whose database becomes read-only meanwhile.

The clock of the whole process is put by a few lines of C that are loaded before anything else; the
clock that only rises stays true, as on a machine whose time is put. Skipped without a C compiler.
"""

import shutil
import struct
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import line_watch
import pytest
from line_watch import forecast_in
from service import Service, health, port_of, stop
from sink import Sink
from sqlalchemy import create_engine, make_url, text

from windowwatch.storage.deliveries import DeliveryState
from windowwatch.storage.store import open_store

pytestmark = [pytest.mark.night, pytest.mark.slow]
COMPILER = shutil.which("cc") or shutil.which("gcc")
TEN_HOURS_S = 36_000.0
#: Watched hours that lie behind either jump; the forecast's age is not what is asked here.
BEHIND = {
    "first_utc": "2026-05-05T14:00:00Z",
    "last_utc": "2026-05-05T20:00:00Z",
    "available_after_min": "0\nsilence_h = 240",
}


def set_clock(folder: Path, seconds: float) -> None:
    """Put the daemon's clock by so much; in place, for it has the file mapped."""
    with (folder / "clock").open("r+b" if (folder / "clock").exists() else "wb") as file:
        file.write(struct.pack("d", seconds))


def put_clock(folder: Path) -> dict[str, str]:
    """Environment of a process whose clock can be put."""
    library = folder / "put_clock.so"
    source = Path(line_watch.__file__).parent / "put_clock.c"
    assert COMPILER is not None
    subprocess.run([COMPILER, "-shared", "-fPIC", "-O1", "-o", library, source, "-ldl"], check=True)
    set_clock(folder, 0.0)
    return {"LD_PRELOAD": str(library), "PUT_CLOCK": str(folder / "clock")}


@pytest.fixture(autouse=True)
def long_forecasts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Forecasts reach so far that no jump leaves them."""
    monkeypatch.setattr(line_watch, "STEPS", tuple(range(0, 49, 3)))


def no_run_is_missed(service: Service, sink: Sink, folder: Path, hour: int, gust: float) -> float:
    """A forecast that comes now is passed and told; how long that took. [s]"""
    before, begun = len(sink.received), time.monotonic()
    forecast_in(folder / "forecasts", f"{hour}.grib2", gust=gust, hour=hour)
    service.until(lambda: service.said(f"T{hour:02d}Z: 6 hours scored"))
    service.until(lambda: len(sink.received) > before)
    return time.monotonic() - begun


@pytest.mark.skipif(COMPILER is None, reason="no C compiler is installed")
@pytest.mark.parametrize("jump_s", [TEN_HOURS_S, -TEN_HOURS_S])
def test_a_clock_that_jumps_by_ten_hours_delays_nothing_for_long(
    tmp_path: Path, jump_s: float
) -> None:
    """The wind changes before, after the jump, and after the clock was put right again.

    The daemon's drill clock runs on the machine's time, so launch hours near its start would be
    over after a jump ahead: the watched days are put behind both.
    """
    with Sink() as sink:
        environment = {
            **put_clock(tmp_path),
            "WINDOWWATCH_TEST_CREW": sink.url,
            "WATCHDOG_USEC": "2000000",  # the clock is looked at every second
        }
        service = Service(tmp_path, "", environment, at="2026-05-05T00:00Z", changes=BEHIND)
        took = []
        try:
            service.until(lambda: service.said("page on"))
            took.append(no_run_is_missed(service, sink, tmp_path, 0, 5.0))
            set_clock(tmp_path, jump_s)
            service.until(lambda: service.said("the clock was put by"))
            took.append(no_run_is_missed(service, sink, tmp_path, 6, 25.0))
            set_clock(tmp_path, 0.0)
            service.until(lambda: sum("was put by" in e["message"] for e in service.log()) > 1)
            took.append(no_run_is_missed(service, sink, tmp_path, 12, 4.0))
            said = health(port_of(service))
            assert "no look" not in said["reason"]
            stop(service)
        finally:
            service.end()
    print(f"{jump_s:+.0f} s: told after", [f"{each:.1f} s" for each in took])
    store = open_store(f"sqlite:///{tmp_path}/serve.sqlite3")
    keys = [change.key for change in store.changes("line")]
    rows = [row for key in keys for row in store.deliveries(key)]
    store.close()
    assert len(sink.received) == len(rows), "each notice once"
    assert {row.state for row in rows} == {DeliveryState.SENT}


def refused_by_the_server(url: str) -> Callable[[], None]:
    """The same of a database on PostgreSQL, for all connections from now on."""
    made = make_url(url).set(drivername="postgresql+pg8000")
    name = made.database

    def put(value: str) -> None:
        engine = create_engine(made, isolation_level="AUTOCOMMIT")
        with engine.connect() as connection:
            for words in (
                "SET default_transaction_read_only = off",  # of this connection
                f"ALTER DATABASE {name} SET default_transaction_read_only = {value}",
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
                f"WHERE datname = '{name}' AND pid <> pg_backend_pid()",
            ):
                connection.execute(text(words))
        engine.dispose()

    put("on")
    return lambda: put("off")


def test_a_server_that_becomes_read_only_while_running(tmp_path: Path, postgres_url: str) -> None:
    """A notice before, a forecast meanwhile, told afterwards.

    The file of SQLite has no such case: a disk with a file open for writing cannot be made
    read-only. One that is read-only from the start, or full, is in the tests of `storage/`.
    """
    folder, url = tmp_path, postgres_url
    with Sink() as sink:
        changes = {"available_after_min": BEHIND["available_after_min"]}
        more = "\n[health]\ndisk_free_mb = 1\n"
        service = Service(folder, more, {"WINDOWWATCH_TEST_CREW": sink.url}, url, changes=changes)
        try:
            service.until(lambda: service.said("page on"))
            no_run_is_missed(service, sink, folder, 0, 5.0)
            assert health(port_of(service))["reason"] == ""
            back = refused_by_the_server(url)
            try:
                before = len(sink.received)
                forecast_in(folder / "forecasts", "two.grib2", gust=25.0, hour=6)
                # Nothing is refused before something is to be written.
                service.until(lambda: "refused" in health(port_of(service))["reason"])
                assert "read-only" in health(port_of(service))["reason"]
                assert len(sink.received) == before, "nothing is told that is not stored"
            finally:
                back()
            service.until(lambda: len(sink.received) > before)
            service.until(lambda: health(port_of(service))["reason"] == "")
            stop(service)
        finally:
            service.end()
    store = open_store(url)
    rows = [row for c in store.changes("line") for row in store.deliveries(c.key)]
    store.close()
    assert len(sink.received) == len(rows)
    assert {row.state for row in rows} == {DeliveryState.SENT}
