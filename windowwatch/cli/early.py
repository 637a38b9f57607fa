"""What can be refused at once: a file that is not there, a misspelt site, a port in use.

Loads nothing but Python's own library: whoever mistypes a word waits for no numbers.
"""

from collections.abc import Iterable
from pathlib import Path

from windowwatch.errors import InputError, SettingsError
from windowwatch.settings.toml import read_toml, settings_text
from windowwatch.web.listen import listening
from windowwatch.wording.settings import nearest


def require_file(path: Path, what: str) -> None:
    """Refuse a file that is not there.

    Raises
    ------
    InputError
        Naming it; `what` says which file is wanted.
    """
    if not path.exists():
        raise InputError(f"{path}: no such file; give {what}")


def require_site(settings: Path, name: str) -> None:
    """Refuse a site that a settings file does not name.

    What else is wrong with the file is left to those who read it.

    Raises
    ------
    InputError
        Naming those there are, the nearest one first.
    """
    names = named_sites(settings)
    if names and name.lower() not in map(str.lower, names):
        raise no_such("site", name, names)


def named_sites(settings: Path) -> list[str]:
    """Names of the sites of a settings file; empty where they cannot be read."""
    try:
        sites = read_toml(settings_text(settings)).document.get("sites")
    except SettingsError:
        return []
    tables = sites if isinstance(sites, list) else []
    names = [table.get("name") for table in tables if isinstance(table, dict)]
    return [name for name in names if isinstance(name, str)]


def no_such(what: str, name: str, names: Iterable[str]) -> InputError:
    """What is said of a name that is not there."""
    there = list(names)
    meant = nearest(name, there)
    hint = f"did you mean {meant}? The" if meant else "the"
    return InputError(f"no {what} is called {name!r}; {hint} settings have {', '.join(there)}")


def require_free(host: str, port: int) -> None:
    """Refuse an address on which the page cannot listen.

    Raises
    ------
    InputError
        If it is not ours, or in use.
    """
    if port:
        listening(host, port).close()
