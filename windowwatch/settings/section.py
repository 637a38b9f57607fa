"""What every table of a settings file has in common."""

import re
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, ValidationInfo, field_validator

from windowwatch.settings.written import refuse_other_kind

_NAME = re.compile(r"^[A-Za-z0-9][A-Za-z0-9 ._-]{0,39}$")


class Section(BaseModel):
    """A table of the settings file. Unknown keys are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=False)

    @field_validator("*", mode="before")
    @classmethod
    def _of_its_own_kind(cls, value: Any, info: ValidationInfo) -> Any:
        key = info.field_name or ""
        refuse_other_kind(key, cls.model_fields[key].annotation, value)
        return value


def named(value: str) -> str:
    """Accept a name that people, files and the database can all carry."""
    if not _NAME.match(value):
        raise ValueError("give 1 to 40 letters, digits, spaces, dots, dashes or underscores")
    return value


def known_zone(value: str) -> str:
    """Accept a time zone that is known."""
    try:
        ZoneInfo(value)
    except (KeyError, ValueError, OSError) as error:
        raise ValueError('give an IANA time zone such as "Europe/Lisbon"') from error
    return value


def variable(value: str) -> str:
    """Accept the name of an environment variable, and nothing that could be a secret."""
    if not re.fullmatch(r"[A-Z][A-Z0-9_]*", value):
        raise ValueError(
            "give the NAME of an environment variable (capitals, digits, underscores) that "
            "holds the address; the address itself is a secret and does not belong here"
        )
    return value


def unique_names(items: tuple[Any, ...], what: str) -> None:
    """Refuse two sites or channels of one name: results are stored by it."""
    seen: set[str] = set()
    for item in items:
        if item.name in seen:
            raise ValueError(f"two {what} are called {item.name!r}; names must differ")
        seen.add(item.name)
