"""All that is wrong with a settings file, in one round: keys, values, and what does not fit.

A table is checked as a whole only when each of its keys is sound. So what was found wrong is taken
out, an innocent value put where one must be, and the rest is looked at again; what speaks of
anything that was taken out is not said.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from copy import deepcopy
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from pydantic import ValidationError

from windowwatch.errors import InputError, SettingsError
from windowwatch.settings.model import (
    SettingsFile,
    between_tables,
    known_keys,
    table_heads,
    usual_values,
)
from windowwatch.wording.settings import validation_lines

#: So often the rest is looked at again: a file of n tables could hide n layers, few hide two.
_ROUNDS = 5
#: What stands for a required key that is wrong or missing, while the rest is looked at. [SI]
_INNOCENT: Mapping[str, Mapping[str, Any]] = {
    "watch": {"name": "x"},
    "sites": {"name": "x", "latitude_deg": 45.0, "longitude_deg": 5.0, "height_m": 0.0},
    "train": {
        "balloon_mass_kg": 1.2, "payload_mass_kg": 1.5, "nozzle_lift_kg": 2.8,
        "burst_diameter_m": 8.63, "parachute_area_m2": 1.28,
    },
    "crew": {"name": "x", "latitude_deg": 45.0, "longitude_deg": 5.0},
    "packages": {"mass_kg": 0.001},
    "opinions": {"model": "x", "forecast_folder": "x"},
    "channels": {"name": "x", "url_env": "X"},
    "decisions": {"name": "x", "before_h": 24.0},
    "contacts": {"name": "x", "phone": "+1 555 0100"},
}  # fmt: skip


@dataclass
class Look:
    """What was found in a document.

    Attributes
    ----------
    file : SettingsFile or None
        The file; where something is wrong, the rest of it with innocent values, for checks on
        tables that are sound. None where not even that can be had.
    faults : list of str
        One for each thing that is wrong.
    touched : set of str
        Tables of which something is wrong; limits by their names, as ``limits.gust``.
    """

    file: SettingsFile | None = None
    faults: list[str] = field(default_factory=list)
    touched: set[str] = field(default_factory=set)


def look_over(document: dict[str, Any], *, lost: bool = False) -> Look:
    """Check a whole document, going on after each fault.

    Parameters
    ----------
    document : dict
        As TOML has it.
    lost : bool
        Whether lines of the file could not be read: what is missing then is not said.
    """
    look, rest, taken = Look(), document, set[tuple[Any, ...]]()
    for round_number in range(_ROUNDS):
        try:
            look.file = SettingsFile.model_validate(rest)
        except ValidationError as error:
            findings: list[dict[str, Any]] = [
                dict(item) for item in error.errors(include_url=False)
            ]
            told = [e for e in findings if _is_news(e, taken, first=round_number == 0, lost=lost)]
            look.faults += validation_lines(
                told, known_keys(), table_heads(), document, usual_values()
            )
            if rest is document:
                rest = deepcopy(document)
            for finding in findings:
                place = tuple(finding["loc"])
                taken.add(place)
                look.touched.add(_table_of(place))
                _take_out(rest, place, str(finding["type"]))
        else:
            break
    if look.file is not None:
        for tables, words in between_tables(look.file):
            if not tables & look.touched:
                look.faults.append(f"the file: {words}")
                look.touched |= tables
    return look


def _table_of(place: tuple[Any, ...]) -> str:
    parts = [str(part) for part in place if not isinstance(part, int)]
    if not parts:
        return ""
    return ".".join(parts[:2]) if parts[0] == "limits" and len(parts) > 1 else parts[0]


def _is_news(
    finding: Mapping[str, Any], taken: Iterable[tuple[Any, ...]], *, first: bool, lost: bool
) -> bool:
    """Whether a finding is one of its own, and not only of what was taken out before."""
    place, kind = tuple(finding["loc"]), finding["type"]
    if kind == "missing" and (lost or not first):
        return False
    if first:
        return True
    if kind == "too_short":
        return False
    words = set(re.findall(r"\w+", str(finding["msg"])))
    near = [each for each in taken if each[: len(place)] == place or each == place]
    return not any(str(each[-1]) in words for each in near if each)


def _take_out(rest: dict[str, Any], place: tuple[Any, ...], kind: str) -> None:
    """Take a key out of a document, or put an innocent value where one must be."""
    here: Any = rest
    for part in place[:-1]:
        try:
            here = here[part]
        except (KeyError, IndexError, TypeError):
            return
    if not place:
        return
    last = place[-1]
    table = next((str(part) for part in reversed(place[:-1]) if not isinstance(part, int)), "")
    if isinstance(here, dict):
        innocent = _INNOCENT.get(table, {})
        if last in innocent and kind != "extra_forbidden":
            count = next((part for part in reversed(place) if isinstance(part, int)), None)
            name = f"x{'' if count is None else count}"
            here[last] = name if innocent[last] == "x" else innocent[last]
        elif table == "" and last in ("watch", "train"):
            here[last] = dict(_INNOCENT[str(last)])
        elif table == "" and last == "sites":
            here[last] = [dict(_INNOCENT["sites"])]
        else:
            here.pop(last, None)
    elif isinstance(here, list) and isinstance(last, int) and last < len(here):
        if isinstance(here[last], dict) and table in _INNOCENT:
            here[last] = {**_INNOCENT[table], "name": f"x{last}"}
            if "name" not in _INNOCENT[table]:
                del here[last]["name"]
        else:
            here[last] = here[last - 1] if last else here[-1]


def refusals(head: str, build: Callable[[], object]) -> Iterator[str]:
    """What a floor's own value says when it is built, behind the name of its table; or nothing."""
    try:
        build()
    except (InputError, SettingsError) as error:
        yield f"{head}{error.message}"


def one_by_one(head: str, kind: Callable[..., Any], values: Mapping[str, Any]) -> Iterator[str]:
    """The same of each key alone, beside the defaults of the others.

    What is refused only of several keys together is found when all are tried, if each is sound.
    """
    alone = [said for key in values for said in refusals(head, partial(kind, **{key: values[key]}))]
    yield from dict.fromkeys(alone) if alone else refusals(head, partial(kind, **values))


def as_message(path: Any, faults: list[str]) -> str:
    """One message for all faults of a file."""
    head = "one thing is" if len(faults) == 1 else f"{len(faults)} things are"
    return f"{path}: {head} wrong:\n" + "\n".join(f"  {line}" for line in faults)
