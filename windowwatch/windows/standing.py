"""How an hour, a window and a week stand at a time: the one answer that every reader gives. Pure.

Terminal, board, pages, sheet, calendar, data and notices ask here and word what they get: none of
them judges, ranks or picks an hour by itself.

Named rules
-----------
no-go by chance
    An hour whose chance is below the closing chance is no-go, whatever its score, and so is
    what another model says at its own chance. Rows keep the verdict of checks and score: the
    chance of a stored hour changes when other models speak, and is judged when it is read.
in a window or alone
    An hour that is go or caution is worth planning on only inside a window that is open or
    sighted. Outside it stands alone: its neighbours are not good (too short), it is too weak to
    open a window, or its window closed. Such an hour is counted nowhere and heads no day.
planned hour
    The hour that a window keeps so that plans do not jump. Once it has gone by, the best good
    hour still to come takes its place.
now best
    The good hour still to come with the highest score, where that is higher than the planned
    hour's as people read it: in whole points.
strength
    Open before sighted, read before unread, then chance times score: so one that is better in
    both is never named after one that is worse. The first of a week is its best launch, and
    sites stand in the order of their best.
soonest
    The open launch with the earliest planned hour; the earliest sighted one where none is open.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum

from windowwatch.clock import require_utc
from windowwatch.scoring.values import Hour, Opinion, Verdict
from windowwatch.windows.values import Window, WindowState
from windowwatch.windows.window import ACTIVE, WindowRules, better_first, index_hours, is_good

_FINE = (Verdict.GO, Verdict.CAUTION)


def judged(hour: Hour, rules: WindowRules) -> Hour:
    """An hour as people are told of it: no-go where its chance is below the closing chance.

    Parameters
    ----------
    hour : Hour
        As stored; one that was judged before comes back as it is.
    rules : WindowRules
        Of the watch.

    Returns
    -------
    Hour
        With `own_verdict` where only the others' chance made it no-go.
    """
    verdict = _by_chance(hour.verdict, hour.chance, rules)
    others = tuple(_opinion(each, rules) for each in hour.others)
    if verdict is hour.verdict and others == hour.others:
        return hour
    own = hour.own_verdict
    if verdict is not hour.verdict and hour.own_chance is not None:
        alone = _by_chance(hour.verdict, hour.own_chance, rules)
        own = None if alone is verdict else alone
    return replace(hour, verdict=verdict, own_verdict=own, others=others)


def is_no_go_by_chance(hour: Hour, rules: WindowRules) -> bool:
    """Whether an hour is no-go for its chance alone: no hard limit is passed, and its score does.

    Parameters
    ----------
    hour : Hour
        As judged.
    rules : WindowRules
        Of the watch.
    """
    vetoed = hour.score is None or any(c.hard and c.verdict is Verdict.NO_GO for c in hour.checks)
    slim = hour.chance is not None and hour.chance < rules.close_chance
    return hour.verdict is Verdict.NO_GO and slim and not vetoed


def _by_chance(verdict: Verdict, chance: float | None, rules: WindowRules) -> Verdict:
    slim = chance is not None and chance < rules.close_chance
    return Verdict.NO_GO if verdict in _FINE and slim else verdict


def _opinion(opinion: Opinion, rules: WindowRules) -> Opinion:
    verdict = _by_chance(opinion.verdict, opinion.chance, rules)
    return opinion if verdict is opinion.verdict else replace(opinion, verdict=verdict)


class Place(StrEnum):
    """Where an hour stands to the windows of its site."""

    OPEN = "open"  #: a good hour of an open window
    SIGHTED = "sighted"  #: a good hour of a window that is not confirmed yet
    CLOSED = "closed"  #: go or caution, but its window closed
    TOO_SHORT = "too short"  #: good, but too few in a row for a window
    TOO_WEAK = "too weak"  #: go or caution, but its score or chance opens no window
    APART = "apart"  #: good enough and long enough, and yet in no window of this pass
    OVER = "over"  #: gone by
    NOT_GOOD = "not good"  #: no-go, or not known


@dataclass(frozen=True)
class Standing:
    """How one hour stands.

    Parameters
    ----------
    place : Place
    window : Window or None
        The window that it lies in, whatever its state.
    in_a_row : timedelta or None
        How long the hours are that are good together with it, where they are too short.
    """

    place: Place
    window: Window | None = None
    in_a_row: timedelta | None = None

    @property
    def counts(self) -> bool:
        """Whether the hour may be planned on."""
        return self.place in (Place.OPEN, Place.SIGHTED)


@dataclass(frozen=True)
class Launch:
    """What a window offers at a time.

    Parameters
    ----------
    window : Window
        Open or sighted, with a release still to come.
    time_utc : datetime
        The planned hour; once that has gone by, the best good hour still to come.
    score : float
        Of that hour. [0-100]
    chance : float or None
        Of that hour. [1]
    hour : Hour or None
        That hour as read; None where it could not be: the numbers are then last known.
    now_best : Hour or None
        A good hour of the window that scores higher by now.
    """

    window: Window
    time_utc: datetime
    score: float
    chance: float | None
    hour: Hour | None
    now_best: Hour | None

    @property
    def as_planned(self) -> bool:
        """Whether the planned hour is still to come."""
        return self.time_utc == self.window.best_hour_utc

    @property
    def strength(self) -> tuple[bool, bool, float, float]:
        """What makes one launch better than another: see the named rule."""
        state = self.window.state is WindowState.OPEN
        chance = self.chance or 0.0
        return state, self.hour is not None, chance * self.score, -self.time_utc.timestamp()

    def setup_utc(self, setup_min: float) -> datetime:
        """When set-up begins for it, so many minutes before the release."""
        return self.time_utc - timedelta(minutes=setup_min)


@dataclass(frozen=True)
class Week:
    """All hours and windows of a pass as they stand at a time.

    Parameters
    ----------
    now_utc : datetime
    rules : WindowRules
    hours : mapping of str to mapping of datetime to Hour
        As judged, by site and time.
    windows : tuple of Window
        All of the pass, those that ended in it as well.
    launches : tuple of Launch
        One for each window that can still be used, the best first.
    """

    now_utc: datetime
    rules: WindowRules
    hours: Mapping[str, Mapping[datetime, Hour]]
    windows: tuple[Window, ...]
    launches: tuple[Launch, ...]

    @property
    def best(self) -> Launch | None:
        """The best launch of all sites."""
        return self.launches[0] if self.launches else None

    @property
    def soonest(self) -> Launch | None:
        """The soonest launch of all sites."""
        return min(
            self.launches,
            key=lambda each: (each.window.state is not WindowState.OPEN, each.time_utc),
            default=None,
        )

    def at_site(self, site: str) -> tuple[Launch, ...]:
        """Launches at a site, the best first."""
        return tuple(each for each in self.launches if each.window.site == site)

    def of_window(self, uid: str) -> Launch | None:
        """What one window offers; None when it can be used no more."""
        return next((each for each in self.launches if each.window.uid == uid), None)

    def in_order(self, sites: Collection[str]) -> tuple[str, ...]:
        """Sites in the order of their best launch; those without one keep theirs, behind."""
        ranked = dict.fromkeys(each.window.site for each in self.launches)
        return (*(s for s in ranked if s in sites), *(s for s in sites if s not in ranked))

    def coming(self, site: str) -> tuple[Hour, ...]:
        """Launch hours of a site that are still to come, in order."""
        return tuple(h for _, h in sorted(self.hours.get(site, {}).items()) if self._is_coming(h))

    def standing(self, hour: Hour) -> Standing:
        """How an hour of the pass stands to the windows of its site."""
        here = [w for w in self.windows if w.site == hour.site and _holds(w, hour.time_utc)]
        live = [w for w in here if is_live(w, self.now_utc)]
        window = next(iter((*live, *here)), None)
        if not self._is_coming(hour):
            return Standing(Place.OVER, window)
        if hour.verdict not in _FINE:
            return Standing(Place.NOT_GOOD, window)
        if live:
            opened = live[0].state is WindowState.OPEN
            return Standing(Place.OPEN if opened else Place.SIGHTED, window)
        if window is not None:
            return Standing(Place.CLOSED, window)
        return self._alone(hour)

    def _is_coming(self, hour: Hour) -> bool:
        return hour.time_utc >= self.now_utc

    def _alone(self, hour: Hour) -> Standing:
        """Why an hour that lies in no window lies in none."""
        if not is_good(hour, self.rules, inside=False):
            return Standing(Place.TOO_WEAK)
        together = 1
        for way in (self.rules.step, -self.rules.step):
            moment = hour.time_utc + way
            while self._opens(hour.site, moment):
                together += 1
                moment += way
        lasts = together * self.rules.step
        short = lasts < self.rules.min_length
        return Standing(Place.TOO_SHORT, None, lasts) if short else Standing(Place.APART)

    def _opens(self, site: str, moment: datetime) -> bool:
        hour = self.hours.get(site, {}).get(moment)
        return moment >= self.now_utc and is_good(hour, self.rules, inside=False)


def is_live(window: Window, now_utc: datetime) -> bool:
    """Whether a window is open or sighted and its last release is still to come."""
    return window.state in ACTIVE and window.last_release_utc >= now_utc


def _holds(window: Window, moment: datetime) -> bool:
    return window.start_utc <= moment < window.end_utc


def week(
    hours: Iterable[Hour], windows: Sequence[Window], rules: WindowRules, now_utc: datetime
) -> Week:
    """All of a pass as it stands at a time.

    Parameters
    ----------
    hours : iterable of Hour
        All hours of the pass, judged or as stored.
    windows : sequence of Window
        All windows of the same pass.
    rules : WindowRules
        Of the watch.
    now_utc : datetime
        Aware UTC.

    Raises
    ------
    InputError
        If an hour is given twice or a time has no zone.
    """
    now_utc = require_utc(now_utc)
    by_site = index_hours(judged(hour, rules) for hour in hours)
    launches = [
        launch(window, by_site.get(window.site, {}), rules, now_utc)
        for window in windows
        if is_live(window, now_utc)
    ]
    launches.sort(key=lambda each: (each.strength, each.window.uid), reverse=True)
    return Week(now_utc, rules, by_site, tuple(windows), tuple(launches))


def launch(
    window: Window, hours: Mapping[datetime, Hour], rules: WindowRules, now_utc: datetime
) -> Launch:
    """What a window that can still be used offers at a time.

    Parameters
    ----------
    window : Window
    hours : mapping of datetime to Hour
        Of its site, by the same pass.
    rules : WindowRules
        Of the watch.
    now_utc : datetime
        Hours before it have gone by.
    """
    good = [
        hour
        for moment, hour in hours.items()
        if _holds(window, moment) and moment >= now_utc and is_good(hour, rules, inside=True)
    ]
    top = min(good, key=better_first, default=None)
    kept = next((hour for hour in good if hour.time_utc == window.best_hour_utc), None)
    if kept is None and window.best_hour_utc < now_utc:
        kept = top
    if kept is None:
        return Launch(window, window.best_hour_utc, window.best_score, window.chance, None, top)
    score = kept.score or 0.0
    better = top is not None and round(top.score or 0.0) > round(score)
    return Launch(window, kept.time_utc, score, kept.chance, kept, top if better else None)
