"""The shape of a settings file: every key, its bounds and its default.

Defaults are common practice for a small team with a sounding balloon (no source) unless a
table of another floor names one.
"""

import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, get_args

from pydantic import (
    AwareDatetime,
    BaseModel,
    Field,
    ValidationError,
    create_model,
    field_validator,
    model_validator,
)

from windowwatch.errors import InputError, SettingsError
from windowwatch.ground.query.features import DRIVABLE, AreaKind, RoadClass
from windowwatch.learning.learned import Use
from windowwatch.physics.earth import distance_m
from windowwatch.physics.fill import Cylinders
from windowwatch.physics.train import DragCurve, Gas
from windowwatch.scoring.limits import LIMITS, CheckKind
from windowwatch.scoring.plan import NO_LANDING, ScoringPlan
from windowwatch.scoring.rules import AppliedRules, Package, RuleSet, rule_set
from windowwatch.settings.forecast import ForecastSection, OpinionSection, require_label
from windowwatch.settings.launchday import ChaseSection, LaunchdaySection, absolute_pa
from windowwatch.settings.people import (
    ChannelSection,
    ContactSection,
    DecisionSection,
    HealthSection,
    NoticesSection,
    PageSection,
    ServiceSection,
    names_fit,
)
from windowwatch.settings.section import Section, known_zone, named, unique_names
from windowwatch.settings.survey import SurveySection
from windowwatch.units import KELVIN_AT_0_C, Place
from windowwatch.windows.agreement import AgreementRules
from windowwatch.windows.window import WindowRules

#: Sites of one watch that lie farther apart than this are looked at twice. Common practice of a
#: team that drives to its sites, no source. [m]
FAR_M = 1_000_000.0
#: … and a swapped one would then lie within this of another. [m]
NEAR_M = 500_000.0


def refuse_swapped_numbers(table: Any) -> None:
    """Refuse a table whose latitude can be none, and whose longitude could be one.

    Raises
    ------
    ValueError
        With the two lines as they were probably meant.
    """
    if not isinstance(table, dict):
        return
    latitude, longitude = table.get("latitude_deg"), table.get("longitude_deg")
    for number in (latitude, longitude):
        if not isinstance(number, int | float) or isinstance(number, bool):
            return
    if 90.0 < abs(latitude) <= 180.0 and abs(longitude) <= 89.0:  # type: ignore[arg-type]
        raise ValueError(
            f"latitude_deg = {latitude:g} is no latitude; give -89 to 89. If it is swapped with "
            f"the longitude, write latitude_deg = {longitude:g} and longitude_deg = {latitude:g}"
        )


def refuse_swapped_among(places: Sequence[Place]) -> None:
    """Refuse a place that is far from all others, and swapped would be near one of them.

    Raises
    ------
    ValueError
        Naming it, and the other way in which it could be meant.
    """
    lonely = [p for p in places if all(_apart_m(p, q) > FAR_M for q in places if q is not p)]
    for place in lonely:
        if abs(place.longitude_deg) > 89.0:
            continue
        for other in places:
            away_m = _apart_m(place, other, swapped=True)
            if other is not place and away_m < NEAR_M:
                others = other.name if len(places) == 2 else "all the others"
                raise ValueError(
                    f"latitude_deg and longitude_deg of {place.name} (or of {others}) seem to be "
                    f"swapped: it and {other.name} are {_apart_m(place, other) / 1000:.0f} km "
                    f"apart, and would then be {away_m / 1000:.0f} km apart"
                )


def _apart_m(place: Place, other: Place, *, swapped: bool = False) -> float:
    here = (place.latitude_deg, place.longitude_deg)
    if swapped:
        here = here[::-1]
    return float(distance_m(*here, other.latitude_deg, other.longitude_deg))


_LARGEST_FILE = 1024 * 1024


class PackageSection(Section):
    """One package of the payload; `smallest_face_m2` is the area of its smallest face."""

    mass_kg: Annotated[float, Field(gt=0.0, le=100.0)]
    smallest_face_m2: Annotated[float, Field(gt=0.0, le=100.0)] | None = None


