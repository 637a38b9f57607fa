"""Deliveries sent from stored rows: claim, word, send, mark; in this order.

Marked only after sending, so a crash in between repeats a notice (with the same key) rather
than losing it. What was held and comes due together on one channel is told in one message, and so
is what one pass finds of far windows (`policy.together`).

Named rule
----------
perhaps delivered
    A message that left whole and was not answered may have arrived. It is repeated at most as
    often as `RetryRules.repeat_pauses` says, not at all once something later of its window was
    told, and not on its own channel where the fallback is to be told.
"""

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import StrEnum

from windowwatch.clock import Clock
from windowwatch.errors import DeliveryError, UnansweredError
from windowwatch.notices import channels as door
from windowwatch.notices.policy import RetryRules, next_try, too_late, why_not
from windowwatch.notices.surroundings import Surroundings
from windowwatch.notices.values import Channel, Message
from windowwatch.scoring.values import Site
from windowwatch.storage.deliveries import Claim, DeliveryState
from windowwatch.storage.store import Store
from windowwatch.wording.notices import digest, message

Send = Callable[[Channel, Message], object]


class Result(StrEnum):
    """How one attempt ended."""

    SENT = "sent"
    LATER = "later"  #: failed; will be tried again
    FAILED = "failed"  #: given up, or told on another channel instead
    PERHAPS = "perhaps"  #: sent whole, not answered for; may be repeated


@dataclass(frozen=True)
class Attempt:
    """One attempt to tell something on one channel.

    `fell_back_to` names the channel that is told instead.
    """

    result: Result
    channel: str
    message: Message
    error: str | None = None
    next_try_utc: datetime | None = None
    fell_back_to: str | None = None


