"""Addresses that give one launch hour to other programs: GeoJSON, KML, GPX."""

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from windowwatch.forecast.cycle import Cycle
from windowwatch.scoring.values import Hour, Site
from windowwatch.web.credits import credit_lines
from windowwatch.web.datadesk import RefusedError, asked_of, file_answer
from windowwatch.web.flightdata import FlightData, flight_geojson
from windowwatch.web.gpx import drive_gpx
from windowwatch.web.kml import flight_kml
from windowwatch.web.reading import Reader
from windowwatch.web.values import Facts, from_stamp, site_keys, stamp


class FlightDesk:
    """Gives single launch hours of one watch."""

    def __init__(self, reader: Reader, facts: Facts) -> None:
        self._reader = reader
        self._facts = facts
        self.routes = [
            Route("/data/flight.geojson", self.geojson),
            Route("/data/flight.kml", self.kml),
            Route("/data/drive.gpx", self.gpx),
        ]

    def geojson(self, request: Request) -> Response:
        """The flight of an hour as GeoJSON."""
        data = self._data(request)
        return JSONResponse(flight_geojson(data), media_type="application/geo+json")

    def kml(self, request: Request) -> Response:
        """The same as KML."""
        data = self._data(request)
        media = "application/vnd.google-earth.kml+xml"
        return file_answer(flight_kml(data), media, f"{_name(data)}.kml")

    def gpx(self, request: Request) -> Response:
        """The crew's drive and the landing as GPX."""
        data = self._data(request)
        made = drive_gpx(data)
        if made is None:
            raise RefusedError(404, "it is not known where flights of that hour land")
        return file_answer(made, "application/gpx+xml", f"{_name(data)}.gpx")

    def _data(self, request: Request) -> FlightData:
        asked = asked_of(request)
        if "window" in asked and ("site" in asked or "time" in asked):
            raise RefusedError(400, "give a window, or site and time, not both")
        cycle, site, hour = (
            self._best_hour(asked["window"]) if "window" in asked else self._hour(asked)
        )
        told_by = hour.from_cycle or cycle.id
        detail = self._reader.detail(told_by, hour.site, hour.time_utc)
        facts = self._facts
        return FlightData(
            watch=facts.watch,
            site=site,
            hour=hour,
            cycle=cycle,
            detail=detail,
            credits=credit_lines([cycle], facts.ground),
            note=facts.note,
        )

    def _best_hour(self, uid: str) -> tuple[Cycle, Site, Hour]:
        history = self._reader.history(uid)
        if not history:
            raise RefusedError(404, "no such window")
        window = history[-1]
        keys = {site.name: key for key, site in site_keys(self._facts.sites).items()}
        key = keys.get(window.site)
        if key is None:
            raise RefusedError(404, "the window's site is not watched any more")
        return self._hour({"site": key, "time": stamp(window.best_hour_utc)})

    def _hour(self, asked: dict[str, str]) -> tuple[Cycle, Site, Hour]:
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
        return snapshot.cycle.cycle, site, hour


def _name(data: FlightData) -> str:
    """Name of a file, of letters and digits only."""
    key = next(iter(site_keys([data.site])))
    return f"{key}-{stamp(data.hour.time_utc)}"
