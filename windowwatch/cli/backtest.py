"""The command `backtest`: stored cycles through the line as if live, and two settings compared."""

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import click

from windowwatch.child import UNLIMITED, Progress, in_child, unheard
from windowwatch.cli.common import errors_in_words, settings_of, settings_option
from windowwatch.cli.early import require_file
from windowwatch.errors import InputError

if TYPE_CHECKING:
    from windowwatch.settings.read import Settings
    from windowwatch.watch.run.backtest import Backtest
    from windowwatch.watch.run.rehearsal import Heard

#: What a child does: named, because it is imported there.
_ONE = "windowwatch.cli.backtest:run_one"


@click.command("backtest", short_help="Stored cycles as if live, and how good the answers were.")
@settings_option()
@click.option(
    "--against",
    type=click.Path(path_type=Path),
    help="Another settings file: both are flown, one on each core, and compared.",
)
@click.option(
    "--folder",
    "folders",
    type=click.Path(path_type=Path),
    multiple=True,
    help="Folder of stored cycles, with those below it; may be given several times.",
)
def backtest_command(settings_path: Path, against: Path | None, folders: tuple[Path, ...]) -> None:
    """Pass stored cycles through the line as if live, and show how good the answers were.

    Folders hold GRIB files or fetched cycles that were kept (.nc); left out: the folder in which
    forecasts arrive, or are kept once they are fetched. The rows are those of the live store, in
    a database of their own. With --against, a new limit, model or error table can be judged
    before it is used.
    """
    with errors_in_words():
        for folder in folders:
            require_file(folder, "a folder of stored cycles")
        paths = [settings_path] if against is None else [settings_path, against]
        if len({path.resolve() for path in paths}) < len(paths):
            raise InputError("--against names the same settings file; give another one")
        from windowwatch.cli import show

        files = [backtest_file(settings_of(path, maps=False)) for path in paths]
        with show.progress_bar() as told:
            found = _run(paths, folders, files, told)
        _show(found, paths, files)


def backtest_file(settings: "Settings") -> Path:
    """Where a backtest of these settings leaves its rows: named by watch and settings file."""
    from windowwatch.settings.read import data_folder

    return data_folder() / f"backtest-{settings.slug}-{settings.path.stem}.sqlite3"


def _run(
    paths: Sequence[Path], folders: tuple[Path, ...], files: Sequence[Path], told: Progress
) -> "list[Backtest]":
    """Each settings file in a process of its own, where there are two; else in this one."""
    if len(paths) == 1:
        return [run_one(paths[0], folders, files[0], min(2, os.cpu_count() or 1), progress=told)]
    if files[0] == files[1]:
        raise InputError(
            f"both settings files are called {paths[0].name} and are of one watch; rename one"
        )
    shares = [0.0, 0.0]

    def one(number: int) -> "Backtest":
        def tell(words: str, share: float) -> None:
            shares[number] = share
            told(f"{paths[number].stem}: {words}", sum(shares) / len(shares))

        given = (paths[number], folders, files[number], 1)
        what = f"the backtest of {paths[number]}"
        answer: Backtest = in_child(_ONE, given, UNLIMITED, what=what, progress=tell)
        return answer

    with ThreadPoolExecutor(2, "backtest") as pool:
        return list(pool.map(one, range(2)))


def run_one(
    path: Path,
    folders: tuple[Path, ...],
    database: Path,
    processes: int,
    *,
    progress: Progress = unheard,
) -> "Backtest":
    """One settings file over all cycles, into a new database in the place of the last one."""
    from windowwatch.cli.work import in_place_of
    from windowwatch.storage.engine import sqlite_url
    from windowwatch.storage.store import ready_store
    from windowwatch.watch.run.backtest import backtest, stored_cycles

    settings = settings_of(path)
    usual = settings.sources()[0].folder or settings.cache_folder
    stored = stored_cycles(folders or (usual,), settings.watch.model)
    for reason in stored.set_aside:
        click.echo(f"set aside: {reason}", err=True)
    with ExitStack() as opened:
        anew = opened.enter_context(in_place_of(database))
        store = opened.enter_context(ready_store(sqlite_url(anew)))
        return backtest(
            settings.watch,
            stored.cycles,
            store,
            available_after=settings.available_after,
            others=_others(settings, folders),
            progress=progress,
            processes=processes,
        )


def _others(settings: "Settings", folders: tuple[Path, ...]) -> "list[Heard]":
    """Cycles of the other models, where they lie."""
    from windowwatch.errors import SourceError
    from windowwatch.watch.run.backtest import stored_cycles
    from windowwatch.watch.run.rehearsal import Heard

    heard = []
    for source in settings.sources()[1:]:
        places = (source.folder,) if source.folder is not None else folders
        try:
            found = stored_cycles(places, source.model)
        except SourceError as error:
            click.echo(f"{source.model} is not heard: {error.message}", err=True)
            continue
        heard.append(Heard(found.cycles, source.available_after))
    return heard


def _show(found: "Sequence[Backtest]", paths: Sequence[Path], files: Sequence[Path]) -> None:
    from windowwatch.cli import show
    from windowwatch.cli.learned import print_compared, print_learned

    console = show.terminal()
    for each, path, file in zip(found, paths, files, strict=True):
        kinds = ", ".join(f"{count} {kind}" for kind, count in each.changes) or "none"
        show.print_note(
            console,
            f"{path.name}: {each.cycles} cycles, {each.first.id} to {each.last.id}; changes that "
            f"would have been told: {kinds}; rows are in {file}",
        )
    if len(found) == 1:
        settings = settings_of(paths[0], maps=False)
        print_learned(console, found[0].learned, settings.file.learning.use)
        return
    names = (paths[0].stem, paths[1].stem)
    models = tuple(each.first.model for each in found)
    print_compared(console, names, models, (found[0].learned, found[1].learned))


COMMANDS = (backtest_command,)
