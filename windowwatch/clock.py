"""Time as an argument: clocks, and the check that a time is aware UTC.

This is the only module that asks the machine for the time of day.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Protocol

from windowwatch.errors import InputError


class Clock(Protocol):
    """Anything that tells the time."""

    def now(self) -> datetime:
        """Return the present moment, aware, in UTC."""
        ...


class SystemClock:
    """The machine's own clock."""

    def now(self) -> datetime:
        """Return the present moment, aware, in UTC."""
        return datetime.now(UTC)


class ShiftedClock:
    """The machine's clock moved by a fixed amount, for drills on past forecasts.

    Parameters
    ----------
    start : datetime
        Aware time that the clock shows when it is made; it runs on from there.
    """

    def __init__(self, start: datetime) -> None:
        self._shift = require_utc(start) - datetime.now(UTC)

    def now(self) -> datetime:
        """Return the shifted present moment, aware, in UTC."""
        return datetime.now(UTC) + self._shift


class ClockSteps:
    """Tells when the machine's clock was set, or stood still while the machine slept.

    Parameters
    ----------
    wall, steady : callable
        Seconds of the clock that may be set, and of one that never is; the machine's own
        unless given.
    """

    def __init__(
        self,
        wall: Callable[[], float] = time.time,
        steady: Callable[[], float] = time.monotonic,
    ) -> None:
        self._wall, self._steady = wall, steady
        self._apart = wall() - steady()

    def since_last_s(self) -> float:
        """By how much the clock was put forward (or back, negative) since last asked. [s]"""
        apart = self._wall() - self._steady()
        step, self._apart = apart - self._apart, apart
        return step


@dataclass
class SimulatedClock:
    """A clock that moves only when told to; used by rehearsals and tests."""

    moment: datetime

    def __post_init__(self) -> None:
        self.moment = require_utc(self.moment)

    def now(self) -> datetime:
        """Return the simulated moment."""
        return self.moment

    def set(self, moment: datetime) -> None:
        """Move to `moment`, which must not lie before the present one.

        Raises
        ------
        InputError
            If `moment` is naive or would turn the clock back.
        """
        moment = require_utc(moment)
        if moment < self.moment:
            raise InputError(f"a simulated clock cannot run back from {self.moment} to {moment}")
        self.moment = moment


def require_utc(moment: datetime) -> datetime:
    """Return `moment` in UTC, refusing a naive one.

    Raises
    ------
    InputError
        If `moment` carries no time zone: guessing one is how launches go wrong by an hour.
    """
    if moment.tzinfo is None:
        raise InputError(
            f"time {moment.isoformat()} has no time zone; give one, for example +00:00"
        )
    return moment if moment.tzinfo is UTC else moment.astimezone(UTC)


def to_unix_s(moment: datetime) -> float:
    """Seconds since 1970-01-01T00:00Z of an aware time. [s]"""
    return require_utc(moment).timestamp()


def from_unix_s(seconds: float) -> datetime:
    """Aware UTC time of seconds since 1970-01-01T00:00Z."""
    return datetime.fromtimestamp(float(seconds), UTC)


def floor_to_step(moment: datetime, step: timedelta) -> datetime:
    """Latest whole multiple of `step` since 1970 that is not after `moment`.

    Examples
    --------
    >>> floor_to_step(datetime(2026, 5, 4, 7, 40, tzinfo=UTC), timedelta(hours=1)).hour
    7
    """
    seconds = to_unix_s(moment)
    width = step.total_seconds()
    return from_unix_s(seconds // width * width)
