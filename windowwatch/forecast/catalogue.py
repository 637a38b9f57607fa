"""Weather models that can be fetched, as a table: what each offers, when, where and on what terms.

Adding a model is one row here and, at most, one adapter beside `noaa` and `ecmwf`. Paths,
levels, delays and sizes are those of the providers' public pages and of inventories seen in
2023 to 2026. None was asked live while this was written; rows say in `doubts` what the first
live run has to confirm. Base URLs are defaults that the settings may override.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from windowwatch.errors import InputError
from windowwatch.forecast.models import ALOFT, SURFACE


class Speech(StrEnum):
    """How a host is spoken to."""

    NOAA_INDEX = "NOAA index and byte ranges"
    ECMWF_INDEX = "ECMWF index and byte ranges"
    NOAA_FILTER = "NOAA area filter"


@dataclass(frozen=True)
class Product:
    """One kind of file that a model comes in.

    Parameters
    ----------
    name : str
        Part of local file names.
    path : str
        Below a host's root: ``{Y}`` date, ``{H}`` hour, ``{F}`` step of three digits,
        ``{step}`` step, ``{run}`` name of the member.
    levels_hpa : tuple of float
        Isobaric levels wanted from it; of humidity only those where it counts. [hPa]
    fields : tuple of str
        Names of `models.FIELDS` wanted from it.
    members : tuple of int or None
        Perturbation numbers; None for a run without ensemble header.
    file_per_member : bool
        Whether each member has files of its own.
    script : str
        Name of the area filter that serves these files, if one does.
    filter_path : str
        Where the area filter has them, if elsewhere than `path`.
    names : tuple of (field, name)
        What a provider calls a field now, if not as its adapter knows: see `renamed`.
    """

    name: str
    path: str
    levels_hpa: tuple[float, ...]
    fields: tuple[str, ...]
    members: tuple[int | None, ...] = (None,)
    file_per_member: bool = False
    script: str = ""
    filter_path: str = ""
    names: tuple[tuple[str, str], ...] = ()

    def file(self, cycle_utc: datetime, step_h: int, member: int | None) -> str:
        """Path of one file below a host's root."""
        run = "" if member is None else f"p{member:02d}" if member else "c00"
        return self.path.format(
            Y=f"{cycle_utc:%Y%m%d}",
            H=f"{cycle_utc:%H}",
            F=f"{step_h:03d}",
            step=step_h,
            run=run,
        )


@dataclass(frozen=True)
class Route:
    """One way to a model's data: how it is asked for, where, and on which grid.

    `hosts` are roots below which `Product.path` lies. For the area filter the first part of
    each pair is the root of the scripts and the second the root of the files, on the same
    host, whose indexes tell what is ready; for the others both are the same.
    `field_bytes` is the mean size of one message of the whole globe. [byte]
    """

    speech: Speech
    products: tuple[Product, ...]
    hosts: tuple[tuple[str, str], ...]
    grid_deg: float
    field_bytes: int
    workers: int = 8
    per_minute: float | None = None

    @property
    def name(self) -> str:
        """Short name, part of local paths."""
        kind = "filter" if self.speech is Speech.NOAA_FILTER else "ranges"
        return f"{kind}-{self.grid_deg:g}"


@dataclass(frozen=True)
class Model:
    """One weather model.

    Parameters
    ----------
    name, words : str
        As in settings, and for people.
    steps : mapping of int to tuple of (first, last, every)
        Steps of the cycle of each hour of the day. [h]
    routes : tuple of Route
        The first that is not refused is used for a whole cycle.
    top_hpa : float
        Lowest pressure it reaches.
    first_after_min, last_after_min : int
        Minutes from reference time to the first and to the last step, as commonly seen;
        learned from what arrives.
    licence, attribution : str
        The latter is shown wherever the data are; ``{year}`` is that of the cycle.
    doubts : tuple of str
        What is not confirmed.
    """

    name: str
    words: str
    steps: Mapping[int, tuple[tuple[int, int, int], ...]]
    routes: tuple[Route, ...]
    top_hpa: float
    first_after_min: int
    last_after_min: int
    licence: str
    attribution: str
    doubts: tuple[str, ...] = ()

    @property
    def members(self) -> int:
        """Runs in one cycle, the control included."""
        return len({m for p in self.routes[0].products for m in p.members})

    def steps_h(self, cycle_hour: int, every_h: int = 1) -> tuple[int, ...]:
        """Steps of a cycle that are multiples of `every_h`. [h]

        Raises
        ------
        InputError
            If the model has no cycle at that hour.
        """
        if cycle_hour not in self.steps:
            known = ", ".join(f"{hour:02d}" for hour in sorted(self.steps))
            raise InputError(f"{self.name} has cycles at {known} UTC, none at {cycle_hour:02d}")
        found = {
            step
            for first, last, every in self.steps[cycle_hour]
            for step in range(first, last + 1, every)
            if step % every_h == 0
        }
        return tuple(sorted(found))

    def credit(self, cycle_utc: datetime) -> str:
        """Attribution line for the data of a cycle."""
        return self.attribution.format(year=cycle_utc.year)


