"""Files as the real servers have them: their own index lines, with messages made to fit.

Names, order, twins (an instant and a mean, two sums), members and the order of ECMWF's keys are
those of the real text in `fetch/feeds`; reference time and step are moved to where a test wants
them, and offsets follow from the messages. What nobody wants is a short message of an ocean
current. Of IFS and its ensemble no whole index is known: their lists are put together from the
excerpts' lines and from what the provider documents, in an order drawn at random, and so is what
AIFS has had since May 2026 (height and 10 hPa beside what the real text has).

Every value follows from field, level, time and member by a formula (`value`), in our units; the
numbers by which messages carry them are written down here a second time.
"""

import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from random import Random

import eccodes
import numpy as np
from numpy.typing import NDArray
from provider import CYCLE, Provider, Sample

FEEDS = Path(__file__).parent / "fetch" / "feeds"
SOUTH, WEST, NORTH, EAST, STEP = 43.0, -38.0, 49.0, -32.0, 0.5

#: NOAA's names: discipline, category and number; our unit per unit of the file.
NOAA: dict[str, tuple[int, int, int, float]] = {
    "UGRD": (0, 2, 2, 1.0),
    "VGRD": (0, 2, 3, 1.0),
    "TMP": (0, 0, 0, 1.0),
    "HGT": (0, 3, 5, 1.0),
    "RH": (0, 1, 1, 1.0),
    "SPFH": (0, 1, 0, 1.0),
    "GUST": (0, 2, 22, 1.0),
    "DPT": (0, 0, 6, 1.0),
    "PRMSL": (0, 3, 1, 1.0),
    "PRES": (0, 3, 0, 1.0),
    "LCDC": (0, 6, 3, 1.0),
    "MCDC": (0, 6, 4, 1.0),
    "HCDC": (0, 6, 5, 1.0),
    "TCDC": (0, 6, 1, 1.0),
    "VIS": (0, 19, 0, 1.0),
    "PRATE": (0, 1, 7, 3600.0),
    "APCP": (0, 1, 8, 1.0),
    "CAPE": (0, 7, 6, 1.0),
    "LFTX": (0, 7, 192, 1.0),
    "CFRZR": (0, 1, 193, 1.0),
    "LAND": (2, 0, 0, 1.0),
}
SURFACES = {
    "surface": 1,
    "mean sea level": 101,
    "entire atmosphere": 10,
    "low cloud layer": 214,
    "middle cloud layer": 224,
    "high cloud layer": 234,
    "convective cloud layer": 244,
    "boundary layer cloud layer": 211,
    "cloud ceiling": 215,
}
#: What a name means on a surface; on isobaric levels see `ALOFT`.
NOAA_FIELDS = {
    "UGRD:10 m above ground": "wind_u_10m_mps",
    "VGRD:10 m above ground": "wind_v_10m_mps",
    "UGRD:100 m above ground": "wind_u_100m_mps",
    "VGRD:100 m above ground": "wind_v_100m_mps",
    "GUST:surface": "gust_mps",
    "TMP:2 m above ground": "temperature_2m_k",
    "DPT:2 m above ground": "dew_point_2m_k",
    "PRMSL:mean sea level": "pressure_msl_pa",
    "PRES:surface": "pressure_surface_pa",
    "LCDC:low cloud layer": "cloud_low_pct",
    "TCDC:low cloud layer": "cloud_low_pct",
    "MCDC:middle cloud layer": "cloud_middle_pct",
    "TCDC:middle cloud layer": "cloud_middle_pct",
    "HCDC:high cloud layer": "cloud_high_pct",
    "TCDC:high cloud layer": "cloud_high_pct",
    "TCDC:entire atmosphere": "cloud_total_pct",
    "HGT:cloud ceiling": "ceiling_m",
    "VIS:surface": "visibility_m",
    "PRATE:surface": "precipitation_rate_mmph",
    "APCP:surface": "precipitation_mm",
    "CAPE:surface": "cape_jpkg",
    "LFTX:surface": "lifted_index_k",
    "CFRZR:surface": "freezing_rain",
    "HGT:surface": "orography",
    "LAND:surface": "land_fraction",
}
ALOFT = {"UGRD": "u", "VGRD": "v", "TMP": "t", "HGT": "gh", "RH": "r", "SPFH": "q"}
#: ECMWF's names near the ground: our field, numbers, surface, its level, our unit per theirs.
ECMWF: dict[str, tuple[str, tuple[int, int, int], int, int, float]] = {
    "10u": ("wind_u_10m_mps", (0, 2, 2), 103, 10, 1.0),
    "10v": ("wind_v_10m_mps", (0, 2, 3), 103, 10, 1.0),
    "100u": ("wind_u_100m_mps", (0, 2, 2), 103, 100, 1.0),
    "100v": ("wind_v_100m_mps", (0, 2, 3), 103, 100, 1.0),
    "10fg": ("gust_mps", (0, 2, 22), 103, 10, 1.0),
    "10fg3": ("gust_mps", (0, 2, 22), 103, 10, 1.0),
    "2t": ("temperature_2m_k", (0, 0, 0), 103, 2, 1.0),
    "2d": ("dew_point_2m_k", (0, 0, 6), 103, 2, 1.0),
    "msl": ("pressure_msl_pa", (0, 3, 0), 101, 0, 1.0),
    "sp": ("pressure_surface_pa", (0, 3, 0), 1, 0, 1.0),
    "tcc": ("cloud_total_pct", (0, 6, 192), 1, 0, 100.0),
    "tp": ("precipitation_mm", (0, 1, 193), 1, 0, 1000.0),
    "mucape": ("cape_jpkg", (0, 7, 6), 17, 0, 1.0),
    "lsm": ("land_fraction", (2, 0, 0), 1, 0, 1.0),
    "z": ("orography", (0, 3, 4), 1, 0, 1.0 / 9.80665),
}
#: Where AIFS carries a field by other numbers: the WMO's, and per cent.
AIFS = ECMWF | {
    "tcc": ("cloud_total_pct", (0, 6, 1), 1, 0, 1.0),
    "lcc": ("cloud_low_pct", (0, 6, 3), 1, 0, 1.0),
    "mcc": ("cloud_middle_pct", (0, 6, 4), 1, 0, 1.0),
    "hcc": ("cloud_high_pct", (0, 6, 5), 1, 0, 1.0),
    "tp": ("precipitation_mm", (0, 1, 52), 1, 0, 1.0),
}
ECMWF_ALOFT: dict[str, tuple[str, tuple[int, int, int], float]] = {
    "u": ("u", (0, 2, 2), 1.0),
    "v": ("v", (0, 2, 3), 1.0),
    "t": ("t", (0, 0, 0), 1.0),
    "gh": ("gh", (0, 3, 5), 1.0),
    "z": ("gh", (0, 3, 4), 1.0 / 9.80665),
    "q": ("q", (0, 1, 0), 1.0),
    "r": ("r", (0, 1, 1), 1.0),
}
#: Levels of IFS and its ensemble since May 2026. [hPa]
IFS_LEVELS = (10, 50, 100, 150, 200, 250, 300, 400, 500, 600, 700, 850, 925, 1000)

