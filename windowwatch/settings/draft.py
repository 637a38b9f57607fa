"""A first settings file made of eight answers: each is checked, the file is text with comments.

Pure, but for the zones the machine knows: what day it is, is an argument.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from math import ceil
from textwrap import wrap
from zoneinfo import ZoneInfo, available_timezones

from pydantic import ValidationError

from windowwatch.errors import InputError
from windowwatch.physics.atmosphere import standard_atmosphere
from windowwatch.physics.balloon import BURST_DIAMETERS, usual_burst_diameter_m
from windowwatch.physics.fill import GAS_CAUTIONS, Fill, SiteAir, fill_for_ascent_rate
from windowwatch.physics.train import FlightTrain, Gas, canopy_area_m2
from windowwatch.settings.model import SiteSection, WatchSection, known_keys
from windowwatch.settings.section import known_zone, named, unique_names
from windowwatch.wording.settings import in_unit, nearest, validation_lines

#: What a first file fills for and lands at. [m s⁻¹] Common practice, no source; U.S. Federal
#: Meteorological Handbook No. 3 has soundings rise at 4.6 to 5.8 m/s (from memory).
RISE_MPS, LANDING_MPS = 5.0, 5.0
#: More times the balloon's mass than this nobody begins with. Common practice, no source.
MOST_PAYLOAD = 4.0
#: As far ahead as the model of a first file reaches. [days]
MOST_DAYS = 16
_WIDTH = 98


def place(text: str) -> str:
    """What the watch is called.

    Raises
    ------
    InputError
        If files and database could not carry it.
    """
    try:
        return named(text.strip())
    except ValueError as error:
        raise InputError(f"{text.strip()!r} cannot be a name here: {error}") from error


def zone(text: str) -> str:
    """The time zone of the place.

    Raises
    ------
    InputError
        If there is none of that name; with the one that was probably meant.
    """
    wanted = text.strip().replace(" ", "_")
    try:
        return known_zone(wanted)
    except ValueError as error:
        by_town = {each.rpartition("/")[2].lower(): each for each in sorted(available_timezones())}
        town = wanted.rpartition("/")[2]
        meant = by_town.get(nearest(town, by_town) or "")
        hint = f"; did you mean {meant}?" if meant else ""
        raise InputError(f"{text.strip()!r}: {error}{hint}") from error


_ANGLE = re.compile(r"([-+]?\d{1,3}(?:\.\d+)?)\s*°?([NSEW]?)", re.IGNORECASE)


def sites(text: str, time_zone: str = "UTC") -> tuple[SiteSection, ...]:
    """Launch sites: name, latitude, longitude and height of each, semicolons between them.

    Examples
    --------
    >>> [site.longitude_deg for site in sites("Millfield 45.60 -35.90 140; Moor 46.7N 35.5W 420")]
    [-35.9, -35.5]

    Raises
    ------
    InputError
        Saying which site, and how it is to be written.
    """
    found = tuple(_site(each, time_zone) for each in text.split(";") if each.strip())
    if not found:
        raise InputError("give at least one site, such as Millfield 45.60 -35.90 140")
    try:
        unique_names(found, "sites")
    except ValueError as error:
        raise InputError(str(error)) from error
    return found


def _site(text: str, time_zone: str) -> SiteSection:
    parts = re.split(r"[,\s]+", text.strip().strip(","))
    example = "name, latitude, longitude and height in metres, as Millfield 45.60 -35.90 140"
    if re.search(r"\d,\d", text) and len(parts) != 4:
        raise InputError(f"{text.strip()!r}: write a point, not a comma, in numbers: {example}")
    if len(parts) < 4:
        raise InputError(f"{text.strip()!r}: give {example}")
    name, (latitude, longitude, height) = " ".join(parts[:-3]), parts[-3:]
    high = re.fullmatch(r"([-+]?\d+(?:\.\d+)?)(m|ft)?", height, re.IGNORECASE)
    if high is None:
        raise InputError(f"{height!r} is no height; give {example}")
    height_m = float(high[1]) * (0.3048 if (high[2] or "").lower() == "ft" else 1.0)
    table = {
        "name": name,
        "latitude_deg": _degrees(latitude, "NS", example),
        "longitude_deg": _degrees(longitude, "EW", example),
        "height_m": round(height_m, 1),
        "time_zone": time_zone,
    }
    try:
        return SiteSection.model_validate(table)
    except ValidationError as error:
        findings = [dict(each) for each in error.errors(include_url=False)]
        said = "; ".join(validation_lines(findings, known_keys()))
        raise InputError(f"{name}: {said.removeprefix('the file: ')}") from error


def _degrees(text: str, sides: str, example: str) -> float:
    found = _ANGLE.fullmatch(text)
    side = found[2].upper() if found else ""
    if found is None or (side and side not in sides):
        raise InputError(
            f"{text!r} are no degrees here; south and west are below zero: give {example}"
        )
    number = float(found[1])
    return -abs(number) if side in ("S", "W") else number


def gas(text: str) -> Gas:
    """Hydrogen or helium.

    Raises
    ------
    InputError
        For anything else.
    """
    typed = {"h2": "hydrogen", "h": "hydrogen", "he": "helium"}.get(text.strip().lower())
    meant = typed or nearest(text.strip(), list(Gas))
    if meant is None or (typed is None and meant != text.strip().lower()):
        raise InputError(f"{text.strip()!r} is not a gas to fly with; give hydrogen or helium")
    return Gas(meant)


def balloon_kg(text: str) -> float:
    """Mass of an empty balloon of the table of burst diameters. [kg]

    Raises
    ------
    InputError
        If the table has none of that mass; with the nearest.
    """
    mass = _kilograms(text, "balloon")
    masses = [each for each, _ in BURST_DIAMETERS]
    near = min(masses, key=lambda each: abs(each - mass))
    if abs(near - mass) > 1e-6:
        raise InputError(
            f"no balloon of {mass:g} kg is in the table; give one of {table_words()} (the nearest: "
            f"{near:g}). Another is written into the file later, with its own burst_diameter_m"
        )
    return near


def table_words() -> str:
    """Masses of the table of burst diameters. [kg]"""
    return ", ".join(f"{mass:g}" for mass, _ in BURST_DIAMETERS)


def _kilograms(text: str, what: str) -> float:
    found = re.fullmatch(r"(\d+(?:[.,]\d+)?|\.\d+)\s*([a-z]*)", text.strip().lower())
    if found is None:
        raise InputError(f"{text.strip()!r} is no mass; give kilograms, such as 1.2, or 1200 g")
    if "," in found[1]:
        raise InputError(f"write a point, not a comma: {found[1].replace(',', '.')}")
    number = float(found[1])
    mass = in_unit(number, found[2] or "kg", "kg")
    if mass is None:
        raise InputError(f"{found[2]} is no unit of mass here; give kg or g")
    if not found[2] and number >= 50.0:
        raise InputError(f"a {what} of {number:g} kg cannot be; for grams write {number:g} g")
    return round(mass, 4)


def payload_kg(text: str, of: Gas, balloon: float, site: SiteSection) -> float:
    """Mass of all below the neck, which the balloon must lift at the usual rate. [kg]

    Raises
    ------
    InputError
        If it is no mass, or too much for the balloon.
    """
    mass = _kilograms(text, "payload")
    if not 0.01 <= mass <= 50.0:
        raise InputError(f"a payload of {mass:g} kg cannot be; give 0.01 to 50 (usual: 0.3 to 3)")
    if mass > MOST_PAYLOAD * balloon:
        raise InputError(
            f"{mass:g} kg are {mass / balloon:.0f} times the mass of the balloon (usual: up to 2 "
            "times); begin with less payload, or again with a greater balloon"
        )
    try:
        fill_of(of, balloon, mass, site)
    except InputError as error:
        raise InputError(
            f"a balloon of {balloon:g} kg does not lift {mass:g} kg at {RISE_MPS:g} m/s; give less "
            f"payload, or begin again with a greater balloon ({error.message})"
        ) from error
    return mass


def fill_of(of: Gas, balloon: float, payload: float, site: SiteSection) -> Fill:
    """The fill that rises at the usual rate from a site.

    Raises
    ------
    InputError
        If there is none.
    """
    air = standard_atmosphere(site.height_m)
    train = FlightTrain(
        balloon_mass_kg=balloon,
        payload_mass_kg=payload,
        nozzle_lift_kg=2.0 * payload,
        burst_diameter_m=usual_burst_diameter_m(balloon),
        parachute_area_m2=canopy_m2(payload),
        gas=of,
    )
    here = SiteAir(float(air.pressure_pa), float(air.temperature_k))
    return fill_for_ascent_rate(train, RISE_MPS, here)


def canopy_m2(payload: float) -> float:
    """Canopy that lands a payload at the usual speed, rounded up. [m²]"""
    return ceil(100.0 * canopy_area_m2(payload, LANDING_MPS)) / 100.0


@dataclass(frozen=True)
class Days:
    """So many days from now on, or from a day to a last one."""

    ahead: float | None = None
    first: date | None = None
    last: date | None = None


_SPAN = re.compile(r"(\d{4}-\d\d-\d\d)(?:\s*(?:to|until|/|,|\s)\s*(\d{4}-\d\d-\d\d))?")


def days(text: str, today: date) -> Days:
    """How many days ahead, or which days.

    Raises
    ------
    InputError
        If they are none, over, or more than forecasts see.
    """
    said = text.strip().removesuffix("days").removesuffix("day").strip()
    found = _SPAN.fullmatch(said)
    if found:
        try:
            first = date.fromisoformat(found[1])
            last = date.fromisoformat(found[2] or found[1])
        except ValueError as error:
            raise InputError(f"{said!r} is no day of the calendar ({error})") from error
        if last < first:
            raise InputError(f"{last} lies before {first}; give the first day, then the last")
        if last < today:
            raise InputError(f"{last} is over, today is {today}; give days to come")
        if last - first > timedelta(days=60):
            raise InputError(f"{first} to {last} are more than 60 days; give fewer at a time")
        return Days(first=first, last=last)
    if re.fullmatch(r"\d+,\d+", said):
        raise InputError(f"write a point, not a comma: {said.replace(',', '.')}")
    try:
        ahead = float(said)
        WatchSection(name="x", days_ahead=ahead)
    except ValueError as error:
        raise InputError(
            f"{text.strip()!r}: give how many days ahead, up to {MOST_DAYS} (usual: 6), or a first "
            "and a last day, such as 2026-05-05 to 2026-05-10"
        ) from error
    return Days(ahead=ahead)


@dataclass(frozen=True)
class Person:
    """Who is told: a channel, and the variable that is to hold its address."""

    name: str
    url_env: str


def people(text: str) -> tuple[Person, ...]:
    """Names of those who are told, commas between them.

    Examples
    --------
    >>> people("crew phones, Ines")[0]
    Person(name='crew phones', url_env='WINDOWWATCH_CREW_PHONES')

    Raises
    ------
    InputError
        If there is no name, or an address was given instead of one.
    """
    if "://" in text or "@" in text:
        raise InputError(
            "that is an address, and a secret: give a name, such as crew; you are then told the "
            "variable into which the address goes"
        )
    found = []
    for each in filter(None, map(str.strip, text.split(","))):
        name = place(each)
        found.append(Person(name, f"WINDOWWATCH_{re.sub(r'[^A-Z0-9]+', '_', name.upper())}"))
    if not found:
        raise InputError("give at least one name, such as crew: somebody must be told")
    if len({person.url_env for person in found}) < len(found):
        raise InputError("two names are alike; give names that differ in their letters")
    return tuple(found)


@dataclass(frozen=True)
class Answers:
    """The eight answers."""

    place: str
    time_zone: str
    sites: Sequence[SiteSection]
    gas: Gas
    balloon_kg: float
    payload_kg: float
    days: Days
    people: Sequence[Person]


def settings_of(answers: Answers, file: str, today: date) -> str:
    """The text of the settings file; `file` is its name, for the commands in its comments."""
    lines = [
        *_comment(
            f"Watch {answers.place}, begun with `windowwatch new` on {today}. config/skerra.toml "
            f"explains every key; `windowwatch check --settings {file}` says what is to be fixed."
        ),
        *_comment(
            f"CAUTION. {GAS_CAUTIONS[answers.gas]} Aviation rules, your authority's permission and "
            "licensed practice decide: a green hour is advice, never a clearance."
        ),
        "",
        *_watch(answers),
        "",
        *(line for site in answers.sites for line in _site_lines(site)),
        "",
        *_train(answers),
        "",
        *_comment(
            "CAUTION. There is no map yet, so NOBODY LOOKS where flights come down. Make one "
            "(`windowwatch ground build`), name it in [ground] file, and take these lines out."
        ),
        "[limits]",
        "no_landing.ask = false",
        "road.ask = false",
        "",
    ]
    for person in answers.people:
        variable = _noted(f'url_env = "{person.url_env}"', "variable that holds the address")
        lines += ["[[channels]]", f'name = "{person.name}"', variable]
    return "\n".join(lines) + "\n"


def _comment(words: str) -> list[str]:
    return [f"# {line}" for line in wrap(words, _WIDTH - 2, break_on_hyphens=False)]


def _noted(pair: str, note: str) -> str:
    return f"{pair:<36} # {note}"


def _watch(answers: Answers) -> list[str]:
    lines = ["[watch]", f'name = "{answers.place}"', 'model = "gfs"']
    if answers.days.first is None or answers.days.last is None:
        lines.append(_noted(f"days_ahead = {answers.days.ahead:g}", "from now on"))
    else:
        here = ZoneInfo(answers.time_zone)
        after = answers.days.last + timedelta(days=1)
        first, last = (
            datetime(day.year, day.month, day.day, tzinfo=here)
            for day in (answers.days.first, after)
        )
        lines.append(f"first_utc = {first.isoformat()}")
        lines.append(_noted(f"last_utc = {last.isoformat()}", "without this moment"))
    lines += [
        "[forecast]",
        _noted('source = "gfs-0.25"', "fetched by itself; other models: config/online.toml"),
    ]
    return lines


def _site_lines(site: SiteSection) -> list[str]:
    return [
        "[[sites]]",
        f'name = "{site.name}"',
        f"latitude_deg = {site.latitude_deg:g}",
        f"longitude_deg = {site.longitude_deg:g}",
        _noted(f"height_m = {site.height_m:g}", "above mean sea level"),
        f'time_zone = "{site.time_zone}"',
    ]


def _train(answers: Answers) -> list[str]:
    fill = fill_of(answers.gas, answers.balloon_kg, answers.payload_kg, answers.sites[0])
    lift = ceil(100.0 * fill.nozzle_lift_kg) / 100.0
    rise = f"on the scale at the neck; rises at about {RISE_MPS:g} m/s"
    lands = f"lands at {LANDING_MPS:g} m/s; yours, flat: 0.785 x diameter x diameter"
    burst = usual_burst_diameter_m(answers.balloon_kg)
    return [
        "[train]",
        f'gas = "{answers.gas}"',
        _noted(f"balloon_mass_kg = {answers.balloon_kg:g}", "the empty balloon"),
        _noted(f"payload_mass_kg = {answers.payload_kg:g}", "all below the neck"),
        _noted(f"nozzle_lift_kg = {lift:g}", rise),
        _noted(f"burst_diameter_m = {burst:g}", "common for this mass; the maker's is better"),
        _noted(f"parachute_area_m2 = {canopy_m2(answers.payload_kg):g}", lands),
    ]
