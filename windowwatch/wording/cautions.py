"""What can hurt somebody, said wherever a launch is planned: gas, falling payload, driving. Pure.

Common practice, no source; local rules and licensed practice come first.
"""

from collections.abc import Iterable
from datetime import timedelta

from windowwatch.physics.fill import GAS_CAUTIONS
from windowwatch.physics.train import FlightTrain
from windowwatch.wording.phrases import length

FALLING = "A payload can fall where it should not, with its parachute closed."
PRIVATE_LAND = "Ask before you step on private land."
DRIVING = "Do not drive tired or by screen."
#: One way by road of more than this makes a crew tired. Judgement.
LONG_DRIVE = timedelta(hours=3)

#: The same for the names of places and ways in other devices, which show little more than names.
GPX_START = "start rested"
GPX_PARK = "ask before you walk on"
GPX_LANDING = "forecast, it may fall elsewhere"
GPX_DRIVE = "do not drive tired"


def gas_words(train: FlightTrain | None) -> str:
    """What is to be minded with the gas of a train; empty where none is known."""
    return "" if train is None else GAS_CAUTIONS[train.gas]


def tired_words(ways: Iterable[tuple[str, timedelta]]) -> str:
    """What is said of drives of more than three hours; empty where there is none.

    `ways` are where each begins, and how long it is.
    """
    long = [f"{length(way)} from {start}" for start, way in ways if way > LONG_DRIVE]
    if not long:
        return ""
    return (
        f"{', '.join(long)} by road, and as much back: take turns, rest on the way, and stay "
        "the night rather than drive back tired."
    )
