"""A cycle gathered file by file: found, fetched, checked, kept; and taken up again after a stop.

One file is one step (and member) of one product. It comes whole from one host, index and data
alike; it is written beside its place, checked, flushed to the disk, renamed, and only then
written into the ledger. A file that fails the check is set aside and named; its index is read
once more, then the next host is asked. Files of one cycle may come by several routes where
these carry the same fields on the same grid, a cut-out on the server or the whole globe: what
one route has brought, another one goes on from. Routes that differ in grid never mix.
"""

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from threading import Semaphore
from typing import Protocol

from windowwatch.errors import DecodeError, ForecastError, SourceError
from windowwatch.forecast.download import ecmwf, noaa
from windowwatch.forecast.download.catalogue import Model, Route, Speech, akin, product_by
from windowwatch.forecast.download.checked import check_file
from windowwatch.forecast.download.fetch import (
    Fetcher,
    FetchStoppedError,
    HostRefusedError,
    NotYetError,
)
from windowwatch.forecast.download.ledger import KeptFile, Ledger
from windowwatch.forecast.download.wanted import Entry, Item, Wanted, items_of, merge, missing_aloft
from windowwatch.forecast.grib.framing import Framing, sha256_of
from windowwatch.forecast.grib.grid import Area
from windowwatch.forecast.notes import Notes

_ENDINGS = {
    Speech.NOAA_INDEX: ".idx",
    Speech.NOAA_FILTER: ".idx",
    Speech.ECMWF_INDEX: ".index",
}


class Check(Protocol):
    """Checks a fetched file; see `windowwatch.forecast.download.checked.check_file`."""

    def __call__(
        self, path: Path, item: Item, area: Area, *, asked: Sequence[Wanted] | None
    ) -> tuple[Framing, Notes]:
        """Frames and checksum of the file, and what it lacks; or DecodeError."""


@dataclass(frozen=True)
class Haul:
    """What there is of a cycle after a look.

    Parameters
    ----------
    steps_h : tuple of int
        Steps of which every file is here. [h]
    files : tuple of KeptFile
        Their files, by step.
    waiting_h : tuple of int
        Needed steps that are not here yet. [h]
    problems : tuple of str
        What went wrong, in words; each file once.
    refused : bool
        Whether every host of the route refuses us at present.
    failed : bool
        Whether there was trouble, and nothing came in spite of it.
    heard : bool
        Whether the route itself had anything of the needed steps, now or before.
    """

    steps_h: tuple[int, ...]
    files: tuple[KeptFile, ...]
    waiting_h: tuple[int, ...]
    problems: tuple[str, ...] = ()
    refused: bool = False
    failed: bool = False
    heard: bool = False

    @property
    def complete(self) -> bool:
        """Whether nothing is waited for."""
        return bool(self.steps_h) and not self.waiting_h


