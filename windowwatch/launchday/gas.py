"""The fill on the day: how much gas goes in, from which cylinder, how long it takes. Pure.

Named rules
-----------
emptiest first
    Gas is taken from the cylinder that holds the least that will still flow, then from the
    next: what is left for a second try stays in the fullest ones. Common practice, no source.
as it is
    Cylinders are reckoned at the pressure that the gauge shows now and at their own
    temperature, with the real-gas factor; the balloon at the air of the site, moist as it is.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from windowwatch.errors import InputError
from windowwatch.physics.fill import (
    GAS_CONSTANT,
    STANDARD_PRESSURE_PA,
    STANDARD_TEMPERATURE_K,
    Fill,
    SiteAir,
    amount_mol,
    fill_for_lift,
    fill_time_s,
)
from windowwatch.physics.train import FlightTrain, Gas


@dataclass(frozen=True)
class Cylinder:
    """One cylinder as it stands at the site.

    Parameters
    ----------
    name : str
        What is painted on it.
    volume_m3 : float
        Water volume. [m³]
    pressure_pa : float
        Absolute, now. [Pa]
    temperature_k : float
        Of the gas in it. [K]
    """

    name: str
    volume_m3: float
    pressure_pa: float
    temperature_k: float = STANDARD_TEMPERATURE_K

    def __post_init__(self) -> None:
        if not 0.0 < self.volume_m3 <= 5.0:
            raise InputError(
                f"cylinder {self.name}: a water volume of {self.volume_m3 * 1e3:g} l; give 1 to "
                "5000 (a common one has 50)"
            )
        if not 0.0 < self.pressure_pa <= 1e8:
            raise InputError(
                f"cylinder {self.name}: {self.pressure_pa / 1e5:g} bar; give 0 to 1000"
            )
        if not 220.0 <= self.temperature_k <= 340.0:
            raise InputError(
                f"cylinder {self.name}: {self.temperature_k - 273.15:.0f} °C; give -50 to 65"
            )

    def amount_mol(self, gas: Gas, pressure_pa: float) -> float:
        """How much gas it holds at a pressure. [mol]"""
        return amount_mol(gas, self.volume_m3, pressure_pa, self.temperature_k)


@dataclass(frozen=True)
class Drawn:
    """What is taken from one cylinder: its pressure before and after, absolute. [Pa]"""

    name: str
    from_pa: float
    to_pa: float


@dataclass(frozen=True)
class DayFill:
    """The fill of a launch.

    Attributes
    ----------
    fill : Fill
        Lift, gas, size, ascent rate and burst.
    drawn : tuple of Drawn
        In the order in which cylinders are opened; those that stay closed are not in it.
    short_m3 : float
        Gas that is missing, at 15 °C and 1013.25 hPa; 0 when there is enough. [m³]
    time_s : float or None
        How long gas flows; None where the flow is not known. [s]
    left_m3 : float
        Usable gas that is left, at 15 °C and 1013.25 hPa. [m³]
    second_tries : float
        How many more such fills that is. [1]
    """

    fill: Fill
    drawn: tuple[Drawn, ...]
    short_m3: float
    time_s: float | None
    left_m3: float
    second_tries: float


def fill_of_day(
    train: FlightTrain,
    air: SiteAir,
    cylinders: Sequence[Cylinder],
    *,
    left_pa: float,
    flow_m3ps: float | None = None,
) -> DayFill:
    """The fill to the lift of a train, out of cylinders as they stand.

    Parameters
    ----------
    train : FlightTrain
        With the lift that is to be reached at the neck.
    air : SiteAir
    cylinders : sequence of Cylinder
    left_pa : float
        Absolute pressure at which a cylinder gives no more. [Pa]
    flow_m3ps : float, optional
        Of the regulator, as gas at 15 °C and 1013.25 hPa. [m³ s⁻¹]

    Raises
    ------
    InputError
        If the lift cannot be had at all, or a number cannot be.
    """
    names = [each.name for each in cylinders]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise InputError(f"two cylinders are called {twice!r}; give each a name of its own")
    if not left_pa > 0.0:
        raise InputError(f"a cylinder cannot be emptied to {left_pa / 1e5:g} bar")
    fill = fill_for_lift(train, train.nozzle_lift_kg, air)
    per_m3 = STANDARD_PRESSURE_PA / (GAS_CONSTANT * STANDARD_TEMPERATURE_K)
    needed = fill.standard_volume_m3 * per_m3
    drawn, left = [], 0.0
    usable = {c.name: _usable_mol(train.gas, c, left_pa) for c in cylinders}
    for each in sorted(cylinders, key=lambda c: usable[c.name]):
        taken = min(needed, usable[each.name])
        if taken > 1e-9:
            held = each.amount_mol(train.gas, each.pressure_pa) - taken
            drawn.append(Drawn(each.name, each.pressure_pa, _pressure_pa(train.gas, each, held)))
        needed -= taken
        left += usable[each.name] - taken
    left_m3 = left / per_m3
    return DayFill(
        fill=fill,
        drawn=tuple(drawn),
        short_m3=max(needed, 0.0) / per_m3 if needed > 1e-6 else 0.0,
        time_s=None if flow_m3ps is None else fill_time_s(fill.standard_volume_m3, flow_m3ps),
        left_m3=left_m3,
        second_tries=left_m3 / fill.standard_volume_m3,
    )


def _usable_mol(gas: Gas, cylinder: Cylinder, left_pa: float) -> float:
    """Gas that flows out of a cylinder before it is at the lowest pressure. [mol]"""
    if cylinder.pressure_pa <= left_pa:
        return 0.0
    full = cylinder.amount_mol(gas, cylinder.pressure_pa)
    return full - cylinder.amount_mol(gas, left_pa)


def _pressure_pa(gas: Gas, cylinder: Cylinder, amount_mol: float) -> float:
    """Pressure of a cylinder that holds an amount, by halving: it rises with the amount. [Pa]"""
    low, high = 0.0, cylinder.pressure_pa
    for _ in range(60):
        middle = 0.5 * (low + high)
        if cylinder.amount_mol(gas, middle) > amount_mol:
            high = middle
        else:
            low = middle
    return 0.5 * (low + high)
