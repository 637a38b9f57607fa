"""Commands that make ready and look after: fill, check, notices try, ground build, db, share."""

import os
from datetime import timedelta
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from windowwatch.child import UNLIMITED, ChildDiedError, ChildMemoryError, Progress, in_child
from windowwatch.cli.common import (
    Address,
    Number,
    Words,
    clock_at,
    errors_in_words,
    settings_of,
    settings_option,
    site_called,
)
from windowwatch.cli.early import require_file, require_site
from windowwatch.clock import SystemClock
from windowwatch.errors import GroundError, InputError, WindowwatchError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from windowwatch.cli.show import Supply
    from windowwatch.settings.read import Settings

#: What builds a ground file: named, because this process must not import it.
BUILDER = "windowwatch.ground.build.builder:build_and_say"
#: What the builder needs beyond a plain installation (extra `maps`).
BUILDER_NEEDS = ("osmium", "rasterio", "scipy")
#: Options of `fill` by the key of [cylinders] that they override.
_CYLINDER_OPTIONS = {
    "water_l": "--cylinder-l",
    "pressure_bar": "--cylinder-bar",
    "residual_bar": "--residual-bar",
    "temperature_degc": "--cylinder-temperature",
    "flow_m3pmin": "--flow",
}
_LESS_WORK = "ask for larger cells (--cell-m) or less reach (--reach-km)"


@click.command("fill", short_help="How much gas: lift, cylinders, rise and burst.")
@settings_option()
@click.option("--site", help="Site; the first of the settings when left out.")
@click.option(
    "--rate", type=Number(0.5, 15.0, "m/s", "4.6 to 5.8"), help="Wanted mean ascent rate, m/s."
)
@click.option(
    "--burst", type=Number(1000.0, 60_000.0, "m", "25000 to 35000"), help="Wanted burst height, m."
)
@click.option(
    "--gas",
    type=Number(0.05, 500.0, "m³", "1 to 8"),
    help="Gas there is, m³ at 15 °C and 1013 hPa.",
)
@click.option("--wind", type=Number(0.0, 60.0, "m/s", "0 to 8"), help="Wind at the site, m/s.")
@click.option(
    "--temperature",
    type=Number(-70.0, 60.0, "°C", "-20 to 35"),
    help="Air temperature at the site, °C.",
)
@click.option(
    "--cylinder-l",
    "water_l",
    type=Number(0.5, 3000.0, "l", "10 to 50"),
    help="Litres of one cylinder.",
)
@click.option(
    "--cylinder-bar",
    "pressure_bar",
    type=Number(3.0, 1000.0, "bar", "150 to 300"),
    help="Pressure of a full one, bar.",
)
@click.option(
    "--residual-bar",
    type=Number(0.0, 500.0, "bar", "2 to 5"),
    help="Pressure at which one gives no more, bar.",
)
@click.option(
    "--cylinder-temperature",
    "temperature_degc",
    type=Number(-50.0, 65.0, "°C", "-20 to 35"),
    help="Of the cylinders, °C.",
)
@click.option("--gauge/--absolute", default=None, help="What both pressures are.")
@click.option(
    "--read-now/--stamped", default=None, help="Full pressure: as it is now, or at 15 °C."
)
@click.option(
    "--flow",
    "flow_m3pmin",
    type=Number(0.005, 50.0, "m³ a minute", "0.2 to 1"),
    help="Gas flow, m³ a minute.",
)
@click.option("--yes", is_flag=True, help="Go on with a lift that is far from what is usual.")
def fill_command(
    settings_path: Path,
    site: str | None,
    rate: float | None,
    burst: float | None,
    gas: float | None,
    wind: float | None,
    temperature: float | None,
    yes: bool,
    **held: float | bool | None,
) -> None:
    """Size the fill: lift, gas, cylinders, rise and burst, with warnings and cautions.

    Cylinders and flow are those of [cylinders] in the settings, where no option says otherwise.
    """
    with errors_in_words():
        if site is not None:
            require_site(settings_path, site)
        from windowwatch.cli.show import Wish, show_fill

        settings = settings_of(settings_path, maps=False)
        chosen = settings.watch.sites[0] if site is None else site_called(settings, site)
        show_fill(
            settings.watch.train,
            chosen,
            Wish(rate, burst, gas, wind, temperature),
            _supply(settings, held),
            sure=yes,
        )


