"""Launch hours joined to windows, with hysteresis.

Named rules
-----------
opening
    Outside every known window an hour is good from `open_score` and `open_chance` on.
others open nothing
    Where other weather models have changed the chance, an hour outside every known window must
    reach `open_chance`, and a window that opens at once `near_chance`, by the deciding model
    alone as well as by all together: others can keep a window from opening, and never open
    one. For staying it is the chance of all together that counts.
staying
    Inside a known window it stays good down to `close_score` and `close_chance`. The chance
    has a say of its own: past a soft limit a fair score can stand beside a chance of nought,
    and nobody should plan on such an hour.
unread
    An hour that could not be read is never good, nor is one of which no chance is known.
    Inside a known window it keeps its place, marked, until it can be read: a gap in the data
    says nothing about the weather.
gone by
    Hours that have gone by keep their place in an open window, so that a window does not
    "move" because time passes. They make no new window.
planned hour
    The best hour of an open window stays its planned hour until another beats it by more than
    `best_margin` points: the landing that people plan for does not jump about. Nobody plans on
    a window that is only sighted: it opens with the hour that is best then.
"""

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime, timedelta
from enum import Enum
from typing import Any, TypeGuard

from windowwatch.clock import require_utc
from windowwatch.errors import InputError
from windowwatch.scoring.values import Check, Hour, Verdict
from windowwatch.windows.causes import (
    Cause,
    CheckAgainst,
    DataMissing,
    NoAnswer,
    NotReadable,
    Refused,
    Span,
)
from windowwatch.windows.values import Window, WindowState

#: States of a window that is still to come or under way.
ACTIVE = (WindowState.SIGHTED, WindowState.OPEN)


@dataclass(frozen=True)
class WindowRules:
    """When hours make a window, and what about it is worth telling.

    Defaults are common practice, no source. Every "moved", "weaker" and "stronger" bound
    must be passed, not only reached.

    Parameters
    ----------
    open_score, close_score : float
        Hysteresis: good from the first on; inside a known window down to the second. [0-100]
    open_chance, close_chance : float
        Likewise for the chance, without which no hour is good; to open, also by the
        deciding model alone. [1]
    accept_caution : bool
        Whether an hour whose verdict is `caution` may be good; `go` always may, `no-go` never.
    step_min, min_length_min : int
        Distance between launch hours and shortest window. [min]
    confirm_cycles : int
        A window opens when it was seen in so many cycles …
    near_h, near_chance : float
        … or at once, when it starts within `near_h` hours and its chance reaches
        `near_chance`. [h], [1]
    moved_min, moved_km : float
        Change of start or end, and of the landing point, that is told. [min], [km]
    score_step, chance_step : float
        Change of score and of chance that is told. [0-100], [1]
    best_margin : float
        By how much another hour must beat the best hour to take its place. [0-100]
    """

    open_score: float = 60.0
    close_score: float = 50.0
    open_chance: float = 0.3
    close_chance: float = 0.15
    accept_caution: bool = True
    step_min: int = 60
    min_length_min: int = 120
    confirm_cycles: int = 2
    near_h: float = 24.0
    near_chance: float = 0.7
    moved_min: float = 60.0
    moved_km: float = 15.0
    score_step: float = 10.0
    chance_step: float = 0.15
    best_margin: float = 5.0

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if not math.isfinite(value) or value < 0:
                raise InputError(f"window rule {field.name} = {value}: give a number from 0 on")
        if not self.close_score <= self.open_score <= 100.0:
            raise InputError(
                f"window rules close_score = {self.close_score}, open_score = {self.open_score}: "
                "close_score must not exceed open_score, and neither 100"
            )
        if self.close_chance > self.open_chance:
            raise InputError(
                f"window rules close_chance = {self.close_chance}, open_chance = "
                f"{self.open_chance}: close_chance must not exceed open_chance"
            )
        for name in ("near_chance", "chance_step", "open_chance"):
            if getattr(self, name) > 1.0:
                raise InputError(
                    f"window rule {name} = {getattr(self, name)}: give a share, 0 to 1"
                )
        for name in ("step_min", "confirm_cycles"):
            if getattr(self, name) < 1:
                raise InputError(f"window rule {name} = {getattr(self, name)}: give 1 or more")

    @property
    def step(self) -> timedelta:
        """Distance between launch hours."""
        return timedelta(minutes=self.step_min)

    @property
    def min_length(self) -> timedelta:
        """Shortest window; never shorter than one step."""
        return timedelta(minutes=max(self.min_length_min, self.step_min))


