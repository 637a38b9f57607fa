"""Readers on the board while a pass runs: how long they wait. By hand; fails on no time.

    PYTHONPATH=.:tests python tests/benchmarks/load.py [--readers 50] [--seconds 20] [--quiet]

The page is a process of its own over the sample week, a pass (of another watch, into the same
database) runs in another, again and again. Each reader keeps its connection, listens to the
news on a second one, and asks for the board every two seconds or so: every third time as one
who comes for the first time, else as a browser that asks whether its copy still holds. The
readers themselves run on the same cores.
"""

import argparse
import asyncio
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from page_served import ROOT, passes, served

PAUSE_S = 2.0


class Reader:
    """One who looks at the board again and again."""

    def __init__(self, port: int, chance: random.Random) -> None:
        self.port, self.chance = port, chance
        self.first_s: list[float] = []
        self.again_s: list[float] = []
        self.bytes: list[int] = []
        self.errors = 0

    async def read(self, until_s: float) -> None:
        """Look until a time."""
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port)
        etag = ""
        await asyncio.sleep(self.chance.uniform(0.0, PAUSE_S))
        while time.monotonic() < until_s:
            first = not etag or self.chance.random() < 1 / 3
            asked = time.monotonic()
            if reader.at_eof():
                reader, writer = await asyncio.open_connection("127.0.0.1", self.port)
            more = "" if first else f"If-None-Match: {etag}\r\n"
            writer.write(
                f"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nAccept-Encoding: gzip\r\n{more}\r\n".encode()
            )
            await writer.drain()
            status, head, body = await _answer(reader)
            (self.first_s if status == 200 else self.again_s).append(time.monotonic() - asked)
            if status not in (200, 304):
                self.errors += 1
            if status == 200:
                etag = head.get("etag", "")
                self.bytes.append(len(body))
            await asyncio.sleep(self.chance.uniform(0.5, 1.5) * PAUSE_S)
        writer.close()

    async def listen(self, until_s: float) -> None:
        """Listen to the news until a time."""
        while time.monotonic() < until_s:
            reader, writer = await asyncio.open_connection("127.0.0.1", self.port)
            writer.write(b"GET /live HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            try:
                async with asyncio.timeout(max(0.1, until_s - time.monotonic())):
                    while await reader.read(4096):
                        pass
            except TimeoutError:
                pass
            writer.close()


async def _answer(reader: asyncio.StreamReader) -> tuple[int, dict[str, str], bytes]:
    lines = (await reader.readuntil(b"\r\n\r\n")).decode().split("\r\n")
    head = {k.lower(): v for k, _, v in (line.partition(": ") for line in lines[1:] if line)}
    length = int(head.get("content-length", "0"))
    return int(lines[0].split()[1]), head, await reader.readexactly(length)


async def crowd(port: int, readers: int, seconds: float) -> list[Reader]:
    """All readers at once."""
    until_s = time.monotonic() + seconds
    people = [Reader(port, random.Random(i)) for i in range(readers)]
    await asyncio.gather(
        *(each.read(until_s) for each in people), *(each.listen(until_s) for each in people)
    )
    return people


def told(name: str, waits_s: list[float]) -> None:
    """A line of the results."""
    if waits_s:
        ordered = sorted(waits_s)
        shares = {
            f"p{q}": ordered[min(len(ordered) - 1, len(ordered) * q // 100)] for q in (50, 95, 99)
        }
        words = ", ".join(f"{key} {1000 * value:.0f} ms" for key, value in shares.items())
        print(f"{name:12} {len(ordered):5d} requests: {words}, longest {1000 * ordered[-1]:.0f} ms")


def main() -> None:
    """Measure."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--readers", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--quiet", action="store_true", help="without a pass beside them")
    parser.add_argument("--passing", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.passing:
        passes(Path(asked.passing), f"load {time.time():.0f}", 1000)
        return
    with tempfile.TemporaryDirectory() as name, served(Path(name)) as port:
        beside: list[subprocess.Popen[bytes]] = []
        try:
            if not asked.quiet:
                own = [sys.executable, __file__, "--passing", name]
                beside.append(subprocess.Popen(own, cwd=ROOT))
                time.sleep(4.0)  # until it decodes and flies
            people = asyncio.run(crowd(port, asked.readers, asked.seconds))
            if any(each.poll() is not None for each in beside):
                print("the pass beside them has ended: this measures nothing")
        finally:
            for each in beside:
                each.terminate()
                each.wait(20)
    told("whole board", [s for each in people for s in each.first_s])
    told("copy holds", [s for each in people for s in each.again_s])
    told("all", [s for each in people for s in (*each.first_s, *each.again_s)])
    sizes = [size for each in people for size in each.bytes]
    print(f"board: {max(sizes) / 1e3:.1f} kB; errors: {sum(each.errors for each in people)}")


if __name__ == "__main__":
    main()