def _supply(settings: "Settings", options: "Mapping[str, float | bool | None]") -> "Supply":
    """The cylinders of the settings, with what options say otherwise."""
    from windowwatch.cli.show import Supply

    said = {name: value for name, value in options.items() if value is not None}
    held = settings.file.cylinders.overridden(said, _CYLINDER_OPTIONS)
    return Supply(held.held(), held.flow_m3pmin)


@click.command("check", short_help="Say what is to be fixed before the daemon starts.")
@settings_option()
@click.option("--forecast", "plan_only", is_flag=True, help="Only what fetching would cost.")
@click.option("--live", is_flag=True, help="Only what providers have now: 20 small requests.")
@click.option(
    "--record",
    type=click.Path(path_type=Path),
    help="With --live: empty folder in which the answers are kept, secrets left out.",
)
@click.option("--at", "at", help="Time to take for now, as 2026-05-04T04:00Z.")
def check_command(
    settings_path: Path, plan_only: bool, live: bool, record: Path | None, at: str | None
) -> None:
    """Say what is wrong with settings, maps, forecasts, database and channels."""
    with errors_in_words():
        if live:
            from windowwatch.cli.checking import live_words

            live_words(settings_of(settings_path, maps=False), clock_at(at), record)
            return
        if record is not None:
            raise InputError("--record writes down what --live is answered; give both")
        from windowwatch.cli.checking import plan_lines
        from windowwatch.cli.show import folded

        if plan_only:
            settings = settings_of(settings_path, maps=False)
            lines = plan_lines(settings, clock_at(at))
            for line in lines:
                click.echo(folded(line.words))
            if not lines:
                click.echo(f"nothing is fetched: {settings.forecast_place}")
            return
        from windowwatch.cli.checking import check, what_is_read

        reads = what_is_read(settings_of(settings_path, maps=False))
        click.echo(folded(reads.line(), 6))  # before the reading, which takes a while
        findings = check(settings_of(settings_path), clock_at(at))
        for finding in findings:
            click.echo(folded(finding.line(), 6))
        if any(finding.wrong for finding in findings):
            raise WindowwatchError(f"{sum(f.wrong for f in findings)} finding(s) to fix")


@click.group("notices")
def notices_group() -> None:
    """Try the ways to tell people."""


@notices_group.command("try")
@settings_option()
@click.option("--channel", "name", type=Words(40), help="Only this channel.")
def notices_try_command(settings_path: Path, name: str | None) -> None:
    """Send one test notice to every channel."""
    with errors_in_words():
        from windowwatch.cli.checking import try_channels

        try_channels(settings_of(settings_path, maps=False), name, SystemClock().now())


@click.group("ground")
def ground_group() -> None:
    """Look after the map."""


