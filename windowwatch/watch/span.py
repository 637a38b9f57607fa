"""Which launch hours a watch looks at. Pure."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from windowwatch.clock import floor_to_step, require_utc
from windowwatch.errors import InputError


@dataclass(frozen=True)
class Span:
    """The days that are watched.

    Either fixed, from `first_utc` up to but without `last_utc`, or rolling: `days_ahead`
    from the present on. Launch hours stand on whole multiples of `step`.
    """

    step: timedelta
    days_ahead: float
    first_utc: datetime | None = None
    last_utc: datetime | None = None

    def __post_init__(self) -> None:
        if self.step <= timedelta(0):
            raise InputError(f"the step between launch hours must be above zero; it is {self.step}")

    def hours(self, now_utc: datetime) -> tuple[datetime, ...]:
        """Launch hours that are still to come at `now_utc`, in order; perhaps none.

        Raises
        ------
        InputError
            If `now_utc` carries no time zone.
        """
        now_utc = require_utc(now_utc)
        first = now_utc if self.first_utc is None else max(now_utc, require_utc(self.first_utc))
        if self.last_utc is None:
            last = now_utc + timedelta(days=self.days_ahead)
        else:
            last = require_utc(self.last_utc)
        hour = floor_to_step(first, self.step)
        if hour < first:
            hour += self.step
        count = max(0, -((hour - last) // self.step))
        return tuple(hour + i * self.step for i in range(count))
