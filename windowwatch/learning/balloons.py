"""What flights teach about balloons and parachutes: conjugate, flight by flight. Pure.

Every flight measures three things: the diameter at which its balloon burst, the factor on its
drag, and the drag coefficient of its canopy. The logarithm x of each is taken as normal from
flight to flight, with mean m and variance v that nobody knows, and is measured with a doubt s of
its own. The prior is that of the normal distribution's conjugate family, the normal inverse
chi-square [1]_: v is scaled inverse chi-square with ν degrees of freedom and scale σ², and m given
v is normal round μ with variance v / κ. A flight with weight w then gives

    κ' = κ + w,    μ' = μ + w (x - μ) / κ',    ν' = ν + 1,
    ν' σ'² = ν σ² + κ w (x - μ)² / κ',

and the next flight's x is Student t with ν' degrees of freedom, round μ', of scale²
σ'² (1 + 1/κ'). Order does not matter. The weight is that of known variances [2]_,
w = u / (u + s²), with u the variance from flight to flight that the prior expects: a flight that is
measured well counts as one, a badly measured one for less. Taking u from the prior is what keeps
the update closed; where flights differ much more or less than that, weights are a little off, and
the mean is still their weighted mean.

The prior is what the first flight of that balloon, or parachute, was begun with, and counts as
`PRIOR_FLIGHTS` flights for the mean and `PRIOR_DEGREES` for the variance, so that before any flight
the next one is as doubtful as its settings say. Settings that were learned later do not come in
again.

References
----------
.. [1] A. Gelman et al., "Bayesian Data Analysis", third edition (2013), section 3.3.
.. [2] M. H. DeGroot, "Optimal Statistical Decisions" (1970), section 9.6 (from memory).
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from math import exp, log, sqrt

from windowwatch.physics.train import FlightTrain

#: What the prior counts for. [1] Judgement: four good flights outweigh the table.
PRIOR_FLIGHTS, PRIOR_DEGREES = 4.0, 8.0
#: A flight that counts for less than this says nothing, and is left out. [1] Judgement.
LEAST_WEIGHT = 0.1
#: Narrower than this no doubt in the settings becomes by flights. [1] Judgement.
NARROWEST = 0.01


class Trait(StrEnum):
    """What a flight measures of its balloon or parachute."""

    BURST = "burst diameter"
    DRAG = "drag factor"
    CANOPY = "canopy drag coefficient"


@dataclass(frozen=True)
class Seen:
    """One trait as one flight showed it: its natural logarithm, and the doubt of that.

    Of a diameter in metres, and of a factor or a coefficient.
    """

    trait: Trait
    log_value: float
    sigma: float


@dataclass(frozen=True)
class Kit:
    """By what names balloons and parachutes are told apart."""

    balloon: str
    parachute: str


def kit_of(train: FlightTrain, balloon: str = "", parachute: str = "") -> Kit:
    """Kit of a train: as it was named, else by mass of the balloon and fabric of the canopy."""
    return Kit(
        balloon or f"{train.balloon_mass_kg:g} kg", parachute or f"{train.parachute_area_m2:g} m²"
    )


@dataclass(frozen=True)
class Belief:
    """What is believed of the logarithm of a trait.

    Attributes
    ----------
    mean, weight : float
        μ, and κ in flights.
    degrees, squares : float
        ν, and ν σ².
    usual2 : float
        Variance from flight to flight that the first prior expected, for weights.
    flights : int
        So many are in it.
    """

    mean: float
    weight: float
    degrees: float
    squares: float
    usual2: float
    flights: int = 0

    @property
    def scale2(self) -> float:
        """σ²; none is known without degrees of freedom."""
        return self.squares / self.degrees if self.degrees > 0.0 else float("nan")

    @property
    def mean_sigma(self) -> float:
        """Doubt of the mean: one standard deviation."""
        return sqrt(self.scale2 / self.weight * self._wider)

    @property
    def next_sigma(self) -> float:
        """Doubt of the next flight's value: one standard deviation."""
        return sqrt(self.scale2 * (1.0 + 1.0 / self.weight) * self._wider)

    @property
    def _wider(self) -> float:
        """Variance of a Student t distribution over its scale²; none is known below ν = 2."""
        return self.degrees / (self.degrees - 2.0) if self.degrees > 2.0 else float("nan")


def prior(
    value: float,
    sigma: float,
    *,
    flights: float = PRIOR_FLIGHTS,
    degrees: float = PRIOR_DEGREES,
) -> Belief:
    """What is believed before any flight.

    Parameters
    ----------
    value : float
        Centre, above zero.
    sigma : float
        Fraction by which the next flight differs from it: one standard deviation. [1]
    flights, degrees : float
        What it counts for; `degrees` above 2.
    """
    squares = sigma**2 * (degrees - 2.0) / (1.0 + 1.0 / flights)
    return Belief(log(value), flights, degrees, squares, squares / (degrees - 2.0))


