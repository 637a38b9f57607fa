"""A settings file in words: what is wrong with it and the fix, and keys as people write them."""

import difflib
import math
import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

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


#: What one of a unit is of the first unit of its row. Exact: international yard and pound (1959),
#: nautical mile (ISO 80000-3:2019, annex C); the rest by definition of the prefixes.
_ROWS: tuple[Mapping[str, float], ...] = (
    {"m": 1.0, "km": 1000.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "feet": 0.3048, "in": 0.0254,
     "inch": 0.0254, "mi": 1609.344, "nmi": 1852.0, "nm": 1852.0, "yd": 0.9144},
    {"mps": 1.0, "ms": 1.0, "m/s": 1.0, "kt": 1852.0 / 3600.0, "kn": 1852.0 / 3600.0,
     "kts": 1852.0 / 3600.0, "knots": 1852.0 / 3600.0, "kmh": 1 / 3.6, "kph": 1 / 3.6,
     "km/h": 1 / 3.6, "mph": 0.44704, "fps": 0.3048, "fpm": 0.3048 / 60.0, "mpmin": 1 / 60.0},
    {"kg": 1.0, "g": 0.001, "gr": 0.001, "gram": 0.001, "grams": 0.001, "lb": 0.45359237,
     "lbs": 0.45359237, "oz": 0.028349523125},
    {"m2": 1.0, "sqm": 1.0, "cm2": 1e-4, "ft2": 0.09290304, "sqft": 0.09290304, "km2": 1e6},
    {"s": 1.0, "sec": 1.0, "min": 60.0, "minutes": 60.0, "h": 3600.0, "hr": 3600.0, "hrs": 3600.0,
     "hours": 3600.0, "d": 86_400.0, "days": 86_400.0, "weeks": 604_800.0},
    {"share": 1.0, "pct": 0.01, "percent": 0.01, "%": 0.01, "oktas": 0.125},
    {"n": 1.0, "lbf": 4.4482216152605},
)  # fmt: skip
#: Degrees of these: what is one of them in kelvin, and where their zero is. [K]
_WARMTH = {
    "k": (1.0, 0.0), "c": (1.0, 273.15), "degc": (1.0, 273.15), "f": (5 / 9, 459.67 * 5 / 9),
    "degf": (5 / 9, 459.67 * 5 / 9),
}  # fmt: skip
_SUFFIX = re.compile(r"^(?P<stem>.+)_(?P<unit>[a-z0-9]+)$")


def in_unit(value: float, unit: str, wanted: str) -> float | None:
    """A number in another unit; None where the two are not of one kind.

    Examples
    --------
    >>> in_unit(30.0, "ft", "m")
    9.144
    >>> in_unit(1200, "g", "m") is None
    True
    """
    for row in _ROWS:
        if unit in row and wanted in row:
            return value * row[unit] / row[wanted]
    if unit in _WARMTH and wanted in _WARMTH:
        (scale, zero), (other_scale, other_zero) = _WARMTH[unit], _WARMTH[wanted]
        return (value * scale + zero - other_zero) / other_scale
    return None


@dataclass(frozen=True)
class _Other:
    """Another name for a key: which one, how the number is to be had, and why.

    `factor` makes a length, an area or a mass of ours out of the number in SI; `power` is 2 for
    the area of a circle.
    """

    key: str
    factor: float = 1.0
    power: int = 1
    why: str = ""


_FLAT = "which is the area of the canopy's cloth: of a flat circle π/4 of its diameter squared"
_ROUND = "which is measured across"
_DISC = _Other("parachute_area_m2", math.pi / 4.0, 2, _FLAT)
_DISC_OF_RADIUS = _Other("parachute_area_m2", math.pi, 2, _FLAT)

