"""Write the sample files: the four cycles, the members, the second model, the damaged ones.

    python grib_samples/make_samples.py [--out FOLDER] [--only PART ...]

The files are the same byte for byte with the same versions of numpy and ecCodes.
"""

import argparse
import os
import sys
import tempfile
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path

from damage import DAMAGED
from encode import messages
from planes import cycle_planes, member_planes, second_planes
from scenario import CYCLE_HOURS, MEMBER_CYCLE_H, SECOND_CYCLE_HOURS, cycle_time

HERE = Path(__file__).resolve().parent


def cycle_file_name(cycle_h: int) -> str:
    """Name of the file of one cycle, for example ``skerra-2026-05-04T06Z.grib2``."""
    return f"skerra-{cycle_time(cycle_h):%Y-%m-%dT%HZ}.grib2"


def member_file_name() -> str:
    """Name of the file of the members."""
    return f"skerra-members-{cycle_time(MEMBER_CYCLE_H):%Y-%m-%dT%HZ}.grib2"


def second_file_name(cycle_h: int) -> str:
    """Name of the file of one cycle of the second model, below the samples' folder."""
    return f"skerra-b/skerra-b-{cycle_time(cycle_h):%Y-%m-%dT%HZ}.grib2"


def _write_cycle(folder: Path, cycle_h: int) -> None:
    write(folder / cycle_file_name(cycle_h), messages(cycle_planes(cycle_h)))


def _write_members(folder: Path) -> None:
    write(folder / member_file_name(), messages(member_planes()))


def _write_second(folder: Path) -> None:
    for hour in SECOND_CYCLE_HOURS:
        write(folder / second_file_name(hour), messages(second_planes(hour)))


def _write_damaged(folder: Path) -> None:
    for name, make in DAMAGED.items():
        write(folder / "damaged" / name, [make()])


def _parts() -> dict[str, Callable[[Path], None]]:
    """What can be asked for with ``--only``."""
    cycles = {f"{hour:02d}Z": partial(_write_cycle, cycle_h=hour) for hour in CYCLE_HOURS}
    return {**cycles, "members": _write_members, "second": _write_second, "damaged": _write_damaged}


def write(path: Path, pieces: Iterable[bytes]) -> None:
    """Write a file in one stroke: under another name first, then renamed."""
    path.parent.mkdir(parents=True, exist_ok=True)
    descriptor, unfinished = tempfile.mkstemp(dir=path.parent, prefix=path.name, suffix=".part")
    try:
        with os.fdopen(descriptor, "wb") as file:
            for piece in pieces:
                file.write(piece)
            size = file.tell()
        Path(unfinished).chmod(0o644)
        Path(unfinished).replace(path)
    except BaseException:
        Path(unfinished).unlink(missing_ok=True)
        raise
    print(f"{size:>10,} bytes  {path}")


def main(arguments: list[str] | None = None) -> int:
    """Run the command line."""
    parts = _parts()
    parser = argparse.ArgumentParser(description="Write the invented sample week as GRIB2 files.")
    parser.add_argument("--out", type=Path, default=HERE, help="folder to write to")
    parser.add_argument(
        "--only", nargs="+", choices=tuple(parts), default=tuple(parts), help="what to write"
    )
    asked = parser.parse_args(arguments)
    try:
        for part in asked.only:
            parts[part](asked.out)
    except OSError as error:
        print(f"cannot write to {asked.out}: {error}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
