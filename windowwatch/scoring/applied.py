"""A rule set put to use: the class of a train, and what it lays on the checks."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from windowwatch.scoring.limits import Limit
from windowwatch.scoring.rules import (
    Classification,
    Duty,
    Package,
    RuleLimit,
    RuleSet,
    classify,
    limits_of,
)


@dataclass(frozen=True)
class AppliedRules:
    """A rule set, and the class in which it puts a train.

    `laid` tells whether its limits are laid on the director's own.
    """

    rules: RuleSet
    found: Classification
    laid: bool = True

    @classmethod
    def of(
        cls,
        rules: RuleSet,
        packages: Sequence[Package],
        separation_n: float | None = None,
        *,
        laid: bool = True,
    ) -> "AppliedRules":
        """The rule set applied to a train; parameters and errors as of `rules.classify`."""
        return cls(rules, classify(rules, packages, separation_n), laid)

    def limits(self, asked: Mapping[str, Limit]) -> Mapping[str, Limit]:
        """The director's limits, made stricter where the rule asks it of this class."""
        if not self.laid or self.found.name is None:
            return asked
        return limits_of(self.rules, self.found.name, asked)

    @property
    def limits_here(self) -> tuple[RuleLimit, ...]:
        """Limits that the rule lays on checks of this class."""
        return tuple(each for each in self.rules.limits if self.found.name in each.classes)

    @property
    def duties_here(self) -> tuple[Duty, ...]:
        """What else is asked of this class."""
        return () if self.found.name is None else self.rules.duties_of(self.found.name)

    @property
    def notice_h(self) -> float | None:
        """The longest notice that the rule asks of this class; None for none. [h]"""
        asked = [each.notice_h for each in self.duties_here if each.notice_h is not None]
        return max(asked, default=None)
