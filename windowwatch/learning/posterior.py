"""How wrong winds are: the table from memory, moved by what this watch has seen. Pure.

Named rules
-----------
the prior weighs so many days
    In each corner of the table (model, lead, height) the factor on the error's variance has a
    normal prior of its logarithm round 0, worth `PRIOR_DAYS` days of data: the posterior is
    ``days / (days + PRIOR_DAYS)`` of what the days say, in logarithms. A corner without days stays
    at the prior.
a day is one
    All hours and sites of a day count as one, and days that resemble the day before count less:
    ``(1 - r) / (1 + r)`` with r the correlation from day to day.
growth is learned, not the analysis
    Where the reference is the model's own last word, the difference shows only how the error
    grew since then: its expected square is that of the table at the answer's lead, less that at
    the reference's. So the factor is on the growth; what the table has at the shortest lead (the
    analysis, and how a point differs from a box) can be learned from measurements alone.
measurements come second, and count whole
    What was measured moves the table that the model's own last words gave, by the same rule.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from windowwatch.learning.record import Pairs
from windowwatch.physics.spread import KNOT_HEIGHT_M
from windowwatch.physics.winderror import SurfaceErrorModel, WindErrorModel
from windowwatch.units import FloatArray

IntArray = NDArray[np.intp]

#: The table counts as much as so many days. [d] Judgement: it is from memory, and 3 say that it may
#: well be a third too large or too small (its variance by a factor of e to the 1/√3).
PRIOR_DAYS = 3.0
#: A growth smaller than this part of the error says nothing that can be told from noise. [1]
_LEAST_GROWTH = 0.05
#: A day resembles the one before at most so much. [1]
_MOST_ALIKE = 0.8


@dataclass(frozen=True)
class WindTable:
    """The wind's error as learned, for one model.

    Attributes
    ----------
    lead_hours, height_m : tuple of float
        Rows and columns, those of the prior.
    prior_mps, vector_rmse_mps : tuple of tuple of float
        Root mean square length of the error vector, as it was and as it is believed now.
    days : tuple of tuple of float
        On how many independent days each corner rests; 0 where the prior stands.
    """

    model: str
    lead_hours: tuple[float, ...]
    height_m: tuple[float, ...]
    prior_mps: tuple[tuple[float, ...], ...]
    vector_rmse_mps: tuple[tuple[float, ...], ...]
    days: tuple[tuple[float, ...], ...]

    @property
    def factor(self) -> FloatArray:
        """Learned error over the prior's, array [lead, height]. [1]"""
        return np.asarray(np.divide(self.vector_rmse_mps, self.prior_mps))

    def on(self, prior: WindErrorModel) -> WindErrorModel:
        """An error model with these sizes; how errors hang together in height stays the prior's."""
        return replace(
            prior,
            vector_rmse_mps=self.vector_rmse_mps,
            source=f"learned from this watch's own answers of {self.model}; prior: {prior.source}",
        )


@dataclass(frozen=True)
class SurfaceTable:
    """The error of the wind speed 10 m above ground as learned, for one model; see `WindTable`."""

    model: str
    lead_hours: tuple[float, ...]
    prior_mps: tuple[float, ...]
    speed_rmse_mps: tuple[float, ...]
    days: tuple[float, ...]

    @property
    def factor(self) -> FloatArray:
        """Learned error over the prior's [lead]. [1]"""
        return np.asarray(np.divide(self.speed_rmse_mps, self.prior_mps))

    def on(self, prior: SurfaceErrorModel) -> SurfaceErrorModel:
        """An error model with these sizes."""
        return replace(
            prior,
            speed_rmse_mps=self.speed_rmse_mps,
            source=f"learned from this watch's own answers of {self.model}; prior: {prior.source}",
        )


def wind_errors(pairs: Pairs) -> FloatArray:
    """Length of the error vector at each knot [P, K]; NaN where either is missing. [m/s]"""
    off = pairs.said.wind_mps.astype(np.float64) - pairs.came.wind_mps.astype(np.float64)
    return np.asarray(np.hypot(off[..., 0], off[..., 1]))


