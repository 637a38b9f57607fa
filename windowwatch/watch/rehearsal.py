"""A rehearsal: stored cycles replayed on a simulated clock through the whole line."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from windowwatch.clock import SimulatedClock
from windowwatch.errors import SourceError
from windowwatch.forecast.cycle import CycleData
from windowwatch.forecast.sources import FoundCycle
from windowwatch.notices.deliver import Result, Send
from windowwatch.notices.values import Message
from windowwatch.storage.store import Store
from windowwatch.watch.between import between_passes
from windowwatch.watch.pipeline import PassResult, Progress, run_pass
from windowwatch.watch.values import Watch


@dataclass(frozen=True)
class Told:
    """A notice, and when it was handed over by the simulated clock."""

    at_utc: datetime
    channel: str
    message: Message


@dataclass(frozen=True)
class Rehearsal:
    """What a rehearsal gave, in order."""

    passes: tuple[PassResult, ...]
    told: tuple[Told, ...]


def rehearse(
    found: Sequence[FoundCycle],
    watch: Watch,
    store: Store,
    *,
    load: Callable[[FoundCycle], CycleData],
    available_after: timedelta,
    send: Send,
    progress: Progress = lambda _words, _share: None,
    between: timedelta = timedelta(hours=1),
) -> Rehearsal:
    """Replay cycles in the order of their reference times.

    Parameters
    ----------
    found : sequence of FoundCycle
        At least one.
    watch : Watch
        Its channels are told through `send`.
    store : Store
        Of the present schema, best without earlier passes.
    load : callable
        Decodes a found cycle.
    available_after : timedelta
        The clock stands so long after a cycle's reference time when it is passed.
    send : callable
        What hands a message to a channel.
    progress : callable, optional
        Told what is done; the share is of the whole rehearsal.
    between : timedelta
        Between two cycles the clock stops so often to ask for decisions and to deliver what
        was held.

    Raises
    ------
    SourceError
        If there is no cycle.
    """
    if not found:
        raise SourceError("there is no cycle to rehearse; put GRIB files into the folder")
    ordered = sorted(found, key=lambda each: each.cycle)
    clock = SimulatedClock(ordered[0].cycle.reference_utc + available_after)
    passes: list[PassResult] = []
    told: list[Told] = []

    def tell() -> None:
        done = between_passes(store, watch, clock, send=send)
        told.extend(Told(clock.now(), a.channel, a.message) for a in done.delivered.of(Result.SENT))

    for number, each in enumerate(ordered):

        def step(words: str, share: float, done: int = number) -> None:
            progress(words, (done + 0.4 + 0.6 * share) / len(ordered))

        due = each.cycle.reference_utc + available_after
        while clock.now() + between < due:
            clock.set(clock.now() + between)
            tell()
        clock.set(due)
        progress(f"{each.cycle.id}: reading", number / len(ordered))
        data = load(each)
        passes.append(run_pass(data, watch, store, now_utc=clock.now(), progress=step))
        tell()
    progress("done", 1.0)
    return Rehearsal(tuple(passes), tuple(told))
