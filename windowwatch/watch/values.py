"""A watch: everything one pass needs to know that is not weather."""

from dataclasses import dataclass

from windowwatch.errors import InputError
from windowwatch.ground.values import Ground
from windowwatch.notices.values import Channel
from windowwatch.physics.train import FlightTrain
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Site
from windowwatch.watch.span import Span
from windowwatch.windows.decisions import Decision
from windowwatch.windows.window import WindowRules


@dataclass(frozen=True)
class Watch:
    """One flight train, some sites, limits, a span of days, the people to tell.

    Parameters
    ----------
    name : str
        Results are stored under it.
    model : str
        Name of the weather model the files belong to.
    draws : int
        Flights for each launch hour and member.
    channels : tuple of Channel
        Who is told, and what each wants to hear.
    decisions : tuple of Decision
        What an open window asks people to decide, and when.
    """

    name: str
    model: str
    sites: tuple[Site, ...]
    train: FlightTrain
    span: Span
    draws: int
    plan: ScoringPlan
    rules: WindowRules
    ground: Ground
    channels: tuple[Channel, ...] = ()
    decisions: tuple[Decision, ...] = ()

    def __post_init__(self) -> None:
        if not self.sites:
            raise InputError(f"watch {self.name!r} has no site; give at least one")
        if self.draws < 1:
            raise InputError(f"watch {self.name!r} wants {self.draws} draws; give 1 or more")
