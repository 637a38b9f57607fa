"""Words for what a cycle lacks, few enough to be read."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

_MOST_LEADS_NAMED = 6
_MOST_GAPS_NAMED = 60


@dataclass
class GapList:
    """Gathers gaps while a cycle is laid out; `words` puts them into sentences."""

    _sentences: dict[str, None] = field(default_factory=dict)
    _leads_s: dict[str, set[int]] = field(default_factory=dict)
    _offered: dict[str, int] = field(default_factory=dict)

    def say(self, sentence: str) -> None:
        """Add one sentence."""
        self._sentences.setdefault(sentence)

    def at_steps(self, what: str, leads_s: Iterable[int], offered: Sequence[int]) -> None:
        """Say that `what` (with its verb) is so at some of the `offered` lead times. [s]"""
        leads = set(leads_s)
        if leads:
            self._leads_s.setdefault(what, set()).update(leads)
            self._offered[what] = len(offered)

    def words(self) -> tuple[str, ...]:
        """All gaps in words; the last says how many more there are, if they are very many."""
        sentences = [
            *self._sentences,
            *(f"{w} {_when(sorted(at), self._offered[w])}" for w, at in self._leads_s.items()),
        ]
        if len(sentences) > _MOST_GAPS_NAMED:
            more = len(sentences) - _MOST_GAPS_NAMED
            sentences = [*sentences[:_MOST_GAPS_NAMED], f"and {more} more gaps of this kind"]
        return tuple(sentences)


def _when(leads_s: list[int], offered: int) -> str:
    if len(leads_s) >= offered > 1:
        return "at every step"
    named = ", ".join(f"+{lead / 3600:g}" for lead in leads_s[:_MOST_LEADS_NAMED])
    more = len(leads_s) - _MOST_LEADS_NAMED
    return f"at {named} h" + (f" and {more} more steps" if more > 0 else "")
