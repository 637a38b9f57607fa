"""The fields that are wanted from any weather model, and by which numbers files carry them.

One row a field: our name, the words for people, bounds outside which a number is taken for
damage, and the selectors by which sources spell it, the best first. To read another source,
add a selector; nothing else knows how a field is coded.

Numbers: WMO-No. 306, Manual on Codes, volume I.2, code tables 4.2 (discipline, category,
number), 4.5 (surfaces) and 4.10 (kind of statistics); surfaces from 192 on are NCEP's local
table 4.5. Old files of NCEP, and GEFS, carry the cloud layers as total cloud on cloud-layer
surfaces. ECMWF's local numbers (total cloud 0/6/192, precipitation 0/1/193) are those that
ecCodes has for its centre. Stored cycles name a selector by its place: new ones go last.
Geopotential is made a height by standard gravity, 9.80665 m s⁻² (see `physics.constants`).
"""

from collections.abc import Mapping
from dataclasses import dataclass

from windowwatch.forecast.grib.messages import (
    ABOVE_GROUND,
    ENTIRE_ATMOSPHERE,
    GROUND,
    ISOBARIC,
    NCEP_CEILING,
    NCEP_ENTIRE_ATMOSPHERE,
    NCEP_HIGH_CLOUD,
    NCEP_LOW_CLOUD,
    NCEP_MIDDLE_CLOUD,
    NO_SURFACE,
    SEA_LEVEL,
    TOP_OF_ATMOSPHERE,
    Kind,
    MessageKey,
)
from windowwatch.physics.constants import STANDARD_GRAVITY_MPS2

#: Where the most unstable parcel comes from (code table 4.5).
MOST_UNSTABLE_PARCEL = 17

INSTANT, AVERAGE, ACCUMULATION, MAXIMUM = (
    Kind.INSTANT,
    Kind.AVERAGE,
    Kind.ACCUMULATION,
    Kind.MAXIMUM,
)


@dataclass(frozen=True, slots=True)
class Selector:
    """One way in which a source may carry a field.

    Parameters
    ----------
    discipline, category, parameter : int
    surface : int or None
        None where the parameter alone says it all.
    level : float or None
        Level on that surface; None where the surface has no level, or for every level.
    kind : Kind
    scale : float
        Our unit per unit of the file.
    above_sea : bool
        The value is a height above sea level where ours is above ground.
    """

    discipline: int
    category: int
    parameter: int
    surface: int | None
    level: float | None = None
    kind: Kind = INSTANT
    scale: float = 1.0
    above_sea: bool = False

    def matches(self, key: MessageKey) -> bool:
        """Tell whether a message is coded this way."""
        same = (key.discipline, key.category, key.parameter, key.kind) == (
            self.discipline,
            self.category,
            self.parameter,
            self.kind,
        )
        if not same or (self.surface is not None and key.surface != self.surface):
            return False
        if self.level is not None and key.level != self.level:
            return False
        return key.second_surface in (NO_SURFACE, TOP_OF_ATMOSPHERE) or self.surface is None


@dataclass(frozen=True, slots=True)
class Field:
    """One wanted field.

    `least` and `greatest` bound what a sound file can hold, in our unit; a plane beyond them
    is refused. `floor` and `ceiling` are what the quantity can be at all: values beyond them
    by no more than coding noise are moved onto them.
    """

    name: str
    words: str
    selectors: tuple[Selector, ...]
    least: float
    greatest: float
    floor: float | None = None
    ceiling: float | None = None


def _cloud(layer: int, parameter: int) -> tuple[Selector, ...]:
    """Selectors of a cloud layer: its own parameter, or total cloud on a layer surface."""
    return tuple(
        selector
        for kind in (INSTANT, AVERAGE)
        for selector in (
            Selector(0, 6, parameter, None, kind=kind),
            Selector(0, 6, 1, layer, kind=kind),
        )
    )


