"""The take-along of a planned launch: one file for a phone without signal, no server, no script.

Named rules
-----------
worth
    It is to be decided by until the next forecast is due or the planned release is past,
    whichever comes first; after that only map, phones and cautions are of use. Its first line
    says so.
small
    It is at most 500 kB: the map is drawn with fewer roads, smallest first, until it fits.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cache
from importlib.resources import files
from itertools import pairwise
from typing import Protocol

from windowwatch.drawing.hour_map import MapView, Shape, draw
from windowwatch.errors import InputError, WindowwatchError
from windowwatch.forecast.cycle import Cycle
from windowwatch.scoring.values import Part
from windowwatch.web.pages.hourview import CheckRow, check_row
from windowwatch.web.pages.plans import PlanView
from windowwatch.web.values import Contact, Facts
from windowwatch.wording import planpage as said
from windowwatch.wording.credits import credit_lines, gathered
from windowwatch.wording.texts import About, text_values

#: The largest file. [byte]
LARGEST = 500_000
#: Vertices of the ground that the map is drawn with, tried one after the other.
_VERTICES = (12_000, 4_000, 1_000, 0)
#: Wide enough for its names to be read when it is spread with two fingers.
_SHAPE = Shape("tall", 480.0, 420.0, 620.0)
#: Most models run so often; taken where fewer than two cycles are stored.
_USUAL_STEP = timedelta(hours=6)


class Renders(Protocol):
    """Makes HTML of a template."""

    def render(self, name: str, **values: object) -> str:
        """HTML of a template."""
        ...


@dataclass(frozen=True)
class Text:
    """A text to send, filled; or why it cannot be."""

    name: str
    text: str


def contacts_at(facts: Facts, site: str) -> tuple[Contact, ...]:
    """Whom to call about a site."""
    return tuple(each for each in facts.contacts if each.sites is None or site in each.sites)


def about_plan(facts: Facts, view: PlanView) -> About:
    """What texts about a plan are filled from.

    Raises
    ------
    InputError
        If the settings do not have its site any more.
    """
    if view.site is None:
        raise InputError(said.NO_SITE)
    who = [(c.name, c.role, c.phone) for c in contacts_at(facts, view.plan.site)]
    return About(
        facts.watch, view.plan, view.site, view.zone, facts.team, view.table, view.flight, who
    )


def texts_of(facts: Facts, view: PlanView) -> tuple[tuple[Text, ...], str]:
    """Texts to send about a plan, and why there are none where a file is wrong."""
    try:
        values = text_values(about_plan(facts, view))
        return tuple(Text(each.name, each.fill(values)) for each in facts.texts()), ""
    except WindowwatchError as error:
        return (), error.message


def next_due_utc(cycles: Sequence[Cycle], available_after: timedelta) -> datetime | None:
    """When the next cycle is usually there; None before the first one.

    Parameters
    ----------
    cycles : sequence of Cycle
        Of the deciding model, the newest last.
    available_after : timedelta
        From a cycle's reference time until it is usually there.
    """
    if not cycles:
        return None
    times = [each.reference_utc for each in cycles]
    steps = [b - a for a, b in pairwise(times) if b > a]
    return times[-1] + min(steps, default=_USUAL_STEP) + available_after


def pack(
    pages: Renders,
    facts: Facts,
    view: PlanView,
    cycles: Sequence[Cycle],
    *,
    with_contacts: bool = True,
) -> str:
    """The file, as HTML.

    Parameters
    ----------
    pages : Renders
    facts : Facts
    view : PlanView
    cycles : sequence of Cycle
        Of the deciding model, the newest last.
    with_contacts : bool
        Whether phone numbers and texts are for this reader.

    Raises
    ------
    InputError
        If even without its map it is larger than it may be.
    """
    due = next_due_utc(cycles, facts.available_after)
    texts, fault = texts_of(facts, view) if with_contacts else ((), "")
    flown = () if view.table is None else (Cycle.of_id(view.table.cycle_id),)
    for vertices in _VERTICES:
        made = pages.render(
            "pack.html",
            facts=facts,
            view=view,
            first=said.pack_first_line(view.plan, view.zone, view.now_utc, due),
            drawing=_map(facts, view, vertices),
            thinned=vertices < _VERTICES[0],
            checks=_checks(view),
            contacts=contacts_at(facts, view.plan.site) if with_contacts else (),
            texts=texts,
            texts_fault=fault,
            credit=". ".join(gathered(credit_lines(flown, facts.ground))),
            style=_style(),
        )
        if len(made.encode()) <= LARGEST:
            return made
    raise InputError(
        f"the take-along would have {len(made.encode()) / 1e3:.0f} kB, more than "
        f"{LARGEST / 1e3:.0f}; shorten the texts to send"
    )


def _map(facts: Facts, view: PlanView, vertices: int) -> MapView | None:
    flight = view.flight
    if view.site is None or flight is None or flight.footprint is None:
        return None
    return draw(
        view.site,
        flight.footprint,
        facts.ground if vertices else replace(facts.ground, areas=None, roads=None),
        detail=flight.detail,
        zones=facts.zones,
        shape=_SHAPE,
        most=max(vertices, 1),
    )


def _checks(view: PlanView) -> tuple[CheckRow, ...]:
    """What holds at the site, and what is not at go later."""
    if view.flight is None:
        return ()
    return tuple(check_row(each) for each in view.flight.checks if each.part is Part.RELEASE)


@cache
def _style() -> str:
    """The file's own style, and that of maps."""
    own = files("windowwatch.web") / "static" / "pack.css"
    maps = files("windowwatch.drawing") / "static" / "map.css"
    return own.read_text(encoding="utf-8") + maps.read_text(encoding="utf-8")
