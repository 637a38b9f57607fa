"""What every command about a flight shares: its database, and which flight is meant."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from windowwatch.errors import InputError

if TYPE_CHECKING:
    from windowwatch.chase.values import Flight
    from windowwatch.settings.read import Settings
    from windowwatch.storage.store import Store

NO_FLIGHT = "no flight is open; begin one with `windowwatch flight begin NAME`"
FLIGHT_HELP = "Key of the flight; needed only when several are open."


def flight_settings(command: Callable[..., Any]) -> Callable[..., Any]:
    """The settings file, which a flight can do without."""
    return click.option(
        "--settings",
        "settings_path",
        type=click.Path(path_type=Path),
        envvar="WINDOWWATCH_SETTINGS",
        show_envvar=True,
        help="A watch's settings, for its database; without, flights have one of their own.",
    )(command)


def flight_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Which flight is meant, where several are open."""
    return click.option("--flight", "key", metavar="KEY", help=FLIGHT_HELP)(command)


def settings_or_none(path: Path | None) -> "Settings | None":
    """Settings without their maps; None where no file is named."""
    from windowwatch.cli.common import settings_of

    return None if path is None else settings_of(path, maps=False)


def database_url_of(settings: "Settings | None") -> str:
    """The database of a watch, or the one that flights have of their own."""
    from windowwatch.settings.read import data_folder
    from windowwatch.storage.engine import sqlite_url

    if settings is not None:
        return settings.database_url()
    return sqlite_url(data_folder() / "flights.sqlite3")


@contextmanager
def flight_store(path: Path | None, settings: "Settings | None" = None) -> Iterator["Store"]:
    """The database that flights are in, made where there is none."""
    from windowwatch.storage.store import ready_store

    with ready_store(database_url_of(settings or settings_or_none(path))) as store:
        yield store


@contextmanager
def flights_looked_at(path: Path | None) -> Iterator["Store"]:
    """The same to look at: where there is no database yet, there is no flight, and none is made."""
    from windowwatch.storage.store import existing_store, missing_file

    url = database_url_of(settings_or_none(path))
    if missing_file(url) is not None:
        raise InputError(NO_FLIGHT)
    with existing_store(url) as store:
        yield store


def chosen_flight(store: "Store", key: str | None, *, closed: bool = False) -> "Flight":
    """The flight that was named, or the only one that is open."""
    if key is not None:
        found = store.flight(key)
        if found is None:
            raise InputError(
                f"there is no flight {key}; `windowwatch flight list` names those there are"
            )
        return found
    flights = store.flights()
    choice = [each for each in flights if each.closing is None]
    if not choice and closed:
        choice = list(flights[:1])
    if not choice:
        raise InputError(NO_FLIGHT)
    if len(choice) > 1:
        names = ", ".join(f"{each.key} ({each.begun.name})" for each in choice)
        raise InputError(f"several flights are open; say which with --flight: {names}")
    return choice[0]