@dataclass(frozen=True)
class DeliveryReport:
    """What one run did, in order. `skipped`: channel, key and why it was not told."""

    attempts: tuple[Attempt, ...] = ()
    skipped: tuple[tuple[str, str, str], ...] = ()

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
    chance: Callable[[], float] = lambda: 0.0,
    surroundings: Surroundings | None = None,
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
    chance : callable
        Gives random numbers from 0 to 1, for the jitter of pauses.
    surroundings : Surroundings, optional
        Where it is read what a notice says and shows beside its change.

    Raises
    ------
    StorageError
        If the database refuses. What was sent before is marked.
    """
    run = _Run(store, sites, clock, send, rules or RetryRules(), chance, surroundings)
    open_channels = {channel.name: channel for channel in channels}
    while open_channels and not stop():
        claim = run.claim(open_channels)
        if claim is None:
            break
        channel = open_channels[claim.delivery.channel]
        if not run.is_to_be_told(claim, channel):
            continue
        claims = [claim, *run.held_too(claim, channel), *run.far_too(claim, channel)]
        if not run.tell(claims, channel):
            del open_channels[channel.name]
    return DeliveryReport(tuple(run.attempts), tuple(run.skipped))


@dataclass
class _Run:
    """What one run shares, and what it did."""

    store: Store
    sites: Mapping[str, Site]
    clock: Clock
    send: Send
    rules: RetryRules
    chance: Callable[[], float]
    surroundings: Surroundings | None
    attempts: list[Attempt] = field(default_factory=list)
    skipped: list[tuple[str, str, str]] = field(default_factory=list)

    def claim(
        self, names: Iterable[str], *, held: bool = False, keys: Collection[str] | None = None
    ) -> Claim | None:
        """Claim the next delivery that is due."""
        return self.store.claim_delivery(
            tuple(names),
            now_utc=self.clock.now(),
            lease=self.rules.lease,
            only_held=held,
            only_keys=keys,
            longest_pause=self.rules.longest_pause * (1.0 + self.rules.jitter),
            longest_repeat=max(self.rules.repeat_pauses, default=self.rules.longest_pause)
            * (1.0 + self.rules.jitter),
        )

    def is_to_be_told(self, claim: Claim, channel: Channel) -> bool:
        """Skip or give up what is not to be told; True for everything else."""
        delivery, now = claim.delivery, self.clock.now()
        why = too_late(delivery.change, now)
        if delivery.state is DeliveryState.PERHAPS:
            return self._is_to_be_repeated(claim, channel, why)
        if why is None and delivery.instead_of is None and delivery.error is None:
            why = why_not(
                channel,
                delivery.change,
                heard=claim.heard,
                overtaken=claim.overtaken,
                held=delivery.held,
                now_utc=now,
            )
        if why is not None:
            self.store.mark_skipped(claim, why=why)
            self.skipped.append((channel.name, delivery.change.key, why))
            return False
        if now - delivery.due_utc > self.rules.give_up_after:
            error = delivery.error or "it could not be sent in time"
            self.store.mark_failed(claim, error=f"given up, too old: {error}", next_try_utc=None)
            text = self._text([claim], channel)
            self.attempts.append(Attempt(Result.FAILED, channel.name, text, error))
            return False
        return True

    def _is_to_be_repeated(self, claim: Claim, channel: Channel, why: str | None) -> bool:
        """The same for what may have arrived already; it stays so when it is not repeated."""
        delivery, now = claim.delivery, self.clock.now()
        if claim.overtaken:
            why = "overtaken by a later change"
        elif now - delivery.due_utc > self.rules.give_up_after:
            why = "too old by now"
        other = self._other(channel, now)
        if why is None and other is None:
            return True
        note = f"told on {other} instead" if why is None else f"not repeated, {why}"
        error = f"{delivery.error}; {note}" if delivery.error else note
        self.store.mark_failed(
            claim,
            error=error,
            next_try_utc=None,
            failed_utc=now,
            fall_back_to=other if why is None else None,
            repeats_left=0,
        )
        if why is None:
            text = self._text([claim], channel)
            self.attempts.append(
                Attempt(Result.PERHAPS, channel.name, text, error, fell_back_to=other)
            )
        else:
            self.skipped.append((channel.name, delivery.change.key, why))
        return False

    def _other(self, channel: Channel, now: datetime) -> str | None:
        """The channel to tell instead of one that has failed for long enough."""
        since = self.store.failing_since(channel.name) or now
        return channel.fallback if now - since >= channel.fallback_after else None

    def held_too(self, first: Claim, channel: Channel) -> list[Claim]:
        """Everything else that was held and is due on the same channel."""
        claims: list[Claim] = []
        while first.delivery.held:
            claim = self.claim((channel.name,), held=True)
            if claim is None:
                break
            if self.is_to_be_told(claim, channel):
                claims.append(claim)
        return claims

    def far_too(self, first: Claim, channel: Channel) -> list[Claim]:
        """Everything of far windows that the same pass found and that is due there now."""
        delivery = first.delivery
        if self.surroundings is None or delivery.held or delivery.instead_of is not None:
            return []
        if delivery.state is DeliveryState.PERHAPS:
            return []  # what may have arrived is repeated as it was, not in other company
        keys, claims = self.surroundings.together(delivery.change), []
        while keys and (claim := self.claim((channel.name,), keys=keys)) is not None:
            if self.is_to_be_told(claim, channel):
                claims.append(claim)
        return claims

    def tell(self, claims: list[Claim], channel: Channel) -> bool:
        """Send one message for all claims and mark them; whether the channel took it."""
        text = self._pictured(self._text(claims, channel), claims, channel)
        try:
            self.send(channel, text)
        except DeliveryError as error:
            self._failed(claims, channel, text, error)
            return False
        now = self.clock.now()
        for claim in claims:
            self.store.mark_sent(claim, now_utc=now)
        self.attempts.append(Attempt(Result.SENT, channel.name, text))
        return True

    def _text(self, claims: list[Claim], channel: Channel) -> Message:
        now, first = self.clock.now(), claims[0]
        delivery, around = first.delivery, self.surroundings
        beside = None if around is None else around.beside(delivery.change, channel)
        if len(claims) > 1:
            changes = [claim.delivery.change for claim in claims]
            return digest(changes, self.sites, now_utc=now, beside=beside)
        return message(
            delivery.change,
            self.sites.get(delivery.change.site),
            now_utc=now,
            first=not first.heard,
            instead_of=delivery.instead_of,
            held=delivery.held,
            beside=beside,
        )

    def _pictured(self, text: Message, claims: list[Claim], channel: Channel) -> Message:
        """The message with a small map, where the channel takes one and there is one to draw."""
        if not channel.picture or self.surroundings is None or len(claims) > 1:
            return text
        drawn = self.surroundings.picture(claims[0].delivery.change, text.title)
        return replace(text, picture=drawn)

    def _failed(
        self, claims: list[Claim], channel: Channel, text: Message, error: DeliveryError
    ) -> None:
        """Mark a failed attempt: again later, on another channel instead, or never."""
        now, draw = self.clock.now(), self.chance()
        # Not yet, perhaps; an address of no use never gets better.
        other = self._other(channel, now) if error.retry else channel.fallback
        moment = None
        for claim in claims:
            moment, left = self._again(claim, channel, error, now, draw)
            if other is not None:
                moment = None
            told = f"; told on {other} instead" if other else ""
            self.store.mark_failed(
                claim,
                error=error.message + told,
                next_try_utc=moment,
                failed_utc=now,
                fall_back_to=other,
                repeats_left=left,
            )
        result = Result.FAILED if moment is None else Result.LATER
        if isinstance(error, UnansweredError):
            result = Result.PERHAPS
        self.attempts.append(
            Attempt(result, channel.name, text, error.message, moment, fell_back_to=other)
        )

    def _again(
        self, claim: Claim, channel: Channel, error: DeliveryError, now: datetime, draw: float
    ) -> tuple[datetime | None, int | None]:
        """When to try again, and how many repeats are left of what may have arrived."""
        delivery = claim.delivery
        if isinstance(error, UnansweredError):
            first = delivery.state is not DeliveryState.PERHAPS
            left = len(self.rules.repeat_pauses) if first else delivery.repeats_left - 1
            if left <= 0:
                return None, 0
            pause = self.rules.repeat_after(left)
            if channel.fallback is not None:
                pause = min(pause, max(channel.fallback_after, self.rules.first_pause))
            return now + pause * (1.0 + self.rules.jitter * draw), left
        if not error.retry:
            return None, None
        moment = next_try(
            delivery.tries, due_utc=delivery.due_utc, now_utc=now, rules=self.rules, chance=draw
        )
        return moment, None
