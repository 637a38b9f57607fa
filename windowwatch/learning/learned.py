"""All that a watch has learned by a time: how good it was, and what to believe next time. Pure."""

import hashlib
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, is_dataclass, replace
from datetime import datetime
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from windowwatch.clock import from_unix_s, to_unix_s
from windowwatch.learning.calibration import SPANS_H, ChanceMap, fit_map
from windowwatch.learning.climatology import Against, Reference
from windowwatch.learning.posterior import SurfaceTable, WindTable, learn_surface, learn_wind
from windowwatch.learning.record import OBSERVED, Answers, Pairs, pairs_of
from windowwatch.learning.scores import came_true_of
from windowwatch.learning.verify import LeadTable, WindowStory, WindowTable, verify, verify_windows
from windowwatch.physics.winderror import (
    FORECAST_ERROR,
    SURFACE_ERROR,
    SurfaceErrorModel,
    WindErrorModel,
)


@dataclass(frozen=True)
class Learned:
    """What was learned from the answers of a watch.

    Attributes
    ----------
    key : str
        Version of what flights are made with: tables that say the same have the same one.
    made_utc : datetime
    first_utc, last_utc : datetime or None
        First and last launch hour that was judged.
    days, hours : int
        Days with such hours, and how many there are of the model that has most.
    cycles : int
        Cycles that were read.
    tables : tuple of LeadTable
    wind, surface, chances : tuples
        One for each model; of chances one for each model and span of leads.
    windows : WindowTable
    faults : tuple of str
        What of the store could not be read, and was left out.
    against : Against or None
        The survey of years that chances were held against, or why not; None where there is none.
    """

    key: str
    made_utc: datetime
    first_utc: datetime | None
    last_utc: datetime | None
    days: int
    hours: int
    cycles: int
    tables: tuple[LeadTable, ...]
    wind: tuple[WindTable, ...]
    surface: tuple[SurfaceTable, ...]
    chances: tuple[ChanceMap, ...]
    windows: WindowTable
    faults: tuple[str, ...] = ()
    against: Against | None = None

    def belief(self, model: str) -> "Belief":
        """What flights of a model are made with, where what was learned is used."""
        wind = next((t.on(FORECAST_ERROR) for t in self.wind if t.model == model), FORECAST_ERROR)
        surface = next((t.on(SURFACE_ERROR) for t in self.surface if t.model == model), None)
        maps = tuple(each for each in self.chances if each.model == model)
        return Belief(wind, surface or SURFACE_ERROR, maps, self.key)


class Use(StrEnum):
    """What is done with what was learned."""

    SHOW = "show"  #: flights are made with the tables from memory
    USE = "use"


@dataclass(frozen=True)
class Belief:
    """What a pass believes of errors and chances: the tables from memory, or what was learned.

    `version` is None where nothing that was learned is used.
    """

    wind: WindErrorModel = FORECAST_ERROR
    surface: SurfaceErrorModel = SURFACE_ERROR
    chances: tuple[ChanceMap, ...] = ()
    version: str | None = None

    def mending(self, cycle_unix_s: float) -> Callable[[float, float], float] | None:
        """What a chance is worth, of its share and the launch time; None where all are left alone.

        As `windowwatch.scoring.hour.score_site` asks for it.
        """
        maps = [each for each in self.chances if each.mends]
        if not maps:
            return None

        def mend(chance: float, launch_unix_s: float) -> float:
            lead_hours = (launch_unix_s - cycle_unix_s) / 3600.0
            for each in maps:
                if each.lead_from_h <= lead_hours < each.lead_until_h:
                    return float(each.mended(np.array([chance]))[0])
            return chance

        return mend


#: The tables from memory.
FROM_MEMORY = Belief()


