"""A backtest: stored cycles passed as if live, into a database of their own, and then judged."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

from windowwatch.child import Progress, unheard
from windowwatch.errors import ForecastError, SourceError
from windowwatch.forecast.cycle import Cycle
from windowwatch.forecast.dataset import archived_cycle
from windowwatch.forecast.sources import FoundCycle, scan_folder
from windowwatch.learning.learned import Learned
from windowwatch.storage.store import Store
from windowwatch.watch.run.ahead import ARCHIVE, FlownAhead
from windowwatch.watch.run.rehearsal import Heard, rehearse
from windowwatch.watch.values import Watch


@dataclass(frozen=True)
class Stored:
    """Cycles of one model that lie in folders, and files of them that cannot be used."""

    cycles: tuple[FoundCycle, ...]
    set_aside: tuple[str, ...]


@dataclass(frozen=True)
class Backtest:
    """What came of it.

    Attributes
    ----------
    cycles : int
        So many of the deciding model were passed.
    first, last : Cycle
    changes : tuple of (str, int)
        How many changes of each kind people would have been told.
    learned : Learned
        The tables.
    """

    cycles: int
    first: Cycle
    last: Cycle
    changes: tuple[tuple[str, int], ...]
    learned: Learned


def stored_cycles(folders: Iterable[Path], model: str) -> Stored:
    """Cycles in folders and the folders below them: GRIB files, and fetched ones that were kept.

    Of a cycle that is there twice, the first one is taken: what was kept before GRIB, and folders
    in the order in which they are named.

    Raises
    ------
    SourceError
        If a folder is not there, or there is no cycle at all.
    """
    found: dict[Cycle, FoundCycle] = {}
    aside: list[str] = []
    named = list(folders)
    for folder in _with_below(named):
        look = scan_folder(folder, model=model)
        kept = {file: _archived(Path(file)) for file in look.seen if file.endswith(ARCHIVE)}
        aside += [each.reason for each in look.set_aside if not each.path.endswith(ARCHIVE)]
        for file, cycle in kept.items():
            if isinstance(cycle, str):
                aside.append(cycle)
            elif cycle.model == model:
                found.setdefault(cycle, FoundCycle(cycle, (file,)))
        for each in look.cycles:
            found.setdefault(each.cycle, each)
    if not found:
        places = ", ".join(map(str, named))
        why = f"; {aside[0]}" if aside else ""
        raise SourceError(f"{places}: no cycle of {model} is there{why}")
    return Stored(tuple(found[cycle] for cycle in sorted(found)), tuple(aside))


def _with_below(folders: Sequence[Path]) -> list[Path]:
    """Folders, each with those below it, in order."""
    found: list[Path] = []
    for folder in folders:
        below = sorted(p for p in folder.rglob("*") if p.is_dir() and not p.name.startswith("."))
        found += [each for each in (folder, *below) if each not in found]
    return found


def _archived(file: Path) -> Cycle | str:
    try:
        return archived_cycle(file)
    except ForecastError as error:
        return error.message


def backtest(
    watch: Watch,
    cycles: Sequence[FoundCycle],
    store: Store,
    *,
    available_after: timedelta,
    others: Sequence[Heard] = (),
    progress: Progress = unheard,
    processes: int = 1,
) -> Backtest:
    """Pass stored cycles in the order in which they came in, and judge what was said.

    The rows are those of the live store; nobody is told anything.

    Parameters
    ----------
    watch : Watch
    cycles : sequence of FoundCycle
        Of the deciding model.
    store : Store
        Of the present schema, and empty.
    available_after : timedelta
        A cycle came in so long after its reference time.
    others : sequence of Heard
        Cycles of the models that are asked what they think.
    progress : callable, optional
    processes : int
        So many read and fly the next cycles while one is compared.
    """
    watch = replace(watch, channels=())
    with FlownAhead(watch, processes) as ahead:
        result = rehearse(
            cycles,
            watch,
            store,
            begin=ahead.begin,
            at_once=ahead.at_once,
            available_after=available_after,
            send=lambda _channel, _message: None,
            progress=progress,
            others=others,
        )
    assert result.learned is not None
    kinds = Counter(str(change.kind) for change in store.changes(watch.name))
    first, last = cycles[0].cycle, cycles[-1].cycle
    return Backtest(len(cycles), first, last, tuple(sorted(kinds.items())), result.learned)
