"""One block of a survey: its weather read slice by slice, every launch hour flown and scored.

The same floors as a watch: flights by `physics`, checks by `scoring`. The archive is what the
weather was, so errors of the wind are those of an analysis, without lead time, and nothing is
displaced. An hour in the dark, where the sun is a hard limit, is not flown.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np

from windowwatch.physics.flights import Flights, Launches, fly
from windowwatch.physics.spread import draw_surface_errors, make_draws
from windowwatch.physics.surface import SurfaceGrid
from windowwatch.physics.windgrid import DEFAULT_HEIGHTS, WindGrid
from windowwatch.scoring.checks.flight import AirWatch, landed
from windowwatch.scoring.checks.release import barred_by_dark
from windowwatch.scoring.hour import score_site
from windowwatch.scoring.values import Hour, Site
from windowwatch.survey.air import Plane, Raw, even_times, lay
from windowwatch.survey.archive import Archive, Cut
from windowwatch.survey.names import ALOFT, NEAR_GROUND
from windowwatch.survey.plan import AFTER, BEFORE, Block, Survey, hours_at_once
from windowwatch.survey.rows import NO_DATA, Rows, State
from windowwatch.units import FloatArray
from windowwatch.windows.window import is_good, is_unread, worst_check

#: Ends of flights for which the archive has no air, at a time or place.
_NO_DATA = ("missing_air", "left_time")


def fly_block(survey: Survey, archive: Archive, block: Block) -> Rows:
    """Every launch hour of a block.

    Raises
    ------
    ForecastError
        If the archive cannot be read, or holds what no weather has.
    """
    sites = [site for site in survey.sites if site.name in block.sites]
    begin, end = block.span_unix_s
    step = survey.step_s
    launches = np.arange(np.ceil(begin / step) * step, end, step)
    dark = {site.name: barred_by_dark(site, launches, survey.plan) for site in sites}
    found = [_in_the_dark(survey, site, launches[dark[site.name]]) for site in sites]
    span_s = 3600.0 * hours_at_once(survey, archive, block, DEFAULT_HEIGHTS.size)
    reader = Reader(archive, archive.cut(block.area))
    for first in np.arange(begin, end, span_s):
        inside = (launches >= first) & (launches < min(first + span_s, end))
        asked = {site.name: launches[inside & ~dark[site.name]] for site in sites}
        some = np.concatenate(list(asked.values()))
        if not some.size:
            continue
        raw = reader.span(
            float(some.min()) - BEFORE.total_seconds(), float(some.max()) + AFTER.total_seconds()
        )
        if not np.isfinite(raw.aloft["u"]).any():
            found += [_unread(survey, site, asked[site.name]) for site in sites]
            continue
        wind, surface = lay(raw, end + AFTER.total_seconds())
        found += [_flown(survey, site, asked[site.name], wind, surface) for site in sites]
    return Rows.joined(found)


class Reader:
    """Times of an archive, one span after the other; what two of them share is read once."""

    def __init__(self, archive: Archive, cut: Cut) -> None:
        self._archive, self._cut = archive, cut
        self._kept: dict[str, tuple[FloatArray, Plane]] = {}
        self._terrain = archive.read_still("orography", cut)
        self._land = None
        if "land_fraction" in archive.fields:
            self._land = archive.read_still("land_fraction", cut)
        self._near = tuple(sorted(archive.fields & set(NEAR_GROUND)))
        near = [archive.times_of(name) for name in self._near]
        self._near_times = np.unique(np.concatenate(near)) if near else archive.times_of("u")
        steps = np.diff(self._near_times)
        self._near_step_s = float(np.median(steps)) if steps.size else archive.step_s

    def span(self, first_s: float, last_s: float) -> Raw:
        """All that there is of a span, a step beyond either end. [s]"""
        archive, cut = self._archive, self._cut
        step_s = archive.step_s
        aloft_s = even_times(archive.times_of("u"), first_s - step_s, last_s + step_s, step_s)
        step_s = self._near_step_s
        near_s = even_times(self._near_times, first_s - step_s, last_s + step_s, step_s)
        return Raw(
            aloft_s,
            near_s,
            archive.level_pa,
            cut.latitude_deg,
            cut.longitude_deg,
            {name: self._get(name, aloft_s) for name in ALOFT if name in archive.fields},
            {name: self._get(name, near_s) for name in self._near},
            self._terrain,
            self._land,
            archive.interval_h,
        )

    def _get(self, name: str, time_s: FloatArray) -> Plane:
        """A field at some times, those that are kept from before not read again."""
        before = self._kept.get(name)
        kept = before[0].size - np.searchsorted(before[0], time_s[0]) if before else 0
        if before and kept and np.array_equal(before[0][-kept:], time_s[:kept]):
            rest = time_s[kept:]
            parts = [before[1][-kept:]]
            if rest.size:
                parts.append(self._archive.read(name, rest, self._cut))
            values = np.concatenate(parts)
        else:
            values = self._archive.read(name, time_s, self._cut)
        self._kept[name] = time_s, values
        return values


def _flown(
    survey: Survey, site: Site, launch_s: FloatArray, wind: WindGrid, surface: SurfaceGrid
) -> Rows:
    """Launch hours of a site, flown and scored."""
    if not launch_s.size:
        return Rows.none(survey.draws)
    count = launch_s.size
    launches = Launches(
        np.full(count, site.latitude_deg),
        np.full(count, site.longitude_deg),
        np.full(count, site.height_m),
        launch_s,
    )
    stream: dict[str, Any] = {"watch": survey.watch, "cycle_id": "survey", "site": site.name}
    # by the end of the block, so that there is no lead time: tables of errors hold their first row
    draws = make_draws(
        survey.train, launches, count=survey.draws, cycle_unix_s=wind.cycle_unix_s, **stream
    )
    errors = draw_surface_errors(
        launches, count=survey.draws, cycle_unix_s=wind.cycle_unix_s, **stream
    )
    airways = AirWatch(survey.ground, survey.plan, (count, 1, survey.draws))
    flights = fly(
        wind, launches, survey.train, draws, threads=1,
        watching=airways if airways.needed else None,
    )  # fmt: skip
    hours = score_site(
        site, launch_s, flights, surface, survey.ground, survey.plan, errors, airways.crossings()
    )
    return _rows(survey, site, launch_s, hours, flights)


def _rows(
    survey: Survey, site: Site, launch_s: FloatArray, hours: Sequence[Hour], flights: Flights
) -> Rows:
    down = landed(flights)[:, 0]
    place = [
        np.where(down, values[:, 0], np.nan).astype(np.float32)
        for values in (flights.landing_latitude_deg, flights.landing_longitude_deg)
    ]
    return Rows.of(
        site.name,
        launch_s,
        state=[_state(survey, hour) for hour in hours],
        limit=[_limit(hour) for hour in hours],
        score=[hour.score for hour in hours],
        chance=[hour.chance for hour in hours],
        drift_km=[hour.drift_km for hour in hours],
        bearing_deg=[hour.bearing_deg for hour in hours],
        landing_latitude_deg=place[0],
        landing_longitude_deg=place[1],
    )


def _state(survey: Survey, hour: Hour) -> State:
    if is_unread(hour):
        return State.UNKNOWN
    return State.GOOD if is_good(hour, survey.rules, inside=False) else State.BAD


def _limit(hour: Hour) -> str:
    """The check that speaks most against an hour; of an unknown one, what is missing."""
    refused = hour.refused
    if refused is not None:
        unknown, lost = [each.check for each in refused.unknown], refused.lost
        if lost and lost[0][0] in _NO_DATA:
            return NO_DATA
        return unknown[0] if unknown else lost[0][0] if lost else str(refused.kind)
    worst = worst_check(hour)
    return "" if worst is None else worst.name


def _in_the_dark(survey: Survey, site: Site, launch_s: FloatArray) -> Rows:
    return Rows.of(
        site.name, launch_s, state=[State.DARK] * launch_s.size,
        limit=["daylight"] * launch_s.size, draws=survey.draws,
    )  # fmt: skip


def _unread(survey: Survey, site: Site, launch_s: FloatArray) -> Rows:
    """Launch hours of which the archive has nothing."""
    return Rows.of(
        site.name, launch_s, state=[State.UNKNOWN] * launch_s.size,
        limit=[NO_DATA] * launch_s.size, draws=survey.draws,
    )  # fmt: skip
