"""What is said when a settings file is wrong: file, key, value, and the fix."""

from collections.abc import Iterable, Iterator, Mapping
from datetime import date, datetime
from typing import Any

from windowwatch.wording.spellings import meant_key, unknown_key

#: Findings of pydantic that speak of its types, in words of a settings file.
_OWN_WORDS = {
    "int_from_float": "must be a whole number",
    "tuple_type": "must be a list in square brackets: {key} = [ … ]",
    "table_type": "may stand several times: write the head of each as [[{name}]]",
    "model_type": "must be a table, with the line [{name}] at its head, once",
    "model_attributes_type": "must be a table, with the line [{name}] at its head, once",
    "too_short": "must have at least one entry",
}
#: Findings of a number that is beyond its bounds.
_BEYOND = frozenset({"greater_than", "greater_than_equal", "less_than", "less_than_equal"})
#: Place of a table in a settings file, list positions left out.
Place = tuple[str, ...]


def validation_lines(
    errors: Iterable[Mapping[str, Any]],
    keys_at: Mapping[Place, Iterable[str]],
    heads: Mapping[Place, str] | None = None,
    document: Mapping[str, Any] | None = None,
    usual: Mapping[Place, str] | None = None,
) -> list[str]:
    """One line for each finding of pydantic: dotted key, value, what would be right.

    Parameters
    ----------
    errors : iterable of mapping
        As from ``ValidationError.errors()``.
    keys_at : mapping of tuple of str to iterable of str
        Known keys by the place they belong to.
    heads : mapping of tuple of str to str, optional
        How the head of a table is written, for keys that belong into another one.
    document : mapping, optional
        The whole file, for what is to be worked out from two keys.
    usual : mapping of tuple of str to str, optional
        What most would give for a number, by its place and key.
    """
    lines = []
    for error in _without_consequences(list(errors), keys_at):
        location = tuple(error["loc"])
        dotted = _dotted(location)
        value = error.get("input")
        kind = str(error["type"])
        if kind == "extra_forbidden":
            key = str(location[-1])
            elsewhere = [] if isinstance(value, Mapping) else _having(key, keys_at, heads or {})
            beside = _at(document or {}, location[:-1])
            known = list(_known(location, keys_at))
            said = unknown_key(key, value, known, elsewhere, beside)
            head = (heads or {}).get((meant_key(key, known) or "",))
            if len(location) == 1 and head and isinstance(value, Mapping | list):
                said = f"is not a key here; did you mean {head}?"
            lines.append(f"{dotted} = {_shown(value)}: {said}")
        elif kind == "missing":
            lines.append(f"{dotted}: is missing; it must be given")
        else:
            where = f"{dotted} = {_shown(value)}" if dotted else "the file"
            message = _message(kind, str(error["msg"]), location, value)
            most = (usual or {}).get((*_table(location), str(location[-1]))) if location else None
            of_bounds = kind in _BEYOND and most is not None
            lines.append(f"{where}: {message}{f' (usual: {most})' if of_bounds else ''}")
    return lines


def _having(
    key: str, keys_at: Mapping[Place, Iterable[str]], heads: Mapping[Place, str]
) -> list[str]:
    """Heads of the tables that have a key."""
    return [heads[place] for place, keys in keys_at.items() if place in heads and key in keys]


def _at(document: Mapping[str, Any], location: tuple[Any, ...]) -> Mapping[str, Any]:
    """The table at a place of the file; an empty one where there is none."""
    here: Any = document
    for part in location:
        try:
            here = here[part]
        except (KeyError, IndexError, TypeError):
            return {}
    return here if isinstance(here, Mapping) else {}


def _without_consequences(
    errors: list[Mapping[str, Any]], keys_at: Mapping[Place, Iterable[str]]
) -> Iterator[Mapping[str, Any]]:
    """Errors without those that only follow from others.

    A list is too short without its wrong items, and a key is missing because it stands there
    in another unit, under another name or misspelt, or in a wrong table.
    """
    places = [tuple(error["loc"]) for error in errors]
    inside = {place[:n] for place in places for n in range(len(place))}
    foreign = [p for p, e in zip(places, errors, strict=True) if e["type"] == "extra_forbidden"]
    meant = {(*p[:-1], meant_key(str(p[-1]), list(_known(p, keys_at)))) for p in foreign}
    lacking = [place[-1] for place, e in zip(places, errors, strict=True) if e["type"] == "missing"]
    astray = {place[-1] for place in foreign if lacking.count(place[-1]) == 1}
    for place, error in zip(places, errors, strict=True):
        if error["type"] == "too_short" and place in inside:
            continue
        if error["type"] == "missing" and (place in meant or place[-1] in astray):
            continue
        yield error


def _table(location: tuple[Any, ...]) -> tuple[str, ...]:
    """The table a key stands in, list positions left out."""
    return tuple(str(part) for part in location[:-1] if not isinstance(part, int))


def _known(
    location: tuple[Any, ...], keys_at: Mapping[tuple[str, ...], Iterable[str]]
) -> Iterable[str]:
    """Keys of the table that a key stands in; of tables with names of their own, of any of them."""
    table = _table(location)
    return keys_at.get(table) or keys_at.get(table[:-1], ())


def _message(kind: str, said: str, location: tuple[Any, ...], value: Any) -> str:
    """What pydantic says, in words of a settings file."""
    if kind == "tuple_type" and isinstance(value, Mapping):
        kind = "table_type"
    if kind in _OWN_WORDS:
        name = ".".join(str(part) for part in location if not isinstance(part, int))
        return _OWN_WORDS[kind].format(name=name, key=location[-1] if location else "")
    message = said.removeprefix("Value error, ")
    return (message[:1].lower() + message[1:]).replace("input should", "must")


def _dotted(location: tuple[Any, ...]) -> str:
    """``sites[2].height_m`` from a pydantic location; positions count from 1."""
    text = ""
    for part in location:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{part}" if text else str(part)
    return text


def _shown(value: Any) -> str:
    """A value as it stands in the file, cut short; addresses may hold a secret: not shown."""
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, str) and "://" in value:
        return f"{value.partition('://')[0]}://…"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, Mapping | list):
        return "{…}" if isinstance(value, Mapping) else "[…]"
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "…"
