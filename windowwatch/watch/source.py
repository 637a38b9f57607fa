"""Where cycles of a weather model come from, as a value."""

from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

# What fetches takes long to load, and most who read settings fetch nothing.
if TYPE_CHECKING:
    from windowwatch.forecast.fetch import Manners
    from windowwatch.watch.network import NetworkPlan


@dataclass(frozen=True)
class Source:
    """Where cycles of one weather model come from.

    Parameters
    ----------
    model : str
        What its cycles are called in results.
    words : str
        The place, for people.
    available_after : timedelta
        How long after its reference time a cycle is usually complete; rehearsals go by it.
    folder : Path, optional
        Folder that somebody else puts files into …
    network : NetworkPlan, optional
        … or what is fetched. One of the two is given.
    manners : Manners, optional
        How hosts are treated, where anything is fetched.
    """

    model: str
    words: str
    available_after: timedelta
    folder: Path | None = None
    network: "NetworkPlan | None" = None
    manners: "Manners | None" = None