class RulesSection(Section):
    """A rule set file, relative to the settings file, and what it must know of the train.

    Without packages the whole payload is one. `separation_n` is the impact force that parts
    payload and balloon. `lay_limits` makes limits stricter where the rule asks it.
    """

    set: str | None = None
    lay_limits: bool = True
    separation_n: Annotated[float, Field(gt=0.0, le=1e5)] | None = None
    packages: tuple[PackageSection, ...] = ()

    def applied(self, folder: Path, payload_kg: float) -> AppliedRules | None:
        """The rule set applied to the train; None where none is named.

        Raises
        ------
        SettingsError
            If the file is missing or wrong.
        InputError
            If packages weigh more than the train carries.
        """
        if self.set is None:
            if self.packages or self.separation_n is not None:
                raise InputError(
                    '[rules] packages and separation_n are for a rule set; name it: set = "…"'
                )
            return None
        packages = [Package(each.mass_kg, each.smallest_face_m2) for each in self.packages]
        whole = sum(package.mass_kg for package in packages)
        if whole > payload_kg * 1.000001:
            raise InputError(
                f"[rules] packages weigh {whole:g} kg together, and the train carries only "
                f"payload_mass_kg = {payload_kg:g}; fix one of them"
            )
        rules = read_rule_set(folder / Path(self.set).expanduser())
        return AppliedRules.of(
            rules, packages or [Package(payload_kg)], self.separation_n, laid=self.lay_limits
        )


