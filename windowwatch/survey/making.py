"""A survey made ready from what people ask: opened, planned, written down, and flown."""

import hashlib
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

from windowwatch.child import Progress
from windowwatch.errors import SettingsError, shown
from windowwatch.learning.climatology import Climatology
from windowwatch.survey.archive import Archive
from windowwatch.survey.blocks import Shelf
from windowwatch.survey.folder import (
    ABOUT,
    NEWEST,
    read_json,
    write_json,
    write_whole,
)
from windowwatch.survey.found import Found
from windowwatch.survey.names import Mapped, read_mapping
from windowwatch.survey.opening import open_archive
from windowwatch.survey.plan import Planned, bytes_of_block, planned
from windowwatch.survey.run import Crew, run_blocks
from windowwatch.watch.values import Watch
from windowwatch.wording.survey import left_out_words


@dataclass(frozen=True)
class Asked:
    """What a director sets about a survey; see `[survey]` of the settings."""

    folder: Path
    names: Path | None
    ground_files: tuple[Path, ...]
    years: tuple[int, int] | None
    draws: int
    launch_step_min: int
    memory_mb: int
    reach_deg: float
    note: str | None


@dataclass(frozen=True)
class Made:
    """A survey that is ready to be flown, and where its blocks are."""

    planned: Planned
    folder: Path
    block_bytes: int

    def first_words(self) -> list[str]:
        """What is to be known before anything is flown."""
        survey, blocks = self.planned.survey, self.planned.blocks
        return [
            f"{len(blocks)} blocks of a month and the sites that share their weather, about "
            f"{self.block_bytes / 1e6:.0f} MB of the archive each",
            *(f"  not asked: {left_out_words(name, why, names)}"
              for name, why, names in survey.left_out),
            *(f"  {remark}" for remark in self.planned.remarks),
        ]  # fmt: skip

    def run(self, workers: int, scheduler: str | None, *, progress: Progress) -> tuple[int, int]:
        """Fly the blocks that are not there yet: how many were flown, and were there."""
        crew = Crew(workers, scheduler)
        return run_blocks(self.planned, Shelf(self.folder), crew, progress=progress)

    def usual(self) -> Climatology:
        """The usual chances that it tells, once all of its blocks are there."""
        found = Found(self.folder, read_json(self.folder / ABOUT))
        return found.climatology(self.planned.survey)


def make_ready(watch: Watch, address: str, asked: Asked) -> Made:
    """Open the archive, settle what is flown, and write it down beside the blocks.

    Raises
    ------
    WindowwatchError
        If the archive lacks what nothing can be done without, or the folder cannot be written to.
    """
    mapped = Mapped() if asked.names is None else _mapped(asked.names)
    archive = open_archive(address, mapped)
    found = planned(
        watch,
        archive,
        mapped,
        asked.years,
        draws=asked.draws,
        step=timedelta(minutes=asked.launch_step_min),
        memory_mb=asked.memory_mb,
        reach_deg=asked.reach_deg,
    )
    survey = replace(found.survey, made_on=_made_on(archive, asked))
    found = replace(found, survey=survey)
    folder = asked.folder / survey.mark
    write_json(folder / ABOUT, _about(found, archive, asked))
    write_whole(asked.folder / NEWEST, survey.mark.encode())
    return Made(found, folder, bytes_of_block(archive, found.blocks[0]))


def _mapped(path: Path) -> Mapped:
    try:
        return read_mapping(path.read_text(encoding="utf-8"), shown(path))
    except OSError as error:
        raise SettingsError(
            f"survey.names: {shown(path)} cannot be read ({error.strerror})"
        ) from error


def _made_on(archive: Archive, asked: Asked) -> str:
    """Of the maps' content, and of the archive's grid and fields."""
    digest = hashlib.sha256()
    for path in asked.ground_files:
        digest.update(path.read_bytes())
    grid = (
        sorted(archive.fields), archive.latitude_deg.tolist(), archive.longitude_deg.tolist(),
        archive.level_pa.tolist(), sorted(archive.interval_h.items()), asked.reach_deg,
    )  # fmt: skip
    digest.update(repr(grid).encode())
    return digest.hexdigest()


def _about(found: Planned, archive: Archive, asked: Asked) -> dict[str, Any]:
    survey, blocks = found.survey, found.blocks
    return {
        "watch": survey.watch,
        "note": asked.note or "",
        "archive": survey.archive,
        "credit": survey.mapped.credit or archive.title,
        "sites": [vars(site) for site in survey.sites],
        "draws": survey.draws,
        "step_s": survey.step_s,
        "min_length_s": max(60.0 * survey.rules.min_length_min, survey.step_s),
        "years": [min(b.year for b in blocks), max(b.year for b in blocks)],
        "blocks": [block.key for block in blocks],
        "asked": list(survey.plan.limits),
        "left_out": [[name, str(why), list(fields)] for name, why, fields in survey.left_out],
        "remarks": list(found.remarks),
    }
