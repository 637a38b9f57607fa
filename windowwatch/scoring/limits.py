"""Every check that is known, as data: its unit, its limits, and who says so.

A new check is a row here, a `Measure` in the module of its part, and its words in
`wording/checks.py`; scoring and settings read everything else from the row.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from math import inf, isfinite
from types import MappingProxyType

from windowwatch.errors import InputError
from windowwatch.scoring.values import Gap, Missing, Part

COMMON = "common practice, no source"


class Summary(StrEnum):
    """How the flights of an hour become one value."""

    QUANTILE = "quantile"  #: the value that a set share of flights (90 %) stays on the good side of
    MEAN = "mean"  #: the mean over all flights, for expectations
    SHARE = "share"  #: the share of flights to which it happens, in percent


@dataclass(frozen=True)
class Limit:
    """A bound that the flight director sets.

    Parameters
    ----------
    fine, limit : float
        Up to `fine` all is well; past `limit` it is not to be done. In the check's unit.
    hard : bool
        A hard limit that is passed vetoes the hour, and one that cannot be checked because
        data are missing refuses it. A soft one only costs score.
    exponent : float
        Shape of the desirability between the two. [1]
    """

    fine: float
    limit: float
    hard: bool = False
    exponent: float = 1.0

    def __post_init__(self) -> None:
        if not (isfinite(self.fine) and isfinite(self.limit)):
            raise InputError(f"fine {self.fine} and limit {self.limit} must be finite numbers")
        if not (isfinite(self.exponent) and self.exponent > 0.0):
            raise InputError(f"exponent {self.exponent} must be above zero")


@dataclass(frozen=True)
class CheckKind:
    """One row of the table of checks.

    Parameters
    ----------
    name, part : str, Part
    suffix : str
        Unit as settings keys carry it: ``fine_mps``.
    unit : str
        Unit as a person reads it.
    higher_is_better : bool
    summary : Summary
    default : Limit
    weight : float
        Within its part. [1]
    decimals : int
        That the value is read to.
    missing : Missing
        What is not there when the answer is unknown, where the measure does not say.
    source : str
        Where the default limits come from.
    in_chance : bool
        Whether a flight past the limit is a flight whose hour is not go.
    asked : bool
        Whether the check is asked where the director says nothing about it.
    none_from : float
        From which value on there is none of it: models write a great number where no cloud is.
    needs, needs_groups : tuple of tuple of str, int
        Surface fields that it is answered from: so many of these groups must be carried, each
        as a whole. None where it looks at no field near the ground.
    """

    name: str
    part: Part
    suffix: str
    unit: str
    higher_is_better: bool
    summary: Summary
    default: Limit
    weight: float
    decimals: int
    missing: Missing
    source: str
    in_chance: bool = True
    asked: bool = True
    none_from: float = inf
    needs: tuple[tuple[str, ...], ...] = ()
    needs_groups: int = 1

    def is_answerable(self, carried: Collection[str]) -> bool:
        """Whether forecasts that carry these surface fields, and no others, can answer it."""
        whole = sum(all(name in carried for name in group) for group in self.needs)
        return not self.needs or whole >= self.needs_groups

    def check_limit(self, limit: Limit) -> None:
        """Refuse limits that are on the wrong sides for this check.

        Raises
        ------
        InputError
        """
        wrong = limit.fine < limit.limit if self.higher_is_better else limit.fine > limit.limit
        if wrong:
            side = "below" if self.higher_is_better else "above"
            raise InputError(
                f"{self.name}: fine_{self.suffix} = {limit.fine:g} lies {side} "
                f"limit_{self.suffix} = {limit.limit:g}; "
                f"{'higher' if self.higher_is_better else 'lower'} values are better here"
            )
        if self.summary is Summary.SHARE and not 0.0 <= limit.fine <= limit.limit <= 100.0:
            raise InputError(
                f"{self.name}: fine_pct = {limit.fine:g} and limit_pct = {limit.limit:g} "
                "are shares of flights; give 0 to 100"
            )


def _low(name: str, part: Part, unit: tuple[str, str], limit: Limit, weight: float, decimals: int,
         missing: Missing, source: str = COMMON, *, asked: bool = True) -> CheckKind:  # fmt: skip
    """A row whose lower values are better."""
    return CheckKind(name, part, *unit, False, Summary.QUANTILE, limit, weight, decimals,
                     missing, source, asked=asked, needs=_whole(missing))  # fmt: skip


def _high(name: str, part: Part, unit: tuple[str, str], limit: Limit, weight: float, decimals: int,
          missing: Missing, source: str = COMMON, *, asked: bool = True) -> CheckKind:  # fmt: skip
    """A row whose higher values are better."""
    return CheckKind(name, part, *unit, True, Summary.QUANTILE, limit, weight, decimals,
                     missing, source, asked=asked, needs=_whole(missing))  # fmt: skip


def _share(name: str, part: Part, limit: Limit, weight: float, missing: Missing,
           source: str = COMMON, *, in_chance: bool = True,
           asked: bool = True) -> CheckKind:  # fmt: skip
    """A row that counts the flights to which something happens."""
    return CheckKind(name, part, "pct", "%", False, Summary.SHARE, limit, weight, 0,
                     missing, source, in_chance, asked, needs=_whole(missing))  # fmt: skip


def _whole(missing: Missing) -> tuple[tuple[str, ...], ...]:
    """A check that says which fields it lacks needs all of these."""
    return (missing.names,) if missing.gap is Gap.FIELD else ()


def _field(*names: str) -> Missing:
    """No such surface fields in the forecast for this time."""
    return Missing(Gap.FIELD, names)


_MPS, _KM, _MIN = ("mps", "m/s"), ("km", "km"), ("min", "min")
_PCT, _DEG = ("pct", "%"), ("deg", "°")
_LANDING = Missing(Gap.LANDINGS)
_WIND = ("wind_u_10m_mps", "wind_v_10m_mps")

_ROWS = (
    _low("wind", Part.RELEASE, _MPS, Limit(4.0, 8.0, True), 2.0, 1,
         _field(*_WIND), COMMON + " (filling in the open by hand)"),
    _low("gust", Part.RELEASE, _MPS, Limit(7.0, 10.0, True), 2.0, 1,
         _field("gust_mps"), COMMON + " (filling in the open by hand)"),
    _low("cloud", Part.RELEASE, _PCT, Limit(50.0, 87.5), 1.0, 0, _field("cloud_total_pct"),
         "fine: 4 oktas (ICAO Annex 2 appendix, EU SERA Appendix 2, for heavy balloons; "
         "from memory); limit, 7 oktas: " + COMMON),
    _low("low_cloud", Part.RELEASE, _PCT, Limit(50.0, 87.5), 0.5, 0,
         _field("cloud_low_pct"), asked=False),
    _low("middle_cloud", Part.RELEASE, _PCT, Limit(50.0, 87.5), 0.5, 0,
         _field("cloud_middle_pct"), asked=False),
    _low("high_cloud", Part.RELEASE, _PCT, Limit(75.0, 100.0), 0.25, 0,
         _field("cloud_high_pct"), asked=False),
    # NCEP writes 20 km above the sea where there is no ceiling (from memory); no cloud that
    # hides a balloon from its crew has its base above 15 km.
    replace(_high("ceiling", Part.RELEASE, ("m", "m"), Limit(1500.0, 300.0), 0.5, 0,
                  _field("ceiling_m")), none_from=15_000.0),
    _high("visibility", Part.RELEASE, _KM, Limit(8.0, 3.0), 0.5, 1, _field("visibility_m"),
          "fine: 8 km (ICAO Annex 2 appendix, EU SERA Appendix 2, for heavy balloons; "
          "from memory); limit: " + COMMON),
    # either is enough for a source that never carries the other; lost ones are NaN, not away
    replace(_low("precipitation", Part.RELEASE, ("mmph", "mm/h"), Limit(0.1, 1.0, True), 1.5, 1,
                 _field("precipitation_rate_mmph", "precipitation_mm")),
            needs=(("precipitation_rate_mmph",), ("precipitation_mm",))),
    _high("daylight", Part.RELEASE, _DEG, Limit(6.0, -0.833, True), 1.0, 1, Missing(Gap.SUN),
          "limit: sunrise and sunset, zenith distance 90°50′ (US Naval Observatory); fine: "
          + COMMON),
    _low("thunder", Part.RELEASE, ("jpkg", "J/kg"), Limit(250.0, 1000.0, True), 1.5, 0,
         _field("cape_jpkg")),
    _high("lifted_index", Part.RELEASE, ("k", "K"), Limit(2.0, -2.0), 0.5, 1,
          _field("lifted_index_k"), COMMON + " (air from the ground goes on rising below 0)",
          asked=False),
    _share("freezing_rain", Part.RELEASE, Limit(0.0, 10.0, True), 1.0,
           _field("freezing_rain"), asked=False),
    replace(_low("shear", Part.RELEASE, _MPS, Limit(5.0, 12.0), 1.0, 1,
                 _field("wind_u_100m_mps", "wind_v_100m_mps"), asked=False),
            needs=((*_WIND, "wind_u_100m_mps", "wind_v_100m_mps"),)),
    _high("temperature", Part.RELEASE, ("degc", "°C"), Limit(-5.0, -20.0), 0.5, 0,
          _field("temperature_2m_k"), asked=False),
    # five signs, a group each: with fewer than three known no hour can be found free of a front
    replace(_high("front", Part.RELEASE, ("h", "h"), Limit(6.0, 2.0), 1.0, 0,
                  Missing(Gap.FEW_FIELDS, (*_WIND, "temperature_2m_k", "dew_point_2m_k",
                                           "pressure_msl_pa", "gust_mps",
                                           "precipitation_rate_mmph")),
                  COMMON + "; the signs of a front: module series", asked=False),
            needs=(_WIND, ("temperature_2m_k",), ("dew_point_2m_k",), ("pressure_msl_pa",),
                   (*_WIND, "gust_mps", "precipitation_rate_mmph")), needs_groups=3),
    _high("clearance", Part.RELEASE, _MIN, Limit(30.0, 0.0, True), 1.0, 0, _LANDING),
    _high("notice", Part.RELEASE, ("h", "h"), Limit(12.0, 0.0), 0.5, 0,
          Missing(Gap.SETTING, ("notice_h",)),
          "how long before: the rule set; fine: " + COMMON, asked=False),
    _low("strongest_wind", Part.FLIGHT, _MPS, Limit(40.0, 75.0), 1.0, 0, _LANDING),
    _low("drift", Part.FLIGHT, _KM, Limit(80.0, 160.0), 1.5, 0, _LANDING),
    _low("flight_time", Part.FLIGHT, _MIN, Limit(180.0, 300.0), 0.5, 0, _LANDING),
    _high("coldest_air", Part.FLIGHT, ("degc", "°C"), Limit(-65.0, -87.0), 0.5, 0, _LANDING,
          COMMON + " (payloads report from -60 down to -87 °C)", asked=False),
    _high("battery", Part.FLIGHT, _MIN, Limit(60.0, 0.0), 1.0, 0,
          Missing(Gap.SETTING, ("battery_h",)), asked=False),
    _share("extrapolated", Part.FLIGHT, Limit(25.0, 100.0), 0.25, _LANDING, in_chance=False),
    _share("airspace", Part.FLIGHT, Limit(1.0, 5.0, True), 1.5, _LANDING,
           COMMON + "; the rules of each airspace decide", asked=False),
    _share("permitted_area", Part.FLIGHT, Limit(1.0, 5.0, True), 1.5, _LANDING,
           COMMON + "; the permission decides", asked=False),
    _share("water", Part.LANDING, Limit(5.0, 25.0, True), 2.0, _LANDING),
    _share("no_landing", Part.LANDING, Limit(2.0, 10.0, True), 2.0, _LANDING),
    _share("built_up", Part.LANDING, Limit(2.0, 20.0), 1.0, _LANDING, asked=False),
    _share("hazard_line", Part.LANDING, Limit(5.0, 25.0), 1.0, _LANDING, asked=False),
    _share("forest", Part.LANDING, Limit(25.0, 90.0), 0.5, _LANDING, in_chance=False,
           asked=False),
    _low("slope", Part.LANDING, _DEG, Limit(10.0, 30.0), 0.5, 0, _LANDING, asked=False),
    CheckKind("casualty", Part.LANDING, "ppm", "in a million flights", False, Summary.MEAN,
              Limit(30.0, 100.0), 1.0, 1, _LANDING,
              "limit: 1 in 10 000, borrowed from space launch (14 CFR 417, 420); none is "
              "prescribed for balloons; fine: " + COMMON + "; 20 000 people per km² in a "
              "town of which no number is given: from memory, not checked",
              in_chance=False, asked=False),
    _low("touchdown", Part.LANDING, _MPS, Limit(7.0, 12.0), 0.5, 1, _LANDING, asked=False),
    _low("landing_height", Part.LANDING, ("m", "m"), Limit(500.0, 1500.0), 0.25, 0, _LANDING,
         asked=False),
    _low("landing_wind", Part.LANDING, _MPS, Limit(7.0, 14.0), 1.0, 1, _LANDING),
    _low("road", Part.RECOVERY, _KM, Limit(1.5, 6.0), 1.0, 1, _LANDING),
    CheckKind("crew", Part.RECOVERY, "min", "min", False, Summary.QUANTILE, Limit(0.0, 240.0),
              1.0, 0, _LANDING,
              "drive times: speeds of a general open routing profile; limits: " + COMMON,
              asked=False),
    _high("tracker", Part.RECOVERY, _MIN, Limit(120.0, 0.0), 1.0, 0,
          Missing(Gap.SETTING, ("tracker_h",)), asked=False),
    CheckKind("search_area", Part.RECOVERY, "km2", "km²", False, Summary.MEAN,
              Limit(300.0, 3000.0), 0.5, 0, _LANDING, COMMON, in_chance=False, asked=False),
    _low("walk", Part.RECOVERY, _MIN, Limit(30.0, 150.0), 1.0, 0, _LANDING,
         "speeds: judgement, on slopes Tobler (1993); limits: " + COMMON, asked=False),
    _high("arrival_daylight", Part.RECOVERY, _MIN, Limit(60.0, 0.0), 1.0, 0, _LANDING,
          asked=False),
    _high("landing_daylight", Part.RECOVERY, _MIN, Limit(180.0, 30.0), 1.0, 0, _LANDING),
)  # fmt: skip

#: All checks by name, in the order of the day.
LIMITS: Mapping[str, CheckKind] = MappingProxyType({row.name: row for row in _ROWS})
