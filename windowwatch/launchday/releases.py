"""The table of releases: what a launch at every fifth minute would meet, each really flown. Pure.

Named rules
-----------
good
    A release is good when its verdict is go or caution: unknown is never good.
last good release
    The end of the first run of good releases that is still to come. Later ones may follow a
    bad one; they are in the table, but nobody waits for them without deciding to.
measured
    A gust that was measured over its hard limit makes every release no-go for as long as the
    measurement is fresh, whatever the forecast says.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from windowwatch.clock import require_utc
from windowwatch.errors import InputError
from windowwatch.launchday.flight import PlannedFlight
from windowwatch.launchday.sighting import Correction, SeenBeside, Veto
from windowwatch.physics.earth import bearing_deg, distance_m
from windowwatch.scoring.values import Check, Hour, Refusal, Verdict

#: Releases stand so far apart.
EVERY = timedelta(minutes=5)
#: The table goes on for so long after the window, and begins so long before the release.
PAST_WINDOW, AHEAD = timedelta(minutes=60), timedelta(hours=2)
#: Where a plan lies in no window, it goes on for so long after the release.
WITHOUT_WINDOW = timedelta(hours=2)
#: A table is never longer: a window of a whole day is looked at part by part.
LONGEST = timedelta(hours=12)


@dataclass(frozen=True)
class Release:
    """What one release would meet.

    Attributes
    ----------
    good : bool
        See the rules of the module.
    limiting : Check or None
        What costs it most, where anything does.
    refused : Refusal or None
        Why nothing is known of it.
    moved_km, moved_bearing_deg : float or None
        How far, and which way, its landings' centre lies from that of the planned release.
    landing_utc : datetime or None
    crew_after_min, clearance_left_min, daylight_left_min : float or None
        How long after the middle landing the crew is at the road nearest to it, below zero before
        it; minutes of clearance left at that landing; daylight left then
        (or when the crew gets there, where that is asked). None where it is not asked or not
        known. [min]
    vetoed : Veto or None
        The measurement that forbids it.
    """

    time_utc: datetime
    verdict: Verdict
    good: bool
    score: float | None
    chance: float | None
    limiting: Check | None
    refused: Refusal | None
    moved_km: float | None
    moved_bearing_deg: float | None
    landing_utc: datetime | None
    landing_latitude_deg: float | None
    landing_longitude_deg: float | None
    crew_after_min: float | None
    clearance_left_min: float | None
    daylight_left_min: float | None
    vetoed: Veto | None = None


@dataclass(frozen=True)
class ReleaseTable:
    """Releases of one plan, by one cycle.

    Attributes
    ----------
    plan : str
        Key of the plan, and `plan_number` of its last entry when this was made.
    planned_utc : datetime
        The planned release; it is among the rows wherever it lies in their span.
    last_good_utc : datetime or None
        See the rules of the module; None when no good release is to come.
    next_good_utc : datetime or None
        The first good release that is still to come.
    correction : Correction or None
        What measurements change in the forecast of the wind, where there are any.
    flight : PlannedFlight or None
        What the planned release comes to; None when its time is past.
    seen : tuple of SeenBeside
        Sightings of the last three hours beside the forecast, the oldest first.
    """

    plan: str
    plan_number: int
    site: str
    cycle_id: str
    made_utc: datetime
    planned_utc: datetime
    rows: tuple[Release, ...]
    last_good_utc: datetime | None
    next_good_utc: datetime | None
    correction: Correction | None = None
    flight: PlannedFlight | None = None
    seen: tuple[SeenBeside, ...] = ()

    @property
    def planned(self) -> Release | None:
        """The row of the planned release."""
        return next((row for row in self.rows if row.time_utc == self.planned_utc), None)


def release_times(
    planned_utc: datetime, window_end_utc: datetime | None, now_utc: datetime
) -> tuple[datetime, ...]:
    """Times that are to be flown: whole multiples of five minutes, and the planned one.

    Parameters
    ----------
    planned_utc : datetime
    window_end_utc : datetime or None
        Last release of the window that the plan lies in.
    now_utc : datetime

    Returns
    -------
    tuple of datetime
        Rising; empty when all of it is past.
    """
    planned, now = require_utc(planned_utc), require_utc(now_utc)
    if window_end_utc is None:
        end = planned + WITHOUT_WINDOW
    else:
        end = max(require_utc(window_end_utc), planned) + PAST_WINDOW
    start = max(now, planned - AHEAD)
    end = min(end, start + LONGEST)
    step = EVERY.total_seconds()
    first = -(-start.timestamp() // step) * step
    count = int((end.timestamp() - first) // step) + 1
    times = {datetime.fromtimestamp(first + i * step, tz=planned.tzinfo) for i in range(count)}
    if planned >= now:
        times.add(planned)
    return tuple(sorted(times))


def release_table(
    hours: Sequence[Hour],
    *,
    plan: str,
    plan_number: int,
    planned_utc: datetime,
    cycle_id: str,
    now_utc: datetime,
    vetoes: Iterable[Veto] = (),
    correction: Correction | None = None,
    flight: PlannedFlight | None = None,
    clearance_until_utc: datetime | None = None,
) -> ReleaseTable:
    """Make the table from scored launch times.

    Parameters
    ----------
    hours : sequence of Hour
        One for each release, of one site.
    plan, plan_number : str, int
    planned_utc : datetime
    cycle_id : str
    now_utc : datetime
    vetoes : iterable of Veto
        Measurements over a hard limit.
    correction : Correction, optional
        What was changed in the wind that `hours` were scored with.
    flight : PlannedFlight, optional
        What the planned release comes to.
    clearance_until_utc : datetime, optional
        End of the clearance.

    Raises
    ------
    InputError
        If `hours` are none, or of several sites.
    """
    if len({hour.site for hour in hours}) != 1:
        raise InputError("a table of releases is of one site, and has at least one release")
    ordered = sorted(hours, key=lambda hour: hour.time_utc)
    planned = next((h for h in ordered if h.time_utc == planned_utc), None)
    against = tuple(vetoes)
    rows = tuple(_row(hour, planned, against, clearance_until_utc) for hour in ordered)
    good = [row for row in rows if row.time_utc >= now_utc]
    first = next((i for i, row in enumerate(good) if row.good), None)
    last = None
    if first is not None:
        for row in good[first:]:
            if not row.good:
                break
            last = row.time_utc
    return ReleaseTable(
        plan=plan,
        plan_number=plan_number,
        site=ordered[0].site,
        cycle_id=cycle_id,
        made_utc=now_utc,
        planned_utc=planned_utc,
        rows=rows,
        last_good_utc=last,
        next_good_utc=None if first is None else good[first].time_utc,
        correction=correction,
        flight=flight,
    )


def _row(
    hour: Hour,
    planned: Hour | None,
    vetoes: Sequence[Veto],
    clearance_until_utc: datetime | None,
) -> Release:
    values = {check.name: check.value for check in hour.checks}
    worst = next((c for c in hour.worst_checks if (c.desirability or 0.0) < 1.0), None)
    daylight = values.get("arrival_daylight", values.get("landing_daylight"))
    spot = hour.footprint
    moved, bearing = _moved(hour, planned)
    left = None
    if clearance_until_utc is not None and hour.landing_utc is not None:
        left = (clearance_until_utc - hour.landing_utc).total_seconds() / 60.0
    row = Release(
        time_utc=hour.time_utc,
        verdict=hour.verdict,
        good=hour.verdict in (Verdict.GO, Verdict.CAUTION),
        score=hour.score,
        chance=hour.chance,
        limiting=worst,
        refused=hour.refused,
        moved_km=moved,
        moved_bearing_deg=bearing,
        landing_utc=hour.landing_utc,
        landing_latitude_deg=None if spot is None else spot.latitude_deg,
        landing_longitude_deg=None if spot is None else spot.longitude_deg,
        crew_after_min=values.get("crew"),
        clearance_left_min=left,
        daylight_left_min=daylight,
    )
    veto = next((each for each in vetoes if each.forbids(hour.time_utc)), None)
    if veto is None:
        return row
    return replace(row, verdict=Verdict.NO_GO, good=False, vetoed=veto)


def _moved(hour: Hour, planned: Hour | None) -> tuple[float | None, float | None]:
    """How far and which way a landing lies from the planned one. [km], [deg]"""
    if planned is None or planned.footprint is None or hour.footprint is None:
        return None, None
    a, b = planned.footprint, hour.footprint
    ends = (a.latitude_deg, a.longitude_deg, b.latitude_deg, b.longitude_deg)
    return float(distance_m(*ends)) / 1000.0, float(bearing_deg(*ends))
