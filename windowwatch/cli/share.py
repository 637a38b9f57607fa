"""Links that let others read the results: made, listed and taken back in the terminal."""

import os
from datetime import timedelta
from pathlib import Path

import click

from windowwatch.cli.common import errors_in_words, settings_of, settings_option
from windowwatch.clock import SystemClock
from windowwatch.errors import InputError


@click.group("share", short_help="Let others read the results by links that end.")
def share_group() -> None:
    """Let others read the results: links that end by themselves and can be taken back.

    They work where the page asks for a token (`serve --host`, WINDOWWATCH_PAGE_TOKEN).
    """


@share_group.command("make", short_help="Make a link; it is shown this once.")
@settings_option()
@click.argument("name")
@click.option("--days", type=float, default=14.0, show_default=True, help="How long it holds.")
@click.option(
    "--address",
    help="Where others reach the page, as https://watch.example.org; [notices] page_url when left "
    "out.",
)
def make_command(settings_path: Path, name: str, days: float, address: str | None) -> None:
    """Make a link for NAME; it is shown this once, and only its hash is stored."""
    with errors_in_words():
        from windowwatch.storage.store import ready_store
        from windowwatch.web.access.guard import make_share, new_secret

        if not 0.0 < days < 10_000.0:
            raise InputError(f"--days {days:g} is not to be had; give 1 to 366")
        settings = settings_of(settings_path, maps=False)
        with ready_store(settings.database_url()) as store:
            new = make_share(
                store,
                settings.watch.name,
                name,
                timedelta(days=days),
                SystemClock().now(),
                new_secret(),
            )
        page = address or settings.watch.page_url or ""
        click.echo(f"{page.rstrip('/')}{new.path}")
        for words in _still_to_do(page):
            click.echo(words, err=True)
        click.echo(
            f"for {new.share.name}, until {new.share.expires_utc:%Y-%m-%d %H:%M} UTC; take it "
            f"back with: windowwatch share revoke {new.share.key}",
            err=True,
        )


def _still_to_do(page: str) -> list[str]:
    """What is missing before a link works for others; `page` is empty where it is not known."""
    from windowwatch.web.access.guard import TOKEN_ENV

    said = []
    if not page:
        said.append(
            "Put the address at which others reach the page before it, such as "
            "https://watch.example.org; [notices] page_url in the settings, or --address, does "
            "so by itself."
        )
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
@click.argument("key")
def revoke_command(settings_path: Path, key: str) -> None:
    """Take the link KEY back; `share list` shows the keys."""
    with errors_in_words():
        from windowwatch.storage.store import existing_store

        settings = settings_of(settings_path, maps=False)
        with existing_store(settings.database_url()) as store:
            share = store.revoke_share(
                settings.watch.name, key.strip(), now_utc=SystemClock().now()
            )
        if share is None:
            raise InputError(f"no link has the key {key!r}; `windowwatch share list` shows them")
        click.echo(f"the link for {share.name} is taken back")


COMMANDS = (share_group,)