_ALOFT = tuple(field.name for field in ALOFT)
_NEAR = tuple(field.name for field in SURFACE)
_FIXED = ("orography", "land_fraction")
_EVERY_6_H = (0, 6, 12, 18)


def _levels(words: str) -> tuple[float, ...]:
    return tuple(float(word) for word in words.split())


_GFS_LEVELS = _levels(
    "1000 975 950 925 900 850 800 750 700 650 600 550 500 450 400 350 300 250 200 150 100 "
    "70 50 40 30 20 15 10 7 5"
)
_GEFS_A_LEVELS = _levels("1000 925 850 700 500 300 250 200 100 50 10")
_GEFS_B_LEVELS = _levels("600 400 150 70 30 20")
_ECMWF_LEVELS = _levels("1000 925 850 700 600 500 400 300 250 200 150 100 50")

_GFS_FIELDS = (*_ALOFT, "r", *_NEAR, *_FIXED)
_GEFS_NEAR = (
    "wind_u_10m_mps",
    "wind_v_10m_mps",
    "temperature_2m_k",
    "pressure_msl_pa",
    "pressure_surface_pa",
    "cloud_total_pct",
    "precipitation_mm",
    "cape_jpkg",
)
_ECMWF_NEAR = (
    "wind_u_10m_mps",
    "wind_v_10m_mps",
    "wind_u_100m_mps",
    "wind_v_100m_mps",
    "gust_mps",
    "temperature_2m_k",
    "dew_point_2m_k",
    "pressure_msl_pa",
    "pressure_surface_pa",
    "cloud_total_pct",
    "precipitation_mm",
)

_NOMADS = "https://nomads.ncep.noaa.gov"
_NOAA_CREDIT = (
    "Data: NOAA/NCEP, {what}; public domain. Changed: cut out, interpolated, flown through."
)
_ECMWF_CREDIT = (
    "Copyright {{year}} European Centre for Medium-Range Weather Forecasts (ECMWF). Source: "
    "www.ecmwf.int, {what}. Licence: CC BY 4.0. ECMWF accepts no liability for errors or "
    "omissions, or for loss from use. Changed: cut out, interpolated, flown through."
)


def _same(*roots: str) -> tuple[tuple[str, str], ...]:
    return tuple((root, root) for root in roots)


def _gfs(grid: str) -> Product:
    path = f"gfs.{{Y}}/{{H}}/atmos/gfs.t{{H}}z.pgrb2.{grid}.f{{F}}"
    return Product(grid, path, _GFS_LEVELS, _GFS_FIELDS, script=f"filter_gfs_{grid}.pl")


_GFS_FILES = _same(
    "https://noaa-gfs-bdp-pds.s3.amazonaws.com",
    "https://storage.googleapis.com/global-forecast-system",
    f"{_NOMADS}/pub/data/nccf/com/gfs/prod",
)
_GFS_SCRIPTS = ((f"{_NOMADS}/cgi-bin", f"{_NOMADS}/pub/data/nccf/com/gfs/prod"),)
_GFS_RANGES_HALF = Route(Speech.NOAA_INDEX, (_gfs("0p50"),), _GFS_FILES, 0.5, 680_000)
_GFS_RANGES_ONE = Route(Speech.NOAA_INDEX, (_gfs("1p00"),), _GFS_FILES, 1.0, 180_000)
_GFS_STEPS = dict.fromkeys(_EVERY_6_H, ((0, 120, 1), (120, 384, 3)))
_GFS_HALF_STEPS = dict.fromkeys(_EVERY_6_H, ((0, 384, 3),))


def _filtered(
    products: tuple[Product, ...], grid: float, roots: tuple[tuple[str, str], ...]
) -> Route:
    return Route(Speech.NOAA_FILTER, products, roots, grid, 0, workers=2, per_minute=100.0)


_GEFS_MEMBERS: tuple[int | None, ...] = tuple(range(31))
_GEFS = tuple(
    Product(
        letter,
        f"gefs.{{Y}}/{{H}}/atmos/pgrb2{letter}p5/ge{{run}}.t{{H}}z.pgrb2{letter}.0p50.f{{F}}",
        levels,
        fields,
        _GEFS_MEMBERS,
        True,
        f"filter_gefs_atmos_0p50{letter}.pl",
    )
    for letter, levels, fields in (
        ("a", _GEFS_A_LEVELS, (*_ALOFT, "r", *_GEFS_NEAR)),
        ("b", _GEFS_B_LEVELS, _ALOFT),
    )
)


def _ecmwf(model: str, name: str, stream: str, kind: str, levels: tuple[float, ...]) -> Product:
    path = f"{{Y}}/{{H}}z/{model}/0p25/{stream}/{{Y}}{{H}}0000-{{step}}h-{stream}-{kind}.grib2"
    return Product(name, path, levels, (*_ALOFT, "q", *_ECMWF_NEAR, *_FIXED))


