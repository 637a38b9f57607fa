"""What providers have at this moment: a few small questions to each way, and what is made of them.

Named rules
-----------
small
    All questions together stay within `MOST_REQUESTS` and `MOST_BYTES`, at the pace that hosts
    ask for; a question that fails is not asked again.
newest first
    The newest cycle that is due is asked for, by the index of the first step that launch hours
    need; where it is not there, the one before, and the one before that.
one message
    Of the way's first host that answers one message is fetched, checked and read, as a cycle's
    files are: the wind at 10 m where that is small, else another field near the ground.
"""

import tempfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from windowwatch.errors import DecodeError, ForecastError, SourceError
from windowwatch.forecast.download import noaa
from windowwatch.forecast.download.catalogue import Route, Speech, product_by
from windowwatch.forecast.download.checked import check_file
from windowwatch.forecast.download.collect import entries_of, index_url
from windowwatch.forecast.download.fetch import Fetcher, NotYetError
from windowwatch.forecast.download.ledger import cycles_between, first_due
from windowwatch.forecast.download.wanted import (
    Entry,
    Item,
    items_of,
    merge,
    missing_aloft,
    needed_steps,
    route_steps,
)
from windowwatch.forecast.grib.grid import Crop, crop
from windowwatch.forecast.grib.reader import read_planes
from windowwatch.forecast.models import FIELDS, ON_LEVELS, match
from windowwatch.scoring.values import Site
from windowwatch.units import KELVIN_AT_0_C
from windowwatch.watch.polling.network import NetworkPlan, way_words
from windowwatch.watch.values import area_of

#: All questions together stay within these. [byte]
MOST_REQUESTS, MOST_BYTES = 20, 2_000_000
#: Of an index of many members so much is read; so much is left for indexes. [byte]
_INDEX_BYTES, _SPARE_BYTES = 300_000, 200_000
#: So many cycles are tried, the newest first.
_CYCLES = 3
#: What a message is read for, the best first.
_READ = (
    ("wind_u_10m_mps", "wind_v_10m_mps"),
    ("temperature_2m_k",),
    ("pressure_surface_pa",),
    ("pressure_msl_pa",),
)
#: So far round the site a cut-out is asked for. [deg]
_NEAR_DEG = 1.0


@dataclass(frozen=True)
class Found:
    """What one host of one way said.

    Parameters
    ----------
    model, way, host : str
    problem : str
        Why it gives nothing, in words; empty when it answers.
    cycle_utc, step_h : datetime, int or None
        Newest cycle of which the step was there. [h]
    there : str
        Fields and levels of those wanted, in words; empty where they were not looked at.
    missing : tuple of str
        What is wanted and not there, by field.
    fields_missing : frozenset of str
        Fields near the ground of which nothing is there.
    grounded : bool
        Whether what is missing aloft makes every file of the way be refused.
    value : str
        What one message says of one place.
    notes : tuple of str
        What else is worth knowing.
    """

    model: str
    way: str
    host: str
    problem: str = ""
    cycle_utc: datetime | None = None
    step_h: int | None = None
    there: str = ""
    missing: tuple[str, ...] = ()
    fields_missing: frozenset[str] = frozenset()
    grounded: bool = False
    value: str = ""
    notes: tuple[str, ...] = ()


class _SpentError(Exception):
    """No more questions may be asked."""