def weight_of(belief: Belief, sigma: float) -> float:
    """For how much of a flight a measurement of some doubt counts. [1]"""
    whole = belief.usual2 + sigma**2
    return belief.usual2 / whole if whole > 0.0 else 1.0


def learned(belief: Belief, log_value: float, weight: float = 1.0) -> Belief:
    """What is believed after one more flight."""
    total = belief.weight + weight
    off = log_value - belief.mean
    squares = belief.squares + belief.weight * weight * off**2 / total
    mean = belief.mean + weight * off / total
    return Belief(mean, total, belief.degrees + 1.0, squares, belief.usual2, belief.flights + 1)


@dataclass(frozen=True)
class Lesson:
    """A flight of which something can be learned: the train as it was begun with, and seen."""

    flight: str
    released_utc: datetime
    kit: Kit
    train: FlightTrain
    seen: tuple[Seen, ...]


@dataclass(frozen=True)
class Step:
    """How one flight moved what was believed of a trait; `weight` 0 where it said nothing."""

    flight: str
    seen: Seen
    weight: float
    before: Belief
    after: Belief


@dataclass(frozen=True)
class Course:
    """What was believed of one trait, from the first flight of its kind on."""

    trait: Trait
    kind: str
    first: Belief
    steps: tuple[Step, ...]

    @property
    def last(self) -> Belief:
        """What is believed now."""
        return self.steps[-1].after if self.steps else self.first


#: Of each trait the settings: its value and its doubt.
KEYS: Mapping[Trait, tuple[str, str]] = {
    Trait.BURST: ("burst_diameter_m", "burst_sigma"),
    Trait.DRAG: ("drag_factor", "drag_sigma"),
    Trait.CANOPY: ("parachute_drag_coefficient", "canopy_sigma"),
}


def kind_of(trait: Trait, kit: Kit, train: FlightTrain) -> str:
    """What is learned together: a drag factor only with those on the same drag."""
    if trait is Trait.CANOPY:
        return kit.parachute
    if trait is Trait.BURST:
        return kit.balloon
    base = train.balloon_drag_coefficient
    return f"{kit.balloon}, drag {train.drag_curve if base is None else f'{base:g}'}"


def courses(lessons: Iterable[Lesson]) -> tuple[Course, ...]:
    """What is believed of every trait of every kind, flight by flight in order of time."""
    found: dict[tuple[Trait, str], tuple[Belief, list[Step]]] = {}
    for lesson in sorted(lessons, key=lambda each: (each.released_utc, each.flight)):
        for seen in lesson.seen:
            value, sigma = (getattr(lesson.train, key) for key in KEYS[seen.trait])
            kind = seen.trait, kind_of(seen.trait, lesson.kit, lesson.train)
            first, steps = found.setdefault(kind, (prior(value, max(sigma, NARROWEST)), []))
            now = steps[-1].after if steps else first
            weight = weight_of(first, seen.sigma)
            if weight < LEAST_WEIGHT:
                steps.append(Step(lesson.flight, seen, 0.0, now, now))
                continue
            after = learned(now, seen.log_value, weight)
            steps.append(Step(lesson.flight, seen, weight, now, after))
    return tuple(
        Course(trait, kind, first, tuple(steps))
        for (trait, kind), (first, steps) in sorted(found.items())
    )


@dataclass(frozen=True)
class TrainLine:
    """One trait as the settings have it, and as flights say.

    Attributes
    ----------
    key, sigma_key : str
        Of the table of the train.
    now, sigma_now : float
        As it is set.
    value, sigma : float
        As it is believed, and the doubt of the next flight, as a fraction.
    value_sigma : float
        Doubt of the value itself, as a fraction. [1]
    flights : int
    """

    trait: Trait
    kind: str
    key: str
    sigma_key: str
    now: float
    sigma_now: float
    value: float
    sigma: float
    value_sigma: float
    flights: int


def train_lines(train: FlightTrain, kit: Kit, found: Iterable[Course]) -> tuple[TrainLine, ...]:
    """What flights say that the settings of a train should be, in the order of the settings.

    Traits that no flight of such a kit has measured are left out.
    """
    known = {(each.trait, each.kind): each for each in found}
    lines = []
    for trait, (key, sigma_key) in KEYS.items():
        course = known.get((trait, kind_of(trait, kit, train)))
        if course is None or course.last.flights == 0:
            continue
        last, now = course.last, getattr(train, key)
        sigma = max(last.next_sigma, NARROWEST)
        lines.append(
            TrainLine(
                trait=trait,
                kind=course.kind,
                key=key,
                sigma_key=sigma_key,
                now=now,
                sigma_now=getattr(train, sigma_key),
                value=exp(last.mean),
                sigma=sigma,
                value_sigma=last.mean_sigma,
                flights=last.flights,
            )
        )
    return tuple(lines)
