"""Positions as they come: real sockets, a real serial line, a growing file, and much rubbish."""

import os
import pty
import random
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from children import living_children
from made_flight import BEGUN, at, gga
from patience import PATIENCE_S
from sink import free_port
from typed import ROOT, typed

from windowwatch.chase.reports import Mark
from windowwatch.cli.listening import LONGEST_LINE, Ear, Listener, Origin, Wanted, _Line
from windowwatch.errors import InputError
from windowwatch.storage.store import Store, open_store
from windowwatch.watch.estimating import EstimatesInChild

pytestmark = pytest.mark.chase
SECOND = timedelta(seconds=1)
STATION = "N0CALL-11"


class Lines:
    """Stands where the queue does: what was cut is read at once."""

    def __init__(self) -> None:
        self.all: list[_Line] = []

    def put(self, line: _Line, timeout: float) -> None:
        del timeout
        self.all.append(line)


def cut(*parts: bytes, broken: bool = True) -> list[str | None]:
    lines = Lines()
    origin = Origin("made", lines, lambda: False)  # type: ignore[arg-type]
    for part in parts:
        origin.take(part)
    if broken:
        origin.broken()
    return [None if line is None else line.rstrip("\r\n") for _, line, _ in lines.all]


def test_bytes_are_cut_into_lines_however_they_come() -> None:
    assert cut(b"one\r\ntw", b"o\n", b"\n\r\n", b"three\n") == ["one", "two", "three"]
    assert cut(*(bytes([each]) for each in b"a\r\nb\n")) == ["a", "b"]
    long = b"x" * (LONGEST_LINE + 1)
    assert cut(long + b"\nafter\n") == [None, "after"]
    assert cut(long, long, long, b"\nafter\n") == [None, "after"], "one line, however long"
    assert cut(b"half a sent", broken=False) == []
    assert cut(b"half a sent") == [None], "half a line would be read wrong"


@pytest.mark.parametrize(
    ("ear", "words"),
    [
        (("connect", "10.0.0.5"), "give it as HOST:PORT"),
        (("connect", ":10110"), "say to which machine"),
        (("accept", "here:70000"), "give it as HOST:PORT"),
        (("accept", "x:²"), "give it as HOST:PORT"),
    ],
)
def test_what_cannot_be_listened_to(ear: tuple[str, str], words: str) -> None:
    with pytest.raises(InputError, match=words):
        Ear(*ear)


def test_who_listens_says_to_what(tmp_path: Path) -> None:
    assert "say what to listen to" in typed(tmp_path, "flight", "listen").err
    assert "no flight is open" in typed(tmp_path, "flight", "listen", "--accept", ":1234").err


def flying(minutes: int) -> list[bytes]:
    """Sentences of the made flight, one a minute, up to now."""
    end = datetime.now(UTC).replace(microsecond=0) - 30 * SECOND
    return [
        gga(end - 60 * SECOND * (minutes - minute), *at(minute)).encode()
        for minute in range(minutes)
    ]


@pytest.fixture
def store(store_url: str) -> Iterator[Store]:
    opened = open_store(store_url)
    opened.begin_flight(replace(BEGUN, begun_utc=datetime.now(UTC)))
    yield opened
    opened.close()


def listener(store: Store, url: str = "sqlite://") -> Listener:
    return Listener(store, "flight", Wanted("radio", frozenset({STATION})),
                    EstimatesInChild(url, None))  # fmt: skip


def heard(lines: list[bytes]) -> list[_Line]:
    cutter = Lines()
    origin = Origin("made", cutter, lambda: False)  # type: ignore[arg-type]
    origin.take(b"".join(lines))
    return cutter.all


def test_sentences_and_packets_side_by_side(store: Store) -> None:
    """Two decades of formats on one line: the time is the packet's own, or when it was heard."""
    now = datetime.now(UTC)
    lat, lon = "4600.00N", "00700.00E"
    lines = [
        gga(now - 60 * SECOND, 46.0, 7.0, 600.0).encode(),
        f"{STATION}>APRS,TCPIP*:@{now - 50 * SECOND:%H%M%S}h{lat}/{lon}O/A=002000\n".encode(),
        f"{STATION}>APRS:={lat}/{lon}Ostill\n".encode(),
        f"CAR-9>APRS:={lat}/{lon}>crew\n".encode(),
        f"{STATION}>APRS:>only a status\n".encode(),
        b"# a comment of a server\n",
        b"$GPGSV,1,1,00*79\n",
    ]
    one = listener(store)
    one.take(heard(lines), lambda: False)
    first, second, third = (each.report for each in store.reports("flight"))
    assert (first.tracker, first.height_m) == ("radio", 600.0)
    assert second.tracker == STATION
    assert second.height_m == pytest.approx(609.6)
    assert abs(second.time_utc - (now - 50 * SECOND)) < 2 * SECOND
    assert third.time_utc == third.received_utc
    assert (one.heard.others, one.heard.names) == (1, {"CAR-9"})
    assert one.heard.rubbish == 0


