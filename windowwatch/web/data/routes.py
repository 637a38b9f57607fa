"""Addresses that give data instead of pages, of all hours and of one."""

import threading
from collections.abc import Callable, Iterable
from datetime import datetime, timedelta
from importlib.metadata import version
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from windowwatch.clock import Clock, floor_to_step
from windowwatch.drawing.picture import Scene, picture
from windowwatch.forecast.cycle import Cycle
from windowwatch.launchday.plan import stand
from windowwatch.scoring.values import Hour, Site, Verdict
from windowwatch.web.data import export
from windowwatch.web.data.formats import (
    FlightData,
    drive_gpx,
    flight_geojson,
    flight_kml,
    windows_calendar,
)
from windowwatch.web.data.openapi import PARAMETERS, describe
from windowwatch.web.data.surveydata import survey_data
from windowwatch.web.pages.render import PageCache
from windowwatch.web.reading import Reader, Snapshot, all_behind
from windowwatch.web.values import Facts, from_stamp, site_keys, stamp
from windowwatch.windows.standing import Standing, Week
from windowwatch.windows.standing import week as week_of
from windowwatch.windows.values import Window
from windowwatch.wording.credits import NO_PERMISSION, credit_lines

#: A window that closed stays in the calendar, cancelled, for so long.
CANCELLED_FOR = timedelta(days=10)
#: Changes in one answer, the newest.
MOST_CHANGES = 1000


