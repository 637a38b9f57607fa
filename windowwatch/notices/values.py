"""The values of the notices floor: channels, and the messages that they take."""

from dataclasses import dataclass, field
from datetime import time, timedelta
from zoneinfo import ZoneInfo

from windowwatch.errors import InputError
from windowwatch.windows.values import ChangeKind
from windowwatch.wording.notices import Message as Message  # what a channel is sent

#: What is told in quiet hours and between digests, unless a channel says otherwise.
AT_ONCE = frozenset({ChangeKind.CLOSED, ChangeKind.DECISION_DUE, ChangeKind.HOLD_ADVICE})


@dataclass(frozen=True)
class Timeouts:
    """How long one hand-over waits. [s]

    Parameters
    ----------
    connect_s : float
        For a connection.
    read_s : float
        For each answer, once connected.
    """

    connect_s: float = 10.0
    read_s: float = 60.0

    @property
    def longest_s(self) -> float:
        """One hand-over in all: mail has several answers, and an answer may come in drips."""
        return self.connect_s + 3.0 * self.read_s


@dataclass(frozen=True)
class Channel:
    """A way to tell somebody, and what that person wants to hear.

    Parameters
    ----------
    name : str
        What people and the database call it; never secret.
    url : str
        Address in apprise's form. It may hold a password or token, so it is shown nowhere,
        not even in `repr`.
    kinds : frozenset of ChangeKind
        Which changes are told here; all by default.
    sites : frozenset of str, optional
        Of which sites; all by default.
    from_chance : float
        A window is first told of when its chance reaches this. [1]
    within : timedelta, optional
        A window is told of from so long before its start.
    time_zone : str
        IANA zone in which `quiet` and `digest_at` are read.
    quiet : pair of time, optional
        Start and end of the hours in which only `at_once` is told.
    digest_at : tuple of time
        When all but `at_once` is told, in one message; empty: as it comes.
    at_once : frozenset of ChangeKind
        Kinds that never wait.
    fallback : str, optional
        Channel that is told instead once this one has failed for `fallback_after`.
    long : bool
        Whether it has room for the long text: mail does, a phone does not.
    picture : bool
        Whether a small map goes with what is told of a window.
    """

    name: str
    url: str = field(repr=False)
    kinds: frozenset[ChangeKind] = frozenset(ChangeKind)
    sites: frozenset[str] | None = None
    from_chance: float = 0.0
    within: timedelta | None = None
    time_zone: str = "UTC"
    quiet: tuple[time, time] | None = None
    digest_at: tuple[time, ...] = ()
    at_once: frozenset[ChangeKind] = AT_ONCE
    fallback: str | None = None
    fallback_after: timedelta = timedelta(minutes=15)
    long: bool = False
    picture: bool = False

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise InputError("a channel has no name; give it one")
        if not 0.0 <= self.from_chance <= 1.0:
            raise InputError(f"channel {self.name!r}: from_chance must be a share, 0 to 1")
        if self.quiet is not None and self.quiet[0] == self.quiet[1]:
            raise InputError(
                f"channel {self.name!r}: quiet hours begin and end at the same time; leave them "
                "out, or give two times"
            )
        if any(at.tzinfo is not None for at in (*(self.quiet or ()), *self.digest_at)):
            raise InputError(f"channel {self.name!r}: times of day are local, without a zone")
        try:
            ZoneInfo(self.time_zone)
        except (KeyError, ValueError, OSError) as error:
            raise InputError(
                f"channel {self.name!r}: {self.time_zone!r} is no IANA time zone"
            ) from error