@ground_group.command("build", short_help="Turn a map extract into the ground file of the watch.")
@settings_option()
@click.option(
    "--map",
    "map_path",
    type=click.Path(path_type=Path),
    required=True,
    help="OpenStreetMap extract (.osm.pbf).",
)
@click.option("--out", type=click.Path(path_type=Path), required=True, help="File to write.")
@click.option("--terrain", type=click.Path(path_type=Path), help="GeoTIFF of heights in metres.")
@click.option(
    "--population", type=click.Path(path_type=Path), help="GeoTIFF of people in each of its cells."
)
@click.option(
    "--cell-m",
    type=Number(10.0, 1000.0, "m", "50 to 100"),
    default=100.0,
    show_default=True,
    help="Side of a cell.",
)
@click.option(
    "--reach-km",
    type=Number(0.1, 1000.0, "km", "100 to 200"),
    show_default="as in the settings",
    help="How far round every site.",
)
@click.option("--licence", type=Words(200), help="Of the map, where it is not OpenStreetMap's.")
@click.option("--attribution", type=Words(200), help="Of the map, where it is not OpenStreetMap's.")
@click.option("--small", is_flag=True, help="Deflate the file: smaller, and slower to read.")
def ground_build_command(
    settings_path: Path,
    map_path: Path,
    out: Path,
    terrain: Path | None,
    population: Path | None,
    reach_km: float | None,
    **given: Any,
) -> None:
    """Turn a map extract into the ground file that the watch reads ([ground] file)."""
    with errors_in_words():
        require_file(map_path, "an OpenStreetMap extract (.osm.pbf): --map")
        for path, what in ((terrain, "a GeoTIFF of heights"), (population, "a GeoTIFF of people")):
            if path is not None:
                require_file(path, what)
    from windowwatch.cli.show import progress_bar

    with errors_in_words(), progress_bar() as told:
        given |= {"map": _whole(map_path), "out": str(out.resolve())}
        given |= {"terrain": _whole(terrain), "population": _whole(population)}
        wanted = {name: value for name, value in given.items() if value is not None}
        settings = settings_of(settings_path, maps=False)
        for words in build_ground(wanted | _wish(settings, reach_km), told):
            click.echo(words)


def _whole(path: Path | None) -> str:
    """A path that does not hang on the working folder."""
    return "" if path is None else str(path.resolve())


def _wish(settings: "Settings", reach_km: float | None) -> dict[str, Any]:
    """What the settings say of a ground file (see `windowwatch.ground.build.builder.Request`)."""
    from windowwatch.settings.read import bases

    sites, crews = bases(settings.file)
    return {
        "sites": [vars(base) for base in sites],
        "crews": [vars(base) for base in crews],
        "reach_m": 1000.0 * (reach_km or settings.file.ground.reach_km),
        "built_utc": f"{SystemClock().now():%Y-%m-%dT%H:%MZ}",
    }


def build_ground(asked: dict[str, Any], tell: Progress) -> list[str]:
    """Let a process of its own build the ground file; returns what it holds, in words.

    The builder uses libraries that must not share a process with those that read forecasts.

    Raises
    ------
    GroundError
        If a library is missing, or with what the builder found wrong.
    """
    missing = [name for name in BUILDER_NEEDS if find_spec(name) is None]
    if missing:
        raise GroundError(
            f"building ground needs {', '.join(missing)}; install them with "
            'pip install "windowwatch[maps]"'
        )
    try:
        lines: list[str] = in_child(
            BUILDER, (asked,), UNLIMITED, what="building ground", nicer_by=0, progress=tell
        )
    except ChildMemoryError as error:
        raise GroundError(f"not enough memory; {_LESS_WORK}") from error
    except ChildDiedError as error:
        raise GroundError(
            f"{error.message}; perhaps there was too little memory: {_LESS_WORK}"
        ) from error
    return lines


@click.group("db")
def db_group() -> None:
    """Look after the database."""


@db_group.command("upgrade")
@settings_option()
def db_upgrade_command(settings_path: Path) -> None:
    """Bring the database's schema to this program's version."""
    with errors_in_words():
        from windowwatch.storage.store import ready_store

        with ready_store(settings_of(settings_path, maps=False).database_url()) as store:
            click.echo(f"{store.place} is of this program's version")


@db_group.command("backup")
@settings_option()
@click.argument("target", metavar="FILE", type=click.Path(path_type=Path))
def db_backup_command(settings_path: Path, target: Path) -> None:
    """Copy the database to a new FILE, also while the daemon runs."""
    with errors_in_words():
        from windowwatch.storage.store import existing_store

        with existing_store(settings_of(settings_path, maps=False).database_url()) as store:
            size = store.backup(target)
        click.echo(f"{target}: {size / 1e6:.1f} MB, whole and checked")


