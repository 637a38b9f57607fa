"""Positions as they come: out of a TCP stream, a serial device or a growing file; only ever in.

Each source has a thread that cuts what it hears into lines and connects anew for as long as it is
asked to. One loop stores what lines say, many in one transaction, and only then says so: a line
that was shown is stored. When the database is away it waits, the sources with it.
"""

import os
import queue
import re
import select
import signal
import socket
import stat
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from windowwatch.chase.reports import Mark, Report
from windowwatch.cli.track_files import NmeaLines, aprs_line, report_of
from windowwatch.clock import SystemClock
from windowwatch.errors import InputError, StorageError, WindowwatchError
from windowwatch.wording.chase import landing_lines, report_words

if TYPE_CHECKING:
    from windowwatch.storage.store import Store
    from windowwatch.watch.estimating import EstimatesInChild

#: A sentence of NMEA 0183 has at most 82 characters, an APRS packet 256 of text; what is longer
#: is rubbish. [byte]
LONGEST_LINE = 1_000
#: Lines that wait to be stored; sources wait when there are more. And so many in a transaction.
_WAITING, _AT_ONCE = 10_000, 500
#: Connections at a time to a port that is listened at.
_MOST_CONNECTIONS = 16
#: Pauses: between two looks, and before a source is tried again. [s]
_LOOK_S, _FIRST_S, _LONGEST_S = 0.5, 1.0, 30.0
#: The landing is shown so often at most. [s]
_LANDING_EVERY_S = 20.0
#: How a packet begins that is written as text: the station that sent it, and where to.
_PACKET = re.compile(r"(?:^|\s)[A-Z0-9]{1,6}(?:-[A-Z0-9]{1,2})?>[A-Z0-9,*-]+:")


@dataclass(frozen=True)
class Ear:
    """What is listened to: one of a place to connect to, a port, a device and a file.

    Parameters
    ----------
    kind : str
        connect, accept, device or file.
    place : str
        HOST:PORT, or a path.
    baud : int
        Of a device.
    """

    kind: str
    place: str
    baud: int = 4_800

    def __post_init__(self) -> None:
        if self.kind in ("connect", "accept"):
            self.address()

    def address(self) -> tuple[str, int]:
        """Host and port.

        Raises
        ------
        InputError
        """
        host, _, port = self.place.rpartition(":")
        if not (port.isascii() and port.isdigit() and 0 < int(port) < 65_536):
            raise InputError(f"--{self.kind} {self.place}: give it as HOST:PORT, as 10.0.0.5:10110")
        if not host and self.kind == "connect":
            raise InputError(f"--connect {self.place}: say to which machine, as 10.0.0.5:10110")
        return host.strip("[]") or "127.0.0.1", int(port)


@dataclass
class Heard:
    """What was heard so far, in lines."""

    lines: int = 0
    rubbish: int = 0
    others: int = 0
    stored: int = 0
    used: int = 0
    names: set[str] = field(default_factory=set)

    def words(self) -> str:
        """In a line."""
        said = f"{self.lines} lines heard, {self.stored} positions stored, {self.used} of them used"
        if self.rubbish:
            said += f"; {self.rubbish} lines were no sentence and no packet"
        if self.others:
            some = ", ".join(sorted(self.names)[:8])
            said += f"; {self.others} packets of other stations left out ({some})"
        return said


class Stop:
    """Whether to stop: asked by SIGINT and SIGTERM. A plain flag, because handlers take no lock."""

    asked = False

    def __call__(self) -> bool:
        """Whether it was asked for."""
        return self.asked

    @contextmanager
    def on_signals(self) -> Iterator[None]:
        """Listen to signals meanwhile."""
        before = {
            number: signal.signal(number, self._ask) for number in (signal.SIGINT, signal.SIGTERM)
        }
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    def _ask(self, _number: int, _frame: object) -> None:
        self.asked = True


