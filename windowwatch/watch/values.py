"""A watch: everything one pass needs to know that is not weather."""

from dataclasses import dataclass, field, replace
from datetime import timedelta

from windowwatch.errors import InputError
from windowwatch.ground.query.features import Ground
from windowwatch.notices.values import Channel
from windowwatch.physics.train import FlightTrain
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Site
from windowwatch.storage.cycles import Role
from windowwatch.watch.span import Span
from windowwatch.windows.agreement import AgreementRules
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
    hold_advice_before : timedelta, optional
        Hold advice on a window is told so long before its first release; never when None.
    page_url : str, optional
        Address of the page, for links in long notices.
    others : tuple of str
        Names of weather models that are asked what they think; `model` decides.
    agreement : AgreementRules
        When those have a say, and when it is told that they disagree.
    role : Role
        Opinion where this is the watch as one of `others` sees it.
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
    hold_advice_before: timedelta | None = None
    page_url: str | None = None
    others: tuple[str, ...] = ()
    agreement: AgreementRules = field(default_factory=AgreementRules)
    role: Role = Role.PRIMARY

    def __post_init__(self) -> None:
        if not self.sites:
            raise InputError(f"watch {self.name!r} has no site; give at least one")
        if self.draws < 1:
            raise InputError(f"watch {self.name!r} wants {self.draws} draws; give 1 or more")
        models = (self.model, *self.others)
        if len(set(models)) < len(models):
            raise InputError(
                f"watch {self.name!r} names a weather model twice ({', '.join(models)}); name "
                "each once"
            )

    def as_seen_by(self, model: str) -> "Watch":
        """The watch of another weather model: its hours are kept as an opinion.

        Raises
        ------
        InputError
            If the watch does not ask that model.
        """
        if model not in self.others:
            raise InputError(f"watch {self.name!r} does not ask the weather model {model!r}")
        return replace(self, model=model, others=(), role=Role.OPINION)
