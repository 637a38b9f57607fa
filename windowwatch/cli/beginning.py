"""A flight as it begins: its train, its place, and the forecast that it takes along."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import click

from windowwatch.chase.reports import FAR_RELEASE_M
from windowwatch.chase.said import height_said, place_said, time_said
from windowwatch.chase.values import Air, Begun
from windowwatch.errors import InputError, WindowwatchError
from windowwatch.physics.earth import distance_m
from windowwatch.physics.train import FlightTrain, Gas
from windowwatch.scoring.values import Site
from windowwatch.settings.read import Settings
from windowwatch.storage.flights import new_key

if TYPE_CHECKING:  # a flight without a forecast needs none of what reads one
    from windowwatch.physics.windgrid import WindGrid

#: No forecast reaches further; an older cycle is not even read.
_LONGEST = timedelta(days=16)
#: From so long before the beginning to so long after it a flight keeps its forecast. [s]
_BEFORE_S, _AFTER_S = 6 * 3600.0, 30 * 3600.0
#: Options by the field of the train that they give.
_TRAIN = {
    "balloon_mass_kg": "balloon",
    "payload_mass_kg": "payload",
    "nozzle_lift_kg": "lift",
    "burst_diameter_m": "burst_diameter",
    "parachute_area_m2": "canopy",
}


def begin(
    name: str, settings: Settings | None, given: Mapping[str, Any], now_utc: datetime
) -> "tuple[Begun, WindGrid | None]":
    """A new flight of what was given, and the forecast for it.

    Parameters
    ----------
    name : str
    settings : Settings or None
        Of a watch, where there is one.
    given : mapping
        Options as they were typed.
    now_utc : datetime

    Raises
    ------
    InputError
        If something is missing; the message says which option gives it.
    """
    latitude, longitude, height = place_of(settings, given)
    released = given["released"]
    begun = Begun(
        key=new_key(),
        name=name,
        begun_utc=now_utc,
        latitude_deg=latitude,
        longitude_deg=longitude,
        height_m=height,
        train=train_of(settings, given),
        released_utc=None if released is None else time_said(released, now_utc),
    )
    if settings is None or given["no_forecast"]:
        return begun, None
    return _with_forecast(begun, settings, now_utc)


def begin_by_report(
    settings: Settings, latitude_deg: float, longitude_deg: float, now_utc: datetime
) -> "tuple[Begun, WindGrid | None]":
    """The flight that a first report begins: released, nobody ticked when, from the nearest site.

    Raises
    ------
    InputError
        If no site is within reach of the place.
    """

    def away_m(site: Site) -> float:
        return float(distance_m(site.latitude_deg, site.longitude_deg, latitude_deg, longitude_deg))

    site = min(settings.watch.sites, key=away_m)
    if away_m(site) > FAR_RELEASE_M:
        raise InputError(
            "no flight is open, and no site of the settings is within "
            f"{FAR_RELEASE_M / 1e3:.0f} km of that place; begin one with "
            "`windowwatch flight begin NAME --place …`"
        )
    said: dict[str, Any] = dict.fromkeys(("place", "height", "released", "gas", *_TRAIN.values()))
    said |= {"site": site.name, "no_forecast": False}
    return begin(f"{site.name}, {now_utc:%Y-%m-%d}", settings, said, now_utc)


def _site(settings: Settings | None, name: str | None) -> Site | None:
    if name is None:
        return None
    if settings is None:
        raise InputError("--site names a site of a settings file; give --settings, or --place")
    from windowwatch.cli.common import site_called

    return site_called(settings, name)


def place_of(settings: Settings | None, given: Mapping[str, Any]) -> tuple[float, float, float]:
    """Release of what was given: latitude, longitude and height."""
    site = _site(settings, given["site"])
    if given["place"] is None and site is None:
        raise InputError("say where it is released: --site NAME, or --place with --height")
    if given["place"] is not None:
        if given["height"] is None:
            raise InputError("say how high the release is: --height, as 420m or 1380ft")
        return (*place_said(given["place"]), height_said(given["height"]))
    assert site is not None
    height = site.height_m if given["height"] is None else height_said(given["height"])
    return site.latitude_deg, site.longitude_deg, height


def train_of(settings: Settings | None, given: Mapping[str, Any]) -> FlightTrain:
    """The train of the settings, with what was given in its place."""
    said = {field: given[option] for field, option in _TRAIN.items() if given[option] is not None}
    if given["gas"] is not None:
        said["gas"] = Gas(given["gas"])
    if settings is not None:
        return replace(settings.watch.train, **said)
    missing = [f"--{o.replace('_', '-')}" for f, o in _TRAIN.items() if f not in said]
    if "gas" not in said:
        missing.append("--gas")
    if missing:
        raise InputError(
            f"without settings the flight train must be given: {', '.join(missing)} missing"
        )
    return FlightTrain(**said)


def _with_forecast(
    begun: Begun, settings: Settings, now_utc: datetime
) -> "tuple[Begun, WindGrid | None]":
    """The newest cycle of the settings' folder round the release, where it reaches so far."""
    from windowwatch.clock import to_unix_s
    from windowwatch.forecast.sources import load_cycle, scan_folder
    from windowwatch.watch.values import area_of

    source = settings.sources()[0]
    folder = source.folder
    if folder is None:
        click.echo("the forecast is fetched from the network: followed without it", err=True)
        return begun, None
    begun_at = begun.released_utc or now_utc
    here = Site("release", begun.latitude_deg, begun.longitude_deg, begun.height_m, "UTC")
    try:
        look = scan_folder(folder, model=source.model)
        if not look.cycles:
            raise InputError(f"{folder} holds no cycle")
        if begun_at - look.cycles[-1].cycle.reference_utc > _LONGEST:
            raise InputError("the newest cycle is too old for this time")
        wind = load_cycle(look.cycles[-1], area=area_of([here])).wind
    except WindowwatchError as error:
        click.echo(f"no forecast: {error.message}; followed without it", err=True)
        return begun, None
    moment = to_unix_s(begun_at)
    if not wind.time_unix_s[0] <= moment <= wind.time_unix_s[-1]:
        click.echo("the newest cycle does not hold this time: followed without it", err=True)
        return begun, None
    forecast = look.cycles[-1].cycle.id
    return replace(begun, air=Air.FORECAST, forecast=forecast), _around(wind, moment)


def _around(wind: "WindGrid", moment_unix_s: float) -> "WindGrid":
    """The steps that a flight can meet: a week of them would be read again at every report."""
    time = wind.time_unix_s
    first = max(int(time.searchsorted(moment_unix_s - _BEFORE_S, "right")) - 1, 0)
    last = min(int(time.searchsorted(moment_unix_s + _AFTER_S)) + 1, time.size)
    kept = slice(first, last)
    moisture = None if wind.moisture is None else wind.moisture[kept]
    return replace(wind, time_unix_s=time[kept], air=wind.air[:, kept], moisture=moisture)
