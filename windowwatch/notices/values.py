"""The values of the notices floor: channels and messages."""

from dataclasses import dataclass, field

from windowwatch.errors import InputError
from windowwatch.windows.values import ChangeKind


@dataclass(frozen=True)
class Channel:
    """A way to tell somebody.

    Parameters
    ----------
    name : str
        What people and the database call it; never secret.
    url : str
        Address in apprise's form. It may hold a password or token, so it is shown nowhere,
        not even in `repr`.
    kinds : frozenset of ChangeKind
        Which changes are told here; all by default.
    """

    name: str
    url: str = field(repr=False)
    kinds: frozenset[ChangeKind] = frozenset(ChangeKind)

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise InputError("a channel has no name; give it one")


@dataclass(frozen=True)
class Message:
    """What is said: a title for a locked screen, and a body. `key` is in the body too."""

    title: str
    body: str
    key: str
