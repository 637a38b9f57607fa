"""The one door to ecCodes: the fields of GRIB files, one after another, with keys and values.

How a file is read, and why in this way:

* **One pass.** Making a message ready costs ecCodes far more than reading its values, so keys
  and values are taken together, and messages of parameters that nobody wants are passed over
  by three octets of their own (`framing`) without being made ready at all.
* **Numbers, not names.** Every message is known by its numeric keys (`MessageKey`); a name
  that changes from one table version to the next decides nothing.
* **One field at a time.** A message that holds several is cut into messages of one
  (`framing.pieces`), because ecCodes' own switch for them is global to the process.
* **One lock** round all calls of the library.

It imports little, so that a process that only reads (`pool`) begins quickly.
"""

import atexit
import os
import threading
from collections.abc import Callable, Iterator
from functools import cache, partial
from pathlib import Path
from typing import Any, TextIO

import eccodes
import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import DecodeError
from windowwatch.forecast.cutout import Area, Cut, cut
from windowwatch.forecast.framing import Frame, Framing, pieces, unreadable, walk
from windowwatch.forecast.messages import TEMPLATES, Grid, MessageKey, Plane, read_key
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
    """Wanted fields of one file, decoded and cut out to `area`, in the order of the file.

    Raises
    ------
    DecodeError
        If a message cannot be decoded (named by number and byte), or lies on a grid that is
        not read.
    SourceError
        If the file cannot be read any more, or its grid has nothing of the area.
    """
    boxes: dict[Grid, Cut] = {}
    planes = []
    with LOCK:
        for frame, key, handle in _messages(framing, may_be_wanted):
            if match(key) is None:
                continue
            if key.grid.refusal is not None:
                raise DecodeError(
                    f"{framing.path}: message {key.message} at byte {key.offset} ({key}) cannot "
                    f"be used: {key.grid.refusal} is read. Fetch it on such a grid"
                )
            if key.grid not in boxes:
                boxes[key.grid] = cut(key.grid, area, framing.path)
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
        f"{framing.path}: message {frame.number} at byte {frame.offset} has a right frame but "
        f"cannot be decoded ({type(error).__name__}: {error}). Fetch the file again"
    )


@cache
def _silence() -> TextIO:
    """Send ecCodes' own printing nowhere: all it has to say is raised as well."""
    nowhere = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 - until the end
    atexit.register(nowhere.close)
    eccodes.codes_context_set_logging(nowhere)
    return nowhere


def _values(key: MessageKey, handle: int, box: Cut) -> NDArray[np.float32]:
    """Values of a field within the cut-out; missing cells become NaN."""
    eccodes.codes_set_double(handle, "missingValue", MISSING)
    values = np.asarray(eccodes.codes_get_double_array(handle, "values"), dtype=np.float32)
    plane = values.reshape(key.grid.rows, key.grid.columns)[box.rows][:, box.columns]
    missing = plane == np.float32(MISSING)
    return np.where(missing, np.float32(np.nan), plane) if missing.any() else plane.copy()
