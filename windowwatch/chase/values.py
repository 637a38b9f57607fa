"""A flight as it is followed: what it is, how it ended, and the estimate of its landing. Pure."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from windowwatch.chase.phases import Phase
from windowwatch.chase.reports import Mark, Report
from windowwatch.errors import InputError
from windowwatch.physics.spread import Footprint
from windowwatch.physics.train import FlightTrain
from windowwatch.physics.winderror import WindErrorModel


class NoEstimate(StrEnum):
    """Why there is no estimate."""

    WAITING = "waiting"  #: it does not fly yet
    FLOATING = "floating"  #: nobody knows when it bursts, if ever
    NO_HEIGHT = "no height"  #: the last report has no height
    OUTSIDE = "outside"  #: it left the area of the forecast, or its time
    NOT_RISING = "not rising"  #: with what was measured most flights never burst


class Doubt(StrEnum):
    """Where doubt about the landing comes from."""

    WIND = "wind"
    RISE = "rise"
    BURST = "burst"
    CANOPY = "canopy"


@dataclass(frozen=True)
class Estimate:
    """Where and when it will land, by the reports up to one moment.

    Attributes
    ----------
    report_utc : datetime
        Of the last report that is in it.
    phase : Phase
    landing : Footprint
        Centre, 50 % and 90 % area.
    landing_utc, landing_10_utc, landing_90_utc : datetime
        Median, and 10 and 90 % of flights.
    burst : Footprint or None
        None after the burst; `burst_utc` and `burst_height_m` likewise.
    flights, lost : int
    landing_latitude_deg, landing_longitude_deg : tuple of float
        A sample of landings. [deg]
    line_unix_s : tuple of float; line_10_m, line_50_m, line_90_m : tuple of float
        Height by time: 10 %, half and 90 % of flights are below. [s], [m]
    way_latitude_deg, way_longitude_deg, way_height_m : tuple of float
        The middle flight. [deg], [deg], [m]
    doubt : tuple of (Doubt, float)
        Share of the landings' variance that each part makes alone; they add up to 1.
    layers : int
        So many measured layers are in it.
    learned : str
        Version of the errors that a watch learned by which the forecast was doubted; empty for
        the tables from memory.
    """

    report_utc: datetime
    phase: Phase
    landing: Footprint
    landing_utc: datetime
    landing_10_utc: datetime
    landing_90_utc: datetime
    burst: Footprint | None
    burst_utc: datetime | None
    burst_height_m: float | None
    flights: int
    lost: int
    landing_latitude_deg: tuple[float, ...]
    landing_longitude_deg: tuple[float, ...]
    line_unix_s: tuple[float, ...]
    line_10_m: tuple[float, ...]
    line_50_m: tuple[float, ...]
    line_90_m: tuple[float, ...]
    way_latitude_deg: tuple[float, ...]
    way_longitude_deg: tuple[float, ...]
    way_height_m: tuple[float, ...]
    doubt: tuple[tuple[Doubt, float], ...]
    layers: int
    learned: str = ""


@dataclass(frozen=True)
class ChaseRules:
    """How crews are sent, and when people hear of a flight. Defaults are judgement, no source.

    Parameters
    ----------
    gain : timedelta
        Advice changes only when the expected arrival gains more.
    wide_m : float
        While half of all landings spread wider (half the long axis), nobody waits among them. [m]
    antenna_m : float
        Of a crew, above the ground. [m]
    moved_m : float
        Told when the landing moved by more since it was last told … [m]
    again : timedelta
        … and not sooner after that.
    water : float
        Told when the chance of a landing on water is at least this. [1]
    drive_factor : float
        Lengthens the drives, as scoring does. [1]
    """

    gain: timedelta = timedelta(minutes=5)
    wide_m: float = 1_000.0
    antenna_m: float = 2.0
    moved_m: float = 3_000.0
    again: timedelta = timedelta(minutes=10)
    water: float = 0.2
    drive_factor: float = 1.25

    def __post_init__(self) -> None:
        if min(self.gain, self.again) < timedelta(0):
            raise InputError("chase: times must not be negative")


class Air(StrEnum):
    """What is known of the wind before the flight."""

    NONE = "none"  #: no forecast: measured wind below, and a large doubt above
    FORECAST = "forecast"
    AWAITED = "awaited"  #: none yet: the newest cycle is still to be read


@dataclass(frozen=True)
class LearnedErrors:
    """Errors of the forecast wind as a watch learned them, and under which version."""

    wind: WindErrorModel
    version: str


@dataclass(frozen=True)
class Begun:
    """A flight as it began; nothing of it changes but that an awaited forecast comes.

    Parameters
    ----------
    key : str
        By which it is asked for.
    name : str
        For people.
    begun_utc : datetime
        When it was written down.
    latitude_deg, longitude_deg, height_m : float
        Of the release; of the first report where nobody said. [deg], [deg], [m]
    train : FlightTrain
    released_utc : datetime or None
        As somebody ticked it; the track says it otherwise.
    air : Air
    forecast : str
        Cycle whose wind is flown through; empty without one.
    plan, watch : str
        Of the launch that was planned, and of its watch; empty for a flight that nobody planned.
    errors : LearnedErrors or None
        By which its forecast is doubted; None for the tables from memory.
    """

    key: str
    name: str
    begun_utc: datetime
    latitude_deg: float
    longitude_deg: float
    height_m: float
    train: FlightTrain
    released_utc: datetime | None = None
    air: Air = Air.NONE
    forecast: str = ""
    plan: str = ""
    watch: str = ""
    errors: LearnedErrors | None = None

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise InputError("a flight needs a name")
        if not -80.0 <= self.latitude_deg <= 80.0:
            raise InputError(
                f"a release at latitude {self.latitude_deg:g} is not followed; give -80 to 80"
            )
        if not -180.0 <= self.longitude_deg <= 360.0:
            raise InputError(f"longitude {self.longitude_deg:g} cannot be; give -180 to 180")
        if not -430.0 <= self.height_m <= 6_000.0:
            raise InputError(f"nobody releases at a height of {self.height_m:g} m")

    @property
    def release(self) -> tuple[float, float, float]:
        """Latitude, longitude and height of the release."""
        return self.latitude_deg, self.longitude_deg, self.height_m


class Happened(StrEnum):
    """What can happen to a flight. Stored: never change a word."""

    RELEASED = "released"
    BURST = "burst"
    MOVED = "landing moved"
    WATER = "on water"
    SILENT = "silent"
    DOWN = "down"
    FOUND = "found"
    GIVEN_UP = "given up"


class Outcome(StrEnum):
    """How a flight ended."""

    RECOVERED = "recovered"
    GIVEN_UP = "given up"
    OVER = "over"  #: of before our time: nobody noted whether it was found


@dataclass(frozen=True)
class Closing:
    """The end of a flight; afterwards nothing of it changes.

    `latitude_deg` and `longitude_deg` are where it was found, `payload` is in what state.
    """

    outcome: Outcome
    at_utc: datetime
    by: str
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    payload: str = ""
    note: str = ""

    def __post_init__(self) -> None:
        if not self.by.strip():
            raise InputError("say who closes the flight")
        if (self.latitude_deg is None) != (self.longitude_deg is None):
            raise InputError("give both latitude and longitude of where it was found, or neither")
        if self.latitude_deg is not None and not -90.0 <= self.latitude_deg <= 90.0:
            raise InputError(f"latitude {self.latitude_deg:g} cannot be; give -90 to 90")
        if self.longitude_deg is not None and not -180.0 <= self.longitude_deg <= 360.0:
            raise InputError(f"longitude {self.longitude_deg:g} cannot be; give -180 to 180")


@dataclass(frozen=True)
class Flight:
    """A flight, open or closed."""

    begun: Begun
    closing: Closing | None

    @property
    def key(self) -> str:
        """By which it is asked for."""
        return self.begun.key


@dataclass(frozen=True)
class Kept:
    """A report as it is kept: its number, and what was thought of it when it came."""

    number: int
    report: Report
    mark: Mark


@dataclass(frozen=True)
class Heard:
    """What is shown of a flight's reports, however many there are.

    Attributes
    ----------
    last : tuple of Kept
        The last ones that came, in that order.
    unused : int
        How many of all are not used.
    used_number : int
        Of the last one that is used; 0 before the first.
    by_tracker : tuple of Report
        The last used one of each tracker.
    """

    last: tuple[Kept, ...]
    unused: int
    used_number: int
    by_tracker: tuple[Report, ...]


@dataclass(frozen=True)
class Said:
    """What was estimated after the report of a number: an estimate, or why there is none."""

    number: int
    made_utc: datetime
    estimate: Estimate | None
    refused: NoEstimate | None
