"""Forecast files: finding cycles in a folder, held against their sums, and reading a cycle.

A folder is looked at again and again, so looking is cheap: it walks the frames of new and
changed files only (`framing`), and what it found out is handed back as a value, to be handed
in at the next look. Decoding happens when a cycle is loaded.

The SHA-256 of a file ``NAME`` may lie beside it as ``NAME.sha256``, as `sha256sum` writes it: the
sum alone, or lines of sum and name, also with ``--tag``.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from windowwatch.errors import (
    DecodeError,
    ForecastError,
    InputError,
    MissingFieldError,
    SourceError,
    shown,
)
from windowwatch.forecast.cycle import Cycle, CycleData, SourceFile
from windowwatch.forecast.grib.framing import Framing, unreadable, walk
from windowwatch.forecast.grib.grid import Area
from windowwatch.units import Place, swapped_hint

# ecCodes, cfgrib and xarray take a second and 150 MB: only who reads a cycle loads them.
if TYPE_CHECKING:
    from windowwatch.forecast.dataset import CycleDataset

#: Endings of files that lie beside forecasts and are never looked into: indexes of other
#: programs (they go stale unnoticed), unfinished downloads, notes.
IGNORED_ENDINGS = frozenset(
    {".idx", ".index", ".part", ".tmp", ".sha256", ".md5", ".py", ".md", ".txt", ".toml"}
    | {".json", ".geojson"}
)
_SUM_ENDING = ".sha256"
#: A larger one is no list of sums. [byte]
_LARGEST_LIST = 1_000_000
_SUM = re.compile(r"(?P<sum>[0-9a-fA-F]{64})(?:[ \t]+\*?(?P<name>\S.*))?")
_TAGGED = re.compile(r"SHA256 ?\((?P<name>.+)\) ?= ?(?P<sum>[0-9a-fA-F]{64})")


@dataclass(frozen=True)
class FoundCycle:
    """A cycle and its files, sorted by name."""

    cycle: Cycle
    files: tuple[str, ...]


@dataclass(frozen=True)
class SetAside:
    """A file that is not used, and why in words."""

    path: str
    reason: str


@dataclass(frozen=True)
class Seen:
    """What one look found out about a file of this size and time of change.

    `beside` is the same of the file that holds its SHA-256, None where there is none.
    """

    size_bytes: int
    changed_ns: int
    reference_utc: datetime | None
    problem: str | None = None
    beside: tuple[str, int, int] | None = None


@dataclass(frozen=True)
class FolderLook:
    """What is in a folder.

    Parameters
    ----------
    cycles : tuple of FoundCycle
        The newest last.
    set_aside : tuple of SetAside
        Damaged and foreign files.
    unfinished : tuple of str
        Files that changed while they were read; the next look sees to them.
    seen : mapping of str to Seen
        To be handed in at the next look.
    """

    cycles: tuple[FoundCycle, ...] = ()
    set_aside: tuple[SetAside, ...] = ()
    unfinished: tuple[str, ...] = ()
    seen: Mapping[str, Seen] = field(default_factory=dict)


def scan_folder(
    path: str | Path, *, model: str, seen: Mapping[str, Seen] | None = None
) -> FolderLook:
    """Find the cycles that lie in a folder, by the reference times in the files' headers.

    File names mean nothing, except that hidden files and those with `IGNORED_ENDINGS` are
    passed over, as are folders. A file that is damaged, is no GRIB or holds messages of
    several cycles is set aside by name; the others go on.

    Parameters
    ----------
    path : path
        Folder.
    model : str
        What the weather model is called.
    seen : mapping, optional
        `FolderLook.seen` of the look before: files unchanged since are not read again.

    Raises
    ------
    SourceError
        If the folder is not there or may not be read.
    """
    known = seen or {}
    now_seen: dict[str, Seen] = {}
    unfinished: list[str] = []
    for file in _files_in(Path(path)):
        glance = _glance(file, known.get(str(file)))
        if glance is None:
            unfinished.append(str(file))
        else:
            now_seen[str(file)] = glance
    by_reference: dict[datetime, list[str]] = {}
    for name, glance in now_seen.items():
        if glance.reference_utc is not None:
            by_reference.setdefault(glance.reference_utc, []).append(name)
    return FolderLook(
        cycles=tuple(
            FoundCycle(Cycle(reference, model), tuple(sorted(by_reference[reference])))
            for reference in sorted(by_reference)
        ),
        set_aside=tuple(
            SetAside(shown(name), glance.problem)
            for name, glance in now_seen.items()
            if glance.problem
        ),
        unfinished=tuple(unfinished),
        seen=now_seen,
    )


def load_cycle(
    found: FoundCycle, *, area: Area | None = None, processes: int | None = None
) -> CycleData:
    """Decode all files of a cycle onto the canonical grid.

    Parameters
    ----------
    found : FoundCycle
    area : south, west, north, east, optional
        Only this part of the globe is kept, and the grid points just outside it. [deg]
    processes : int, optional
        How many read; by default as many as is worth while (`forecast.grib.reader.read_all`).

    Raises
    ------
    SourceError
        If a file is gone or may not be read, changed since it was found, or has nothing of
        the area.
    DecodeError
        If a file is damaged or of another cycle.
    MissingFieldError
        If a field is missing that nothing can be done without.
    """
    framings = [_checked(path) for path in found.files]
    for framing in framings:
        reference = framing.reference_utc()
        if reference != found.cycle.reference_utc:
            raise SourceError(
                f"{shown(framing.path)}: holds the run of {reference:%Y-%m-%dT%H:%MZ}, not that of "
                f"{found.cycle.id}; it was replaced since it was found",
                retry=True,
            )
    return _load(framings, found.cycle, area, processes)


def size_bytes(found: FoundCycle) -> int:
    """Size of all files of a cycle; what is gone is told of when it is read."""
    return sum(state[0] for path in found.files if (state := _state(Path(path))) is not None)


def load_file(path: str | Path, model: str, *, area: Area | None = None) -> CycleData:
    """Decode the cycle in one file; as `load_files` with a single path."""
    return load_files([path], model, area=area)


def load_files(paths: Sequence[str | Path], model: str, *, area: Area | None = None) -> CycleData:
    """Decode the cycle that one or several files make up.

    Raises
    ------
    SourceError
        As `load_cycle`, and if the files are of different cycles.
    DecodeError, MissingFieldError
        As `load_cycle`.
    """
    if not paths:
        raise InputError("no forecast file is named; name one or more")
    framings = [_checked(path) for path in paths]
    references = {framing.path: framing.reference_utc() for framing in framings}
    if len(set(references.values())) > 1:
        listed = ", ".join(
            f"{shown(name)} {time:%Y-%m-%dT%H:%MZ}" for name, time in references.items()
        )
        raise SourceError(f"the files are of different cycles: {listed}; name those of one")
    return _load(framings, Cycle(next(iter(references.values())), model), area)


def open_files(
    paths: Sequence[str | Path], area: Area | None
) -> tuple["CycleDataset", tuple[SourceFile, ...]]:
    """Decode files of one cycle, without laying them out (`normalise.build_cycle` does that).

    Raises
    ------
    SourceError, DecodeError, MissingFieldError
        As `load_cycle`.
    """
    from windowwatch.forecast.grib.arrange import open_cycle

    framings = [_checked(path) for path in paths]
    files = tuple(SourceFile(f.path, f.sha256, f.size_bytes) for f in framings)
    return open_cycle(framings, area), files


def _checked(path: str | Path) -> Framing:
    """Walk a file, and hold it against the SHA-256 that lies beside it, if there is one."""
    framing = walk(path)
    _require_sha256(framing)
    return framing


def _load(
    framings: Sequence[Framing], cycle: Cycle, area: Area | None, processes: int | None = None
) -> CycleData:
    from windowwatch.forecast.grib.arrange import open_cycle
    from windowwatch.forecast.normalise import build_cycle

    files = [SourceFile(f.path, f.sha256, f.size_bytes) for f in framings]
    return build_cycle(open_cycle(framings, area, processes), cycle, files)


def require_covers(data: CycleData, places: Iterable[Place]) -> None:
    """Refuse places that lie outside the forecast's grid.

    Raises
    ------
    MissingFieldError
        Naming every such place, and what the grid covers.
    """
    covers = data.wind.covers
    missing = [p for p in places if not covers(p.latitude_deg, p.longitude_deg)]
    if missing:
        outside = [f"{p.name} ({p.latitude_deg:.3f}, {p.longitude_deg:.3f})" for p in missing]
        latitude, longitude = data.wind.latitude_deg, data.wind.longitude_deg
        raise MissingFieldError(
            f"outside the grid of {data.cycle.id} (latitude {latitude[0]:g} to "
            f"{latitude[-1]:g}, longitude {longitude[0]:g} to {longitude[-1]:g}): "
            f"{', '.join(outside)}. Correct the position, or fetch a forecast that covers it"
            f"{swapped_hint(missing, covers)}"
        )


def _files_in(folder: Path) -> list[Path]:
    try:
        entries = sorted(folder.iterdir())
    except NotADirectoryError as error:
        raise SourceError(
            f"{shown(folder)}: is a file, not a folder; name the folder it is in"
        ) from error
    except OSError as error:
        raise unreadable(folder, error) from error
    return [
        entry
        for entry in entries
        if not entry.name.startswith(".")
        and entry.suffix.lower() not in IGNORED_ENDINGS
        and entry.is_file()  # a pipe would keep us waiting for ever
    ]


def _glance(file: Path, known: Seen | None) -> Seen | None:
    """What a file holds; None if it went away or changed meanwhile."""
    before, sums = _state(file), _beside(file)
    if before is None:
        return None
    same = known is not None and (known.size_bytes, known.changed_ns) == before
    if same and known is not None and known.beside == sums:
        return known
    reference, problem = None, None
    try:
        reference = _checked(file).reference_utc()
    except ForecastError as error:
        problem = error.message
    if _state(file) != before or _beside(file) != sums:
        return None
    return Seen(*before, reference, problem, sums)


def _state(file: Path) -> tuple[int, int] | None:
    """Size [byte] and time of change [ns]; None if the file is gone."""
    try:
        stat = file.stat()
    except OSError:
        return None
    return stat.st_size, stat.st_mtime_ns


def _beside(path: str | Path) -> tuple[str, int, int] | None:
    """Path, size [byte] and time of change [ns] of the file of the sum; None without one."""
    place = f"{path}{_SUM_ENDING}"
    try:
        stat = Path(place).stat()
    except OSError:
        return None
    return place, stat.st_size, stat.st_mtime_ns


def _require_sha256(framing: Framing) -> None:
    """Refuse a file that is not what the sum beside it says.

    Raises
    ------
    DecodeError
        If it is another file, or what lies beside says nothing about it.
    SourceError
        If what lies beside may not be read.
    """
    found = _beside(framing.path)
    if found is None:
        return
    place, size_bytes, _ = found
    path, name = shown(framing.path), Path(framing.path).name
    if size_bytes > _LARGEST_LIST or not Path(place).is_file():
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
