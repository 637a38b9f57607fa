"""From opened fields to the one form inside: `WindGrid` and `SurfaceGrid`.

Here foreign axes, units and intervals end: latitudes rise, longitudes run one way, times and
levels are complete, and whatever is not there is NaN and named in words. Nothing is filled.
"""

from collections.abc import Mapping, Sequence
from datetime import timedelta

import numpy as np
import xarray as xr

from windowwatch.clock import to_unix_s
from windowwatch.forecast.aloft import Aloft, lay_aloft
from windowwatch.forecast.cycle import Cycle, CycleData, SourceFile
from windowwatch.forecast.decode import OpenCycle, OpenField, seconds_of
from windowwatch.forecast.gaps import GapList
from windowwatch.forecast.layout import Array, Run, Stack, run_of
from windowwatch.forecast.messages import Kind
from windowwatch.forecast.models import ALOFT, FIELDS, SELDOM, SURFACE
from windowwatch.forecast.near import (
    Near,
    at_leads,
    fixed_plane,
    join_members,
    lay_near,
    terrain_from_pressure,
)
from windowwatch.forecast.plausible import require_plausible
from windowwatch.physics.surface import SurfaceGrid, TimeCells
from windowwatch.physics.windgrid import (
    LevelRun,
    build_wind_grid,
    hold_single_step,
)

#: How long a single step is taken as valid, either way. [s]
SINGLE_STEP_HOLDS_S = 3 * 3600
#: Said of a cycle without humidity aloft; the effect as tests/physics/test_humidity.py finds it.
DRY = (
    "humidity aloft is not in the files; air is taken as dry, which shifts a landing by 1 % "
    "of the drift, or 2 % in the tropics"
)


def build_cycle(opened: OpenCycle, cycle: Cycle, files: Sequence[SourceFile]) -> CycleData:
    """Lay a cycle out on the canonical grid.

    A step that is missing by the rhythm of the others is put in as NaN. A level that lacks
    one of the four fields aloft is NaN if complete levels lie on both sides of it, and left
    out above the highest or below the lowest of those. A single step is taken as valid three
    hours either way.

    Returns
    -------
    CycleData
        With a gap in words for every plane, level, step, field and member that is not there.

    Raises
    ------
    MissingFieldError
        If wind, temperature or height aloft, or everything about the terrain, is missing.
    DecodeError
        If the terrain cannot be right.
    ImpossibleWeatherError
        If the numbers cannot be weather (`plausible`).
    """
    gaps, remarks = GapList(), list(opened.remarks)
    name = ", ".join(file.path for file in files)
    control, members = _stacked(opened.control), _stacked(opened.members)
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
        remarks.append("terrain height is not in the files; it is worked out from pressure there")
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
        latitude_deg=np.sort(opened.box.latitude_deg),
        longitude_deg=opened.box.longitude_deg,
        terrain_m=terrain_m,
        cycle_unix_s=to_unix_s(cycle.reference_utc),
    )
    joined = join_members(near, remarks)
    _name_absent_fields({**joined.values, **fixed}, gaps)
    _count_members(opened, gaps)
    if wind.time_unix_s.size == 1:
        wind = hold_single_step(wind, float(SINGLE_STEP_HOLDS_S))
        remarks.append(_single_step_words(aloft[0].leads_s[0], cycle))
    if len(joined.leads_s) == 1:
        joined = _hold_near(joined)
    if wind.moisture is None:
        remarks.append(DRY)
    surface = SurfaceGrid(
        time_unix_s=to_unix_s(cycle.reference_utc) + np.array(joined.leads_s, dtype=np.float64),
        latitude_deg=wind.latitude_deg,
        longitude_deg=wind.longitude_deg,
        fields=joined.values,
        land_fraction=fixed.get("land_fraction"),
        cells={
            name: TimeCells(joined.kinds[name].method, to_unix_s(cycle.reference_utc) + starts_s)
            for name, starts_s in joined.starts_s.items()
        },
    )
    return CycleData(
        cycle, wind, surface, tuple(files), gaps.words(), tuple(dict.fromkeys(remarks))
    )


def _longer_side_deg(opened: OpenCycle) -> float:
    return float(max(np.ptp(opened.box.latitude_deg), np.ptp(opened.box.longitude_deg)))


def _stacked(fields: Mapping[str, OpenField]) -> dict[str, list[Stack]]:
    return {
        name: [_stack(field, array) for array in field.arrays] for name, field in fields.items()
    }


def _stack(opened: OpenField, array: xr.DataArray) -> Stack:
    """A plain array from an opened one: our unit, latitudes rising."""
    selector = opened.selector
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
        field=opened.field,
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


def _single_step_words(lead_s: int, cycle: Cycle) -> str:
    valid = cycle.reference_utc + timedelta(seconds=lead_s)
    return (
        f"the files hold a single step, valid {valid:%Y-%m-%d %H:%M} UTC (+{lead_s / 3600:g} h); "
        f"it is taken as valid within three hours either way"
    )


def _name_absent_fields(there: Mapping[str, Array], gaps: GapList) -> None:
    known = (*SURFACE, FIELDS["land_fraction"])
    wanted = [field for field in known if field.name not in there and field.name not in SELDOM]
    if wanted:
        gaps.say(f"not in the files: {', '.join(field.words for field in wanted)}")


def _count_members(opened: OpenCycle, gaps: GapList) -> None:
    """Say which members are missing, by their numbers and by the count the source gives.

    Sources differ in whether that count includes the unperturbed run, so one less is fine.
    """
    numbers = {
        int(number)
        for field in opened.members.values()
        for array in field.arrays
        for number in array["number"].values
    }
    if not numbers:
        return
    said = max(field.members for field in opened.members.values())
    lacking = sorted(set(range(1, max(numbers) + 1)) - numbers) if min(numbers) > 0 else []
    for number in lacking:
        gaps.say(f"member {number} is missing")
    if len(numbers) + len(lacking) + 1 < said:
        gaps.say(f"the source speaks of {said} members; {len(numbers)} are there")
