"""Who gives weather forecasts away: their hosts, and on what terms they do. Pure."""

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