_ECMWF_HOSTS = _same(
    "https://data.ecmwf.int/forecasts",
    "https://ecmwf-forecasts.s3.eu-central-1.amazonaws.com",
    "https://storage.googleapis.com/ecmwf-open-data",
)
_IFS = _ecmwf("ifs", "fc", "oper", "fc", _ECMWF_LEVELS)
_ENS = Product(
    "ef",
    _ecmwf("ifs", "ef", "enfo", "ef", _ECMWF_LEVELS).path,
    _ECMWF_LEVELS,
    (*_ALOFT, "wind_u_10m_mps", "wind_v_10m_mps", "gust_mps"),
    tuple(range(1, 51)),
)
_AIFS = _ecmwf("aifs-single", "fc", "oper", "fc", (*_ECMWF_LEVELS, 10.0))
_IFS_STEPS = {
    **dict.fromkeys((0, 12), ((0, 144, 3), (144, 240, 6))),
    **dict.fromkeys((6, 18), ((0, 90, 3),)),
}
_ENS_STEPS = {
    **dict.fromkeys((0, 12), ((0, 144, 3), (144, 360, 6))),
    **dict.fromkeys((6, 18), ((0, 144, 3),)),
}
_CC_BY = "CC BY 4.0"
_PUBLIC = "public domain (United States government)"
_LOW_TOP = "tops at 50 hPa (about 20.6 km): flights above it are extrapolated"

MODELS: Mapping[str, Model] = {
    model.name: model
    for model in (
        Model(
            "gfs-0.25",
            "GFS, 0.25 degree",
            _GFS_STEPS,
            (_filtered((_gfs("0p25"),), 0.25, _GFS_SCRIPTS), _GFS_RANGES_HALF),
            5.0,
            216,
            335,
            _PUBLIC,
            _NOAA_CREDIT.format(what="GFS"),
            ("whether the area filter is still served and under these names",),
        ),
        Model(
            "gfs-0.5",
            "GFS, 0.5 degree",
            _GFS_HALF_STEPS,
            (_filtered((_gfs("0p50"),), 0.5, _GFS_SCRIPTS), _GFS_RANGES_ONE),
            5.0,
            216,
            335,
            _PUBLIC,
            _NOAA_CREDIT.format(what="GFS"),
            ("whether the area filter is still served and under these names",),
        ),
        Model(
            "gefs",
            "GEFS, 0.5 degree, control and 30 members",
            dict.fromkeys(_EVERY_6_H, ((0, 240, 3), (240, 384, 6))),
            (
                _filtered(
                    _GEFS, 0.5, ((f"{_NOMADS}/cgi-bin", f"{_NOMADS}/pub/data/nccf/com/gens/prod"),)
                ),
                Route(
                    Speech.NOAA_INDEX,
                    _GEFS,
                    _same(
                        "https://noaa-gefs-pds.s3.amazonaws.com",
                        "https://storage.googleapis.com/gfs-ensemble-forecast-system",
                    ),
                    0.5,
                    210_000,
                ),
            ),
            10.0,
            226,
            400,
            _PUBLIC,
            _NOAA_CREDIT.format(what="GEFS"),
            (
                "levels of the b files (600, 400, 150, 70, 30, 20 hPa are asked for)",
                "names of the area filters and of the folder on the filter's host",
            ),
        ),
        Model(
            "ifs",
            "ECMWF IFS, deterministic, 0.25 degree",
            _IFS_STEPS,
            (Route(Speech.ECMWF_INDEX, (_IFS,), _ECMWF_HOSTS, 0.25, 600_000),),
            50.0,
            420,
            540,
            _CC_BY,
            _ECMWF_CREDIT.format(what="open data, IFS"),
            (_LOW_TOP, "how rain, total cloud and gust are numbered; no ceiling, no visibility"),
        ),
        Model(
            "ifs-ens",
            "ECMWF IFS, ensemble of 50 and the control, 0.25 degree",
            _ENS_STEPS,
            (Route(Speech.ECMWF_INDEX, (_IFS, _ENS), _ECMWF_HOSTS, 0.25, 600_000),),
            50.0,
            420,
            540,
            _CC_BY,
            _ECMWF_CREDIT.format(what="open data, IFS ensemble"),
            (_LOW_TOP, "very large by byte ranges: about 80 GB for a week"),
        ),
        Model(
            "aifs",
            "ECMWF AIFS single, 0.25 degree",
            dict.fromkeys(_EVERY_6_H, ((0, 360, 6),)),
            (Route(Speech.ECMWF_INDEX, (_AIFS,), _ECMWF_HOSTS, 0.25, 600_000),),
            10.0,
            325,
            363,
            _CC_BY,
            _ECMWF_CREDIT.format(what="open data, AIFS"),
            ("whether it is six-hourly", "10 hPa since May 2026; nothing between 50 and 10 hPa"),
        ),
    )
}


def model(name: str) -> Model:
    """A model of the table.

    Raises
    ------
    InputError
        If there is none of that name; says which there are.
    """
    if name not in MODELS:
        raise InputError(f"no model is called {name!r}; there are {', '.join(MODELS)}")
    return MODELS[name]