@click.group("share", short_help="Let others read the results by links that end.")
def share_group() -> None:
    """Let others read the results: links that end by themselves and can be taken back.

    They work where the page asks for a token (`serve --host`, WINDOWWATCH_PAGE_TOKEN).
    """


@share_group.command("make", short_help="Make a link; it is shown this once.")
@settings_option()
@click.argument("name", type=Words(60))
@click.option(
    "--days",
    type=Number(0.01, 366.0, "days", "7 to 30"),
    default=14.0,
    show_default=True,
    help="How long it holds.",
)
@click.option(
    "--address",
    type=Address(web=True),
    help="Where others reach the page, as https://watch.example.org; [notices] page_url when left "
    "out.",
)
def make_command(settings_path: Path, name: str, days: float, address: str | None) -> None:
    """Make a link for NAME; it is shown this once, and only its hash is stored."""
    with errors_in_words():
        from windowwatch.storage.store import ready_store
        from windowwatch.web.access.guard import make_share, new_secret

        settings = settings_of(settings_path, maps=False)
        page = (address or settings.watch.page_url or "").rstrip("/")
        if not page:
            raise InputError(
                f"{settings_path}: [notices] page_url is not set, so no link is made: set it to "
                "where others reach the page, such as https://watch.example.org, or give --address"
            )
        with ready_store(settings.database_url()) as store:
            new = make_share(
                store,
                settings.watch.name,
                name,
                timedelta(days=days),
                SystemClock().now(),
                new_secret(),
            )
        click.echo(f"{page}{new.path}")
        for words in _still_to_do():
            click.echo(words, err=True)
        click.echo(
            f"for {new.share.name}, until {new.share.expires_utc:%Y-%m-%d %H:%M} UTC; take it "
            f"back with: windowwatch share revoke {new.share.key}",
            err=True,
        )


def _still_to_do() -> list[str]:
    """What is missing before a link works for others."""
    from windowwatch.web.access.guard import TOKEN_ENV

    said = []
    if not os.environ.get(TOKEN_ENV):
        said.append(
            f"{TOKEN_ENV} is not set here. A page that is started without it can be reached from "
            "its own machine only, and the link is of no use to others: set it before "
            "`windowwatch serve --host ...`."
        )
    return said


@share_group.command("list")
@settings_option()
def list_command(settings_path: Path) -> None:
    """Show the links there are."""
    with errors_in_words():
        from windowwatch.storage.store import existing_store

        settings = settings_of(settings_path, maps=False)
        with existing_store(settings.database_url()) as store:
            shares = store.shares(settings.watch.name)
        now = SystemClock().now()
        for share in shares:
            if share.revoked_utc is not None:
                state = f"taken back {share.revoked_utc:%Y-%m-%d %H:%M} UTC"
            else:
                word = "until" if share.holds(now) else "ended"
                state = f"{word} {share.expires_utc:%Y-%m-%d %H:%M} UTC"
            click.echo(f"{share.key}  {state}  {share.name}")
        if not shares:
            click.echo("no link has been made")


@share_group.command("revoke")
@settings_option()
@click.argument("key", type=Words())
def revoke_command(settings_path: Path, key: str) -> None:
    """Take the link KEY back; `share list` shows the keys."""
    with errors_in_words():
        from windowwatch.storage.store import existing_store

        settings = settings_of(settings_path, maps=False)
        with existing_store(settings.database_url()) as store:
            share = store.revoke_share(settings.watch.name, key, now_utc=SystemClock().now())
        if share is None:
            raise InputError(f"no link has the key {key!r}; `windowwatch share list` shows them")
        click.echo(f"the link for {share.name} is taken back")


COMMANDS = (fill_command, check_command, notices_group, ground_group, db_group, share_group)
