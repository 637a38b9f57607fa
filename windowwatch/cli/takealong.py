"""What a crew takes along of a planned launch: one file for a phone, and the texts to send."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from windowwatch.cli.common import settings_of
from windowwatch.cli.planning import Desk
from windowwatch.errors import InputError
from windowwatch.launchday.team import called
from windowwatch.web.pages.pack import about_plan, pack
from windowwatch.web.pages.plans import PlanView
from windowwatch.web.reading import CYCLES_BACK, read_plan
from windowwatch.wording.texts import text_values

if TYPE_CHECKING:
    from windowwatch.web.values import Facts


def _view(desk: Desk, key: str, *, maps: bool) -> "tuple[Facts, PlanView]":
    """A plan as its page shows it; its map without ground where that is not asked for."""
    store, watch = desk.store, desk.watch
    facts = settings_of(desk.settings.path, maps=maps).page_facts(looks=True)
    facts = replace(facts, rehearsal=desk.rehearsal)
    entries, now = store.plan_entries(watch, key).entries, desk.now_utc
    if desk.rehearsal:
        marked = store.newest_pass(watch)
        now = now if marked is None else min(now, marked.saved_utc)
    return facts, read_plan(store, facts, key, entries, now)


def write_pack(desk: Desk, key: str, file: Path) -> None:
    """Write the take-along of a plan."""
    from windowwatch.web.pages.render import Pages

    facts, view = _view(desk, key, maps=True)
    cycles = [each.cycle for each in desk.store.cycles(desk.watch, last=CYCLES_BACK)]
    made = pack(Pages(), facts, view, cycles)
    try:
        file.write_text(made, encoding="utf-8")
    except OSError as error:
        raise InputError(f"{file}: cannot be written ({error.strerror})") from error
    click.echo(f"{file}: {len(made.encode()) / 1e3:.0f} kB; send it to the phones of the crew")


def print_texts(desk: Desk, key: str, name: str | None) -> None:
    """Print texts to send, all or one."""
    facts, view = _view(desk, key, maps=False)
    texts = facts.texts()
    if not texts:
        raise InputError('the settings name no folder of texts; give [launchday] texts = "texts"')
    if name is not None:
        wanted = called(name, [each.name for each in texts], "text")
        texts = tuple(each for each in texts if each.name == wanted)
    values = text_values(about_plan(facts, view))
    for why in view.old:
        click.echo(f"OLD: {why}", err=True)
    for number, each in enumerate(texts):
        if name is None:
            click.echo(f"{'' if number == 0 else chr(10)}--- {each.name}")
        click.echo(each.fill(values).rstrip())


def print_names(desk: Desk, key: str) -> None:
    """Print what each name of a text stands for."""
    facts, view = _view(desk, key, maps=False)
    for name, value in text_values(about_plan(facts, view)).items():
        click.echo(f"${name}: {value}")
