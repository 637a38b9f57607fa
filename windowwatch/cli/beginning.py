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
from windowwatch.launchday.plan import Plan, PlanState, stand
from windowwatch.physics.earth import distance_m
from windowwatch.physics.train import FlightTrain, Gas
from windowwatch.scoring.values import Site
from windowwatch.settings.read import Settings
from windowwatch.storage.flights import new_key

if TYPE_CHECKING:  # a flight without a forecast needs none of what reads one
    from windowwatch.physics.windgrid import WindGrid
    from windowwatch.storage.store import Store
    from windowwatch.watch.estimating import AirFrom

#: A report begins the flight of a launch whose planned release is nearer than this.
_ABOUT_NOW = timedelta(hours=3)
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
) -> Begun:
    """A new flight of what was given; `with_forecast` gets the forecast that it awaits.

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
    return Begun(
        key=new_key(),
        name=name,
        begun_utc=now_utc,
        latitude_deg=latitude,
        longitude_deg=longitude,
        height_m=height,
        train=train_of(settings, given),
        released_utc=None if released is None else time_said(released, now_utc),
        air=Air.NONE if settings is None or given["no_forecast"] else Air.AWAITED,
    )


def begin_by_report(
    settings: Settings, store: "Store", latitude_deg: float, longitude_deg: float, now_utc: datetime
) -> Begun:
    """The flight that a first report begins: released, nobody ticked when, from the nearest site.

    It is that of the launch that is planned there for about now, where one is.

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
    begun = begin(f"{site.name}, {now_utc:%Y-%m-%d}", settings, said, now_utc)
    stands = [
        stand(each.key, each.entries, now_utc) for each in store.all_plans(settings.watch.name)
    ]
    near = [
        plan
        for plan in stands
        if plan.site == site.name
        and (plan.coming or plan.state is PlanState.RELEASED)
        and abs(plan.release_utc - now_utc) < _ABOUT_NOW
    ]
    if not near:
        return begun
    return of_plan(begun, settings, min(near, key=lambda each: abs(each.release_utc - now_utc)))


def of_plan(begun: Begun, settings: Settings, plan: Plan) -> Begun:
    """The same as the flight of a planned launch: with its train, lift and release."""
    return replace(
        begun, train=plan.train, released_utc=plan.released_utc or begun.released_utc,
        plan=plan.key, watch=settings.watch.name,
    )  # fmt: skip


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


def air_source(settings: Settings) -> "AirFrom":
    """Where the forecast of a flight comes from: the settings' folder, or what was fetched."""
    from windowwatch.watch.estimating import AirFrom
    from windowwatch.watch.launchday.opening import OpenAs

    named = OpenAs(*settings.ledger_names())
    return AirFrom.of(settings.watch, settings.sources()[0].folder, named)


def with_forecast(
    begun: Begun, settings: Settings | None, store: "Store", now_utc: datetime
) -> "tuple[Begun, WindGrid | None]":
    """A flight with the forecast that it awaits; where there is none that is said."""
    if settings is None or begun.air is not Air.AWAITED:
        return begun, None
    from windowwatch.watch.estimating import errors_of, newest_air

    place = (begun.latitude_deg, begun.longitude_deg)
    try:
        forecast, air = newest_air(
            air_source(settings), store, place, begun.released_utc or now_utc
        )
    except WindowwatchError as error:
        click.echo(f"no forecast: {error.message}; followed without it", err=True)
        return replace(begun, air=Air.NONE), None
    errors = errors_of(settings.watch, store)
    return replace(begun, air=Air.FORECAST, forecast=forecast, errors=errors), air
