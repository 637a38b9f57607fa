"""A weather provider on the loopback: real sockets, true indexes, an area filter, and faults.

It serves the invented sample week under the providers' own paths, step by step. How indexes
and the filter read is written here a second time, from the notes on the providers, not taken
from the program.
"""

import json
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import cache
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import eccodes
import numpy as np

SAMPLES = Path(__file__).resolve().parents[1] / "grib_samples"
CYCLE = datetime(2026, 5, 4, 12, tzinfo=UTC)
BEFORE = datetime(2026, 5, 4, 6, tzinfo=UTC)

#: (discipline, category, number, surface, level) to NOAA's and ECMWF's words.
NOAA_WORDS = {
    (0, 2, 2, 103, 10): "UGRD:10 m above ground",
    (0, 2, 3, 103, 10): "VGRD:10 m above ground",
    (0, 2, 2, 103, 100): "UGRD:100 m above ground",
    (0, 2, 3, 103, 100): "VGRD:100 m above ground",
    (0, 2, 22, 1, 0): "GUST:surface",
    (0, 0, 0, 103, 2): "TMP:2 m above ground",
    (0, 0, 6, 103, 2): "DPT:2 m above ground",
    (0, 3, 1, 101, 0): "PRMSL:mean sea level",
    (0, 3, 0, 1, 0): "PRES:surface",
    (0, 6, 3, 1, 0): "LCDC:low cloud layer",
    (0, 6, 4, 1, 0): "MCDC:middle cloud layer",
    (0, 6, 5, 1, 0): "HCDC:high cloud layer",
    (0, 6, 1, 1, 0): "TCDC:entire atmosphere",
    (0, 6, 13, 1, 0): "HGT:cloud ceiling",
    (0, 19, 0, 1, 0): "VIS:surface",
    (0, 1, 7, 1, 0): "PRATE:surface",
    (0, 1, 8, 1, 0): "APCP:surface",
    (0, 7, 6, 1, 0): "CAPE:surface",
    (0, 3, 5, 1, 0): "HGT:surface",
    (2, 0, 0, 1, 0): "LAND:surface",
}
NOAA_ALOFT = {
    (0, 2, 2): "UGRD",
    (0, 2, 3): "VGRD",
    (0, 0, 0): "TMP",
    (0, 3, 5): "HGT",
    (0, 2, 10): "ABSV",
}
ECMWF_ALOFT = {(0, 2, 2): "u", (0, 2, 3): "v", (0, 0, 0): "t", (0, 3, 5): "gh"}
ECMWF_WORDS = {
    (0, 2, 2, 103, 10): "10u",
    (0, 2, 3, 103, 10): "10v",
    (0, 2, 22, 1, 0): "10fg",
    (0, 0, 0, 103, 2): "2t",
    (0, 0, 6, 103, 2): "2d",
    (0, 3, 1, 101, 0): "msl",
    (0, 3, 0, 1, 0): "sp",
    (0, 6, 1, 1, 0): "tcc",
    (2, 0, 0, 1, 0): "lsm",
}


#: Levels after whose temperature a message stands that nobody wants. [Pa]
VORTICITY_PA = (100_000, 50_000, 10_000, 1_000)