def learn_wind(pairs: Pairs, prior: WindErrorModel) -> WindTable:
    """The wind's error table of a model, out of its pairs."""
    heights = _hats(np.asarray(prior.height_m), KNOT_HEIGHT_M)
    heights[np.asarray(KNOT_HEIGHT_M) > prior.height_m[-1] + 3_000.0] = 0.0
    days, now = np.zeros(np.shape(prior.vector_rmse_mps)), prior
    for measured, rows in _by_kind(pairs.said.lead_hours, pairs.reference_lead_h):

        def chunk(some: IntArray, model: WindErrorModel = now, seen: bool = measured) -> _Chunk:
            part = pairs.part(some)
            whole = 2.0 * model.component_sigma_mps(part.said.lead_hours, KNOT_HEIGHT_M) ** 2
            since = np.zeros_like(whole)
            if not seen:
                since = 2.0 * model.component_sigma_mps(part.reference_lead_h, KNOT_HEIGHT_M) ** 2
            return wind_errors(part) ** 2, whole - since, whole

        log_factor, found = _learn(rows, chunk, pairs, prior.lead_hours, heights)
        moved = _moved(np.asarray(now.vector_rmse_mps), log_factor, found, measured)
        now, days = replace(now, vector_rmse_mps=_rows(moved)), days + found
    return WindTable(
        pairs.model, prior.lead_hours, prior.height_m, prior.vector_rmse_mps,
        now.vector_rmse_mps, _rows(days),
    )  # fmt: skip


def learn_surface(pairs: Pairs, prior: SurfaceErrorModel) -> SurfaceTable:
    """The surface wind's error table of a model, out of its pairs."""
    days, now = np.zeros((len(prior.lead_hours), 1)), prior
    for measured, rows in _by_kind(pairs.said.lead_hours, pairs.surface_reference_lead_h):

        def chunk(some: IntArray, model: SurfaceErrorModel = now, seen: bool = measured) -> _Chunk:
            off = pairs.said.speed_mps[some] - pairs.came.speed_mps[some]
            whole = model.sigma_mps(pairs.said.lead_hours[some])[:, None] ** 2
            since = np.zeros_like(whole)
            if not seen:
                since = model.sigma_mps(pairs.surface_reference_lead_h[some])[:, None] ** 2
            return off[:, None] ** 2, whole - since, whole

        # one number a day says half as much of a variance as two components do
        log_factor, found = _learn(rows, chunk, pairs, prior.lead_hours, np.ones((1, 1)), worth=0.5)
        before = np.asarray(now.speed_rmse_mps)[:, None]
        moved = _moved(before, log_factor, found, measured)[:, 0]
        now, days = replace(now, speed_rmse_mps=tuple(map(float, moved))), days + found
    return SurfaceTable(
        pairs.model, prior.lead_hours, prior.speed_rmse_mps, now.speed_rmse_mps,
        tuple(map(float, days[:, 0])),
    )  # fmt: skip


#: Squared differences, what the table expects of them, and its whole squared error, each [P, K].
_Chunk = tuple[FloatArray, FloatArray, FloatArray]
#: So many pairs at once: a year of them would take a gigabyte.
_AT_ONCE = 20_000


def _by_kind(lead: FloatArray, reference: FloatArray) -> Iterator[tuple[bool, IntArray]]:
    """Pairs with the model's own last word, then those with what was measured."""
    for measured in (False, True):
        rows = np.flatnonzero(np.isnan(reference) if measured else reference < lead - 3.0)
        if rows.size:
            yield measured, rows


def _moved(
    before: FloatArray, log_factor: FloatArray, days: FloatArray, measured: bool
) -> FloatArray:
    """A table [R, H] with its factor on what it grew by, or on all of it where it was measured."""
    still = 0.0 if measured else before[:1] ** 2
    squared = still + np.exp(log_factor) * np.maximum(before**2 - still, 0.0)
    return np.sqrt(np.where(days > 0.0, squared, before**2))


