"""The one door to ecCodes: fields of GRIB files with keys and values, by one process or several.

How a file is read, and why in this way:

* **One pass.** Making a message ready costs ecCodes far more than reading its values, so keys
  and values are taken together, and messages of parameters that nobody wants are passed over
  by three octets of their own (`framing`) without being made ready at all.
* **Numbers, not names.** Every message is known by its numeric keys (`MessageKey`); a name
  that changes from one table version to the next decides nothing.
* **One field at a time.** A message that holds several is cut into messages of one
  (`framing.pieces`), because ecCodes' own switch for them is global to the process.
* **One lock** round all calls of the library, so a second core is of use only to another
  process. Such a reader is a child (`windowwatch.child`) that is handed pieces of files. This
  process reads from the front, readers take pieces from the back, so none waits for another;
  the result is the very one of reading in order.

It imports little, so that a process that only reads begins quickly.
"""

import atexit
import os
import sqlite3  # noqa: F401 - before ecCodes, whose wheel brings an old one (docs/decisions.md)
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from itertools import pairwise
from pathlib import Path
from typing import Any, TextIO

import eccodes
import numpy as np
from numpy.typing import NDArray

from windowwatch.child import UNLIMITED, Child, ChildDiedError
from windowwatch.errors import DecodeError, WindowwatchError, shown
from windowwatch.forecast.grib.framing import Frame, Framing, pieces, unreadable, walk
from windowwatch.forecast.grib.grid import Area, Crop, Grid, crop
from windowwatch.forecast.grib.messages import TEMPLATES, MessageKey, Plane, read_key
from windowwatch.forecast.models import PARAMETERS, match

#: Held while ecCodes is at work.
LOCK = threading.RLock()
#: What ecCodes is made to write into missing cells.
MISSING = float(np.finfo(np.float32).max)
#: How a key is asked for, by the type that may follow its name.
_ASK: dict[str, Callable[[int, str], Any]] = {
    "int": eccodes.codes_get_long,
    "float": eccodes.codes_get_double,
    "": eccodes.codes_get_string,
}


def inventory(path: str) -> list[MessageKey]:
    """Keys of every field in a GRIB2 file, in order, without decoding values.

    Raises
    ------
    SourceError, DecodeError
        As `framing.walk`, and if a message cannot be made sense of.
    """
    framing = walk(path)
    with LOCK:
        return [key for _, key, _ in _messages(framing, lambda _: True)]


def read_planes(framing: Framing, area: Area | None) -> list[Plane]:
    """Wanted fields of one file, decoded and cropped to `area`, in the order of the file.

    Raises
    ------
    DecodeError
        If a message cannot be decoded (named by number and byte), or lies on a grid that is
        not read.
    SourceError
        If the file cannot be read any more, or its grid has nothing of the area.
    """
    boxes: dict[Grid, Crop] = {}
    planes = []
    with LOCK:
        for frame, key, handle in _messages(framing, may_be_wanted):
            if match(key) is None:
                continue
            if key.grid.refusal is not None:
                raise DecodeError(
                    f"{shown(framing.path)}: "
                    f"message {key.message} at byte {key.offset} ({key}) cannot "
                    f"be used: {key.grid.refusal} is read. Fetch it on such a grid"
                )
            if key.grid not in boxes:
                boxes[key.grid] = crop(key.grid, area, framing.path)
            try:
                values = _values(key, handle, boxes[key.grid])
            except Exception as error:
                why = ValueError(f"its values cannot be read: {error}")
                raise _undecodable(framing, frame, why) from error
            planes.append(Plane(key, framing.path, values))
    return planes


def may_be_wanted(product: tuple[int, int, int, int]) -> bool:
    """Tell from template, discipline, category and number whether to look into a field.

    A template that is never wanted is looked into as well: it may be damage.
    """
    return product[0] not in TEMPLATES or product[1:] in PARAMETERS


def _messages(
    framing: Framing, wanted: Callable[[tuple[int, int, int, int]], bool]
) -> Iterator[tuple[Frame, MessageKey, int]]:
    """Fields of a file: the frame and the key of each, and a handle that is lent."""
    _silence()
    grids: dict[str, Grid] = {}
    try:
        with Path(framing.path).open("rb") as file:
            for frame in framing.frames:
                if not any(map(wanted, frame.products)):
                    continue
                file.seek(frame.offset)
                message = file.read(frame.length)
                try:
                    single = list(pieces(message, frame))
                    if len(single) != frame.fields or len(message) != frame.length:
                        raise ValueError("the file has changed while it was read")
                except ValueError as error:
                    raise _undecodable(framing, frame, error) from error
                for piece, product in zip(single, frame.products, strict=True):
                    if wanted(product):
                        yield from _made_ready(framing, frame, piece, grids)
    except OSError as error:
        raise unreadable(framing.path, error) from error


def _made_ready(
    framing: Framing, frame: Frame, piece: bytes, grids: dict[str, Grid]
) -> Iterator[tuple[Frame, MessageKey, int]]:
    """One field, made ready by ecCodes for as long as it is looked at."""
    handle = None
    try:
        try:
            handle = eccodes.codes_new_from_message(piece)
            key = read_key(partial(_ask, handle), frame, grids)
        except Exception as error:
            raise _undecodable(framing, frame, error) from error
        yield frame, key, handle
    finally:
        if handle is not None:
            eccodes.codes_release(handle)


def _ask(handle: int, key: str) -> Any:
    """Answer to a key, for example ``"Ni:int"``."""
    name, _, kind = key.partition(":")
    try:
        return _ASK[kind](handle, name)
    except eccodes.CodesInternalError as error:
        raise ValueError(f"its key {name} cannot be read: {error}") from error


def _undecodable(framing: Framing, frame: Frame, error: Exception) -> DecodeError:
    """Our error for a message that the library chokes on."""
    return DecodeError(
        f"{shown(framing.path)}: "
        f"message {frame.number} at byte {frame.offset} has a right frame but "
        f"cannot be decoded ({type(error).__name__}: {error}). Fetch the file again"
    )


@cache
def _silence() -> TextIO:
    """Send ecCodes' own printing nowhere: all it has to say is raised as well."""
    nowhere = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 - until the end
    atexit.register(nowhere.close)
    eccodes.codes_context_set_logging(nowhere)
    return nowhere


def _values(key: MessageKey, handle: int, box: Crop) -> NDArray[np.float32]:
    """Values of a field within the crop; missing cells become NaN."""
    eccodes.codes_set_double(handle, "missingValue", MISSING)
    values = np.asarray(eccodes.codes_get_double_array(handle, "values"), dtype=np.float32)
    plane = values.reshape(key.grid.rows, key.grid.columns)[box.rows][:, box.columns]
    missing = plane == np.float32(MISSING)
    return np.where(missing, np.float32(np.nan), plane) if missing.any() else plane.copy()


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
    todo = deque(pieces)
    results: list[list[Plane] | WindowwatchError | None] = [None] * len(pieces)
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
            except IndexError:  # a helper was quicker
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
                    f"{shown(path)}: "
                    f"the process that read it died ({error.cause}); the next pass reads "
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