@dataclass
class Collector:
    """Gathers cycles of one model by one route.

    Parameters
    ----------
    model : Model
    route : Route
    folder : Path
        Where files are kept; a folder a cycle.
    area : south, west, north, east
        What is wanted of the globe. [deg]
    ledger : Ledger
    fetcher : Fetcher
    now : callable
        Present time, for the ledger.
    sound : set of str, optional
        Paths already held against their checksums; shared by those who look again and again.
    check : callable
        Checks a fetched file, as `checked.check_file`; elsewhere, if it does so.
    progress : callable
        Told what is done, and the share of it.
    """

    model: Model
    route: Route
    folder: Path
    area: Area
    ledger: Ledger
    fetcher: Fetcher
    now: Callable[[], datetime]
    sound: set[str] = field(default_factory=set)
    check: Check = check_file
    progress: Callable[[str, float], None] = lambda _words, _share: None
    _named: dict[str, int] = field(default_factory=dict)
    _turns: dict[str, Semaphore] = field(init=False)

    def __post_init__(self) -> None:
        self._turns = {root: Semaphore(count) for root, count in self.route.at_once.items()}

    def gather(self, cycle_utc: datetime, steps_h: Sequence[int]) -> Haul:
        """Fetch whatever is there of the needed steps and not kept yet.

        Raises
        ------
        FetchStoppedError
            If the program is to end; what was kept stays kept.
        """
        kept = self._kept(cycle_utc)
        open_h = [step for step in steps_h if self._lacks(cycle_utc, step, kept)]
        problems: list[str] = []
        refused = failed = heard = False
        if open_h:
            ready_h, trouble = self._ready(cycle_utc, open_h)
            heard = bool(ready_h)
            todo = [
                item
                for step in ready_h
                for item in self._items(cycle_utc, step)
                if item.name not in kept
            ]
            outcomes = self._fetch_all(todo)
            kept |= {file.item: file for file in outcomes if isinstance(file, KeptFile)}
            problems = [*trouble, *(words for words in outcomes if isinstance(words, str))]
            refused = bool(problems) and all(map(self._rests, self.route.hosts))
            failed = bool(problems) and not any(isinstance(file, KeptFile) for file in outcomes)
        there = [step for step in steps_h if not self._lacks(cycle_utc, step, kept)]
        return Haul(
            tuple(there),
            tuple(kept[item.name] for step in there for item in self._items(cycle_utc, step)),
            tuple(step for step in steps_h if step not in there),
            tuple(dict.fromkeys(problems)),
            refused,
            failed,
            heard or any(file.route == self.route.name for file in kept.values()),
        )

    def kept_anyhow(self, cycle_utc: datetime) -> tuple[KeptFile, ...]:
        """Every file kept of a cycle, of steps that are not whole too."""
        return tuple(sorted(self._kept(cycle_utc).values(), key=lambda f: (f.step_h, f.item)))

    def is_there(self, cycle_utc: datetime, step_h: int) -> bool | None:
        """Whether a step is there, by one question a host; None where all gave trouble."""
        trouble: list[str] = []
        *_, last = self._items(cycle_utc, step_h)
        there = self._index_is_there(last, trouble)
        return None if trouble else there

    def spoilt(self, file: KeptFile, why: str) -> None:
        """Set a kept file aside that is not any more what it was; it is fetched again."""
        self.sound.discard(file.path)
        self._set_aside(Path(file.path), why)
        self.ledger.forget_file(file)

    def _rests(self, roots: tuple[str, str]) -> bool:
        ranges = self.route.speech is not Speech.NOAA_FILTER
        return self.fetcher.resting(f"{roots[0]}/", ranges=ranges) is not None

    def _kept(self, cycle_utc: datetime) -> dict[str, KeptFile]:
        """Files of the ledger that lie where they should and are what they were.

        Those of this route, and of others that carry the very same; its own come first.
        """
        found = {}
        fitting = {route.name for route in self.model.routes if akin(route, self.route)}
        for file in sorted(
            self.ledger.kept_files(self.model.name, cycle_utc),
            key=lambda file: file.route == self.route.name,
        ):
            if file.route != self.route.name and file.route not in fitting:
                continue
            path = Path(file.path)
            if not path.is_file():
                self.ledger.forget_file(file)
            elif file.path not in self.sound and sha256_of(path) != file.sha256:
                self.spoilt(file, "its bytes have changed since it was checked")
            else:
                self.sound.add(file.path)
                found[file.item] = file
        return found

    def _lacks(self, cycle_utc: datetime, step_h: int, kept: dict[str, KeptFile]) -> bool:
        return any(item.name not in kept for item in self._items(cycle_utc, step_h))

    def _items(self, cycle_utc: datetime, step_h: int) -> tuple[Item, ...]:
        """Files of a step, as this route has them."""
        products = [product_by(self.route, product) for product in self.route.products]
        return items_of(products, cycle_utc, step_h)

    def _ready(self, cycle_utc: datetime, steps_h: Sequence[int]) -> tuple[list[int], list[str]]:
        """Which of the steps are there now, with as few questions as will do.

        Steps come in order: the last one there means all are; else halving finds how far it
        has come. A step beyond may be there by chance; the next look finds it.
        """
        trouble: list[str] = []

        def is_there(step: int) -> bool:
            *_, last = self._items(cycle_utc, step)
            return self._index_is_there(last, trouble)

        if is_there(steps_h[-1]):
            return list(steps_h), trouble
        low, high = 0, len(steps_h) - 1  # steps before `low` are there, from `high` on not
        while low < high and not trouble:
            middle = (low + high) // 2
            if is_there(steps_h[middle]):
                low = middle + 1
            else:
                high = middle
        return list(steps_h[:low]), trouble

    def _places(self, item: Item) -> list[tuple[tuple[str, str], Item]]:
        """Where to look for a file: on every host, under every name, the last good name first."""
        count = 1 + len(item.product.other_paths)
        whiches = sorted(range(count), key=lambda w: w != self._named.get(item.product.name))
        return [
            (roots, replace(item, which=which)) for roots in self.route.hosts for which in whiches
        ]

    def _index_is_there(self, item: Item, trouble: list[str]) -> bool:
        for (_, root), named in self._places(item):
            try:
                self.fetcher.text(self._index_url(root, named), per_minute=self.route.per_minute)
            except NotYetError:
                continue
            except FetchStoppedError:
                raise
            except SourceError as error:
                trouble.append(error.message)
                continue
            trouble.clear()
            self._named[item.product.name] = named.which
            return True
        return False

    def _index_url(self, root: str, item: Item) -> str:
        return index_url(self.route, root, item)

    def _fetch_all(self, items: Sequence[Item]) -> list[KeptFile | str | None]:
        """Fetch items with as many workers as the route allows."""
        with ThreadPoolExecutor(self.route.workers, thread_name_prefix="fetch") as pool:
            futures = [pool.submit(self._fetch_one, item) for item in items]
            try:
                outcomes = []
                for number, future in enumerate(futures):
                    words = f"{self.model.name}: fetching, {number} of {len(items)} files"
                    self.progress(words, number / len(items))
                    outcomes.append(future.result())
                return outcomes
            except BaseException:
                pool.shutdown(wait=True, cancel_futures=True)
                raise

    def _fetch_one(self, item: Item) -> KeptFile | str | None:
        """One file from the first host that gives it whole; words if none does, None if not yet."""
        words: list[str] = []
        for roots, named in self._places(item):
            for _ in range(2):  # a host's index is read once more when it did not fit
                try:
                    with self._turns.get(roots[1], nullcontext()):
                        return self._fetch_from(roots, named)
                except NotYetError:
                    break
                except FetchStoppedError:
                    raise
                except HostRefusedError as error:
                    words.append(error.message)
                    break
                except ForecastError as error:
                    words.append(error.message)
        return "; ".join(dict.fromkeys(words)) or None

    def _fetch_from(self, roots: tuple[str, str], item: Item) -> KeptFile:
        """Fetch, check and keep one file from one host."""
        place = self._folder(item.cycle_utc) / f"{item.name}.grib2"
        place.parent.mkdir(parents=True, exist_ok=True)
        part = place.with_suffix(".grib2.part")
        try:
            url, asked = self._download(roots, item, part)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
        try:
            framing, lacking = self.check(part, item, self.area, asked=asked)
        except DecodeError as error:
            self._set_aside(part, error.message)
            raise DecodeError(f"{url}: {error.message}", retry=True) from error
        part.replace(place)
        _flush_folder(place.parent)
        kept = KeptFile(
            self.model.name,
            item.cycle_utc,
            self.route.name,
            item.name,
            item.step_h,
            url,
            str(place),
            framing.size_bytes,
            framing.sha256,
            self.now(),
            lacking,
        )
        self.ledger.keep_file(kept)
        self.sound.add(kept.path)
        return kept

    def _download(
        self, roots: tuple[str, str], item: Item, part: Path
    ) -> tuple[str, tuple[Wanted, ...] | None]:
        """Bring one file onto the disk; say where from, and what exactly was asked for."""
        asked: tuple[Wanted, ...] | None = None
        pace = self.route.per_minute
        with part.open("w+b") as sink:
            if self.route.speech is Speech.NOAA_FILTER:
                url = noaa.filter_url(roots[0], item, self.area)
                with _behind_its_index(item):
                    self.fetcher.body(url, sink, per_minute=pace)
            else:
                url = f"{roots[1]}/{item.path}"
                entries = self._entries(roots[1], item)
                asked = tuple(entry.wanted for entry in entries)
                for each in merge(entries):
                    with _behind_its_index(item):
                        self.fetcher.range(url, each, sink, per_minute=pace)
            sink.flush()
            os.fsync(sink.fileno())
        return url, asked

    def _entries(self, root: str, item: Item) -> Sequence[Entry]:
        """Messages of an item as the index of this very host places them."""
        url = self._index_url(root, item)
        text = self.fetcher.text(url, per_minute=self.route.per_minute)
        entries = entries_of(self.route, text, item, url)
        lacking = missing_aloft(item, (entry.wanted for entry in entries))
        if lacking:
            raise SourceError(
                f"{url}: {lacking[0]} and {len(lacking) - 1} more messages aloft are not in the "
                f"index; it may still grow",
                retry=True,
            )
        return sorted(entries, key=lambda entry: entry.offset)

    def _folder(self, cycle_utc: datetime) -> Path:
        return self.folder / self.model.name / f"{cycle_utc:%Y%m%d%H}" / self.route.name

    def _set_aside(self, path: Path, why: str) -> None:
        """Move a bad file out of the way, with the reason beside it."""
        if not path.is_file():
            return
        folder = self.folder / "set-aside"
        folder.mkdir(parents=True, exist_ok=True)
        stem = "-".join((*path.parts[-4:-1], path.name.removesuffix(".part")))
        path.replace(folder / stem)
        (folder / f"{stem}.txt").write_text(f"{why}\n", encoding="utf-8")


def index_url(route: Route, root: str, item: Item) -> str:
    """Address of an item's index."""
    path = item.path
    if route.speech is Speech.ECMWF_INDEX:
        path = path.removesuffix(".grib2")
    return f"{root}/{path}{_ENDINGS[route.speech]}"


def entries_of(route: Route, text: str, item: Item, where: str) -> Sequence[Entry]:
    """Messages of an item as an index places them; `where` is what to call it in errors.

    Raises
    ------
    DecodeError
        If it is no index, or one of another cycle.
    """
    if route.speech is Speech.ECMWF_INDEX:
        found = ecmwf.known_names(ecmwf.read_index(text, where), item.product)
        return ecmwf.choose(found, item, where)
    return noaa.choose(noaa.read_index(text, where), item, where)


@contextmanager
def _behind_its_index(item: Item) -> Iterator[None]:
    """Name a file that is not there though its index is: nothing that waiting would help."""
    try:
        yield
    except NotYetError as error:
        raise SourceError(
            f"{error.message}, though its index is: the file or the script has another name now; "
            f"write it in the settings, [forecast.routes.files.{item.product.name}]",
            retry=True,
        ) from error


def _flush_folder(folder: Path) -> None:
    """Make a rename survive a loss of power, where the platform can."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
