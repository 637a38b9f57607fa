"""Commands that look after what is kept: the ground file and the database."""

from pathlib import Path
from typing import Any

import click

from windowwatch.cli.common import errors_in_words, settings_of, settings_option
from windowwatch.clock import SystemClock


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
    type=click.FloatRange(10.0, 1000.0),
    default=100.0,
    show_default=True,
    help="Side of a cell.",
)
@click.option(
    "--reach-km",
    type=click.FloatRange(0.1, 1000.0),
    show_default="as in the settings",
    help="How far round every site.",
)
@click.option("--licence", help="Of the map, where it is not OpenStreetMap's.")
@click.option("--attribution", help="Of the map, where it is not OpenStreetMap's.")
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
    from windowwatch.cli.bar import progress_bar
    from windowwatch.cli.ground import build_ground, existing, request

    with errors_in_words(), progress_bar() as told:
        given |= {"map": existing(map_path), "out": str(out.resolve())}
        given |= {"terrain": existing(terrain), "population": existing(population)}
        wanted = {name: value for name, value in given.items() if value is not None}
        settings = settings_of(settings_path, maps=False)
        build_ground(request(settings, wanted, reach_km, SystemClock().now()), told)


@click.group("db")
def db_group() -> None:
    """Look after the database."""


@db_group.command("upgrade")
@settings_option()
def db_upgrade_command(settings_path: Path) -> None:
    """Bring the database's schema to this program's version."""
    with errors_in_words():
        from windowwatch.storage.ready import ready_store

        with ready_store(settings_of(settings_path, maps=False).database_url()) as store:
            click.echo(f"{store.place} is of this program's version")


@db_group.command("backup")
@settings_option()
@click.argument("target", metavar="FILE", type=click.Path(path_type=Path))
def db_backup_command(settings_path: Path, target: Path) -> None:
    """Copy the database to a new FILE, also while the daemon runs."""
    with errors_in_words():
        from windowwatch.storage.ready import existing_store

        with existing_store(settings_of(settings_path, maps=False).database_url()) as store:
            size = store.backup(target)
        click.echo(f"{target}: {size / 1e6:.1f} MB, whole and checked")


COMMANDS = (ground_group, db_group)