_BASES = {
    "wind_u_10m_mps": 3.0,
    "wind_v_10m_mps": -2.0,
    "wind_u_100m_mps": 6.0,
    "wind_v_100m_mps": -5.0,
    "gust_mps": 12.0,
    "temperature_2m_k": 285.0,
    "dew_point_2m_k": 279.0,
    "pressure_msl_pa": 101_300.0,
    "pressure_surface_pa": 100_700.0,
    "cloud_low_pct": 20.0,
    "cloud_middle_pct": 30.0,
    "cloud_high_pct": 40.0,
    "cloud_total_pct": 55.0,
    "ceiling_m": 1_500.0,
    "visibility_m": 20_000.0,
    "precipitation_rate_mmph": 1.2,
    "cape_jpkg": 300.0,
    "lifted_index_k": -2.0,
    "freezing_rain": 0.1,
}
_FIXED = {"orography": 50.0, "land_fraction": 0.5}


def value(
    field: str,
    level_hpa: float,
    hours: tuple[float, float],
    member: int,
    kind: str,
    where: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> NDArray[np.float64]:
    """What a field is, in our unit, at latitudes [Y] and longitudes [X] (`where`).

    `hours` bound its interval; a mean is somewhat more than what holds at the time.
    """
    spread = 1.0 + 1e-3 * ((where[0] - SOUTH)[:, None] + 2.0 * (where[1] - WEST)[None])
    if field in _FIXED:
        return _FIXED[field] * spread
    change = 1.0 + 2e-3 * hours[1] + 1e-3 * member + (0.02 if kind == "ave" else 0.0)
    if level_hpa:
        height = 7_000.0 * np.log(1_030.0 / level_hpa)  # of air of 239.15 K (hypsometric)
        base = {
            "u": 5.0 + 1e-3 * height,
            "v": 30.0 - 1e-3 * height,
            "t": 239.15 + 1e-4 * height,
            "gh": height,
            "r": 30.0 + 0.04 * level_hpa,
            "q": 1e-5 * level_hpa,
        }[field]
        return np.asarray(base * (1.0 + 0.1 * (change * spread - 1.0)))
    if field == "precipitation_mm":
        return 1.2 * (hours[1] - hours[0]) * spread * change
    return _BASES[field] * (1.0 + 0.1 * (change * spread - 1.0))


@dataclass(frozen=True)
class Listed(Sample):
    """A message with the line of a real index: without number and offset, or without its bytes."""

    line: str = ""

    @property
    def noaa(self) -> str:
        return self.line

    def ecmwf(self, offset: int) -> str:
        return json.dumps(json.loads(self.line) | {"_offset": offset, "_length": len(self.data)})


@dataclass(frozen=True)
class _Coding:
    """How a message is to be coded."""

    centre: int
    number: tuple[int, int, int]
    surface: int
    level: int
    hours: tuple[int, int]
    kind: str
    member: int | None


_STATISTICS = {"ave": 0, "acc": 1, "max": 2, "min": 3}


def _grib(coding: _Coding, values: NDArray[np.float64], cycle: datetime) -> bytes:
    rows, columns = values.shape
    handle = eccodes.codes_grib_new_from_samples("GRIB2")
    over = coding.kind != "at"
    template = (8 if over else 0) + (3 if over else 1) * (coding.member is not None)
    keys: list[tuple[str, object]] = [
        ("tablesVersion", 32),
        ("centre", coding.centre),
        ("discipline", coding.number[0]),
        ("dataDate", int(f"{cycle:%Y%m%d}")),
        ("dataTime", int(f"{cycle:%H%M}")),
        ("Ni", columns),
        ("Nj", rows),
        ("latitudeOfFirstGridPointInDegrees", NORTH),
        ("latitudeOfLastGridPointInDegrees", NORTH - STEP * (rows - 1)),
        ("longitudeOfFirstGridPointInDegrees", WEST % 360.0),
        ("longitudeOfLastGridPointInDegrees", WEST % 360.0 + STEP * (columns - 1)),
        ("iDirectionIncrementInDegrees", STEP),
        ("jDirectionIncrementInDegrees", STEP),
        ("productDefinitionTemplateNumber", template),
        ("parameterCategory", coding.number[1]),
        ("parameterNumber", coding.number[2]),
        ("typeOfFirstFixedSurface", coding.surface),
        ("scaleFactorOfFirstFixedSurface", 0),
        ("scaledValueOfFirstFixedSurface", coding.level),
        ("indicatorOfUnitOfTimeRange", 1),
        ("forecastTime", coding.hours[0]),
    ]
    if over:
        keys += [
            ("typeOfStatisticalProcessing", _STATISTICS[coding.kind]),
            ("indicatorOfUnitForTimeRange", 1),
            ("lengthOfTimeRange", coding.hours[1] - coding.hours[0]),
        ]
    if coding.member is not None:
        keys += [
            ("typeOfEnsembleForecast", 3 if coding.member else 1),
            ("perturbationNumber", coding.member),
            ("numberOfForecastsInEnsemble", 51 if coding.centre == 98 else 30),
        ]
    if coding.centre == 98:
        keys.append(("packingType", "grid_ccsds"))
    try:
        for key, its in keys:
            eccodes.codes_set(handle, key, its)
        eccodes.codes_set(handle, "bitsPerValue", 16)
        eccodes.codes_set_values(handle, np.ascontiguousarray(values).ravel())
        return bytes(eccodes.codes_get_message(handle))
    finally:
        eccodes.codes_release(handle)


#: Rows from north to south, columns from west to east.
WHERE = (np.arange(NORTH, SOUTH - 0.1, -STEP), np.arange(WEST, EAST + 0.1, STEP))


@cache
def _unwanted(cycle: datetime) -> bytes:
    coding = _Coding(7, (10, 1, 2), 160, 0, (0, 0), "at", None)
    return _grib(coding, np.zeros((2, 2)), cycle)


def _message(coding: _Coding, field: str, level_hpa: float, scale: float, cycle: datetime) -> bytes:
    ours = value(field, level_hpa, coding.hours, coding.member or 0, coding.kind, WHERE)
    return _grib(coding, ours / scale, cycle)


def _sample(coding: _Coding | None, data: bytes, line: str, cycle: datetime) -> Listed:
    number = (0, 0, 0, 0, 0)
    hours: tuple[int, int] = (0, 0)
    member = None
    if coding is not None:
        number, hours, member = (
            (*coding.number, coding.surface, coding.level),
            coding.hours,
            coding.member,
        )
    return Listed(data, number, *hours, member, f"{cycle:%Y%m%d%H}", line)


# --- NOAA -----------------------------------------------------------------------------------

_WHEN = re.compile(r"^(?:(\d+)-)?(\d+) (hour|day) (?:(acc|ave|max|min) )?fcst$")


@cache
def noaa_file(
    name: str, step_h: int, member: int | None, cycle: datetime = CYCLE
) -> tuple[Sample, ...]:
    """A whole real file, moved to a step: an interval begins at the six-hour mark before.

    At step 0, what is over an interval is left out where the text is of a later step.
    """
    return tuple(_noaa_lines((FEEDS / name).read_text(), step_h, member, cycle))


def _noaa_lines(text: str, step_h: int, member: int | None, cycle: datetime) -> Iterator[Listed]:
    whose = "" if member is None else f"ENS=+{member}" if member else "ENS=low-res ctl"
    mark_h = (step_h - 1) // 6 * 6
    for line in text.splitlines():
        _, _, _, what, level, when, *_ = line.split(":")
        said, hours, kind = "anl", (step_h, step_h), "at"
        if step_h:
            said = f"{step_h} hour fcst"
        if (found := _WHEN.match(when)) and found[4]:
            if step_h == 0:
                continue
            kind = found[4]
            hours = (0 if found[1] == "0" and found[2] != "3" else mark_h, step_h)
            said = f"{hours[0]}-{hours[1]} hour {kind} fcst"
        words = f"d={cycle:%Y%m%d%H}:{what}:{level}:{said}:{whose}"
        coding, field, level_hpa, scale = _noaa_coding(what, level, hours, kind, member)
        if coding is None:
            yield _sample(None, _unwanted(cycle), words, cycle)
        else:
            data = _message(coding, field, level_hpa, scale, cycle)
            yield _sample(coding, data, words, cycle)


def _noaa_coding(
    what: str, level: str, hours: tuple[int, int], kind: str, member: int | None
) -> tuple[_Coding | None, str, float, float]:
    if what not in NOAA:
        return None, "", 0.0, 1.0
    *number, scale = NOAA[what]
    numbers = (number[0], number[1], number[2])
    if found := re.match(r"^([\d.]+) mb$", level):
        hpa = float(found[1])
        coding = _Coding(7, numbers, 100, round(hpa * 100), hours, kind, member)
        if what in ALOFT:
            return coding, ALOFT[what], hpa, scale
        return coding, "cloud_total_pct", 0.0, scale  # cloud on levels: never to be taken
    surface, height = SURFACES.get(level, 0), 0
    if found := re.match(r"^(\d+) m above ground$", level):
        surface, height = 103, int(found[1])
    field = NOAA_FIELDS.get(f"{what}:{level}", "wind_u_10m_mps")  # others: seen, never to be taken
    if not surface:
        return None, "", 0.0, 1.0
    return _Coding(7, numbers, surface, height, hours, kind, member), field, 0.0, scale


def serve_gfs(its: Provider, steps_h: Iterable[int], *, v17: bool = False) -> None:
    """GFS at 0.25 degree, under its present names or the announced ones, and at 0.5 degree."""
    for step in steps_h:
        name = f"gfs.t00z.pgrb2.0p25.f00{'7' if step else '0'}.idx"
        messages = noaa_file(name, step, None)
        root = f"gfs.{CYCLE:%Y%m%d}/{CYCLE:%H}"
        if v17:
            its.add(
                f"{root}/products/atmos/grib2/0p25/gfs.t{CYCLE:%H}z.pres_a.0p25.f{step:03d}.grib2",
                step,
                messages,
            )
            continue
        for kind in ("pgrb2.0p25", "pgrb2full.0p50"):
            its.add(f"{root}/atmos/gfs.t{CYCLE:%H}z.{kind}.f{step:03d}", step, messages)


def serve_gefs(its: Provider, steps_h: Iterable[int], members: Iterable[int]) -> None:
    """GEFS' a and b files; the control's lines stand for those of the members."""
    for step in steps_h:
        for member in members:
            run = f"p{member:02d}" if member else "c00"
            a = (
                "gec00.t00z.pgrb2a.0p50.f432.idx"
                if step
                else "geavg.20260723_00z.pgrb2a.0p50.f000.idx"
            )
            for kind, name in (("a", a), ("b", "gec00.t00z.pgrb2b.0p50.f003.idx")):
                path = (
                    f"gefs.{CYCLE:%Y%m%d}/{CYCLE:%H}/atmos/pgrb2{kind}p5/"
                    f"ge{run}.t{CYCLE:%H}z.pgrb2{kind}.0p50.f{step:03d}"
                )
                its.add(path, step, noaa_file(name, step, member))


# --- ECMWF ----------------------------------------------------------------------------------


def gust_name(step_h: int) -> tuple[str, int]:
    """What ECMWF has of the gust at a step, and over how many hours it is the greatest."""
    if step_h > 144:
        return "10fg", 6
    return ("10fg3", 3) if step_h > 90 else ("10fg", 1)


def _aifs_lines(kind: str, step_h: int) -> list[dict[str, object]]:
    text = (FEEDS / f"aifs_single_20250301_00z_{6 if step_h else 0}h.index").read_text()
    lines = [json.loads(line) for line in text.splitlines()]
    if kind == "aifs":  # as since May 2026
        gone = ("lsm", "sdor", "slor")
        lines = [x for x in lines if x["param"] not in gone]
        lines = [x for x in lines if (x["param"], x["levtype"]) != ("z", "sfc")]
        lines += [x | {"param": "gh"} for x in lines if x["param"] == "z"]
        top = [x for x in lines if x.get("levelist") == "50" and x["param"] != "q"]
        lines += [x | {"levelist": "10"} for x in top]
    return [x | {"step": str(step_h)} for x in lines]


def ecmwf_lines(kind: str, step_h: int, members: Iterable[int] = ()) -> list[dict[str, object]]:
    """Lines of an index of IFS, its ensemble or AIFS, without their bytes.

    "before" in `kind` is before May 2026; "later" is with the WMO's numbers that are announced.
    """
    if kind.startswith("aifs"):
        return _aifs_lines(kind, step_h)
    near, aloft = (
        ["10u", "10v", "100u", "100v", "2t", "2d", "msl", "sp", "tcc", "tp", "mucape"],
        ["u", "v", "t", "gh", "q", "r", "w", "d", "vo"],
    )
    near += ["lsm", gust_name(step_h)[0], "skt", "ssrd", "tprate", "mx2t3", "ro", "sf"]
    near += [] if step_h else ["z", "sdor", "slor"]
    surface = _order("ifs-oper.20260830_00z_6h.excerpt.index", 0)
    since = _order("ifs-oper.20260830_00z_6h.excerpt.index", 1)
    pressure = _order("ifs-oper.20260405_00z_0h.excerpt.index", 0)
    ensemble = _order("ifs-ens.20240401_00z_3h.excerpt.index", 0)
    near_member = _order("ifs-ens.20240401_00z_3h.excerpt.index", 3)
    lines: list[dict[str, object]] = []
    for member in members or (None,):
        whose = {} if member is None else {"number": str(member)}
        for place, param in enumerate(near):
            line = (surface, since)[place % 2] if member is None else near_member
            lines.append(line | {"param": param, "step": str(step_h)} | whose)
        for param in aloft:
            for level in IFS_LEVELS[1:] if "before" in kind else IFS_LEVELS:
                line = pressure if member is None else ensemble
                said = {"param": param, "levelist": str(level), "step": str(step_h)}
                lines.append(line | said | whose)
    Random(step_h).shuffle(lines)
    return lines


def _order(name: str, number: int) -> dict[str, object]:
    line: dict[str, object] = json.loads((FEEDS / name).read_text().splitlines()[number])
    return line


@cache
def ecmwf_file(kind: str, step_h: int, members: tuple[int, ...] = ()) -> tuple[Sample, ...]:
    """Messages of an index of ECMWF, as its lines say."""
    return tuple(
        _ecmwf_message(line, ECMWF if kind in ("ifs", "ifs before") else AIFS, step_h)
        for line in ecmwf_lines(kind, step_h, members)
    )


def _ecmwf_message(
    line: dict[str, object],
    near: dict[str, tuple[str, tuple[int, int, int], int, int, float]],
    step_h: int,
) -> Listed:
    said = line | {"date": f"{CYCLE:%Y%m%d}", "time": f"{CYCLE:%H%M}"}
    words, param = json.dumps(said), str(line["param"])
    member = int(str(line["number"])) if "number" in line else None
    if line["levtype"] == "pl" and param in ECMWF_ALOFT:
        field, number, scale = ECMWF_ALOFT[param]
        hpa = float(str(line["levelist"]))
        coding = _Coding(98, number, 100, round(100 * hpa), (step_h, step_h), "at", member)
        return _sample(coding, _message(coding, field, hpa, scale, CYCLE), words, CYCLE)
    if line["levtype"] != "sfc" or param not in near:
        return _sample(None, _unwanted(CYCLE), words, CYCLE)
    field, number, surface, level, scale = near[param]
    hours, kind = (step_h, step_h), "at"
    if param == "tp":
        hours, kind = (0, step_h), "acc"
    if field == "gust_mps":
        hours, kind = (max(step_h - gust_name(step_h)[1], 0), step_h), "max"
    coding = _Coding(98, number, surface, level, hours, kind, member)
    data = _message(coding, field, 0.0, scale, CYCLE)
    if hours[0] == hours[1] and kind != "at":  # over no time: a constant, as the servers have it
        data = _grib(coding, np.zeros((13, 13)), CYCLE)
    return _sample(coding, data, words, CYCLE)


def serve_ecmwf(
    its: Provider, steps_h: Iterable[int], kind: str, members: tuple[int, ...] = ()
) -> None:
    """IFS (with members: its ensemble, too) or AIFS, as `ecmwf_lines` has them."""
    model = "ifs" if kind.startswith("ifs") else "aifs-single"
    for step in steps_h:
        root = f"{CYCLE:%Y%m%d}/{CYCLE:%H}z/{model}/0p25"
        name = f"{CYCLE:%Y%m%d%H}0000-{step}h"
        its.add(f"{root}/oper/{name}-oper-fc.grib2", step, ecmwf_file(kind, step))
        if members:
            its.add(f"{root}/enfo/{name}-enfo-ef.grib2", step, ecmwf_file(kind, step, members))
