"""Which of the fields found are used: one coding a field, one plane for each place in it."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from windowwatch.errors import ImpossibleWeatherError
from windowwatch.forecast.messages import ISOBARIC, Kind, MessageKey, Plane
from windowwatch.forecast.models import Field, Selector, match

#: Copies of one plane that differ by no more than this share of its range are coded otherwise,
#: not other weather. [1] Judgement: coding to 7 bits.
SAME_SHARE = 0.01


@dataclass(frozen=True)
class Chosen:
    """The planes that make up one field of the control run or of the members.

    No two planes share member, level and interval; several intervals may end at one time.
    """

    field: Field
    selector: Selector
    planes: tuple[Plane, ...]


@dataclass(frozen=True)
class Selection:
    """Fields by name, of the control run and of the perturbed members."""

    control: dict[str, Chosen]
    members: dict[str, Chosen]
    remarks: tuple[str, ...]


def choose(planes: Iterable[Plane]) -> Selection:
    """Sort wanted planes into fields and settle what is there twice.

    Where a source codes a field in several ways (cloud at the time and as a mean, say), the
    coding with the most times is used, the better one where they tie. Better is what stands
    first among the selectors of `models`: an instant before a mean, because a mean hides what
    lasted only for a while; of gusts the greatest of an interval before an instant, because it
    is never the lower of the two. The first step does not count: no interval has ended there.

    Where a run without ensemble header and the ensemble's own unperturbed run are both there,
    the former is the control, because it commonly is the finer one.
    """
    control: dict[str, list[tuple[Selector, Plane]]] = {}
    members: dict[str, list[tuple[Selector, Plane]]] = {}
    for plane in planes:
        found = match(plane.key)
        if found is None:
            continue
        field, selector = found
        group = members if plane.key.member else control
        group.setdefault(field.name, []).append((selector, plane))
    remarks: list[str] = []
    chosen_control = {n: _settle(p, remarks) for n, p in _one_control(control, remarks).items()}
    chosen_members = {n: _settle(p, remarks) for n, p in members.items()}
    remarks += _kind_remarks([*chosen_control.values(), *chosen_members.values()])
    return Selection(chosen_control, chosen_members, tuple(dict.fromkeys(remarks)))


def _one_control(
    control: dict[str, list[tuple[Selector, Plane]]], remarks: list[str]
) -> dict[str, list[tuple[Selector, Plane]]]:
    """Leave out the ensemble's unperturbed run where the deterministic one gives a field."""
    kept: dict[str, list[tuple[Selector, Plane]]] = {}
    dropped = False
    for name, found in control.items():
        plain = [item for item in found if item[1].key.member is None]
        dropped = dropped or 0 < len(plain) < len(found)
        kept[name] = plain or found
    if dropped:
        remarks.append(
            "the ensemble's own unperturbed run is left out: the run without ensemble header "
            "is taken as control"
        )
    return kept


def _settle(found: list[tuple[Selector, Plane]], remarks: list[str]) -> Chosen:
    """Pick the coding with the most times, then one plane for each place."""
    field = _field(found[0][1].key)
    codings: dict[tuple[int, int, float], list[Plane]] = {}
    for selector, plane in found:
        # a coding that leaves the surface open is still one surface at a time
        level = 0.0 if plane.key.surface == ISOBARIC else plane.key.level
        coding = (field.selectors.index(selector), plane.key.surface, level)
        codings.setdefault(coding, []).append(plane)
    best = max(sorted(codings), key=lambda c: _times(codings[c]))
    selector = field.selectors[best[0]]
    places: dict[tuple[int, float, int, int], Plane] = {}
    differing = 0
    for plane in codings[best]:
        key = plane.key
        place = key.member or 0, key.level, key.start_s, key.end_s
        if place in places:
            _require_same(places[place], plane, field.words)
            differing += not np.array_equal(places[place].values, plane.values, equal_nan=True)
        else:
            places[place] = plane
    if differing:
        remarks.append(
            f"{field.words}: {differing} planes are there twice with other values; "
            f"the first one found is used"
        )
    return Chosen(field, selector, tuple(places.values()))


def _require_same(first: Plane, second: Plane, words: str) -> None:
    """Refuse two copies of one plane that say different things: nobody knows which is right."""
    one, other = first.values, second.values
    if one.shape == other.shape and np.array_equal(np.isnan(one), np.isnan(other)):
        apart = np.abs(one.astype(np.float64) - other)
        known = apart[~np.isnan(apart)]
        if not known.size or known.max() <= SAME_SHARE * float(np.nanmax(one) - np.nanmin(one)):
            return
    raise ImpossibleWeatherError(
        f"{second.path}: message {second.key.message} ({second.key}) holds {words} once more, "
        f"with other numbers than message {first.key.message} of {first.path}; one of them is "
        f"wrong. Remove the file that does not belong there, or fetch the cycle again"
    )


def _field(key: MessageKey) -> Field:
    found = match(key)
    assert found is not None  # only matched planes come here
    return found[0]


def _times(planes: Iterable[Plane]) -> int:
    """At how many times there is something, besides the first step."""
    return len({plane.key.end_s for plane in planes} - {0})


def _kind_remarks(chosen: Sequence[Chosen]) -> list[str]:
    """Say which fields stand for an interval where one might take them for an instant."""
    remarks = []
    for kind in (Kind.AVERAGE, Kind.MAXIMUM):
        words = dict.fromkeys(c.field.words for c in chosen if c.selector.kind is kind)
        if words:
            remarks.append(f"{kind} that ends at the time, not {Kind.INSTANT}: {', '.join(words)}")
    return remarks
