"""The values of scouting: places of a region, their launch hours, and the best. Pure."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime, timedelta
from enum import StrEnum

import numpy as np

from windowwatch.ground.region import Region
from windowwatch.physics.earth import distance_m
from windowwatch.scoring.values import Hour, Verdict

#: A scouting under way is seen every few seconds; after so long without it has died.
SEEN_WITHIN = timedelta(seconds=30)
#: A verdict as one letter, in the order from good to bad.
LETTERS = {Verdict.GO: "g", Verdict.CAUTION: "c", Verdict.NO_GO: "n", Verdict.UNKNOWN: "u"}
_VERDICTS = {letter: verdict for verdict, letter in LETTERS.items()}
_ORDER = "gcnu"
#: What is in the way of an hour that was refused because of its flights, not of a check.
FLIGHTS = "flights"
#: … and of an hour in the dark, where the sun forbids a launch.
DARK = "daylight"


class LeftOut(StrEnum):
    """Why no place was made of a spot by a road; the first that holds is said."""

    OFF_MAP = "off map"  #: the ground file does not hold it
    BUILT_UP = "built-up"
    NO_GO = "no-go"  #: works, aerodrome, military or closed land
    COVERED = "covered"  #: forest, wetland or water: no open ground
    AIRSPACE = "airspace"  #: closed airspace reaches down to it
    NOT_PERMITTED = "not permitted"  #: outside the permitted area
    CLOSE = "close"  #: nearer to another place than the spacing


class Unasked(StrEnum):
    """Why something that the watch asks of its sites is not asked of places."""

    NO_ROADS = "no roads"  #: the ground file keeps no roads to drive from a new place
    FINER = "finer"  #: a finer model near the ground is not read at them
    OTHERS = "others"  #: other weather models are not heard


@dataclass(frozen=True)
class Skipped:
    """What is not asked: names of checks or of weather models."""

    why: Unasked
    names: tuple[str, ...]


@dataclass(frozen=True)
class Place:
    """A place that could be a site; fields as of `scoring.values.Site`.

    `height_of` says where the height is from: ``"map"`` or ``"forecast"``, which knows only
    smoothed ground.
    """

    name: str
    latitude_deg: float
    longitude_deg: float
    height_m: float
    time_zone: str
    height_of: str


@dataclass(frozen=True)
class Asked:
    """What was asked of a region.

    Parameters
    ----------
    region : str
        Name of its file; nothing for a circle.
    middle_latitude_deg, middle_longitude_deg : float
    radius_km : float or None
        Of a circle.
    outline : tuple of tuple of (latitude, longitude)
        Its rings. [deg]
    spacing_km, apart_km : float
        Between places, and between those that are told as the best.
    draws : int
        Flights for each launch hour and member.
    land_in : str or None
        Name of the file of where landings are wanted.
    land_outline : tuple of tuple of (latitude, longitude)
        Its rings. [deg]
    """

    region: str
    middle_latitude_deg: float
    middle_longitude_deg: float
    radius_km: float | None
    outline: tuple[tuple[tuple[float, float], ...], ...]
    spacing_km: float
    apart_km: float
    draws: int
    land_in: str | None = None
    land_outline: tuple[tuple[tuple[float, float], ...], ...] = ()


@dataclass(frozen=True)
class PlaceHours:
    """Every launch hour at one place, [H] in the order of `Scouting.times_utc`.

    Parameters
    ----------
    place : int
        Which of the places.
    verdicts : str
        A letter for each hour (`LETTERS`).
    score, chance : tuple of (float or None)
        As of `Hour`. [0-100], [1]
    limit : tuple of (str or None)
        The check that is most in the way, by name; `FLIGHTS` where too few flights landed.
    value : tuple of (float or None)
        Its value, in its unit.
    drift_km, bearing_deg : tuple of (float or None)
    inside : tuple of (float or None)
        Share of all flights that land in the wanted area, lost ones counted as outside; None
        where that was not asked, or the hour is in the dark. [1]
    """

    place: int
    verdicts: str
    score: tuple[float | None, ...]
    chance: tuple[float | None, ...]
    limit: tuple[str | None, ...]
    value: tuple[float | None, ...]
    drift_km: tuple[float | None, ...]
    bearing_deg: tuple[float | None, ...]
    inside: tuple[float | None, ...]

    def verdict(self, hour: int) -> Verdict:
        """Verdict of one hour."""
        return _VERDICTS[self.verdicts[hour]]

    def rank(self, hour: int) -> tuple[int, float, float, float, int]:
        """Sorts hours, of one place or of several: the best first.

        By verdict; then, where landings are wanted somewhere, by the share of flights that land
        there; then by chance, by score, and by time.
        """
        inside, chance, score = self.inside[hour], self.chance[hour], self.score[hour]
        return (
            _ORDER.index(self.verdicts[hour]),
            0.0 if inside is None else -inside,
            1.0 if chance is None else -chance,
            1.0 if score is None else -score,
            hour,
        )

    def share(self, hour: int) -> float | None:
        """What a map of places shows: flights that land where it is wanted, else the chance. [1]"""
        inside = self.inside[hour]
        return self.chance[hour] if inside is None else inside

    def in_the_dark(self, hour: int) -> bool:
        """Whether nothing was flown at an hour, because the sun forbids it."""
        return self.limit[hour] == DARK and self.drift_km[hour] is None

    @property
    def best(self) -> int:
        """The best hour."""
        return min(range(len(self.verdicts)), key=self.rank)


#: Fields of `PlaceHours` that have a value for each hour.
_BY_HOUR = tuple(field.name for field in fields(PlaceHours) if field.name != "place")


@dataclass(frozen=True)
class Scouting:
    """What scouting a region came to; it may still be coarse.

    Parameters
    ----------
    watch, cycle_id : str
    made_utc : datetime
    asked : Asked
    times_utc : tuple of datetime
        Launch hours, in order.
    places : tuple of Place
        All of them, in the order in which they are flown: each beginning of the row is spread
        evenly over the region.
    found : tuple of PlaceHours
        Of the places flown so far, in that order.
    left_out : tuple of (str, int)
        Why spots by roads were left out (`LeftOut`), and how many.
    skipped : tuple of Skipped
        What is not asked of the places, though the watch asks it of its sites.
    off_map : float
        Share of the region that the ground file does not hold: it has no places. [1]
    """

    watch: str
    cycle_id: str
    made_utc: datetime
    asked: Asked
    times_utc: tuple[datetime, ...]
    places: tuple[Place, ...]
    found: tuple[PlaceHours, ...]
    left_out: tuple[tuple[str, int], ...] = ()
    skipped: tuple[Skipped, ...] = ()
    off_map: float = 0.0

    def since(self, now_utc: datetime) -> "Scouting | None":
        """The same without the hours that are over; None where none is left."""
        first = sum(time < now_utc for time in self.times_utc)
        if first == len(self.times_utc):
            return None
        found = tuple(
            replace(each, **{name: getattr(each, name)[first:] for name in _BY_HOUR})
            for each in self.found
        )
        return replace(self, times_utc=self.times_utc[first:], found=found)

    @property
    def coarse(self) -> bool:
        """Whether places are still to be flown."""
        return len(self.found) < len(self.places)

    def ranked(self, hour: int | None = None) -> tuple[tuple[PlaceHours, int], ...]:
        """Places with the hour they are looked at, the best first.

        Parameters
        ----------
        hour : int, optional
            One launch hour; the best of each place when left out.
        """
        shown = [(each, each.best if hour is None else hour) for each in self.found]
        return tuple(sorted(shown, key=lambda pair: (pair[0].rank(pair[1]), pair[0].place)))

    def best(self, most: int, hour: int | None = None) -> tuple[tuple[PlaceHours, int], ...]:
        """The best places that lie apart by `Asked.apart_km`, each with its hour.

        Only hours that are go or caution, and, where landings are wanted somewhere, from which
        any flight lands there.
        """
        chosen: list[tuple[PlaceHours, int]] = []
        for each, at in self.ranked(hour):
            if len(chosen) >= most:
                break
            wanted = each.inside[at]
            if each.verdicts[at] not in "gc" or (wanted is not None and wanted <= 0.0):
                continue
            here = self.places[each.place]
            there = [self.places[other.place] for other, _ in chosen]
            if all(_apart_km(here, other) >= self.asked.apart_km for other in there):
                chosen.append((each, at))
        return tuple(chosen)

    def limits(self, hour: int | None = None) -> tuple[tuple[str, int], ...]:
        """What is most in the way at places that are not go, and at how many; the most first."""
        counts = Counter(
            each.limit[at] or FLIGHTS
            for each, at in self.ranked(hour)
            if each.verdicts[at] != LETTERS[Verdict.GO]
        )
        return tuple(sorted(counts.items(), key=lambda pair: (-pair[1], pair[0])))

    def any_good(self, hour: int) -> bool:
        """Whether an hour is go or caution at any place."""
        return any(each.verdicts[hour] in "gc" for each in self.found)

    def go_places(self, hour: int) -> int:
        """At how many places an hour is go."""
        return sum(each.verdicts[hour] == LETTERS[Verdict.GO] for each in self.found)


@dataclass(frozen=True)
class Order:
    """What is to be scouted.

    Parameters
    ----------
    region : Region
    times_utc : tuple of datetime
        Launch hours, in order; at least one.
    spacing_km, apart_km : float
    draws : int
    land_in : Region or None
        Where landings are wanted.
    """

    region: Region
    times_utc: tuple[datetime, ...]
    spacing_km: float
    apart_km: float
    draws: int
    land_in: Region | None = None

    @property
    def asked(self) -> Asked:
        """The same as plain values."""
        wanted = self.land_in
        return Asked(
            region=self.region.name,
            middle_latitude_deg=self.region.middle[0],
            middle_longitude_deg=self.region.middle[1],
            radius_km=self.region.radius_km,
            outline=_rings(self.region),
            spacing_km=self.spacing_km,
            apart_km=self.apart_km,
            draws=self.draws,
            land_in=None if wanted is None else wanted.name,
            land_outline=() if wanted is None else _rings(wanted),
        )


def _rings(region: Region) -> tuple[tuple[tuple[float, float], ...], ...]:
    return tuple(
        tuple((round(float(up), 5), round(float(out), 5)) for up, out in ring)
        for ring in region.outline
    )


class RunState(StrEnum):
    """How a scouting that was started on a page does."""

    RUNNING = "running"
    DONE = "done"
    FAILED = "failed"
    ENDED = "ended"  #: somebody asked for its end
    STOPPED = "stopped"  #: whoever flew it was stopped
    DIED = "died"  #: nothing is heard of it any more; never stored


@dataclass(frozen=True)
class ScoutFields:
    """What somebody wrote into the form that starts a scouting, as it was written.

    `how` says which of the two regions counts: ``"around"`` or ``"polygon"``.
    """

    how: str = "around"
    around: str = ""
    polygon: str = ""
    spacing: str = "5"
    hours: str = "48"
    land_in: str = ""


@dataclass(frozen=True)
class ScoutRun:
    """A scouting that was started on a page.

    Parameters
    ----------
    begun_utc, seen_utc : datetime
        When it was started, and when whoever flies it last said so.
    state : RunState
        As they said.
    share : float
        How much of it is done. [1]
    stop : bool
        Whether somebody has asked for its end.
    error : str
        Why it failed.
    asked : ScoutFields
    """

    begun_utc: datetime
    seen_utc: datetime
    state: RunState
    share: float
    stop: bool
    error: str
    asked: ScoutFields

    def stands(self, now_utc: datetime) -> RunState:
        """How it does now: it died when it was not seen lately, or is seen only later."""
        if self.state is RunState.RUNNING and abs(now_utc - self.seen_utc) > SEEN_WITHIN:
            return RunState.DIED
        return self.state


def _apart_km(one: Place, other: Place) -> float:
    away = distance_m(one.latitude_deg, one.longitude_deg, other.latitude_deg, other.longitude_deg)
    return float(away) / 1000.0


def hours_of_place(
    place: int,
    times_utc: Sequence[datetime],
    flown: Mapping[datetime, Hour],
    inside: Mapping[datetime, float],
) -> PlaceHours:
    """What is kept of the launch hours of a place.

    Parameters
    ----------
    place : int
    times_utc : sequence of datetime [H]
    flown : mapping of datetime to Hour
        Those that are scored. All others are barred by the dark, whatever flies: no-go, with a
        score and a chance of 0.
    inside : mapping of datetime to float
        Share of flights that land where it is wanted. [1]
    """
    hours = [flown.get(time) for time in times_utc]
    return PlaceHours(
        place=place,
        verdicts="".join(LETTERS[Verdict.NO_GO if h is None else h.verdict] for h in hours),
        score=tuple(0.0 if h is None else _rounded(h.score, 2) for h in hours),
        chance=tuple(0.0 if h is None else _rounded(h.chance, 4) for h in hours),
        limit=tuple(DARK if h is None else _limit(h) for h in hours),
        value=tuple(None if h is None else _value(h) for h in hours),
        drift_km=tuple(None if h is None else _rounded(h.drift_km, 1) for h in hours),
        bearing_deg=tuple(None if h is None else _rounded(h.bearing_deg, 0) for h in hours),
        inside=tuple(_rounded(inside.get(time), 4) for time in times_utc),
    )


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None or not np.isfinite(value) else round(float(value), digits)


def _limit(hour: Hour) -> str | None:
    """The check that is most in the way; of a refused hour one that could not be answered."""
    if hour.refused is not None:
        unknown = hour.refused.unknown
        return unknown[0].check if unknown else FLIGHTS
    return hour.worst[0] if hour.worst else None


def _value(hour: Hour) -> float | None:
    name = _limit(hour)
    return next((_rounded(c.value, 3) for c in hour.checks if c.name == name), None)
