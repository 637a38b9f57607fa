"""`windowwatch new`: eight questions, or options instead, and a settings file of one's own."""

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from windowwatch.cli.common import errors_in_words
from windowwatch.clock import Clock, SystemClock
from windowwatch.errors import InputError, SettingsError

if TYPE_CHECKING:
    from windowwatch.settings.draft import Answers

Value = TypeVar("Value")


@click.command("new", short_help="Begin a watch of your own: eight questions, one file.")
@click.argument("file", type=click.Path(path_type=Path), default=Path("my.toml"))
@click.option("--place", help="What the watch is called.")
@click.option("--time-zone", help="Of the place, as Europe/Lisbon.")
@click.option(
    "--site",
    "sites",
    multiple=True,
    metavar="NAME LAT LON M",
    help='Launch site, as "Millfield 45.60 -35.90 140"; may be given several times.',
)
@click.option("--gas", help="hydrogen or helium.")
@click.option("--balloon", help="Mass of the empty balloon, kg, one of the published table.")
@click.option("--payload", help="Mass of all below the neck, kg.")
@click.option("--days", help='Days ahead (6), or "2026-05-05 to 2026-05-10".')
@click.option("--tell", "people", multiple=True, help="Who is told; may be given several times.")
@click.option("--overwrite", is_flag=True, help="Write over FILE if it is there.")
def new_command(file: Path, overwrite: bool, **given: Any) -> None:
    """Begin a watch of your own: asks at most eight questions, and writes FILE (my.toml).

    What is given as an option is not asked. A wrong answer is asked again, with the reason;
    Ctrl-C leaves nothing behind. An existing file is kept unless you say --overwrite.
    """
    with errors_in_words():
        _require_place_for(file, overwrite)
        from windowwatch.settings import draft

        today = SystemClock().now().date()
        try:
            answers = ask(given, SystemClock())
        except click.Abort:
            click.echo("\nstopped; nothing is written", err=True)
            raise SystemExit(130) from None
        write(file, draft.settings_of(answers, str(file), today), overwrite=overwrite)
        _say_what_is_next(file, answers)


def _require_place_for(file: Path, overwrite: bool) -> None:
    """Refuse before any question what would be refused after the last."""
    if file.is_dir():
        raise InputError(f"{file} is a folder; name a file in it, such as {file / 'my.toml'}")
    if file.exists() and not overwrite:
        raise _already(file)
    folder = file.resolve().parent
    if not folder.is_dir():
        raise InputError(f"{file} cannot be written: {folder} is no folder; make it first")
    if not os.access(folder, os.W_OK | os.X_OK):
        raise InputError(f"{file} cannot be written: {folder} is not writable for you")


def _already(file: Path) -> InputError:
    return InputError(f"{file} is there already; name another file, or give --overwrite")


def ask(given: dict[str, Any], clock: Clock) -> "Answers":
    """The eight answers: from options, and asked for where an option is missing.

    Raises
    ------
    click.BadParameter
        If an option is wrong.
    click.Abort
        If whoever answers stops, or the answers end.
    """
    from windowwatch.settings import draft

    today = clock.now().date()
    count = _Questions(given)
    place = count("place", "Place, as the watch is to be called (Tagus valley)", draft.place)
    zone = count("time_zone", "Its time zone (Europe/Lisbon)", draft.zone)
    sites = count(
        "sites",
        "Launch sites: name, latitude, longitude, height in metres; several with ; between them\n"
        "(Millfield 45.60 -35.90 140). South and west are below zero",
        lambda text: draft.sites(text, zone),
    )
    gas = count("gas", "Gas: hydrogen or helium", draft.gas)
    balloon = count("balloon", f"Empty balloon, kg: {draft.table_words()}", draft.balloon_kg)
    payload = count(
        "payload",
        "Payload, kg: all below the neck, with parachute, line and tracker",
        lambda text: draft.payload_kg(text, gas, balloon, sites[0]),
    )
    days = count(
        "days",
        "Days: how many ahead, or a first and a last one (2026-05-05 to 2026-05-10)",
        lambda text: draft.days(text, today),
        usual="6",
    )
    people = count("people", "Who is told: names, commas between them", draft.people, usual="crew")
    return draft.Answers(place, zone, sites, gas, balloon, payload, days, people)


class _Questions:
    """Asks what no option has answered, and counts."""

    def __init__(self, given: dict[str, Any]) -> None:
        self._given = given
        self._asked = 0
        self._open = sum(not value for value in given.values())

    def __call__(
        self, key: str, words: str, read: Callable[[str], Value], usual: str | None = None
    ) -> Value:
        def checked(text: str) -> Value:
            try:
                return read(text)
            except InputError as error:
                raise click.BadParameter(error.message) from error

        given = self._given[key]
        if given:
            try:
                return checked(given if isinstance(given, str) else _JOIN[key].join(given))
            except click.BadParameter as error:
                error.param_hint = f"--{_OPTIONS.get(key, key)}"
                raise
        self._asked += 1
        answer: Value = click.prompt(
            f"{self._asked} of {self._open}. {words}",
            value_proc=checked,
            default=usual,
            prompt_suffix="\n> ",
        )
        return answer


_OPTIONS = {"time_zone": "time-zone", "sites": "site", "people": "tell"}
#: How several options are joined to one answer.
_JOIN = {"sites": ";", "people": ","}


def write(file: Path, text: str, *, overwrite: bool) -> None:
    """Write a settings file whole or not at all, after it was read like any other.

    Raises
    ------
    InputError
        If another has come in its place meanwhile.
    SettingsError
        If it cannot be written.
    """
    from windowwatch.settings.read import read_settings

    anew = file.resolve().with_name(f".{file.name}.{os.getpid()}.new")
    try:
        anew.write_text(text, encoding="utf-8")
        read_settings(anew)
        if overwrite:
            anew.replace(file)
        else:
            os.link(anew, file)  # refuses where a file has come meanwhile
    except FileExistsError as error:
        raise _already(file) from error
    except OSError as error:
        raise SettingsError(f"{file} cannot be written ({error.strerror})") from error
    finally:
        anew.unlink(missing_ok=True)


def _say_what_is_next(file: Path, answers: "Answers") -> None:
    """What was written, what it comes to, the cautions, and the next commands."""
    from windowwatch.cli.show import folded
    from windowwatch.physics.fill import GAS_CAUTIONS
    from windowwatch.settings.draft import fill_of

    fill = fill_of(answers.gas, answers.balloon_kg, answers.payload_kg, answers.sites[0])
    said: Sequence[str] = (
        f"{file} is written: read it, and change what is yours.",
        f"It fills {fill.standard_volume_m3:.1f} m³ of {answers.gas}, rises at "
        f"{fill.mean_rate_mps:.1f} m/s and bursts at about {fill.burst_height_m / 1000:.1f} km.",
        GAS_CAUTIONS[answers.gas],
        "Local aviation rules, your authority's permission and licensed practice come first.",
        "No map is named yet, so nobody looks where flights come down: see [limits] in the file.",
        "Next (forms of addresses stand in config/skerra.toml):",
    )
    for words in said:
        click.echo(folded(words))
    for person in answers.people:
        click.echo(f"  export {person.url_env}=ADDRESS   # of {person.name}")
    click.echo(f"  windowwatch check --settings {file}")
    click.echo(f"  windowwatch notices try --settings {file}")
    click.echo(f"  windowwatch serve --settings {file}")


COMMANDS = (new_command,)
