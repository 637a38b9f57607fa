"""The tables of a settings file about launch day, its texts to send, and the chase."""

from datetime import timedelta
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, field_validator, model_validator

from windowwatch.chase.values import ChaseRules
from windowwatch.errors import InputError, SettingsError
from windowwatch.launchday.countdown import Step, StepMark, require_steps
from windowwatch.launchday.gas import Cylinder
from windowwatch.launchday.team import USUAL_LEVELS_FL, GoSayer, Team
from windowwatch.physics.fill import STANDARD_PRESSURE_PA
from windowwatch.settings.section import Section, named, unique_names
from windowwatch.units import KELVIN_AT_0_C
from windowwatch.wording.texts import TextTemplate

#: A gauge shows pressure above that of the air; how the air stands changes it by 0.1 bar. [Pa]
GAUGE_ZERO_PA = STANDARD_PRESSURE_PA
_LONGEST_TEXT = 120


def absolute_pa(gauge_bar: float) -> float:
    """Absolute pressure of what a gauge shows. [Pa]"""
    return gauge_bar * 1e5 + GAUGE_ZERO_PA


#: Times are known of every fifth thousand of feet.
FlightLevel = Annotated[int, Field(ge=50, le=1500, multiple_of=50)]


def printable(value: str) -> str:
    """A text of one line."""
    if not value.isprintable():
        raise ValueError("holds a character that cannot be printed")
    return value


class StepSection(Section):
    """One step of the countdown."""

    key: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,23}$")]
    text: Annotated[str, Field(min_length=1, max_length=_LONGEST_TEXT)]
    before_min: Annotated[float, Field(ge=0.0, le=20_160.0)]
    who: Annotated[str, Field(max_length=60)] = ""
    must: bool = True
    mark: StepMark = StepMark.NONE

    @field_validator("text", "who")
    @classmethod
    def _printable(cls, value: str) -> str:
        return printable(value)

    def step(self) -> Step:
        """Value of another floor."""
        before = timedelta(minutes=self.before_min)
        return Step(self.key, self.text, before, self.who, self.must, self.mark)


class GoSection(Section):
    """Somebody who may say go; `channels` are those on which they are asked."""

    name: Annotated[str, Field(min_length=1, max_length=60)]
    channels: tuple[str, ...] = ()


class CylinderSection(Section):
    """A cylinder of gas as it stands at the site; its pressure is what the gauge shows."""

    name: str
    volume_l: Annotated[float, Field(ge=1.0, le=5000.0)]
    gauge_bar: Annotated[float, Field(ge=0.0, le=999.0)]
    temperature_degc: Annotated[float, Field(ge=-50.0, le=65.0)] = 15

    _checked = field_validator("name")(named)

    def cylinder(self) -> Cylinder:
        """Value of another floor."""
        return Cylinder(
            self.name,
            self.volume_l / 1000.0,
            absolute_pa(self.gauge_bar),
            self.temperature_degc + KELVIN_AT_0_C,
        )


class StationSection(Section):
    """The aerodrome whose METAR stands for a site."""

    site: str
    station: Annotated[str, Field(pattern=r"^[A-Z][A-Z0-9]{3}$")]


