"""Fields near the ground on common times, terrain and land mask; what all laying out shares.

Every plane is held against its bounds, and what a cycle lacks is gathered as gaps.

Sources give precipitation either for each interval between two output times, or as a total
that runs from the start (or from every sixth hour) and must be differenced; averages come in
the same two styles. What is wanted of them is always the interval from the time before.
Greatest and least values cannot be differenced: they keep the interval they come with.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import DecodeError, MissingFieldError
from windowwatch.forecast.grib.messages import Kind
from windowwatch.forecast.models import EMPTY_AT_START, FIELDS, SURFACE, Field
from windowwatch.forecast.notes import (
    AtSteps,
    ControlForAll,
    Lack,
    MoreGaps,
    Note,
    Notes,
    NothingNearGround,
    NotThere,
    NotUsed,
    OutOfBounds,
    PartlyThere,
    Planes,
)
from windowwatch.units import FloatArray

_MOST_GAPS_KEPT = 60


@dataclass
class GapList:
    """Gathers gaps while a cycle is laid out."""

    _notes: dict[Note, None] = field(default_factory=dict)
    _leads_s: dict[Lack, set[int]] = field(default_factory=dict)
    _offered: dict[Lack, int] = field(default_factory=dict)

    def add(self, note: Note) -> None:
        """Add one gap."""
        self._notes.setdefault(note)

    def at_steps(self, lack: Lack, leads_s: Iterable[int], offered: Sequence[int]) -> None:
        """Add that something is so at some of the `offered` lead times. [s]"""
        leads = set(leads_s)
        if leads:
            self._leads_s.setdefault(lack, set()).update(leads)
            self._offered[lack] = len(offered)

    def notes(self) -> Notes:
        """All gaps; the last says how many more there are, if they are very many."""
        found = [
            *self._notes,
            *(
                AtSteps(lack, tuple(sorted(at)), self._offered[lack])
                for lack, at in self._leads_s.items()
            ),
        ]
        if len(found) > _MOST_GAPS_KEPT:
            found = [*found[:_MOST_GAPS_KEPT], MoreGaps(len(found) - _MOST_GAPS_KEPT)]
        return tuple(found)


Array = NDArray[np.float32]


@dataclass(frozen=True)
class Stack:
    """One field: values [M, T, L, Y, X] in our unit, latitudes rising, and its axes.

    `starts_s` and `leads_s` [T] bound the interval each time stands for, after the reference
    time [s]; they are equal for an instant. `levels` [L] is in pascal aloft. `above_sea`
    marks heights that the source counts from sea level where ours count from the ground.
    """

    field: Field
    kind: Kind
    numbers: list[int]
    starts_s: list[int]
    leads_s: list[int]
    levels: list[float]
    values: Array
    above_sea: bool = False


@dataclass(frozen=True)
class Run:
    """The control run, or all perturbed members together.

    `stacks` has one stack a field; several where intervals of different length end at the
    same time, all of one kind. `numbers` are the members in order, 0 for the control.
    """

    stacks: Mapping[str, Sequence[Stack]]
    numbers: tuple[int, ...]

    @property
    def labels(self) -> tuple[str, ...]:
        """What each member is called."""
        return tuple(f"member {n}" if n else "control" for n in self.numbers)


def run_of(stacks: Mapping[str, Sequence[Stack]]) -> Run:
    """A run with all members that occur in any of its fields."""
    found = {n for several in stacks.values() for stack in several for n in stack.numbers}
    return Run(stacks, tuple(sorted(found, key=lambda n: (abs(n), n < 0))))


def refuse_impossible(
    planes: Array, stack_field: Field, what: Planes, leads_s: Sequence[int], gaps: GapList
) -> None:
    """Turn planes [T, Y, X] with impossible values into NaN and say so; trim coding noise.

    A plane with some missing cells keeps the others, and is named.
    """
    with np.errstate(invalid="ignore"):
        beyond = (planes < stack_field.least) | (planes > stack_field.greatest)
    wrong = np.asarray(beyond.any(axis=(1, 2)))
    planes[wrong] = np.nan
    gaps.at_steps(NotUsed(what, OutOfBounds()), _at(leads_s, wrong), leads_s)
    holes = np.isnan(planes).sum(axis=(1, 2))
    partly = (holes > 0) & (holes < planes[0].size)
    gaps.at_steps(PartlyThere(what), _at(leads_s, partly), leads_s)
    if stack_field.floor is not None or stack_field.ceiling is not None:
        np.clip(planes, stack_field.floor, stack_field.ceiling, out=planes)


def absent(planes: Array) -> NDArray[np.bool_]:
    """Which planes [..., Y, X] have no value at all."""
    return np.asarray(np.isnan(planes).all(axis=(-2, -1)))


def _at(leads_s: Sequence[int], which: NDArray[np.bool_]) -> list[int]:
    return [lead for lead, is_so in zip(leads_s, which, strict=True) if is_so]


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


@dataclass(frozen=True)
class Window:
    """One field over an interval: bounds after the reference time [s], values of any shape."""

    start_s: int
    end_s: int
    values: NDArray[np.float32]


def consecutive_sums(windows: Sequence[Window], edges_s: Sequence[int] = ()) -> list[Window]:
    """Sums over intervals that follow one another.

    Parameters
    ----------
    windows : sequence of Window
        Sums, each over its own interval; overlapping ones allowed.
    edges_s : sequence of int
        Times at which an interval begins and ends besides the ends of the windows. [s]

    Returns
    -------
    list of Window, one for each end time, rising
        From the edge before (for the first: from its own start) to this one, either as
        given or as the difference of two running totals. All NaN where the parts needed are
        not there: part of an interval is never taken for the whole, nor the whole for a part.
    """
    by_bounds = {(w.start_s, w.end_s): w.values for w in windows}
    ends = sorted({w.end_s for w in windows})
    edges = sorted({*ends, *edges_s})
    result: list[Window] = []
    for end in ends:
        own = sorted((w for w in windows if w.end_s == end), key=lambda w: -w.start_s)
        place = edges.index(end)
        if place == 0:
            result.append(own[0])
        else:
            before = edges[place - 1]
            result.append(Window(before, end, _between(by_bounds, own, before)))
    return result


def _between(
    by_bounds: dict[tuple[int, int], NDArray[np.float32]], own: list[Window], before: int
) -> NDArray[np.float32]:
    """Sum from `before` to the common end of `own`, NaN if it does not follow from them."""
    for window in own:
        if window.start_s == before:
            return window.values
    for window in own:
        earlier = by_bounds.get((window.start_s, before))
        if window.start_s < before and earlier is not None:
            return window.values - earlier
    return np.full_like(own[0].values, np.nan)


def consecutive_means(windows: Sequence[Window], edges_s: Sequence[int] = ()) -> list[Window]:
    """Means over intervals that follow one another; as `consecutive_sums`.

    A mean that begins after the edge before and cannot be had from there stays what it is: the
    mean of a part, with the beginning of that part.
    """
    sums = [Window(w.start_s, w.end_s, w.values * (w.end_s - w.start_s)) for w in windows]
    means = []
    for found in consecutive_sums(sums, edges_s):
        length_s = max(found.end_s - found.start_s, 1)
        mean = Window(found.start_s, found.end_s, (found.values / length_s).astype(np.float32))
        parts = [w for w in windows if w.end_s == found.end_s and w.start_s > found.start_s]
        if parts and np.isnan(found.values).all():
            mean = min(parts, key=lambda w: w.start_s)
        means.append(mean)
    return means


def reaching_back(windows: Sequence[Window], edges_s: Sequence[int] = ()) -> list[Window]:
    """One extreme for each end time, rising: greatest or least values cannot be differenced.

    Of several intervals with one end, the shortest that reaches back to the edge before, so
    that no time is left out; where none does, the longest. Edges as in `consecutive_sums`.
    """
    edges = sorted({*edges_s, *(w.end_s for w in windows)})
    result = []
    for end in sorted({w.end_s for w in windows}):
        own = sorted((w for w in windows if w.end_s == end), key=lambda w: -w.start_s)
        place = edges.index(end)
        reaching = [w for w in own if place and w.start_s <= edges[place - 1]]
        result.append(reaching[0] if reaching else own[-1])
    return result


def is_covered(start_s: float, end_s: float, bounds_s: Sequence[tuple[float, float]]) -> bool:
    """Tell whether intervals together leave out nothing from `start_s` to `end_s`."""
    reached = start_s
    for start, end in sorted(bounds_s):
        if start > reached:
            break
        reached = max(reached, end)
    return reached >= end_s


def missing_steps(steps_s: Sequence[int]) -> list[int]:
    """Steps that are not there although the others say they should be. [s]

    Models write their output at even steps that may become longer with lead time but never
    shorter again. So there is a hole where a step is longer than a later one, and where a
    longer step is not followed by another of its length.
    """
    steps = sorted(set(steps_s))
    widths = [later - earlier for earlier, later in pairwise(steps)]
    missing: list[int] = []
    rhythm = min(widths, default=0)
    for place, width in enumerate(widths):
        shortest = min(widths[place:])
        if width == shortest and place > 0 and widths[place + 1 : place + 2] != [width]:
            shortest = rhythm
        if width > shortest and width % shortest == 0:
            missing.extend(range(steps[place] + shortest, steps[place + 1], shortest))
        rhythm = shortest
    return missing


@dataclass(frozen=True)
class Near:
    """Surface fields [M, T, Y, X] and their lead times. [s]

    `starts_s` has, of each field that stands for intervals, where that begins which ends at
    each lead time [T], after the reference time: the coordinate of
    `physics.surface.TimeCells`. [s]
    """

    leads_s: list[int]
    values: Mapping[str, Array]
    kinds: Mapping[str, Kind]
    starts_s: Mapping[str, FloatArray]


def lay_near(run: Run, terrain_m: Array, gaps: GapList) -> Near:
    """Put the surface fields of one run onto common times.

    Sums and means over overlapping intervals are made to follow one another; heights above
    sea level become heights above the terrain [Y, X]. Planes that are not there are NaN, and
    named in `gaps`; so is what a field has of an interval without length, and the constant 0
    that some have at the first step.
    """
    stacks = {field.name: run.stacks[field.name] for field in SURFACE if field.name in run.stacks}
    there_s = sorted({lead for ss in stacks.values() for stack in ss for lead in stack.leads_s})
    holes_s = missing_steps(there_s)
    leads_s = sorted({*there_s, *holes_s})
    gaps.at_steps(NothingNearGround(), holes_s, leads_s)
    values, starts_s = {}, {}
    for name, several in stacks.items():
        planes, starts = _place(several, run, leads_s, holes_s)
        offered = [lead for lead in leads_s if lead not in holes_s]
        if several[0].kind is not Kind.INSTANT:
            # where no interval ends, no plane is missing
            offered = [lead for lead in offered if not np.isnan(starts[leads_s.index(lead)])]
            starts_s[name] = starts
        if several[0].above_sea:
            planes -= terrain_m
        columns = [leads_s.index(lead) for lead in offered]
        for m, number in enumerate(run.numbers):
            what = Planes(name, member=number)
            gone = absent(planes[m][columns])
            at = [lead for lead, is_so in zip(offered, gone, strict=True) if is_so]
            gaps.at_steps(NotThere(what), at, offered)
            refuse_impossible(planes[m], FIELDS[name], what, leads_s, gaps)
        values[name] = planes
    return Near(leads_s, values, {name: ss[0].kind for name, ss in stacks.items()}, starts_s)


def _place(
    several: Sequence[Stack], run: Run, leads_s: list[int], holes_s: list[int]
) -> tuple[Array, FloatArray]:
    """The stacks of one field on the axes of its run, NaN where they have nothing.

    Returns
    -------
    values : array [M, T, Y, X]
    starts_s : array [T]
        Where the interval begins that ends at each lead time, the same for all members; NaN
        where none is to be expected.
    """
    shape = (len(run.numbers), len(leads_s), *several[0].values.shape[-2:])
    values = np.full(shape, np.nan, dtype=np.float32)
    starts_s = np.full(len(leads_s), np.nan)
    found = [_windows(several, number) for number in run.numbers]
    edges_s = sorted({*holes_s, *(window.end_s for windows in found for window in windows)})
    for m, windows in enumerate(found):
        for window in _one_a_time(several[0].kind, windows, leads_s, edges_s):
            t = leads_s.index(window.end_s)
            if np.isnan(starts_s[t]):
                starts_s[t] = window.start_s
            if starts_s[t] == window.start_s:  # members share the coordinate
                values[m, t] = window.values
    return values, _expected(starts_s, leads_s)


def _one_a_time(
    kind: Kind, windows: list[Window], leads_s: list[int], edges_s: list[int]
) -> list[Window]:
    """Windows of which no two end at the same time."""
    if kind is Kind.INSTANT:
        return windows
    if kind is Kind.ACCUMULATION:
        return consecutive_sums(windows, leads_s)  # sums must fill the time axis
    if kind is Kind.AVERAGE:
        return consecutive_means(windows, edges_s)
    return reaching_back(windows, edges_s)


def _windows(several: Sequence[Stack], number: int) -> list[Window]:
    """What there is of one member, without what cannot stand for anything."""
    windows = []
    for stack in several:
        if number not in stack.numbers:
            continue
        planes = stack.values[stack.numbers.index(number), :, 0]
        for start, end, plane in zip(stack.starts_s, stack.leads_s, planes, strict=True):
            empty = end == 0 and stack.field.name in EMPTY_AT_START and not plane.any()
            lasts = stack.kind is Kind.INSTANT or start < end
            if lasts and not empty and not np.isnan(plane).all():
                windows.append(Window(start, end, plane))
    return windows


def _expected(starts_s: FloatArray, leads_s: Sequence[int]) -> FloatArray:
    """Beginnings of intervals, with those of which the plane is missing put in.

    At a time without an interval, one since the time before is expected, unless others cover
    that time already.
    """
    ends_s = np.array(leads_s, dtype=np.float64)
    bounds = [(s, e) for s, e in zip(starts_s, ends_s, strict=True) if not np.isnan(s)]
    expected = starts_s.copy()
    for t in range(1, len(leads_s)):
        if np.isnan(starts_s[t]) and not is_covered(ends_s[t - 1], ends_s[t], bounds):
            expected[t] = ends_s[t - 1]
    return expected


def at_leads(near: Near, name: str, leads_s: Sequence[int]) -> Array | None:
    """One field at other lead times: NaN where it has none, None if it is not there at all."""
    planes = near.values.get(name)
    if planes is None:
        return None
    result = np.full((planes.shape[0], len(leads_s), *planes.shape[2:]), np.nan, np.float32)
    for t, lead in enumerate(leads_s):
        if lead in near.leads_s:
            result[:, t] = planes[:, near.leads_s.index(lead)]
    return result


def join_members(near: Sequence[Near], remarks: list[Note]) -> Near:
    """Fields of the control with those of the members behind them, on the control's times.

    A field that the members do not give, or give of another kind or over other intervals,
    stays the control's for all of them. Between two steps of the members their fields run
    linearly; before their first and after their last they are NaN.
    """
    control = near[0]
    if len(near) == 1:
        return control
    members = near[1]
    values, kinds, starts_s = dict(control.values), dict(control.kinds), dict(control.starts_s)
    shared = []
    for name, planes in members.values.items():
        kind, starts = members.kinds[name], _starts_at(members, name, control.leads_s)
        own = control.values.get(name)
        if own is None:
            own = np.full((1, len(control.leads_s), *planes.shape[2:]), np.nan, np.float32)
        elif control.kinds[name] is not kind or not np.array_equal(
            starts, _starts_at(control, name, control.leads_s), equal_nan=True
        ):
            shared.append(name)
            continue
        kinds[name] = kind
        if kind is Kind.INSTANT:
            theirs = _in_time(planes, members.leads_s, control.leads_s)
        else:
            starts_s[name] = starts
            theirs = np.asarray(at_leads(members, name, control.leads_s))
        values[name] = np.concatenate([own, theirs])
    shared += [name for name in control.values if name not in members.values]
    if shared:
        remarks.append(ControlForAll(tuple(shared)))
    return Near(control.leads_s, values, kinds, starts_s)


def _starts_at(near: Near, name: str, leads_s: Sequence[int]) -> FloatArray:
    """Beginnings of a field's intervals at other lead times; NaN for instants."""
    result = np.full(len(leads_s), np.nan)
    if name not in near.starts_s:
        return result
    for t, lead in enumerate(leads_s):
        if lead in near.leads_s:
            result[t] = near.starts_s[name][near.leads_s.index(lead)]
    return _expected(result, leads_s)


