"""Who drives where: where crews wait for a landing, and how they get to it. Pure.

Named rules
-----------
where to wait
    The stop, of all that the crew reaches, from which its expected arrival at the payload over all
    landings is the earliest: drive there, wait for the landing, drive to the stop from which one
    walks to it, walk. A landing that the crew cannot get to from there counts as `NEVER_S`.
too late to wait
    Who would come to its place later than `ChaseRules.gain` after the landing is sent to where the
    walk begins instead.
not in the middle
    While half of all landings spread wider than `ChaseRules.wide_m`, nobody waits inside of the
    area that holds them: there the payload comes down, and the middle still moves.
greedy
    Of several crews the one that gains most chooses first, and each next one covers what is left:
    a landing counts as reached by whoever is first at it. Then each chooses again, knowing what
    the others chose. The best places of all may still be better than that.
nobody idle
    Without whom all of them would lose no more than `ChaseRules.gain`, it covers nothing: it goes
    where it is earliest itself, when that is sooner by more than as much.
no to and fro
    What a crew was advised stands while all of them together lose no more than `ChaseRules.gain`
    by it. Who was never advised stays on the same terms. What was advised is a stored fact.
a few landings
    The landings, which are drawn at random, stand in at most `_FEW` groups of neighbours; each
    counts as many times as it has landings, at the stop that is commonest in it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from windowwatch.chase.values import ChaseRules, Estimate
from windowwatch.physics.earth import distance_m, local_m
from windowwatch.physics.spread import Footprint
from windowwatch.units import BoolArray, FloatArray, IntArray

if TYPE_CHECKING:  # what knows roads takes long to load, and whoever looks only reads
    from windowwatch.ground.query.rasters import Routes
    from windowwatch.ground.query.roadnet import RoadNet


#: What nobody gets to counts as this late, so that it weighs and does not rule. [s] Judgement.
NEVER_S = 6.0 * 3600.0
#: Whoever is farther from all roads than this, driven straight, is not told to drive. [s]
FAR_OFF_S = 20.0 * 60.0
#: Who is so near to a place is there. [s]
THERE_S = 60.0
#: Groups of landings, stops that are looked at, and how far round the landings. [1], [1], [m]
_FEW, _LOOKED_AT, _AROUND_M = 40, 3_000, 20_000.0
#: So often everybody chooses again.
_ROUNDS = 8
#: A place that was advised stands while it lies outside of this part of the inner area. [1]
_STANDS_OUTSIDE = 0.5
#: A stop that was advised is found again within this. [m]
_SAME_M = 300.0
#: Points of a way that are kept.
_WAY_POINTS = 80


@dataclass(frozen=True)
class Crew:
    """A crew, where it was last known to be, and when that was."""

    name: str
    latitude_deg: float
    longitude_deg: float
    at_utc: datetime


class Order(StrEnum):
    """What a crew is advised to do."""

    WAIT = "wait"  #: drive to a place and wait there
    STAY = "stay"  #: no place gains enough
    GO = "go"  #: it is down, or will be sooner: drive to where the walk begins
    NO_WAY = "no way"  #: the crew is far from every road of the ground file


class NoAdvice(StrEnum):
    """Why crews are advised nothing."""

    NO_LANDING = "no landing"  #: nothing is estimated
    NO_ROADS = "no roads"  #: no ground file, or one without roads
    OFF_MAP = "off map"  #: the landings are not on the ground file
    NO_WALK = "no walk"  #: nobody gets to any of the landings on foot


@dataclass(frozen=True)
class Span:
    """Median of a time over all landings, and its 10 and 90 %; None: it is never. [s]"""

    low_s: float | None
    middle_s: float | None
    high_s: float | None


@dataclass(frozen=True)
class CrewAdvice:
    """What one crew is advised.

    Attributes
    ----------
    crew : Crew
    order : Order
    since_utc : datetime
        Since when it is advised so.
    to_latitude_deg, to_longitude_deg : float or None
        Where to drive; where it stands for `stay`. [deg]
    to_s : float or None
        Drive there; None where no road leads. [s]
    here : Span
        Drive from where the crew is to the stop from which one walks to the landing.
    drive : Span
        The same from where it is to wait.
    walk : Span or None
        From that stop to the landing; None where the ground file has no terrain.
    way_latitude_deg, way_longitude_deg : tuple of float
        The way there; empty when it is there already. [deg]
    """

    crew: Crew
    order: Order
    since_utc: datetime
    to_latitude_deg: float | None
    to_longitude_deg: float | None
    to_s: float | None
    here: Span
    drive: Span
    walk: Span | None
    way_latitude_deg: tuple[float, ...] = ()
    way_longitude_deg: tuple[float, ...] = ()


@dataclass(frozen=True)
class Share:
    """Share of landings of which something is so, and of those of which nobody knows. [1]"""

    share: float
    unknown: float


@dataclass(frozen=True)
class Chances:
    """What landings lie on or in; None where nothing was given that could answer."""

    water: Share | None = None
    no_landing: Share | None = None
    airspace: Share | None = None
    left: Share | None = None


@dataclass(frozen=True)
class Advice:
    """What all crews are advised after a report, and what it rests on.

    Attributes
    ----------
    number : int
        Of the last report that is in the estimate.
    made_utc : datetime
    crews : tuple of CrewAdvice
        In the order of their names.
    arrival_utc : datetime or None
        When the first of them is expected at the payload, on average over the landings.
    stop_latitude_deg, stop_longitude_deg : float or None
        Where the walk to the middle of the landings begins. [deg]
    unreached, off_map : float
        Share of landings that nobody gets to on foot from a road, and that are on no map. [1]
    chances : Chances
    refused : NoAdvice or None
        Why nothing is advised.
    """

    number: int
    made_utc: datetime
    crews: tuple[CrewAdvice, ...] = ()
    arrival_utc: datetime | None = None
    stop_latitude_deg: float | None = None
    stop_longitude_deg: float | None = None
    unreached: float = 0.0
    off_map: float = 0.0
    chances: Chances = field(default_factory=Chances)
    refused: NoAdvice | None = None

    def of(self, name: str) -> CrewAdvice | None:
        """What a crew is advised."""
        return next((each for each in self.crews if each.crew.name == name), None)


def inside(area: Footprint, share: float, latitude_deg: object, longitude_deg: object) -> BoolArray:
    """Which places lie inside the area of half of all landings, its axes times `share`."""
    east, north = local_m(
        np.asarray(latitude_deg, dtype=np.float64),
        np.asarray(longitude_deg, dtype=np.float64),
        area.latitude_deg,
        area.longitude_deg,
    )
    turn = np.radians(area.bearing_deg)
    along = (east * np.sin(turn) + north * np.cos(turn)) / max(share * area.major_50_m, 1.0)
    across = (east * np.cos(turn) - north * np.sin(turn)) / max(share * area.minor_50_m, 1.0)
    return np.asarray(np.hypot(along, across) < 1.0)


def greedy(arrival_s: FloatArray, weight: FloatArray) -> tuple[IntArray, float]:
    """Where each crew waits, chosen one after the other, and the expected first arrival.

    Parameters
    ----------
    arrival_s : array [C, N, K]
        Of each crew at each landing by way of each place; infinite where it may not wait there.
    weight : array [K]
        Of the landings; their sum is 1.

    Returns
    -------
    place : int array [C]
        -1 for a crew that may wait nowhere.
    expected_s : float
        Infinite where no crew may wait anywhere.
    """
    place = np.full(len(arrival_s), -1, dtype=np.int64)
    first = np.full(weight.size, np.inf)
    left = set(range(len(arrival_s)))
    while left:
        best = np.inf, -1, -1
        for crew in sorted(left):
            expected = np.minimum(first, arrival_s[crew]) @ weight
            at = int(np.argmin(expected))
            if expected[at] < best[0]:
                best = float(expected[at]), crew, at
        _, crew, at = best
        if crew < 0:
            break
        place[crew] = at
        first = np.minimum(first, arrival_s[crew, at])
        left.remove(crew)
    return _again(arrival_s, weight, place)


def _again(arrival_s: FloatArray, weight: FloatArray, place: IntArray) -> tuple[IntArray, float]:
    """Each chooses again, knowing what the others chose, as long as anybody gains by it."""
    going = np.flatnonzero(place >= 0)
    if going.size == 0:
        return place, np.inf
    expected = float(arrival_s[going, place[going]].min(axis=0) @ weight)
    for _ in range(_ROUNDS):
        before = expected
        for crew in going if going.size > 1 else ():
            others = going[going != crew]
            first = arrival_s[others, place[others]].min(axis=0)
            found = np.minimum(first, arrival_s[crew]) @ weight
            at = int(np.argmin(found))
            if found[at] < expected:
                place[crew], expected = at, float(found[at])
        if expected >= before:
            break
    return place, expected


@dataclass(frozen=True)
class _Landings:
    """Landings that one walks to: stop and walk of each [L], and groups of them [K]."""

    stop: IntArray
    walk_s: FloatArray
    group_stop: IntArray
    group_walk_s: FloatArray
    weight: FloatArray


def advise(
    net: "RoadNet",
    estimate: Estimate,
    crews: Sequence[Crew],
    before: Advice | None,
    *,
    number: int,
    now_utc: datetime,
    rules: ChaseRules,
    down: bool,
) -> Advice:
    """What crews are advised, by an estimate.

    Parameters
    ----------
    net : RoadNet
    estimate : Estimate
    crews : sequence of Crew
        Each name once.
    before : Advice or None
        What was advised before.
    number : int
        Of the last report in the estimate.
    now_utc : datetime
    rules : ChaseRules
    down : bool
        Whether it is down: nobody waits any more.
    """
    crews = sorted(crews, key=lambda each: each.name)
    landed = net.rasters.units(estimate.landing_latitude_deg, estimate.landing_longitude_deg)
    stop, walk_s = net.walks(landed)
    off_map, there = np.isnan(walk_s), stop >= 0
    found = Advice(
        number,
        now_utc,
        unreached=float(np.mean(~there & ~off_map)),
        off_map=float(np.mean(off_map)),
    )
    if not there.any():
        why = NoAdvice.OFF_MAP if off_map.all() else NoAdvice.NO_WALK
        return replace(found, refused=why)
    landings = _grouped(net, stop[there], walk_s[there])
    middle = _middle_stop(net, estimate.landing, landings)
    stop_lat, stop_lon = net.stop_deg([middle])
    found = replace(
        found, stop_latitude_deg=float(stop_lat[0]), stop_longitude_deg=float(stop_lon[0])
    )
    if not crews:
        return found
    ways = net.from_places([c.latitude_deg for c in crews], [c.longitude_deg for c in crews])
    chase = _Chase(net, estimate, crews, ways, landings, rules, now_utc)
    if down:
        told, arrival_s = chase.go(middle)
    else:
        told, arrival_s = chase.wait(before, middle)
    when = None if arrival_s is None else now_utc + timedelta(seconds=round(arrival_s))
    kept = tuple(_since(each, before, now_utc) for each in told)
    return replace(found, crews=kept, arrival_utc=when)


def _since(new: CrewAdvice, before: Advice | None, now_utc: datetime) -> CrewAdvice:
    """The same since when it was first advised."""
    old = None if before is None else before.of(new.crew.name)
    if old is None or old.order is not new.order:
        return new
    if new.order is not Order.STAY and _apart_m(old, new) > _SAME_M:
        return new
    return replace(new, since_utc=min(old.since_utc, now_utc))


def _apart_m(one: CrewAdvice, other: CrewAdvice) -> float:
    if one.to_latitude_deg is None or other.to_latitude_deg is None:
        return 0.0 if one.to_latitude_deg is other.to_latitude_deg else np.inf
    return float(
        distance_m(
            one.to_latitude_deg, one.to_longitude_deg, other.to_latitude_deg, other.to_longitude_deg
        )
    )


def _grouped(net: "RoadNet", stop: IntArray, walk_s: FloatArray) -> _Landings:
    """Landings by the stop from which one walks to them, neighbours together if there are many."""
    side_m = 1.0
    group = np.unique(stop, return_inverse=True)[1]
    while group.max() >= _FEW:
        side_m = max(1.5 * side_m, 100.0)
        boxes = np.floor(net.stop_m[stop] / side_m)
        group = np.unique(boxes, axis=0, return_inverse=True)[1].ravel()
    count = np.bincount(group)
    commonest = []
    for number in range(count.size):
        stops, times = np.unique(stop[group == number], return_counts=True)
        commonest.append(int(stops[np.argmax(times)]))
    walk = np.bincount(group, weights=walk_s) / count
    return _Landings(stop, walk_s, np.array(commonest), walk, count / count.sum())


def _middle_stop(net: "RoadNet", landing: Footprint, landings: _Landings) -> int:
    """Where the walk to the middle of the landings begins, or that to the likeliest reached."""
    unit = net.rasters.units([landing.latitude_deg], [landing.longitude_deg])
    stop, _ = net.walks(unit)
    return int(stop[0]) if stop[0] >= 0 else int(landings.group_stop[np.argmax(landings.weight)])


def _span(values_s: FloatArray) -> Span:
    """Quantiles that are values of their own: what is reached by fewer is never."""
    low, middle, high = (
        None if not np.isfinite(value) else round(float(value), 1)
        for value in np.quantile(values_s, (0.1, 0.5, 0.9), method="inverted_cdf")
    )
    return Span(low, middle, high)


@dataclass(frozen=True)
class _Chase:
    """One estimate and its crews on the roads."""

    net: "RoadNet"
    estimate: Estimate
    crews: Sequence[Crew]
    ways: "Routes"
    landings: _Landings
    rules: ChaseRules
    now_utc: datetime

    @property
    def lost(self) -> BoolArray:
        """Crews that are far from every road. [C]"""
        return np.asarray(self.ways.base_off_road_s > FAR_OFF_S)

    @property
    def until_s(self) -> float:
        """Until it lands. [s]"""
        return max((self.estimate.landing_utc - self.now_utc).total_seconds(), 0.0)

    def arrivals_s(self, stops: IntArray | list[int]) -> FloatArray:
        """Drive of each crew to stops. [C, N]"""
        return self.rules.drive_factor * self.net.arrivals_s(self.ways, stops)

    def go(self, stop: int) -> tuple[list[CrewAdvice], float | None]:
        """Everybody to where the walk begins."""
        to_s = self.arrivals_s([stop])[:, 0]
        onward_s = self._onward_s([stop])[0]
        told = [
            self._told(i, Order.GO, stop, float(to_s[i]), onward_s) for i in range(len(self.crews))
        ]
        first = float(np.min(np.where(self.lost, np.inf, to_s)))
        arrival = first + float(self.landings.group_walk_s @ self.landings.weight)
        return told, arrival if np.isfinite(arrival) else None

    def wait(self, before: Advice | None, middle: int) -> tuple[list[CrewAdvice], float | None]:
        """Where everybody waits: as before, unless another choice gains enough."""
        stops = self._stops(before)
        to_s = self.arrivals_s(stops)
        kept, onward_s = self._kept(stops, before), self._onward_s(stops)
        arrival_s = self._out_of_the_middle(self._arrival_s(to_s, onward_s), stops, kept)
        place, expected = greedy(arrival_s, self.landings.weight)
        most = expected + self.rules.gain.total_seconds()
        place, expected = self._steady(arrival_s, place, expected, kept)
        place, expected = self._idle(arrival_s, place, most)
        told = []
        for crew, at in enumerate(place.tolist()):
            if 0 <= at < stops.size:
                there_s = float(to_s[crew, at])
                if there_s > self.until_s + self.rules.gain.total_seconds():
                    late_s = float(self.arrivals_s([middle])[crew, 0])
                    told.append(self._told(crew, Order.GO, middle, late_s, onward_s[at]))
                    continue
                told.append(self._told(crew, Order.WAIT, int(stops[at]), there_s, onward_s[at]))
            else:
                here_s = self.arrivals_s(self.landings.group_stop)[crew]
                told.append(self._told(crew, Order.STAY, -1, 0.0, here_s))
        return told, expected if np.isfinite(expected) else None

    def _steady(
        self, arrival_s: FloatArray, place: IntArray, expected: float, kept: IntArray
    ) -> tuple[IntArray, float]:
        """Each crew as before, unless it is not to be there, or all would lose more than `gain`."""
        rows, most = np.arange(len(place)), expected + self.rules.gain.total_seconds()

        def expects(choice: IntArray) -> float:
            first = np.where((choice < 0)[:, None], np.inf, arrival_s[rows, choice])
            return float(first.min(axis=0) @ self.landings.weight)

        for crew in np.argsort([expects(np.where(rows == i, place, -1)) for i in rows])[::-1]:
            if np.isfinite(arrival_s[crew, kept[crew]]).all():
                choice = np.where(rows == crew, kept, place)
                if expects(choice) <= most:
                    place = choice
        return place, expects(place)

    def _idle(self, arrival_s: FloatArray, place: IntArray, most: float) -> tuple[IntArray, float]:
        """Who covers nothing goes where it is earliest itself; all are there by `most` still."""
        weight, gain_s = self.landings.weight, self.rules.gain.total_seconds()
        rows = np.arange(len(place))

        def expects(choice: IntArray, who: BoolArray) -> float:
            first = np.where((~who | (choice < 0))[:, None], np.inf, arrival_s[rows, choice])
            return float(first.min(axis=0) @ weight)

        for crew in rows[place >= 0]:
            own = arrival_s[crew] @ weight
            at = int(np.argmin(own))
            choice = np.where(rows == crew, at, place)
            idle = expects(place, rows != crew) <= expects(place, rows >= 0) + gain_s
            if idle and own[at] < own[place[crew]] - gain_s and expects(choice, rows >= 0) <= most:
                place = choice
        return place, expects(place, rows >= 0)

    def _stops(self, before: Advice | None) -> IntArray:
        """Stops at which crews may wait, those that were advised before first of all."""
        net = self.net
        reach = net.stop_m[self.landings.group_stop]
        low, high = reach.min(axis=0) - _AROUND_M, reach.max(axis=0) + _AROUND_M
        near = np.flatnonzero(((net.stop_m > low) & (net.stop_m < high)).all(axis=1))
        if near.size > _LOOKED_AT:
            near = near[np.linspace(0, near.size - 1, _LOOKED_AT).astype(np.intp)]
        old = [] if before is None else [self._again(each) for each in before.crews]
        return np.array(list(dict.fromkeys([*(s for s in old if s >= 0), *near.tolist()])))

    def _again(self, old: CrewAdvice) -> int:
        """The stop that was advised, -1 where it is not there any more."""
        if old.order is not Order.WAIT or old.to_latitude_deg is None:
            return -1
        x, y = self.net.rasters.grid.plane.forward([old.to_latitude_deg], [old.to_longitude_deg])
        away = np.hypot(self.net.stop_m[:, 0] - x, self.net.stop_m[:, 1] - y)
        at = int(np.argmin(away))
        return at if away[at] <= _SAME_M else -1

    def _kept(self, stops: IntArray, before: Advice | None) -> IntArray:
        """For each crew the stop that was advised, or to stay, as a column of arrivals. [C]"""
        kept = np.full(len(self.crews), stops.size)
        for i, crew in enumerate(self.crews):
            old = None if before is None else before.of(crew.name)
            stop = -1 if old is None else self._again(old)
            if stop >= 0:
                kept[i] = int(np.flatnonzero(stops == stop)[0])
        return kept

    def _arrival_s(self, to_s: FloatArray, onward_s: FloatArray) -> FloatArray:
        """Arrival at the landings by way of each stop, and last when staying. [C, N + 1, K]"""
        landings = self.landings
        begins = np.maximum(to_s, self.until_s)[..., None]
        waiting = begins + onward_s[None] + landings.group_walk_s
        here = self.arrivals_s(landings.group_stop)
        staying = self.until_s + here[:, None, :] + landings.group_walk_s
        never = self.until_s + NEVER_S
        arrival: FloatArray = np.minimum(np.concatenate([waiting, staying], axis=1), never)
        # as late as never, and driven for nothing: nobody is sent where no road leads
        arrival[:, :-1][~np.isfinite(to_s)] = np.inf
        arrival[self.lost] = np.inf
        return arrival

    def _out_of_the_middle(
        self, arrival: FloatArray, stops: IntArray, kept: IntArray
    ) -> FloatArray:
        """Nobody waits among landings that spread wide; what was advised stands longer."""
        area = self.estimate.landing
        if area.major_50_m <= self.rules.wide_m:
            return arrival
        lat, lon = self.net.stop_deg(stops)
        here = [inside(area, _STANDS_OUTSIDE, c.latitude_deg, c.longitude_deg) for c in self.crews]
        near = inside(area, _STANDS_OUTSIDE, lat, lon)
        shut = np.tile(np.append(inside(area, 1.0, lat, lon), False), (len(self.crews), 1))
        shut[:, -1] = here
        for crew, stop in enumerate(kept):
            if stop < stops.size:
                shut[crew, stop] = near[stop]
        return np.asarray(np.where(shut[..., None], np.inf, arrival))

    def _onward_s(self, stops: IntArray | list[int]) -> FloatArray:
        """Drive from stops to where the walks begin. [N, K]"""
        between = self.net.between_s(stops, self.landings.group_stop)
        return np.asarray(self.rules.drive_factor * between)

    def _told(
        self, crew: int, order: Order, stop: int, to_s: float, onward_s: FloatArray
    ) -> CrewAdvice:
        """An order in full."""
        who = self.crews[crew]
        landings = self.landings
        counts = np.rint(landings.weight * landings.stop.size).astype(np.intp)
        here = _span(self.arrivals_s(landings.stop)[crew])
        walk = _span(landings.walk_s) if "height_m" in self.net.rasters.layers else None
        if self.lost[crew]:
            never = Span(None, None, None)
            return CrewAdvice(who, Order.NO_WAY, self.now_utc, None, None, None, never, never, walk)
        drive = _span(np.repeat(onward_s, counts))
        if stop < 0:
            lat, lon = who.latitude_deg, who.longitude_deg
            return CrewAdvice(who, order, self.now_utc, lat, lon, 0.0, here, drive, walk)
        lat, lon = (float(each[0]) for each in self.net.stop_deg([stop]))
        way = self.net.way_deg(self.ways, crew, stop, _WAY_POINTS) if to_s > THERE_S else None
        lines = ((), ()) if way is None else (_short(way[0]), _short(way[1]))
        there_s = round(to_s, 1) if np.isfinite(to_s) else None
        return CrewAdvice(
            who, order, self.now_utc, lat, lon, there_s, here, drive, walk, lines[0], lines[1]
        )


def _short(values_deg: FloatArray) -> tuple[float, ...]:
    return tuple(np.round(values_deg, 5).tolist())
