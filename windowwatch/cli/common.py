"""What every command shares: its options and their bounds, errors in words, and stored results."""

import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, tzinfo
from functools import wraps
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import click

from windowwatch.cli.early import no_such
from windowwatch.clock import Clock, ShiftedClock, SystemClock, require_utc
from windowwatch.errors import InputError, StorageError, WindowwatchError
from windowwatch.settings.toml import settings_text

# What reads settings and databases takes a second to load, so each command loads it when it is
# really run: `--help` and a mistyped word are answered at once.
if TYPE_CHECKING:
    from windowwatch.scoring.values import Site
    from windowwatch.settings.read import Settings
    from windowwatch.storage.store import Store

    class _OfFloat(click.ParamType[float]): ...

    class _OfText(click.ParamType[str]): ...

else:
    _OfFloat = _OfText = click.ParamType

#: Up to so many times the payload's mass a nozzle lift is usual, unless the free lift is small
#: beside the whole train. Common practice, no source; usual are 1.5 to 4.
MOST_LIFT = 5.0
#: … free lift over the mass of balloon and payload.
MOST_FREE_LIFT = 2.0


class Number(_OfFloat):
    """A number between bounds; whoever misses them is told what is usual.

    Parameters
    ----------
    lowest, highest : float
        Beyond these nobody can mean it.
    unit : str
    usual : str
        What most would give, in words.
    """

    name = "number"

    def __init__(self, lowest: float, highest: float, unit: str, usual: str) -> None:
        self.lowest, self.highest, self.unit, self.usual = lowest, highest, unit, usual

    def convert(
        self, value: Any, param: click.Parameter | None, context: click.Context | None
    ) -> float:
        """The number.

        Raises
        ------
        click.BadParameter
            If it is none, or beyond the bounds.
        """
        try:
            number = float(value)
        except ValueError:
            if "," in str(value):
                self.fail(f"{value} has a comma; write a point: {str(value).replace(',', '.')}")
            self.fail(f"{value!r} is no number; give it in {self.unit}, without the unit")
        if not (isfinite(number) and self.lowest <= number <= self.highest):
            self.fail(
                f"{number:.10g} {self.unit} cannot be meant; give {self.lowest:g} to "
                f"{self.highest:g} {self.unit} (usual: {self.usual})",
                param,
                context,
            )
        return number


class Words(_OfText):
    """A name that can be shown: a few printable characters."""

    name = "text"

    def __init__(self, most: int = 80) -> None:
        self.most = most

    def convert(
        self, value: Any, param: click.Parameter | None, context: click.Context | None
    ) -> str:
        """The text without spaces around it.

        Raises
        ------
        click.BadParameter
            If it is empty, too long, or holds what cannot be printed.
        """
        text = str(value).strip()
        if not text or len(text) > self.most or not text.isprintable():
            self.fail(f"give 1 to {self.most} printable characters", param, context)
        return text


class Address(_OfText):
    """Where something listens or is reached: `web` asks for http:// or https:// before it."""

    name = "address"

    def __init__(self, *, web: bool = False) -> None:
        self.web = web

    def convert(
        self, value: Any, param: click.Parameter | None, context: click.Context | None
    ) -> str:
        """The address, without spaces around it and slashes behind it.

        Raises
        ------
        click.BadParameter
            If nothing can listen at it, or no browser open it; with what is usual.
        """
        text = str(value).strip().rstrip("/")
        if self.web:
            try:
                parts = urlsplit(text)
                # reading the port alone refuses one that is no number
                right = bool(
                    parts.scheme in ("http", "https") and parts.hostname and parts.port != 0
                )
            except ValueError:
                right = False
            usual = "https://watch.example.org"
        else:
            right = re.fullmatch(r"[0-9A-Za-z.:%-]{1,253}", text) is not None
            usual = "127.0.0.1 for this machine alone, 0.0.0.0 for all who reach it"
        if not right or any(each.isspace() for each in text):
            self.fail(f"{str(value)!r} is no address (usual: {usual})", param, context)
        return text


def unusual_lift(nozzle_lift_kg: float, payload_kg: float, balloon_kg: float) -> str | None:
    """Say that a nozzle lift is far from what is usual; None where it is not.

    Examples
    --------
    >>> unusual_lift(130.0, 3.25, 3.0)
    'a nozzle lift of 130 kg is 40 times the payload (usual: 1.5 to 4 times)'
    """
    free = nozzle_lift_kg - payload_kg
    if nozzle_lift_kg <= MOST_LIFT * payload_kg or free <= MOST_FREE_LIFT * (
        payload_kg + balloon_kg
    ):
        return None
    return (
        f"a nozzle lift of {nozzle_lift_kg:.3g} kg is {nozzle_lift_kg / payload_kg:.0f} times the "
        "payload (usual: 1.5 to 4 times)"
    )


#: The demonstration watch, from the top of the project.
EXAMPLE = Path("config/skerra.toml")
#: Forecasts of these years can be meant: the first GFS of today's name is of 1995 (from memory).
EARLIEST, LATEST = 1990, 2100
#: Said where no settings file is named.
NO_SETTINGS = "Missing option '--settings': name your settings file."


@contextmanager
def errors_in_words() -> Iterator[None]:
    """Turn our errors into one message and exit code 1; a stop by hand into 130."""
    try:
        yield
    except WindowwatchError as error:
        click.echo(f"error: {error.message}", err=True)
        sys.exit(1)
    except KeyboardInterrupt:
        click.echo("stopped", err=True)
        sys.exit(130)