def _in_time(planes: Array, have_s: Sequence[int], want_s: Sequence[int]) -> Array:
    """Planes [M, T, Y, X] at other times, linear between two, NaN outside."""
    result = np.full((planes.shape[0], len(want_s), *planes.shape[2:]), np.nan, np.float32)
    for t, want in enumerate(want_s):
        after = int(np.searchsorted(have_s, want))
        if after < len(have_s) and have_s[after] == want:
            result[:, t] = planes[:, after]
        elif 0 < after < len(have_s):
            share = (want - have_s[after - 1]) / (have_s[after] - have_s[after - 1])
            step = planes[:, after] - planes[:, after - 1]
            result[:, t] = planes[:, after - 1] + np.float32(share) * step
    return result


def fixed_plane(stacks: Sequence[Stack], name: str) -> Array:
    """A field that does not change with time [Y, X], from its earliest step.

    Raises
    ------
    DecodeError
        If its values cannot be right; `name` says in which files.
    """
    field = stacks[0].field
    plane = np.array(stacks[0].values[0, 0, 0])
    with np.errstate(invalid="ignore"):
        sound = (plane >= field.least) & (plane <= field.greatest)
    if not sound.all():
        raise DecodeError(
            f"{name}: {field.words} has {np.count_nonzero(~sound)} cells that are missing or "
            f"cannot be right; fetch the file again"
        )
    if field.floor is not None or field.ceiling is not None:
        plane = np.clip(plane, field.floor, field.ceiling)
    return plane


