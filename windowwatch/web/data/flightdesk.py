"""Addresses that give one launch hour to other programs: GeoJSON, KML, GPX, PNG."""

import threading

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from windowwatch.drawing.credits import NO_PERMISSION, credit_lines
from windowwatch.drawing.picture import Scene, picture
from windowwatch.scoring.values import Hour, Site
from windowwatch.web.data.flight import FlightData, flight_geojson
from windowwatch.web.data.gpx import drive_gpx
from windowwatch.web.data.kml import flight_kml
from windowwatch.web.data.routes import RefusedError, asked_of, file_answer
from windowwatch.web.reading import Reader, Snapshot
from windowwatch.web.values import Facts, from_stamp, site_keys, stamp

#: Pictures that are kept at the same time; each has some 100 kB.
MOST_PICTURES = 16


class FlightRoutes:
    """Gives single launch hours of one watch."""

    def __init__(self, reader: Reader, facts: Facts) -> None:
        self._reader = reader
        self._facts = facts
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
            self._best_hour(asked["window"]) if "window" in asked else self._hour(asked)
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

    def _best_hour(self, uid: str) -> tuple[Snapshot, Site, Hour]:
        history = self._reader.history(uid)
        if not history:
            raise RefusedError(404, "no such window")
        window = history[-1]
        keys = {site.name: key for key, site in site_keys(self._facts.sites).items()}
        key = keys.get(window.site)
        if key is None:
            raise RefusedError(404, "the window's site is not watched any more")
        return self._hour({"site": key, "time": stamp(window.best_hour_utc)})

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
