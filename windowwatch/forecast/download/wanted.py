"""What is asked of a source and what it costs: steps, messages, and bytes that hold them. Pure."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from datetime import datetime, timedelta

from windowwatch.forecast.download.catalogue import Model, Product, Route, Speech
from windowwatch.forecast.grib.grid import Area
from windowwatch.forecast.models import ALOFT, DRY_ABOVE_HPA, FIELDS, ON_LEVELS, VAPOUR

_ALOFT = frozenset(field.name for field in ALOFT)
_VAPOUR = frozenset(field.name for field in VAPOUR)


@dataclass(frozen=True, order=True)
class Wanted:
    """One message that is asked for.

    Parameters
    ----------
    field : str
        Name of `models.FIELDS`.
    level_hpa : float
        Isobaric level, 0 near the ground. [hPa]
    end_s : int
        Lead time at which it ends. [s]
    member : int or None
        Perturbation number, None without ensemble header.
    start_s : int or None
        Where its interval begins; None where that is not known. [s]
    said : bool
        Whether the index itself says where it begins; else that is what the provider's
        documentation says, and the message's own keys count.
    """

    field: str
    level_hpa: float
    end_s: int
    member: int | None = None
    start_s: int | None = None
    said: bool = dataclass_field(default=True, compare=False)

    @property
    def aloft(self) -> bool:
        """Whether nothing can fly without it."""
        return self.field in _ALOFT

    def __str__(self) -> str:
        level = f" at {self.level_hpa:g} hPa" if self.level_hpa else ""
        whose = f" of member {self.member}" if self.member else ""
        return f"{FIELDS[self.field].words}{level}{whose} at +{self.end_s / 3600:g} h"


@dataclass(frozen=True)
class Entry:
    """One line of an index: a message asked for, and where it lies. [byte]

    `length` is None for the last message of a NOAA index, which goes on to the file's end.
    """

    wanted: Wanted
    offset: int
    length: int | None


@dataclass(frozen=True)
class Part:
    """Bytes fetched with one request, one or several messages; `length` None: to the end."""

    offset: int
    length: int | None


@dataclass(frozen=True)
class Item:
    """One file to be fetched from: a product, a step and, where each has its own, a member.

    `which` of the product's names it is looked for under.
    """

    product: Product
    cycle_utc: datetime
    step_h: int
    member: int | None = None
    which: int = 0

    @property
    def name(self) -> str:
        """Stable name, part of local paths."""
        run = "" if self.member is None else f"-m{self.member:02d}"
        return f"{self.product.name}-f{self.step_h:03d}{run}"

    @property
    def path(self) -> str:
        """Path of the file below a host's root."""
        return self.product.file(self.cycle_utc, self.step_h, self.member, self.which)

    @property
    def members(self) -> tuple[int | None, ...]:
        """Members whose messages are wanted from this file."""
        return (self.member,) if self.product.file_per_member else self.product.members


def items_of(products: Iterable[Product], cycle_utc: datetime, step_h: int) -> tuple[Item, ...]:
    """All files of one step."""
    found = []
    for product in products:
        members = product.members if product.file_per_member else (None,)
        found += [Item(product, cycle_utc, step_h, member) for member in members]
    return tuple(found)


def levels_of(product: Product, name: str) -> tuple[float, ...]:
    """Levels on which a field is wanted from a product: humidity only where it counts. [hPa]"""
    levels = product.levels_hpa.get(name, ())
    if name not in _VAPOUR:
        return levels
    return tuple(level for level in levels if level >= DRY_ABOVE_HPA)


def all_aloft(item: Item) -> tuple[Wanted, ...]:
    """Messages aloft that an item must hold: every field on each of its own levels."""
    product = item.product
    return tuple(
        Wanted(name, level, item.step_h * 3600, member)
        for member in item.members
        for level in product.offered_hpa
        for name in sorted(_ALOFT)
        if level in product.levels_hpa.get(name, ()) and level not in product.optional_hpa
    )


def missing_aloft(item: Item, found: Iterable[Wanted]) -> tuple[Wanted, ...]:
    """Messages aloft of an item that are not among those found."""
    have = {(w.field, w.level_hpa, w.member) for w in found}
    return tuple(w for w in all_aloft(item) if (w.field, w.level_hpa, w.member) not in have)


def merge(entries: Sequence[Entry]) -> tuple[Part, ...]:
    """Join messages that follow each other without a gap into parts, in order of offset.

    Fields of one message (same offset) are fetched once.
    """
    spans = sorted({(entry.offset, entry.length) for entry in entries}, key=lambda s: s[0])
    parts: list[Part] = []
    for offset, length in spans:
        last = parts[-1] if parts else None
        if last is not None and last.length is not None and last.offset + last.length == offset:
            joined = None if length is None else last.length + length
            parts[-1] = Part(last.offset, joined)
        else:
            parts.append(Part(offset, length))
    return tuple(parts)


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
