"""What the files of each weather model hold, field by field, and at which steps there are files.

From real inventories of 2025 and 2026 (`tests/fetch/feeds`); of IFS and its ensemble from lists.
Levels are those that are wanted: of humidity only where it counts. Pure.
"""

from collections.abc import Mapping

from windowwatch.forecast.models import SURFACE

#: Roots of hosts stand in pairs, as in `catalogue.Route`.
NOMADS = "https://nomads.ncep.noaa.gov"
NOAA_CREDIT = (
    "Data: NOAA/NCEP, {what}; public domain. Changed: cut out, interpolated, flown through."
)
# The first sentence is the one that ECMWF's terms of use ask a service to show.
ECMWF_CREDIT = (
    "This service is based on data and products of the European Centre for Medium-Range Weather "
    "Forecasts (ECMWF). Copyright {{year}} European Centre for Medium-Range Weather Forecasts "
    "(ECMWF). Source: www.ecmwf.int, {what}. Licence: CC BY 4.0, "
    "https://creativecommons.org/licenses/by/4.0/. ECMWF accepts no liability for errors or "
    "omissions, or for loss from use. Changed: cut out, interpolated, flown through."
)


def _same(*roots: str) -> tuple[tuple[str, str], ...]:
    return tuple((root, root) for root in roots)


GFS_FILES = _same(
    "https://noaa-gfs-bdp-pds.s3.amazonaws.com",
    "https://storage.googleapis.com/global-forecast-system",
    f"{NOMADS}/pub/data/nccf/com/gfs/prod",
)
GFS_SCRIPTS = ((f"{NOMADS}/cgi-bin", f"{NOMADS}/pub/data/nccf/com/gfs/prod"),)
GEFS_FILES = _same(
    "https://noaa-gefs-pds.s3.amazonaws.com",
    "https://storage.googleapis.com/gfs-ensemble-forecast-system",
)
GEFS_SCRIPTS = ((f"{NOMADS}/cgi-bin", f"{NOMADS}/pub/data/nccf/com/gens/prod"),)
HRRR_FILES = _same(
    "https://noaa-hrrr-bdp-pds.s3.amazonaws.com",
    "https://storage.googleapis.com/high-resolution-rapid-refresh",
    f"{NOMADS}/pub/data/nccf/com/hrrr/prod",
)
ECMWF_OWN = "https://data.ecmwf.int/forecasts"
ECMWF_HOSTS = _same(
    "https://ecmwf-forecasts.s3.eu-central-1.amazonaws.com",
    "https://storage.googleapis.com/ecmwf-open-data",
    ECMWF_OWN,
)
CC_BY = "CC BY 4.0"
PUBLIC = "public domain (United States government)"


NEAR = tuple(field.name for field in SURFACE)
FIXED = ("orography", "land_fraction")
GFS_NEAR = (*NEAR, *FIXED)
EVERY_6_H = (0, 6, 12, 18)


def by_field(rows: Mapping[str, str]) -> dict[str, tuple[float, ...]]:
    """Levels of each field, from rows such as ``{"u v": "1000 500", "t": "500"}``. [hPa]"""
    return {
        name: tuple(float(level) for level in levels.split())
        for names, levels in rows.items()
        for name in names.split()
    }


GFS_LEVELS = by_field(
    {
        "u v t gh": "1000 975 950 925 900 850 800 750 700 650 600 550 500 450 400 350 300 250 "
        "200 150 100 70 50 40 30 20 15 10 7 5",
        "r": "1000 975 950 925 900 850 800 750 700 650 600 550 500 450 400 350 300 250 200",
    }
)
# Between them, wind, temperature and height on 18 levels. Each kind of file lacks some field on
# some level that the other one has.
GEFS_A_LEVELS = by_field(
    {
        "u v": "1000 925 850 700 500 400 300 250 200 100 50 10",
        "gh": "1000 925 850 700 500 300 250 200 100 50 10",
        "t": "1000 925 850 700 500 250 200 100 50 10",
        "r": "1000 925 850 700 500 250 200",
    }
)
GEFS_B_LEVELS = by_field(
    {
        "u v": "600 150 70 30 20 5",
        "gh": "600 400 150 70 30 20 5",
        "t": "600 400 300 150 70 30 20 5",
        "r": "600 400 300",
    }
)
ECMWF_AIR = "1000 925 850 700 600 500 400 300 250 200 150 100 50 10"
ECMWF_LEVELS = by_field({"u v t gh": ECMWF_AIR, "q": "1000 925 850 700 600 500 400 300 250 200"})
ENS_LEVELS = by_field({"u v t gh": ECMWF_AIR})
#: On ECMWF's servers since 12 and 13 May 2026.
ECMWF_OPTIONAL = (10.0,)

GEFS_A_NEAR = (
    "wind_u_10m_mps",
    "wind_v_10m_mps",
    "temperature_2m_k",
    "pressure_msl_pa",
    "pressure_surface_pa",
    "cloud_total_pct",
    "precipitation_mm",
    "freezing_rain",
)
GEFS_B_NEAR = (*(name for name in NEAR if name not in GEFS_A_NEAR), *FIXED)
#: GEFS has total cloud on the surfaces of the layers, as means.
GEFS_SPELLED = {
    "cloud_low_pct": ("TCDC", "low cloud layer"),
    "cloud_middle_pct": ("TCDC", "middle cloud layer"),
    "cloud_high_pct": ("TCDC", "high cloud layer"),
}
ECMWF_NEAR = (
    "wind_u_10m_mps",
    "wind_v_10m_mps",
    "wind_u_100m_mps",
    "wind_v_100m_mps",
    "temperature_2m_k",
    "dew_point_2m_k",
    "pressure_msl_pa",
    "pressure_surface_pa",
    "cloud_total_pct",
    "precipitation_mm",
)

GFS_STEPS = dict.fromkeys(EVERY_6_H, ((0, 120, 1), (120, 384, 3)))
GFS_HALF_STEPS = dict.fromkeys(EVERY_6_H, ((0, 384, 3),))


IFS_STEPS = {
    **dict.fromkeys((0, 12), ((0, 144, 3), (150, 360, 6))),
    **dict.fromkeys((6, 18), ((0, 144, 3),)),
}
GEFS_STEPS = dict.fromkeys(EVERY_6_H, ((0, 240, 3), (240, 384, 6)))
AIFS_STEPS = dict.fromkeys(EVERY_6_H, ((0, 360, 6),))