class _Answer(Enum):
    """What is known of one launch hour."""

    GOOD = "good"
    BAD = "bad"
    GONE_BY = "gone by"
    UNREAD = "unread"


@dataclass(frozen=True)
class _Slot:
    time: datetime
    answer: _Answer
    hour: Hour | None
    known: Window | None


def is_unread(hour: Hour | None) -> bool:
    """Whether nothing can be said of an hour: not there, refused, `unknown`, or of no chance.

    An hour that is no-go anyway needs no chance to be known as bad.
    """
    return (
        hour is None
        or hour.refused is not None
        or hour.score is None
        or hour.verdict is Verdict.UNKNOWN
        or (hour.chance is None and hour.verdict is not Verdict.NO_GO)
    )


def is_good(hour: Hour | None, rules: WindowRules, *, inside: bool) -> bool:
    """Whether an hour is good; `inside` when it lies inside a window already known."""
    if hour is None or hour.score is None or is_unread(hour):
        return False
    accepted = {Verdict.GO, Verdict.CAUTION} if rules.accept_caution else {Verdict.GO}
    bound = rules.close_score if inside else rules.open_score
    likely = rules.close_chance if inside else rules.open_chance
    chance = hour.chance if inside else opening_chance(hour.chance, hour.own_chance)
    enough = chance is not None and chance >= likely
    return hour.verdict in accepted and hour.score >= bound and enough


def opening_chance(chance: float | None, own_chance: float | None) -> float | None:
    """Chance that is reached by all models together and by the deciding one alone.

    `own_chance` is None where no other model has changed the chance.
    """
    return chance if chance is None or own_chance is None else min(chance, own_chance)


def worst_check(hour: Hour) -> Check | None:
    """The check that speaks most against an hour; None when none does."""
    if hour.worst_checks:
        return hour.worst_checks[0]
    rank = {Verdict.NO_GO: 0, Verdict.CAUTION: 1, Verdict.UNKNOWN: 2, Verdict.GO: 3}

    def badness(check: Check) -> tuple[int, float, str]:
        desirability = 1.0 if check.desirability is None else check.desirability
        return rank[check.verdict], desirability, check.name

    against = [c for c in hour.checks if c.verdict is not Verdict.GO or c.desirability != 1.0]
    return min(against, key=badness) if against else None


def index_hours(hours: Iterable[Hour]) -> dict[str, dict[datetime, Hour]]:
    """Hours by site, then by time.

    Raises
    ------
    InputError
        If an hour is given twice, or its time has no zone.
    """
    found: dict[str, dict[datetime, Hour]] = {}
    for hour in hours:
        at_site = found.setdefault(hour.site, {})
        moment = require_utc(hour.time_utc)
        if moment in at_site:
            raise InputError(f"the hour {moment.isoformat()} at {hour.site} is given twice")
        at_site[moment] = hour
    return found