#: Names that people give to our keys, without their units.
_OTHERS: dict[str, _Other] = {
    **dict.fromkeys(
        ("parachute_diameter", "chute_diameter", "canopy_diameter", "parachute_size", "parachute"),
        _DISC,
    ),
    **dict.fromkeys(("parachute_radius", "chute_radius", "canopy_radius"), _DISC_OF_RADIUS),
    **dict.fromkeys(("chute_area", "canopy_area"), _Other("parachute_area_m2")),
    "burst_radius": _Other("burst_diameter_m", 2.0, 1, _ROUND),
    **dict.fromkeys(
        ("balloon_diameter", "balloon_burst_diameter", "diameter_at_burst"),
        _Other("burst_diameter_m", why="at which the balloon bursts"),
    ),
    "balloon_radius": _Other("burst_diameter_m", 2.0, 1, "at which the balloon bursts, across"),
    **dict.fromkeys(("balloon", "balloon_weight", "balloon_size"), _Other("balloon_mass_kg")),
    **dict.fromkeys(
        ("payload", "payload_weight", "load_mass"),
        _Other("payload_mass_kg", why="all below the neck"),
    ),
    **dict.fromkeys(
        ("neck_lift", "lift", "nozzle", "nozzle_mass"),
        _Other("nozzle_lift_kg", why="what the scale at the neck shows"),
    ),
    **dict.fromkeys(
        ("ascent_rate", "ascent", "ascent_speed", "climb_rate", "measured_ascent_rate"),
        _Other("measured_ascent_mps", why="only where it was measured; else the lift says it"),
    ),
    **dict.fromkeys(("purity",), _Other("gas_purity")),
    **dict.fromkeys(("gas_type", "lifting_gas"), _Other("gas")),
    **dict.fromkeys(
        ("parachute_cd", "chute_cd", "canopy_cd", "parachute_drag"),
        _Other("parachute_drag_coefficient"),
    ),
    **dict.fromkeys(("cd", "balloon_cd", "balloon_drag"), _Other("balloon_drag_coefficient")),
    **dict.fromkeys(("lat", "latitude"), _Other("latitude_deg")),
    **dict.fromkeys(("lon", "lng", "long", "longitude"), _Other("longitude_deg")),
    **dict.fromkeys(
        ("elevation", "altitude", "alt", "elev", "height"),
        _Other("height_m", why="above mean sea level"),
    ),
    **dict.fromkeys(("tz", "zone", "timezone"), _Other("time_zone")),
    **dict.fromkeys(("days", "days_to_watch", "watch_days"), _Other("days_ahead")),
    **dict.fromkeys(("step", "step_min"), _Other("launch_step_min")),
    **dict.fromkeys(
        ("url", "address", "url_variable"),
        _Other("url_env", why="the NAME of the variable that holds the address, which is a secret"),
    ),
    "folder": _Other("forecast_folder"),
    **dict.fromkeys(("site", "location", "launch_sites", "places"), _Other("sites")),
    **dict.fromkeys(("flight_train", "vehicle"), _Other("train")),
    **dict.fromkeys(("alerts", "notify", "phones", "people"), _Other("channels")),
    **dict.fromkeys(("weather", "gfs"), _Other("forecast")),
}

#: What is no key because it follows from others, and which those are.
_FOLLOWS = {
    **dict.fromkeys(
        ("burst_height", "burst_altitude"),
        ("burst_diameter_m", "follows from burst_diameter_m and the fill; give burst_diameter_m, "
         "and `windowwatch fill` says how high that is"),
    ),
    **dict.fromkeys(
        ("descent_rate", "descent", "descent_speed", "landing_speed"),
        ("parachute_area_m2", "follows from parachute_area_m2 and payload_mass_kg; give those, and "
         "`windowwatch fill` says how fast it lands"),
    ),
}  # fmt: skip


def nearest(name: str, names: Iterable[str]) -> str | None:
    """Which of some names was probably meant; capitals do not count."""
    by_small = {each.lower(): each for each in names}
    found = difflib.get_close_matches(name.lower(), list(by_small), n=1, cutoff=0.6)
    return by_small[found[0]] if found else None


def _parts(key: str) -> tuple[str, str]:
    """A key without its unit, and the unit; an empty one where it has none."""
    found = _SUFFIX.match(key)
    if found and (found["unit"] in _WARMTH or any(found["unit"] in row for row in _ROWS)):
        return found["stem"], found["unit"]
    return key.removesuffix("_deg"), ""


def meant_key(key: str, known: Collection[str]) -> str | None:
    """The key of a table that is meant by one it does not have; None where that is not known."""
    stem, unit = _parts(key)
    for name in known:
        its_stem, its_unit = _parts(name)
        if its_stem == stem and (unit or its_unit) and key != name:
            return name
    other = _OTHERS.get(stem) or _OTHERS.get(key)
    if other is not None and other.key in known:
        return other.key
    if stem == "free_lift" and "nozzle_lift_kg" in known:
        return "nozzle_lift_kg"
    if stem in _FOLLOWS and _FOLLOWS[stem][0] in known:
        return _FOLLOWS[stem][0]
    return nearest(key, known)


