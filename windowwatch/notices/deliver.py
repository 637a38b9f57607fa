"""Deliveries sent from stored rows: claim, word, send, mark; in this order.

Marked only after sending, so a crash in between repeats a notice (with the same key) rather
than losing it.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from windowwatch.clock import Clock
from windowwatch.errors import DeliveryError
from windowwatch.notices import channels as door
from windowwatch.notices.policy import RetryRules, next_try
from windowwatch.notices.values import Channel, Message
from windowwatch.notices.wording import message
from windowwatch.scoring.values import Site
from windowwatch.storage.deliveries import Claim
from windowwatch.storage.store import Store

Send = Callable[[Channel, Message], None]


class Result(StrEnum):
    """How one attempt ended."""

    SENT = "sent"
    LATER = "later"  #: failed; will be tried again
    FAILED = "failed"  #: given up


@dataclass(frozen=True)
class Attempt:
    """One attempt to tell one change on one channel."""

    result: Result
    channel: str
    message: Message
    error: str | None = None
    next_try_utc: datetime | None = None


@dataclass(frozen=True)
class DeliveryReport:
    """What one run did, in order."""

    attempts: tuple[Attempt, ...] = ()

    def of(self, result: Result) -> tuple[Attempt, ...]:
        """Attempts that ended so."""
        return tuple(a for a in self.attempts if a.result is result)


def deliver_pending(
    store: Store,
    channels: Iterable[Channel],
    sites: Mapping[str, Site],
    clock: Clock,
    *,
    send: Send = door.send,
    rules: RetryRules | None = None,
    stop: Callable[[], bool] = lambda: False,
) -> DeliveryReport:
    """Send everything that is due, oldest first.

    A channel that fails is left alone for the rest of this run, so that one dead service
    does not hold the others up with its time limit again and again.

    Parameters
    ----------
    store : Store
        Where deliveries are stored.
    channels : iterable of Channel
        Channels of the settings; rows of any other channel stay where they are.
    sites : mapping of str to Site
        Sites by name, for local time.
    clock : Clock
        Read before and after each attempt.
    send : callable
        What hands a message to a channel, raising DeliveryError.
    rules : RetryRules, optional
        Pauses; the defaults when None.
    stop : callable
        Asked before each attempt; True ends the run early and leaves nothing claimed.

    Raises
    ------
    StorageError
        If the database refuses. What was sent before is marked.
    """
    rules = rules or RetryRules()
    open_channels = {channel.name: channel for channel in channels}
    attempts: list[Attempt] = []
    while open_channels and not stop():
        claim = store.claim_delivery(open_channels.keys(), now_utc=clock.now(), lease=rules.lease)
        if claim is None:
            break
        channel = open_channels[claim.delivery.channel]
        attempt = _attempt(store, claim, channel, sites, clock, send, rules)
        attempts.append(attempt)
        if attempt.result is not Result.SENT:
            del open_channels[channel.name]
    return DeliveryReport(tuple(attempts))


def _attempt(
    store: Store,
    claim: Claim,
    channel: Channel,
    sites: Mapping[str, Site],
    clock: Clock,
    send: Send,
    rules: RetryRules,
) -> Attempt:
    change = claim.delivery.change
    now = clock.now()
    text = message(change, sites.get(change.site), now_utc=now)
    if now - change.found_utc > rules.give_up_after:
        error = claim.delivery.error or "it could not be sent in time"
        store.mark_failed(claim, error=f"given up, too old: {error}", next_try_utc=None)
        return Attempt(Result.FAILED, channel.name, text, error)
    try:
        send(channel, text)
    except DeliveryError as error:
        moment = None
        if error.retry:
            moment = next_try(
                claim.delivery.tries, found_utc=change.found_utc, now_utc=clock.now(), rules=rules
            )
        store.mark_failed(claim, error=error.message, next_try_utc=moment)
        result = Result.FAILED if moment is None else Result.LATER
        return Attempt(result, channel.name, text, error.message, moment)
    store.mark_sent(claim, now_utc=clock.now())
    return Attempt(Result.SENT, channel.name, text)