def join_hours(
    hours: Sequence[Hour],
    rules: WindowRules,
    *,
    now_utc: datetime,
    known: Sequence[Window] = (),
) -> tuple[Window, ...]:
    """Join good hours to windows, site by site.

    Parameters
    ----------
    hours : sequence of Hour
        All hours of a cycle, in any order.
    rules : WindowRules
        Bounds.
    now_utc : datetime
        Aware UTC; hours before it make no new window.
    known : sequence of Window
        Windows of the cycle before; only those still to come or under way count.

    Returns
    -------
    tuple of Window
        Nameless candidates (`uid` empty, state `sighted`) by site and start, for
        `windowwatch.windows.changes.compare`. `cycles_seen` is 1, or 0 for a candidate that
        stands only because none of its hours could be read, or all good ones are answers
        carried over from an earlier cycle.
    """
    now_utc = require_utc(now_utc)
    by_site = index_hours(hours)
    alive = [w for w in known if w.state in ACTIVE and w.end_utc > now_utc]
    joined: list[Window] = []
    for site in sorted({*by_site, *(w.site for w in alive)}):
        slots = _slots(by_site.get(site, {}), [w for w in alive if w.site == site], rules, now_utc)
        for run in _runs(slots, rules.step):
            window = _window_of(site, run, rules)
            if window is not None and window.end_utc - window.start_utc >= rules.min_length:
                joined.append(window)
    return tuple(joined)


def _slots(
    hours: Mapping[datetime, Hour], known: list[Window], rules: WindowRules, now_utc: datetime
) -> list[_Slot]:
    """Every launch hour of a site that has an answer or a place in a known window."""
    times = set(hours)
    for window in known:
        steps = math.ceil((window.end_utc - window.start_utc) / rules.step)
        times.update(window.start_utc + i * rules.step for i in range(steps))
    slots = []
    for moment in sorted(times):
        here = [w for w in known if w.start_utc <= moment < w.end_utc]
        owner = min(here, key=lambda w: (w.start_utc, w.uid)) if here else None
        hour = hours.get(moment)
        answer = _answer(hour, owner, rules, gone_by=moment < now_utc)
        slots.append(_Slot(moment, answer, hour, owner))
    return slots


def _answer(
    hour: Hour | None, known: Window | None, rules: WindowRules, *, gone_by: bool
) -> _Answer:
    if gone_by:
        open_here = known is not None and known.state is WindowState.OPEN
        return _Answer.GONE_BY if open_here else _Answer.BAD
    if is_unread(hour):
        return _Answer.BAD if known is None else _Answer.UNREAD
    good = is_good(hour, rules, inside=known is not None)
    return _Answer.GOOD if good else _Answer.BAD


def _runs(slots: list[_Slot], step: timedelta) -> list[list[_Slot]]:
    """Neighbouring slots that are not bad."""
    runs: list[list[_Slot]] = []
    broken = True
    for slot in slots:
        if slot.answer is _Answer.BAD:
            broken = True
        elif broken or slot.time - runs[-1][-1].time > step:
            runs.append([slot])
            broken = False
        else:
            runs[-1].append(slot)
    return runs


def _window_of(site: str, run: list[_Slot], rules: WindowRules) -> Window | None:
    """Make the candidate of one run; None when nothing still to come speaks for it."""
    unread = [s for s in run if s.answer is _Answer.UNREAD]
    good = [s.hour for s in run if s.answer is _Answer.GOOD and s.hour is not None]
    start, end = run[0].time, run[-1].time + rules.step
    best, top = _best(run, rules), _top(good)
    if best is not None:
        return Window(
            uid="",
            site=site,
            state=WindowState.SIGHTED,
            start_utc=start,
            end_utc=end,
            cycles_seen=int(_seen(run)),
            unread=_not_readable(unread, rules.step),
            step_min=float(rules.step_min),
            go_hours=sum(hour.verdict is Verdict.GO for hour in good),
            good_hours=len(good),
            **planned_fields(best, top),
        )
    if not unread:
        return None  # only hours gone by: nothing good is left of the window
    kept = [s.known for s in run if s.known is not None and start <= s.known.best_hour_utc < end]
    if not kept:
        return None  # the best hour was read and is not good; of the rest nothing is known
    carried = max(kept, key=lambda w: (w.state is WindowState.OPEN, w.best_score, w.uid))
    return replace(
        carried,
        uid="",
        state=WindowState.SIGHTED,
        start_utc=start,
        end_utc=end,
        cycles_seen=0,
        unread=_not_readable(unread, rules.step),
        readable=False,
        told=None,
        step_min=float(rules.step_min),
        now_best_utc=None,
        now_best_score=None,
    )


