"""Cycles that are read and flown by other processes ahead of their turn.

Reading a cycle and flying it asks nothing of what is stored; comparing it with what was told does,
and takes little of the time. So the cycles to come are flown meanwhile, each by one process from
its files to its scored hours, and every processor has work. What comes out is to the bit what it is
one after the other.

Where flights are made with what was learned, a cycle is only read ahead: what it is flown with is
known when its turn comes.
"""

import threading
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, Self, TypeVar

from windowwatch.child import UNLIMITED, Child, ChildError, Progress, unheard
from windowwatch.forecast.cycle import CycleData
from windowwatch.forecast.notes import Notes
from windowwatch.forecast.sources import FoundCycle, load_cycle, size_bytes
from windowwatch.learning.learned import Belief
from windowwatch.watch.flying import FlownCycle, fly_cycle
from windowwatch.watch.values import Area, Watch, area_of

Answer = TypeVar("Answer")
#: Fetched cycles that were kept are files of this ending.
ARCHIVE = ".nc"
#: Size of the files of a cycle from which on a process for it is worth its start. [byte] Half a
#: second, against 2 s for 1 MB of small fields.
WORTH_BYTES = 1_000_000


@dataclass(frozen=True)
class Asked:
    """A cycle that is to be flown for a time; `keep` where its weather is wanted as well."""

    found: FoundCycle
    now_utc: datetime
    keep: bool = False


#: A cycle as it was flown, and its weather where that was asked for.
Given = tuple[FlownCycle, CycleData | None]
#: Gives a cycle that was begun; is told what it is flown with, and what to note of that.
Begun = Callable[[Belief, Notes, Progress], Given]


def read_stored(found: FoundCycle, *, area: Area) -> CycleData:
    """Read a cycle in this process alone: GRIB files, or a fetched cycle that was kept.

    Raises
    ------
    SourceError, DecodeError, MissingFieldError
        As `windowwatch.forecast.sources.load_cycle`.
    """
    if not found.files[0].endswith(ARCHIVE):
        return load_cycle(found, area=area, processes=1)
    from windowwatch.forecast.dataset import files_of, read_archive
    from windowwatch.forecast.normalise import build_cycle

    dataset = read_archive(Path(found.files[0]))  # of the area that it was kept for
    return build_cycle(dataset, found.cycle, files_of(dataset))


def fly_here(
    asked: Asked,
    watch: Watch,
    read: Callable[[FoundCycle], CycleData],
    belief: Belief,
    noted: Notes = (),
    progress: Progress = unheard,
) -> Given:
    """Read and fly a cycle in this process; the last three are given in its turn (`Begun`)."""
    data = read(asked.found)
    return _flown(data, asked, watch, belief, noted, progress)


def _flown(
    data: CycleData, asked: Asked, watch: Watch, belief: Belief, noted: Notes, progress: Progress
) -> Given:
    seen = replace(watch.as_seen_by(asked.found.cycle.model), belief=belief)
    flown = fly_cycle(data, seen, now_utc=asked.now_utc, noted=noted, progress=progress)
    return flown, data if asked.keep else None


@dataclass(eq=False)
class _Job:
    """A cycle that is begun. `turn` is set when it is known what it is flown with."""

    asked: Asked
    size_bytes: int
    turn: "Future[tuple[Belief, Notes]]" = field(default_factory=Future)
    given: "Future[Given]" = field(default_factory=Future)
    progress: Progress = unheard

    def tell(self, words: str, share: float) -> None:
        """Say how far it is to whoever waits for it by now."""
        self.progress(words, share)


