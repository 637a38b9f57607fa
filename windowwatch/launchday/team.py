"""What a team brings to a launch: its countdown, cylinders, and who may say go. Pure."""

import difflib
from collections.abc import Sequence
from dataclasses import dataclass, replace

from windowwatch.errors import InputError
from windowwatch.launchday.countdown import DEFAULT_STEPS, Step, require_steps
from windowwatch.launchday.gas import Cylinder, DayFill, fill_of_day
from windowwatch.launchday.plan import Plan
from windowwatch.physics.fill import SiteAir

#: Flight levels of which air traffic is told the times. Common practice, no source.
USUAL_LEVELS_FL = (100, 200, 300)


@dataclass(frozen=True)
class GoSayer:
    """Somebody who may say go, and the channels on which they are asked."""

    name: str
    channels: tuple[str, ...] = ()


@dataclass(frozen=True)
class Team:
    """What is the same at every launch of a watch.

    Parameters
    ----------
    steps : tuple of Step
    go : tuple of GoSayer
        Who is asked about what is overdue; empty: everybody who is told of plans.
    cylinders : tuple of Cylinder
        As they are when nobody has read a gauge.
    left_pa : float
        Absolute pressure at which a cylinder gives no more. [Pa]
    flow_m3ps : float or None
        Of the regulator, as gas at 15 °C and 1013.25 hPa. [m³ s⁻¹]
    stations : tuple of (str, str)
        Site, and the location indicator of the aerodrome whose METAR stands for it.
    looks : str
        Size and colours of the train, for those who are told what flies there.
    levels_fl : tuple of int
        Flight levels of which air traffic is told the times. [hundreds of feet]
    """

    steps: tuple[Step, ...] = DEFAULT_STEPS
    go: tuple[GoSayer, ...] = ()
    cylinders: tuple[Cylinder, ...] = ()
    left_pa: float = 3e5
    flow_m3ps: float | None = None
    stations: tuple[tuple[str, str], ...] = ()
    looks: str = ""
    levels_fl: tuple[int, ...] = USUAL_LEVELS_FL

    def __post_init__(self) -> None:
        require_steps(self.steps)
        names = [each.name for each in self.cylinders]
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise InputError(f"two cylinders are called {twice!r}; give each a name of its own")

    @property
    def step_keys(self) -> tuple[str, ...]:
        """Keys of all steps, in the order in which they are due."""
        return tuple(step.key for step in require_steps(self.steps))

    @property
    def go_channels(self) -> tuple[str, ...]:
        """Channels of those who may say go; empty where nobody is named."""
        return tuple(dict.fromkeys(name for each in self.go for name in each.channels))

    def station(self, site: str) -> str | None:
        """The aerodrome whose METAR stands for a site, where one is named."""
        return dict(self.stations).get(site)

    def cylinders_at(self, plan: Plan) -> tuple[Cylinder, ...]:
        """Cylinders at the pressures that were read for a plan."""
        read = dict(plan.gauged)
        return tuple(
            replace(each, pressure_pa=read.get(each.name, each.pressure_pa))
            for each in self.cylinders
        )

    def fill_to(self, lift_kg: float, plan: Plan, air: SiteAir) -> DayFill:
        """The fill of a plan's train to a lift at the neck, out of the cylinders as they are now.

        Raises
        ------
        InputError
            If that lift cannot be had.
        """
        return fill_of_day(
            replace(plan.train, nozzle_lift_kg=lift_kg),
            air,
            self.cylinders_at(plan),
            left_pa=self.left_pa,
            flow_m3ps=self.flow_m3ps,
        )

    def step_called(self, name: str) -> Step:
        """The step that a person named by its key.

        Raises
        ------
        InputError
            If there is none; the nearest one is named.
        """
        return next(s for s in self.steps if s.key == called(name, self.step_keys, "step"))

    def cylinder_called(self, name: str) -> Cylinder:
        """The cylinder that a person named; raises as `step_called`."""
        names = [each.name for each in self.cylinders]
        found = called(name, names, "cylinder")
        return next(each for each in self.cylinders if each.name == found)


def called(name: str, known: Sequence[str], what: str) -> str:
    """The known name that a person meant, whatever the case of its letters.

    Raises
    ------
    InputError
        If there is none; the nearest one is named.
    """
    for each in known:
        if each.casefold() == name.strip().casefold():
            return each
    near = difflib.get_close_matches(name.casefold(), [each.casefold() for each in known], 1)
    meant = next((each for each in known if near and each.casefold() == near[0]), "")
    hint = f"; did you mean {meant}?" if meant else ""
    listed = ", ".join(known) or "none: the settings name none"
    raise InputError(f"no {what} is called {name!r}{hint} (there are: {listed})")
