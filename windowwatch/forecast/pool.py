"""Files read by several processes at once, with the very result of reading them in order.

ecCodes needs a lock within one process, so a second core is of use only to another process.
Such a reader is a plain child that is handed pieces of files on its standard input and hands
back what it read on its standard output: it may be started by a process that is itself a
child, imports nothing but what reads, and ends when whoever started it ends. This process
reads from the front, readers take pieces from the back, so none waits for another.
"""

import io
import os
import pickle
import queue
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from windowwatch.errors import DecodeError, WindowwatchError
from windowwatch.forecast.cutout import Area
from windowwatch.forecast.framing import Framing
from windowwatch.forecast.grib import may_be_wanted, read_planes
from windowwatch.forecast.messages import Plane

#: Fields for which one more process is worth its start: that takes as long as reading about
#: 1,000 of them (0.3 s; measured by tests/benchmarks/decode.py).
WORTH_FIELDS = 3_000
#: Fields in one piece: few enough that both cores are done at about the same time.
_PIECE_FIELDS = 250
_READER = "from windowwatch.forecast.pool import serve; serve()"


@dataclass(frozen=True)
class _Piece:
    """A run of messages of one file, and its place in the whole."""

    place: int
    framing: Framing


def read_all(
    framings: Sequence[Framing], area: Area | None, processes: int | None = None
) -> list[Plane]:
    """Wanted fields of several files, in order, whoever read them.

    Parameters
    ----------
    framings : sequence of Framing
    area : south, west, north, east or None
        As in `grib.read_planes`.
    processes : int, optional
        How many read, this one included. By default as many as there are processors, if
        there is enough to read.

    Raises
    ------
    DecodeError, SourceError
        As `grib.read_planes`, for the first of the fields that cannot be read; and if a
        process that reads died.
    """
    pieces = [
        _Piece(place, part)
        for place, part in enumerate(part for framing in framings for part in _cut(framing))
    ]
    if processes is None:
        wanted = sum(map(_wanted, framings))
        processes = min(os.cpu_count() or 1, 1 + wanted // WORTH_FIELDS)
    results: list[list[Plane] | WindowwatchError | None] = [None] * len(pieces)
    todo = deque(pieces)
    helpers = [
        threading.Thread(target=_hand_out, args=(todo, area, results), daemon=True)
        for _ in range(min(processes - 1, len(pieces) - 1) if sys.executable else 0)
    ]
    for helper in helpers:
        helper.start()
    try:
        while todo:
            try:
                piece = todo.popleft()
            except IndexError:  # a reader was quicker
                break
            results[piece.place] = read_planes(piece.framing, area)
    except WindowwatchError as error:
        results[piece.place] = error
    finally:
        todo.clear()
        for helper in helpers:
            helper.join()
    return _joined(results)


def _joined(results: Sequence[list[Plane] | WindowwatchError | None]) -> list[Plane]:
    """All planes in order; the first error instead, if there is one."""
    planes: list[Plane] = []
    for found in results:
        if isinstance(found, WindowwatchError):
            raise found
        assert found is not None  # only pieces behind an error are left unread
        planes += found
    return planes


def _wanted(framing: Framing) -> int:
    return sum(any(map(may_be_wanted, frame.products)) for frame in framing.frames)


def _cut(framing: Framing) -> list[Framing]:
    """A file in pieces of about as many fields each; together they are the file."""
    count = max(1, round(_wanted(framing) / _PIECE_FIELDS))
    edges = np.linspace(0, len(framing.frames), count + 1).astype(int)
    return [replace(framing, frames=framing.frames[first:last]) for first, last in pairwise(edges)]


def _hand_out(todo: "deque[_Piece]", area: Area | None, results: list[Any]) -> None:
    """Let one reader work from the back, until nothing is left or something is wrong."""
    try:
        child = _start()
    except OSError:  # no room for another process: this one reads it all
        return
    assert child.stdin is not None
    assert child.stdout is not None
    try:
        while todo:
            try:
                piece = todo.pop()
            except IndexError:
                break
            try:
                pickle.dump((piece.framing, area), child.stdin, pickle.HIGHEST_PROTOCOL)
                child.stdin.flush()
                answer = pickle.load(child.stdout)
            except (EOFError, OSError, pickle.UnpicklingError):
                results[piece.place] = _death(child, piece.framing.path)
                break
            good = not isinstance(answer, WindowwatchError)
            results[piece.place] = _unpacked(piece.framing.path, *answer) if good else answer
    finally:
        child.stdin.close()
        child.stdout.close()
        child.wait()


def _start() -> "subprocess.Popen[bytes]":
    paths = os.pathsep.join(path or str(Path.cwd()) for path in sys.path)
    return subprocess.Popen(
        [sys.executable, "-P", "-c", _READER],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": paths},
    )


def _death(child: "subprocess.Popen[bytes]", path: str) -> DecodeError:
    code = child.wait()
    how = f"signal {-code}" if code < 0 else f"exit code {code}"
    return DecodeError(
        f"{path}: the process that read it died ({how}); the next pass reads it again", retry=True
    )


def _packed(planes: Sequence[Plane]) -> tuple[list[Any], list[Any]]:
    """Keys, and the values of planes of the same shape as one array."""
    runs: list[list[Any]] = []
    for plane in planes:
        if not runs or runs[-1][0].shape != plane.values.shape:
            runs.append([])
        runs[-1].append(plane.values)
    return [plane.key for plane in planes], [np.stack(run) for run in runs]


def _unpacked(path: str, keys: Sequence[Any], runs: Sequence[Any]) -> list[Plane]:
    values = (plane for run in runs for plane in run)
    return [Plane(key, path, plane) for key, plane in zip(keys, values, strict=True)]


def serve() -> None:
    """What a reader does: read pieces as they are handed in, until there are no more."""
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # nothing printed by accident may get among the answers
    handed: queue.SimpleQueue[Any] = queue.SimpleQueue()
    threading.Thread(target=_take, args=(sys.stdin.buffer, handed), daemon=True).start()
    while True:
        framing, area = handed.get()
        try:
            answer: Any = _packed(read_planes(framing, area))
        except WindowwatchError as error:
            answer = error
        pickle.dump(answer, answers, pickle.HIGHEST_PROTOCOL)
        answers.flush()


def _take(source: BinaryIO | io.BufferedIOBase, handed: "queue.SimpleQueue[Any]") -> None:
    """Take pieces in; end this process when there are no more, or nobody is left to ask."""
    try:
        while True:
            handed.put(pickle.load(source))
    finally:
        os._exit(0)
