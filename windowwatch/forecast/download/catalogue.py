"""Weather models that can be fetched, as a table: what each offers, when, where and on what terms.

Adding a model is one row here and, at most, one adapter beside `noaa` and `ecmwf`. Paths,
levels, delays and sizes are those of the providers' public pages and of real inventories of
2025 and 2026 (`tests/fetch/feeds`), those of IFS and its ensemble of lists; levels are those that
are wanted, of humidity only where it counts. None was asked live while this was written; rows say
in `doubts` what the first live run has to confirm. Base URLs are defaults that the settings may
override.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import StrEnum
from typing import Any

from windowwatch.errors import InputError
from windowwatch.forecast.models import SURFACE


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
    levels_hpa : mapping of str to tuple of float
        Fields aloft wanted from it, each with its isobaric levels: a model may share them
        out among its products field by field. [hPa]
    near : tuple of str
        Names of `models.FIELDS` wanted from it near the ground.
    members : tuple of int or None
        Perturbation numbers; None for a run without ensemble header.
    file_per_member : bool
        Whether each member has files of its own.
    script : str
        Name of the area filter that serves these files, if one does.
    filter_path : str
        Where the area filter has them, if elsewhere than `path`.
    optional_hpa : tuple of float
        Levels that are asked for and never insisted on: older cycles lack them. [hPa]
    other_paths : tuple of str
        Names under which the same files may be found instead, tried in turn.
    spelled : mapping of str to (str, str)
        Fields that an index calls by another name and level than its adapter has them; ECMWF's
        have no level there.
    """

    name: str
    path: str
    levels_hpa: Mapping[str, tuple[float, ...]]
    near: tuple[str, ...]
    members: tuple[int | None, ...] = (None,)
    file_per_member: bool = False
    script: str = ""
    filter_path: str = ""
    optional_hpa: tuple[float, ...] = ()
    other_paths: tuple[str, ...] = ()
    spelled: Mapping[str, tuple[str, str]] = field(default_factory=dict)

    @property
    def fields(self) -> tuple[str, ...]:
        """Every field wanted from it, aloft first."""
        return (*self.levels_hpa, *self.near)

    @property
    def offered_hpa(self) -> tuple[float, ...]:
        """Levels on which anything is wanted, the lowest first. [hPa]"""
        return tuple(sorted({p for levels in self.levels_hpa.values() for p in levels})[::-1])

    def only(self, levels_hpa: Collection[float]) -> "Product":
        """The same product, of whose levels only these are wanted. [hPa]"""
        kept = {
            name: tuple(p for p in levels if p in levels_hpa)
            for name, levels in self.levels_hpa.items()
        }
        return replace(self, levels_hpa={name: levels for name, levels in kept.items() if levels})

    def file(self, cycle_utc: datetime, step_h: int, member: int | None, which: int = 0) -> str:
        """Path of one file below a host's root, under the first of its names or another."""
        run = "" if member is None else f"p{member:02d}" if member else "c00"
        return (self.path, *self.other_paths)[which].format(
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
    `field_bytes` is the mean size of one message of the whole globe [byte], `joined` how many
    wanted messages lie together on average. `at_once` bounds the files that are fetched at a
    time from a host whose root it names. Beyond `far_after_h` only steps that are multiples
    of `far_every_h` are fetched.
    """

    speech: Speech
    products: tuple[Product, ...]
    hosts: tuple[tuple[str, str], ...]
    grid_deg: float
    field_bytes: int
    workers: int = 8
    per_minute: float | None = None
    joined: float = 1.0
    at_once: Mapping[str, int] = field(default_factory=dict)
    far_after_h: int | None = None
    far_every_h: int = 6

    def steps(self, steps_h: Sequence[int]) -> tuple[int, ...]:
        """Those of the steps that are fetched by this route. [h]"""
        far = self.far_after_h
        return tuple(s for s in steps_h if far is None or s <= far or s % self.far_every_h == 0)

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
    sooner_min : mapping of int to int
        By how much the cycles of these hours of the day come in earlier. [min]
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
    sooner_min: Mapping[int, int] = field(default_factory=dict)

    @property
    def near(self) -> frozenset[str]:
        """Names of `models.FIELDS` near the ground that its files are known to hold."""
        return frozenset(name for item in self.routes[0].products for name in item.near)

    def after_min(self, cycle_hour: int) -> tuple[int, int]:
        """Minutes to the first and to the last step of the cycle of an hour of the day."""
        sooner = self.sooner_min.get(cycle_hour, 0)
        return self.first_after_min - sooner, self.last_after_min - sooner

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


#: Roots of hosts stand in pairs, as in `Route`.
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


def _gfs(grid: str, kind: str = "pgrb2") -> Product:
    path = f"gfs.{{Y}}/{{H}}/atmos/gfs.t{{H}}z.{kind}.{grid}.f{{F}}"
    return Product(
        grid,
        path,
        GFS_LEVELS,
        GFS_NEAR,
        script=f"filter_gfs_{grid}.pl",
    )


# Announced for version 17, in which nothing coarser than 0.25 degree is left.
_GFS_V17 = "gfs.{Y}/{H}/products/atmos/grib2/0p25/gfs.t{H}z.pres_a.0p25.f{F}.grib2"
_GFS_QUARTER = replace(_gfs("0p25"), other_paths=(_GFS_V17,))
# Sizes of messages and how they lie: as in tests/fetch/feeds. No whole index of IFS is there: its
# messages are taken to lie in no order (1 in 2.6 of a file is wanted).
_GFS_RANGES = Route(Speech.NOAA_INDEX, (_GFS_QUARTER,), GFS_FILES, 0.25, 790_000, joined=2.0)


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
        near,
        _GEFS_MEMBERS,
        True,
        f"filter_gefs_atmos_0p50{letter}.pl",
        spelled=GEFS_SPELLED,
    )
    for letter, levels, near in (
        ("a", GEFS_A_LEVELS, GEFS_A_NEAR),
        ("b", GEFS_B_LEVELS, GEFS_B_NEAR),
    )
)


def _ecmwf(model: str, name: str, kinds: str, near: tuple[str, ...]) -> Product:
    path = f"{{Y}}/{{H}}z/{model}/0p25/{kinds.split('-')[0]}/{{Y}}{{H}}0000-{{step}}h-{kinds}.grib2"
    return Product(name, path, ECMWF_LEVELS, near, optional_hpa=ECMWF_OPTIONAL)


_IFS = _ecmwf("ifs", "fc", "oper-fc", (*ECMWF_NEAR, "gust_mps", "cape_jpkg", *FIXED))
_ENS = replace(
    _ecmwf("ifs", "ef", "enfo-ef", ("wind_u_10m_mps", "wind_v_10m_mps", "gust_mps")),
    levels_hpa=ENS_LEVELS,
    members=tuple(range(1, 51)),
)
_AIFS = _ecmwf(
    "aifs-single",
    "fc",
    "oper-fc",
    (*ECMWF_NEAR, "cloud_low_pct", "cloud_middle_pct", "cloud_high_pct", *FIXED),
)


def _ecmwf_ranges(*products: Product, joined: float) -> Route:
    own = {ECMWF_OWN: 2}
    hosts = ECMWF_HOSTS
    return Route(Speech.ECMWF_INDEX, products, hosts, 0.25, 740_000, joined=joined, at_once=own)


_ECMWF_TOP = (
    "10 hPa is there since May 2026; where a cycle lacks it, flights above 50 hPa (about 20.6 km) "
    "are extrapolated; there is nothing between the two"
)
_GFS_DOUBT = "whether the area filter is still served and under these names"
_V17_NAMES = "names of version 17: the announced one is tried where the present one is not there"

MODELS: Mapping[str, Model] = {
    model.name: model
    for model in (
        Model(
            "gfs-0.25",
            "GFS, 0.25 degree",
            GFS_STEPS,
            (_filtered((_GFS_QUARTER,), 0.25, GFS_SCRIPTS), _GFS_RANGES),
            5.0,
            216,
            335,
            PUBLIC,
            NOAA_CREDIT.format(what="GFS"),
            (_GFS_DOUBT, _V17_NAMES),
        ),
        Model(
            "gfs-0.5",
            "GFS, 0.5 degree (ends with version 17 of GFS; then take gfs-0.25)",
            GFS_HALF_STEPS,
            (_filtered((_gfs("0p50", "pgrb2full"),), 0.5, GFS_SCRIPTS), _GFS_RANGES),
            5.0,
            216,
            335,
            PUBLIC,
            NOAA_CREDIT.format(what="GFS"),
            (
                _GFS_DOUBT,
                "0.5 degree ends with version 17; byte ranges of 0.25 degree are what is left then",
            ),
        ),
        Model(
            "gefs",
            "GEFS, 0.5 degree, control and 30 members",
            GEFS_STEPS,
            (
                _filtered(_GEFS, 0.5, GEFS_SCRIPTS),
                Route(
                    Speech.NOAA_INDEX,
                    _GEFS,
                    GEFS_FILES,
                    0.5,
                    190_000,
                    joined=3.1,
                ),
            ),
            5.0,
            228,
            408,
            PUBLIC,
            NOAA_CREDIT.format(what="GEFS"),
            ("names of the area filters and of the folder on the filter's host",),
        ),
        Model(
            "ifs",
            "ECMWF IFS, deterministic, 0.25 degree",
            IFS_STEPS,
            (_ecmwf_ranges(_IFS, joined=1.6),),
            10.0,
            454,
            464,
            CC_BY,
            ECMWF_CREDIT.format(what="open data, IFS"),
            (_ECMWF_TOP, "over how long each gust is the greatest; no ceiling, no visibility"),
            {6: 67, 18: 67},
        ),
        Model(
            "ifs-ens",
            "ECMWF IFS, ensemble of 50 and the control, 0.25 degree",
            IFS_STEPS,
            (_ecmwf_ranges(_IFS, _ENS, joined=1.6),),
            10.0,
            460,
            470,
            CC_BY,
            ECMWF_CREDIT.format(what="open data, IFS ensemble"),
            (_ECMWF_TOP, "very large by byte ranges: about 100 GB for a week"),
            {6: 36, 18: 36},
        ),
        Model(
            "aifs",
            "ECMWF AIFS single, 0.25 degree",
            AIFS_STEPS,
            (_ecmwf_ranges(_AIFS, joined=3.9),),
            10.0,
            325,
            415,
            CC_BY,
            ECMWF_CREDIT.format(what="open data, AIFS"),
            (_ECMWF_TOP, "no gust, ceiling or visibility; no height of the terrain since May 2026"),
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


def family(name: str) -> str:
    """Kind of weather model that a name stands for: ``gfs`` of ``gfs-0.25``."""
    return name.split("-")[0].lower()


def product_by(route: Route, product: Product) -> Product:
    """A product as this route has it: the area filter may find its files under another path."""
    if route.speech is Speech.NOAA_FILTER and product.filter_path:
        return replace(product, path=product.filter_path, other_paths=())
    return product


def akin(one: Route, other: Route) -> bool:
    """Whether files of two routes may stand in one cycle: same grid, same files, same fields."""
    return one.grid_deg == other.grid_deg and _contents(one) == _contents(other)


def _contents(route: Route) -> list[Product]:
    """Products of a route without what they are called."""
    names: dict[str, Any] = {"path": "", "filter_path": "", "script": "", "other_paths": ()}
    return [replace(product, spelled={}, **names) for product in route.products]