@dataclass(frozen=True)
class Sample:
    """One message of a sample file with what an index says of it."""

    data: bytes
    number: tuple[int, int, int, int, int]
    start_h: int
    end_h: int
    member: int | None
    ymdh: str

    @property
    def noaa(self) -> str:
        discipline, category, parameter, surface, level = self.number
        if surface == 100:
            what = f"{NOAA_ALOFT[discipline, category, parameter]}:{level / 100:g} mb"
        else:
            what = NOAA_WORDS[self.number]
        when = f"{self.end_h} hour fcst" if self.end_h else "anl"
        if self.start_h != self.end_h:
            when = f"{self.start_h}-{self.end_h} hour acc fcst"
        extra = (
            ""
            if self.member is None
            else f"ENS=+{self.member}"
            if self.member
            else "ENS=low-res ctl"
        )
        return f"d={self.ymdh}:{what}:{when}:{extra}"

    def ecmwf(self, offset: int) -> str | None:
        discipline, category, parameter, surface, level = self.number
        line = {
            "domain": "g",
            "date": self.ymdh[:8],
            "time": f"{self.ymdh[8:]}00",
            "type": "pf" if self.member else "fc",
            "stream": "enfo" if self.member else "oper",
            "step": str(self.end_h),
        }
        if surface == 100:
            line |= {"levtype": "pl", "levelist": f"{level / 100:g}"}
            line["param"] = ECMWF_ALOFT[discipline, category, parameter]
        elif self.number in ECMWF_WORDS:
            line |= {"levtype": "sfc", "param": ECMWF_WORDS[self.number]}
        else:
            return None
        if self.member:
            line["number"] = str(self.member)
        return json.dumps({**line, "_offset": offset, "_length": len(self.data)})


@cache
def samples(name: str, begin_h: tuple[int, ...] | None = None) -> tuple[Sample, ...]:
    """Messages of a sample file, by a plain ecCodes loop.

    `begin_h` picks those whose forecast time (octets 19 to 22 of section 4) is among these,
    before anything is decoded: the file of members is long.
    """
    found, data, offset = [], (SAMPLES / name).read_bytes(), 0
    while offset < len(data):
        length = int.from_bytes(data[offset + 8 : offset + 16], "big")
        message = data[offset : offset + length]
        offset += length
        place = 16
        while message[place + 4] != 4:
            place += int.from_bytes(message[place : place + 4], "big")
        if begin_h is None or int.from_bytes(message[place + 18 : place + 22], "big") in begin_h:
            found.append(_sample(message))
    return tuple(found)


def _sample(message: bytes) -> Sample:
    handle = eccodes.codes_new_from_message(message)

    def get(key: str) -> int:
        return int(eccodes.codes_get_long(handle, key))

    try:
        ensemble = get("productDefinitionTemplateNumber") in (1, 11)
        surface = get("typeOfFirstFixedSurface")
        level = get("scaledValueOfFirstFixedSurface") if surface in (100, 103) else 0
        number = (get("discipline"), get("parameterCategory"), get("parameterNumber"))
        return Sample(
            message,
            (*number, surface, level),
            get("startStep"),
            get("endStep"),
            get("perturbationNumber") if ensemble else None,
            f"{get('dataDate')}{get('dataTime') // 100:02d}",
        )
    finally:
        eccodes.codes_release(handle)


def noaa_index(messages: tuple[Sample, ...], shift: int = 0) -> bytes:
    lines, offset = [], 0
    for number, message in enumerate(messages, 1):
        lines.append(f"{number}:{offset + shift}:{message.noaa}\n")
        offset += len(message.data)
    return "".join(lines).encode()


def ecmwf_index(messages: tuple[Sample, ...]) -> bytes:
    lines, offset = [], 0
    for message in messages:
        lines.append(message.ecmwf(offset))
        offset += len(message.data)
    return "".join(f"{line}\n" for line in reversed(lines) if line).encode()


