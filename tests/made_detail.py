"""What an invented hour is drawn with."""

from datetime import timedelta

import invented
import numpy as np

from windowwatch.physics.spread import Footprint
from windowwatch.scoring.values import Drive, Hour, HourDetail, Track


def detail(hour: Hour, *, west_deg: float = 0.0, points: int = 41) -> HourDetail:
    """Up to 31 km and down again, from Millfield to the hour's footprint, all moved westward."""
    mark = hour.footprint
    assert mark is not None
    site = invented.MILLFIELD
    share = np.linspace(0.0, 1.0, points)
    burst = int(points * 0.7)
    height = np.where(
        np.arange(points) <= burst,
        140.0 + (31_000.0 - 140.0) * np.arange(points) / burst,
        31_000.0 * (1.0 - (np.arange(points) - burst) / (points - 1 - burst)),
    )

    def line(start: float, end: float) -> tuple[float, ...]:
        return tuple((start + share * (end - start)).tolist())

    east = line(site.longitude_deg - west_deg, mark.longitude_deg)
    north = line(site.latitude_deg, mark.latitude_deg)
    start_s = hour.time_utc.timestamp()
    hours = timedelta(hours=2, minutes=11).total_seconds()
    track = Track(
        time_unix_s=line(start_s, start_s + hours),
        latitude_deg=north,
        longitude_deg=east,
        height_m=tuple(height.tolist()),
        u_mps=line(3.0, 20.0),
        v_mps=line(2.0, 8.0),
        temperature_k=line(288.0, 220.0),
        burst_index=burst,
    )
    spread = np.random.default_rng(7).normal(0.0, 0.03, (2, 60))
    return HourDetail(
        site=hour.site,
        time_utc=hour.time_utc,
        track=track,
        landing_latitude_deg=tuple((mark.latitude_deg + spread[0]).tolist()),
        landing_longitude_deg=tuple((mark.longitude_deg + spread[1]).tolist()),
        burst=Footprint(north[burst], east[burst], 128, 3000.0, 2000.0, 6000.0, 4000.0, 30.0),
        drive=Drive(hour.site, 48.0, north[::10], east[::10]),
    )