class FlownAhead:
    """Processes that read and fly cycles, each begun when asked and given in its turn.

    They are started with the first cycle that is worth it (`WORTH_BYTES`) and stay; smaller ones
    before are read and flown by this process when they are asked for.

    One process takes the cycles in their order. The others take the largest that is begun: one of
    an ensemble takes as long as all the rest, and would else be flown alone at the end.

    Parameters
    ----------
    watch : Watch
        Every process is handed it once, with its map.
    processes : int
    """

    def __init__(self, watch: Watch, processes: int) -> None:
        self._watch = replace(watch, channels=())
        self._todo: list[_Job] = []
        self._changed, self._closed = threading.Condition(), False
        self._started, self._awaited = False, list[_Job]()
        self._threads = [
            threading.Thread(target=self._work, args=(number > 0,), name="cycles ahead")
            for number in range(processes)
        ]
        #: So many cycles should be begun at a time: who is done early has the next.
        self.at_once = 2 * processes

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def begin(self, asked: Asked) -> Begun:
        """Begin to read and fly a cycle.

        What is returned gives it, or raises as `read_stored` and `fly_cycle`; if the process
        dies, `windowwatch.child.ChildDiedError`.
        """
        job = _Job(asked, size_bytes(asked.found))
        if not self._started and job.size_bytes < WORTH_BYTES:
            read = partial(read_stored, area=area_of(self._watch.sites))
            return partial(fly_here, asked, self._watch, read)
        if not self._watch.use_learned:
            job.turn.set_result((self._watch.belief, ()))
        with self._changed:
            if not self._started:
                for thread in self._threads:
                    thread.start()
            self._started = True
            self._awaited.append(job)
            self._todo.append(job)
            self._changed.notify_all()

        def give(belief: Belief, noted: Notes, progress: Progress) -> Given:
            self._awaited.remove(job)  # its hours are large, and nobody asks for them again
            job.progress = progress
            if not job.turn.done():
                job.turn.set_result((belief, noted))
            return job.given.result()

        return give

    def close(self) -> None:
        """Read and fly no more; the processes end."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
        for job in self._awaited:
            job.turn.cancel()
        for thread in self._threads if self._started else ():
            thread.join()

    def _take(self, *, largest: bool) -> _Job | None:
        """The next cycle to work on, when there is one; None when all is over."""
        with self._changed:
            self._changed.wait_for(lambda: self._todo or self._closed)
            if self._closed:
                return None
            # what waits for its turn must not be waited for by what comes before it
            largest = largest and not self._watch.use_learned
            job = max(self._todo, key=lambda each: each.size_bytes) if largest else self._todo[0]
            self._todo.remove(job)
            return job

    def _work(self, largest: bool) -> None:
        with Child(UNLIMITED) as child:
            knows = False
            while (job := self._take(largest=largest)) is not None:
                try:
                    if not knows:
                        self._call(child, job, _know, self._watch)
                        knows = True
                    self._call(child, job, _read, job.asked.found)
                    job.given.set_result(
                        self._call(child, job, _fly, job.asked, *job.turn.result(), tells=True)
                    )
                except BaseException as error:  # told to whoever asks for it
                    job.given.set_exception(error)
                    knows = knows and not isinstance(error, ChildError)

    def _call(
        self, child: Child, job: _Job, work: Callable[..., Answer], *given: Any, tells: bool = False
    ) -> Answer:
        return child.call(
            work, given, what=f"flying {job.asked.found.cycle.id}",
            stopping=lambda: self._closed, progress=job.tell if tells else None,
        )  # fmt: skip


@dataclass
class _Held:
    """What a process of `FlownAhead` knows: the watch, and the cycle that it is about to fly."""

    watch: Watch | None = None
    data: CycleData | None = None


_HELD = _Held()


def _know(watch: Watch) -> None:
    _HELD.watch = watch


def _read(found: FoundCycle) -> None:
    watch = _HELD.watch
    assert watch is not None
    _HELD.data = read_stored(found, area=area_of(watch.sites))


def _fly(asked: Asked, belief: Belief, noted: Notes, progress: Progress) -> Given:
    watch, data = _HELD.watch, _HELD.data
    assert watch is not None
    assert data is not None
    _HELD.data = None
    return _flown(data, asked, watch, belief, noted, progress)