def cut_out(
    data: bytes,
    north: float,
    south: float,
    west: float,
    east: float,
    *,
    south_first: bool = False,
) -> bytes:
    """A message cut to a box, as the provider's filter does; whole rows and columns.

    With `south_first` rows go from south to north (scanning mode 64).
    """
    handle = eccodes.codes_new_from_message(data)
    try:
        shape = eccodes.codes_get_long(handle, "Nj"), eccodes.codes_get_long(handle, "Ni")
        first = eccodes.codes_get_double(handle, "latitudeOfFirstGridPointInDegrees")
        left = eccodes.codes_get_double(handle, "longitudeOfFirstGridPointInDegrees")
        step = eccodes.codes_get_double(handle, "iDirectionIncrementInDegrees")
        latitude = first - step * np.arange(shape[0])
        longitude = left + step * np.arange(shape[1])
        west, east = west % 360, east % 360
        rows = (latitude <= north + 1e-6) & (latitude >= south - 1e-6)
        columns = (longitude >= west - 1e-6) & (longitude <= east + 1e-6)
        values = eccodes.codes_get_values(handle).reshape(shape)[rows][:, columns]
        for key, value in (
            ("Nj", int(rows.sum())),
            ("Ni", int(columns.sum())),
            ("latitudeOfFirstGridPointInDegrees", float(latitude[rows][0])),
            ("latitudeOfLastGridPointInDegrees", float(latitude[rows][-1])),
            ("longitudeOfFirstGridPointInDegrees", float(longitude[columns][0])),
            ("longitudeOfLastGridPointInDegrees", float(longitude[columns][-1])),
        ):
            eccodes.codes_set(handle, key, value)
        if south_first:
            ends = [f"latitudeOf{end}GridPointInDegrees" for end in ("First", "Last")]
            swapped = [eccodes.codes_get_double(handle, key) for key in reversed(ends)]
            eccodes.codes_set(handle, "jScansPositively", 1)
            for key, value in zip(ends, swapped, strict=True):
                eccodes.codes_set(handle, key, value)
            values = values[::-1]
        eccodes.codes_set_values(handle, np.ascontiguousarray(values).ravel())
        return bytes(eccodes.codes_get_message(handle))
    finally:
        eccodes.codes_release(handle)


@dataclass
class Request:
    """One request as it came in: its number from 1, path, query, and range."""

    number: int
    path: str
    query: dict[str, list[str]]
    span: tuple[int, int | None] | None


@dataclass
class Provider:
    """What the server has, how far it has come, and how it misbehaves.

    `files` maps path to messages; `upto_h` is the last step that is there. `fault` may answer
    a request in its own way: it is given the request and the handler, and returns True when
    it has dealt with it. `shift` moves the offsets of every index; `index_of` puts another
    file's index beside a file; files that are `late` are not there yet, whatever `upto_h` says;
    with `south_first` the filter lays rows from south to north.
    """

    files: dict[str, tuple[Sample, ...]] = field(default_factory=dict)
    steps: dict[str, int] = field(default_factory=dict)
    upto_h: int = 1000
    shift: int = 0
    index_of: Callable[[str], tuple[Sample, ...] | None] = lambda _path: None
    fault: Callable[[Request, "Handler"], bool] = lambda _request, _handler: False
    late: Callable[[str], bool] = lambda _path: False
    south_first: bool = False
    log: list[Request] = field(default_factory=list)
    url: str = ""
    lock: threading.Lock = field(default_factory=threading.Lock)
    cuts: dict[tuple[object, ...], bytes] = field(default_factory=dict)

    def add(self, path: str, step_h: int, messages: tuple[Sample, ...]) -> None:
        self.files[path], self.steps[path] = messages, step_h

    def has(self, path: str) -> bool:
        return path in self.files and self.steps[path] <= self.upto_h and not self.late(path)

    def answer(self, request: Request) -> bytes | None:
        """Whole body for a request; None if there is nothing."""
        if "/filter_" in request.path:
            return self._filtered(request)
        path = request.path.lstrip("/")
        data = path.removesuffix(".idx")
        if path.endswith(".index"):
            data = path.removesuffix(".index") + ".grib2"
        if not self.has(data):
            return None
        messages = self.files[data]
        if path == data:
            return b"".join(m.data for m in messages)
        other = self.index_of(data) or messages
        return ecmwf_index(other) if path.endswith(".index") else noaa_index(other, self.shift)

    def _filtered(self, request: Request) -> bytes | None:
        query = request.query
        path = f"{query['dir'][0].lstrip('/')}/{query['file'][0]}"
        if not self.has(path):
            return None
        names = {key[4:] for key in query if key.startswith("var_")}
        levels = {key[4:].replace("_", " ") for key in query if key.startswith("lev_")}
        box = tuple(float(query[k][0]) for k in ("toplat", "bottomlat", "leftlon", "rightlon"))
        key = (path, frozenset(names), frozenset(levels), box, self.south_first)
        with self.lock:
            if key not in self.cuts:
                self.cuts[key] = b"".join(
                    cut_out(m.data, *box, south_first=self.south_first)
                    for m in self.files[path]
                    if m.noaa.split(":")[1] in names and m.noaa.split(":")[2] in levels
                )
            return self.cuts[key]


