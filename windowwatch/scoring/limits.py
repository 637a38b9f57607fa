"""Every check that is known, as data: its unit, its limits, its words, and who says so.

A new check is a row here and a `Measure` in the module of its part; scoring, settings and
wording read everything else from the row.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from math import inf, isfinite
from types import MappingProxyType

from windowwatch.errors import InputError
from windowwatch.scoring.values import Part

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
        Of the value, in the sentence.
    sentence : str
        ``{value}`` with its unit, ``{bound}`` the limit in words, ``{extra}`` what the
        measure adds.
    missing : str
        What is not there when the answer is unknown.
    source : str
        Where the default limits come from.
    in_chance : bool
        Whether a flight past the limit is a flight whose hour is not go.
    asked : bool
        Whether the check is asked where the director says nothing about it.
    sentence_below : str
        The sentence for a value below zero, which is then said without its sign.
    none_from : float
        From which value on there is none of it: models write a great number where no cloud is.
    sentence_none : str
        The sentence for such a value.
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
    sentence: str
    missing: str
    source: str
    in_chance: bool = True
    asked: bool = True
    sentence_below: str = ""
    none_from: float = inf
    sentence_none: str = ""

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
         sentence: str, missing: str, source: str = COMMON, *, asked: bool = True,
         ) -> CheckKind:  # fmt: skip
    """A row whose lower values are better."""
    return CheckKind(name, part, *unit, False, Summary.QUANTILE, limit, weight, decimals,
                     sentence, missing, source, asked=asked)  # fmt: skip


def _high(name: str, part: Part, unit: tuple[str, str], limit: Limit, weight: float, decimals: int,
          sentence: str, missing: str, source: str = COMMON, *, asked: bool = True,
          below: str = "") -> CheckKind:  # fmt: skip
    """A row whose higher values are better."""
    return CheckKind(name, part, *unit, True, Summary.QUANTILE, limit, weight, decimals,
                     sentence, missing, source, asked=asked, sentence_below=below)  # fmt: skip


def _share(name: str, part: Part, limit: Limit, weight: float, sentence: str, missing: str,
           source: str = COMMON, *, in_chance: bool = True,
           asked: bool = True) -> CheckKind:  # fmt: skip
    """A row that counts the flights to which something happens."""
    return CheckKind(name, part, "pct", "%", False, Summary.SHARE, limit, weight, 0,
                     sentence, missing, source, in_chance, asked)  # fmt: skip


_MPS, _KM, _MIN = ("mps", "m/s"), ("km", "km"), ("min", "min")
_PCT, _DEG = ("pct", "%"), ("deg", "°")
_LANDING = "no landing is known for enough flights"

_ROWS = (
    _low("wind", Part.RELEASE, _MPS, Limit(4.0, 8.0, True), 2.0, 1,
         "Wind {value}{extra}, {bound}.", "no wind at 10 m in the forecast for this time",
         COMMON + " (filling in the open by hand)"),
    _low("gust", Part.RELEASE, _MPS, Limit(7.0, 10.0, True), 2.0, 1,
         "Gust {value}{extra}, {bound}.", "no gust in the forecast for this time",
         COMMON + " (filling in the open by hand)"),
    _low("cloud", Part.RELEASE, _PCT, Limit(50.0, 87.5), 1.0, 0,
         "Cloud {value}{extra}, {bound}.", "no total cloud in the forecast for this time",
         "fine: 4 oktas (ICAO Annex 2 appendix, EU SERA Appendix 2, for heavy balloons; "
         "from memory); limit, 7 oktas: " + COMMON),
    _low("low_cloud", Part.RELEASE, _PCT, Limit(50.0, 87.5), 0.5, 0,
         "Low cloud {value}{extra}, {bound}.", "no low cloud in the forecast for this time",
         asked=False),
    _low("middle_cloud", Part.RELEASE, _PCT, Limit(50.0, 87.5), 0.5, 0,
         "Middle cloud {value}{extra}, {bound}.",
         "no middle cloud in the forecast for this time", asked=False),
    _low("high_cloud", Part.RELEASE, _PCT, Limit(75.0, 100.0), 0.25, 0,
         "High cloud {value}{extra}, {bound}.", "no high cloud in the forecast for this time",
         asked=False),
    # NCEP writes 20 km above the sea where there is no ceiling (from memory); no cloud that
    # hides a balloon from its crew has its base above 15 km.
    replace(_high("ceiling", Part.RELEASE, ("m", "m"), Limit(1500.0, 300.0), 0.5, 0,
                  "Ceiling {value}{extra}, {bound}.",
                  "no cloud ceiling in the forecast for this time"),
            none_from=15_000.0, sentence_none="No cloud ceiling{extra}, {bound}."),
    _high("visibility", Part.RELEASE, _KM, Limit(8.0, 3.0), 0.5, 1,
          "Visibility {value}{extra}, {bound}.", "no visibility in the forecast for this time",
          "fine: 8 km (ICAO Annex 2 appendix, EU SERA Appendix 2, for heavy balloons; "
          "from memory); limit: " + COMMON),
    _low("precipitation", Part.RELEASE, ("mmph", "mm/h"), Limit(0.1, 1.0, True), 1.5, 1,
         "Rain or snow {value}{extra}, {bound}.",
         "no precipitation in the forecast for this time"),
    _high("daylight", Part.RELEASE, _DEG, Limit(6.0, -0.833, True), 1.0, 1,
          "Sun at {value}{extra} from release to the end of hold, {bound}.",
          "the sun's height could not be found",
          "limit: sunrise and sunset, zenith distance 90°50′ (US Naval Observatory); fine: "
          + COMMON),
    _low("thunder", Part.RELEASE, ("jpkg", "J/kg"), Limit(250.0, 1000.0, True), 1.5, 0,
         "Thunder: CAPE {value}{extra}, {bound}.", "no CAPE in the forecast for this time"),
    _high("lifted_index", Part.RELEASE, ("k", "K"), Limit(2.0, -2.0), 0.5, 1,
          "Lifted index {value}{extra}, {bound}.",
          "no lifted index in the forecast for this time",
          COMMON + " (air from the ground goes on rising below 0)", asked=False),
    _share("freezing_rain", Part.RELEASE, Limit(0.0, 10.0, True), 1.0,
           "Freezing rain in {value} of forecasts{extra}, {bound}.",
           "no freezing rain in the forecast for this time", asked=False),
    _low("shear", Part.RELEASE, _MPS, Limit(5.0, 12.0), 1.0, 1,
         "Wind shear 10 to 100 m {value}{extra}, {bound}.",
         "no wind at 100 m in the forecast for this time", asked=False),
    _high("temperature", Part.RELEASE, ("degc", "°C"), Limit(-5.0, -20.0), 0.5, 0,
          "Air at the site {value}{extra}, {bound}.",
          "no temperature at 2 m in the forecast for this time", asked=False),
    _high("front", Part.RELEASE, ("h", "h"), Limit(6.0, 2.0), 1.0, 0,
          "Front passage {value} from release{extra}, {bound}.",
          "too few of wind, warmth, dew point, pressure and gust are in the forecast",
          COMMON + "; the signs of a front: module front", asked=False),
    _high("clearance", Part.RELEASE, _MIN, Limit(30.0, 0.0, True), 1.0, 0,
          "Clearance: {value} to spare{extra}, {bound}.", _LANDING,
          below="Clearance is missed by {value}{extra}, {bound}."),
    _high("notice", Part.RELEASE, ("h", "h"), Limit(12.0, 0.0), 0.5, 0,
          "Notice: {value} left until it must be given{extra}, {bound}.",
          "[scoring] notice_h is not given", "how long before: the rule set; fine: " + COMMON,
          asked=False, below="Notice should have been given {value} ago{extra}, {bound}."),
    _low("strongest_wind", Part.FLIGHT, _MPS, Limit(40.0, 75.0), 1.0, 0,
         "Strongest wind aloft {value}{extra}, {bound}.", _LANDING),
    _low("drift", Part.FLIGHT, _KM, Limit(80.0, 160.0), 1.5, 0,
         "Drift up to {value}{extra}, {bound}.", _LANDING),
    _low("flight_time", Part.FLIGHT, _MIN, Limit(180.0, 300.0), 0.5, 0,
         "Flight up to {value}{extra}, {bound}.", _LANDING),
    _high("coldest_air", Part.FLIGHT, ("degc", "°C"), Limit(-65.0, -87.0), 0.5, 0,
          "Coldest air met {value}{extra}, {bound}.", _LANDING,
          COMMON + " (payloads report from -60 down to -87 °C)", asked=False),
    _high("battery", Part.FLIGHT, _MIN, Limit(60.0, 0.0), 1.0, 0,
          "Battery of the payload lasts {value} longer than the flight{extra}, {bound}.",
          "[scoring] battery_h is not given", asked=False,
          below="Battery of the payload is empty {value} before the landing{extra}, {bound}."),
    _share("extrapolated", Part.FLIGHT, Limit(25.0, 100.0), 0.25,
           "{value} of flights go above the forecast's top{extra}, {bound}.", _LANDING,
           in_chance=False),
    _share("airspace", Part.FLIGHT, Limit(1.0, 5.0, True), 1.5,
           "{value} of flights cross closed airspace{extra}, {bound}.", _LANDING,
           COMMON + "; the rules of each airspace decide", asked=False),
    _share("permitted_area", Part.FLIGHT, Limit(1.0, 5.0, True), 1.5,
           "{value} of flights leave the permitted area{extra}, {bound}.", _LANDING,
           COMMON + "; the permission decides", asked=False),
    _share("water", Part.LANDING, Limit(5.0, 25.0, True), 2.0,
           "{value} of flights land on water{extra}, {bound}.",
           _LANDING),
    _share("no_landing", Part.LANDING, Limit(2.0, 10.0, True), 2.0,
           "{value} of flights land where they must not{extra}, {bound}.",
           _LANDING),
    _share("built_up", Part.LANDING, Limit(2.0, 20.0), 1.0,
           "{value} of flights land on built-up land{extra}, {bound}.", _LANDING, asked=False),
    _share("hazard_line", Part.LANDING, Limit(5.0, 25.0), 1.0,
           "{value} of flights land by a motorway, railway or power line{extra}, {bound}.",
           _LANDING, asked=False),
    _share("forest", Part.LANDING, Limit(25.0, 90.0), 0.5,
           "{value} of flights land in forest{extra}, {bound}.", _LANDING, in_chance=False,
           asked=False),
    _low("slope", Part.LANDING, _DEG, Limit(10.0, 30.0), 0.5, 0,
         "Ground as steep as {value}{extra}, {bound}.", _LANDING, asked=False),
    CheckKind("casualty", Part.LANDING, "ppm", "in a million flights", False, Summary.MEAN,
              Limit(30.0, 100.0), 1.0, 1, "Casualty expectation {value}{extra}, {bound}.",
              _LANDING,
              "limit: 1 in 10 000, borrowed from space launch (14 CFR 417, 420); none is "
              "prescribed for balloons; fine: " + COMMON, in_chance=False, asked=False),
    _low("touchdown", Part.LANDING, _MPS, Limit(7.0, 12.0), 0.5, 1,
         "Touches down at up to {value}, sinking and wind together{extra}, {bound}.", _LANDING,
         asked=False),
    _low("landing_height", Part.LANDING, ("m", "m"), Limit(500.0, 1500.0), 0.25, 0,
         "Lands as high as {value} above the sea{extra}, {bound}.", _LANDING, asked=False),
    _low("landing_wind", Part.LANDING, _MPS, Limit(7.0, 14.0), 1.0, 1,
         "Wind at landing up to {value}{extra}, {bound}.", _LANDING),
    _low("road", Part.RECOVERY, _KM, Limit(1.5, 6.0), 1.0, 1,
         "Road up to {value} away{extra}, {bound}.",
         _LANDING),
    CheckKind("crew", Part.RECOVERY, "min", "min", False, Summary.QUANTILE, Limit(0.0, 240.0),
              1.0, 0, "Crew at the road {value} after the landing{extra}, {bound}.", _LANDING,
              "drive times: speeds of a general open routing profile; limits: " + COMMON,
              asked=False,
              sentence_below="Crew at the road {value} before the landing{extra}, {bound}."),
    _high("tracker", Part.RECOVERY, _MIN, Limit(120.0, 0.0), 1.0, 0,
          "Tracker is heard {value} longer than the crew needs{extra}, {bound}.",
          "[scoring] tracker_h is not given", asked=False,
          below="Tracker falls silent {value} before the crew is there{extra}, {bound}."),
    CheckKind("search_area", Part.RECOVERY, "km2", "km²", False, Summary.MEAN,
              Limit(300.0, 3000.0), 0.5, 0,
              "Nine of ten flights land within {value}{extra}, {bound}.", _LANDING, COMMON,
              in_chance=False, asked=False),
    _low("walk", Part.RECOVERY, _MIN, Limit(30.0, 150.0), 1.0, 0,
         "Walk from the road up to {value}{extra}, {bound}.", _LANDING,
         "speeds: judgement, on slopes Tobler (1993); limits: " + COMMON, asked=False),
    _high("arrival_daylight", Part.RECOVERY, _MIN, Limit(60.0, 0.0), 1.0, 0,
          "Daylight left when the crew is there {value}{extra}, {bound}.", _LANDING,
          asked=False, below="Crew is there {value} after dark{extra}, {bound}."),
    _high("landing_daylight", Part.RECOVERY, _MIN, Limit(180.0, 30.0), 1.0, 0,
          "Daylight left at landing {value}{extra}, {bound}.", _LANDING,
          below="Lands {value} after dark{extra}, {bound}."),
)  # fmt: skip

#: All checks by name, in the order of the day.
LIMITS: Mapping[str, CheckKind] = MappingProxyType({row.name: row for row in _ROWS})