def test_a_megabyte_of_rubbish_is_survived_and_counted(store: Store) -> None:
    dice = random.Random(8)
    rubbish = dice.randbytes(700_000) + bytes(
        dice.choice(b"$GPGGA,0123456789.NE*>:/=!@\n\r\x00\xff") for _ in range(300_000)
    )
    good = flying(30)
    packets = [f"{STATION}>APRS:".encode() + dice.randbytes(30).replace(b"\n", b"") + b"\n"
               for _ in range(300)]  # fmt: skip
    whole = [rubbish[:500_000], b"\n", *good[:15], *packets, rubbish[500_000:], b"\n", *good[15:]]
    one = listener(store)
    lines = heard(whole)
    for start in range(0, len(lines), 500):
        one.take(lines[start : start + 500], lambda: False)
    marks = [each.mark for each in store.reports("flight") if each.report.tracker == "radio"]
    assert marks == [Mark.USED] * 30
    assert one.heard.lines == len(lines)
    assert one.heard.rubbish > 3_000
    assert "lines were no sentence and no packet" in one.heard.words()


def test_a_clock_that_is_an_hour_wrong_and_two_who_disagree(store: Store) -> None:
    now = datetime.now(UTC)
    lines = []
    for minute in range(10):
        when = now - (10 - minute) * timedelta(minutes=1)
        lat, lon, height = at(minute)
        lines += [
            gga(when, lat, lon, height).encode(),
            f"{when + timedelta(hours=1):%Y-%m-%dT%H:%M:%SZ} {STATION}>APRS:=4600.00N/00700.00E"
            f"O/A={int(height / 0.3048):06d}\n".encode(),
        ]
    one = listener(store)
    one.take(heard(lines), lambda: False)
    kept = store.reports("flight")
    assert {each.mark for each in kept if each.report.tracker == STATION} == {Mark.CLOCK}
    assert {each.mark for each in kept if each.report.tracker == "radio"} == {Mark.USED}
    far = gga(now, at(10)[0] + 0.06, *at(10)[1:]).encode()  # 6.7 km to the north
    other = Listener(store, "flight", Wanted("second", frozenset()), EstimatesInChild("", None))
    other.take(heard([far]), lambda: False)
    from windowwatch.chase.following import disagreeing

    apart = disagreeing(store.reports("flight"))
    assert apart is not None
    assert set(apart[:2]) == {"radio", "second"}
    assert 3_000.0 < apart[2] < 7_000.0


# A process that listens, as a person starts it.


class Listening:
    """`windowwatch flight listen` over a database of its own."""

    def __init__(self, folder: Path, *words: str) -> None:
        self.out = folder / "said.txt"
        self.began_at = self.out.stat().st_size if self.out.exists() else 0
        with self.out.open("ab") as out:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "windowwatch", "flight", "listen", *words],
                cwd=folder, stdout=out, stderr=out,
                env={**os.environ, "PYTHONPATH": str(ROOT), "XDG_DATA_HOME": str(folder / "data")},
            )  # fmt: skip

    def works(self) -> bool:
        """Whether this one, of all that wrote there, has begun to listen."""
        return b": open" in self.out.read_bytes()[self.began_at :]

    def said(self) -> str:
        return self.out.read_text(encoding="utf-8", errors="replace")

    def until(self, happens: Callable[[], object]) -> None:
        end = time.monotonic() + PATIENCE_S
        while not happens():
            assert self.process.poll() is None, self.said()
            assert time.monotonic() < end, self.said()
            time.sleep(0.05)

    def end(self) -> str:
        self.process.send_signal(signal.SIGTERM)
        assert self.process.wait(PATIENCE_S) == 0, self.said()
        return self.said()


@contextmanager
def own_store(folder: Path) -> Iterator[Store]:
    (folder / "data" / "windowwatch").mkdir(parents=True, exist_ok=True)
    opened = open_store(f"sqlite:///{folder}/data/windowwatch/flights.sqlite3")
    try:
        opened.upgrade()
        yield opened
    finally:
        opened.close()


def count(store: Store, source: str) -> int:
    return sum(each.report.source.startswith(source) for each in store.reports("flight"))


