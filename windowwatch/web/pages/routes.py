"""The pages of launch hours, and the layers of their maps."""

from datetime import datetime
from typing import Protocol

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from windowwatch.forecast.cycle import Cycle
from windowwatch.scoring.detail import HourDetail
from windowwatch.scoring.values import Hour, Site
from windowwatch.web.draw.layers import map_layers
from windowwatch.web.pages.hourview import hour_view
from windowwatch.web.pages.leaflet import LEAFLET_URL, leaflet_files
from windowwatch.web.reading import Reader, Snapshot
from windowwatch.web.values import Facts, from_stamp, site_keys

_Story = list[tuple[Cycle, Hour | None]]


class Page(Protocol):
    """Makes a page from a template, with what stands on all of them."""

    def __call__(
        self, request: Request, name: str, snapshot: Snapshot | None, **values: object
    ) -> Response:
        """Answer with the page."""
        ...


class HourRoutes:
    """Shows launch hours of one watch."""

    def __init__(self, reader: Reader, facts: Facts, page: Page) -> None:
        self._reader = reader
        self._facts = facts
        self._page = page
        self.routes: list[BaseRoute] = [
            Route("/hour/{site}/{time}", self.hour),
            Route("/hour/{site}/{time}/layers.json", self.layers),
            leaflet_files(),
        ]

    def hour(self, request: Request) -> Response:
        """One launch hour; of one that is over, what the last cycle that saw it said."""
        snapshot, site, story = self._asked(request)
        cycle, found = _answer(story)
        view = hour_view(
            self._facts,
            site,
            found,
            cycle=cycle,
            newest=cycle == snapshot.cycle.cycle,
            story=story,
            hours=[h for h in snapshot.hours if h.site == site.name],
            windows=[w for w in snapshot.windows if w.site == site.name],
            detail=self._detail(found, cycle),
        )
        return self._page(request, "hour.html", snapshot, view=view, leaflet=LEAFLET_URL)

    def layers(self, request: Request) -> Response:
        """What the map of a launch hour holds, for the map that can be moved."""
        _, site, story = self._asked(request)
        cycle, found = _answer(story)
        if found.footprint is None:
            raise HTTPException(404)
        detail = self._detail(found, cycle)
        return JSONResponse(
            map_layers(site, found.footprint, self._facts.ground, detail, self._facts.zones)
        )

    def _asked(self, request: Request) -> tuple[Snapshot, Site, _Story]:
        """The hour that an address names, as the last cycles saw it, the newest first."""
        snapshot = self._reader.newest()
        site = site_keys(self._facts.sites).get(request.path_params["site"])
        moment: datetime | None = from_stamp(request.path_params["time"])
        if snapshot is None or site is None or moment is None:
            raise HTTPException(404)
        story: _Story = [
            (each.cycle, self._reader.hour_in(each.cycle.id, site.name, moment))
            for each in reversed(snapshot.cycles)
        ]
        return snapshot, site, story

    def _detail(self, hour: Hour, cycle: Cycle) -> HourDetail | None:
        """What an hour is drawn with, by the cycle that gave its answer."""
        return self._reader.detail(hour.from_cycle or cycle.id, hour.site, hour.time_utc)


def _answer(story: _Story) -> tuple[Cycle, Hour]:
    """The newest cycle that looked at the hour, and what it said."""
    for cycle, found in story:
        if found is not None:
            return cycle, found
    raise HTTPException(404)
