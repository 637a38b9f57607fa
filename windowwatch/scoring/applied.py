"""A rule set put to use: the class of a train, what it lays on the checks, and both in words."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar

from windowwatch.scoring.limits import LIMITS, Limit
from windowwatch.scoring.rules import (
    Classification,
    Duty,
    Package,
    RuleLimit,
    RuleSet,
    Status,
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

    def of_check(self, name: str) -> str:
        """Which entries of the rule are about a check, in words; empty for none."""
        return "; ".join(_of_limit(self.rules, each) for each in self.limits_here
                         if each.check == name and self.laid)  # fmt: skip

    def in_force(self) -> tuple[str, ...]:
        """The class, and where the rule's limits lie on the checks: for below an hour."""
        return (self.found.said, *(_of_limit(self.rules, each) for each in self.limits_here
                                   if self.laid))  # fmt: skip

    #: Which line of `listing` names the class.
    CLASS_LINE: ClassVar[int] = 1

    def listing(self) -> tuple[str, ...]:
        """The whole rule set in words: title, class, limits, duties, and who decides."""
        rules = self.rules
        unknown = "" if self.found.name else " (the class is not known: nothing is laid on checks)"
        return (
            f"{rules.title}: {rules.source}; edition {rules.edition}, "
            f"collected on {rules.collected_on:%Y-%m-%d}",
            f"{self.found.said}{unknown}",
            *(
                f"{_of_limit(rules, each)}" + ("" if self.laid else " (not laid on the checks)")
                for each in self.limits_here
            ),
            *(
                f"{rules.name} {each.paragraph}{_known(each.status)} asks: {each.says}"
                for each in self.duties_here
            ),
        )


def _known(status: Status) -> str:
    return "" if status is Status.CONFIRMED else f" ({status})"


def _of_limit(rules: RuleSet, limit: RuleLimit) -> str:
    kind = LIMITS[limit.check]
    side = "at least" if kind.higher_is_better else "at most"
    label = limit.check.replace("_", " ")
    return (
        f"{rules.name} {limit.paragraph}{_known(limit.status)}: {label} {side} "
        f"{limit.bound:g} {kind.unit} ({limit.says})"
    )