def learn(
    answers: Answers,
    now_utc: datetime,
    stories: Sequence[WindowStory] = (),
    *,
    prior: WindErrorModel = FORECAST_ERROR,
    surface: SurfaceErrorModel = SURFACE_ERROR,
    faults: tuple[str, ...] = (),
    flown_otherwise: Collection[tuple[str, float]] = (),
    reference: Reference | None = None,
) -> Learned:
    """Learn from answers and what became of them.

    Parameters
    ----------
    answers : Answers
        Of all models of a watch, and what was measured.
    now_utc : datetime
        Aware; launch hours after it have not gone by.
    stories : sequence of WindowStory
        Windows that were opened and have gone by.
    prior, surface : WindErrorModel, SurfaceErrorModel
        The tables to begin with.
    faults : tuple of str
        What could not be read of the store.
    flown_otherwise : collection of (str, float)
        Model and reference time [s] of cycles that were flown with other error tables than the
        next ones will be. What their chances were worth says nothing of those to come: mended by
        that and flown with wider winds, a chance would be lowered twice for one fault.
    reference : Reference, optional
        A survey of years whose usual chances are to be bettered.
    """
    until = to_unix_s(now_utc)
    models = sorted(name for name in answers.models if name != OBSERVED)
    every = [pairs_of(answers, name, until) for name in models]
    every = [pairs for pairs in every if pairs.day.size]
    wind = tuple(learn_wind(pairs, prior) for pairs in every)
    below = tuple(learn_surface(pairs, surface) for pairs in every)
    chances = tuple(
        each
        for pairs in every
        for each in learn_chances(pairs, [t for name, t in flown_otherwise if name == pairs.model])
    )
    times = np.concatenate([pairs.said.time_unix_s for pairs in every]) if every else np.zeros(0)
    return Learned(
        key=_key(wind, below, chances),
        made_utc=now_utc,
        first_utc=from_unix_s(float(times.min())) if times.size else None,
        last_utc=from_unix_s(float(times.max())) if times.size else None,
        days=max((int(np.unique(pairs.day).size) for pairs in every), default=0),
        hours=max((_hours(pairs) for pairs in every), default=0),
        cycles=int(np.unique(np.stack([answers.model, answers.cycle_unix_s]), axis=1).shape[1])
        if answers.model.size else 0,
        tables=tuple(
            each for pairs in every for each in verify(pairs, prior, surface, reference=reference)
        ),
        wind=wind,
        surface=below,
        chances=chances,
        windows=verify_windows(stories),
        faults=faults,
        against=None if reference is None else _against(reference, every),
    )  # fmt: skip


def _against(reference: Reference, every: Sequence[Pairs]) -> Against:
    """Which survey it was, and of how many launch hours it tells a chance."""
    told, untold = set[tuple[str, float]](), set[tuple[str, float]]()
    for pairs in every:
        said = pairs.said
        usual = reference.usual(said.sites, said.site, said.time_unix_s)
        judged = np.isfinite(said.judged[:, 1]) & np.isfinite(pairs.came.judged[:, 1])
        for row in np.flatnonzero(judged).tolist():
            site = said.sites[said.site[row]]
            if reference.knows(site):
                into = told if np.isfinite(usual[row]) else untold
                into.add((site, float(said.time_unix_s[row])))
    return replace(reference.against, hours=len(told), uncovered=len(untold))


def learn_chances(pairs: Pairs, without: Sequence[float] = ()) -> tuple[ChanceMap, ...]:
    """How chances of a model are to be mended, for each span of leads; cycles may be left out."""
    lead, came = pairs.said.lead_hours, came_true_of(pairs.came.judged[:, 1])
    counts = ~np.isin(pairs.said.cycle_unix_s, np.asarray(without))
    found = []
    for low, high in SPANS_H:
        rows: NDArray[np.bool_] = counts & (lead >= low) & (lead < high)
        if rows.any():
            chance = pairs.said.judged[rows, 1]
            found.append(fit_map(pairs.model, (low, high), chance, came[rows], pairs.day[rows]))
    return tuple(found)


def without_single_sites(learned: Learned) -> Learned:
    """With the tables of all sites together alone."""
    return replace(learned, tables=tuple(table for table in learned.tables if not table.site))


def _hours(pairs: Pairs) -> int:
    return int(np.unique(np.stack([pairs.said.site, pairs.said.time_unix_s]), axis=1).shape[1])


def _key(*parts: object) -> str:
    """Ten digits that name what was learned; numbers count to four figures."""
    return hashlib.sha256(repr(_rounded(parts)).encode()).hexdigest()[:10]


def _rounded(value: object) -> object:
    if isinstance(value, float):
        return f"{value:.4g}"
    if isinstance(value, tuple):
        return tuple(_rounded(each) for each in value)
    if is_dataclass(value):
        return tuple(_rounded(each) for each in vars(value).values())
    return value