def _total_cloud() -> tuple[Selector, ...]:
    """As a percentage; and ECMWF's own number, a fraction."""
    surfaces = (GROUND, ENTIRE_ATMOSPHERE, NCEP_ENTIRE_ATMOSPHERE)
    return (
        *(
            Selector(0, 6, 1, surface, kind=kind)
            for kind in (INSTANT, AVERAGE)
            for surface in surfaces
        ),
        Selector(0, 6, 192, GROUND, scale=100.0),
    )


def _wind(name: str, words: str, parameter: int, height_m: float) -> Field:
    return Field(name, words, (Selector(0, 2, parameter, ABOVE_GROUND, height_m),), -120.0, 120.0)


def _percent(name: str, words: str, selectors: tuple[Selector, ...]) -> Field:
    return Field(name, words, selectors, -5.0, 105.0, 0.0, 100.0)


#: Needed at every isobaric level: without them nothing flies.
ALOFT: tuple[Field, ...] = (
    Field("u", "eastward wind", (Selector(0, 2, 2, ISOBARIC),), -250.0, 250.0),
    Field("v", "northward wind", (Selector(0, 2, 3, ISOBARIC),), -250.0, 250.0),
    Field("t", "temperature", (Selector(0, 0, 0, ISOBARIC),), 120.0, 350.0),
    Field(
        "gh",
        "geopotential height",
        (
            Selector(0, 3, 5, ISOBARIC),
            Selector(0, 3, 4, ISOBARIC, scale=1.0 / STANDARD_GRAVITY_MPS2),
        ),
        -2_000.0,
        100_000.0,
    ),
)

#: Humidity on isobaric levels: makes air lighter. Each source gives one of them, if any.
VAPOUR: tuple[Field, ...] = (
    Field("q", "specific humidity", (Selector(0, 1, 0, ISOBARIC),), -1e-3, 0.06, 0.0),
    Field("r", "relative humidity", (Selector(0, 1, 1, ISOBARIC),), -10.0, 200.0, 0.0),
)
#: Above this level even saturated air is lighter than dry air by no more than 7e-5. [hPa]
DRY_ABOVE_HPA = 200.0
#: What lies on isobaric levels.
ON_LEVELS = frozenset(field.name for field in (*ALOFT, *VAPOUR))

#: Do not change with time.
FIXED: tuple[Field, ...] = (
    Field(
        "orography",
        "height of the model's terrain",
        (
            Selector(0, 3, 5, GROUND),
            Selector(0, 3, 4, GROUND, scale=1.0 / STANDARD_GRAVITY_MPS2),
            Selector(2, 0, 7, GROUND),
        ),
        -1_000.0,
        9_000.0,
    ),
    Field("land_fraction", "land mask", (Selector(2, 0, 0, GROUND),), -0.05, 1.05, 0.0, 1.0),
)

