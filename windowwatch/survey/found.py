"""A survey as it is found on the disk: its answers, and all of them written out for others."""

from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from windowwatch.learning.climatology import (
    Climatology,
    asked_in_chance,
    chance_settings,
    site_climate,
)
from windowwatch.scoring.values import Site
from windowwatch.storage.surveyed import ABOUT, newest_in, read_json, write_whole
from windowwatch.survey.answers import Pair, SiteAnswers, answers_of, compared
from windowwatch.survey.blocks import Shelf, write_columns, write_rows
from windowwatch.survey.report import report
from windowwatch.survey.rows import Rows, State
from windowwatch.survey.tables import all_tables, as_csv
from windowwatch.wording.survey import coverage_words

# Whoever looks at a survey need not load what reads archives.
if TYPE_CHECKING:
    from windowwatch.survey.plan import Survey


@dataclass(frozen=True)
class Found:
    """A survey of the disk. `about` is what was written down when it was planned."""

    folder: Path
    about: dict[str, Any]

    @property
    def sites(self) -> tuple[Site, ...]:
        """Its sites."""
        return tuple(Site(**each) for each in self.about["sites"])

    @cached_property
    def rows(self) -> Rows:
        """Every launch hour of the years that were asked last."""
        return Shelf(self.folder).rows(self.about["blocks"])

    def coverage(self) -> str:
        """Of which years it is, in words."""
        there = set(Shelf(self.folder).there()) & set(self.about["blocks"])
        first, last = self.about["years"]
        return coverage_words((first, last), len(there), len(self.about["blocks"]))

    def answers(self) -> tuple[SiteAnswers, ...]:
        """What it says of each site."""
        step_s, least_s = self.about["step_s"], self.about["min_length_s"]
        return tuple(answers_of(site, self.rows, step_s, least_s) for site in self.sites)

    def pairs(self) -> tuple[Pair, ...]:
        """Every two sites on the same hours and days."""
        return compared(self.sites, self.rows, self.about["step_s"], self.about["min_length_s"])

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

    def export(self, folder: Path, now_utc: datetime) -> list[Path]:
        """Write report, tables and launch hours into a folder; what was written."""
        answers, pairs = self.answers(), self.pairs()
        page = report(self.about, answers, pairs, self.coverage(), now_utc)
        write_whole(folder / "report.html", page.encode())
        written = [folder / "report.html"]
        for name, table in all_tables(answers, pairs).items():
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
