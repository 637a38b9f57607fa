"""Wind, temperature and height on isobaric levels, laid out on common times and levels."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import MissingFieldError
from windowwatch.forecast.gaps import GapList
from windowwatch.forecast.intervals import missing_steps
from windowwatch.forecast.layout import Array, Run, Stack, absent, refuse_impossible, whose
from windowwatch.forecast.models import ALOFT, DRY_ABOVE_HPA, FIELDS, VAPOUR
from windowwatch.physics.atmosphere import specific_humidity


@dataclass(frozen=True)
class Aloft:
    """Fields ``u v t gh`` as [M, T, L, Y, X] with their axes; pressures fall. [s], [Pa]

    `specific_humidity` is the same way, NaN where it is not known and None where it is not
    known at all. [kg kg⁻¹]
    """

    leads_s: list[int]
    pressure_pa: NDArray[np.float64]
    values: Mapping[str, Array]
    specific_humidity: Array | None = None


def lay_aloft(run: Run, name: str, gaps: GapList) -> Aloft:
    """Put the four fields aloft of one run onto common times and levels.

    Times are all at which any of them is there, and those that are missing by the rhythm of
    the rest. Levels are all between the lowest and the highest that carry all four fields.
    Planes that are not there are NaN, and named in `gaps`.

    Raises
    ------
    MissingFieldError
        If one of the fields is missing altogether, or fewer than two levels are complete;
        `name` says in which files.
    """
    lacking = [field.words for field in ALOFT if field.name not in run.stacks]
    if lacking:
        where = " of the members" if run.numbers and 0 not in run.numbers else ""
        raise MissingFieldError(
            f"{name}: {' and '.join(lacking)}{where} on isobaric levels is missing; nothing "
            f"can fly without it. Fetch it too"
        )
    stacks = {field.name: run.stacks[field.name][0] for field in ALOFT}
    there_s = sorted({lead for stack in stacks.values() for lead in stack.leads_s})
    holes_s = missing_steps(there_s)
    leads_s = sorted({*there_s, *holes_s})
    gaps.at_steps("nothing aloft is there", holes_s, leads_s)
    pressures = _levels(stacks, name, gaps)
    values = {key: _place(stack, run, leads_s, pressures) for key, stack in stacks.items()}
    _name_absent(values, run, pressures, (leads_s, set(holes_s)), gaps)
    for key, planes in values.items():
        for m, number in enumerate(run.numbers):
            for level, pressure in enumerate(pressures):
                what = f"{FIELDS[key].words} at {pressure / 100:g} hPa{whose(number)}"
                refuse_impossible(planes[m, :, level], FIELDS[key], what, leads_s, gaps)
    moist = _humidity(run, (leads_s, set(holes_s)), pressures, values["t"], gaps)
    return Aloft(leads_s, np.array(pressures), values, moist)


def _humidity(
    run: Run,
    times: tuple[list[int], set[int]],
    pressures: list[float],
    temperature_k: Array,
    gaps: GapList,
) -> Array | None:
    """Specific humidity [M, T, L, Y, X], as given or from relative humidity; missing is NaN."""
    leads_s, holes_s = times
    found = next((run.stacks[field.name][0] for field in VAPOUR if field.name in run.stacks), None)
    low = [p for p in pressures if p >= 100.0 * DRY_ABOVE_HPA]
    if found is None or not low or not set(found.levels) & set(low):
        return None
    humid = _place(found, run, leads_s, pressures)
    humid[:, :, len(low) :] = np.nan  # pressures fall
    offered = [lead for lead in leads_s if lead not in holes_s]
    columns = [leads_s.index(lead) for lead in offered]
    for m, number in enumerate(run.numbers):
        for level, pressure in enumerate(low):
            what = f"{found.field.words} at {pressure / 100:g} hPa{whose(number)}"
            gone = absent(humid[m, columns, level])
            _say(gaps, f"air is taken as dry where {what} is missing,", gone, offered)
            refuse_impossible(humid[m, :, level], found.field, what, leads_s, gaps)
    if found.field.name == "r":
        for level, pressure in enumerate(low):
            warm = temperature_k[:, :, level]
            humid[:, :, level] = specific_humidity(humid[:, :, level], warm, pressure)
    return humid


def _levels(stacks: Mapping[str, Stack], name: str, gaps: GapList) -> list[float]:
    """Pressures to lay out, falling. [Pa]"""
    by_field = {key: set(stack.levels) for key, stack in stacks.items()}
    complete = set.intersection(*by_field.values())
    if len(complete) < 2:
        raise MissingFieldError(
            f"{name}: fewer than two isobaric levels carry wind, temperature and height "
            f"together; nothing can fly. Fetch the four fields on the same levels"
        )
    every = set.union(*by_field.values())
    kept = {p for p in every if min(complete) <= p <= max(complete)}
    for pressure in sorted(every - kept):
        lacking = [FIELDS[key].words for key, have in by_field.items() if pressure not in have]
        gaps.say(f"{pressure / 100:g} hPa is left out: it has no {' and no '.join(lacking)}")
    return sorted(kept, reverse=True)


def _place(stack: Stack, run: Run, leads_s: list[int], pressures: list[float]) -> Array:
    """A stack on the axes of its run, NaN where it has nothing."""
    kept = [i for i, level in enumerate(stack.levels) if level in pressures]
    shape = (len(run.numbers), len(leads_s), len(pressures), *stack.values.shape[-2:])
    values = np.full(shape, np.nan, dtype=np.float32)
    known = [t for t, lead in enumerate(stack.leads_s) if lead in leads_s]
    spot = np.ix_(
        [run.numbers.index(number) for number in stack.numbers],
        [leads_s.index(stack.leads_s[t]) for t in known],
        [pressures.index(stack.levels[i]) for i in kept],
    )
    values[spot] = stack.values[:, known][:, :, kept]
    return values


def _name_absent(
    values: Mapping[str, Array],
    run: Run,
    pressures: list[float],
    times: tuple[list[int], set[int]],
    gaps: GapList,
) -> None:
    """Say which planes are not there, in as few words as say it all."""
    leads_s, holes_s = times
    offered = [lead for lead in leads_s if lead not in holes_s]
    columns = [leads_s.index(lead) for lead in offered]
    gone = np.array([absent(planes)[:, columns] for planes in values.values()])  # [F, M, T, L]
    for m, number in enumerate(run.numbers):
        nothing = np.asarray(gone[:, m].all(axis=(0, 2)))
        _say(gaps, f"nothing aloft{whose(number)} is there", nothing, offered)
        for f, key in enumerate(values):
            words = FIELDS[key].words
            no_level = gone[f, m].all(axis=1) & ~nothing
            _say(gaps, f"{words}{whose(number)} is missing on all levels", no_level, offered)
            for level, pressure in enumerate(pressures):
                what = f"{words} at {pressure / 100:g} hPa{whose(number)} is missing"
                _say(gaps, what, gone[f, m, :, level] & ~no_level & ~nothing, offered)


def _say(gaps: GapList, what: str, which: NDArray[np.bool_], offered: list[int]) -> None:
    at = [lead for lead, is_so in zip(offered, which, strict=True) if is_so]
    gaps.at_steps(what, at, offered)
