"""Times in which a volume of air is active: dates of its own, and times of the week. Pure.

Times of the week go by the clock of a zone. Where that clock is put on or back between two bounds,
or at one of them, the volume is taken as active from the earliest moment that the first bound may
mean until the latest that the second may: too long by the change of the clock at each bound at
most, in the night of the change alone, and never too short. Public holidays are not known: a
Monday is a Monday.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from windowwatch.errors import InputError

#: From and until. [s since 1970 UTC]
Span = tuple[float, float]

#: Days as files name them, and as they are spoken of.
DAY_NAMES = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MINUTES_OF_DAY = 24 * 60
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Weekly:
    """Times of the week.

    Parameters
    ----------
    days : tuple of int
        On which it begins, 0 for Monday.
    from_min, until_min : int
        Minutes since midnight, by the clock of `zone`; until may be 1440. Where `until_min` is not
        after `from_min` it is of the day after. [min]
    zone : str
        IANA name, ``UTC`` included.
    first_day, last_day : date, optional
        It begins on none before and none after.
    """

    days: tuple[int, ...]
    from_min: int
    until_min: int
    zone: str
    first_day: date | None = None
    last_day: date | None = None

    def __post_init__(self) -> None:
        if not self.days or not set(self.days) <= set(range(7)):
            raise InputError(f"days {self.days}: give at least one, 0 (Monday) to 6")
        if not (0 <= self.from_min < MINUTES_OF_DAY and 0 <= self.until_min <= MINUTES_OF_DAY):
            raise InputError(f"from {self.from_min} until {self.until_min} is not within a day")
        if self.from_min == self.until_min:
            raise InputError("until is the same as from; a whole day is from 00:00 until 24:00")
        if self.first_day and self.last_day and self.first_day > self.last_day:
            raise InputError(f"first_day {self.first_day} is after last_day {self.last_day}")

    @property
    def is_bounded(self) -> bool:
        """Whether it holds between dates alone."""
        return self.first_day is not None or self.last_day is not None

    @property
    def ends_unix_s(self) -> float:
        """When the last day of all is over, at most; infinite where there is none. [s]"""
        if self.last_day is None:
            return float("inf")
        return _moments(self.last_day + 2 * _DAY, 0, ZoneInfo(self.zone))[1]

    def between(self, first_unix_s: float, last_unix_s: float) -> Iterator[Span]:
        """Spans that touch the time from the one to the other, in order. [s]"""
        zone = ZoneInfo(self.zone)
        # one that runs over midnight began a day before; one more for whatever the zone does
        day = datetime.fromtimestamp(first_unix_s, zone).date() - 2 * _DAY
        last = datetime.fromtimestamp(last_unix_s, zone).date() + _DAY
        if self.first_day is not None:
            day = max(day, self.first_day)
        if self.last_day is not None:
            last = min(last, self.last_day)
        over = self.until_min <= self.from_min
        while day <= last:
            if day.weekday() in self.days:
                begin = min(_moments(day, self.from_min, zone))
                end = max(_moments(day + _DAY if over else day, self.until_min, zone))
                if begin <= last_unix_s and end >= first_unix_s:
                    yield begin, end
            day += _DAY


def _moments(day: date, minutes: int, zone: ZoneInfo) -> tuple[float, float]:
    """What a time of a zone's clock may mean: one moment twice, but where the clock is changed."""
    more, minute = divmod(minutes, MINUTES_OF_DAY)
    at = datetime.combine(day + more * _DAY, time(minute // 60, minute % 60), tzinfo=zone)
    first, second = (at.replace(fold=fold).astimezone(UTC).timestamp() for fold in (0, 1))
    return first, second


def merged(spans: Sequence[Span]) -> tuple[Span, ...]:
    """Spans in order, those that meet or overlap as one. [s]"""
    found: list[Span] = []
    for begin, end in sorted(spans):
        if found and begin <= found[-1][1]:
            found[-1] = found[-1][0], max(found[-1][1], end)
        else:
            found.append((begin, end))
    return tuple(found)