class LaunchdaySection(Section):
    """Launch day: all of it may be left out."""

    steps: Annotated[tuple[StepSection, ...], Field(max_length=40)] = ()
    go: Annotated[tuple[GoSection, ...], Field(max_length=12)] = ()
    cylinders: Annotated[tuple[CylinderSection, ...], Field(max_length=40)] = ()
    stations: tuple[StationSection, ...] = ()
    looks: Annotated[str, Field(max_length=300)] = ""
    levels_fl: Annotated[tuple[FlightLevel, ...], Field(max_length=20)] | None = None
    texts: str | None = None

    @field_validator("looks")
    @classmethod
    def _looks_printable(cls, value: str) -> str:
        return printable(value)

    @field_validator("steps")
    @classmethod
    def _steps_fit(cls, value: tuple[StepSection, ...]) -> tuple[StepSection, ...]:
        if value:
            try:
                require_steps([each.step() for each in value])
            except InputError as error:
                raise ValueError(error.message) from error
        return value

    @model_validator(mode="after")
    def _names_differ(self) -> "LaunchdaySection":
        unique_names(self.cylinders, "cylinders")
        unique_names(self.go, "people who may say go")
        sites = [each.site for each in self.stations]
        twice = next((site for site in sites if sites.count(site) > 1), None)
        if twice is not None:
            raise ValueError(f"two stations are given for the site {twice!r}; keep one")
        return self

    def require_names(self, sites: set[str], channels: set[str]) -> None:
        """Refuse names of sites and channels that the file does not have.

        Raises
        ------
        ValueError
            Naming the first of them.
        """
        for each in self.stations:
            if each.site not in sites:
                raise ValueError(
                    f"launchday.stations names the site {each.site!r}, which is not here; there "
                    f"are {', '.join(sorted(sites))}"
                )
        for person in self.go:
            for name in person.channels:
                if name not in channels:
                    raise ValueError(
                        f"launchday.go: {person.name!r} names the channel {name!r}, which is not "
                        f"here; there are {', '.join(sorted(channels)) or 'none'}"
                    )

    def team(self, left_pa: float, flow_m3ps: float, asked_fl: tuple[int, ...] = ()) -> Team:
        """Value of another floor.

        Parameters
        ----------
        left_pa, flow_m3ps : float
            Of the table of cylinders: where one gives no more, absolute, and the flow of gas.
        asked_fl : tuple of int
            Flight levels that a rule set asks for.
        """
        given: dict[str, Any] = {}
        given["levels_fl"] = self.levels_fl or tuple(sorted({*USUAL_LEVELS_FL, *asked_fl}))
        if self.steps:
            given["steps"] = tuple(each.step() for each in self.steps)
        return Team(
            go=tuple(GoSayer(each.name, each.channels) for each in self.go),
            cylinders=tuple(each.cylinder() for each in self.cylinders),
            left_pa=left_pa,
            flow_m3ps=flow_m3ps,
            stations=tuple((each.site, each.station) for each in self.stations),
            looks=self.looks,
            **given,
        )


class ChaseSection(Section):
    """How crews are sent after a flight, and when people hear of it; all of it may be left out."""

    gain_min: Annotated[float, Field(ge=0.0, le=120.0)] = 5
    wide_km: Annotated[float, Field(ge=0.0, le=100.0)] = 1
    antenna_m: Annotated[float, Field(ge=0.0, le=100.0)] = 2
    moved_km: Annotated[float, Field(ge=0.1, le=200.0)] = 3
    again_min: Annotated[float, Field(ge=0.0, le=240.0)] = 10
    water_pct: Annotated[float, Field(ge=1.0, le=100.0)] = 20

    def rules(self, drive_factor: float) -> ChaseRules:
        """Value of another floor; `drive_factor` is that of scoring."""
        return ChaseRules(
            timedelta(minutes=self.gain_min),
            1000.0 * self.wide_km,
            self.antenna_m,
            1000.0 * self.moved_km,
            timedelta(minutes=self.again_min),
            self.water_pct / 100.0,
            drive_factor,
        )


#: Larger files are no texts to send. [byte]
_LARGEST_FILE = 20_000
_MOST_FILES = 20


def read_texts(folder: Path) -> tuple[TextTemplate, ...]:
    """Every ``*.txt`` of a folder, by name, checked.

    Raises
    ------
    SettingsError
        Naming the file, what is wrong in it, and the fix.
    """
    if not folder.is_dir():
        raise SettingsError(f"{folder}: is not a folder; fix texts in [launchday], or leave it out")
    files = sorted(folder.glob("*.txt"))
    if not files:
        raise SettingsError(f"{folder}: holds no .txt file; put a text there, or leave texts out")
    return tuple(_read(file) for file in files[:_MOST_FILES])


def _read(file: Path) -> TextTemplate:
    try:
        if file.stat().st_size > _LARGEST_FILE:
            raise SettingsError(f"{file}: is too large to be a text to send; shorten it")
        made = TextTemplate(file.stem, str(file), file.read_text(encoding="utf-8"))
        made.check()
    except OSError as error:
        raise SettingsError(f"{file}: cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise SettingsError(f"{file}: is not UTF-8; save it as UTF-8") from error
    except InputError as error:
        raise SettingsError(error.message) from error
    return made
