"""Every error that windowwatch raises on purpose.

::

    WindowwatchError
    ├── InputError          an argument of a pure computation is out of its domain
    ├── SettingsError       a settings file: names file, key, value and the fix
    ├── ForecastError       weather data: names the file or field
    │   ├── SourceError     a file or folder cannot be found or read
    │   ├── DecodeError     bytes that are not what they should be (cut off, foreign)
    │   ├── ImpossibleWeatherError  numbers that no weather can have, or that contradict
    │   └── MissingFieldError   a wanted field, level, step or member is not there
    ├── GroundError         a map file: names file and feature
    ├── StorageError        the database: locked, full, too old, gone
    └── DeliveryError       a notice that could not be handed to a channel
        └── UnansweredError     … or was, and nobody said whether it arrived

Each error answers one question for its caller: `retry`, whether the same call may
succeed later without anybody fixing anything. Foreign exceptions are translated at
the door of their library and never travel further.
"""


class WindowwatchError(Exception):
    """Base of all errors raised on purpose.

    Parameters
    ----------
    message : str
        One or two plain sentences: what is wrong, where, and how to fix it.
    retry : bool, default False
        True if the same call may succeed later without a change by anybody.
    """

    def __init__(self, message: str, *, retry: bool = False) -> None:
        super().__init__(message)
        self.message = message
        self.retry = retry

    @property
    def first_line(self) -> str:
        """The head of the message, for where there is room for no more."""
        return self.message.splitlines()[0] if self.message else "no reason is known"


class InputError(WindowwatchError):
    """An argument of a pure computation is outside its domain."""


class SettingsError(WindowwatchError):
    """A settings file is wrong; the message names file, key, value and fix."""


class ForecastError(WindowwatchError):
    """Weather data cannot be used."""


class SourceError(ForecastError):
    """A forecast file or folder cannot be found or read."""


class DecodeError(ForecastError):
    """Bytes are not the GRIB messages they should be."""


class ImpossibleWeatherError(ForecastError):
    """Sound bytes that hold no weather: fields that contradict one another, or stand still."""


class MissingFieldError(ForecastError):
    """A field, level, step or member that the work cannot do without is absent."""


class GroundError(WindowwatchError):
    """A map file is wrong; the message names the file and the feature."""


class StorageError(WindowwatchError):
    """The database refused: locked, full, of another schema version, or gone."""


class DeliveryError(WindowwatchError):
    """A notice could not be handed to a channel."""


class UnansweredError(DeliveryError):
    """A notice left whole and nothing was answered: it may have arrived."""


def shown(path: object) -> str:
    r"""Write a file's name for people: one with characters that cannot be printed in quotes.

    So no name can begin a line of its own in a log, or move the cursor of a terminal. Bytes
    that are not UTF-8 are written as ``\xff``.
    """
    name = str(path)
    if name.isprintable():
        return name
    readable = name.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
    return '"' + "".join(c if c.isprintable() else _escaped(c) for c in readable) + '"'


def _escaped(character: str) -> str:
    return character.encode("unicode_escape").decode("ascii")
