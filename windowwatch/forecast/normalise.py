"""From opened fields to the one form inside: `WindGrid` and `SurfaceGrid`.

Here foreign axes, units and intervals end: latitudes rise, longitudes run one way, times and
levels are complete, and whatever is not there is NaN and noted. Nothing is filled.
"""

from collections.abc import Mapping, Sequence
from datetime import timedelta

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from windowwatch.clock import to_unix_s
from windowwatch.errors import MissingFieldError
from windowwatch.forecast.cycle import Cycle, CycleData, SourceFile
from windowwatch.forecast.dataset import arrays_of, remarks_of, seconds_of, selector_of
from windowwatch.forecast.grib.messages import Kind
from windowwatch.forecast.models import ALOFT, DRY_ABOVE_HPA, FIELDS, SELDOM, SURFACE, VAPOUR
from windowwatch.forecast.near import (
    Aloft,
    Array,
    GapList,
    Near,
    Run,
    Stack,
    absent,
    at_leads,
    fixed_plane,
    join_members,
    lay_near,
    missing_steps,
    refuse_impossible,
    run_of,
    terrain_from_pressure,
)
from windowwatch.forecast.notes import (
    DryAir,
    FewerMembers,
    FieldsAbsent,
    Lack,
    LevelLeftOut,
    MemberAbsent,
    NothingAloft,
    NotThere,
    OnNoLevel,
    Planes,
    SingleStep,
    TakenAsDry,
    TerrainWorkedOut,
)
from windowwatch.forecast.plausible import require_plausible
from windowwatch.physics.atmosphere import specific_humidity
from windowwatch.physics.surface import SurfaceGrid, TimeCells
from windowwatch.physics.windgrid import (
    LevelRun,
    WindGrid,
    build_wind_grid,
    hold_single_step,
)

#: How long a single step is taken as valid, either way. [s]
SINGLE_STEP_HOLDS_S = 3 * 3600


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
    gaps.at_steps(NothingAloft(), holes_s, leads_s)
    pressures = _levels(stacks, name, gaps)
    values = {key: _place(stack, run, leads_s, pressures) for key, stack in stacks.items()}
    _name_absent(values, run, pressures, (leads_s, set(holes_s)), gaps)
    for key, planes in values.items():
        for m, number in enumerate(run.numbers):
            for level, pressure in enumerate(pressures):
                what = Planes(key, pressure, number)
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
            what = Planes(found.field.name, pressure, number)
            gone = absent(humid[m, columns, level])
            _say(gaps, TakenAsDry(what), gone, offered)
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
        lacking = tuple(key for key, have in by_field.items() if pressure not in have)
        gaps.add(LevelLeftOut(pressure, lacking))
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
    """Note which planes are not there, in as few notes as say it all."""
    leads_s, holes_s = times
    offered = [lead for lead in leads_s if lead not in holes_s]
    columns = [leads_s.index(lead) for lead in offered]
    gone = np.array([absent(planes)[:, columns] for planes in values.values()])  # [F, M, T, L]
    for m, number in enumerate(run.numbers):
        nothing = np.asarray(gone[:, m].all(axis=(0, 2)))
        _say(gaps, NothingAloft(number), nothing, offered)
        for f, key in enumerate(values):
            no_level = gone[f, m].all(axis=1) & ~nothing
            _say(gaps, OnNoLevel(key, number), no_level, offered)
            for level, pressure in enumerate(pressures):
                what = NotThere(Planes(key, pressure, number))
                _say(gaps, what, gone[f, m, :, level] & ~no_level & ~nothing, offered)


def _say(gaps: GapList, what: Lack, which: NDArray[np.bool_], offered: list[int]) -> None:
    at = [lead for lead, is_so in zip(offered, which, strict=True) if is_so]
    gaps.at_steps(what, at, offered)


