"""How far a long command is: a bar on a terminal, nothing where there is none."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

if TYPE_CHECKING:
    from windowwatch.watch.pipeline import Progress as Told


@contextmanager
def progress_bar() -> Iterator["Told"]:
    """A progress bar on a terminal; nothing where there is none."""
    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeElapsedColumn(),
        console=Console(stderr=True),
        transient=True,
        # what is printed meanwhile goes above the bar, unless it goes to a file
        redirect_stdout=sys.stdout.isatty(),
        disable=not Console(stderr=True).is_terminal,
    )
    with bar:
        task = bar.add_task("starting", total=1.0)
        yield lambda words, share: bar.update(task, description=words, completed=share)