def planned_fields(hour: Hour, top: Hour | None) -> dict[str, Any]:
    """Fields of a window that are those of its planned hour, with what does better than it.

    Parameters
    ----------
    hour : Hour
        The planned hour: read, and good.
    top : Hour or None
        The best good hour of the window; it is named where people read a higher score of it.
    """
    mark, worst = hour.footprint, worst_check(hour)
    better = top is not None and round(top.score or 0.0) > round(hour.score or 0.0)
    return {
        "best_hour_utc": hour.time_utc,
        "best_score": float(hour.score or 0.0),
        "chance": hour.chance,
        "own_chance": hour.chance if hour.own_chance is None else hour.own_chance,
        "landing_latitude_deg": None if mark is None else mark.latitude_deg,
        "landing_longitude_deg": None if mark is None else mark.longitude_deg,
        "drift_km": hour.drift_km,
        "bearing_deg": hour.bearing_deg,
        "road_km": hour.road_km,
        "limited_by": () if worst is None else (CheckAgainst(worst),),
        "now_best_utc": top.time_utc if better and top is not None else None,
        "now_best_score": top.score if better and top is not None else None,
    }


def _seen(run: list[_Slot]) -> bool:
    """Whether the newest cycle itself found one of the good hours good."""
    return any(s.answer is _Answer.GOOD and s.hour and s.hour.from_cycle is None for s in run)


def _best(run: list[_Slot], rules: WindowRules) -> Hour | None:
    """Best good hour of a run: the known one unless another beats it by the margin."""
    good = {s.time: s.hour for s in run if s.answer is _Answer.GOOD and s.hour is not None}
    top = _top(good.values())
    kept = _top(
        good[s.time]
        for s in run
        if s.time in good and _is_told(s.known) and s.known.best_hour_utc == s.time
    )
    if top is None or kept is None:
        return top
    return kept if (top.score or 0.0) - (kept.score or 0.0) <= rules.best_margin else top


def _is_told(window: Window | None) -> TypeGuard[Window]:
    """Whether people plan on a window: only then does it keep its hour."""
    return window is not None and window.state is WindowState.OPEN


def _top(hours: Iterable[Hour]) -> Hour | None:
    return min(hours, key=better_first, default=None)


def better_first(hour: Hour) -> tuple[float, float, float]:
    """Sorts good hours of a window, the best first: by score, then chance, then time."""
    chance = -1.0 if hour.chance is None else hour.chance
    return -(hour.score or 0.0), -chance, hour.time_utc.timestamp()


def runs_of(times: Iterable[datetime], step: timedelta) -> tuple[Span, ...]:
    """Launch hours joined to runs of neighbours: first and last of each."""
    runs: list[Span] = []
    for moment in sorted(times):
        if runs and moment <= runs[-1][1] + step:
            runs[-1] = (runs[-1][0], moment)
        else:
            runs.append((moment, moment))
    return tuple(runs)


def _not_readable(unread: list[_Slot], step: timedelta) -> tuple[NotReadable, ...]:
    """Which hours could not be read, for the commonest reason; of equals the earliest counts."""
    if not unread:
        return ()
    why = Counter(_why_unread(s.hour) for s in unread)
    first, _ = why.most_common(1)[0]
    return (NotReadable(runs_of([s.time for s in unread], step), first, len(why) - 1),)


def _why_unread(hour: Hour | None) -> Cause:
    if hour is None:
        return NoAnswer()
    if hour.refused is not None:
        return Refused(hour.refused)
    unknown = next((c for c in hour.checks if c.verdict is Verdict.UNKNOWN), None)
    return DataMissing() if unknown is None else CheckAgainst(unknown)