def unknown_key(
    key: str,
    value: Any,
    known: Iterable[str],
    elsewhere: Iterable[str] = (),
    beside: Mapping[str, Any] | None = None,
) -> str:
    """Say that a key does not exist, and which one was probably meant.

    A key that differs from a known one in its unit, or is another name for it, is answered with
    the value as it is wanted.

    Parameters
    ----------
    known : iterable of str
        Keys of the table.
    elsewhere : iterable of str
        Heads of the tables that have a key of this name.
    beside : mapping, optional
        The table, for what follows from two of its keys.

    Examples
    --------
    >>> unknown_key("limit_kt", 12, ["fine_mps", "limit_mps"])
    'is in a unit this key does not take; write limit_mps = 6.17333'
    """
    names = list(known)
    stem, unit = _parts(key)
    alike = [name for name in names if unit and _parts(name)[0] == stem and name != key]
    for name in alike:
        wanted = _parts(name)[1] or "share"
        if in_unit(1.0, unit, wanted) is not None:
            right = _number(value, unit, wanted)
            return f"is in a unit this key does not take; write {name}{right}"
    if len(alike) == 1 and _parts(alike[0])[1]:
        return f"is in a unit this key does not take; write {alike[0]}"
    tables = list(elsewhere)
    said = _other_name(key, value, names, beside or {})
    if said:
        return said
    if tables:
        more = " and others" if len(tables) > 3 else ""
        listed = f"{', '.join(tables[:3])}{more}" if more else " or ".join(tables)
        return f"is a key of {listed}; move it there"
    found = nearest(key, names)
    if found:
        return f"is not a key here; did you mean {found}?"
    return f"is not a key here; known keys: {', '.join(sorted(names))}"


def _other_name(key: str, value: Any, names: list[str], beside: Mapping[str, Any]) -> str:
    """What is said of a key that is another name for one of ours; empty where it is none."""
    stem, unit = _parts(key)
    if stem == "free_lift" and "nozzle_lift_kg" in names:
        return "is not a key here; give nozzle_lift_kg, free lift and payload together" + _sum(
            value, unit, beside.get("payload_mass_kg")
        )
    if stem in _FOLLOWS and _FOLLOWS[stem][0] in names:
        return f"is not a key here: it {_FOLLOWS[stem][1]}"
    other = _OTHERS.get(stem) or _OTHERS.get(key)
    if other is None or other.key not in names:
        return ""
    why = f", {other.why}" if other.why else ""
    right = ""
    if unit or other.key.endswith("_deg"):
        right = _figure(value, unit, other)
    elif isinstance(value, str) and other.key != "url_env":
        right = f' = "{value}"'
    elif not _parts(other.key)[1] and _is_number(value):
        right = f" = {value:.6g}"
    return f"is not a key here; the key is {other.key}{why}" + (
        f"; write {other.key}{right}" if right else ""
    )


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _number(value: Any, unit: str, wanted: str) -> str:
    """`` = number`` in the wanted unit, or nothing when the conversion is not known."""
    right = in_unit(value, unit, wanted) if _is_number(value) else None
    return "" if right is None else f" = {right:.6g}"


def _figure(value: Any, unit: str, other: _Other) -> str:
    """`` = number`` of a key from that of its other name."""
    if not _is_number(value):
        return ""
    if not unit:
        return f" = {value:.6g}"
    wanted = _parts(other.key)[1]
    length = in_unit(value, unit, "m" if other.power == 2 else wanted)
    if length is None:  # perhaps an area under the name of a length
        area = in_unit(value, unit, wanted)
        return "" if area is None else f" = {area:.6g}"
    return f" = {other.factor * length**other.power:.6g}"


def _sum(value: Any, unit: str, payload_kg: Any) -> str:
    free = in_unit(value, unit or "kg", "kg") if _is_number(value) else None
    if free is None or not _is_number(payload_kg):
        return ""
    return f"; write nozzle_lift_kg = {free + payload_kg:.6g}"
