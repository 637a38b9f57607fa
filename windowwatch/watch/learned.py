"""What a watch learns of its own answers, when it learns anew, and what its flights are made with.

Named rules
-----------
nothing changes silently
    Flights are made with what was learned only where the settings say so (``[learning] use``), and
    each pass stores its version. What would change is shown in any case.
learned anew
    After a pass of the deciding model, when the newest tables are older than `AGAIN_AFTER`.
never in the way
    Where what is kept cannot be read, flights are made with the tables from memory, which is said
    among the pass's remarks; where nothing can be learned, it is logged. No pass is lost by it.
"""

import logging
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from windowwatch.chase.values import Begun
from windowwatch.clock import to_unix_s
from windowwatch.errors import StorageError, WindowwatchError
from windowwatch.forecast.cycle import Cycle
from windowwatch.forecast.notes import LearnedUnread, Notes
from windowwatch.launchday.sighting import Sighting
from windowwatch.learning.climatology import Reference
from windowwatch.learning.learned import FROM_MEMORY, Learned, learn
from windowwatch.learning.record import (
    JUDGED_COLUMNS,
    LANDING_COLUMNS,
    NOT_JUDGED,
    OBSERVED,
    SiteRecord,
)
from windowwatch.learning.verify import WindowStory
from windowwatch.physics.earth import distance_m
from windowwatch.physics.spread import KNOT_HEIGHT_M
from windowwatch.scoring.values import Site
from windowwatch.storage.store import Store
from windowwatch.watch.values import Watch
from windowwatch.windows.values import Change, ChangeKind

_LOG = logging.getLogger(__name__)
#: A flight that begins so near to a site left from it. [m]
_AT_SITE_M = 1_000.0
#: So old the newest tables are when they are made anew. Judgement: once a day.
AGAIN_AFTER = timedelta(hours=20)
_EVER = datetime(2000, 1, 1, tzinfo=UTC)
#: Changes of a window's quality or place that people were told of.
_RESTLESS = (ChangeKind.MOVED, ChangeKind.WEAKER, ChangeKind.STRONGER)


def believing(watch: Watch, store: Store) -> tuple[Watch, Notes]:
    """The watch with what its flights are to be made with, and what to note of it.

    Unchanged where `Watch.use_learned` is not set, or nothing was learned yet.
    """
    if not watch.use_learned:
        return watch, ()
    try:
        learned = store.learned_tables(watch.name)
    except WindowwatchError as error:
        _LOG.warning("%s; the error tables from memory are used", error.message)
        return watch, (LearnedUnread(error.message),)
    if learned is None:
        return watch, ()
    return replace(watch, belief=learned.belief(watch.model)), ()


def as_flown(watch: Watch, store: Store, version: str | None) -> Watch:
    """The watch with what a stored pass was flown with, so that what is flown of it agrees.

    Raises
    ------
    StorageError
        If that version is damaged, or is not stored any more.
    """
    if version is None:
        return replace(watch, belief=FROM_MEMORY)
    learned = store.learned_version(watch.name, version)
    if learned is None:
        raise StorageError(
            f"what was learned under version {version} is not stored any more; the next pass "
            "flies anew"
        )
    return replace(watch, belief=learned.belief(watch.model))


def learn_anew(store: Store, watch: Watch, now_utc: datetime) -> Learned:
    """Learn from all that is kept of a watch; nothing is stored.

    What aerodromes reported for its sites, and where flights of the log that left from them came
    down, stand beside the model's own last word. Chances are learned of passes that were flown as
    `Watch.use_learned` has the next ones flown, and held against a survey of years, where there
    is one.

    Raises
    ------
    StorageError
        If the database refuses.
    """
    name, sites = watch.name, watch.sites
    seen = (each for site in sites for each in store.sightings(name, site.name, _EVER))
    answers, faults = store.answers(name, beside=measured(seen, landed(store, sites)))
    stories = stories_of(store.changes(name), now_utc)
    otherwise = [
        (cycle.model, to_unix_s(cycle.reference_utc))
        for cycle, version in store.flown_with(name).items()
        if (version is not None) != watch.use_learned
    ]
    reference, amiss = reference_of(store, watch)
    return learn(
        answers, now_utc, stories,
        faults=(*faults, *amiss), flown_otherwise=otherwise, reference=reference,
    )  # fmt: skip


def reference_of(store: Store, watch: Watch) -> tuple[Reference | None, tuple[str, ...]]:
    """The survey of years that a watch's chances are held against, and what is amiss with it."""
    try:
        found = store.usual_chances(watch.name)
    except StorageError as error:
        return None, (error.message,)
    if found is None:
        return None, ()
    return Reference(found, watch.plan, watch.train, watch.sites), ()