@dataclass(frozen=True)
class Probe:
    """Asks the ways to weather models.

    Parameters
    ----------
    fetcher : Fetcher
        One that asks once; its counts are the budget.
    now : datetime
    hours : sequence of datetime
        Launch hours; at least one.
    site : Site
        Where a value is read.
    """

    fetcher: Fetcher
    now: datetime
    hours: Sequence[datetime]
    site: Site

    def ask(self, plans: Iterable[NetworkPlan]) -> list[Found]:
        """Ask the first host of every way, then the others, for as long as questions are left."""
        ways = [(plan, route) for plan in plans for route in plan.model.routes]
        found = {
            (number, 0): self._host(plan, route, route.hosts[0], len(ways) - number)
            for number, (plan, route) in enumerate(ways)
        }
        for number, (plan, route) in enumerate(ways):
            for place, host in enumerate(route.hosts[1:], 1):
                leads = all(found[number, before].problem for before in range(place))
                found[number, place] = self._host(plan, route, host, int(leads))
        return [found[key] for key in sorted(found)]

    def _host(self, plan: NetworkPlan, route: Route, roots: tuple[str, str], leads: int) -> Found:
        """What one host of a way has; all of it only where it leads.

        `leads` is how many are still to have a message, this one included; 0 for no message.
        """
        host = roots[1].split("/")[2]
        blank = Found(plan.model.name, way_words(route), host)
        try:
            return self._asked(plan, route, roots, blank, leads)
        except _SpentError:
            return replace(blank, problem=f"not asked: {MOST_REQUESTS} requests or 2 MB are spent")
        except ForecastError as error:
            return replace(blank, problem=_shorter(error.message, roots))

    def _asked(
        self, plan: NetworkPlan, route: Route, roots: tuple[str, str], blank: Found, leads: int
    ) -> Found:
        cycles = self._cycles(plan)
        for cycle_utc, steps in cycles:
            items = self._items(route, cycle_utc, route_steps(plan.model, route, steps) or steps)
            try:
                texts = [self._index(route, roots, items[0])]
            except NotYetError:
                continue
            found = replace(blank, cycle_utc=cycle_utc, step_h=items[0].step_h)
            if texts[0][0].which:
                found = replace(found, notes=(f"under its other name, {texts[0][0].path}",))
            if not leads:
                for item, text in texts:  # a stale or foreign index is refused here
                    entries_of(route, text, item, index_url(route, roots[1], item))
                return found
            late = []
            for item in items[1:]:
                try:
                    texts.append(self._index(route, roots, item))
                except NotYetError:
                    late.append(item.product.name)
            chosen = [
                (item, entries_of(route, text, item, index_url(route, roots[1], item)))
                for item, text in texts
            ]
            found = _with_fields(found, route, chosen, late)
            found = self._with_reach(found, plan, route, roots)
            try:
                return replace(found, value=self._value(route, roots, chosen, leads))
            except _SpentError:
                return replace(found, value="no message was asked for: requests or 2 MB are spent")
            except ForecastError as error:
                return replace(found, problem=f"its data: {_shorter(error.message, roots)}")
        asked = ", ".join(f"{cycle:%d %b %HZ}" for cycle, _ in cycles)
        raise SourceError(
            f"nothing is there (404) of the cycles {asked}: moved, ended or renamed; see "
            "[forecast.routes] in the settings"
        )

    def _cycles(self, plan: NetworkPlan) -> list[tuple[datetime, tuple[int, ...]]]:
        """Newest cycles that are due, each with the steps that launch hours need."""
        found: list[tuple[datetime, tuple[int, ...]]] = []
        for cycle_utc in cycles_between(plan.model, self.now - timedelta(hours=48), self.now):
            if first_due(plan.model, cycle_utc) <= self.now and len(found) < _CYCLES:
                first, last = self.hours[0], self.hours[-1]
                steps = needed_steps(plan.model, cycle_utc, first, last, plan.every_h)
                if steps:
                    found.append((cycle_utc, steps))
        if not found:
            raise SourceError("no cycle reaches the launch hours; give nearer days in [watch]")
        return found

    def _items(self, route: Route, cycle_utc: datetime, steps: Sequence[int]) -> list[Item]:
        """A file of each product, of the first step that has what is summed up over time."""
        step = next((step for step in steps if step > 0), steps[0])
        first: dict[str, Item] = {}
        for item in items_of([product_by(route, p) for p in route.products], cycle_utc, step):
            first.setdefault(item.product.name, item)
        return list(first.values())

    def _may_ask(self) -> int:
        """How many bytes may still come."""
        left = MOST_BYTES - self.fetcher.received_bytes
        if self.fetcher.requests >= MOST_REQUESTS or left <= 0:
            raise _SpentError
        return left

    def _index(self, route: Route, roots: tuple[str, str], item: Item) -> tuple[Item, str]:
        """An item's index under the first of its names that is there, and the item under it."""
        others = len(item.product.other_paths)
        for which in range(1 + others):
            left = self._may_ask()
            most = min(left, _INDEX_BYTES) if _is_long(item) else left
            named = replace(item, which=which)
            url = index_url(route, roots[1], named)
            try:
                text = self.fetcher.text(url, per_minute=route.per_minute, most_bytes=most)
            except NotYetError:
                if which == others:
                    raise
            else:
                return named, text
        raise AssertionError("the last name is found or refused")

    def _with_reach(
        self, found: Found, plan: NetworkPlan, route: Route, roots: tuple[str, str]
    ) -> Found:
        """Whether the last step that is needed is there, of a cycle that should be whole."""
        for cycle_utc, steps in self._cycles(plan):
            whole = timedelta(minutes=plan.model.after_min(cycle_utc.hour)[1]) + plan.late_after
            brought = route_steps(plan.model, route, steps)
            if self.now - cycle_utc < whole or not brought:
                continue
            last = self._items(route, cycle_utc, brought[-1:])[0]
            try:
                self._index(route, roots, last)
                words = f"reaches +{last.step_h} h, as needed ({cycle_utc:%d %b %HZ})"
            except NotYetError:
                words = (
                    f"+{last.step_h} h of {cycle_utc:%d %b %HZ} is not there: launch hours near "
                    f"{cycle_utc + timedelta(hours=last.step_h):%a %d %b %H:%M} UTC would be lost"
                )
            except _SpentError:
                words = "how far it reaches was not asked: requests or 2 MB are spent"
            return replace(found, notes=(*found.notes, words))
        return found

    def _value(
        self,
        route: Route,
        roots: tuple[str, str],
        chosen: Sequence[tuple[Item, Sequence[Entry]]],
        leads: int,
    ) -> str:
        """One message fetched, checked, and read at the site; its share of what may come."""
        left = (self._may_ask() - _SPARE_BYTES) // leads
        for names in _READ:
            for item, entries in chosen:
                mine = _of_one_member(entries, names)
                if mine is None:
                    continue
                small = replace(item, product=replace(item.product, levels_hpa={}, near=names))
                if route.speech is Speech.NOAA_FILTER:
                    return self._read(small, names, None, self._cut_out(route, roots, small))
                if all(e.length is not None for e in mine) and _size(mine) <= left:
                    return self._read(small, names, mine, self._ranges(route, roots, small, mine))
        return "no message near the ground fits into what is left of 2 MB"

    def _cut_out(self, route: Route, roots: tuple[str, str], item: Item) -> Callable[[Path], None]:
        url = noaa.filter_url(roots[0], item, self._area)

        def fetch(path: Path) -> None:
            with path.open("w+b") as sink:
                self.fetcher.body(url, sink, per_minute=route.per_minute)

        return fetch

    def _ranges(
        self, route: Route, roots: tuple[str, str], item: Item, entries: Sequence[Entry]
    ) -> Callable[[Path], None]:
        def fetch(path: Path) -> None:
            with path.open("w+b") as sink:
                for part in merge(entries):
                    self._may_ask()
                    url = f"{roots[1]}/{item.path}"
                    self.fetcher.range(url, part, sink, per_minute=route.per_minute)

        return fetch

    @property
    def _area(self) -> tuple[float, float, float, float]:
        return area_of((self.site,), _NEAR_DEG)

    def _read(
        self,
        item: Item,
        names: Sequence[str],
        entries: Sequence[Entry] | None,
        fetch: Callable[[Path], None],
    ) -> str:
        """The message in words, once it passed the check that every file passes."""
        asked = None if entries is None else tuple(entry.wanted for entry in entries)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "message.grib2"
            fetch(path)
            try:
                framing, _ = check_file(path, item, self._area, asked=asked)
                planes = read_planes(framing, self._area)
            except DecodeError as error:
                said = error.message.replace(str(path), path.name).removeprefix(f"{path.name}: ")
                raise DecodeError(f"what it sends does not pass: {said}") from error
        values: dict[str, float] = {}
        for plane in planes:
            found = match(plane.key)
            if found is None or found[0].name not in names or found[0].name in values:
                continue
            value = float(plane.values[self._nearest(crop(plane.key.grid, self._area))])
            values[found[0].name] = value * found[1].scale
        valid = item.cycle_utc + timedelta(hours=item.step_h)
        return f"{_said(names, values)} at {self.site.name}, valid {valid:%a %d %b %H:%M} UTC"

    def _nearest(self, box: Crop) -> tuple[int, int]:
        """Row and column of the grid point nearest to the site."""
        north = np.abs(box.latitude_deg - self.site.latitude_deg)
        east = np.abs((box.longitude_deg - self.site.longitude_deg + 180.0) % 360.0 - 180.0)
        return int(np.argmin(north)), int(np.argmin(east))


