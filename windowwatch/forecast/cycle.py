"""A cycle: one run of one weather model, by name and reference time."""

import re
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from windowwatch.clock import require_utc
from windowwatch.errors import InputError

# Whoever only names a cycle need not load what winds are computed with.
if TYPE_CHECKING:
    from windowwatch.forecast.notes import Notes
    from windowwatch.physics.surface import SurfaceGrid
    from windowwatch.physics.windgrid import WindGrid


@dataclass(frozen=True, order=True)
class Cycle:
    """One run of a weather model.

    Parameters
    ----------
    reference_utc : datetime
        Aware UTC time the run starts from.
    model : str
        Short name, for example ``"gfs"``.
    """

    reference_utc: datetime
    model: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "reference_utc", require_utc(self.reference_utc))

    @property
    def id(self) -> str:
        """Stable name, for example ``gfs-2026-05-04T06Z``."""
        return f"{self.model}-{self.reference_utc:%Y-%m-%dT%HZ}"

    @classmethod
    def of_id(cls, cycle_id: str) -> "Cycle":
        """Cycle of its stable name.

        Raises
        ------
        InputError
            If it is no such name.
        """
        found = re.fullmatch(r"(.+)-(\d{4}-\d{2}-\d{2}T\d{2})Z", cycle_id)
        if found is None:
            raise InputError(f"{cycle_id!r} names no cycle; one is gfs-2026-05-04T06Z")
        return cls(datetime.strptime(f"{found[2]}+0000", "%Y-%m-%dT%H%z"), found[1])


@dataclass(frozen=True)
class SourceFile:
    """A file that a cycle was read from."""

    path: str
    sha256: str
    size_bytes: int


@dataclass(frozen=True)
class CycleData:
    """A cycle, decoded: what flights and checks read.

    `gaps` names every wanted field, step or level that was not there; `remarks` what the
    reader assumed (for example that a single step is taken as valid three hours either way).
    `windowwatch.wording.gaps` puts both into words.
    """

    cycle: Cycle
    wind: "WindGrid"
    surface: "SurfaceGrid"
    files: tuple[SourceFile, ...] = ()
    gaps: "Notes" = ()
    remarks: "Notes" = ()
