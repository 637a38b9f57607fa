"""What a survey keeps of each launch hour: columns of plain numbers and words. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

#: What limits an hour of which the archive itself has nothing.
NO_DATA = "archive"


class State(IntEnum):
    """What is known of a launch hour."""

    BAD = 0  #: flown, and not good
    GOOD = 1  #: would open a window
    UNKNOWN = 2  #: data missing; never counted as good, nor as bad
    DARK = 3  #: not flown: the sun is down, and that is a hard limit


@dataclass(frozen=True)
class Rows:
    """Launch hours, arrays [N] and [N, D].

    Attributes
    ----------
    site : array of str
    time_unix_s : int64 array
        Launch. [s since 1970 UTC]
    state : int8 array, a `State`
    limit : array of str
        The check that speaks most against the hour, empty where none does; of an unknown hour
        the check that could not be answered, or why flights are lost, or `NO_DATA`.
    score, chance : float32 array
        As of `scoring.values.Hour`; NaN where it has none. [0-100], [1]
    drift_km, bearing_deg : float32 array
        From site to the centre of the landings. [km], [deg]
    landing_latitude_deg, landing_longitude_deg : float32 array [N, D]
        NaN for a flight without a landing. [deg]
    """

    site: NDArray[Any]
    time_unix_s: NDArray[np.int64]
    state: NDArray[np.int8]
    limit: NDArray[Any]
    score: NDArray[np.float32]
    chance: NDArray[np.float32]
    drift_km: NDArray[np.float32]
    bearing_deg: NDArray[np.float32]
    landing_latitude_deg: NDArray[np.float32]
    landing_longitude_deg: NDArray[np.float32]

    @classmethod
    def of(
        cls,
        site: str,
        time_unix_s: NDArray[np.float64],
        *,
        state: Sequence[int],
        limit: Sequence[str],
        draws: int = 0,
        **others: Any,
    ) -> "Rows":
        """Rows of one site; columns of numbers that are not given are NaN."""
        count = time_unix_s.size
        plain = {
            name: np.array(others.get(name, np.full(count, np.nan)), dtype=np.float32)
            for name in ("score", "chance", "drift_km", "bearing_deg")
        }
        places = {
            name: np.asarray(others.get(name, np.full((count, draws), np.nan)), dtype=np.float32)
            for name in ("landing_latitude_deg", "landing_longitude_deg")
        }
        return cls(
            np.full(count, site, dtype=object),
            time_unix_s.astype(np.int64),
            np.array(state, dtype=np.int8),
            np.array(limit, dtype=object),
            **plain,
            **places,
        )

    @classmethod
    def none(cls, draws: int) -> "Rows":
        """No row at all."""
        return cls.of("", np.empty(0), state=[], limit=[], draws=draws)

    @classmethod
    def joined(cls, parts: Sequence["Rows"]) -> "Rows":
        """All rows, by site and time."""
        some = [part for part in parts if part.time_unix_s.size] or list(parts[:1])
        columns = {
            each.name: np.concatenate([getattr(part, each.name) for part in some])
            for each in fields(cls)
        }
        order = np.lexsort((columns["time_unix_s"], columns["site"].astype(str)))
        return cls(**{name: values[order] for name, values in columns.items()})

    def where(self, chosen: NDArray[np.bool_]) -> "Rows":
        """Some of the rows."""
        return Rows(**{each.name: getattr(self, each.name)[chosen] for each in fields(self)})

    def of_site(self, site: str) -> "Rows":
        """The rows of a site."""
        return self.where(self.site == site)
