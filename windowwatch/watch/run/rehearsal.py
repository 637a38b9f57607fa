"""A rehearsal: stored cycles replayed on a simulated clock through the whole line."""

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from itertools import islice

from windowwatch.child import Progress, unheard
from windowwatch.clock import SimulatedClock
from windowwatch.errors import SourceError
from windowwatch.forecast.cycle import CycleData
from windowwatch.forecast.sources import FoundCycle, load_cycle
from windowwatch.learning.learned import Learned
from windowwatch.notices.deliver import Result, Send
from windowwatch.scoring.opinions import Role
from windowwatch.storage.store import Store
from windowwatch.watch.launchday.aloft import FlownToGround, fly_played
from windowwatch.watch.launchday.playing import Played, Told, play_launch
from windowwatch.watch.learned import believing, learn_when_due
from windowwatch.watch.pipeline import PassResult, pass_flown, recombine
from windowwatch.watch.run.ahead import Asked, Begun, fly_here
from windowwatch.watch.run.between import between_passes
from windowwatch.watch.values import Watch
from windowwatch.windows.values import Window

#: Tables that are made anew however new the last are.
_AT_ONCE = timedelta(0)


@dataclass(frozen=True)
class Heard:
    """Cycles of another weather model, and how long after its time each comes in."""

    found: tuple[FoundCycle, ...]
    available_after: timedelta


@dataclass(frozen=True)
class Rehearsal:
    """What a rehearsal gave: windows after the last pass of the deciding model, and notices.

    `played` is the launch that it ends with, where one was wanted and a window is open, and
    `flown` its flight, followed to the ground. `learned` is what its cycles say of one another.
    """

    windows: tuple[Window, ...]
    told: tuple[Told, ...]
    played: Played | None = None
    learned: Learned | None = None
    flown: FlownToGround | None = None


def rehearse(
    found: Sequence[FoundCycle],
    watch: Watch,
    store: Store,
    *,
    load: Callable[[FoundCycle], CycleData] = load_cycle,
    available_after: timedelta,
    send: Send,
    progress: Progress = unheard,
    passed: Callable[[PassResult], None] = lambda _: None,
    between: timedelta = timedelta(hours=1),
    others: Sequence[Heard] = (),
    begin: Callable[[Asked], Begun] | None = None,
    at_once: int = 1,
    launch: bool = False,
) -> Rehearsal:
    """Replay cycles in the order in which they come in.

    Parameters
    ----------
    found : sequence of FoundCycle
        At least one.
    watch : Watch
        Its channels are told through `send`.
    store : Store
        Of the present schema, best without earlier passes.
    load : callable
        Decodes a found cycle when its turn comes.
    available_after : timedelta
        The clock stands so long after a cycle's reference time when it is passed.
    send : callable
        What hands a message to a channel.
    progress : callable, optional
        Told what is done; the share is of the whole rehearsal.
    passed : callable, optional
        Shown each pass as it is stored, those of other models too. None is kept: their hours
        would add up to 50 MB in the demonstration.
    between : timedelta
        Between two cycles the clock stops so often to ask for decisions and to deliver what
        was held.
    others : sequence of Heard
        Cycles of the models that the watch asks what they think.
    begin, at_once : callable, int, optional
        In the place of `load`: begins to read and fly a cycle, and returns what gives it, as of
        `windowwatch.watch.run.ahead.FlownAhead`; so many cycles are begun at a time.
    launch : bool
        End with a planned launch in the best window that is open then, and follow its flight to
        the ground.

    Raises
    ------
    SourceError
        If there is no cycle.
    """
    if not found:
        raise SourceError("there is no cycle to rehearse; put GRIB files into the folder")
    ordered = _ordered(found, available_after, others)
    clock = SimulatedClock(ordered[0][0])
    windows: tuple[Window, ...] = ()
    told: list[Told] = []
    held: list[CycleData] = []

    def tell() -> None:
        done = between_passes(store, watch, clock, send=send)
        told.extend(Told(clock.now(), a.channel, a.message) for a in done.delivered.of(Result.SENT))

    def show(result: PassResult) -> None:
        nonlocal windows
        passed(result)
        if result.role is Role.PRIMARY:
            windows = result.windows

    asked = _asked(ordered, watch, launch=launch)
    coming = _coming(asked, begin or (lambda each: partial(fly_here, each, watch, load)), at_once)
    for number, (due, each) in enumerate(ordered):

        def step(words: str, share: float, done: int = number) -> None:
            progress(words, (done + 0.4 + 0.6 * share) / len(ordered))

        while clock.now() + between < due:
            clock.set(clock.now() + between)
            tell()
        clock.set(due)
        progress(f"{each.cycle.id}: reading", number / len(ordered))
        seen, noted = believing(watch.as_seen_by(each.cycle.model), store)
        cycle, data = next(coming)(seen.belief, noted, step)
        held += [] if data is None else [data]
        progress(f"{each.cycle.id}: windows", (number + 1.0) / len(ordered))
        show(pass_flown(cycle, seen, store, now_utc=clock.now()))
        if seen.role is Role.OPINION:
            weighed = recombine(watch, store, clock.now())
            if weighed is not None:
                show(weighed)
        tell()
    played = flown = None
    if held:
        progress("a planned launch, and its flight", 1.0)
        played, flown = _launched(held, watch, store, windows, clock, send)
    learned = learn_when_due(store, watch, clock.now(), _AT_ONCE)
    progress("done", 1.0)
    return Rehearsal(windows, tuple(told), played, learned, flown)