def build_cycle(opened: xr.Dataset, cycle: Cycle, files: Sequence[SourceFile]) -> CycleData:
    """Lay a cycle out on the canonical grid.

    A step that is missing by the rhythm of the others is put in as NaN. A level that lacks
    one of the four fields aloft is NaN if complete levels lie on both sides of it, and left
    out above the highest or below the lowest of those. A single step is taken as valid three
    hours either way.

    Returns
    -------
    CycleData
        With a gap for every plane, level, step, field and member that is not there.

    Raises
    ------
    MissingFieldError
        If wind, temperature or height aloft, or everything about the terrain, is missing.
    DecodeError
        If the terrain cannot be right.
    ImpossibleWeatherError
        If the numbers cannot be weather (`plausible`).
    """
    gaps, remarks = GapList(), list(remarks_of(opened))
    name = ", ".join(file.path for file in files)
    control, members = (_stacked(arrays_of(opened, run)) for run in ("control", "members"))
    runs = [run_of(s) for s in (control, members) if any(f.name in s for f in ALOFT)]
    runs = runs or [run_of(control)]
    aloft = [lay_aloft(run, name, gaps) for run in runs]
    fixed = {
        key: fixed_plane(found, name)
        for key in ("orography", "land_fraction")
        if (found := control.get(key) or members.get(key))
    }
    terrain_m = fixed.get("orography")
    if terrain_m is None:
        terrain_m = terrain_from_pressure(runs[0], name)
        remarks.append(TerrainWorkedOut())
    near = [lay_near(run, terrain_m, gaps) for run in runs]
    require_plausible(
        runs,
        aloft,
        near,
        terrain_m,
        gaps,
        files=name,
        span_deg=_longer_side_deg(opened),
        terrain_is_derived="orography" not in fixed,
    )
    wind = build_wind_grid(
        *(
            _level_run(run, air, low, cycle)
            for run, air, low in zip(runs, aloft, near, strict=True)
        ),
        latitude_deg=np.sort(opened["latitude"].values),
        longitude_deg=opened["longitude"].values,
        terrain_m=terrain_m,
        cycle_unix_s=to_unix_s(cycle.reference_utc),
    )
    joined = join_members(near, remarks)
    _name_absent_fields({**joined.values, **fixed}, gaps)
    _count_members(opened, gaps)
    if wind.time_unix_s.size == 1:
        wind = hold_single_step(wind, float(SINGLE_STEP_HOLDS_S))
        remarks.append(_single_step(aloft[0].leads_s[0], cycle))
    if len(joined.leads_s) == 1:
        joined = _hold_near(joined)
    if wind.moisture is None:
        remarks.append(DryAir())
    surface = _surface(joined, wind, fixed.get("land_fraction"), cycle)
    return CycleData(
        cycle, wind, surface, tuple(files), gaps.notes(), tuple(dict.fromkeys(remarks))
    )


def _surface(
    joined: Near, wind: WindGrid, land_fraction: Array | None, cycle: Cycle
) -> SurfaceGrid:
    """Fields near the ground on the grid, with the intervals that they stand for."""
    begin = to_unix_s(cycle.reference_utc)
    return SurfaceGrid(
        time_unix_s=begin + np.array(joined.leads_s, dtype=np.float64),
        latitude_deg=wind.latitude_deg,
        longitude_deg=wind.longitude_deg,
        fields=joined.values,
        land_fraction=land_fraction,
        cells={
            name: TimeCells(joined.kinds[name].method, begin + starts_s)
            for name, starts_s in joined.starts_s.items()
        },
    )


def _longer_side_deg(opened: xr.Dataset) -> float:
    return float(max(np.ptp(opened[axis].values) for axis in ("latitude", "longitude")))


def _stacked(fields: Mapping[str, Sequence[xr.DataArray]]) -> dict[str, list[Stack]]:
    return {name: [_stack(array) for array in arrays] for name, arrays in fields.items()}


def _stack(array: xr.DataArray) -> Stack:
    """A plain array from one of the dataset: our unit, latitudes rising."""
    selector = selector_of(array)
    latitude, values = array["latitude"].values, array.values
    if latitude[0] > latitude[-1]:
        values = values[..., ::-1, :]
    if selector.scale != 1.0:
        values = values * np.float32(selector.scale)
    kind, leads_s = selector.kind, seconds_of(array)
    if "start" in array.coords:
        starts_s = [int(s) for s in array["start"].values]
    elif kind is Kind.ACCUMULATION:
        starts_s = [leads_s[0], *leads_s[:-1]]
    else:
        kind, starts_s = Kind.INSTANT, leads_s
    return Stack(
        field=FIELDS[array.attrs["field"]],
        kind=kind,
        numbers=[int(n) for n in array["number"].values],
        starts_s=starts_s,
        leads_s=leads_s,
        levels=[float(v) for v in array["level"].values],
        values=values,
        above_sea=selector.above_sea,
    )


