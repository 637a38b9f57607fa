"""Which deliveries a change brings, and when a failed attempt is made again. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from windowwatch.errors import InputError
from windowwatch.notices.hearing import due_at, wants
from windowwatch.notices.values import Channel
from windowwatch.windows.values import Change


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