class RefusedError(Exception):
    """A request for data that cannot be met; `status` and words for its sender."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status = status
        self.words = words


def refused(_request: Request, error: Exception) -> Response:
    """The answer to a `RefusedError`."""
    assert isinstance(error, RefusedError)
    return JSONResponse({"error": error.words}, error.status)


class DataRoutes:
    """Gives data of one watch."""

    def __init__(self, reader: Reader, facts: Facts, clock: Clock) -> None:
        self._reader = reader
        self._facts = facts
        self._clock = clock
        self._cache = PageCache()
        self.routes = [
            Route("/data/cycle.json", self.cycle),
            Route("/data/hours.json", self.hours),
            Route("/data/hours.csv", self.hours_csv),
            Route("/data/windows.json", self.windows),
            Route("/data/windows.ics", self.calendar),
            Route("/data/changes.json", self.changes),
            Route("/data/footprints.geojson", self.footprints),
            Route("/data/survey.json", self.survey),
            Route("/data/openapi.json", self.openapi),
        ]

    def cycle(self, request: Request) -> Response:
        """The newest cycle: small, for asking often whether there is something new."""
        asked_of(request)
        snapshot = self._reader.newest()
        cycle = None if snapshot is None else export.cycle_data(snapshot.cycle.cycle)
        word = "" if snapshot is None else snapshot.word
        return JSONResponse({"watch": self._facts.watch, "cycle": cycle, "pass": word})

    def hours(self, request: Request) -> Response:
        """Launch hours of a cycle."""
        asked = asked_of(request)
        cycle, notes, hours, stands = self._chosen(asked)
        checks = asked.get("checks") == "yes"
        return JSONResponse(
            {
                "watch": self._facts.watch,
                "cycle": export.cycle_data(cycle),
                "attribution": notes,
                "hours": [
                    export.hour_data(
                        hour, checks=checks, standing=None if stands is None else stands(hour)
                    )
                    for hour in hours
                ],
            }
        )

    def hours_csv(self, request: Request) -> Response:
        """Launch hours of a cycle, as CSV."""
        cycle, notes, hours, stands = self._chosen(asked_of(request))
        text = export.hours_csv(hours, cycle.id, notes, stands)
        return file_answer(text, "text/csv", "hours.csv")

    def windows(self, request: Request) -> Response:
        """Windows after the newest cycle."""
        asked_of(request)
        snapshot = self._snapshot()
        week = self._week(snapshot)
        return JSONResponse(
            {
                "watch": self._facts.watch,
                "cycle": export.cycle_data(snapshot.cycle.cycle),
                "attribution": self._notes(snapshot.behind),
                "windows": [
                    export.window_data(window, week.of_window(window.uid))
                    for window in snapshot.windows
                ],
            }
        )

    def calendar(self, request: Request) -> Response:
        """Windows as a calendar."""
        asked_of(request)
        return self.feed(request)

    def feed(self, request: Request) -> Response:
        """The calendar, made once an hour for all who subscribe to it."""
        snapshot = self._snapshot()
        hour_utc = floor_to_step(self._clock.now(), timedelta(hours=1))
        word = f"{snapshot.word}.{self._reader.store.plans_mark(self._facts.watch)}"
        return self._cache.answer(
            request,
            (word, hour_utc),
            lambda: self._feed(snapshot, hour_utc),
            same=word,
            media="text/calendar",
            more=_called("windows.ics"),
        )

    def _feed(self, snapshot: Snapshot, now_utc: datetime) -> bytes:
        """Planned launches, windows, and those cancelled that closed not long ago."""
        since = now_utc - CANCELLED_FOR
        uids = [w.uid for w in snapshot.windows]
        uids += [
            c.window_uid
            for c in self._reader.changes(MOST_CHANGES)
            if c.window_uid is not None and c.found_utc > since
        ]
        histories: list[tuple[Window, ...]] = []
        for uid in dict.fromkeys(uids):
            history = self._reader.history(uid)
            if history:
                histories.append(history)
        plans = self._reader.store.all_plans(self._facts.watch)
        return windows_calendar(
            self._facts.watch,
            histories,
            self._facts.sites,
            snapshot.cycle.saved_utc,
            passes=self._reader.passes({w.cycle_id for each in histories for w in each}),
            notes=self._notes(snapshot.behind),
            launches={e.window.uid: e for e in self._week(snapshot).launches},
            plans=[(stand(p.key, p.entries, now_utc), p.entries[-1].at_utc) for p in plans],
        )

    def changes(self, request: Request) -> Response:
        """What happened to windows, oldest first."""
        asked_of(request)
        found = self._reader.changes(MOST_CHANGES)
        return JSONResponse(
            {"watch": self._facts.watch, "changes": [export.change_data(c) for c in found]}
        )

    def footprints(self, request: Request) -> Response:
        """Where flights land, as GeoJSON; without no-go hours unless they are asked for."""
        asked = asked_of(request)
        cycle, notes, hours, stands = self._chosen(asked)
        if asked.get("all") != "yes" and "time" not in asked:
            hours = [h for h in hours if h.verdict in {Verdict.GO, Verdict.CAUTION}]
        return JSONResponse(
            export.footprints_geojson(hours, self._facts.sites, cycle, notes, stands),
            media_type="application/geo+json",
        )

    def survey(self, request: Request) -> Response:
        """What a survey of years says, of all sites or of one, as columns of numbers."""
        asked = asked_of(request)
        found = self._reader.survey(asked.get("of"))
        if found is None:
            raise RefusedError(404, "no such survey" if "of" in asked else "no survey is stored")
        chosen = found.answers
        if "site" in asked:
            site = site_keys(found.sites).get(asked["site"])
            if site is None:
                raise RefusedError(404, "no such site in this survey")
            chosen = tuple(each for each in chosen if each.site == site.name)
        note = [self._facts.note] if self._facts.note else []
        return JSONResponse(survey_data(found, chosen, [*note, NO_PERMISSION]))

    def openapi(self, _request: Request) -> Response:
        """The description of all these."""
        return JSONResponse(describe(version("windowwatch")))

    def _notes(self, behind: Iterable[Cycle]) -> list[str]:
        """What must be said with results of some cycles, those of other models among them."""
        note = [self._facts.note] if self._facts.note else []
        return [*note, NO_PERMISSION, *credit_lines(behind, self._facts.ground)]

    def _snapshot(self) -> Snapshot:
        snapshot = self._reader.newest()
        if snapshot is None:
            raise RefusedError(404, "no forecast cycle has been worked out yet")
        return snapshot

    def _week(self, snapshot: Snapshot) -> Week:
        now = self._clock.now()
        return week_of(snapshot.hours, snapshot.windows, self._facts.rules, now)

    def _chosen(
        self, asked: dict[str, str]
    ) -> tuple[Cycle, list[str], list[Hour], Callable[[Hour], Standing] | None]:
        """Hours of the cycle, site and time that are asked for, and what must be said with them.

        The last is how hours of the newest cycle stand; None for an earlier one.
        """
        snapshot = self._snapshot()
        stands: Callable[[Hour], Standing] | None = self._week(snapshot).standing
        cycle, hours = snapshot.cycle.cycle, snapshot.hours
        if asked.get("cycle", cycle.id) != cycle.id:
            found = [c.cycle for c in snapshot.cycles if c.cycle.id == asked["cycle"]]
            if not found:
                raise RefusedError(404, "no such cycle among the last ones")
            cycle, hours = found[0], self._reader.hours_of(found[0].id)
            stands = None
        notes = self._notes(all_behind(cycle, hours))
        chosen = list(hours)
        if "site" in asked:
            site = site_keys(self._facts.sites).get(asked["site"])
            if site is None:
                raise RefusedError(404, "no such site")
            chosen = [h for h in chosen if h.site == site.name]
        if "time" in asked:
            moment = from_stamp(asked["time"])
            if moment is None:
                raise RefusedError(400, "time: write it as 20260508T0800Z")
            chosen = [h for h in chosen if h.time_utc == moment]
        return cycle, notes, chosen, stands


def asked_of(request: Request) -> dict[str, str]:
    """Query parameters, checked against the description."""
    known = {name: schema for name, _, schema in PARAMETERS[request.scope["path"]]}
    asked: dict[str, str] = {}
    for name, value in request.query_params.multi_items():
        if name not in known:
            raise RefusedError(400, f"unknown parameter; known are: {', '.join(known) or 'none'}")
        if name in asked:
            raise RefusedError(400, f"{name}: give it once")
        choices: list[Any] = known[name].get("enum", [value])
        if value not in choices:
            raise RefusedError(400, f"{name}: give one of {', '.join(choices)}")
        asked[name] = value
    return asked


def file_answer(content: str | bytes, media: str, name: str) -> Response:
    """A file under a name of its own, that a browser may show or keep."""
    return Response(content, media_type=media, headers=_called(name))


def _called(name: str) -> dict[str, str]:
    return {"content-disposition": f'inline; filename="{name}"'}


#: Pictures that are kept at the same time; each has some 100 kB.
MOST_PICTURES = 16


class FlightRoutes:
    """Gives single launch hours of one watch."""

    def __init__(self, reader: Reader, facts: Facts, clock: Clock) -> None:
        self._reader = reader
        self._facts = facts
        self._clock = clock
        self.routes = [
            Route("/data/flight.geojson", self.geojson),
            Route("/data/flight.kml", self.kml),
            Route("/data/drive.gpx", self.gpx),
            Route("/data/map.png", self.picture),
        ]
        self._drawing = threading.Lock()
        self._drawn: dict[tuple[str, str, str], bytes] = {}

    def geojson(self, request: Request) -> Response:
        """The flight of an hour as GeoJSON."""
        _, data = self._data(request)
        return JSONResponse(flight_geojson(data), media_type="application/geo+json")

    def kml(self, request: Request) -> Response:
        """The same as KML."""
        _, data = self._data(request)
        media = "application/vnd.google-earth.kml+xml"
        return file_answer(flight_kml(data), media, f"{_name(data)}.kml")

    def gpx(self, request: Request) -> Response:
        """The crew's drive and the landing as GPX."""
        _, data = self._data(request)
        made = drive_gpx(data)
        if made is None:
            raise RefusedError(404, "it is not known where flights of that hour land")
        return file_answer(made, "application/gpx+xml", f"{_name(data)}.gpx")

    def picture(self, request: Request) -> Response:
        """The map of an hour as a picture; drawn one at a time, the last ones are kept."""
        snapshot, data = self._data(request)
        mark = data.hour.footprint
        if mark is None:
            raise RefusedError(404, "it is not known where flights of that hour land")
        made_for = (snapshot.word, data.site.name, stamp(data.hour.time_utc))
        with self._drawing:
            if made_for not in self._drawn:
                title = f"{data.title}: {data.hour.verdict}\nlandings; dashed ring: 90 % of them"
                said = tuple(filter(None, (data.note, NO_PERMISSION, *data.credits)))
                ground, zones = self._facts.ground, self._facts.zones
                scene = Scene(title, data.site, mark, data.detail, ground, said, zones)
                self._drawn[made_for] = picture(scene)
                while len(self._drawn) > MOST_PICTURES:
                    del self._drawn[next(iter(self._drawn))]
            png = self._drawn[made_for]
        return file_answer(png, "image/png", f"{_name(data)}.png")

    def _data(self, request: Request) -> tuple[Snapshot, FlightData]:
        """What is asked for, and the pass that it is of."""
        asked = asked_of(request)
        if "window" in asked and ("site" in asked or "time" in asked):
            raise RefusedError(400, "give a window, or site and time, not both")
        snapshot, site, hour = (
            self._planned_hour(asked["window"]) if "window" in asked else self._hour(asked)
        )
        cycle = snapshot.cycle.cycle
        told_by = hour.from_cycle or cycle.id
        detail = self._reader.detail(told_by, hour.site, hour.time_utc)
        facts = self._facts
        return snapshot, FlightData(
            watch=facts.watch,
            site=site,
            hour=hour,
            cycle=cycle,
            detail=detail,
            credits=credit_lines(snapshot.behind, facts.ground),
            note=facts.note,
        )

    def _planned_hour(self, uid: str) -> tuple[Snapshot, Site, Hour]:
        history = self._reader.history(uid)
        if not history:
            raise RefusedError(404, "no such window")
        window = history[-1]
        keys = {site.name: key for key, site in site_keys(self._facts.sites).items()}
        key = keys.get(window.site)
        if key is None:
            raise RefusedError(404, "the window's site is not watched any more")
        planned_utc, snapshot = window.best_hour_utc, self._reader.newest()
        if snapshot is not None:
            known = week_of(
                snapshot.hours, snapshot.windows, self._facts.rules, self._clock.now()
            ).of_window(uid)
            planned_utc = planned_utc if known is None else known.time_utc
        return self._hour({"site": key, "time": stamp(planned_utc)})

    def _hour(self, asked: dict[str, str]) -> tuple[Snapshot, Site, Hour]:
        if "site" not in asked or "time" not in asked:
            raise RefusedError(400, "give a window, or site and time")
        snapshot = self._reader.newest()
        if snapshot is None:
            raise RefusedError(404, "no forecast cycle has been worked out yet")
        site = site_keys(self._facts.sites).get(asked["site"])
        if site is None:
            raise RefusedError(404, "no such site")
        moment = from_stamp(asked["time"])
        if moment is None:
            raise RefusedError(400, "time: write it as 20260508T0800Z")
        hour = snapshot.by_time.get((site.name, moment))
        if hour is None:
            raise RefusedError(404, "the newest cycle does not look at that hour")
        return snapshot, site, hour


def _name(data: FlightData) -> str:
    """Name of a file, of letters and digits only."""
    key = next(iter(site_keys([data.site])))
    return f"{key}-{stamp(data.hour.time_utc)}"