#: Near the ground: names of `physics.surface.SURFACE_FIELDS`. Each may be absent.
SURFACE: tuple[Field, ...] = (
    _wind("wind_u_10m_mps", "eastward wind at 10 m", 2, 10.0),
    _wind("wind_v_10m_mps", "northward wind at 10 m", 3, 10.0),
    _wind("wind_u_100m_mps", "eastward wind at 100 m", 2, 100.0),
    _wind("wind_v_100m_mps", "northward wind at 100 m", 3, 100.0),
    Field(
        "gust_mps",
        "wind gust",
        (  # the greatest of an interval also sees what blows between two steps
            Selector(0, 2, 22, ABOVE_GROUND, 10.0, MAXIMUM),
            Selector(0, 2, 22, GROUND, kind=MAXIMUM),
            Selector(0, 2, 22, GROUND),
            Selector(0, 2, 22, ABOVE_GROUND, 10.0),
        ),
        -1.0,
        150.0,
        0.0,
    ),
    Field(
        "temperature_2m_k",
        "temperature at 2 m",
        (Selector(0, 0, 0, ABOVE_GROUND, 2.0),),
        170.0,
        340.0,
    ),
    Field(
        "dew_point_2m_k",
        "dew point at 2 m",
        (Selector(0, 0, 6, ABOVE_GROUND, 2.0),),
        120.0,
        320.0,
    ),
    Field(
        "pressure_msl_pa",
        "pressure at sea level",
        (Selector(0, 3, 1, SEA_LEVEL), Selector(0, 3, 0, SEA_LEVEL)),
        85_000.0,
        110_000.0,
    ),
    Field(
        "pressure_surface_pa",
        "pressure at the ground",
        (Selector(0, 3, 0, GROUND),),
        30_000.0,
        110_000.0,
    ),
    _percent("cloud_low_pct", "low cloud", _cloud(NCEP_LOW_CLOUD, 3)),
    _percent("cloud_middle_pct", "middle cloud", _cloud(NCEP_MIDDLE_CLOUD, 4)),
    _percent("cloud_high_pct", "high cloud", _cloud(NCEP_HIGH_CLOUD, 5)),
    _percent("cloud_total_pct", "total cloud", _total_cloud()),
    Field(
        "ceiling_m",
        "cloud ceiling",
        (Selector(0, 6, 13, None), Selector(0, 3, 5, NCEP_CEILING, above_sea=True)),
        -1_000.0,
        30_000.0,
        0.0,
    ),
    Field("visibility_m", "visibility", (Selector(0, 19, 0, GROUND),), -100.0, 1e6, 0.0),
    Field(
        "precipitation_rate_mmph",
        "precipitation rate",
        tuple(
            Selector(0, 1, parameter, GROUND, kind=kind, scale=3600.0)
            for kind in (INSTANT, AVERAGE)
            for parameter in (7, 52)
        ),
        -0.5,
        1_000.0,
        0.0,
    ),
    Field(
        "precipitation_mm",
        "precipitation amount",
        (
            *(Selector(0, 1, parameter, GROUND, kind=ACCUMULATION) for parameter in (8, 52)),
            # ECMWF's own number, in metres of water
            Selector(0, 1, 193, GROUND, kind=ACCUMULATION, scale=1000.0),
        ),
        -0.5,
        2_000.0,
        0.0,
    ),
    Field(
        "cape_jpkg",
        "CAPE",
        (Selector(0, 7, 6, GROUND), Selector(0, 7, 6, MOST_UNSTABLE_PARCEL)),
        -50.0,
        20_000.0,
        0.0,
    ),
    # the second number of both is NCEP's own
    Field(
        "lifted_index_k",
        "lifted index",
        (Selector(0, 7, 10, GROUND), Selector(0, 7, 192, GROUND)),
        -60.0,
        120.0,
    ),
    Field(
        "freezing_rain",
        "freezing rain",
        tuple(
            Selector(0, 1, parameter, GROUND, kind=kind)
            for kind in (INSTANT, AVERAGE)
            for parameter in (34, 193)
        ),
        -0.05,
        1.05,
        0.0,
        1.0,
    ),
)

#: Written as a constant 0 at the first step, where there is nothing yet that it could be the
#: greatest of (seen in files of ECMWF): missing, not calm.
EMPTY_AT_START = frozenset({"gust_mps"})

#: Few sources give these. That they lack is not told of a cycle: a check that asks for them does.
SELDOM = frozenset({"lifted_index_k", "freezing_rain"})

FIELDS: Mapping[str, Field] = {field.name: field for field in (*ALOFT, *VAPOUR, *FIXED, *SURFACE)}


def _by_parameter() -> dict[tuple[int, int, int], tuple[tuple[Field, Selector], ...]]:
    table: dict[tuple[int, int, int], tuple[tuple[Field, Selector], ...]] = {}
    for field in FIELDS.values():
        for selector in field.selectors:
            number = (selector.discipline, selector.category, selector.parameter)
            table[number] = (*table.get(number, ()), (field, selector))
    return table


_BY_PARAMETER = _by_parameter()
#: Discipline, category and number of everything that may be wanted.
PARAMETERS = frozenset(_BY_PARAMETER)


def match(key: MessageKey) -> tuple[Field, Selector] | None:
    """Which wanted field a message holds and how it is coded, or None if it is not wanted."""
    for field, selector in _BY_PARAMETER.get((key.discipline, key.category, key.parameter), ()):
        if selector.matches(key):
            return field, selector
    return None