def settings_option(default: Path | None = None) -> Callable[[Callable[..., Any]], Any]:
    """The option that names the settings file."""
    return click.option(
        "--settings",
        "settings_path",
        type=click.Path(path_type=Path),
        envvar="WINDOWWATCH_SETTINGS",
        default=default,
        callback=_named,
        show_default=default is not None,
        show_envvar=True,
        help="The settings file (TOML).",
    )


def _named(context: click.Context, _option: click.Parameter, path: Path | None) -> Path | None:
    """The path of the settings file, which must be named; not left to `required`.

    Some releases of click take ``default=None`` for a default, and ask for nothing.
    """
    if path is None and not context.resilient_parsing:
        raise click.UsageError(NO_SETTINGS, context)
    if path is not None and not context.resilient_parsing:
        with errors_in_words():
            settings_text(path)
    return path


def page_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options that say where the page is."""
    for option in (
        click.option("--port", type=click.IntRange(0, 65535), default=8750, show_default=True),
        click.option(
            "--host",
            type=Address(),
            default="127.0.0.1",
            show_default=True,
            help="Address of the page; beyond this machine it asks for WINDOWWATCH_PAGE_TOKEN.",
        ),
    ):
        command = option(command)
    return command


def settings_of(path: Path, *, maps: bool = True) -> "Settings":
    """Read a settings file; without its maps for commands that have no use for them."""
    from windowwatch.settings.read import read_settings

    return read_settings(path, maps=maps)


@dataclass(frozen=True)
class Where:
    """Which results are looked at: those of a daemon, or of the last rehearsal."""

    settings: Path
    rehearsal: bool


def results_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options that say which results are looked at; the command gets them as `where`."""

    @click.option("--rehearsal", is_flag=True, help="Results of the last rehearsal.")
    @click.option(
        "--settings",
        "settings_path",
        type=click.Path(path_type=Path),
        envvar="WINDOWWATCH_SETTINGS",
        show_envvar=True,
        help=f"The settings file (TOML); for --rehearsal {EXAMPLE} when left out.",
    )
    @wraps(command)
    def with_where(settings_path: Path | None, rehearsal: bool, **others: Any) -> Any:
        if settings_path is None and not rehearsal:
            raise click.UsageError(NO_SETTINGS)
        with errors_in_words():
            settings_text(settings_path or EXAMPLE)
        return command(where=Where(settings_path or EXAMPLE, rehearsal), **others)

    return with_where


def rehearsal_file(settings: "Settings") -> Path:
    """Where a rehearsal of these settings leaves its results."""
    from windowwatch.settings.read import data_folder

    return data_folder() / f"rehearsal-{settings.slug}.sqlite3"


def present(where: Where, store: "Store", watch: str) -> datetime:
    """The time at which results are looked at: for a rehearsal the end of it, as on its page."""
    mark = store.newest_pass(watch) if where.rehearsal else None
    return SystemClock().now() if mark is None else mark.saved_utc


@contextmanager
def results(where: Where) -> Iterator[tuple["Settings", "Store", str]]:
    """Settings, their open store, and the id of the newest cycle in it."""
    from windowwatch.storage.engine import sqlite_url
    from windowwatch.storage.store import existing_store, missing_file

    settings = settings_of(where.settings, maps=False)
    url = settings.database_url()
    if where.rehearsal:
        url = sqlite_url(rehearsal_file(settings))
        if missing_file(url) is not None:
            raise no_rehearsal(settings)
    if missing_file(url) is not None:
        raise _no_result(str(missing_file(url)), settings)
    with existing_store(url) as store:
        newest = store.latest_cycle(settings.watch.name)
        if newest is None:
            raise _no_result(store.place, settings)
        yield settings, store, newest.id


def no_rehearsal(settings: "Settings") -> StorageError:
    """What is said where there was no rehearsal yet."""
    return StorageError(
        f"{rehearsal_file(settings)} is not there: run `windowwatch rehearse` first"
    )


def _no_result(place: str, settings: "Settings") -> StorageError:
    return StorageError(
        f"{place} holds no result of watch {settings.watch.name!r}; run "
        "`windowwatch pass` or `windowwatch serve` first"
    )


def site_called(settings: "Settings", name: str) -> "Site":
    """The site that a person named.

    Raises
    ------
    InputError
        If the settings have none of that name.
    """
    for site in settings.watch.sites:
        if site.name.lower() == name.lower():
            return site
    raise no_such("site", name, (site.name for site in settings.watch.sites))


def parse_time(text: str, zone: tzinfo | None = None) -> datetime:
    """Aware UTC time from what a person typed; without a zone of its own it is in `zone`.

    Raises
    ------
    InputError
        If it is no time, or carries no zone and none is given.
    """
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        example = "2026-05-04T04:00Z"
        if zone is not None:
            example = (
                f"2026-05-04T04:00, local to the site, or with its zone as {example}; a day "
                "alone as 2026-05-04"
            )
        raise InputError(f"{text!r} is no time; write it as {example}") from error
    if not EARLIEST <= moment.year < LATEST:
        raise InputError(f"{text} is not of our time; give a year from {EARLIEST} to {LATEST - 1}")
    if moment.tzinfo is None and zone is not None:
        moment = moment.replace(tzinfo=zone)
    return require_utc(moment)


def day_typed(text: str) -> date | None:
    """A day that was typed alone; None for what has an hour, or is none."""
    try:
        return date.fromisoformat(text) if len(text) == len("2026-05-08") else None
    except ValueError:
        return None


def clock_at(at: str | None) -> Clock:
    """The machine's clock, or one that starts at a given time."""
    return SystemClock() if at is None else ShiftedClock(parse_time(at))