@dataclass(frozen=True)
class Landed:
    """Where a flight of the log came down: at which site and when it left, and the place."""

    site: str
    released_utc: datetime
    latitude_deg: float
    longitude_deg: float


def landed(store: Store, sites: Sequence[Site]) -> Iterator[Landed]:
    """Landings of the log's closed flights that left from one of some sites."""
    for flight in store.flights():
        begun, made = flight.begun, None
        if flight.closing is not None:
            made = store.logged(flight).made
        there = None if made is None else made.flown.landing
        near = min(sites, key=lambda site: _away_m(site, begun), default=None)
        if made is None or there is None or near is None or _away_m(near, begun) > _AT_SITE_M:
            continue
        yield Landed(near.name, made.flown.released_utc, *there)


def _away_m(site: Site, begun: Begun) -> float:
    here = site.latitude_deg, site.longitude_deg
    return float(distance_m(*here, begun.latitude_deg, begun.longitude_deg))


def measured(
    sightings: Iterable[Sighting], landings: Iterable[Landed] = ()
) -> Iterator[SiteRecord]:
    """What was measured of launch hours, each of the hour that it is nearest to.

    The wind and gust of METAR reports: what somebody held up or judged by eye is left out, it is
    not the wind 10 m above ground. And where flights of the log came down.
    """
    found: dict[tuple[str, float], SiteRecord] = {}

    def at(site: str, moment: datetime) -> SiteRecord:
        hour_s = round(to_unix_s(moment) / 3600.0) * 3600.0
        return found.setdefault((site, hour_s), _nothing_measured(site, hour_s, moment))

    for seen in sightings:
        if seen.told and seen.wind_mps is not None:
            surface = at(seen.site, seen.at_utc).surface
            # its speed alone is compared
            surface["wind_u_10m_mps"][0], surface["wind_v_10m_mps"][0] = seen.wind_mps, 0.0
            surface["gust_mps"][0] = np.nan if seen.gust_mps is None else seen.gust_mps
    for each in landings:
        landing = at(each.site, each.released_utc).landing
        landing[0, :2] = each.latitude_deg, each.longitude_deg
    yield from found.values()


def _nothing_measured(site: str, hour_s: float, moment: datetime) -> SiteRecord:
    names = ("wind_u_10m_mps", "wind_v_10m_mps", "gust_mps")
    return SiteRecord(
        Cycle(moment, OBSERVED),
        site,
        np.array([hour_s]),
        np.full((1, KNOT_HEIGHT_M.size, 2), np.nan),
        {name: np.full(1, np.nan) for name in names},
        np.full((1, len(LANDING_COLUMNS)), np.nan),
        np.full((1, len(JUDGED_COLUMNS)), np.nan),
        np.full(1, NOT_JUDGED, dtype=np.int8),
    )


def learn_when_due(
    store: Store, watch: Watch, now_utc: datetime, after: timedelta = AGAIN_AFTER
) -> Learned | None:
    """Learn and store it, when the newest tables are old; None when they are not, or it failed."""
    try:
        newest = _newest(store, watch.name) if after else None
        if newest is not None and now_utc - newest.made_utc < after:
            return None
        learned = learn_anew(store, watch, now_utc)
        store.save_learned(watch.name, learned)
    except WindowwatchError as error:
        _LOG.warning("nothing is learned this time: %s", error.message)
        return None
    for fault in learned.faults:
        _LOG.warning(fault)
    return learned


def _newest(store: Store, watch: str) -> Learned | None:
    try:
        return store.learned_tables(watch)
    except WindowwatchError as error:
        _LOG.warning(error.message)
        return None


def stories_of(changes: Sequence[Change], now_utc: datetime) -> tuple[WindowStory, ...]:
    """What became of every window that was opened and whose first release has gone by.

    Parameters
    ----------
    changes : sequence of Change
        In the order in which they were found.
    now_utc : datetime
        Aware.
    """
    by_window: dict[str, list[Change]] = {}
    for change in changes:
        if change.window_uid is not None:
            by_window.setdefault(change.window_uid, []).append(change)
    found = []
    for story in by_window.values():
        opened = next((c for c in story if c.kind is ChangeKind.OPENED), None)
        if opened is None or opened.after is None:
            continue
        last = next(c for c in reversed(story) if c.after is not None or c.before is not None)
        window = last.after or last.before
        closed = any(c.kind is ChangeKind.CLOSED for c in story)
        if window is None or window.start_utc > now_utc:
            continue
        before_s = to_unix_s(opened.after.start_utc) - to_unix_s(opened.found_utc)
        restless = sum(c.kind in _RESTLESS for c in story)
        found.append(WindowStory(before_s / 3600.0, not closed, restless))
    return tuple(found)