#: A line, and when it was heard; None in its place for rubbish that was too long to be one.
_Line = tuple["Origin", str | None, datetime]


class Origin:
    """One stream of bytes, cut into lines. What is left when it breaks off is no line."""

    def __init__(self, name: str, out: "queue.Queue[_Line]", stop: Callable[[], bool]) -> None:
        self.name, self._out, self._stop = name, out, stop
        self.nmea = NmeaLines()
        self._rest, self._overlong = b"", False

    def take(self, data: bytes) -> None:
        """Take in what came."""
        parts = (self._rest + data).splitlines(keepends=True)
        self._rest = b""
        for part in parts:
            if part.endswith((b"\n", b"\r")):
                if self._overlong or len(part) > LONGEST_LINE:
                    self._put(None)
                elif part.strip():
                    self._put(part.decode("utf-8", errors="replace"))
                self._overlong = False
            elif len(part) > LONGEST_LINE:
                self._overlong = True
            else:
                self._rest = part

    def broken(self) -> None:
        """It broke off: half a line is none, it would have been read wrong."""
        if self._rest or self._overlong:
            self._put(None)
        self._rest, self._overlong = b"", False

    def _put(self, line: str | None) -> None:
        heard = SystemClock().now()
        while not self._stop():
            with suppress(queue.Full):
                self._out.put((self, line, heard), timeout=_LOOK_S)
                return


class _Source(threading.Thread):
    """Listens to one source, again and again; says when it comes and goes."""

    def __init__(self, ear: Ear, out: "queue.Queue[_Line]", stop: Callable[[], bool]) -> None:
        super().__init__(name=f"{ear.kind} {ear.place}", daemon=True)
        self._ear, self._out, self._stop = ear, out, stop
        self.origin = Origin(f"{ear.kind} {ear.place}"[:80], out, stop)

    def run(self) -> None:
        """Until it is asked to stop."""
        work = {
            "connect": self._connected, "accept": self._accepting, "device": self._device,
            "file": self._file,
        }[self._ear.kind]  # fmt: skip
        pause_s, said = _FIRST_S, ""
        while not self._stop():
            began = time.monotonic()
            try:
                why = work()
            except OSError as error:
                why = error.strerror or str(error)
            self.origin.broken()
            if self._stop():
                return
            if time.monotonic() - began > _LONGEST_S:
                pause_s, said = _FIRST_S, ""
            if why != said:
                click.echo(f"{self.name}: {why}; tried again and again", err=True)
            said = why
            self._wait(pause_s)
            pause_s = min(2.0 * pause_s, _LONGEST_S)

    def _wait(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while not self._stop() and time.monotonic() < until:
            time.sleep(0.1)

    def _connected(self) -> str:
        with socket.create_connection(self._ear.address(), timeout=10.0) as stream:
            click.echo(f"{self.name}: connected", err=True)
            self._hear(stream, self.origin)
        return "the connection has ended"

    def _hear(self, stream: socket.socket, origin: Origin) -> None:
        """Take in what comes until the other end goes; one that died is found by its silence."""
        stream.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        if hasattr(socket, "TCP_KEEPIDLE"):
            stream.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, 30)
            stream.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, 10)
            stream.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT, 3)
        stream.settimeout(_LOOK_S)
        while not self._stop():
            try:
                data = stream.recv(65_536)
            except TimeoutError:
                continue
            if not data:
                return
            origin.take(data)

    def _accepting(self) -> str:
        room = threading.BoundedSemaphore(_MOST_CONNECTIONS)
        with socket.create_server(self._ear.address(), reuse_port=False) as door:
            click.echo(f"{self.name}: waits for connections", err=True)
            door.settimeout(_LOOK_S)
            while not self._stop():
                try:
                    stream, peer = door.accept()
                except TimeoutError:
                    continue
                if not room.acquire(blocking=False):
                    stream.close()
                    continue
                origin = Origin(f"accept {peer[0]}"[:80], self._out, self._stop)
                threading.Thread(
                    target=self._guest, args=(stream, origin, room), daemon=True
                ).start()
        return "it is closed"

    def _guest(
        self, stream: socket.socket, origin: Origin, room: threading.BoundedSemaphore
    ) -> None:
        try:
            with stream, suppress(OSError):
                self._hear(stream, origin)
            origin.broken()
        finally:
            room.release()

    def _device(self) -> str:
        path = self._ear.place
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | getattr(os, "O_NOCTTY", 0))
        try:
            if os.isatty(descriptor):
                _set_up_line(descriptor, self._ear.baud)
            click.echo(f"{self.name}: open", err=True)
            while not self._stop():
                ready, _, _ = select.select([descriptor], [], [], _LOOK_S)
                if not ready:
                    continue
                data = os.read(descriptor, 65_536)
                if not data:
                    return "nothing more comes from it"
                self.origin.take(data)
        finally:
            os.close(descriptor)
        return "it is closed"

    def _file(self) -> str:
        path = Path(self._ear.place)
        with path.open("rb") as file:
            first = os.fstat(file.fileno())
            if not stat.S_ISREG(first.st_mode):
                return "it is no file; give --device for a device"
            click.echo(f"{self.name}: open", err=True)
            while not self._stop():
                data = file.read(65_536)
                if data:
                    self.origin.take(data)
                    continue
                now = path.stat()
                if (now.st_ino, now.st_dev) != (first.st_ino, first.st_dev):
                    return "another file has taken its place"
                if now.st_size < file.tell():
                    return "it was cut short"
                time.sleep(_LOOK_S / 2)
        return "it is closed"


