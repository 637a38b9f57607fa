"""A fetched file held against what was asked for: frame, identity, plausible values.

What this can see: a file cut off, of another format or edition; a message of another cycle,
step, member, parameter or level; a message missing; a number that the quantity cannot have.
What it cannot see: a GRIB message carries no checksum, so a bit that flips inside packed
values and leaves plausible numbers is only seen against the SHA-256 taken when the file was
first kept.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np

from windowwatch.errors import DecodeError
from windowwatch.forecast.download.wanted import Item, Wanted, missing_aloft
from windowwatch.forecast.grib.framing import Framing, walk
from windowwatch.forecast.grib.grid import Area, Grid
from windowwatch.forecast.grib.messages import ISOBARIC, Plane
from windowwatch.forecast.models import match
from windowwatch.forecast.notes import (
    AtSteps,
    Note,
    Notes,
    NotReceived,
    OverAnotherInterval,
    Planes,
)

#: Field, level, end and member of a message.
_Name = tuple[str, float, int, int | None]


def check_file(
    path: Path, item: Item, area: Area, *, asked: Sequence[Wanted] | None
) -> tuple[Framing, Notes]:
    """Check one fetched file.

    Parameters
    ----------
    path : Path
    item : Item
        What the file is to be.
    area : south, west, north, east
        Where values are looked at, and what a file cut out on the server must cover. [deg]
    asked : sequence of Wanted or None
        Exactly the messages asked for; None where the server sends more than is wanted.

    Returns
    -------
    Framing, tuple of Note
        The frames and checksum of the file; and which messages were asked for and are not
        there, or are over another interval than the provider documents: their own keys count.

    Raises
    ------
    DecodeError
        Saying what is wrong, and with which message.
    """
    from windowwatch.forecast.grib.reader import read_planes  # ecCodes: only who checks loads it

    framing = walk(path)
    reference = framing.reference_utc()
    if reference != item.cycle_utc:
        raise DecodeError(
            f"{path.name}: holds the run of {reference:%Y-%m-%dT%HZ}, not of "
            f"{item.cycle_utc:%Y-%m-%dT%HZ}"
        )
    planes = read_planes(framing, area)
    found = [_identity(plane, item) for plane in planes]
    for plane, what in zip(planes, found, strict=True):
        if plane.key.grid != planes[0].key.grid:
            raise DecodeError(
                f"{path.name}: message {plane.key.message} at byte {plane.key.offset}, {what}, "
                f"lies on another grid than the first"
            )
        _require_asked(path, plane, what, item, asked)
        _require_plausible(path, plane, what)
    lacking = missing_aloft(item, found)
    if lacking:
        more = f" and {len(lacking) - 1} more" if len(lacking) > 1 else ""
        raise DecodeError(f"{path.name}: {lacking[0]}{more} is not in it", retry=True)
    if asked is None:
        _require_covers(path, planes[0].key.grid, area)
        return framing, ()
    twice = [what for what, count in Counter(map(_name, found)).items() if count > 1]
    if twice:
        raise DecodeError(f"{path.name}: {twice[0][0]} is in it twice; its index is wrong")
    there = {_name(what): what for what in found}
    return framing, tuple(_noted(asked, there))


def _noted(asked: Sequence[Wanted], there: Mapping[_Name, Wanted]) -> Iterator[Note]:
    """What is not there of what was asked for, and what is over another interval."""
    for what in asked:
        planes = Planes(what.field, 100.0 * what.level_hpa or None, what.member or 0)
        got = there.get(_name(what))
        if got is None:
            yield AtSteps(NotReceived(planes), (what.end_s,), 1)
        elif what.start_s is not None and what.start_s != got.start_s:
            given_s, documented_s = what.end_s - (got.start_s or 0), what.end_s - what.start_s
            yield AtSteps(OverAnotherInterval(planes, given_s, documented_s), (what.end_s,), 1)


def _name(what: Wanted) -> _Name:
    return what.field, what.level_hpa, what.end_s, what.member


def _identity(plane: Plane, item: Item) -> Wanted:
    """What a decoded message is, in the words in which it is asked for.

    A run asked for without ensemble header may carry one that says it is unperturbed.
    """
    key, found = plane.key, match(plane.key)
    assert found is not None  # only matched planes are read
    level_hpa = key.level / 100.0 if key.surface == ISOBARIC else 0.0
    member = None if key.member is None else abs(key.member)
    if member == 0 and None in item.members:
        member = None
    return Wanted(found[0].name, level_hpa, key.end_s, member, key.start_s)


def _require_asked(
    path: Path, plane: Plane, what: Wanted, item: Item, asked: Sequence[Wanted] | None
) -> None:
    """Refuse a message that is ours but not what was asked for here."""
    at = f"{path.name}: message {plane.key.message} at byte {plane.key.offset} is {what}"
    if what.end_s != item.step_h * 3600:
        raise DecodeError(f"{at}, not of step {item.step_h} h")
    if what.member not in item.members:
        raise DecodeError(f"{at}, not of the member that was asked for")
    if asked is None:
        return
    same = [w for w in asked if _name(w) == _name(what)]
    if not same:
        raise DecodeError(f"{at}, which was not asked for; index and data do not fit")
    if all(w.said and w.start_s not in (None, what.start_s) for w in same):
        raise DecodeError(
            f"{at} since +{(what.start_s or 0) / 3600:g} h, another interval than asked for"
        )


def _require_plausible(path: Path, plane: Plane, what: Wanted) -> None:
    """Refuse numbers that the quantity cannot have, and holes aloft."""
    found = match(plane.key)
    assert found is not None
    field, selector = found
    values = plane.values * np.float32(selector.scale)
    at = f"{path.name}: message {plane.key.message} at byte {plane.key.offset}, {what},"
    holes = np.isnan(values)
    if what.aloft and holes.any():
        raise DecodeError(f"{at} has {np.count_nonzero(holes)} missing cells")
    if holes.all():
        return
    least, greatest = float(np.nanmin(values)), float(np.nanmax(values))
    if least < field.least or greatest > field.greatest:
        raise DecodeError(
            f"{at} holds {least:g} to {greatest:g}; it can only be {field.least:g} to "
            f"{field.greatest:g}"
        )


def _require_covers(path: Path, grid: Grid, area: Area) -> None:
    """Refuse a cut-out that leaves part of the area uncovered by more than a cell."""
    south, west, north, east = area
    latitude, longitude = np.sort(grid.latitude_deg), grid.longitude_deg
    cell = float(latitude[1] - latitude[0]) if latitude.size > 1 else 0.0
    span = float(longitude[-1] - longitude[0])
    offset = (west - float(longitude[0]) + cell) % 360.0
    wide = span >= 360.0 - 2.0 * cell or offset + (east - west) <= span + 2.0 * cell
    if latitude[0] > south + cell or latitude[-1] < north - cell or not wide:
        raise DecodeError(f"{path.name}: covers {grid}, which is less than was asked for")
