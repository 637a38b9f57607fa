"""Weather that cannot be: planes that contradict one another, or stand still. Pure on arrays.

Named rules
-----------
rising
    Height rises from each isobaric level to the next one above it.
thickness
    The height between two levels fits the temperature there (hypsometric equation, with virtual
    temperature where humidity is known).
standing still
    Wind, temperature, height and pressure are not one number all over a wide grid, wind is not
    zero all over a small one, and gusts are not zero everywhere after the first step.
one plane, or the cycle
    What is wrong at one step is missing there: NaN, named, and so refuses the hours that need it.
    What is wrong at half of the steps of a run or more, or was used to find the terrain, refuses
    the cycle.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import ImpossibleWeatherError
from windowwatch.forecast.models import FIELDS
from windowwatch.forecast.near import Aloft, Array, GapList, Near, Run
from windowwatch.forecast.notes import (
    AllCalm,
    AllZero,
    Fault,
    HeightFalls,
    NotUsed,
    OneNumber,
    Planes,
    ThicknessOff,
)
from windowwatch.physics.atmosphere import virtual_factor
from windowwatch.physics.constants import AIR_GAS_CONSTANT, STANDARD_GRAVITY_MPS2
from windowwatch.units import FloatArray

#: By how much the mean temperature that a thickness stands for may differ from the mean of the
#: layer's two ends: a base, and a part that grows with the layer. [K], [K per unit of ln p]
#: Temperature is not straight between levels. A bend of 6.5 K/km in the middle of a layer of D km
#: makes D · 6.5 / 8 K, which is 6 K for each unit of ln p; rounded up, as a sharp inversion is
#: more than that. The base leaves room for inversions in thin layers and for heights that are
#: coded to a metre. The real GFS step that the tests read differs by at most 5.5 K (100 to
#: 70 hPa), where 11.6 K are left.
BASE_K, BY_LAYER_K = 8.0, 10.0
#: The same under the model's terrain, where heights and temperatures are made up by different
#: rules: the real step differs by 21 K under the Himalaya. [K]
UNDERGROUND_K = 40.0
#: A plane that is one number on so many points, over so many degrees, is no weather. [1], [deg]
#: Judgement: values are coded to about 0.1 of their unit, and differ by far more over 200 km.
WIDE_POINTS, WIDE_DEG = 64, 2.0
#: Both parts of a wind exactly zero on so many points are no weather. [1] Judgement.
CALM_POINTS = 9
#: Share of a run's steps that may be wrong before the whole cycle is refused. [1] Judgement.
MOST_WRONG = 0.5
#: Near the ground, what is never one number over a wide grid.
_NEVER_ONE = (
    "wind_u_10m_mps", "wind_v_10m_mps", "wind_u_100m_mps", "wind_v_100m_mps",
    "temperature_2m_k", "dew_point_2m_k", "pressure_msl_pa", "pressure_surface_pa",
)  # fmt: skip


@dataclass(frozen=True)
class _Found:
    """One field of one member at one level, and [T] where it is wrong."""

    what: Planes
    why: Fault
    wrong: NDArray[np.bool_]


def require_plausible(
    runs: Sequence[Run],
    aloft: Sequence[Aloft],
    near: Sequence[Near],
    terrain_m: Array,
    gaps: GapList,
    *,
    files: str,
    span_deg: float,
    terrain_is_derived: bool,
) -> None:
    """Take planes that cannot be weather out of a cycle, in place, or refuse it.

    Parameters
    ----------
    runs, aloft, near : sequence of Run, Aloft, Near
        Control and members, in the same order.
    terrain_m : array [Y, X]
        [m]
    gaps : GapList
        Is told of every plane that is taken out.
    files : str
        Names of the files, for the error.
    span_deg : float
        The grid's longer side. [deg]
    terrain_is_derived : bool
        Whether the terrain was found from the heights that are looked at here.

    Raises
    ------
    ImpossibleWeatherError
        Naming file, field, level, time and what is wrong.
    """
    for run, air, low in zip(runs, aloft, near, strict=True):
        found = [*_aloft(run, air, terrain_m, span_deg), *_near(run, low, span_deg)]
        for each in found:
            leads_s = low.leads_s if each.wrong.size == len(low.leads_s) else air.leads_s
            at_s = [lead for lead, wrong in zip(leads_s, each.wrong, strict=True) if wrong]
            derived = terrain_is_derived and each.what.field == "gh"
            if derived or each.wrong.sum() >= MOST_WRONG * each.wrong.size:
                when, what = f"+{at_s[0] / 3600:g} h", _planes_said(each.what)
                raise ImpossibleWeatherError(
                    f"{files}: {what} at {when} cannot be weather: {_fault_said(each.why)}"
                    + (f" (so at {len(at_s)} of {len(leads_s)} steps)" if len(at_s) > 1 else "")
                    + ". The cycle is not used; fetch it again, or ask the source"
                )
            gaps.at_steps(NotUsed(each.what, each.why), at_s, leads_s)


def _aloft(run: Run, air: Aloft, terrain_m: Array, span_deg: float) -> list[_Found]:
    """What is wrong aloft; wrong planes become NaN."""
    found = []
    moist = air.specific_humidity
    for m, number in enumerate(run.numbers):
        for level, pressure in enumerate(air.pressure_pa):
            for key, planes in air.values.items():
                what = Planes(key, float(pressure), number)
                found.append(_one_number(planes[m, :, level], what, WIDE_POINTS, span_deg))
            wind = [air.values[key][m, :, level] for key in ("u", "v")]
            found.append(_calm(wind, Planes("wind", float(pressure), number)))
        heights, warmth = air.values["gh"][m], air.values["t"][m]
        wrong = np.zeros(heights.shape[:2], dtype=np.bool_)
        whys: dict[int, Fault] = {}
        for t in range(heights.shape[0]):
            humid = None if moist is None else moist[m, t]
            for level, why in misfits(air.pressure_pa, heights[t], warmth[t], terrain_m, humid):
                wrong[t, level] = True
                whys.setdefault(level, why)
        for level, why in whys.items():
            heights[wrong[:, level], level] = warmth[wrong[:, level], level] = np.nan
            what = Planes("gh", float(air.pressure_pa[level]), number)
            found.append(_Found(what, why, wrong[:, level]))
    return [each for each in found if each.wrong.any()]


def misfits(
    pressure_pa: FloatArray,
    height_m: Array,
    temperature_k: Array,
    terrain_m: Array,
    specific_humidity: Array | None = None,
) -> list[tuple[int, Fault]]:
    """Levels whose height or temperature does not fit those beside it, and what is wrong.

    A level that fits neither of its neighbours is at fault alone; where only one layer does not
    fit, nobody can say which of its two levels is wrong, and both are named.

    Parameters
    ----------
    pressure_pa : array [L]
        Falling. [Pa]
    height_m, temperature_k, specific_humidity : array [L, Y, X]
        Geopotential height [gpm]; NaN where missing. Missing humidity is taken as none.
    terrain_m : array [Y, X]

    Returns
    -------
    list of (int, Fault)
        Place of the level, and what is wrong.
    """
    there = [
        n for n in range(pressure_pa.size) if np.isfinite(height_m[n] + temperature_k[n]).any()
    ]
    fault: dict[tuple[int, int], Fault | None] = {}
    wrong: list[tuple[int, Fault]] = []
    while len(there) > 1:
        pairs = list(pairwise(there))
        for low, high in pairs:
            if (low, high) not in fault:
                humid = None if specific_humidity is None else specific_humidity[[low, high]]
                fault[low, high] = _misfit(
                    pressure_pa[[low, high]],
                    height_m[[low, high]],
                    temperature_k[[low, high]],
                    terrain_m,
                    humid,
                )
        bad = [pair for pair in pairs if fault[pair] is not None]
        if not bad:
            break
        counts = {n: sum(n in pair for pair in bad) for n in there}
        most = max(counts.values())
        for level in [n for n, count in counts.items() if count == most]:
            why = next(w for pair in bad if level in pair and (w := fault[pair]) is not None)
            wrong.append((level, why))
            there.remove(level)
    return wrong


def thickness_m(
    pressure_pa: FloatArray, temperature_k: Array, specific_humidity: Array | None = None
) -> FloatArray:
    """Hypsometric thickness [Y, X] of a layer between two levels [2], falling. [gpm]

    Virtual temperature is taken as straight in the logarithm of pressure.

    References
    ----------
    .. [1] World Meteorological Organization, "Guide to Instruments and Methods of Observation"
       (WMO-No. 8), volume I, annex on reduction of pressure (from memory).
    """
    virtual = temperature_k.astype(np.float64)
    if specific_humidity is not None:
        humid = np.nan_to_num(specific_humidity.astype(np.float64), nan=0.0)
        virtual = virtual * virtual_factor(humid)
    scale = AIR_GAS_CONSTANT / STANDARD_GRAVITY_MPS2 * np.log(pressure_pa[0] / pressure_pa[1])
    return np.asarray(scale * virtual.mean(axis=0))


def _misfit(
    pressure_pa: FloatArray,
    height_m: Array,
    temperature_k: Array,
    terrain_m: Array,
    specific_humidity: Array | None,
) -> Fault | None:
    """What is wrong with a layer, or None."""
    given = height_m[1].astype(np.float64) - height_m[0]
    levels_pa = float(pressure_pa[0]), float(pressure_pa[1])
    with np.errstate(invalid="ignore"):
        if (given <= 0.0).any():
            return HeightFalls(levels_pa, float(np.nanmin(given)))
        expected = thickness_m(pressure_pa, temperature_k, specific_humidity)
        log_ratio = float(np.log(pressure_pa[0] / pressure_pa[1]))
        buried = height_m[0] < terrain_m
        allowed_k = np.where(buried, UNDERGROUND_K, BASE_K) + BY_LAYER_K * log_ratio
        scale = AIR_GAS_CONSTANT / STANDARD_GRAVITY_MPS2 * log_ratio
        excess = np.abs(given - expected) - scale * allowed_k
        if not (excess > 0.0).any():
            return None
    spot = np.unravel_index(int(np.nanargmax(excess)), excess.shape)
    allowed_m = float(scale * allowed_k[spot])
    return ThicknessOff(levels_pa, float(given[spot]), float(expected[spot]), allowed_m)


def _planes_said(planes: Planes) -> str:
    """Planes, as an error names them."""
    known = FIELDS.get(planes.field)
    words = planes.field.replace("_10m", " at 10 m").replace("_100m", " at 100 m")
    level = "" if planes.level_pa is None else f" at {planes.level_pa / 100:g} hPa"
    whose = f" of member {planes.member}" if planes.member else ""
    return f"{words if known is None else known.words}{level}{whose}"


def _fault_said(fault: Fault) -> str:
    """What is wrong, as an error says it."""
    if isinstance(fault, HeightFalls | ThicknessOff):
        beside = " and ".join(f"{p / 100:g}" for p in fault.levels_pa) + " hPa"
        if isinstance(fault, HeightFalls):
            return f"height does not rise between {beside} (by {fault.by_m:.0f} m somewhere)"
        return (
            f"{fault.given_m:.0f} m lie between {beside} where the temperature gives "
            f"{fault.expected_m:.0f} ± {fault.allowed_m:.0f} m"
        )
    everywhere = {AllZero: "0", OneNumber: "the same number", AllCalm: "calm"}
    return f"it is {everywhere[type(fault)]} everywhere"


def _near(run: Run, low: Near, span_deg: float) -> list[_Found]:
    """What is wrong near the ground; wrong planes become NaN."""
    found = []
    for m, number in enumerate(run.numbers):
        for key in _NEVER_ONE:
            if key in low.values:
                what = Planes(key, member=number)
                found.append(_one_number(low.values[key][m], what, WIDE_POINTS, span_deg))
        for height in (10, 100):
            keys = [f"wind_{axis}_{height}m_mps" for axis in "uv"]
            if all(key in low.values for key in keys):
                wind = [low.values[key][m] for key in keys]
                found.append(_calm(wind, Planes(f"wind_{height}m", member=number)))
        if "gust_mps" in low.values:
            planes = low.values["gust_mps"][m]
            still = _still(planes) & (_count(planes) >= WIDE_POINTS) & (span_deg >= WIDE_DEG)
            zero = still & (np.nan_to_num(planes).max(axis=(1, 2)) == 0.0)
            zero &= np.array(low.leads_s) > 0
            planes[zero] = np.nan
            found.append(_Found(Planes("gust_mps", member=number), AllZero(), zero))
    return [each for each in found if each.wrong.any()]


def _one_number(planes: Array, what: Planes, points: int, span_deg: float) -> _Found:
    """Planes [T, Y, X] that are one number all over a wide grid become NaN."""
    wrong = _still(planes) & (_count(planes) >= points) & (span_deg >= WIDE_DEG)
    planes[wrong] = np.nan
    return _Found(what, OneNumber(), wrong)


def _calm(wind: Sequence[Array], what: Planes) -> _Found:
    """Planes [T, Y, X] of both parts of a wind that are zero everywhere become NaN."""
    wrong = np.ones(wind[0].shape[0], dtype=np.bool_)
    for planes in wind:
        wrong &= (_count(planes) >= CALM_POINTS) & ~np.nan_to_num(planes).any(axis=(1, 2))
    for planes in wind:
        planes[wrong] = np.nan
    return _Found(what, AllCalm(), wrong)


def _count(planes: Array) -> NDArray[np.intp]:
    return np.asarray(np.isfinite(planes).sum(axis=(1, 2)))


def _still(planes: Array) -> NDArray[np.bool_]:
    """Which planes [T, Y, X] have one value wherever they have any."""
    least = np.where(np.isnan(planes), np.inf, planes).min(axis=(1, 2))
    greatest = np.where(np.isnan(planes), -np.inf, planes).max(axis=(1, 2))
    return np.asarray(least == greatest)
