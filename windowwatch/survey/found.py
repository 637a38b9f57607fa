"""A survey as it is found on the disk: its answers, and all of them written out for others."""

from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from windowwatch.ground.query.features import Ground
from windowwatch.learning.climatology import (
    Climatology,
    asked_in_chance,
    chance_settings,
    site_climate,
)
from windowwatch.scoring.values import Site
from windowwatch.scouting.years import Surveyed
from windowwatch.survey.answers import answers_of, compared
from windowwatch.survey.blocks import Shelf, write_columns, write_rows
from windowwatch.survey.folder import ABOUT, newest_in, read_json, write_whole
from windowwatch.survey.rows import Rows, State
from windowwatch.web.data.surveydata import all_tables, as_csv
from windowwatch.web.pages.survey import survey_file

# Whoever looks at a survey need not load what reads archives.
if TYPE_CHECKING:
    from windowwatch.survey.plan import Survey


@dataclass(frozen=True)
class Found:
    """A survey of the disk. `about` is what was written down when it was planned."""

    folder: Path
    about: dict[str, Any]

    @cached_property
    def rows(self) -> Rows:
        """Every launch hour of the years that were asked last."""
        return Shelf(self.folder).rows(self.about["blocks"])

    @property
    def sites(self) -> tuple[Site, ...]:
        """The sites that were asked last."""
        return tuple(Site(**each) for each in self.about["sites"])

    def surveyed(self, now_utc: datetime) -> Surveyed:
        """What it says, as far as it is flown."""
        about, rows = self.about, self.rows
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
            sites=self.sites,
            asked=tuple(about["asked"]),
            left_out=tuple((name, why, tuple(lacks)) for name, why, lacks in about["left_out"]),
            remarks=tuple(about["remarks"]),
            answers=tuple(answers_of(site, *how) for site in self.sites),
            pairs=compared(self.sites, *how),
        )

    def climatology(self, survey: "Survey") -> Climatology:
        """The usual chances of its sites; `survey` is the one that its blocks were flown for."""
        chance = np.where(self.rows.state == State.DARK, 0.0, self.rows.chance.astype(np.float64))
        chance[self.rows.state == State.UNKNOWN] = np.nan
        first, last = self.about["years"]
        return Climatology(
            self.about["credit"] or self.about["archive"],
            first,
            last,
            tuple(
                site_climate(site, self.rows.time_unix_s[mine], chance[mine])
                for site in self.sites
                for mine in [self.rows.site == site.name]
            ),
            asked_in_chance(survey.plan),
            chance_settings(survey.plan, survey.train),
            survey.always_closed,
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
    mine = newest_in(folder)
    return Found(mine, read_json(mine / ABOUT))
