"""Whose weather it is: the line that a model's data come with. Pure."""

from datetime import datetime

from windowwatch.forecast.catalogue import MODELS
from windowwatch.forecast.finer import FINER


def family(name: str) -> str:
    """Kind of weather model that a name stands for: ``gfs`` of ``gfs-0.25``."""
    return name.split("-")[0].lower()


def attribution(label: str, cycle_utc: datetime) -> str | None:
    """Line to be shown wherever data of a model are; None for one that is not in the table.

    Parameters
    ----------
    label : str
        What cycles are called in results: a name of the table, or the kind (``gfs``, ``ifs``).
    cycle_utc : datetime
        Reference time of the cycle.
    """
    for known in (*MODELS.values(), *(finer.model for finer in FINER.values())):
        if label.lower() in (known.name, family(known.name)):
            return known.credit(cycle_utc)
    return None