def _set_up_line(descriptor: int, baud: int) -> None:
    """A serial line as bytes, without echo or signals, at a rate."""
    try:
        import termios
        import tty
    except ImportError:
        raise InputError("serial devices are read on POSIX systems; use --connect here") from None
    rate = getattr(termios, f"B{baud}", None)
    if rate is None:
        raise InputError(f"--baud {baud}: this machine has no such rate; 4800 and 9600 are usual")
    tty.setraw(descriptor)
    settings = termios.tcgetattr(descriptor)
    settings[4] = settings[5] = rate
    settings[2] |= termios.CLOCAL | termios.CREAD
    termios.tcsetattr(descriptor, termios.TCSANOW, settings)


@dataclass(frozen=True)
class Wanted:
    """Which positions are of the flight.

    Parameters
    ----------
    tracker : str
        Name for sentences of NMEA 0183, which have none.
    stations : frozenset of str
        Of APRS packets: only these, crews and passers-by use the same channel.
    """

    tracker: str
    stations: frozenset[str]


class Listener:
    """Stores what lines say, and has the landing estimated after it.

    Parameters
    ----------
    store : Store
    key : str
        Of the flight.
    wanted : Wanted
    estimates : EstimatesInChild
    """

    def __init__(
        self, store: "Store", key: str, wanted: Wanted, estimates: "EstimatesInChild"
    ) -> None:
        self._store, self._key, self._wanted, self._estimates = store, key, wanted, estimates
        self.heard = Heard()
        self._before = {_same(each.report) for each in store.reports(key)}
        self._asked, self._over = threading.Event(), False
        self._shown_s = -_LANDING_EVERY_S

    def listen(self, ears: Sequence[Ear], stop: Stop) -> None:
        """Listen until it is asked to stop, or the flight is closed.

        Raises
        ------
        ClosedError
        """
        lines: queue.Queue[_Line] = queue.Queue(_WAITING)
        for ear in ears:
            _Source(ear, lines, stop).start()
        estimating = threading.Thread(target=self._estimating, name="estimates", daemon=True)
        estimating.start()
        try:
            while not (stop() and lines.empty()):
                self.take(_drained(lines), stop)
        finally:
            self._over = True
            self._asked.set()
            self._estimates.close()
            estimating.join(5.0)

    def take(self, lines: Sequence[_Line], stop: Callable[[], bool]) -> None:
        """Store what lines say, all in one transaction, and only then show it."""
        reports = [report for line in lines if (report := self._report(*line)) is not None]
        if not reports:
            return
        said = ""
        while True:
            try:
                kept = self._store.add_reports(self._key, reports)
                break
            except StorageError as error:
                if stop():
                    raise
                if error.message != said:
                    click.echo(f"not stored yet: {error.message}; tried again", err=True)
                said = error.message
                time.sleep(_FIRST_S)
        self.heard.stored += len(kept)
        self.heard.used += sum(each.mark is Mark.USED for each in kept)
        for each in kept:
            click.echo(f"{each.number} {report_words(each)}")
        sys.stdout.flush()
        if any(each.mark is Mark.USED for each in kept):
            self._asked.set()

    def _report(self, origin: Origin, line: str | None, heard_utc: datetime) -> Report | None:
        """What a line says of the flight; counted, whatever it is."""
        self.heard.lines += 1
        if line is None:
            self._rubbish("it is far too long")
            return None
        try:
            if "$" in line and _PACKET.search(line) is None:
                found = origin.nmea(line, heard_utc)
                if found is None:
                    return None
            elif _PACKET.search(line) is not None:
                found = aprs_line(line, heard_utc, heard_utc)
            elif line.lstrip().startswith(("#", "!")):
                return None
            else:
                found = "it is no NMEA 0183 and no APRS packet"
            if found is None:
                return None
            if isinstance(found, str):
                self._rubbish(found)
                return None
            if found[4] and found[4].upper() not in self._wanted.stations:
                self._other(found[4])
                return None
            report = report_of(found, self._wanted.tracker, origin.name, heard_utc)
        except Exception as error:  # what a library makes of rubbish; the next line may be whole
            self._rubbish(f"{error}")
            return None
        if origin.name.startswith("file "):
            same = _same(report)
            if same in self._before:
                return None  # it was stored when the file was read before
            self._before.add(same)
        return report

    def _rubbish(self, why: str) -> None:
        self.heard.rubbish += 1
        if self.heard.rubbish == 1:
            click.echo(f"a line is left out, more are counted: {why[:200]}", err=True)

    def _other(self, name: str) -> None:
        self.heard.others += 1
        if name not in self.heard.names and len(self.heard.names) < 100:
            self.heard.names.add(name)
            click.echo(f"packets of {name} are left out; take them with --only {name}", err=True)

    def _estimating(self) -> None:
        """Estimate when something new was stored; what comes meanwhile is in the next one."""
        while True:
            self._asked.wait()
            self._asked.clear()
            if self._over:
                return
            try:
                self._estimates(self._key, SystemClock().now())
            except WindowwatchError as error:
                if not self._over:
                    click.echo(f"no estimate: {error.message}", err=True)
                continue
            self._show()

    def _show(self) -> None:
        now_s = time.monotonic()
        if now_s - self._shown_s < _LANDING_EVERY_S:
            return
        with suppress(StorageError):
            said = self._store.said(self._key)
            if said is not None and said.estimate is not None:
                click.echo("; ".join(landing_lines(said.estimate)[:4]))
                self._shown_s = now_s


def _same(report: Report) -> tuple[object, ...]:
    """What makes a report the same as one that was stored before."""
    return (report.tracker, report.time_utc, report.latitude_deg, report.longitude_deg,
            report.height_m)  # fmt: skip


def _drained(lines: "queue.Queue[_Line]") -> list[_Line]:
    """Lines that wait, at most as many as one transaction takes; empty after a while without."""
    found: list[_Line] = []
    with suppress(queue.Empty):
        found.append(lines.get(timeout=_LOOK_S))
        while len(found) < _AT_ONCE:
            found.append(lines.get_nowait())
    return found