def read_rule_set(path: Path) -> RuleSet:
    """A rule set from its file.

    Raises
    ------
    SettingsError
        Names file, table, key and fix.
    """
    try:
        if path.stat().st_size > _LARGEST_FILE:
            raise SettingsError(f"{path}: is too large to be a rule set; fix [rules] set")
        return rule_set(tomllib.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError as error:
        raise SettingsError(
            f"{path}: no such file; fix [rules] set (config/rules/ holds examples)"
        ) from error
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read ({error.strerror})") from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingsError(f"{path}: is not valid TOML: {error}") from error
    except InputError as error:
        raise SettingsError(f"{path}: {error.message}") from error


class WatchSection(Section):
    """What is watched, and how closely."""

    name: str
    note: Annotated[str, Field(max_length=120)] = ""
    model: str = "gfs"
    forecast_folder: str = "forecasts"
    draws: Annotated[int, Field(ge=1, le=256)] = 16
    launch_step_min: Annotated[int, Field(ge=15, le=180)] = 60
    days_ahead: Annotated[float, Field(gt=0, le=16)] = 6
    first_utc: AwareDatetime | None = None
    last_utc: AwareDatetime | None = None
    clearance_from_utc: AwareDatetime | None = None
    clearance_until_utc: AwareDatetime | None = None
    look_every_s: Annotated[int, Field(ge=1, le=3600)] = 120
    available_after_min: Annotated[int, Field(ge=0, le=1440)] = 240
    silence_h: Annotated[float, Field(ge=1.0, le=240.0)] | None = None

    _checked = field_validator("name", "model")(named)

    @field_validator("launch_step_min")
    @classmethod
    def _divides_the_day(cls, value: int) -> int:
        if 1440 % value or value % 15:
            raise ValueError("give 15, 30, 45, 60, 90, 120 or 180")
        return value

    @model_validator(mode="after")
    def _in_order(self) -> "WatchSection":
        for first, last in (
            ("first_utc", "last_utc"),
            ("clearance_from_utc", "clearance_until_utc"),
        ):
            start, end = getattr(self, first), getattr(self, last)
            if (start is None) != (end is None):
                raise ValueError(f"give both {first} and {last}, or neither")
            if start is not None and not start < end:
                raise ValueError(f"{first} ({start}) must come before {last} ({end})")
        return self


class PlaceSection(Section):
    """What has a name and a position."""

    name: str
    latitude_deg: Annotated[float, Field(ge=-89.0, le=89.0)]
    longitude_deg: Annotated[float, Field(ge=-180.0, lt=360.0)]

    _checked = field_validator("name")(named)

    @model_validator(mode="before")
    @classmethod
    def _latitude_is_one(cls, table: Any) -> Any:
        refuse_swapped_numbers(table)
        return table


class SiteSection(PlaceSection):
    """A candidate launch site."""

    height_m: Annotated[float, Field(ge=-430.0, le=6000.0)]
    time_zone: str = "UTC"

    _zone = field_validator("time_zone")(known_zone)


class TrainSection(Section):
    """The flight train. Masses in kilograms, lengths in metres.

    Examples are what is usual for a small team's sounding balloon: common practice, no source.
    """

    balloon_mass_kg: Annotated[float, Field(gt=0.0, le=20.0, examples=["0.2 to 3"])]
    payload_mass_kg: Annotated[float, Field(gt=0.0, le=50.0, examples=["0.3 to 3"])]
    nozzle_lift_kg: Annotated[
        float, Field(gt=0.0, le=100.0, examples=["1.5 to 4 times the payload"])
    ]
    burst_diameter_m: Annotated[float, Field(gt=0.5, le=40.0, examples=["3 to 13"])]
    parachute_area_m2: Annotated[float, Field(gt=0.0, le=200.0, examples=["0.3 to 4"])]
    gas: Gas = Gas.HYDROGEN
    gas_purity: Annotated[float, Field(ge=0.5, le=1.0)] = 0.99
    balloon_drag_coefficient: Annotated[float, Field(gt=0.0, le=2.0)] | None = None
    parachute_drag_coefficient: Annotated[float, Field(gt=0.0, le=3.0)] = 0.75
    lift_sigma: Annotated[float, Field(ge=0.0, le=0.5)] = 0.03
    burst_sigma: Annotated[float, Field(ge=0.0, le=0.5)] = 0.06
    drag_sigma: Annotated[float, Field(ge=0.0, le=0.5)] = 0.15
    canopy_sigma: Annotated[float, Field(ge=0.0, le=0.5)] = 0.2
    measured_ascent_mps: Annotated[float, Field(gt=0.0, le=15.0)] | None = None
    opening_delay_s: Annotated[float, Field(ge=0.0, le=600.0)] = 0.0
    remnant_fraction: Annotated[float, Field(ge=0.0, le=1.0)] = 0.0
    body_drag_area_m2: Annotated[float, Field(gt=0.0, le=10.0)] = 0.1
    drag_curve: DragCurve = DragCurve.SOUNDING
    drag_factor: Annotated[float, Field(ge=0.3, le=3.0)] = 1.0


class CylindersSection(Section):
    """Gas cylinders as they are ordered; options of `windowwatch fill` say otherwise.

    What one keeps, and how fast the gas flows, counts on launch day too.
    """

    water_l: Annotated[float, Field(gt=0.0, le=5000.0)] = 50.0
    pressure_bar: Annotated[float, Field(gt=0.0, le=1000.0)] = 200.0
    residual_bar: Annotated[float, Field(ge=0.0, le=500.0)] = 2.0
    gauge: bool = False
    read_now: bool = False
    temperature_degc: Annotated[float, Field(ge=-60.0, le=70.0)] | None = None
    flow_m3pmin: Annotated[float, Field(gt=0.0, le=100.0)] = 0.4

    def held(self) -> Cylinders:
        """The same in units of the SI."""
        warmth = self.temperature_degc
        return Cylinders(
            self.water_l / 1000.0,
            self.pressure_bar * 1e5,
            self.residual_bar * 1e5,
            self.gauge,
            self.read_now,
            None if warmth is None else warmth + KELVIN_AT_0_C,
        )

    def left_pa(self) -> float:
        """Absolute pressure at which one gives no more. [Pa]"""
        return absolute_pa(self.residual_bar) if self.gauge else self.residual_bar * 1e5

    def overridden(self, said: Mapping[str, Any], called: Mapping[str, str]) -> "CylindersSection":
        """The table with values that were said elsewhere, held to the same bounds.

        Raises
        ------
        InputError
            If a value is out of them; names it as `called` does.
        """
        try:
            return CylindersSection(**(self.model_dump() | dict(said)))
        except ValidationError as error:
            first = error.errors()[0]
            key = str(first["loc"][0])
            what = called.get(key, key)
            raise InputError(f"{what} {first['input']}: {first['msg'].lower()}") from error


class CrewSection(PlaceSection):
    """A place where a recovery crew stands by, besides the sites."""


class GroundSection(Section):
    """Map files, relative to the settings file.

    `file` is what `windowwatch ground build` makes; it must lie `reach_km` round every site.
    """

    areas: str | None = None
    roads: str | None = None
    airspace: str | None = None
    permitted: str | None = None
    file: str | None = None
    reach_km: Annotated[float, Field(gt=0.0, le=1000.0)] = 100.0
    crew: tuple[CrewSection, ...] = ()


class DatabaseSection(Section):
    """Where results are kept. Without `url` or `url_env`: a file in the data folder."""

    url: str | None = None
    url_env: str | None = None
    keep_hours_days: Annotated[float, Field(ge=1.0, le=36_500.0)] = 90

    @model_validator(mode="after")
    def _one_of_them(self) -> "DatabaseSection":
        if self.url and self.url_env:
            raise ValueError("give url or url_env, not both")
        return self


class LearningSection(Section):
    """What is done with what a watch learns of its own answers, and how long these are kept."""

    use: Use = Use.SHOW
    keep_days: Annotated[float, Field(ge=1.0, le=36_500.0)] = 400


_PLAIN = (float, int, bool, float | None)


def _made(name: str, keys: dict[str, Any]) -> type[Section]:
    """A table of the settings file made from another floor's own data."""
    model: type[Section] = create_model(name, __base__=Section, **keys)
    return model


def _plain_fields(source: type[Any], leave_out: frozenset[str] = frozenset()) -> dict[str, Any]:
    """Keys from the plain numbers of a floor's own dataclass."""
    return {
        item.name: (item.type, item.default)
        for item in fields(source)
        if item.type in _PLAIN and item.name not in leave_out
    }


def _limit_keys(kind: CheckKind) -> dict[str, Any]:
    """Keys of one check's limits; the unit is part of each."""
    return {
        f"fine_{kind.suffix}": (float, kind.default.fine),
        f"limit_{kind.suffix}": (float, kind.default.limit),
        "hard": (bool, kind.default.hard),
        "exponent": (float, kind.default.exponent),
        "weight": (float, kind.weight),
        "ask": (bool, kind.asked),
    }


if TYPE_CHECKING:  # to a type checker they are plain tables; their keys are data

    class LimitsSection(Section): ...  # noqa: D101

    class ScoringSection(Section): ...  # noqa: D101

    class WindowsSection(Section): ...  # noqa: D101

    class AgreementSection(Section): ...  # noqa: D101

else:
    _limits = {name: _made(f"limits.{name}", _limit_keys(kind)) for name, kind in LIMITS.items()}
    LimitsSection = _made("limits", {name: (table, table()) for name, table in _limits.items()})
    ScoringSection = _made(
        "scoring",
        {
            **_plain_fields(ScoringPlan),
            "no_landing_kinds": (tuple[AreaKind, ...], tuple(sorted(NO_LANDING))),
            "road_classes": (tuple[RoadClass, ...], tuple(sorted(DRIVABLE))),
        },
    )
    WindowsSection = _made("windows", _plain_fields(WindowRules, frozenset({"step_min"})))
    AgreementSection = _made("agreement", _plain_fields(AgreementRules))


class SettingsFile(Section):
    """A whole settings file."""

    watch: WatchSection
    sites: Annotated[tuple[SiteSection, ...], Field(min_length=1)]
    train: TrainSection
    cylinders: CylindersSection = CylindersSection()
    limits: LimitsSection = LimitsSection()
    scoring: ScoringSection = ScoringSection()
    windows: WindowsSection = WindowsSection()
    ground: GroundSection = GroundSection()
    rules: RulesSection = RulesSection()
    forecast: ForecastSection = ForecastSection()
    opinions: tuple[OpinionSection, ...] = ()
    agreement: AgreementSection = AgreementSection()
    database: DatabaseSection = DatabaseSection()
    learning: LearningSection = LearningSection()
    channels: tuple[ChannelSection, ...] = ()
    decisions: tuple[DecisionSection, ...] = ()
    contacts: Annotated[tuple[ContactSection, ...], Field(max_length=12)] = ()
    notices: NoticesSection = NoticesSection()
    service: ServiceSection = ServiceSection()
    page: PageSection = PageSection()
    health: HealthSection = HealthSection()
    launchday: LaunchdaySection = LaunchdaySection()
    chase: ChaseSection = ChaseSection()
    survey: SurveySection = SurveySection()


def between_tables(file: SettingsFile) -> Iterator[tuple[set[str], str]]:
    """What does not fit together in a file whose tables are sound: tables, and what is wrong."""
    places = (*file.sites, *file.ground.crew)
    people = {"channels", "decisions", "contacts", "sites"}
    names = {site.name for site in file.sites}
    fits, launch = file.health.bounds, file.launchday
    told = {channel.name for channel in file.channels}
    looks: tuple[tuple[set[str], Callable[[], object]], ...] = (
        ({"watch", "forecast"}, lambda: require_label(file.watch.model, file.forecast.source)),
        ({"sites"}, lambda: unique_names(file.sites, "sites")),
        ({"sites", "ground"}, lambda: unique_names(places, "sites and ground.crew")),
        ({"channels"}, lambda: unique_names(file.channels, "channels")),
        ({"decisions"}, lambda: unique_names(file.decisions, "decisions")),
        (people, lambda: names_fit(file.channels, file.decisions, names, file.contacts)),
        ({"launchday", "sites", "channels"}, lambda: launch.require_names(names, told)),
        ({"sites", "ground"}, lambda: refuse_swapped_among(places)),
        (
            {"health", "watch", "service"},
            lambda: fits(file.watch.look_every_s, file.service.pass_time_limit_min),
        ),
    )
    for tables, look in looks:
        try:
            look()
        except ValueError as error:
            yield tables, str(error)


def table_heads(
    model: type[BaseModel] = SettingsFile, place: tuple[str, ...] = ()
) -> dict[tuple[str, ...], str]:
    """How the head of every table is written: ``[train]``, ``[[sites]]``."""
    found = {}
    for name, info in model.model_fields.items():
        inside = get_args(info.annotation)
        several = getattr(info.annotation, "__origin__", None) is tuple
        for kind in (info.annotation, *inside):
            if isinstance(kind, type) and issubclass(kind, BaseModel):
                here = (*place, name)
                dotted = ".".join(here)
                found[here] = f"[[{dotted}]]" if several else f"[{dotted}]"
                found.update(table_heads(kind, here))
    return found


def known_keys(
    model: type[BaseModel] = SettingsFile, place: tuple[str, ...] = ()
) -> dict[tuple[str, ...], list[str]]:
    """Keys of every table of a settings file, by the place of the table."""
    found = {place: list(model.model_fields)}
    for name, info in model.model_fields.items():
        for kind in (info.annotation, *get_args(info.annotation)):
            if isinstance(kind, type) and issubclass(kind, BaseModel):
                found.update(known_keys(kind, (*place, name)))
    return found


def usual_values(
    model: type[BaseModel] = SettingsFile, place: tuple[str, ...] = ()
) -> dict[tuple[str, ...], str]:
    """What is usual for a number, by place and key: its first example, or else its default."""
    found = {}
    for name, info in model.model_fields.items():
        if info.examples:
            found[*place, name] = str(info.examples[0])
        elif isinstance(info.default, int | float) and not isinstance(info.default, bool):
            found[*place, name] = f"{info.default:g}"
        for kind in (info.annotation, *get_args(info.annotation)):
            if isinstance(kind, type) and issubclass(kind, BaseModel):
                found.update(usual_values(kind, (*place, name)))
    return found
