"""How much gas: the fill of the settings' train, or one for a wish, shown in the terminal."""

from dataclasses import dataclass

import click
from rich import box
from rich.console import Console
from rich.table import Table

from windowwatch.cli.show import print_note
from windowwatch.errors import InputError
from windowwatch.physics.atmosphere import standard_atmosphere
from windowwatch.physics.fill import (
    GAS_CAUTIONS,
    Fill,
    SiteAir,
    cylinders,
    explain_conflict,
    fill_for_ascent_rate,
    fill_for_burst_height,
    fill_for_gas,
    fill_for_lift,
    fill_time_s,
)
from windowwatch.physics.train import FlightTrain, descent_rate_mps, landing_energy_j
from windowwatch.scoring.values import Site
from windowwatch.units import KELVIN_AT_0_C


@dataclass(frozen=True)
class Wish:
    """What is wanted of a fill; at most one of the first three, or rate and burst together."""

    rate_mps: float | None = None
    burst_m: float | None = None
    gas_m3: float | None = None
    wind_mps: float | None = None
    temperature_c: float | None = None


@dataclass(frozen=True)
class Supply:
    """Where the gas comes from: cylinders, and how fast it flows."""

    cylinder_l: float = 50.0
    cylinder_bar: float = 200.0
    flow_m3pmin: float = 0.4


def show_fill(train: FlightTrain, site: Site, wish: Wish, supply: Supply) -> None:
    """Work a fill out for the air at a site, and show it with its warnings and cautions.

    Raises
    ------
    InputError
        If the wish cannot be had, with the reason; or if two wishes contradict.
    """
    console = Console()
    air = _air(site, wish)
    fill = _fill(train, air, wish)
    click.echo(
        f"Fill at {site.name}: {train.gas}, {air.temperature_k - KELVIN_AT_0_C:.0f} °C, "
        f"{air.pressure_pa / 100:.0f} hPa (standard air unless given)"
    )
    table = Table(box=box.SIMPLE, show_header=False, padding=(0, 1, 0, 0))
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    for what, value in _rows(fill, air, supply):
        table.add_row(what, value)
    console.print(table)
    conflict = None
    if wish.rate_mps is not None and wish.burst_m is not None:
        conflict = explain_conflict(train, wish.rate_mps, wish.burst_m, air)
    for words in (*fill.warnings, *([conflict] if conflict else [])):
        print_note(console, f"Note: {words}")
    print_note(console, GAS_CAUTIONS[train.gas])


def train_words(train: FlightTrain, site: Site) -> tuple[str, tuple[str, ...]]:
    """What the train of the settings comes to at a site, in a line, and what to be careful of.

    Raises
    ------
    InputError
        If its lift does not carry it, or bursts the balloon on the ground.
    """
    wish = Wish()
    fill = _fill(train, _air(site, wish), wish)
    words = (
        f"with {train.nozzle_lift_kg:g} kg of nozzle lift at {site.name} it takes "
        f"{fill.standard_volume_m3:.1f} m³ of {train.gas}, rises at {fill.mean_rate_mps:.1f} m/s "
        f"on average and bursts at about {fill.burst_height_m / 1000:.1f} km"
    )
    return words, fill.warnings


def _air(site: Site, wish: Wish) -> SiteAir:
    standard = standard_atmosphere(site.height_m)
    warmth = float(standard.temperature_k)
    if wish.temperature_c is not None:
        warmth = wish.temperature_c + KELVIN_AT_0_C
    return SiteAir(float(standard.pressure_pa), warmth)


def _fill(train: FlightTrain, air: SiteAir, wish: Wish) -> Fill:
    if wish.gas_m3 is not None and (wish.rate_mps is not None or wish.burst_m is not None):
        raise InputError("give an amount of gas, or what it is to do (--rate, --burst), not both")
    said = {"surface_wind_mps": wish.wind_mps, "wanted_burst_m": wish.burst_m}
    if wish.gas_m3 is not None:
        return fill_for_gas(train, wish.gas_m3, air, **said)
    if wish.rate_mps is not None:
        return fill_for_ascent_rate(train, wish.rate_mps, air, **said)
    if wish.burst_m is not None:
        return fill_for_burst_height(train, wish.burst_m, air, **said)
    return fill_for_lift(train, train.nozzle_lift_kg, air, **said)


def _rows(fill: Fill, air: SiteAir, supply: Supply) -> list[tuple[str, str]]:
    train = fill.train
    flow_m3ps = supply.flow_m3pmin / 60.0
    count = cylinders(
        train.gas,
        fill.standard_volume_m3,
        cylinder_m3=supply.cylinder_l / 1000.0,
        pressure_pa=supply.cylinder_bar * 1e5,
        temperature_k=air.temperature_k,
    )
    sinking = float(descent_rate_mps(train, air.density_kgpm3))
    energy = float(landing_energy_j(train, air.density_kgpm3))
    return [
        ("nozzle lift (on the scale)", f"{fill.nozzle_lift_kg:.2f} kg"),
        ("free lift", f"{train.free_lift_kg:.2f} kg"),
        ("total lift", f"{train.total_lift_kg:.2f} kg"),
        (
            "gas",
            f"{fill.standard_volume_m3:.2f} m³ at 15 °C and 1013 hPa, {fill.gas_mass_kg:.2f} kg",
        ),
        ("balloon when filled", f"{fill.volume_m3:.2f} m³, {fill.diameter_m:.2f} m across"),
        ("cylinders", f"{count} of {supply.cylinder_l:g} l at {supply.cylinder_bar:g} bar"),
        (
            "time to fill",
            f"{fill_time_s(fill.standard_volume_m3, flow_m3ps) / 60:.0f} min "
            f"at {supply.flow_m3pmin:g} m³ a minute",
        ),
        (
            "rises at",
            f"{fill.release_rate_mps:.1f} m/s at release, {fill.mean_rate_mps:.1f} on average",
        ),
        ("bursts at about", f"{fill.burst_height_m / 1000:.1f} km"),
        ("lands at", f"{sinking:.1f} m/s with {energy:.0f} J"),
    ]
