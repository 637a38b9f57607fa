"""Damaged samples: small files, each with one thing wrong, for the tests of the reader.

README.md has the table of what is wrong with each and what a reader must say.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from encode import message, messages
from planes import Plane, cycle_planes, member_planes
from scenario import MEMBER_CYCLE_H, MEMBER_LEVELS_HPA, SEED

_CYCLE_H = MEMBER_CYCLE_H
_STEPS_H = (0, 3, 6)
_FEW_LEVELS_HPA = (1000, 850, 500, 200, 50, 10)


def _good() -> list[Plane]:
    """A small whole file: three steps, twelve levels, all surface fields."""
    return list(cycle_planes(_CYCLE_H, _STEPS_H, MEMBER_LEVELS_HPA))


def _cut_off() -> bytes:
    """The last message ends in its middle, as when a transfer breaks."""
    whole = list(messages(_good()))
    return b"".join(whole[:-1]) + whole[-1][: len(whole[-1]) // 2]


def _missing_level() -> bytes:
    """The northward wind at 300 hPa and step 3 is not there."""
    return b"".join(
        messages(p for p in _good() if (p.name, p.level_hpa, p.step_h) != ("v", 300, 3))
    )


def _missing_step() -> bytes:
    """The gust at step 3 is not there."""
    return b"".join(messages(p for p in _good() if (p.name, p.step_h) != ("gust", 3)))


def _missing_member() -> bytes:
    """Four members and two steps; of member 2 the second step is not there."""
    planes = member_planes(range(4), (0, 6), _FEW_LEVELS_HPA)
    return b"".join(messages(p for p in planes if (p.member, p.step_h) != (2, 6)))


def _wrong_cycle() -> bytes:
    """The messages of step 6 say in their header that they belong to the cycle before."""
    planes = (replace(p, cycle_h=_CYCLE_H - 6) if p.step_h == 6 else p for p in _good())
    return b"".join(messages(planes))


def _garbage() -> bytes:
    """In the middle a message with the right beginning, length and end, and nonsense inside."""
    whole = list(messages(_good()))
    middle = len(whole) // 2
    length = len(whole[middle])
    nonsense = np.random.default_rng([SEED, 7777]).integers(0, 256, length - 20, dtype=np.uint8)
    whole[middle] = whole[middle][:16] + nonsense.tobytes() + b"7777"
    return b"".join(whole)


def _stale_index_data() -> bytes:
    """A good file; beside it lies the index of another one."""
    return b"".join(messages(_good()))


def _stale_index() -> bytes:
    """An index of the cycle before, with fewer steps: offsets and times do not fit the data."""
    lines, offset = [], 0
    names = {"u": "UGRD", "v": "VGRD", "t": "TMP", "gh": "HGT"}
    planes = (p for p in cycle_planes(_CYCLE_H - 6, (0, 3), MEMBER_LEVELS_HPA) if p.name in names)
    for number, plane in enumerate(planes, 1):
        step = f"{plane.step_h} hour fcst" if plane.step_h else "anl"
        what = f"{names[plane.name]}:{plane.level_hpa} mb:{step}"
        lines.append(f"{number}:{offset}:d=20260504{plane.cycle_h:02d}:{what}:\n")
        offset += len(message(plane))
    return "".join(lines).encode()


def _zeros() -> bytes:
    """Nothing but zero bytes, as a file system leaves after a crash."""
    return bytes(4096)


def _error_page() -> bytes:
    """A web page that a server sent in place of the data."""
    return (
        b"<!DOCTYPE html>\n<html><head><title>503 Service Unavailable</title></head>\n"
        b"<body><h1>Service Unavailable</h1><p>Please try again later.</p></body></html>\n"
    )


#: File name in ``damaged/`` to what makes it.
DAMAGED: dict[str, Callable[[], bytes]] = {
    "cut-off.grib2": _cut_off,
    "missing-level.grib2": _missing_level,
    "missing-step.grib2": _missing_step,
    "missing-member.grib2": _missing_member,
    "wrong-cycle.grib2": _wrong_cycle,
    "garbage.grib2": _garbage,
    "stale-index.grib2": _stale_index_data,
    "stale-index.grib2.idx": _stale_index,
    "zeros.grib2": _zeros,
    "error-page.grib2": _error_page,
}
