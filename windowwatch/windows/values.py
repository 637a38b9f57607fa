"""The values of the windows floor: windows and changes."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from windowwatch.windows.causes import Causes, Dissent


class WindowState(StrEnum):
    """Life of a window across cycles."""

    SIGHTED = "sighted"  #: seen, not yet confirmed
    OPEN = "open"  #: confirmed; people were told
    CLOSED = "closed"  #: the forecast took it away
    PAST = "past"  #: its time went by


class ChangeKind(StrEnum):
    """What can happen to a window or to the watch."""

    OPENED = "opened"
    MOVED = "moved"
    WEAKER = "weaker"
    STRONGER = "stronger"
    CLOSED = "closed"
    FORECAST_LATE = "forecast late"
    DECISION_DUE = "decision due"
    MODELS_DISAGREE = "models disagree"
    HOLD_ADVICE = "hold advice"
    PASS_FAILED = "pass failed"
    PLAN = "planned launch"
    FLIGHT = "followed flight"


@dataclass(frozen=True)
class Window:
    """Joined good hours at one site.

    `start_utc` is the first good launch hour and `last_release_utc` the last one; to people a
    window is always told as "release FIRST to LAST", both included. `end_utc` is the last one
    plus one step: nothing was flown there, and where it is told it is called the end, never a
    release. `best_hour_utc` is what people call the planned hour: the best one when it was
    chosen, kept so that plans do not jump.
    `uid` is stable for the life of the window.
    """

    uid: str
    site: str
    state: WindowState
    start_utc: datetime
    end_utc: datetime
    best_hour_utc: datetime
    best_score: float
    chance: float | None
    landing_latitude_deg: float | None
    landing_longitude_deg: float | None
    drift_km: float | None
    bearing_deg: float | None
    road_km: float | None
    cycles_seen: int
    limited_by: Causes
    """What holds the best hour's score down most; of a closed window, why it closed."""
    cycle_id: str = ""
    """The cycle in which this version of the window was made."""
    unread: Causes = ()
    """Its hours that the newest cycle could not answer for, if any."""
    readable: bool = True
    """False when no hour still to come could be read: the numbers are then an earlier cycle's."""
    merged_into: str | None = None
    """Uid of the window that took this one in; its state is then `closed`."""
    split_from: str | None = None
    """Uid of the window that this one was a part of."""
    seen_in: str = ""
    """The newest cycle that itself saw good hours here; an answer carried over is not seen."""
    told: "Window | None" = None
    """The window as people were last told of it (its own `told` is None)."""
    own_chance: float | None = None
    """Chance of its best hour by the deciding model alone."""
    dissent: tuple[Dissent, ...] = ()
    """Which other models disagree, and how, as last told."""
    step_min: float = 60.0
    """Distance between its launch hours. [min]"""
    go_hours: int | None = None
    """How many of its `good_hours` are go; the others are caution. None: stored before it was."""
    good_hours: int | None = None
    """How many launch hours still to come were read and found good."""
    now_best_utc: datetime | None = None
    """A launch hour that scored higher than the planned one, `best_hour_utc`, in this pass."""
    now_best_score: float | None = None
    """Its score; None where no hour did better."""
    go_in_row: int | None = None
    """The longest run of neighbouring launch hours that are go."""
    spread_km: float | None = None
    """Radius of a circle as large as the ellipse that holds 90 % of the best hour's landings."""
    steady_chance: float | None = None
    """Chance smoothed over the cycles that saw it, from nought on; see `windows.changes`. [1]"""
    waits: tuple[str, ...] = ()
    """In what ways it differs from what was told, where that is not told yet."""
    waits_in: tuple[str, ...] = ()
    """The cycles in a row that found it so."""
    waits_until_utc: datetime | None = None
    """When the deciding cycle is due for which what other models say of it waits."""

    @property
    def last_release_utc(self) -> datetime:
        """The last good launch hour that was flown; never before `start_utc`."""
        return max(self.start_utc, self.end_utc - timedelta(minutes=self.step_min))


@dataclass(frozen=True)
class Change:
    """A stored fact: what happened to a window from one cycle to the next.

    `key` is stable: the same change found twice has the same key.
    `before` is the window as last told, None for opened; `after` is None for closed.
    `causes` say why, the gravest first; `windowwatch.wording.causes` reads them aloud.
    """

    key: str
    kind: ChangeKind
    site: str
    window_uid: str | None
    cycle_id: str
    found_utc: datetime
    before: Window | None
    after: Window | None
    causes: Causes
