"""What a notice says and shows beside its change, read from the store when it is worded.

None of it is needed for the notice: what cannot be read or drawn is left out and logged.
"""

import logging
import threading
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from windowwatch.drawing.picture import Scene, picture_or_none
from windowwatch.errors import InputError, StorageError
from windowwatch.forecast.cycle import Cycle
from windowwatch.ground.query.features import Ground
from windowwatch.ground.query.outline import zones_of
from windowwatch.notices.policy import together
from windowwatch.notices.values import Channel
from windowwatch.scoring.values import Hour, HourDetail, Site
from windowwatch.storage.cycles import PassMark, StoredCycle
from windowwatch.storage.store import Store
from windowwatch.windows.causes import DecideBy
from windowwatch.windows.decisions import Decision
from windowwatch.windows.standing import judged
from windowwatch.windows.values import Change, Window
from windowwatch.windows.window import WindowRules
from windowwatch.wording.credits import NO_PERMISSION, credit_lines
from windowwatch.wording.notices import Beside

_LOG = logging.getLogger(__name__)


@dataclass(frozen=True)
class Surroundings:
    """Where a notice's surroundings are read from.

    Parameters
    ----------
    store : Store
    watch : str
        Name of the watch.
    sites : mapping of str to Site
    ground : Ground
        What a picture shows of roads and water.
    page_url : str, optional
        Address of the page, for links.
    rules : WindowRules
        Of the watch: hours are told as judged by them, and they say which windows are far.
    decisions : sequence of Decision
        What an open window asks people to decide.
    """

    store: Store
    watch: str
    sites: Mapping[str, Site]
    ground: Ground = field(default_factory=Ground)
    page_url: str | None = None
    rules: WindowRules = field(default_factory=WindowRules)
    decisions: Sequence[Decision] = ()
    _drawing: threading.Lock = field(default_factory=threading.Lock, repr=False, compare=False)

    def together(self, change: Change) -> tuple[str, ...]:
        """Keys of what is told in one message with a change; none where it cannot be read."""
        try:
            found = self.store.changes(self.watch, change.cycle_id)
        except StorageError as error:
            _LOG.warning("a notice of a far window goes alone: %s", error.message)
            return ()
        return together(change, found, self.rules)

    def beside(self, change: Change, channel: Channel) -> Beside:
        """What is said beside a change on a channel."""
        plain = Beside(zone=common_zone(self.sites.values()), page_url=self.page_url)
        try:
            stored = self.store.newest_passes(self.watch, last=2)
            detail = self._detail(change.after, self._best(change.after))
            best = self._best(change.after or change.before) if channel.long else None
        except StorageError as error:
            _LOG.warning("a notice goes without what stands beside it: %s", error.message)
            return plain
        return Beside(
            zone=plain.zone,
            page_url=plain.page_url,
            next_forecast_utc=next_forecast(stored),
            drive=None if detail is None else detail.drive,
            best=best,
            decide=self._decide(change),
        )

    def _decide(self, change: Change) -> DecideBy | None:
        """What the window of a change asks people to decide next."""
        window = change.after
        if window is None:
            return None
        asked = [
            DecideBy(each.name, by, each.before, by - change.found_utc)
            for each in self.decisions
            if each.asked_of(window) and (by := window.start_utc - each.before) > change.found_utc
        ]
        return min(asked, key=lambda each: each.by_utc, default=None)

    def picture(self, change: Change, title: str) -> bytes | None:
        """A map of the window's best hour; None when there is none to draw."""
        window = change.after
        site = self.sites.get(change.site)
        if window is None or site is None:
            return None
        try:
            best = self._best(window)
            detail = self._detail(window, best)
            if best is None or best.footprint is None:
                return None
            made_of = [best.from_cycle or window.cycle_id, *best.heard]
            said = (NO_PERMISSION, *credit_lines(map(Cycle.of_id, made_of), self.ground))
        except (StorageError, InputError) as error:
            _LOG.warning("a notice goes without its picture: %s", error.message)
            return None
        at = window.best_hour_utc.astimezone(ZoneInfo(site.time_zone))
        words = f"{title}\nlandings of {at:%H:%M} local; dashed ring: 90 % of them"
        zones = zones_of(self.ground)
        scene = Scene(words, site, best.footprint, detail, self.ground, said, zones)
        with self._drawing:  # channels come in threads of their own, and one map is big enough
            return picture_or_none(scene)

    def _best(self, window: Window | None) -> Hour | None:
        if window is None:
            return None
        at = window.best_hour_utc
        found = self.store.hours(
            self.watch,
            window.cycle_id,
            site=window.site,
            from_utc=at,
            until_utc=at + timedelta(seconds=1),
        )
        return next((judged(hour, self.rules) for hour in found), None)

    def _detail(self, window: Window | None, best: Hour | None) -> HourDetail | None:
        """What the best hour is drawn with, by the cycle that gave its answer."""
        if window is None:
            return None
        cycle_id = window.cycle_id if best is None else best.from_cycle or window.cycle_id
        return self.store.detail(
            self.watch, cycle_id, site=window.site, time_utc=window.best_hour_utc
        )


def common_zone(sites: Iterable[Site]) -> ZoneInfo | None:
    """The zone that all sites share, None when they do not: UTC then stands alone."""
    zones = {site.time_zone for site in sites}
    return ZoneInfo(zones.pop()) if len(zones) == 1 else None


def next_forecast(stored: Sequence[StoredCycle | PassMark]) -> datetime | None:
    """About when the next cycle will have been read; None before two of a model are stored.

    Cycles come as far apart as their reference times, and each takes about as long as the
    one before.

    Parameters
    ----------
    stored : sequence of StoredCycle or PassMark
        The newest cycles of the deciding model, oldest first.
    """
    if len(stored) < 2:
        return None
    before, newest = stored[-2], stored[-1]
    if before.cycle.model != newest.cycle.model:
        return None  # another model decides since
    return newest.saved_utc + (newest.cycle.reference_utc - before.cycle.reference_utc)
