"""What is asked of a source: messages by our own names, and the bytes that hold them. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from datetime import datetime

from windowwatch.forecast.catalogue import Product
from windowwatch.forecast.models import ALOFT, DRY_ABOVE_HPA, VAPOUR

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
        return f"{self.field}{level}{whose} +{self.end_s / 3600:g} h"


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