def terrain_from_pressure(run: Run, name: str) -> Array:
    """Height of the ground, from where pressure at the ground meets the heights aloft. [m]

    For sources without orography. Height is linear in the logarithm of pressure between
    levels and beyond the lowest one: within about 10 m where the nearest level is 25 hPa off
    and temperature is not far from the layer's mean (own estimate).

    Raises
    ------
    MissingFieldError
        If pressure at the ground is not there either.
    """
    ground, height = run.stacks.get("pressure_surface_pa"), run.stacks.get("gh")
    if ground is None or height is None or not set(ground[0].leads_s) & set(height[0].leads_s):
        raise MissingFieldError(
            f"{name}: neither the height of the model's terrain nor pressure at the ground is "
            f"there; no landing can be found without one of them. Fetch it too"
        )
    lead = min(set(ground[0].leads_s) & set(height[0].leads_s))
    pressure = ground[0].values[0, ground[0].leads_s.index(lead), 0]
    columns = height[0].values[0, height[0].leads_s.index(lead)]
    log_levels = np.log(np.array(height[0].levels))
    order = np.argsort(log_levels)
    terrain = np.array(
        [
            _meet(log_levels[order], columns[order, y, x], float(np.log(pressure[y, x])))
            for y, x in np.ndindex(*pressure.shape)
        ]
    )
    return terrain.reshape(pressure.shape).astype(np.float32)


def _meet(log_levels: NDArray[np.float64], heights: Array, log_ground: float) -> float:
    """Height at a pressure in one column; levels rise in pressure."""
    known = np.isfinite(heights)
    levels, column = log_levels[known], heights[known].astype(np.float64)
    if levels.size < 2 or not np.isfinite(log_ground):
        return float("nan")
    if log_ground > levels[-1]:
        slope = (column[-1] - column[-2]) / (levels[-1] - levels[-2])
        return float(column[-1] + slope * (log_ground - levels[-1]))
    return float(np.interp(log_ground, levels, column))
