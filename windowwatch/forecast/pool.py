"""Files read by several processes at once, with the very result of reading them in order.

ecCodes needs a lock within one process, so a second core is of use only to another process.
Such a reader is a child (`windowwatch.child`) that is handed pieces of files. This process
reads from the front, readers take pieces from the back, so none waits for another.
"""

import os
import sys
import threading
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np

from windowwatch.child import UNLIMITED, Child, ChildDiedError
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
    with Child(UNLIMITED) as child:
        try:
            child.start()
        except ChildDiedError:  # no room for another process: this one reads it all
            return
        while todo:
            try:
                piece = todo.pop()
            except IndexError:
                break
            path = piece.framing.path
            try:
                results[piece.place] = _unpacked(path, *child.call(_read, (piece.framing, area)))
            except ChildDiedError as error:
                results[piece.place] = DecodeError(
                    f"{path}: the process that read it died ({error.cause}); the next pass reads "
                    "it again",
                    retry=True,
                )
                break
            except WindowwatchError as error:
                results[piece.place] = error


def _read(framing: Framing, area: Area | None) -> tuple[list[Any], list[Any]]:
    """What a reader does with a piece."""
    return _packed(read_planes(framing, area))


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