def _level_run(run: Run, aloft: Aloft, near: Near, cycle: Cycle) -> LevelRun:
    """Air of one run on its levels, with the winds near the ground that come in pairs."""
    east_10m, north_10m = _pair(near, aloft.leads_s, 10)
    east_100m, north_100m = _pair(near, aloft.leads_s, 100)
    return LevelRun(
        time_unix_s=to_unix_s(cycle.reference_utc) + np.array(aloft.leads_s, dtype=np.float64),
        pressure_pa=aloft.pressure_pa,
        u_mps=aloft.values["u"],
        v_mps=aloft.values["v"],
        temperature_k=aloft.values["t"],
        geopotential_height_m=aloft.values["gh"],
        member_labels=run.labels,
        wind_u_10m_mps=east_10m,
        wind_v_10m_mps=north_10m,
        wind_u_100m_mps=east_100m,
        wind_v_100m_mps=north_100m,
        specific_humidity=aloft.specific_humidity,
    )


def _pair(near: Near, leads_s: list[int], above_ground_m: int) -> tuple[Array | None, Array | None]:
    """Both parts of a wind near the ground, or neither."""
    east = at_leads(near, f"wind_u_{above_ground_m}m_mps", leads_s)
    north = at_leads(near, f"wind_v_{above_ground_m}m_mps", leads_s)
    return (None, None) if east is None or north is None else (east, north)


def _hold_near(near: Near) -> Near:
    """Surface fields of one step, put at both ends of the time for which they are held.

    An amount of precipitation becomes what its mean rate gives between those ends. Means and
    extremes keep the length of their interval, so that nobody takes them for those of another.
    """
    lead_s = float(near.leads_s[0])
    leads_s = [near.leads_s[0] - SINGLE_STEP_HOLDS_S, near.leads_s[0] + SINGLE_STEP_HOLDS_S]
    values = {name: np.repeat(planes, 2, axis=1) for name, planes in near.values.items()}
    starts_s = {}
    for name, starts in near.starts_s.items():
        length_s = lead_s - float(starts[0])  # NaN where there is none
        starts_s[name] = np.array(leads_s, dtype=np.float64) - length_s
        if near.kinds[name] is Kind.ACCUMULATION:
            values[name] *= np.float32(2.0 * SINGLE_STEP_HOLDS_S / length_s)
            starts_s[name] = np.array([np.nan, leads_s[0]])
    return Near(leads_s, values, near.kinds, starts_s)


def _single_step(lead_s: int, cycle: Cycle) -> SingleStep:
    valid_utc = cycle.reference_utc + timedelta(seconds=lead_s)
    return SingleStep(valid_utc, lead_s, SINGLE_STEP_HOLDS_S)


def _name_absent_fields(there: Mapping[str, Array], gaps: GapList) -> None:
    known = (*SURFACE, FIELDS["land_fraction"])
    wanted = [f.name for f in known if f.name not in there and f.name not in SELDOM]
    if wanted:
        gaps.add(FieldsAbsent(tuple(wanted)))


def _count_members(opened: xr.Dataset, gaps: GapList) -> None:
    """Note which members are missing, by their numbers and by the count the source gives.

    Sources differ in whether that count includes the unperturbed run, so one less is fine.
    """
    arrays = [array for arrays in arrays_of(opened, "members").values() for array in arrays]
    numbers = {int(number) for array in arrays for number in array["number"].values}
    if not numbers:
        return
    said = max(int(array.attrs["ensemble_size"]) for array in arrays)
    lacking = sorted(set(range(1, max(numbers) + 1)) - numbers) if min(numbers) > 0 else []
    for number in lacking:
        gaps.add(MemberAbsent(number))
    if len(numbers) + len(lacking) + 1 < said:
        gaps.add(FewerMembers(said, len(numbers)))
