"""The folder of a survey: which one was run last, and what is written beside its blocks."""

import contextlib
import json
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from windowwatch.errors import StorageError, shown

#: What a survey is about, beside its blocks; and which of a folder's surveys was run last.
ABOUT, NEWEST = "survey.json", "newest"


def newest_in(folder: Path) -> Path:
    """The folder of the survey that was run last.

    Raises
    ------
    StorageError
        If there is none.
    """
    try:
        return folder / (folder / NEWEST).read_text().strip()
    except OSError as error:
        raise StorageError(
            f"{shown(folder)} holds no survey; run `windowwatch survey run` first"
        ) from error


@contextlib.contextmanager
def _part_of(path: Path) -> Iterator[Path]:
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        yield part
    finally:
        part.unlink(missing_ok=True)


def write_whole(path: Path, content: bytes) -> None:
    """Write a file beside its place, flush it, and rename it.

    Raises
    ------
    StorageError
        If the disk refuses; what was there stays.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with _part_of(path) as part:
            with part.open("wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            part.replace(path)
    except OSError as error:
        raise StorageError(
            f"{shown(path)} cannot be written ({error.strerror or error}); what was done before is "
            "kept: make room, or name another [survey] folder, and run it again"
        ) from error


def write_json(path: Path, document: Mapping[str, Any]) -> None:
    """Write what a survey is about beside its blocks."""
    write_whole(path, json.dumps(document, indent=1, ensure_ascii=False).encode())


def read_json(path: Path) -> dict[str, Any]:
    """Read it again.

    Raises
    ------
    StorageError
        If it is not there, or damaged.
    """
    try:
        document = json.loads(path.read_text())
    except FileNotFoundError as error:
        raise StorageError(f"{shown(path)} is not there; run `windowwatch survey run`") from error
    except (OSError, ValueError) as error:
        raise StorageError(f"{shown(path)} cannot be read ({error}); remove its folder") from error
    if not isinstance(document, dict):
        raise StorageError(f"{shown(path)} is not of a survey; remove its folder")
    return document
