"""The SHA-256 that somebody put beside a forecast file: found, read and held against it.

It is ``NAME.sha256`` in the folder of the file ``NAME``, as `sha256sum` writes it: the sum alone,
or lines of sum and name, also with ``--tag``.
"""

import re
from pathlib import Path

from windowwatch.errors import DecodeError, SourceError, shown
from windowwatch.forecast.grib.framing import Framing, unreadable

ENDING = ".sha256"
#: A larger one is no list of sums. [byte]
_LARGEST = 1_000_000
_SUM = re.compile(r"(?P<sum>[0-9a-fA-F]{64})(?:[ \t]+\*?(?P<name>\S.*))?")
_TAGGED = re.compile(r"SHA256 ?\((?P<name>.+)\) ?= ?(?P<sum>[0-9a-fA-F]{64})")


def beside(path: str | Path) -> tuple[str, int, int] | None:
    """Path, size [byte] and time of change [ns] of the file of the sum; None without one."""
    place = f"{path}{ENDING}"
    try:
        stat = Path(place).stat()
    except OSError:
        return None
    return place, stat.st_size, stat.st_mtime_ns


def require_sha256(framing: Framing) -> None:
    """Refuse a file that is not what the sum beside it says.

    Raises
    ------
    DecodeError
        If it is another file, or what lies beside says nothing about it.
    SourceError
        If what lies beside may not be read.
    """
    found = beside(framing.path)
    if found is None:
        return
    place, size_bytes, _ = found
    path, name = shown(framing.path), Path(framing.path).name
    if size_bytes > _LARGEST or not Path(place).is_file():
        raise SourceError(f"{shown(place)}: is no file of SHA-256 sums; remove or replace it")
    try:
        text = Path(place).read_text(encoding="utf-8", errors="replace")
    except OSError as error:
        raise unreadable(place, error) from error
    wanted = _wanted(text, name)
    if not wanted:
        raise DecodeError(
            f"{path}: {shown(Path(place).name)} beside it holds no SHA-256 of it; write it with "
            "sha256sum, or remove it",
            retry=True,
        )
    if framing.sha256 not in wanted:
        raise DecodeError(
            f"{path}: its SHA-256 is {framing.sha256}, and {shown(Path(place).name)} beside it "
            f"says {wanted[0]}: one of them is damaged or old. Fetch both again",
            retry=True,
        )


def _wanted(text: str, name: str) -> list[str]:
    """Sums that are said of a file, and those that are said of none."""
    sums = []
    for line in text.lstrip("\ufeff").splitlines():
        # sha256sum begins a line with a backslash where it wrote escapes into the name
        escaped = line.startswith("\\")
        found = _SUM.fullmatch(line.strip().removeprefix("\\")) or _TAGGED.fullmatch(line.strip())
        if found is None:
            continue
        said = found["name"]
        if said is not None and escaped:
            said = re.sub(r"\\(.)", lambda m: {"n": "\n", "r": "\r"}.get(m[1], m[1]), said)
        if said is None or Path(said).name == name:
            sums.append(found["sum"].lower())
    return sums