def _launched(
    held: Sequence[CycleData],
    watch: Watch,
    store: Store,
    windows: Sequence[Window],
    clock: SimulatedClock,
    send: Send,
) -> tuple[Played | None, FlownToGround | None]:
    """A launch in the best open window, and its flight in air that nobody forecast."""
    deciding = [data for data in held if data.cycle.model == watch.model]
    if not deciding:
        return None, None
    played = play_launch(deciding[-1], watch, store, windows, clock, send=send)
    if played is None:
        return None, None
    truth = next((data for data in held if data.cycle.model != watch.model), deciding[-1])
    return played, fly_played(played.key, deciding[-1], truth, watch, store, clock)


def _asked(
    ordered: Sequence[tuple[datetime, FoundCycle]], watch: Watch, *, launch: bool
) -> list[Asked]:
    """Cycles and the times they are flown for.

    For a launch the weather is kept of the last that decides and of the last that does not; that
    of the others would only take room.
    """
    decides = [each.cycle.model == watch.model for _, each in ordered]
    last = frozenset({each: number for number, each in enumerate(decides)}.values())
    return [
        Asked(each, due, keep=launch and number in last)
        for number, (due, each) in enumerate(ordered)
    ]


def _coming(
    asked: Sequence[Asked], begin: Callable[[Asked], Begun], at_once: int
) -> Iterator[Begun]:
    """What gives each cycle in its turn; so many are begun by then, that one included."""
    waiting: deque[Begun] = deque()
    ahead = iter(asked)
    for _ in asked:
        waiting.extend(map(begin, islice(ahead, at_once - len(waiting))))
        yield waiting.popleft()


def _ordered(
    found: Sequence[FoundCycle], available_after: timedelta, others: Sequence[Heard]
) -> list[tuple[datetime, FoundCycle]]:
    """Cycles as they come in; of two at one moment the deciding model's is the later one."""
    kinds = [Heard(tuple(found), available_after), *others]
    arrivals = [
        (each.cycle.reference_utc + kind.available_after, kind is kinds[0], each)
        for kind in kinds
        for each in kind.found
    ]
    arrivals.sort(key=lambda arrival: (*arrival[:2], arrival[2].cycle))
    return [(due, each) for due, _, each in arrivals]
