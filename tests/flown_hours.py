"""Hours of the demonstration as they were flown: what generated weeks are calibrated on.

``python tests/flown_hours.py DATABASE`` writes `flown_hours.json.gz` anew from the database that a
rehearsal left (``windowwatch rehearse`` names it at its end).
"""

import gzip
import json
import sys
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from windowwatch.forecast.cycle import Cycle
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.opinions import own_view
from windowwatch.scoring.values import Check, Hour, Part, Verdict
from windowwatch.storage.store import open_store

FLOWN = Path(__file__).with_name("flown_hours.json.gz")
#: The site, metres and degrees: where each stands.
SITES = {
    "Brackwater": (46.10, -36.60),
    "Millfield": (45.60, -35.90),
    "Highmoor": (46.70, -35.50),
}
KM_A_DEGREE = 111.2
#: Hours of daylight, in which all windows lie. [h UTC]
DAYLIGHT = range(7, 20)
#: Differences that make two hours equally unlike: landing east and north [km], time of day [h],
#: gust [m/s], rain [mm/h], lead time [h]. Judgement.
SCALES = (10.0, 10.0, 1.0, 0.6, 0.2, 60.0)
#: The cycles that a rehearsal flies.
CYCLES = (
    *(f"skerra-2026-05-04T{hour:02d}Z" for hour in (0, 6, 12, 18)),
    *(f"skerra-b-2026-05-04T{hour:02d}Z" for hour in (6, 12)),
)


@dataclass(frozen=True)
class Library:
    """Every flown hour by site, with what it is looked up by.

    Attributes
    ----------
    hours : mapping of str to list of Hour
        By site.
    keys : mapping of str to array [N, 6]
        In units of `SCALES`.
    weather : mapping of str to array [site, hour, 4]
        By cycle: landing east and north of the site [km], gust [m/s], rain [mm/h]; NaN where
        an hour was not flown.
    times : tuple of datetime
        Launch hours of the second axis.
    """

    hours: dict[str, list[Hour]]
    keys: dict[str, NDArray[np.float64]]
    weather: dict[str, NDArray[np.float64]]
    times: tuple[datetime, ...]


def east_north_km(site: str, latitude_deg: float, longitude_deg: float) -> tuple[float, float]:
    """Of a landing, seen from its site; flat, which does for distances of a day's drive."""
    lat, lon = SITES[site]
    east = (longitude_deg - lon) * KM_A_DEGREE * float(np.cos(np.radians(lat)))
    return east, (latitude_deg - lat) * KM_A_DEGREE


def latitude_longitude(site: str, east: float, north: float) -> tuple[float, float]:
    """The other way round. [deg]"""
    lat, lon = SITES[site]
    away = east / KM_A_DEGREE / float(np.cos(np.radians(lat)))
    return lat + north / KM_A_DEGREE, lon + away


def load(path: Path = FLOWN) -> Library:
    """Read the flown hours."""
    hours: dict[str, list[Hour]] = {site: [] for site in SITES}
    keys: dict[str, list[tuple[float, ...]]] = {site: [] for site in SITES}
    rows = [
        (cycle, _hour(values), values)
        for cycle, values in json.loads(gzip.decompress(path.read_bytes()))
    ]
    times = tuple(sorted({hour.time_utc for _, hour, _ in rows}))
    at = {time: number for number, time in enumerate(times)}
    weather = {
        cycle: np.full((len(SITES), len(times), 4), np.nan) for cycle in {row[0] for row in rows}
    }
    for cycle, hour, values in rows:
        if hour.footprint is None:
            continue
        place = hour.footprint
        east, north = east_north_km(hour.site, place.latitude_deg, place.longitude_deg)
        gust, rain = values["gust"], values["rain"]
        weather[cycle][list(SITES).index(hour.site), at[hour.time_utc]] = east, north, gust, rain
        lead = (hour.time_utc - Cycle.of_id(cycle).reference_utc).total_seconds() / 3600.0
        hours[hour.site].append(hour)
        keys[hour.site].append((east, north, hour.time_utc.hour, gust, rain, lead))
    scaled = {site: np.array(found) / np.array(SCALES) for site, found in keys.items()}
    return Library(hours, scaled, weather, times)


def _hour(values: dict[str, Any]) -> Hour:
    checks = tuple(_check(each) for each in values["checks"])
    place = values["footprint"]
    return Hour(
        site=values["site"],
        time_utc=datetime.fromisoformat(values["time_utc"]),
        verdict=Verdict(values["verdict"]),
        score=values["score"],
        chance=values["chance"],
        chance_low=None,
        chance_high=None,
        parts={},
        checks=checks,
        worst=tuple(check.name for check in checks),
        footprint=None if place is None else Footprint(*place),
        drift_km=values["drift_km"],
        bearing_deg=values["bearing_deg"],
        road_km=values["road_km"],
    )


def _check(values: list[Any]) -> Check:
    name, part, verdict, value, unit, fine, limit, desirability, hard = values
    margin = None if value is None or limit is None else limit - value
    return Check(
        name, Part(part), Verdict(verdict), value, unit, fine, limit, margin, desirability, hard
    )


def _plain(hour: Hour) -> dict[str, Any]:
    by_name = {check.name: check.value for check in hour.checks}
    place = hour.footprint

    def short(value: float | None, digits: int = 2) -> float | None:
        return None if value is None else round(value, digits)

    return {
        "site": hour.site,
        "time_utc": hour.time_utc.isoformat(),
        "verdict": str(hour.verdict),
        "score": short(hour.score, 1),
        "chance": short(hour.chance, 3),
        "drift_km": short(hour.drift_km, 1),
        "bearing_deg": short(hour.bearing_deg, 0),
        "road_km": short(hour.road_km, 1),
        "gust": short(by_name.get("gust") or 0.0),
        "rain": short(by_name.get("precipitation") or 0.0),
        "footprint": None
        if place is None
        else [
            short(place.latitude_deg, 4),
            short(place.longitude_deg, 4),
            place.flights,
            *(round(r) for r in (place.major_50_m, place.minor_50_m)),
            *(round(r) for r in (place.major_90_m, place.minor_90_m)),
            round(place.bearing_deg),
        ],
        "checks": [
            [c.name, str(c.part), str(c.verdict), short(c.value, 3), c.unit, c.fine, c.limit,
             short(c.desirability, 3), c.hard]
            for c in hour.worst_checks[:2]
        ],
    }  # fmt: skip


def main(database: str) -> None:
    """Write the file from a rehearsal's database."""
    store = open_store(f"sqlite:///{database}")
    rows = []
    for cycle in CYCLES:
        for hour in store.hours("skerra demo", cycle):
            if hour.time_utc.hour in DAYLIGHT:
                rows.append(json.dumps([cycle, _plain(own_view(hour))], separators=(",", ":")))
    text = "[" + ",\n".join(rows) + "]\n"
    FLOWN.write_bytes(gzip.compress(text.encode("utf-8"), mtime=0))
    store.close()


if __name__ == "__main__":
    main(sys.argv[1])