class Handler(BaseHTTPRequestHandler):
    """Answers one connection."""

    protocol_version = "HTTP/1.1"
    provider: Provider

    def do_GET(self) -> None:
        parts = urlsplit(self.path)
        span = None
        if said := self.headers.get("Range"):
            first, _, last = said.removeprefix("bytes=").partition("-")
            span = int(first), int(last) if last else None
        with self.provider.lock:
            number = len(self.provider.log) + 1
            query = parse_qs(parts.query, keep_blank_values=True)
            request = Request(number, parts.path, query, span)
            self.provider.log.append(request)
        if self.provider.fault(request, self):
            return
        body = self.provider.answer(request)
        if body is None:
            self.say(404, b"<html>not found</html>")
        elif span is None:
            self.say(200, body)
        elif span[0] >= len(body):
            self.say(416, b"")
        else:
            end = len(body) - 1 if span[1] is None else min(span[1], len(body) - 1)
            which = {"Content-Range": f"bytes {span[0]}-{end}/{len(body)}"}
            self.say(206, body[span[0] : end + 1], which)

    def say(self, code: int, body: bytes, headers: dict[str, str] | None = None) -> bool:
        self.send_response(code)
        for key, value in (headers or {}).items():
            self.send_header(key, value)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)
        return True

    def body_of(self, request: Request) -> bytes:
        """What a healthy server would send."""
        body = self.provider.answer(request) or b""
        if request.span is not None:
            last = len(body) - 1 if request.span[1] is None else request.span[1]
            body = body[request.span[0] : last + 1]
        return body

    def head(self, request: Request, length: int) -> None:
        """Headers of a healthy answer that promises so many bytes."""
        self.send_response(200 if request.span is None else 206)
        if request.span is not None:
            first = request.span[0]
            self.send_header("Content-Range", f"bytes {first}-{first + length - 1}/*")
        self.send_header("Content-Length", str(length))
        self.end_headers()

    def cut(self, request: Request) -> bool:
        """Promise the whole body, send half of it, hang up."""
        body = self.body_of(request)
        self.head(request, len(body))
        self.wfile.write(body[: len(body) // 2])
        self.close_connection = True
        return True

    def reset(self, request: Request) -> bool:
        """Send a little and reset the connection."""
        body = self.body_of(request)
        self.head(request, len(body))
        self.wfile.write(body[:10])
        self.wfile.flush()
        linger = struct.pack("ii", 1, 0)
        self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
        self.close_connection = True
        self.connection.close()
        return True

    def drip(self, request: Request, pause_s: float) -> bool:
        """Send byte after byte, slowly, for as long as anybody listens."""
        body = self.body_of(request)
        self.head(request, len(body))
        try:
            for place in range(len(body)):
                self.wfile.write(body[place : place + 1])
                self.wfile.flush()
                time.sleep(pause_s)
        except OSError:
            self.close_connection = True
        return True

    def stay_silent(self, seconds: float) -> bool:
        """Say nothing for a while, then hang up."""
        time.sleep(seconds)
        self.close_connection = True
        return True

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002
        """Stay silent."""

    def handle(self) -> None:
        try:
            super().handle()
        except (OSError, ValueError):
            self.close_connection = True

    def finish(self) -> None:
        try:
            super().finish()
        except (OSError, ValueError):
            self.close_connection = True


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False
    request_queue_size = 64

    def shutdown_request(self, request: object) -> None:
        try:
            super().shutdown_request(request)  # type: ignore[arg-type]
        except OSError:
            return


Fault = Callable[[Request, Handler], bool]
PAGE = b"<!DOCTYPE html><html><head><title>Busy</title></head><body>Try later</body></html>"


def sent_away(_request: Request, handler: Handler) -> bool:
    """NOMADS limits so since February 2026: 302, and no Retry-After."""
    return handler.say(302, PAGE, {"Location": "https://www.example.invalid/limits?token=abc"})


def moved_for_good(_request: Request, handler: Handler) -> bool:
    return handler.say(301, b"", {"Location": "https://new.example.invalid/gfs/file"})


def too_many(retry_after: str | None = None) -> Fault:
    """429, with or without a time for another try."""
    headers = {} if retry_after is None else {"Retry-After": retry_after}
    return lambda _request, handler: handler.say(429, b"slow down", headers)


def overloaded(retry_after: str | None = None) -> Fault:
    """503, as S3 says "SlowDown" without a time for another try."""
    headers = {} if retry_after is None else {"Retry-After": retry_after}
    return lambda _request, handler: handler.say(503, b"<Code>SlowDown</Code>", headers)


def web_page(_request: Request, handler: Handler) -> bool:
    """A page for people, with the status of all being well."""
    return handler.say(200, PAGE, {"Content-Type": "text/html"})


def index_of_the_day_before(its: Provider) -> None:
    """Beside each file lies the index of the same file of the day before."""

    def before(ymdh: str) -> str:
        moment = datetime.strptime(ymdh, "%Y%m%d%H").replace(tzinfo=UTC)
        return f"{moment - timedelta(days=1):%Y%m%d%H}"

    its.index_of = lambda path: tuple(replace(m, ymdh=before(m.ymdh)) for m in its.files[path])


def b_files_late(its: Provider) -> None:
    """Of an ensemble the files with the rest of the levels come later."""
    its.late = lambda path: "pgrb2b" in path


def renamed(its: Provider, old: str, new: str) -> None:
    """Every file under another name from now on."""
    for path in list(its.files):
        its.files[path.replace(old, new)] = its.files.pop(path)
        its.steps[path.replace(old, new)] = its.steps.pop(path)


@contextmanager
def provider(port: int = 0) -> Iterator[Provider]:
    """A provider that is up; `url` is its root."""
    its = Provider()
    handler = type("Bound", (Handler,), {"provider": its})
    server = _Server(("127.0.0.1", port), handler)
    its.url = f"http://127.0.0.1:{server.server_address[1]}"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield its
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@cache
def with_vorticity(messages: tuple[Sample, ...]) -> tuple[Sample, ...]:
    """The same with a message between that nobody wants, as real files have hundreds of."""
    found: list[Sample] = []
    for message in messages:
        found.append(message)
        if message.number[:4] == (0, 0, 0, 100) and message.number[4] in VORTICITY_PA:
            handle = eccodes.codes_new_from_message(message.data)
            eccodes.codes_set(handle, "parameterCategory", 2)
            eccodes.codes_set(handle, "parameterNumber", 10)
            data = bytes(eccodes.codes_get_message(handle))
            eccodes.codes_release(handle)
            number = (0, 2, 10, *message.number[3:])
            found.append(replace(message, data=data, number=number))
    return tuple(found)


@cache
def fixed_at(name: str, step_h: int) -> tuple[Sample, ...]:
    """Terrain and land mask, which GFS repeats at every step and the samples have at 0."""
    found = []
    for message in samples(name, (0,)):
        if message.number in ((0, 3, 5, 1, 0), (2, 0, 0, 1, 0)):
            handle = eccodes.codes_new_from_message(message.data)
            eccodes.codes_set(handle, "step", step_h)
            data = bytes(eccodes.codes_get_message(handle))
            eccodes.codes_release(handle)
            found.append(replace(message, data=data, start_h=step_h, end_h=step_h))
    return tuple(found)


@cache
def gfs_messages(
    cycle: datetime, step_h: int, levels_hpa: tuple[float, ...] | None = None
) -> tuple[Sample, ...]:
    """One step as GFS would have it, but for what nobody wants; on some levels only."""
    name = f"skerra-{cycle:%Y-%m-%dT%HZ}.grib2"
    here = tuple(
        m
        for m in samples(name, (max(step_h - 3, 0), step_h))  # rain begins three hours before
        if m.end_h == step_h
        and (levels_hpa is None or m.number[3] != 100 or m.number[4] / 100 in levels_hpa)
    )
    return here if step_h == 0 else here + fixed_at(name, step_h)


def fill_gfs(
    its: Provider,
    steps_h: tuple[int, ...],
    cycle: datetime = CYCLE,
    levels_hpa: tuple[float, ...] | None = None,
) -> None:
    """Serve the invented week as GFS would be."""
    for step in steps_h:
        path = f"gfs.{cycle:%Y%m%d}/{cycle:%H}/atmos/gfs.t{cycle:%H}z.pgrb2.0p25.f{step:03d}"
        its.add(path, step, with_vorticity(gfs_messages(cycle, step, levels_hpa)))
        its.add(path.replace("pgrb2.0p25", "pgrb2full.0p50"), step, its.files[path])


def fill_ecmwf(its: Provider, steps_h: tuple[int, ...]) -> None:
    """Serve the invented week and its members as ECMWF's open data would be."""
    every = samples(f"skerra-{CYCLE:%Y-%m-%dT%HZ}.grib2", steps_h)
    members = samples(f"skerra-members-{CYCLE:%Y-%m-%dT%HZ}.grib2", steps_h)
    for step in steps_h:
        root = f"{CYCLE:%Y%m%d}/{CYCLE:%H}z/ifs/0p25"
        name = f"{CYCLE:%Y%m%d%H}0000-{step}h"
        here = tuple(m for m in every if m.end_h == step)
        its.add(f"{root}/oper/{name}-oper-fc.grib2", step, here)
        single = root.replace("/ifs/", "/aifs-single/")
        its.add(f"{single}/oper/{name}-oper-fc.grib2", step, here)
        perturbed = tuple(m for m in members if m.end_h == step and m.member)
        its.add(f"{root}/enfo/{name}-enfo-ef.grib2", step, perturbed)


@cache
def ground_of(step_h: int, member: int) -> Sample:
    """Pressure at the ground of a member: that of the deterministic forecast under its name."""
    name = f"skerra-{CYCLE:%Y-%m-%dT%HZ}.grib2"
    (plain,) = (m for m in samples(name, (step_h,)) if m.number == (0, 3, 0, 1, 0))
    handle = eccodes.codes_new_from_message(plain.data)
    for key, value in (
        ("productDefinitionTemplateNumber", 1),
        ("typeOfEnsembleForecast", 3 if member else 1),
        ("perturbationNumber", member),
        ("numberOfForecastsInEnsemble", 8),
    ):
        eccodes.codes_set(handle, key, value)
    data = bytes(eccodes.codes_get_message(handle))
    eccodes.codes_release(handle)
    return replace(plain, data=data, member=member)


def fill_gefs(its: Provider, steps_h: tuple[int, ...], kinds: str = "a") -> None:
    """Serve the members of the invented week as GEFS would be: on the levels of each kind of file.

    The a-files hold what is near the ground, too. Of what the b-files alone have, the samples
    have 20 and 5 hPa, and the temperature of 300 hPa.
    """
    every = samples(f"skerra-members-{CYCLE:%Y-%m-%dT%HZ}.grib2", steps_h)
    for step in steps_h:
        for member in sorted({m.member for m in every if m.member is not None}):
            run = f"p{member:02d}" if member else "c00"
            mine = tuple(m for m in every if (m.end_h, m.member) == (step, member))
            upper = tuple(
                m
                for m in mine
                if m.number[3:] in ((100, 2_000), (100, 500)) or m.number == (0, 0, 0, 100, 30_000)
            )
            for kind in kinds:
                path = (
                    f"gefs.{CYCLE:%Y%m%d}/{CYCLE:%H}/atmos/pgrb2{kind}p5/"
                    f"ge{run}.t{CYCLE:%H}z.pgrb2{kind}.0p50.f{step:03d}"
                )
                rest = mine if kinds == "a" else tuple(m for m in mine if m not in upper)
                lower = (*rest, ground_of(step, member))
                its.add(path, step, upper if kind == "b" else lower)
