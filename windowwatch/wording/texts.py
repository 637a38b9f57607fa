"""Words to send about a planned launch: templates that people edit, filled from the plan. Pure.

A template is a plain text with names like ``$site`` (`string.Template`, Python's own form; ``$$``
is a dollar). What is not known is said so in capitals: nobody reads a number in its place.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from math import floor
from string import Template

from windowwatch.errors import InputError
from windowwatch.launchday.flight import LevelTimes, PlannedFlight, Span
from windowwatch.launchday.plan import Plan
from windowwatch.launchday.releases import ReleaseTable
from windowwatch.launchday.team import Team
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.values import Site
from windowwatch.wording import page as words
from windowwatch.wording.phrases import compass, day_and_time
from windowwatch.wording.planpage import rate_words

UNKNOWN = "NOT KNOWN YET"


@dataclass(frozen=True)
class TextTemplate:
    """A text to send, as it stands in its file."""

    name: str
    file: str
    text: str

    def fill(self, values: Mapping[str, str]) -> str:
        """The text with its names filled in.

        Raises
        ------
        InputError
            As `check`.
        """
        self.check()
        return Template(self.text).substitute(values)

    def check(self) -> None:
        """Refuse what could not be filled.

        Raises
        ------
        InputError
            Naming the file, the first name that there is not, and those there are.
        """
        template = Template(self.text)
        for found in template.pattern.finditer(self.text):
            line = self.text.count("\n", 0, found.start()) + 1
            if found.group("invalid") is not None:
                raise InputError(
                    f"{self.file}, line {line}: a $ without a name; write $$ for a dollar"
                )
            name = found.group("named") or found.group("braced")
            if name is not None and name not in NAMES:
                raise InputError(
                    f"{self.file}, line {line}: ${name} is no name; there are "
                    f"{', '.join(f'${each}' for each in NAMES)}"
                )


@dataclass(frozen=True)
class About:
    """What texts are filled from.

    Attributes
    ----------
    flight : PlannedFlight or None
        Of the plan as it stands; None while it was not flown so.
    contacts : sequence of (str, str, str)
        Name, role and phone of those to be called, the first before all.
    """

    watch: str
    plan: Plan
    site: Site
    zone: tzinfo
    team: Team
    table: ReleaseTable | None
    flight: PlannedFlight | None
    contacts: Sequence[tuple[str, str, str]]


def text_values(about: About) -> dict[str, str]:
    """What each name of a template stands for."""
    return {name: make(about) or UNKNOWN for name, make in NAMES.items()}


def icao_place(latitude_deg: float, longitude_deg: float) -> str:
    """``4606N 03458W``: whole minutes, in the form of flight plans.

    References
    ----------
    .. [1] ICAO Doc 4444, appendix 2, item 15: degrees and minutes in eleven characters (from
       memory).
    """
    parts = []
    for value, width, signs in ((latitude_deg, 2, "NS"), (longitude_deg, 3, "EW")):
        minutes = floor(abs(value) * 60.0 + 0.5)
        parts.append(f"{minutes // 60:0{width}d}{minutes % 60:02d}{signs[value < 0.0]}")
    return " ".join(parts)


def _place(latitude_deg: float, longitude_deg: float) -> str:
    return (
        f"{icao_place(latitude_deg, longitude_deg)} "
        f"({words.place_words(latitude_deg, longitude_deg)})"
    )


def _utc(moment: datetime) -> str:
    return f"{moment.astimezone(UTC):%Y-%m-%d %H:%M} UTC"


def _span_utc(span: Span | None) -> str:
    if span is None:
        return ""
    early, late = span.early_utc.astimezone(UTC), span.late_utc.astimezone(UTC)
    return f"{span.middle_utc.astimezone(UTC):%H:%M} UTC ({early:%H:%M} to {late:%H:%M})"


def _span_local(span: Span | None, zone: tzinfo) -> str:
    if span is None:
        return ""
    early, late = span.early_utc.astimezone(zone), span.late_utc.astimezone(zone)
    return f"{span.middle_utc.astimezone(zone):%H:%M} local ({early:%H:%M} to {late:%H:%M})"


def _levels(about: About, side: Callable[[LevelTimes], Span | None]) -> str:
    """A line for each level that is asked for."""
    if about.flight is None or not about.flight.levels:
        return ""
    flown = {each.level_fl: each for each in about.flight.levels}
    lines = []
    for level in about.team.levels_fl:
        found = flown.get(level)
        span = None if found is None else side(found)
        lines.append(f"FL{level:03d} {_span_utc(span) or 'not reached by enough flights'}")
    return "\n".join(lines)


def _area(mark: Footprint | None) -> str:
    if mark is None:
        return ""
    return (
        f"nine in ten landings within an ellipse of {mark.major_90_m / 500.0:.0f} by "
        f"{mark.minor_90_m / 500.0:.0f} km about {_place(mark.latitude_deg, mark.longitude_deg)}, "
        f"its long axis towards {compass(mark.bearing_deg)}"
    )


def _train(about: About) -> str:
    train = about.plan.train
    return (
        f"balloon {train.balloon_mass_kg:g} kg filled with {train.gas}, payload with parachute and "
        f"line {train.payload_mass_kg:g} kg, balloon {train.burst_diameter_m:.1f} m across at the "
        "burst"
    )


def _looks(about: About) -> str:
    return about.team.looks or "SIZE AND COLOURS NOT GIVEN: set looks in [launchday]"


def _contact(who: tuple[str, str, str]) -> str:
    name, role, phone = who
    return f"{name}{f', {role}' if role else ''}, {phone}"


def _contacts(about: About) -> str:
    return "\n".join(map(_contact, about.contacts))


def _burst_height(about: About) -> str:
    height = None if about.flight is None else about.flight.burst_m
    if height is None:
        return ""
    return f"{height.middle / 1e3:.1f} km ({height.low / 1e3:.1f} to {height.high / 1e3:.1f})"


def _drive(about: About) -> str:
    detail = None if about.flight is None else about.flight.detail
    if detail is None or detail.drive is None or not detail.drive.latitude_deg:
        return ""
    drive = detail.drive
    return (
        f"{drive.minutes:.0f} min by road from {drive.start} to "
        f"{words.place_words(drive.latitude_deg[-1], drive.longitude_deg[-1])}"
    )


def _verdict(about: About) -> str:
    if about.flight is None:
        return ""
    chance = about.flight.chance
    said = "" if chance is None else f", chance {words.chance_words(chance)}"
    return f"{about.flight.verdict}{said}"


def _last_good(about: About) -> str:
    if about.table is None or about.flight is None or about.table.last_good_utc is None:
        return ""
    last = _both(about.table.last_good_utc, about)
    later = about.table.last_good_utc == about.table.rows[-1].time_utc
    return f"{last}, the last that was flown" if later else last


def _both(moment: datetime, about: About) -> str:
    return words.both_words(moment, about.zone)


def _flown(make: Callable[[PlannedFlight], str]) -> Callable[[About], str]:
    """What is known once the plan was flown."""
    return lambda about: "" if about.flight is None else make(about.flight)


#: Every name of a template, and what it is filled with; empty where it is not known.
NAMES: Mapping[str, Callable[[About], str]] = {
    "watch": lambda a: a.watch,
    "plan": lambda a: a.plan.key,
    "site": lambda a: a.site.name,
    "release_place": lambda a: _place(a.site.latitude_deg, a.site.longitude_deg),
    "height_m": lambda a: f"{a.site.height_m:.0f}",
    "release_utc": lambda a: _utc(a.plan.release_utc),
    "day": lambda a: words.day_words(a.plan.release_utc.astimezone(a.zone).date()),
    "release_local": lambda a: f"{day_and_time(a.plan.release_utc.astimezone(a.zone))} local",
    "last_good": _last_good,
    "verdict": _verdict,
    "rise": _flown(lambda f: "" if f.ascent_mps is None else rate_words(f.ascent_mps)),
    "levels_up": lambda a: _levels(a, lambda level: level.up),
    "levels_down": lambda a: _levels(a, lambda level: level.down),
    "burst_utc": _flown(lambda f: _span_utc(f.burst)),
    "burst_height": _burst_height,
    "landing_utc": _flown(lambda f: _span_utc(f.landing)),
    "landing_local": lambda a: "" if a.flight is None else _span_local(a.flight.landing, a.zone),
    "landing_place": _flown(
        lambda f: (
            ""
            if f.footprint is None
            else _place(f.footprint.latitude_deg, f.footprint.longitude_deg)
        )
    ),
    "landing_area": _flown(lambda f: _area(f.footprint)),
    "landing_way": _flown(lambda f: words.lands_words(f.drift_km, f.bearing_deg, f.road_km)),
    "drive": _drive,
    "train": _train,
    "looks": _looks,
    "gas": lambda a: str(a.plan.train.gas),
    "lift_kg": lambda a: f"{a.plan.train.nozzle_lift_kg:.2f}",
    "crew": lambda a: ", ".join(a.plan.crew) or "not named",
    "contact": lambda a: _contact(a.contacts[0]) if a.contacts else "NO CONTACT IN THE SETTINGS",
    "contacts": lambda a: _contacts(a) or "NO CONTACT IN THE SETTINGS",
    "forecast": lambda a: "" if a.table is None else words.cycle_words(a.table.cycle_id),
    "flown_utc": lambda a: "" if a.table is None else _utc(a.table.made_utc),
}
