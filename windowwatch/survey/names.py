"""How archives of analysed weather name their fields, and in which units, as tables. Pure.

Names are those of the CF standard name table and of the common reanalyses (short names of the
two largest producers, from memory; those that the maker of the demonstration writes are among
them). Whatever an archive calls otherwise is said in a small mapping file.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from windowwatch.errors import InputError
from windowwatch.physics.constants import STANDARD_GRAVITY_MPS2
from windowwatch.physics.surface import SURFACE_FIELDS
from windowwatch.units import KELVIN_AT_0_C

_PER_G = 1.0 / STANDARD_GRAVITY_MPS2
#: Quantity to unit as it is spelt here, and what makes of it our own: factor and summand.
UNITS: Mapping[str, Mapping[str, tuple[float, float]]] = MappingProxyType(
    {
        "speed": {"m s-1": (1.0, 0.0), "knots": (1852 / 3600, 0.0), "kt": (1852 / 3600, 0.0),
                  "km h-1": (1 / 3.6, 0.0)},
        "temperature": {"K": (1.0, 0.0), "degC": (1.0, KELVIN_AT_0_C),
                        "celsius": (1.0, KELVIN_AT_0_C),
                        "degrees_celsius": (1.0, KELVIN_AT_0_C), "°C": (1.0, KELVIN_AT_0_C)},
        "difference": {"K": (1.0, 0.0), "degC": (1.0, 0.0)},
        "geopotential": {"m": (1.0, 0.0), "gpm": (1.0, 0.0), "m2 s-2": (_PER_G, 0.0),
                         "J kg-1": (_PER_G, 0.0)},
        "moisture": {"kg kg-1": (1.0, 0.0), "1": (1.0, 0.0), "g kg-1": (1e-3, 0.0)},
        "relative": {"%": (1.0, 0.0), "1": (100.0, 0.0)},
        "pressure": {"Pa": (1.0, 0.0), "hPa": (100.0, 0.0), "mbar": (100.0, 0.0),
                     "millibars": (100.0, 0.0), "mb": (100.0, 0.0)},
        "height": {"m": (1.0, 0.0), "km": (1000.0, 0.0), "ft": (0.3048, 0.0)},
        "percent": {"%": (1.0, 0.0), "1": (100.0, 0.0), "okta": (12.5, 0.0)},
        "fraction": {"1": (1.0, 0.0), "%": (0.01, 0.0)},
        "amount": {"kg m-2": (1.0, 0.0), "mm": (1.0, 0.0), "m": (1000.0, 0.0),
                   "m of water equivalent": (1000.0, 0.0)},
        "rate": {"kg m-2 s-1": (3600.0, 0.0), "mm h-1": (1.0, 0.0), "mm s-1": (3600.0, 0.0),
                 "m s-1": (3.6e6, 0.0)},
        "energy": {"J kg-1": (1.0, 0.0)},
    }
)  # fmt: skip


@dataclass(frozen=True)
class Known:
    """One field as archives may carry it.

    Parameters
    ----------
    words : str
        For people.
    quantity : str
        Key of `UNITS`.
    standard : tuple of str
        CF standard names.
    short : tuple of str
        Names of variables, in small letters.
    least, greatest : float
        Bounds outside which a number is taken for damage or another unit, in our unit.
    on_levels : bool
    above_ground_m : float or None
        For which height above ground the CF name holds, where it holds for several.
    """

    words: str
    quantity: str
    standard: tuple[str, ...]
    short: tuple[str, ...]
    least: float
    greatest: float
    on_levels: bool = False
    above_ground_m: float | None = None


def _aloft(words: str, quantity: str, standard: tuple[str, ...], short: str, low: float,
           high: float) -> Known:  # fmt: skip
    return Known(words, quantity, standard, tuple(short.split()), low, high, on_levels=True)


def _near(field_name: str, quantity: str, standard: str, short: str, low: float, high: float,
          above_ground_m: float | None = None) -> Known:  # fmt: skip
    words = SURFACE_FIELDS[field_name]
    names = (standard,) if standard else ()
    return Known(words, quantity, names, tuple(short.split()), low, high, False, above_ground_m)


_EAST, _NORTH = "eastward_wind", "northward_wind"
#: Fields on pressure levels, and what stands still: terrain and land.
ALOFT: Mapping[str, Known] = MappingProxyType(
    {
        "u": _aloft("eastward wind", "speed", (_EAST,), "u ua u_component_of_wind", -250, 250),
        "v": _aloft("northward wind", "speed", (_NORTH,), "v va v_component_of_wind", -250, 250),
        "t": _aloft("temperature", "temperature", ("air_temperature",), "t ta temperature",
                    120, 350),
        "gh": _aloft("geopotential height", "geopotential",
                     ("geopotential_height", "geopotential"),
                     "gh z zg geopotential geopotential_height", -2_000, 85_000),
        "q": _aloft("specific humidity", "moisture", ("specific_humidity",),
                    "q hus specific_humidity", -1e-3, 0.06),
        "r": _aloft("relative humidity", "relative", ("relative_humidity",),
                    "r hur relative_humidity", -20, 200),
    }
)  # fmt: skip
STILL: Mapping[str, Known] = MappingProxyType(
    {
        "orography": Known("height of the ground", "geopotential",
                           ("surface_altitude", "surface_geopotential", "geopotential"),
                           ("orog", "orography", "z", "zs", "geopotential_at_surface",
                            "surface_geopotential", "phis"), -1_000, 9_000),
        "land_fraction": Known("land mask", "fraction",
                               ("land_area_fraction", "land_binary_mask"),
                               ("lsm", "sftlf", "land_sea_mask"), -0.05, 1.05),
    }
)  # fmt: skip
_NEAR_ROWS: tuple[tuple[Any, ...], ...] = (
            ("wind_u_10m_mps", "speed", _EAST, "u10 10u uas 10m_u_component_of_wind",
             -120, 120, 10.0),
            ("wind_v_10m_mps", "speed", _NORTH, "v10 10v vas 10m_v_component_of_wind",
             -120, 120, 10.0),
            ("wind_u_100m_mps", "speed", _EAST, "u100 100u 100m_u_component_of_wind",
             -150, 150, 100.0),
            ("wind_v_100m_mps", "speed", _NORTH, "v100 100v 100m_v_component_of_wind",
             -150, 150, 100.0),
            ("gust_mps", "speed", "wind_speed_of_gust",
             "i10fg fg10 10fg gust wsgs instantaneous_10m_wind_gust "
             "10m_wind_gust_since_previous_post_processing", -1, 150),
            ("temperature_2m_k", "temperature", "air_temperature", "t2m 2t tas 2m_temperature",
             150, 350, 2.0),
            ("dew_point_2m_k", "temperature", "dew_point_temperature",
             "d2m 2d 2m_dewpoint_temperature", 120, 330),
            ("pressure_msl_pa", "pressure", "air_pressure_at_mean_sea_level",
             "msl prmsl psl mean_sea_level_pressure", 8.0e4, 1.15e5),
            ("pressure_surface_pa", "pressure", "surface_air_pressure", "sp ps surface_pressure",
             4.0e4, 1.15e5),
            ("cloud_low_pct", "percent", "low_type_cloud_area_fraction", "lcc low_cloud_cover",
             -5, 105),
            ("cloud_middle_pct", "percent", "medium_type_cloud_area_fraction",
             "mcc medium_cloud_cover", -5, 105),
            ("cloud_high_pct", "percent", "high_type_cloud_area_fraction", "hcc high_cloud_cover",
             -5, 105),
            ("cloud_total_pct", "percent", "cloud_area_fraction", "tcc clt total_cloud_cover",
             -5, 105),
            ("ceiling_m", "height", "", "cbh cloud_base_height ceiling", -500, 6e4),
            ("visibility_m", "height", "visibility_in_air", "vis visibility", -100, 1e6),
            ("precipitation_rate_mmph", "rate", "precipitation_flux",
             "prate mtpr pr avg_tprate mean_total_precipitation_rate", -0.5, 500),
            ("precipitation_mm", "amount", "precipitation_amount", "tp total_precipitation",
             -1, 1000),
            ("cape_jpkg", "energy", "atmosphere_convective_available_potential_energy",
             "cape convective_available_potential_energy", -10, 15_000),
            ("lifted_index_k", "difference",
             "temperature_difference_between_ambient_air_and_air_lifted_adiabatically_from_the_"
             "surface", "li lftx lifted_index", -30, 60),
)  # fmt: skip
NEAR_GROUND: Mapping[str, Known] = MappingProxyType({row[0]: _near(*row) for row in _NEAR_ROWS})
EVERY: Mapping[str, Known] = MappingProxyType({**ALOFT, **STILL, **NEAR_GROUND})

#: Of what interval these are where nothing says so: sums of the last hour, as the largest
#: reanalysis has them (from memory). [h]
USUAL_INTERVAL_H = {"precipitation_mm": 1.0}


@dataclass(frozen=True)
class Mapped:
    """What a mapping file says of an archive; nothing where there is none.

    Parameters
    ----------
    names, units : mapping
        Our field to the archive's variable, and to the unit that its values really have.
    interval_h : mapping
        Our field to the interval that a value is of; 0 for instants. [h]
    credit : str
        Whose data they are, for every table and report.
    """

    names: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    interval_h: Mapping[str, float] = field(default_factory=dict)
    credit: str = ""


def read_mapping(text: str, place: str) -> Mapped:
    """Read a mapping file.

    Raises
    ------
    InputError
        Naming file, key and fix.
    """
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{place}: no TOML: {error}") from error
    for key in document:
        if key not in ("names", "units", "interval_h", "credit"):
            raise InputError(
                f"{place}: {key}: no such key; there are names, units, interval_h, credit"
            )
    tables: dict[str, dict[str, Any]] = {}
    for table in ("names", "units", "interval_h"):
        given = document.get(table, {})
        if not isinstance(given, dict):
            raise InputError(f"{place}: {table}: write it as a table, [{table}]")
        for name, value in given.items():
            if name not in EVERY:
                raise InputError(f"{place}: {table}.{name}: no field; one of {', '.join(EVERY)}")
            wanted = (int, float) if table == "interval_h" else (str,)
            if not isinstance(value, wanted) or isinstance(value, bool):
                kind = "hours" if table == "interval_h" else "text"
                raise InputError(f"{place}: {table}.{name} = {value!r}: give {kind}")
            if table == "interval_h" and not 0.0 <= float(value) <= 24.0:
                raise InputError(f"{place}: interval_h.{name} = {value}: give 0 to 24 hours")
            if table == "units" and to_ours(name, str(value)) is None:
                raise InputError(f"{place}: units.{name} = {value!r}: {units_that_fit(name)}")
        tables[table] = given
    return Mapped(tables["names"], tables["units"], tables["interval_h"],
                  str(document.get("credit", "")))  # fmt: skip


def to_ours(name: str, units: str) -> tuple[float, float] | None:
    """Factor and summand that make our unit of a field's; None for a unit that does not fit."""
    known = UNITS[EVERY[name].quantity]
    wanted = _spelt(units)
    for spelling, change in known.items():
        if spelling == wanted or spelling.lower() == wanted.lower():
            return change
    return None


def units_that_fit(name: str) -> str:
    """What may stand as the unit of a field, in words."""
    return (
        f"not a unit of {EVERY[name].words}; give one of {', '.join(UNITS[EVERY[name].quantity])}"
    )


def _spelt(units: str) -> str:
    """A unit as the tables spell it: ``m s**-1`` and ``m/s`` are ``m s-1``."""
    words = units.strip().replace("**", "").replace("^", "").replace("−", "-")
    if words in ("(0 - 1)", "0-1", "dimensionless", "~"):
        return "1"
    if "/" in words and " " not in words:
        first, *others = words.split("/")
        words = " ".join([first, *(f"{each}-1" for each in others)])
    return " ".join(words.split())


def is_named(name: str, variable: str, standard_name: str) -> bool:
    """Whether a variable is this field by its own name, or by its CF standard name."""
    known = EVERY[name]
    return variable.lower() in known.short or (
        standard_name != "" and standard_name in known.standard
    )
