"""Which steps of a cycle a watch needs, and what fetching them will cost. Pure."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from windowwatch.forecast.catalogue import Model, Route, Speech
from windowwatch.forecast.cutout import Area
from windowwatch.forecast.models import ON_LEVELS
from windowwatch.forecast.wanted import items_of, levels_of

#: Weather is wanted from so long before the first launch hour (set-up, front passage) …
BEFORE = timedelta(hours=6)
#: … to so long after the last one (ascent, descent, recovery).
AFTER = timedelta(hours=9)
#: What a message cut out on the server costs beside its values, and the bits of a value.
#: Handbook estimate: about 3 KB for 41 x 41 points.
_HEADER_BYTES, _BITS = 200, 12
#: Latency of one request, and how much a link carries. Common practice, no source.
_REQUEST_S, _LINK_BYTES_PER_S = 0.5, 2.5e6


@dataclass(frozen=True)
class Plan:
    """What one cycle will cost by one route.

    Parameters
    ----------
    requests : int
        Data and indexes together.
    size_bytes : int
        Estimated.
    minutes : float
        Estimated, with the route's workers, its rate limit and a link of 20 Mbit/s.
    """

    route: Route
    steps_h: tuple[int, ...]
    requests: int
    size_bytes: int
    minutes: float


def needed_steps(
    model: Model,
    cycle_utc: datetime,
    first_utc: datetime,
    last_utc: datetime,
    every_h: int = 3,
    *,
    with_zero: bool = False,
) -> tuple[int, ...]:
    """Steps of a cycle that flights between two launch hours need. [h]

    `with_zero` adds step 0, for sources in which terrain and land mask stand there alone.
    Empty when the cycle ends before the first launch hour.
    """
    steps = model.steps_h(cycle_utc.hour, every_h)
    first = (first_utc - BEFORE - cycle_utc) / timedelta(hours=1)
    last = (last_utc + AFTER - cycle_utc) / timedelta(hours=1)
    inside = [step for step in steps if first <= step <= last]
    if not inside or (first_utc - cycle_utc) / timedelta(hours=1) > steps[-1]:
        return ()
    return tuple(sorted({0, *inside})) if with_zero else tuple(inside)


def route_steps(model: Model, route: Route, steps_h: Sequence[int]) -> tuple[int, ...]:
    """Those of the needed steps that a route brings: every third hour at most where it only
    stands in for another one, and fewer far out where that is set. [h]
    """
    stands_in = route is not model.routes[0]
    return route.steps([step for step in steps_h if not stands_in or step % 3 == 0])


def make_plan(route: Route, cycle_utc: datetime, steps_h: Sequence[int], area: Area) -> Plan:
    """Work out requests, bytes and minutes of a cycle, without asking anybody.

    By ranges, requests are counted as messages lie in inventories seen (`Route.joined`). The
    real number is known once the index is there.
    """
    requests, size = 0, 0
    south, west, north, east = area
    points = (math.ceil((north - south) / route.grid_deg) + 2) * (
        math.ceil((east - west) / route.grid_deg) + 2
    )
    cut_bytes = _HEADER_BYTES + points * _BITS // 8
    for step in steps_h:
        for item in items_of(route.products, cycle_utc, step):
            product = item.product
            aloft, near = ON_LEVELS & set(product.fields), len(set(product.fields) - ON_LEVELS)
            if route.speech is Speech.NOAA_FILTER:  # every variable on every level
                requests += 1
                across = len(product.offered_hpa) * len(aloft)
                size += (across + near) * len(item.members) * cut_bytes
            else:
                count = sum(len(levels_of(product, name)) for name in aloft) + near
                requests += 1 + math.ceil(count / route.joined) * len(item.members)
                size += count * len(item.members) * route.field_bytes
    if route.speech is Speech.NOAA_FILTER:
        requests += 1  # the index of the last step tells that all is there
    seconds = max(
        requests * _REQUEST_S / route.workers,
        size / _LINK_BYTES_PER_S,
        0.0 if route.per_minute is None else requests * 60.0 / route.per_minute,
    )
    return Plan(route, tuple(steps_h), requests, size, seconds / 60.0)
