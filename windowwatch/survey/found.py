"""A survey as it is found on the disk: its answers, and all of them written out for others."""

from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Any

from windowwatch.errors import StorageError, shown
from windowwatch.ground.query.features import Ground
from windowwatch.scoring.values import Site
from windowwatch.scouting.years import Surveyed
from windowwatch.survey.answers import answers_of, compared
from windowwatch.survey.blocks import Shelf, read_json, write_columns, write_rows, write_whole
from windowwatch.survey.rows import Rows
from windowwatch.web.data.surveydata import all_tables, as_csv
from windowwatch.web.pages.survey import survey_file

#: What a survey is about, beside its blocks; and which of a folder's surveys was run last.
ABOUT, NEWEST = "survey.json", "newest"


@dataclass(frozen=True)
class Found:
    """A survey of the disk. `about` is what was written down when it was planned."""

    folder: Path
    about: dict[str, Any]

    @cached_property
    def rows(self) -> Rows:
        """Every launch hour of the years that were asked last."""
        return Shelf(self.folder).rows(self.about["blocks"])

    def surveyed(self, now_utc: datetime) -> Surveyed:
        """What it says, as far as it is flown."""
        about, rows = self.about, self.rows
        sites = tuple(Site(**each) for each in about["sites"])
        how = rows, about["step_s"], about["min_length_s"]
        first, last = about["years"]
        return Surveyed(
            watch=about["watch"],
            mark=self.folder.name,
            made_utc=now_utc,
            source=about["credit"] or about["archive"].rstrip("/").rsplit("/", 1)[-1],
            years=(first, last),
            blocks=len(about["blocks"]),
            blocks_there=len(set(Shelf(self.folder).there()) & set(about["blocks"])),
            draws=about["draws"],
            step_s=about["step_s"],
            min_length_s=about["min_length_s"],
            sites=sites,
            asked=tuple(about["asked"]),
            left_out=tuple((name, why, tuple(lacks)) for name, why, lacks in about["left_out"]),
            remarks=tuple(about["remarks"]),
            answers=tuple(answers_of(site, *how) for site in sites),
            pairs=compared(sites, *how),
        )

    def export(self, folder: Path, ground: Ground, now_utc: datetime) -> list[Path]:
        """Write report, tables and launch hours into a folder; what was written.

        Parameters
        ----------
        folder : Path
        ground : Ground
            For the maps of the report.
        now_utc : datetime
        """
        survey = self.surveyed(now_utc)
        page = survey_file(survey, ground, self.about.get("note", ""))
        write_whole(folder / "report.html", page.encode())
        written = [folder / "report.html"]
        for name, table in all_tables(survey.answers, survey.pairs).items():
            write_whole(folder / f"{name}.csv", as_csv(table).encode())
            write_columns(folder / f"{name}.parquet", table)
            written += [folder / f"{name}.csv", folder / f"{name}.parquet"]
        write_rows(folder / "hours.parquet", self.rows)
        return [*written, folder / "hours.parquet"]


def found_in(folder: Path) -> Found:
    """The survey of a folder that was run last.

    Raises
    ------
    StorageError
        If there is none.
    """
    try:
        mark = (folder / NEWEST).read_text().strip()
    except OSError as error:
        raise StorageError(
            f"{shown(folder)} holds no survey; run `windowwatch survey run` first"
        ) from error
    return Found(folder / mark, read_json(folder / mark / ABOUT))