def _learn(
    rows: IntArray,
    chunk: Callable[[IntArray], _Chunk],
    pairs: Pairs,
    lead_hours: Sequence[float],
    heights: FloatArray,
    worth: float = 1.0,
) -> tuple[FloatArray, FloatArray]:
    """Logarithm of the factor on the variance, and independent days, of every corner.

    Parameters
    ----------
    rows : array of int
        Which pairs are learned from.
    chunk : callable
        Makes the numbers of some of them.
    pairs : Pairs
    lead_hours : sequence of float [R]
    heights : array [K, H]
        How much of a knot belongs to each column of the table.
    worth : float
        What a day says, in days of two components.

    Returns
    -------
    log_factor, days : array [R, H]
    """
    names, index = np.unique(pairs.day[rows], return_inverse=True)
    # of each day: sums over its rows of ratio and of weight, and the most that one row weighs
    total = np.zeros((names.size, len(lead_hours), heights.shape[1]))
    weight, most = np.zeros_like(total), np.zeros_like(total)
    for start in range(0, rows.size, _AT_ONCE):
        some, day = rows[start : start + _AT_ONCE], index[start : start + _AT_ONCE]
        squares, expected, whole = chunk(some)
        use = np.isfinite(squares) & (expected > _LEAST_GROWTH * whole)
        ratio = np.where(use, squares / np.where(use, expected, 1.0), 0.0)
        leads = _hats(np.asarray(lead_hours), pairs.said.lead_hours[some])
        for r in range(leads.shape[1]):
            there = np.flatnonzero(leads[:, r] > 0.0)
            part = leads[there, r][:, None]
            at_each = (part * use[there]) @ heights
            np.add.at(total[:, r], day[there], (part * ratio[there]) @ heights)
            np.add.at(weight[:, r], day[there], at_each)
            np.maximum.at(most[:, r], day[there], np.minimum(at_each, part))
    alike = _alike(total, weight, names)
    found = most.sum(axis=0) * ((1.0 - alike) / (1.0 + alike))[:, None]
    sums, weights = total.sum(axis=0), weight.sum(axis=0)
    known = (weights > 0.0) & (sums > 0.0)
    logs = np.log(np.where(known, sums, 1.0) / np.where(known, weights, 1.0))
    found = np.where(known, found, 0.0)
    return found * worth / (found * worth + PRIOR_DAYS) * logs, found


def _alike(total: FloatArray, weight: FloatArray, days: IntArray) -> FloatArray:
    """How much the error of a day resembles that of the day before, of each row [R]."""
    alike = np.zeros(total.shape[1])
    for r in range(alike.size):
        some = weight[:, r].sum(axis=1) > 0.0
        if np.count_nonzero(some) < 10:
            continue  # too few to tell
        daily = np.log(np.maximum(total[some, r].sum(axis=1) / weight[some, r].sum(axis=1), 1e-12))
        names = days[some]
        next_day = np.flatnonzero(np.diff(names) == 1)
        if next_day.size < 8:
            continue
        off = daily - daily.mean()
        scale = float(np.mean(off**2))
        if scale > 0.0:
            found = float(np.mean(off[next_day] * off[next_day + 1])) / scale
            alike[r] = found - 1.0 / np.sqrt(next_day.size)  # so much is luck where nothing is
    return np.clip(alike, 0.0, _MOST_ALIKE)


def _hats(axis: FloatArray, values: FloatArray) -> FloatArray:
    """Weights [N, A] of values on the points of a rising axis, linear between; held beyond."""
    if axis.size == 1:
        return np.ones((values.size, 1))
    spot = np.interp(values, axis, np.arange(axis.size))
    return np.asarray(np.maximum(1.0 - np.abs(spot[:, None] - np.arange(axis.size)), 0.0))


def _rows(table: FloatArray) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(float(x) for x in row) for row in table)