@pytest.mark.process
def test_every_way_in_at_once_and_each_comes_back(tmp_path: Path) -> None:
    """A connection that ends is made again, a file may be put in place of another, and what was
    stored of it is not stored again; a half line is none."""
    sentences = flying(60)
    leader, follower = pty.openpty()
    grows, port = tmp_path / "track.nmea", free_port()
    grows.write_bytes(b"".join(sentences[:5]))
    with own_store(tmp_path) as store, socket.create_server(("127.0.0.1", 0)) as receiver:
        store.begin_flight(replace(BEGUN, begun_utc=datetime.now(UTC)))
        heard_at = f"127.0.0.1:{receiver.getsockname()[1]}"
        listening = Listening(tmp_path, "--connect", heard_at, "--accept", f":{port}", "--device",
                              os.ttyname(follower), "--file", str(grows))  # fmt: skip
        stream, _ = receiver.accept()
        stream.sendall(sentences[10] + sentences[11][:20])
        listening.until(lambda: count(store, "connect") == 1)
        stream.close()
        stream, _ = receiver.accept()
        stream.sendall(sentences[12])
        listening.until(lambda: count(store, "connect") == 2)
        with socket.create_connection(("127.0.0.1", port)) as guest:
            guest.sendall(sentences[20])
            listening.until(lambda: count(store, "accept") == 1)
        os.write(leader, sentences[30])
        listening.until(lambda: count(store, "device") == 1)
        listening.until(lambda: count(store, "file") == 5)
        with grows.open("ab") as more:
            more.write(sentences[5])
        listening.until(lambda: count(store, "file") == 6)
        another = tmp_path / "another.nmea"
        another.write_bytes(b"".join(sentences[:7]))
        another.replace(grows)
        listening.until(lambda: count(store, "file") == 7)
        said = listening.end()
        stream.close()
        assert "11 positions stored" in said
        assert "1 lines were no sentence and no packet" in said
        assert len(store.reports("flight")) == 11
    os.close(leader)
    os.close(follower)


@pytest.mark.kill
@pytest.mark.parametrize("kills", [2, pytest.param(200, marks=pytest.mark.slow)])
def test_killed_again_and_again_no_line_of_a_file_is_lost_or_stored_twice(
    tmp_path: Path, kills: int
) -> None:
    """What was shown is stored; the estimate is that of one who heard all of it undisturbed."""
    dice, written = random.Random(kills), list[bytes]()
    sentences = flying(170)
    end = datetime.now(UTC).replace(microsecond=0)
    grows = tmp_path / "track.nmea"
    grows.touch()
    begun = replace(BEGUN, begun_utc=end - timedelta(hours=2))
    with own_store(tmp_path) as store:
        store.begin_flight(begun)
        for life in range(kills + 1):
            listening = Listening(tmp_path, "--file", str(grows))
            shown = len(store.reports("flight"))
            for _ in range(dice.randint(0, 2)):
                if len(written) < len(sentences):
                    written.append(sentences[len(written)])
                    with grows.open("ab") as more:
                        more.write(written[-1])
            if life == kills or dice.random() < 0.5:
                listening.until(lambda: len(store.reports("flight")) == len(written))
            else:
                listening.until(listening.works)
                time.sleep(dice.uniform(0.0, 0.2))
            if life == kills:
                listening.until(listening.works)
                listening.end()
            listening.process.kill()
            listening.process.wait()
            assert shown <= len(store.reports("flight"))
        kept = store.reports("flight")
        assert len(kept) == len(written), "none lost, none twice"
        assert {each.mark for each in kept} == {Mark.USED}
        lines = listening.said().splitlines()
        told = {int(line.split()[0]) for line in lines if " radio " in line}
        assert told <= {each.number for each in kept}
        said = store.follow("flight", end)
    undisturbed = tmp_path / "undisturbed"
    with own_store(undisturbed) as store:
        store.begin_flight(begun)
        store.add_reports("flight", [each.report for each in kept])
        assert store.follow("flight", end).estimate == said.estimate


def resident_mb(process: int) -> float:
    """Memory of a process, as proc(5) has it."""
    text = Path(f"/proc/{process}/status").read_text(encoding="utf-8")
    return (
        float(next(line for line in text.splitlines() if line.startswith("VmRSS")).split()[1]) / 1e3
    )


@pytest.mark.process
@pytest.mark.parametrize("seconds", [4, pytest.param(600, marks=pytest.mark.slow)])
def test_fifty_reports_a_second_are_all_stored_and_memory_stays(
    tmp_path: Path, seconds: int
) -> None:
    port, sent, sizes = free_port(), 0, list[tuple[float, float]]()
    with own_store(tmp_path) as store:
        store.begin_flight(replace(BEGUN, begun_utc=datetime.now(UTC)))
        listening = Listening(tmp_path, "--accept", f":{port}")
        listening.until(lambda: "waits for connections" in listening.said())
        began, began_utc = time.monotonic(), datetime.now(UTC)
        with socket.create_connection(("127.0.0.1", port)) as stream:
            while (passed := time.monotonic() - began) < seconds:
                due = int(50.0 * passed) + 1
                for number in range(sent, due):
                    when = began_utc + number * SECOND / 50
                    stream.sendall(gga(when, *at(20.0 + number / 3_000.0)).encode())
                if due // 1_500 > sent // 1_500:
                    child = living_children(listening.process.pid)
                    sizes.append(
                        (
                            resident_mb(listening.process.pid),
                            sum(resident_mb(each) for each in child),
                        )
                    )
                sent = max(sent, due)
                time.sleep(0.02)
            listening.until(lambda: len(store.reports("flight")) == sent)
        listening.until(lambda: store.said("flight") is not None)
        marks = {each.mark for each in store.reports("flight")}
        assert marks == {Mark.USED}, "two of one time would have been one said twice"
        listening.end()
    later = sizes[4:]
    if later:
        print("memory [MB] of the listener and of its child:", sizes)
        for which in (0, 1):
            assert later[-1][which] - later[0][which] < 60.0
