"""A launch that was played, followed to the ground: a true flight, and what its tracker says of it.

The true flight has a train of its own, drawn as doubt about the planned one allows, and flies in
air that nobody forecast: that of another weather model's newest cycle where there is one, else
of the deciding one, with a drawn error on top. What follows it knows only the reports.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime, timedelta

import numpy as np

from windowwatch.chase.drives import Advice, Crew
from windowwatch.chase.posterior import WIND_GROWTH
from windowwatch.chase.reports import Mark, Report
from windowwatch.chase.values import Flight, Said
from windowwatch.clock import SimulatedClock, from_unix_s, to_unix_s
from windowwatch.forecast.cycle import CycleData
from windowwatch.launchday.plan import Plan, stand
from windowwatch.physics.earth import distance_m
from windowwatch.physics.flights import FlightStatus, Launches
from windowwatch.physics.paths import FlightPath, fly_path
from windowwatch.physics.spread import Footprint, make_draws
from windowwatch.physics.winderror import FORECAST_ERROR
from windowwatch.scoring.values import Site
from windowwatch.storage.store import Store
from windowwatch.watch.chasing import Roads, advise_flight
from windowwatch.watch.estimating import air_round, errors_of
from windowwatch.watch.values import Watch

#: The tracker reports so often, and goes on so long on the ground.
EVERY, ON_THE_GROUND = timedelta(minutes=1), timedelta(minutes=6)
#: The crew at the site has packed up so long after the release.
PACKED = timedelta(minutes=15)
#: Nothing is heard for so long, from so long after the release on.
GAP_AFTER, GAP = timedelta(minutes=31), timedelta(minutes=9)
#: Two wild reports: so long after the release there is no fix, and a place far off.
WILD = (timedelta(minutes=12), timedelta(minutes=52))
#: Noise of place and height, one standard deviation. [m]
NOISE_M, HEIGHT_NOISE_M = 12.0, 20.0
_FAR_DEG = 4.0
TRACKER = "radio"
#: Of the draws of a truth one is taken; never the central one.
_DRAWS, _TRUE = 9, 5
_METRES_A_DEGREE = 111_195.0
_SEED, _STEP_S = 7, 10.0


@dataclass(frozen=True)
class Miss:
    """How far off a landing was told, and half the length of its 90 % area. [m]"""

    at_utc: datetime
    error_m: float
    major_90_m: float


@dataclass(frozen=True)
class Arrived:
    """A crew that drove: when it was at the payload; None where no way leads there.

    `soonest_utc` is when it would have been there if it had known the landing when it set out, by
    the same roads.
    """

    crew: str
    at_utc: datetime | None
    soonest_utc: datetime | None = None


@dataclass(frozen=True)
class FlownToGround:
    """A played flight and how well its landing was told.

    Attributes
    ----------
    key : str
        Of the flight.
    landing : (float, float)
        Where it truly came down. [deg], [deg]
    landed_utc : datetime
    forecast, burst, before_landing : Miss or None
        Before the release, by the forecast alone; when the burst was seen; ten minutes before it
        was down.
    reports, unused : int
    crews : tuple of Arrived
        Two crews that drove after it as they were advised; none without a ground file.
    """

    key: str
    landing: tuple[float, float]
    landed_utc: datetime
    forecast: Miss | None
    burst: Miss | None
    before_landing: Miss | None
    reports: int
    unused: int
    crews: tuple[Arrived, ...] = ()


def fly_played(
    plan_key: str,
    data: CycleData,
    truth: CycleData,
    watch: Watch,
    store: Store,
    clock: SimulatedClock,
) -> FlownToGround | None:
    """Fly the truth of a launch that was released, report it, and follow it by the reports.

    Parameters
    ----------
    plan_key : str
    data : CycleData
        The newest cycle of the deciding model: the forecast that the flight takes along.
    truth : CycleData
        Whose air it truly flies in.
    watch : Watch
    store : Store
    clock : SimulatedClock
        Goes on to some minutes after the landing.

    Returns
    -------
    FlownToGround or None
        None where the launch was not released, or the true flight leaves the air there is.
    """
    now = clock.now()
    plan = stand(plan_key, store.plan_entries(watch.name, plan_key).entries, now)
    site = next((each for each in watch.sites if each.name == plan.site), None)
    if plan.released_utc is None or site is None:
        return None
    legs = true_flight(truth, watch, site, plan)
    if not legs:
        return None
    flight = store.begin_planned(watch.name, plan, site, now)
    place = (site.latitude_deg, site.longitude_deg)
    air = air_round(data.wind, place, plan.released_utc)
    store.give_air(flight.key, data.cycle.id, air, errors_of(watch, store))
    burst, landed = (from_unix_s(float(leg.time_unix_s[-1])) for leg in legs)
    asked = {
        "packed": plan.released_utc + PACKED, "burst": burst + 3 * EVERY,
        "before": landed - 10 * EVERY, "down": landed + 4 * EVERY,
    }  # fmt: skip
    found: dict[str, Said] = {}
    crews = _Crews(watch, store, flight, site, clock.now())
    for report in reports_of(legs):
        clock.set(max(report.received_utc, clock.now()))
        store.add_reports(flight.key, [report])
        for name, due in asked.items():
            if name not in found and report.time_utc >= due:
                found[name] = store.follow(flight.key, clock.now())
                crews.advised(found[name], clock.now())
    store.follow(flight.key, clock.now())
    landing = (float(legs[-1].latitude_deg[-1]), float(legs[-1].longitude_deg[-1]))
    kept = store.reports(flight.key)
    table = store.release_table(watch.name, plan_key)
    planned = None if table is None or table.flight is None else table.flight.footprint
    return FlownToGround(
        key=flight.key,
        landing=landing,
        landed_utc=landed,
        forecast=_miss(planned, plan.released_utc, landing),
        burst=_miss_of(found.get("burst"), landing),
        before_landing=_miss_of(found.get("before"), landing),
        reports=len(kept),
        unused=sum(each.mark is not Mark.USED for each in kept),
        crews=crews.arrived(landing),
    )


class _Crews:
    """Two crews that do what they are advised: one from the site, one from where it stands by."""

    def __init__(
        self, watch: Watch, store: Store, flight: Flight, site: Site, now_utc: datetime
    ) -> None:
        self._watch, self._store, self._flight = watch, store, flight
        self._roads = Roads(watch.ground)
        rasters = watch.ground.rasters
        bases = (
            [] if rasters is None else [b for b in rasters.bases if b.name in watch.ground.crews]
        )
        starts = [(f"{site.name} crew", site.latitude_deg, site.longitude_deg)]
        starts += [(f"{b.name} crew", b.latitude_deg, b.longitude_deg) for b in bases[:1]]
        self._crews = [] if rasters is None else [Crew(*start, now_utc) for start in starts]
        self._advice: Advice | None = None
        self._from = {crew.name: replace(crew, at_utc=now_utc + PACKED) for crew in self._crews}

    def advised(self, said: Said, now_utc: datetime) -> None:
        """Drive on as was advised before, say where that is, and be advised anew."""
        if not self._crews:
            return
        self._crews = [self._driven(crew, now_utc) for crew in self._crews]
        for crew in self._crews:
            self._store.place_crew(self._flight.key, crew, received_utc=now_utc, source="rehearsed")
        track, _ = self._store.flight_track(self._flight.key)
        self._advice = advise_flight(
            self._store, self._flight, said, track,
            ground=self._watch.ground, roads=self._roads, plan=self._watch.plan,
            rules=self._watch.chase, now_utc=now_utc,
        )  # fmt: skip

    def _driven(self, crew: Crew, now_utc: datetime) -> Crew:
        """Where a crew is by now: so far along its way as it had time for, at an even speed."""
        told = None if self._advice is None else self._advice.of(crew.name)
        if told is None or not told.way_latitude_deg or not told.to_s:
            return replace(crew, at_utc=now_utc)
        latitude, longitude = np.array(told.way_latitude_deg), np.array(told.way_longitude_deg)
        legs = distance_m(latitude[:-1], longitude[:-1], latitude[1:], longitude[1:])
        along = np.concatenate([[0.0], np.cumsum(legs)])
        share = min((now_utc - crew.at_utc).total_seconds() / told.to_s, 1.0)
        here = share * along[-1]
        place = float(np.interp(here, along, latitude)), float(np.interp(here, along, longitude))
        return Crew(crew.name, *place, now_utc)

    def arrived(self, landing: tuple[float, float]) -> tuple[Arrived, ...]:
        """When each is at the payload: drive to where the walk to it begins, walk."""
        net = self._roads.net()
        if net is None or self._advice is None or not self._advice.crews:
            return ()
        last = [told.crew for told in self._advice.crews]
        first = [self._from[crew.name] for crew in last]
        stop, walk_s = net.walks(net.rasters.units([landing[0]], [landing[1]]))
        if stop[0] < 0:
            return tuple(Arrived(crew.name, None) for crew in last)
        places = [*last, *first]
        ways = net.from_places([c.latitude_deg for c in places], [c.longitude_deg for c in places])
        took_s = self._watch.chase.drive_factor * net.arrivals_s(ways, stop)[:, 0] + walk_s[0]
        there = [
            each.at_utc + timedelta(seconds=round(float(took))) if np.isfinite(took) else None
            for each, took in zip(places, took_s, strict=True)
        ]
        both = zip(last, there[: len(last)], there[len(last) :], strict=True)
        return tuple(Arrived(crew.name, at_utc, soonest) for crew, at_utc, soonest in both)


def true_flight(truth: CycleData, watch: Watch, site: Site, plan: Plan) -> tuple[FlightPath, ...]:
    """The flight as it truly is, in steps of ten seconds: its rise and its fall.

    Between the two the wind changes as much as real winds do at their height
    (`windowwatch.chase.posterior.WIND_GROWTH`): what rose through it has not seen all.

    Returns
    -------
    tuple of FlightPath
        Empty where it leaves the air there is.
    """
    assert plan.released_utc is not None
    release_s = to_unix_s(plan.released_utc)
    begin = (site.latitude_deg, site.longitude_deg, site.height_m, release_s)
    launches = Launches(*(np.array([value]) for value in begin))
    draws, later = (
        make_draws(
            plan.train,
            launches,
            count=_DRAWS,
            watch=f"{watch.name}, {name}",
            cycle_id=truth.cycle.id,
            site=site.name,
            cycle_unix_s=truth.wind.cycle_unix_s,
        )
        for name in ("the truth", "the truth later")
    )
    flown = fly_path(truth.wind, launches, plan.train, draws, draw=_TRUE, step_s=_STEP_S)
    top = int(np.count_nonzero(flown.rising)) - 1
    if flown.status is not FlightStatus.LANDED or top < 2:
        return ()
    arrays = [each.name for each in fields(flown) if each.name != "status"]
    part = replace(flown, **{name: getattr(flown, name)[: top + 1] for name in arrays})
    passed_s = np.interp(draws.height_m, part.height_m, part.time_unix_s[-1] - part.time_unix_s)
    lead_hours = np.array([(part.time_unix_s[-1] - truth.wind.cycle_unix_s) / 3600.0])
    own = FORECAST_ERROR.component_sigma_mps(lead_hours, draws.height_m)[0] ** 2
    # a fall takes two fifths of the time of the rise, about
    changed = WIND_GROWTH.variance(draws.height_m, 1.4 * passed_s, np.zeros(passed_s.size))
    kept = np.clip(1.0 - changed / (2.0 * own), 0.0, 1.0).astype(np.float32)
    new = np.sqrt(1.0 - kept**2)
    burst = Launches(
        part.latitude_deg[-1:], part.longitude_deg[-1:], part.height_m[-1:], part.time_unix_s[-1:],
        falling=np.array([True]),
    )  # fmt: skip
    moved = replace(
        draws,
        wind_u_mps=kept * draws.wind_u_mps + new * later.wind_u_mps,
        wind_v_mps=kept * draws.wind_v_mps + new * later.wind_v_mps,
    )
    fall = fly_path(truth.wind, burst, plan.train, moved, draw=_TRUE, step_s=_STEP_S)
    return (part, fall) if fall.status is FlightStatus.LANDED else ()


def reports_of(legs: Sequence[FlightPath]) -> Iterator[Report]:
    """What the tracker says of a flight: with noise, a gap, and two reports that cannot be true."""
    stream = np.random.Generator(np.random.Philox(key=_SEED))
    time_s, *places = (
        np.concatenate([getattr(leg, name) for leg in legs])
        for name in ("time_unix_s", "latitude_deg", "longitude_deg", "height_m")
    )
    began, ended = (from_unix_s(float(time_s[i])) for i in (0, -1))
    minutes = int((ended - began + ON_THE_GROUND) / EVERY)
    for minute in range(minutes + 1):
        passed = minute * EVERY
        if GAP_AFTER < passed < GAP_AFTER + GAP:
            continue
        moment = began + passed
        at_s = to_unix_s(moment)
        latitude, longitude, height = (float(np.interp(at_s, time_s, values)) for values in places)
        north, east, up = stream.normal(0.0, (NOISE_M, NOISE_M, HEIGHT_NOISE_M))
        wide = _METRES_A_DEGREE * np.cos(np.radians(latitude))
        report = Report(
            TRACKER,
            moment,
            moment + timedelta(seconds=4),
            latitude + float(north) / _METRES_A_DEGREE,
            longitude + float(east) / wide,
            height + float(up),
            NOISE_M,
            HEIGHT_NOISE_M,
            "rehearsed",
        )
        if passed == WILD[0]:
            report = replace(report, latitude_deg=0.0, longitude_deg=0.0)
        elif passed == WILD[1]:
            report = replace(report, latitude_deg=latitude + _FAR_DEG)
        yield report


def _miss_of(said: Said | None, landing: tuple[float, float]) -> Miss | None:
    if said is None or said.estimate is None:
        return None
    return _miss(said.estimate.landing, said.made_utc, landing)


def _miss(told: Footprint | None, at_utc: datetime, landing: tuple[float, float]) -> Miss | None:
    if told is None:
        return None
    error_m = float(distance_m(told.latitude_deg, told.longitude_deg, *landing))
    return Miss(at_utc, error_m, told.major_90_m)
