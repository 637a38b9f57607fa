"""Who hears what, and when a failed attempt is made again. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from windowwatch.errors import InputError
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
        Counted from when the change was found; an older notice is not sent any more.
    lease : timedelta
        How long one attempt may take before another process may make it.
    """

    first_pause: timedelta = timedelta(seconds=30)
    longest_pause: timedelta = timedelta(minutes=15)
    give_up_after: timedelta = timedelta(hours=24)
    lease: timedelta = timedelta(minutes=3)

    def __post_init__(self) -> None:
        for name in ("first_pause", "longest_pause", "give_up_after", "lease"):
            if getattr(self, name) <= timedelta(0):
                raise InputError(f"retry rule {name} must be longer than nothing")


def plan_deliveries(
    changes: Iterable[Change], channels: Iterable[Channel]
) -> tuple[tuple[str, str], ...]:
    """Pairs of change key and channel name, for every channel that wants that kind."""
    channels = tuple(channels)
    return tuple((c.key, ch.name) for c in changes for ch in channels if c.kind in ch.kinds)


def next_try(
    tries: int, *, found_utc: datetime, now_utc: datetime, rules: RetryRules
) -> datetime | None:
    """When to try again after `tries` failed attempts; None when it is to be given up."""
    doubled = min(max(tries - 1, 0), 20)  # a pause of months is capped below anyway
    pause = min(rules.first_pause * 2**doubled, rules.longest_pause)
    moment = now_utc + pause
    return None if moment - found_utc > rules.give_up_after else moment
