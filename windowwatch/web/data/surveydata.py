"""Answers of a survey as plain tables, a line for each number: for other programs. Pure."""

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from windowwatch.clock import from_unix_s
from windowwatch.scouting.years import (
    DRIFT_KM,
    MOST_DAYS,
    SECTORS,
    Landings,
    Pair,
    SiteAnswers,
    Surveyed,
)

#: A table by its columns.
Table = Mapping[str, Sequence[Any]]


def survey_data(
    survey: Surveyed, answers: Sequence[SiteAnswers], notes: Sequence[str]
) -> dict[str, Any]:
    """A survey for other programs: what it is of, and tables of some of its sites by columns."""
    return {
        "watch": survey.watch,
        "survey": survey.mark,
        "made_utc": f"{survey.made_utc:%Y-%m-%dT%H:%M:%SZ}",
        "attribution": [*notes, f"Weather: {survey.source}"],
        "first_year": survey.years[0],
        "last_year": survey.years[1],
        "share_flown": survey.blocks_there / survey.blocks,
        "flights_of_an_hour": survey.draws,
        "launch_step_h": survey.step_s / 3600.0,
        "shortest_window_h": survey.min_length_s / 3600.0,
        "checks": list(survey.asked),
        "checks_left_out": [name for name, _, _ in survey.left_out],
        "tables": all_tables(answers, survey.pairs),
    }


def all_tables(answers: Sequence[SiteAnswers], pairs: Sequence[Pair]) -> dict[str, Table]:
    """Every table by the name of its file. What is not known is None."""
    return {**_of_hours(answers), **_of_windows(answers), **_of_places(answers, pairs)}


def _of_hours(answers: Sequence[SiteAnswers]) -> dict[str, Table]:
    return {
        "good-hours": _columns(
            ("site", "month", "local_hour", "good_share", "known_hours", "dark_hours"),
            (
                (a.site, m + 1, h, _plain(a.share[m, h]), int(a.known[m, h]), int(a.dark[m, h]))
                for a in answers for m in range(12) for h in range(24) if a.known[m, h]
            ),
        ),
        "limits": _columns(
            ("site", "month", "check", "hours"),
            (
                (a.site, m + 1, name, int(a.limited[m, k]))
                for a in answers for m in range(12) for k, name in enumerate(a.limits)
            ),
        ),
        "months": _columns(
            ("site", "year", "month", "good_share_of_daylight", "windows"),
            (
                (a.site, int(year), m + 1, _plain(a.year_share[y, m]),
                 _plain(a.windows_a_month[y, m]))
                for a in answers for y, year in enumerate(a.years) for m in range(12)
            ),
        ),
    }  # fmt: skip


def _of_windows(answers: Sequence[SiteAnswers]) -> dict[str, Table]:
    return {
        "windows": _columns(
            ("site", "start_utc", "hours"),
            (
                (a.site, f"{from_unix_s(float(start)):%Y-%m-%dT%H:%MZ}", float(hours))
                for a in answers
                for start, hours in zip(a.windows.start_unix_s, a.windows.hours, strict=True)
            ),
        ),
        "standing-by": _columns(
            ("site", "month", "days", "chance_of_a_window", "chance_at_most", "spans",
             "least_year", "most_year"),
            (
                (a.site, m + 1, n + 1, _plain(a.standing.chance[m, n]),
                 _plain(a.standing.most[m, n]), int(a.standing.spans[m, n]),
                 *_ends(a.standing.by_year[:, m, n]))
                for a in answers for m in range(12) for n in range(MOST_DAYS)
            ),
        ),
        "dry-spells": _columns(
            ("site", "month_of_begin", "longest_days"),
            ((a.site, m + 1, int(a.dry_days[m])) for a in answers for m in range(12)),
        ),
    }  # fmt: skip


def _of_places(answers: Sequence[SiteAnswers], pairs: Sequence[Pair]) -> dict[str, Table]:
    return {
        "roses": _columns(
            ("site", "month", "towards_deg", "drift_from_km", "hours", "good_hours"),
            (
                (a.site, m + 1, 360.0 / SECTORS * s, DRIFT_KM[c],
                 int(a.rose[m, s, c]), int(a.rose_good[m, s, c]))
                for a in answers for m in range(12) for s in range(SECTORS)
                for c in range(len(DRIFT_KM)) if a.rose[m, s, c]
            ),
        ),
        "landings": _columns(
            ("site", "south_deg", "west_deg", "north_deg", "east_deg", "flights", "good_flights"),
            (line for a in answers for line in _cells(a.site, a.landings, a.landings_good)),
        ),
        "sites-compared": _columns(
            ("first", "second", "unit", "both", "only_first", "only_second", "neither"),
            (
                (p.first, p.second, *line)
                for p in pairs
                for line in (
                    ("hours", p.both, p.only_first, p.only_second, p.neither),
                    ("days", p.days_both, p.days_only_first, p.days_only_second, p.days_neither),
                )
            ),
        ),
    }  # fmt: skip


def _columns(names: Sequence[str], lines: Iterator[tuple[Any, ...]]) -> Table:
    found = list(lines)
    return {name: [line[k] for line in found] for k, name in enumerate(names)}


def _plain(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


def _ends(values: Any) -> tuple[float | None, float | None]:
    known = values[~np.isnan(values)]
    return (float(known.min()), float(known.max())) if known.size else (None, None)


def _cells(site: str, every: Landings, good: Landings) -> Iterator[tuple[Any, ...]]:
    latitude, longitude = every.latitude_edges_deg, every.longitude_edges_deg
    for row, column in np.argwhere(every.count):
        yield (
            site, round(float(latitude[row]), 6), round(float(longitude[column]), 6),
            round(float(latitude[row + 1]), 6), round(float(longitude[column + 1]), 6),
            int(every.count[row, column]), int(good.count[row, column]),
        )  # fmt: skip


def as_csv(table: Table) -> str:
    """A table as CSV (RFC 4180); what is not known is an empty field."""
    into = io.StringIO()
    writer = csv.writer(into)
    writer.writerow(table)
    writer.writerows(zip(*table.values(), strict=True))
    return into.getvalue()
