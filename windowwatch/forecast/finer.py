"""Finer weather models for the air near the ground at sites in their area, as a table. Pure.

They stand beside the deciding model: nothing flies through them, so only fields near the ground
are fetched. Rows are as in `catalogue`, with the area that a model covers.

HRRR's paths, hosts, form and sizes are those of NOAA's public pages (its index speaks as that
of GFS does). The numbers of its grid, and that each of these fields stands in the index by GFS's
name, are from memory: the file's own keys count when it is read, and `doubts` says so.

AROME (Météo-France) is not here. Its packages come without an index, whole (about 1.1 GB for
24 hours near the ground), and which message lies in which package under which numbers is in no
documentation that could be tested against without asking the server.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from windowwatch.forecast.download import catalogue
from windowwatch.forecast.download.catalogue import MODELS, Model, Product, Route, Speech, family
from windowwatch.forecast.grib.grid import LambertConformal, LambertGrid
from windowwatch.units import Place


@dataclass(frozen=True)
class FinerModel:
    """A model for the air near the ground, and the grid that it is expected on."""

    model: Model
    grid: LambertGrid

    def has(self, place: Place) -> bool:
        """Whether a place lies in its area."""
        latitude, longitude = np.array(place.latitude_deg), np.array(place.longitude_deg)
        return bool(self.grid.has(latitude, longitude))

    @property
    def name(self) -> str:
        """As in settings."""
        return self.model.name

    @property
    def long_cycles(self) -> tuple[int, ...]:
        """Hours of the day whose cycles reach farthest: only these are fetched. [h]"""
        reach = {hour: self.model.steps_h(hour)[-1] for hour in self.model.steps}
        return tuple(hour for hour, last in reach.items() if last == max(reach.values()))


_HRRR_NEAR = (
    "wind_u_10m_mps",
    "wind_v_10m_mps",
    "gust_mps",
    "cloud_low_pct",
    "cloud_middle_pct",
    "cloud_high_pct",
    "cloud_total_pct",
    "ceiling_m",
    "visibility_m",
    "precipitation_rate_mmph",
    "precipitation_mm",
    "orography",
)
_HRRR = Product(
    "sfc",
    "hrrr.{Y}/conus/hrrr.t{H}z.wrfsfcf{step:02d}.grib2",
    {},
    _HRRR_NEAR,
)
_HRRR_GRID = LambertGrid(
    LambertConformal(38.5, 38.5, 262.5, 6_371_229.0),
    1799,
    1059,
    21.138123,
    237.280472,
    3000.0,
    3000.0,
    along_grid=True,
)

FINER: Mapping[str, FinerModel] = {
    "hrrr": FinerModel(
        Model(
            "hrrr",
            "HRRR, 3 km, contiguous United States, near the ground",
            {hour: ((0, 18 if hour % 6 else 48, 1),) for hour in range(24)},
            # messages are taken to lie in no order: 1.0 is the most that it can cost
            (
                Route(
                    Speech.NOAA_INDEX,
                    (_HRRR,),
                    catalogue.HRRR_FILES,
                    0.03,
                    1_000_000,
                    workers=4,
                ),
            ),
            1000.0,
            55,
            115,
            catalogue.PUBLIC,
            catalogue.NOAA_CREDIT.format(what="HRRR"),
            (
                "whether each field stands in the index by the name that GFS has for it",
                "what a ceiling is where there is none: where it is missing, clouds and "
                "visibility are taken from the deciding model",
                "when steps come in; a cycle that is not whole is not waited for",
            ),
        ),
        _HRRR_GRID,
    )
}


def attribution(label: str, cycle_utc: datetime) -> str | None:
    """Line to be shown wherever data of a model are; None for one that is not in the table.

    Parameters
    ----------
    label : str
        What cycles are called in results: a name of the table, or the kind (``gfs``, ``ifs``).
    cycle_utc : datetime
        Reference time of the cycle.
    """
    for known in (*MODELS.values(), *(finer.model for finer in FINER.values())):
        if label.lower() in (known.name, family(known.name)):
            return known.credit(cycle_utc)
    return None
