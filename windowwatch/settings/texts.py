"""The folder of texts to send: read anew each time, so that an edit counts at once."""

from pathlib import Path

from windowwatch.errors import InputError, SettingsError
from windowwatch.wording.texts import TextTemplate

#: Larger files are no texts to send. [byte]
_LARGEST_FILE = 20_000
_MOST_FILES = 20


def read_texts(folder: Path) -> tuple[TextTemplate, ...]:
    """Every ``*.txt`` of a folder, by name, checked.

    Raises
    ------
    SettingsError
        Naming the file, what is wrong in it, and the fix.
    """
    if not folder.is_dir():
        raise SettingsError(f"{folder}: is not a folder; fix texts in [launchday], or leave it out")
    files = sorted(folder.glob("*.txt"))
    if not files:
        raise SettingsError(f"{folder}: holds no .txt file; put a text there, or leave texts out")
    return tuple(_read(file) for file in files[:_MOST_FILES])


def _read(file: Path) -> TextTemplate:
    try:
        if file.stat().st_size > _LARGEST_FILE:
            raise SettingsError(f"{file}: is too large to be a text to send; shorten it")
        made = TextTemplate(file.stem, str(file), file.read_text(encoding="utf-8"))
        made.check()
    except OSError as error:
        raise SettingsError(f"{file}: cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise SettingsError(f"{file}: is not UTF-8; save it as UTF-8") from error
    except InputError as error:
        raise SettingsError(error.message) from error
    return made