def _is_long(item: Item) -> bool:
    """Whether an index speaks of so many members that only its beginning is read."""
    return len(item.members) > 1


def _size(entries: Sequence[Entry]) -> int:
    """Bytes of messages whose lengths are known."""
    return sum(part.length or 0 for part in merge(entries))


def _of_one_member(entries: Sequence[Entry], names: Sequence[str]) -> list[Entry] | None:
    """Messages of all these fields, of the first member that has them; None if none has."""
    for member in dict.fromkeys(entry.wanted.member for entry in entries):
        mine = [e for e in entries if e.wanted.member == member and e.wanted.field in names]
        if {entry.wanted.field for entry in mine} == set(names):
            return sorted(mine, key=lambda entry: entry.offset)
    return None


def _with_fields(
    found: Found,
    route: Route,
    chosen: Sequence[tuple[Item, Sequence[Entry]]],
    late: Sequence[str],
) -> Found:
    """What is there of the fields and levels that are wanted, and what is not."""
    wanted_near: set[str] = set()
    near: set[str] = set()
    on_levels: dict[str, set[float]] = {}
    lacking: dict[str, set[float]] = {}
    notes = [f"the files {name} of this cycle are not there yet" for name in late]
    for item, entries in chosen:
        there = {(e.wanted.field, e.wanted.level_hpa) for e in entries}
        for field, level in there:
            if field in ON_LEVELS:
                on_levels.setdefault(field, set()).add(level)
            else:
                near.add(field)
        wanted_near |= set(item.product.fields) - ON_LEVELS
        for each in missing_aloft(item, (entry.wanted for entry in entries)):
            if not _is_long(item) or (each.field, each.level_hpa) not in there:
                lacking.setdefault(each.field, set()).add(each.level_hpa)
        if _is_long(item):
            notes.append(f"of {item.product.name} the first {_INDEX_BYTES // 1000} kB were read")
    if route.speech is Speech.ECMWF_INDEX:
        wanted_near.discard("orography")  # of step 0 alone
    absent = frozenset(wanted_near - near)
    levels = sorted({level for each in on_levels.values() for level in each}, reverse=True)
    aloft = f"{', '.join(sorted(on_levels))} on {len(levels)} levels"
    aloft += f", {levels[0]:g} to {levels[-1]:g} hPa" if levels else ""
    missing = [
        f"{field} at {', '.join(f'{p:g}' for p in sorted(each, reverse=True))} hPa"
        for field, each in sorted(lacking.items())
    ]
    wanted_aloft = {name for item, _ in chosen for name in item.product.fields} & ON_LEVELS
    whole = wanted_aloft - set(on_levels) - set(lacking)
    missing += sorted(FIELDS[name].words for name in absent | whole)
    return replace(
        found,
        there=f"{aloft}; {len(wanted_near & near)} of {len(wanted_near)} fields near the ground",
        missing=tuple(missing),
        fields_missing=absent,
        grounded=bool(lacking),
        notes=(*found.notes, *notes),
    )


def _said(names: Sequence[str], values: dict[str, float]) -> str:
    """A value with its unit, for people; never a number for what is missing."""
    found = [values.get(name, float("nan")) for name in names]
    if not np.isfinite(found).all():
        return f"no value ({FIELDS[names[0]].words} is missing there)"
    if len(names) == 2:
        return f"10 m wind {float(np.hypot(found[0], found[1])):.1f} m/s"
    if names[0] == "temperature_2m_k":
        return f"2 m temperature {found[0] - KELVIN_AT_0_C:.1f} °C"
    return f"{FIELDS[names[0]].words} {found[0] / 100.0:.1f} hPa"


def _shorter(words: str, roots: tuple[str, str]) -> str:
    """An error without the root of the host it is about, which stands beside it."""
    host = roots[1].split("/")[2]
    for root in sorted(roots, key=len, reverse=True):
        words = words.replace(f"{root}/", "…/")
    return words.removeprefix(f"{host}: ")
