"""How good the answers were: one table for each model, site and lead. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from windowwatch.learning.climatology import Reference
from windowwatch.learning.posterior import wind_errors
from windowwatch.learning.record import LANDING_COLUMNS, LEADS_H, NOT_JUDGED, VERDICTS, Pairs
from windowwatch.learning.scores import (
    NOTHING,
    ChanceScores,
    Contingency,
    Days,
    Estimate,
    came_true_of,
    chance_scores,
    contingency,
    survey_skill,
)
from windowwatch.physics.earth import bearing_deg, distance_m
from windowwatch.physics.spread import KNOT_HEIGHT_M
from windowwatch.physics.winderror import SURFACE_ERROR, SurfaceErrorModel, WindErrorModel
from windowwatch.scoring.values import Verdict
from windowwatch.units import FloatArray

#: All sites together go by this name.
ALL_SITES = ""


@dataclass(frozen=True)
class LeadTable:
    """How good the answers of a model were at one lead.

    Attributes
    ----------
    site : str
        `ALL_SITES` for all of them together.
    hours, days : int
        Launch hours that have gone by and can be judged, and on how many days.
    landing_median_km, landing_most_km : Estimate
        Distance from the landings' centre to where it was in the end: median, and what 90 % keep
        within.
    claimed_median_km, claimed_most_km : float or None
        Radius of a circle as large as the claimed 50 % and 90 % areas; median of the hours.
    inside_50, inside_90 : Estimate
        Share of landings inside these areas.
    wind_rmse_mps : tuple of Estimate
        Root mean square length of the wind's error vector, at each of `KNOT_HEIGHT_M`.
    wind_claimed_mps : tuple of float or None
        What the error table in force expects of that difference.
    surface_rmse_mps, surface_bias_mps : Estimate
        Of the wind speed 10 m above ground. The bias is above zero where it was forecast too high.
    surface_claimed_mps : float or None
    gust_rmse_mps, gust_bias_mps : Estimate
    verdicts : Contingency
        "Go" said, and "go" in the end.
    go_to_no_go : int
        Of the false alarms, those that ended as no-go and not as caution.
    chance : ChanceScores
    """

    model: str
    site: str
    lead_h: float
    hours: int
    days: int
    landing_median_km: Estimate
    landing_most_km: Estimate
    claimed_median_km: float | None
    claimed_most_km: float | None
    inside_50: Estimate
    inside_90: Estimate
    wind_rmse_mps: tuple[Estimate, ...]
    wind_claimed_mps: tuple[float | None, ...]
    surface_rmse_mps: Estimate
    surface_bias_mps: Estimate
    surface_claimed_mps: float | None
    gust_rmse_mps: Estimate
    gust_bias_mps: Estimate
    verdicts: Contingency
    go_to_no_go: int
    chance: ChanceScores


def verify(
    pairs: Pairs,
    prior: WindErrorModel,
    surface: SurfaceErrorModel = SURFACE_ERROR,
    *,
    each_site: bool = True,
    seed: int = 0,
    reference: Reference | None = None,
) -> tuple[LeadTable, ...]:
    """Tables of a model for every lead that has hours: all sites first, then each.

    Parameters
    ----------
    pairs : Pairs
    prior : WindErrorModel
    surface : SurfaceErrorModel
        What errors are held against: those that the flights were made with.
    each_site : bool
        Whether single sites are scored, too.
    seed : int
        Of the intervals' drawing.
    reference : Reference, optional
        A survey whose usual chances are to be bettered.
    """
    sites: list[tuple[str, NDArray[np.bool_]]] = [(ALL_SITES, np.ones(pairs.day.size, dtype=bool))]
    if each_site and len(pairs.said.sites) > 1:
        sites += [(name, pairs.said.site == n) for n, name in enumerate(pairs.said.sites)]
    found = []
    for name, there in sites:
        for lead in LEADS_H:
            rows = there & (pairs.lead_class_h == lead)
            if rows.any():
                part = pairs.part(rows)
                table = _table(name, lead, part, prior, surface, seed)
                found.append(table if reference is None else _held(table, part, reference, seed))
    return tuple(found)


def _table(
    site: str, lead: float, pairs: Pairs, prior: WindErrorModel, surface: SurfaceErrorModel,
    seed: int,
) -> LeadTable:  # fmt: skip
    days = Days(pairs.day, seed)
    away, inside = landing_errors(pairs)
    claimed = [
        np.sqrt(
            np.prod(pairs.said.landing[:, [_AT[f"{axis}_{share}_m"] for axis in _AXES]], axis=1)
        )
        for share in (50, 90)
    ]
    known = np.isfinite(away)
    speed = pairs.said.speed_mps - pairs.came.speed_mps
    gust = pairs.said.gust_mps - pairs.came.gust_mps
    squared = days.mean(np.stack([speed**2, gust**2], axis=1), root=True)
    biases = days.mean(np.stack([speed, gust], axis=1))
    verdicts, lost = _verdicts(pairs)
    came = came_true_of(pairs.came.judged[:, 1])
    return LeadTable(
        pairs.model, site, lead, int(pairs.day.size), days.count,
        days.quantile(away / 1000.0, 0.5), days.quantile(away / 1000.0, 0.9),
        _median(claimed[0][known] / 1000.0), _median(claimed[1][known] / 1000.0),
        days.share(inside[0]), days.share(inside[1]),
        tuple(days.mean(wind_errors(pairs) ** 2, root=True)), _claimed_aloft(pairs, prior),
        squared[0], biases[0], _claimed_below(pairs, surface), squared[1], biases[1],
        verdicts, lost, chance_scores(pairs.said.judged[:, 1], came, days),
    )  # fmt: skip


def _held(table: LeadTable, pairs: Pairs, reference: Reference, seed: int) -> LeadTable:
    """The table with its chances held against the usual ones of a survey."""
    usual = reference.usual(pairs.said.sites, pairs.said.site, pairs.said.time_unix_s)
    came = came_true_of(pairs.came.judged[:, 1])
    held = survey_skill(
        pairs.said.judged[:, 1], came, usual, Days(pairs.day, seed), laxer=reference.laxer
    )
    return replace(table, chance=replace(table.chance, survey=held))


_AT = {name: number for number, name in enumerate(LANDING_COLUMNS)}
_AXES = ("major", "minor")


def landing_errors(pairs: Pairs) -> tuple[FloatArray, FloatArray]:
    """How far landings were from what was said, and whether inside the claimed areas.

    Returns
    -------
    away : array [P]
        From the forecast centre; NaN where either is missing. [m]
    inside : array [2, P]
        1 inside the 50 % and the 90 % area, 0 outside, NaN where not known.
    """
    said, came = pairs.said.landing, pairs.came.landing
    known = np.isfinite(said[:, 0]) & np.isfinite(came[:, 0])
    ends = [np.where(known, x, 0.0) for x in (said[:, 0], said[:, 1], came[:, 0], came[:, 1])]
    away = np.where(known, distance_m(*ends), np.nan)
    turn = np.radians(bearing_deg(*ends) - said[:, _AT["bearing_deg"]])
    along, across = away * np.cos(turn), away * np.sin(turn)
    inside = []
    for share in (50, 90):
        major, minor = (np.maximum(said[:, _AT[f"{axis}_{share}_m"]], 1.0) for axis in _AXES)
        far = (along / major) ** 2 + (across / minor) ** 2
        inside.append(np.where(np.isfinite(far), far <= 1.0, np.nan))
    return np.asarray(away), np.stack(inside)


def _verdicts(pairs: Pairs) -> tuple[Contingency, int]:
    """Go said against go in the end, and how many go ended as no-go; unknown is left out."""
    said, came = pairs.said.verdict, pairs.came.verdict
    unknown = VERDICTS.index(Verdict.UNKNOWN)
    known = ~np.isin(said, (unknown, NOT_JUDGED)) & ~np.isin(came, (unknown, NOT_JUDGED))
    go, no_go = VERDICTS.index(Verdict.GO), VERDICTS.index(Verdict.NO_GO)
    said, came = said[known], came[known]
    return contingency(said == go, came == go), int(np.sum((said == go) & (came == no_go)))


def _claimed_aloft(pairs: Pairs, prior: WindErrorModel) -> tuple[float | None, ...]:
    """What a table of errors expects of the differences at each knot; None where none are."""
    whole = 2.0 * prior.component_sigma_mps(pairs.said.lead_hours, KNOT_HEIGHT_M) ** 2
    own = np.isfinite(pairs.reference_lead_h)
    since = (
        2.0
        * prior.component_sigma_mps(np.where(own, pairs.reference_lead_h, 0.0), KNOT_HEIGHT_M) ** 2
    )
    expected = np.where(own[:, None], np.maximum(whole - since, 0.0), whole)
    seen = np.isfinite(wind_errors(pairs))
    return tuple(
        float(np.sqrt(np.mean(expected[rows, k]))) if (rows := seen[:, k]).any() else None
        for k in range(KNOT_HEIGHT_M.size)
    )


def _claimed_below(pairs: Pairs, surface: SurfaceErrorModel) -> float | None:
    seen = np.isfinite(pairs.said.speed_mps - pairs.came.speed_mps)
    if not seen.any():
        return None
    whole = surface.sigma_mps(pairs.said.lead_hours[seen]) ** 2
    reference = pairs.surface_reference_lead_h[seen]
    own = np.isfinite(reference)
    since = np.where(own, surface.sigma_mps(np.where(own, reference, 0.0)) ** 2, 0.0)
    return float(np.sqrt(np.mean(np.maximum(whole - since, 0.0))))


def _median(values: FloatArray) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else None


@dataclass(frozen=True)
class WindowStory:
    """One window that was opened and whose time has gone by.

    Attributes
    ----------
    opened_before_h : float
        How long before its first release it was opened. [h]
    stayed : bool
        Whether it was still open on the day.
    changes : int
        How often it moved, became weaker or stronger.
    """

    opened_before_h: float
    stayed: bool
    changes: int


@dataclass(frozen=True)
class WindowTable:
    """What became of windows that were opened."""

    opened: int = 0
    stayed: int = 0
    share_stayed: Estimate = NOTHING
    opened_before_h: float | None = None
    changes_each: float | None = None


def verify_windows(stories: Sequence[WindowStory]) -> WindowTable:
    """Count windows; each counts as independent, for there are few of them."""
    if not stories:
        return WindowTable()
    stayed = np.array([float(story.stayed) for story in stories])
    days = Days(np.arange(stayed.size))
    return WindowTable(
        len(stories),
        int(stayed.sum()),
        days.share(stayed),
        float(np.median([story.opened_before_h for story in stories])),
        float(np.mean([story.changes for story in stories])),
    )
