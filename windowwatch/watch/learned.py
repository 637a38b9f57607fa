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
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np

from windowwatch.clock import to_unix_s
from windowwatch.errors import StorageError, WindowwatchError
from windowwatch.forecast.cycle import Cycle
from windowwatch.launchday.sighting import Sighting
from windowwatch.learning.learned import FROM_MEMORY, Learned, learn
from windowwatch.learning.record import (
    JUDGED_COLUMNS,
    LANDING_COLUMNS,
    NOT_JUDGED,
    OBSERVED,
    SiteRecord,
)
from windowwatch.learning.verify import WindowStory
from windowwatch.physics.spread import KNOT_HEIGHT_M
from windowwatch.scoring.values import Site
from windowwatch.storage.store import Store
from windowwatch.watch.values import Watch
from windowwatch.windows.values import Change, ChangeKind

_LOG = logging.getLogger(__name__)
#: So old the newest tables are when they are made anew. Judgement: once a day.
AGAIN_AFTER = timedelta(hours=20)
_EVER = datetime(2000, 1, 1, tzinfo=UTC)
#: Changes of a window's quality or place that people were told of.
_RESTLESS = (ChangeKind.MOVED, ChangeKind.WEAKER, ChangeKind.STRONGER)


def believing(watch: Watch, store: Store) -> tuple[Watch, tuple[str, ...]]:
    """The watch with what its flights are to be made with, and what to say of it.

    Unchanged where `Watch.use_learned` is not set, or nothing was learned yet.
    """
    if not watch.use_learned:
        return watch, ()
    try:
        learned = store.learned_tables(watch.name)
    except WindowwatchError as error:
        words = f"{error.message}; the error tables from memory are used"
        _LOG.warning(words)
        return watch, (words,)
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


def learn_anew(
    store: Store,
    watch: str,
    now_utc: datetime,
    sites: Sequence[Site] = (),
    *,
    use_learned: bool = False,
) -> Learned:
    """Learn from all that is kept of a watch; nothing is stored.

    What aerodromes reported for `sites` stands beside the model's own last word. Chances are
    learned of passes that were flown as `Watch.use_learned` has the next ones flown.

    Raises
    ------
    StorageError
        If the database refuses.
    """
    seen = (each for site in sites for each in store.sightings(watch, site.name, _EVER))
    answers, faults = store.answers(watch, beside=measured(seen))
    stories = stories_of(store.changes(watch), now_utc)
    otherwise = [
        (cycle.model, to_unix_s(cycle.reference_utc))
        for cycle, version in store.flown_with(watch).items()
        if (version is not None) != use_learned
    ]
    return learn(answers, now_utc, stories, faults=faults, flown_otherwise=otherwise)


def measured(sightings: Iterable[Sighting]) -> Iterator[SiteRecord]:
    """The wind and gust of METAR reports, as what came of the launch hour that each is nearest to.

    What somebody held up or judged by eye is left out: it is not the wind 10 m above ground.
    """
    for seen in sightings:
        if not seen.told or seen.wind_mps is None:
            continue
        hour_s = round(to_unix_s(seen.at_utc) / 3600.0) * 3600.0
        gust = np.nan if seen.gust_mps is None else seen.gust_mps
        yield SiteRecord(
            Cycle(seen.at_utc, OBSERVED),
            seen.site,
            np.array([hour_s]),
            np.full((1, KNOT_HEIGHT_M.size, 2), np.nan),
            # its speed alone is compared
            {
                "wind_u_10m_mps": np.array([seen.wind_mps]),
                "wind_v_10m_mps": np.zeros(1),
                "gust_mps": np.array([gust]),
            },
            np.full((1, len(LANDING_COLUMNS)), np.nan),
            np.full((1, len(JUDGED_COLUMNS)), np.nan),
            np.full(1, NOT_JUDGED, dtype=np.int8),
        )


def learn_when_due(
    store: Store,
    watch: str,
    now_utc: datetime,
    after: timedelta = AGAIN_AFTER,
    sites: Sequence[Site] = (),
    *,
    use_learned: bool = False,
) -> Learned | None:
    """Learn and store it, when the newest tables are old; None when they are not, or it failed."""
    try:
        if after and (newest := _newest(store, watch)) and now_utc - newest.made_utc < after:
            return None
        learned = learn_anew(store, watch, now_utc, sites, use_learned=use_learned)
        store.save_learned(watch, learned)
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
