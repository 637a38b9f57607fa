"""Which deliveries a change brings, what a channel hears and when, and further attempts. Pure.

Named rules
-----------
first hearing
    A window is first told on a channel when its chance reaches that channel's bound. From
    then on everything about it is told there, whatever the chance.
never heard of
    The end of a window that was kept from a channel is not told there, nor how to hold for it.
held
    A notice waits for the end of quiet hours, for the next digest, or for the day from which
    on the channel wants to hear of the window. Kinds that are told `at_once` never wait for
    quiet hours or digests.
too late
    How to hold is not told once the last launch hour has come, on its way again or not.
overtaken
    Of what was held, only the last word on each window is told.
together
    What one pass finds of windows that are far, as `windows.window` has it, is told in one
    message: nothing about them is to be done at once.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from windowwatch.clock import require_utc
from windowwatch.errors import InputError
from windowwatch.notices.values import Channel
from windowwatch.windows.values import Change, ChangeKind
from windowwatch.windows.window import WindowRules
from windowwatch.wording.phrases import percent

#: Kinds that tell how a window is; the others ask for something or are about the watch.
_OF_WINDOWS = frozenset(
    {
        ChangeKind.OPENED,
        ChangeKind.MOVED,
        ChangeKind.WEAKER,
        ChangeKind.STRONGER,
        ChangeKind.CLOSED,
        ChangeKind.MODELS_DISAGREE,
    }
)
_NEVER_TOLD = "this channel was never told of the window"


def wants(channel: Channel, change: Change) -> bool:
    """Whether a channel is to hear of such a change at all; a change without site is of all."""
    if change.kind not in channel.kinds:
        return False
    return channel.sites is None or not change.site or change.site in channel.sites


def due_at(channel: Channel, change: Change) -> datetime:
    """When a change is to be told on a channel: when it was found, or when it is held until.

    Raises
    ------
    InputError
        If a time has no zone.
    """
    moment = require_utc(change.found_utc)
    window = change.after
    if channel.within is not None and window is not None and change.kind in _OF_WINDOWS:
        moment = max(moment, window.start_utc - channel.within)
    if change.kind in channel.at_once:
        return moment
    if channel.digest_at:
        return next_of_day(channel.digest_at, channel.time_zone, moment)
    return quiet_until(channel, moment) or moment


def quiet_until(channel: Channel, moment: datetime) -> datetime | None:
    """End of the quiet hours that `moment` lies in, None outside of them."""
    if channel.quiet is None:
        return None
    first, last = channel.quiet
    zone = ZoneInfo(channel.time_zone)
    today = moment.astimezone(zone).date()
    for day in (today - timedelta(days=1), today):
        start = _moment(day, first, zone)
        end = _moment(day if first < last else day + timedelta(days=1), last, zone, fold=1)
        if start <= moment < end:
            return end
    return None


def next_of_day(times: tuple[time, ...], time_zone: str, moment: datetime) -> datetime:
    """The first of some times of day, read in a zone, that is not before `moment`."""
    zone = ZoneInfo(time_zone)
    today = moment.astimezone(zone).date()
    days = (today, today + timedelta(days=1))
    return min(each for day in days for at in times if (each := _moment(day, at, zone)) >= moment)


def _moment(day: date, at: time, zone: ZoneInfo, fold: int = 0) -> datetime:
    """UTC of a local time. One that clocks skip in spring is read as if they had not yet.

    Of one that comes twice in autumn, `fold` says which (PEP 495): 0 the first, 1 the second.
    """
    first, second = (
        require_utc(datetime.combine(day, at.replace(fold=which), zone)) for which in (0, 1)
    )
    return second if fold and second > first else first


def why_not(
    channel: Channel, change: Change, *, heard: bool, overtaken: bool, held: bool, now_utc: datetime
) -> str | None:
    """Why a due change is not to be told on a channel after all; None when it is.

    Parameters
    ----------
    channel : Channel
        Where it would be told.
    change : Change
        What would be told.
    heard : bool
        Whether the channel was told of its window before.
    overtaken : bool
        Whether something later of its window was told there, or is due.
    held : bool
        Whether it has waited on purpose.
    now_utc : datetime
        Aware.
    """
    if change.kind is ChangeKind.HOLD_ADVICE and not heard and _keeps_things_back(channel):
        return _NEVER_TOLD
    if change.kind not in _OF_WINDOWS:
        return None
    if held and overtaken:
        return "overtaken by a later change while it was held"
    window = change.after
    if window is None:
        if heard or not _keeps_things_back(channel):
            return None
        return _NEVER_TOLD
    if held and window.end_utc <= now_utc:
        return "the window went by while the notice was held"
    if not heard and channel.from_chance > 0.0:
        if window.chance is None:
            return "the chance is not known, and this channel has never heard of the window"
        if window.chance < channel.from_chance:
            return (
                f"a chance of {percent(window.chance)} is under the "
                f"{percent(channel.from_chance)} from which on this channel hears of a window"
            )
    return None


def too_late(change: Change, now_utc: datetime) -> str | None:
    """Why a change is of no use to anybody any more; None when it is.

    Asked before every try, also of what failed before and of what is told on another channel.
    """
    window = change.after
    if change.kind is not ChangeKind.HOLD_ADVICE or window is None:
        return None
    if window.last_release_utc > require_utc(now_utc):
        return None
    return "the last launch hour has come: there is nothing to hold for"


def together(change: Change, found: Iterable[Change], rules: WindowRules) -> tuple[str, ...]:
    """Keys of the changes that are told in one message with a change, without its own.

    Parameters
    ----------
    change : Change
        What is to be told.
    found : iterable of Change
        Changes of the same cycle; those found at another time are left out.
    rules : WindowRules
        They say how far is far.
    """
    if not _is_far(change, rules):
        return ()
    return tuple(
        each.key
        for each in found
        if each.key != change.key and each.found_utc == change.found_utc and _is_far(each, rules)
    )


def _is_far(change: Change, rules: WindowRules) -> bool:
    window = change.after or change.before
    if change.kind not in _OF_WINDOWS or window is None:
        return False
    return rules.is_far(window, change.found_utc)


def _keeps_things_back(channel: Channel) -> bool:
    """Whether there may be windows that a channel was not told of."""
    return bool(channel.from_chance or channel.within or channel.quiet or channel.digest_at)


@dataclass(frozen=True)
class RetryRules:
    """Growing pauses after failed attempts. Defaults are common practice, no source.

    Parameters
    ----------
    first_pause : timedelta
        After the first failure; doubled after each further one …
    longest_pause : timedelta
        … up to this.
    give_up_after : timedelta
        Counted from when the notice was due; an older one is not sent any more.
    jitter : float
        Largest share that is added to a pause by chance, so that two daemons, or many
        notices after an outage, do not knock at a service in step. [1]
    lease : timedelta
        How long one attempt may take before another process may make it.
    repeat_pauses : tuple of timedelta
        After an attempt that nobody answered: it may have arrived, so it is repeated only so
        often, and so far apart.
    """

    first_pause: timedelta = timedelta(seconds=30)
    longest_pause: timedelta = timedelta(minutes=15)
    give_up_after: timedelta = timedelta(hours=24)
    lease: timedelta = timedelta(minutes=8)
    jitter: float = 0.2
    repeat_pauses: tuple[timedelta, ...] = (timedelta(minutes=30), timedelta(hours=2))

    def __post_init__(self) -> None:
        for name in ("first_pause", "longest_pause", "give_up_after", "lease"):
            if getattr(self, name) <= timedelta(0):
                raise InputError(f"retry rule {name} must be longer than nothing")

    def repeat_after(self, repeats_left: int) -> timedelta:
        """Pause before the next repeat, when so many are left, the next one among them."""
        return self.repeat_pauses[len(self.repeat_pauses) - repeats_left]

    def lasting(self, attempt: timedelta) -> "RetryRules":
        """The same with a lease that outlasts an attempt: with a picture, and again without."""
        return replace(self, lease=max(self.lease, 2 * attempt + timedelta(minutes=1)))


def plan_deliveries(
    changes: Iterable[Change], channels: Iterable[Channel]
) -> tuple[tuple[str, str], ...]:
    """Pairs of change key and channel name, for every channel that wants that kind and site."""
    channels = tuple(channels)
    return tuple((c.key, ch.name) for c in changes for ch in channels if wants(ch, c))


def holds(
    changes: Sequence[Change], channels: Sequence[Channel]
) -> dict[tuple[str, str], datetime]:
    """Which of these deliveries are held, and until when."""
    return {
        (change.key, channel.name): due
        for change in changes
        for channel in channels
        if wants(channel, change) and (due := due_at(channel, change)) > change.found_utc
    }


def next_try(
    tries: int, *, due_utc: datetime, now_utc: datetime, rules: RetryRules, chance: float = 0.0
) -> datetime | None:
    """When to try again after `tries` failed attempts; None when it is to be given up.

    Parameters
    ----------
    tries : int
        Attempts so far.
    due_utc, now_utc : datetime
        When the notice was first due, and the present.
    rules : RetryRules
        Pauses.
    chance : float
        A random number from 0 to 1, for the jitter.
    """
    doubled = min(max(tries - 1, 0), 20)  # a pause of months is capped below anyway
    pause = min(rules.first_pause * 2**doubled, rules.longest_pause)
    moment = now_utc + pause * (1.0 + rules.jitter * chance)
    return None if moment - due_utc > rules.give_up_after else moment
