"""What a GRIB field says it is, in numbers: parameter, surface, time and member.

Names of fields differ between centres and library versions; the numbers are the standard's.
Only numbers decide here which field is which.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from windowwatch.forecast.grib.framing import Frame
from windowwatch.forecast.grib.grid import LAMBERT, REGULAR, Grid, read_lambert
from windowwatch.physics.surface import CellMethod

#: Octet value for "no such surface" (WMO-No. 306, code table 4.5).
NO_SURFACE = 255
#: First fixed surfaces (code table 4.5; those from 192 on are the local table of NCEP).
GROUND, TOP_OF_ATMOSPHERE, ENTIRE_ATMOSPHERE = 1, 8, 10
ISOBARIC, SEA_LEVEL, ABOVE_GROUND = 100, 101, 103
NCEP_ENTIRE_ATMOSPHERE, NCEP_LOW_CLOUD, NCEP_CEILING = 200, 214, 215
NCEP_MIDDLE_CLOUD, NCEP_HIGH_CLOUD = 224, 234

#: Seconds in the units of time of code table 4.4 that have a fixed length.
SECONDS_IN_UNIT = {0: 60, 1: 3600, 2: 86400, 10: 10800, 11: 21600, 12: 43200, 13: 1}


class Kind(StrEnum):
    """How a field stands in time (code table 4.10)."""

    INSTANT = "at the time"
    AVERAGE = "mean over an interval"
    ACCUMULATION = "sum over an interval"
    MAXIMUM = "greatest in an interval"
    MINIMUM = "least in an interval"
    OTHER = "something else"

    @property
    def method(self) -> CellMethod:
        """The same in the words of the CF Conventions; `POINT` where there are none."""
        return _METHODS.get(self, CellMethod.POINT)


_METHODS = {
    Kind.AVERAGE: CellMethod.MEAN,
    Kind.ACCUMULATION: CellMethod.SUM,
    Kind.MAXIMUM: CellMethod.MAXIMUM,
    Kind.MINIMUM: CellMethod.MINIMUM,
}

_KINDS = {0: Kind.AVERAGE, 1: Kind.ACCUMULATION, 2: Kind.MAXIMUM, 3: Kind.MINIMUM}
#: Product definition templates (code table 4.0): at a time, over an interval; plain, ensemble
#: member. All others (ensemble mean, probabilities…) are never taken for weather.
_INSTANT_TEMPLATES, _INTERVAL_TEMPLATES, _ENSEMBLE_TEMPLATES = (0, 1), (8, 11), (1, 11)
TEMPLATES = frozenset(_INSTANT_TEMPLATES + _INTERVAL_TEMPLATES)
_PERTURBED_NEGATIVELY = 2  # code table 4.6


@dataclass(frozen=True, slots=True)
class MessageKey:
    """One field of a GRIB file, by number.

    Parameters
    ----------
    discipline, category, parameter : int
        Code tables 0.0, 4.1 and 4.2.
    surface, second_surface : int
        Code table 4.5.
    level : float
        Value of the first surface in its own unit: pascal, metre. 0 where it has none.
    kind : Kind
    start_s, end_s : int
        Interval after the reference time; equal for an instant. [s]
    member : int or None
        Perturbation number; None for a field without ensemble header, 0 for the ensemble's
        own unperturbed run, negative where the perturbation is taken away.
    members : int
        How many forecasts the source says its ensemble has; 0 without ensemble header.
    grid : Grid
    reference_utc : datetime
    message, offset : int
        Which message of the file holds it, from 1, and where that begins. [byte]
    """

    discipline: int
    category: int
    parameter: int
    surface: int
    second_surface: int
    level: float
    kind: Kind
    start_s: int
    end_s: int
    member: int | None
    members: int
    grid: Grid
    reference_utc: datetime
    message: int
    offset: int

    def __str__(self) -> str:
        return (
            f"parameter {self.discipline}/{self.category}/{self.parameter} on surface "
            f"{self.surface} at {self.level:g}, {self.kind} +{self.end_s / 3600:g} h"
        )


@dataclass(frozen=True, slots=True)
class Plane:
    """One decoded field: its key, the file it came from, and its values [rows, columns].

    Values are float32 in the unit of the file, NaN where the file marks a cell as missing;
    rows and columns are those of the crop that was asked for.
    """

    key: MessageKey
    path: str
    values: NDArray[np.float32]


def read_key(get: Callable[[str], Any], frame: Frame, grids: dict[str, Grid]) -> MessageKey:
    """Key of one field. Fields of product templates that are never wanted get only a part.

    Parameters
    ----------
    get : callable
        Answers an ecCodes key; a type may follow it, as in ``"Ni:int"``.
    frame : Frame
        The message that holds the field.
    grids : dict
        Grids seen so far in the file, by checksum; added to.
    """
    template = get("productDefinitionTemplateNumber:int")
    number = (get("discipline:int"), get("parameterCategory:int"), get("parameterNumber:int"))
    if template not in TEMPLATES:
        return MessageKey(
            *number,
            surface=NO_SURFACE,
            second_surface=NO_SURFACE,
            level=0.0,
            kind=Kind.OTHER,
            start_s=0,
            end_s=0,
            member=None,
            members=0,
            grid=Grid(get("gridDefinitionTemplateNumber:int")),
            reference_utc=frame.reference_utc,
            message=frame.number,
            offset=frame.offset,
        )
    member, members = None, 0
    if template in _ENSEMBLE_TEMPLATES:
        member = get("perturbationNumber:int")
        members = get("numberOfForecastsInEnsemble:int")
        if get("typeOfEnsembleForecast:int") == _PERTURBED_NEGATIVELY:
            member = -member
    described = get("md5GridSection")
    if described not in grids:
        grids[described] = _grid(get)
    kind, start_s, end_s = _interval(get, template)
    return MessageKey(
        *number,
        surface=get("typeOfFirstFixedSurface:int"),
        second_surface=get("typeOfSecondFixedSurface:int"),
        level=_level(get),
        kind=kind,
        start_s=start_s,
        end_s=end_s,
        member=member,
        members=members,
        grid=grids[described],
        reference_utc=frame.reference_utc,
        message=frame.number,
        offset=frame.offset,
    )


def _grid(get: Callable[[str], Any]) -> Grid:
    template = get("gridDefinitionTemplateNumber:int")
    if template == LAMBERT:
        found = read_lambert(get)
        columns, rows = get("Nx:int"), get("Ny:int")
        return Grid(template, get("scanningMode:int"), columns, rows, projected=found)
    if template != REGULAR:
        return Grid(template)
    corners = (
        get(f"{axis}Of{end}GridPointInDegrees:float")
        for end in ("First", "Last")
        for axis in ("latitude", "longitude")
    )
    return Grid(template, get("scanningMode:int"), get("Ni:int"), get("Nj:int"), *corners)


def _level(get: Callable[[str], Any]) -> float:
    scale = get("scaleFactorOfFirstFixedSurface:int")
    if abs(scale) >= 127:  # all bits set: the surface has no level
        return 0.0
    return float(round(get("scaledValueOfFirstFixedSurface:int") / 10.0**scale, 6))


def _interval(get: Callable[[str], Any], template: int) -> tuple[Kind, int, int]:
    """Kind of a field and the interval it is of, after the reference time. [s]"""
    unit = SECONDS_IN_UNIT.get(get("indicatorOfUnitOfTimeRange:int"))
    if unit is None:
        return Kind.OTHER, 0, 0
    start_s = get("forecastTime:int") * unit
    if template in _INSTANT_TEMPLATES:
        return Kind.INSTANT, start_s, start_s
    unit = SECONDS_IN_UNIT.get(get("indicatorOfUnitForTimeRange:int"))
    if unit is None or get("numberOfTimeRanges:int") != 1:
        return Kind.OTHER, 0, 0
    kind = _KINDS.get(get("typeOfStatisticalProcessing:int"), Kind.OTHER)
    return kind, start_s, start_s + get("lengthOfTimeRange:int") * unit
