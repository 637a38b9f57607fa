"""The description of the data addresses, as OpenAPI 3.1, with the form of causes. Pure."""

import types
from dataclasses import fields, is_dataclass
from datetime import datetime, timedelta
from enum import Enum
from typing import Any, Union, get_args, get_origin, get_type_hints

from windowwatch.chase.reports import Mark
from windowwatch.scoring.opinions import INTERVAL_HOLDS
from windowwatch.scoring.values import FACTS, NearGap
from windowwatch.windows.causes import KINDS, Cause
from windowwatch.windows.standing import Place

_PLAIN = {str: "string", bool: "boolean", int: "integer", float: "number"}
_FACT_KINDS: dict[Any, str] = {kind: word for word, kind in FACTS.items()}


def cause_schema() -> dict[str, Any]:
    """One object for each kind of cause, told apart by its `kind`."""
    return {"oneOf": [_cause_object(kind, word) for word, kind in KINDS.items()]}


def _cause_object(kind: Any, word: str | None) -> dict[str, Any]:
    hints = get_type_hints(kind)
    held = {f.name: _of(hints[f.name]) for f in fields(kind)}
    properties = {**({} if word is None else {"kind": {"const": word}}), **held}
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


def _of(hint: Any) -> dict[str, Any]:
    """Schema of a type, in the form in which `windowwatch.storage.rows` writes it."""
    if get_origin(hint) in (Union, types.UnionType):
        return {"anyOf": [_of(each) for each in get_args(hint)]}
    if get_origin(hint) is tuple:
        items = get_args(hint)
        if items[-1] is Ellipsis:
            return {"type": "array", "items": _of(items[0])}
        return {"type": "array", "prefixItems": [_of(each) for each in items],
                "minItems": len(items), "maxItems": len(items)}  # fmt: skip
    if hint is type(None):
        return {"type": "null"}
    if hint is datetime:
        return {"type": "string", "format": "date-time"}
    if hint is timedelta:
        return {"type": "number", "description": "seconds"}
    if hint is Cause:
        return {"$ref": "#/components/schemas/Cause"}
    if isinstance(hint, type) and issubclass(hint, Enum):
        return {"type": "string", "enum": [str(each) for each in hint]}
    if is_dataclass(hint):
        return _cause_object(hint, _FACT_KINDS.get(hint))
    return {"type": _PLAIN[hint]}


_TIME = {"type": "string", "format": "date-time"}
_MAYBE_TIME = {"type": ["string", "null"], "format": "date-time"}
_NUMBER = {"type": ["number", "null"]}
_TEXT = {"type": "string"}
_TEXTS = {"type": "array", "items": _TEXT}
_MAYBE = {"type": ["string", "null"]}
_VERDICT = {"type": "string", "enum": ["go", "caution", "no-go", "unknown"]}


def _object(properties: dict[str, Any], optional: tuple[str, ...] = ()) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": properties,
        "required": [name for name in properties if name not in optional],
        "additionalProperties": False,
    }


def _ref(name: str) -> dict[str, Any]:
    return {"$ref": f"#/components/schemas/{name}"}


def _list(name: str) -> dict[str, Any]:
    return {"type": "array", "items": _ref(name)}


#: A fact names its `kind`; what else it holds is its own.
_FACT = {"type": "object", "properties": {"kind": _TEXT}, "required": ["kind"]}
_CHANCE = (
    "Share of flights in which the whole hour is go, 0 to 1. The doubt of the forecast is in it: "
    "wind errors and displaced weather are drawn into the flights."
)
_INTERVAL = (
    "The 95 % Wilson interval of the chance holds sampling alone: that so many flights were flown "
    "and no more. It does not hold the doubt of the forecast, which is in the chance itself. Null "
    "where other models have changed the chance."
)
_MISSING = _object({"gap": _TEXT, "names": _TEXTS, "most_pct": _NUMBER})
_COUNT = {"type": "integer", "minimum": 0}
_REFUSAL = _object(
    {
        "kind": _TEXT,
        "flights": _COUNT,
        "lost": {
            "type": "array",
            "items": {"type": "array", "items": {"type": ["string", "integer"]}},
        },
        "landed": _COUNT,
        "needed": _COUNT,
        "unknown": {
            "type": "array",
            "items": _object({"check": _TEXT, "missing": {"anyOf": [_MISSING, {"type": "null"}]}}),
        },
        "told": _TEXT,
    }
)

_SCHEMAS: dict[str, Any] = {
    "Cycle": _object({"id": _TEXT, "model": _TEXT, "reference_utc": _TIME}),
    "Check": _object(
        {
            "name": _TEXT,
            "part": {"type": "string", "enum": ["release", "flight", "landing", "recovery"]},
            "verdict": _VERDICT,
            "value": _NUMBER,
            "unit": _TEXT,
            "fine": _NUMBER,
            "limit": _NUMBER,
            "margin": _NUMBER,
            "hard": {"type": "boolean"},
            "facts": {"type": "array", "items": _FACT},
            "missing": {"anyOf": [_MISSING, {"type": "null"}]},
            "sentence": _TEXT,
        }
    ),
    "Opinion": _object(
        {
            "model": _TEXT,
            "cycle_id": _TEXT,
            "verdict": _VERDICT,
            "score": _NUMBER,
            "chance": _NUMBER,
            "apart_km": _NUMBER,
            "bearing_deg": _NUMBER,
            "says": _TEXT,
            "says_check": _MAYBE,
            "lacks": _TEXTS,
        }
    ),
    "NearGround": _object(
        {
            "model": _TEXT,
            "cycle_id": _MAYBE,
            "checks": _TEXTS,
            "gap": {"enum": [*map(str, NearGap), None]},
        }
    ),
    "Hour": _object(
        {
            "site": _TEXT,
            "time_utc": _TIME,
            "verdict": _VERDICT,
            "score": _NUMBER,
            "chance": _NUMBER | {"description": _CHANCE},
            "chance_low": _NUMBER | {"description": f"Lower end of it. {_INTERVAL}"},
            "chance_high": _NUMBER | {"description": f"Upper end of it. {_INTERVAL}"},
            "chance_interval_holds": {"enum": [INTERVAL_HOLDS, None], "description": _INTERVAL},
            "own_chance": _NUMBER,
            "raw_chance": _NUMBER,
            "drift_km": _NUMBER,
            "bearing_deg": _NUMBER,
            "road_km": _NUMBER,
            "landing_utc": _MAYBE_TIME,
            "landing_latitude_deg": _NUMBER,
            "landing_longitude_deg": _NUMBER,
            "refused": _MAYBE,
            "refusal": {"anyOf": [_REFUSAL, {"type": "null"}]},
            "worst": {"type": "array", "items": _TEXT},
            "worst_checks": _TEXTS,
            "others": _list("Opinion"),
            "near_ground": {"anyOf": [_ref("NearGround"), {"type": "null"}]},
            "standing": {"enum": [*map(str, Place), None]},
            "window_uid": _MAYBE,
            "checks": _list("Check"),
        },
        optional=("checks",),
    ),
    "Hours": _object(
        {"watch": _TEXT, "cycle": _ref("Cycle"), "attribution": _TEXTS, "hours": _list("Hour")}
    ),
    "Window": _object(
        {
            "uid": _TEXT,
            "site": _TEXT,
            "state": {"type": "string", "enum": ["sighted", "open", "closed", "past"]},
            "start_utc": _TIME,
            "last_release_utc": _TIME,
            "end_utc": _TIME,
            "planned_hour_utc": _TIME,
            "release_utc": _TIME,
            "score": {"type": "number"},
            "chance": _NUMBER,
            "now_best_hour_utc": _MAYBE_TIME,
            "now_best_score": _NUMBER,
            "landing_latitude_deg": _NUMBER,
            "landing_longitude_deg": _NUMBER,
            "drift_km": _NUMBER,
            "bearing_deg": _NUMBER,
            "road_km": _NUMBER,
            "limited_by": _TEXT,
            "limited_by_causes": _list("Cause"),
            "cycle_id": _TEXT,
        }
    ),
    "Cause": cause_schema(),
    "Newest": _object(
        {"watch": _TEXT, "cycle": {"anyOf": [_ref("Cycle"), {"type": "null"}]}, "pass": _TEXT}
    ),
    "Windows": _object(
        {"watch": _TEXT, "cycle": _ref("Cycle"), "attribution": _TEXTS, "windows": _list("Window")}
    ),
    "Change": _object(
        {
            "key": _TEXT,
            "kind": _TEXT,
            "site": _TEXT,
            "window_uid": _MAYBE,
            "cycle_id": _TEXT,
            "found_utc": _TIME,
            "reason": _TEXT,
            "causes": _list("Cause"),
            "before": {"anyOf": [_ref("Window"), {"type": "null"}]},
            "after": {"anyOf": [_ref("Window"), {"type": "null"}]},
        }
    ),
    "Changes": _object({"watch": _TEXT, "changes": _list("Change")}),
    "Health": _object(
        {
            "condition": {"type": "string", "enum": ["fresh", "stale", "empty"]},
            "well": {"type": "boolean"},
            "reason": _TEXT,
            "now_utc": _TIME,
            "cycle": {"anyOf": [_ref("Cycle"), {"type": "null"}]},
            "age_s": {"type": ["integer", "null"]},
            "stale_after_s": {"type": "integer"},
            "last_pass_utc": {"type": ["string", "null"], "format": "date-time"},
            "pending_deliveries": {"type": "integer", "minimum": 0},
            "next_look_in_s": {"type": ["integer", "null"]},
            "last_look_s": {"type": ["integer", "null"]},
            "disk_free_mb": {"type": ["integer", "null"]},
        }
    ),
    "Footprints": {
        "type": "object",
        "description": "A GeoJSON feature collection (RFC 7946).",
        "properties": {
            "type": {"const": "FeatureCollection"},
            "attribution": _TEXTS,
            "features": {"type": "array", "items": {"type": "object"}},
        },
        "required": ["type", "features"],
    },
    "Survey": _object(
        {
            "watch": _TEXT,
            "survey": _TEXT,
            "made_utc": _TIME,
            "attribution": _TEXTS,
            "first_year": {"type": "integer"},
            "last_year": {"type": "integer"},
            "share_flown": {"type": "number"},
            "flights_of_an_hour": {"type": "integer"},
            "launch_step_h": {"type": "number"},
            "shortest_window_h": {"type": "number"},
            "checks": _TEXTS,
            "checks_left_out": _TEXTS,
            "tables": {
                "type": "object",
                "description": "Tables by name; each is its columns, all of one length.",
                "additionalProperties": {
                    "type": "object",
                    "additionalProperties": {
                        "type": "array",
                        "items": {"type": ["number", "string", "null"]},
                    },
                },
            },
        }
    ),
    "Error": _object({"error": _TEXT}),
    "Position": _object(
        {
            "time_utc": _TIME | {"description": "When the tracker was there."},
            "latitude_deg": _NUMBER,
            "longitude_deg": _NUMBER,
            "height_m": _NUMBER | {"description": "Above mean sea level."},
            "place_sigma_m": _NUMBER | {"description": "Doubt, one standard deviation."},
            "height_sigma_m": _NUMBER | {"description": "Doubt, one standard deviation."},
            "text": _TEXT | {"maxLength": 500},
        },
        optional=("height_m", "place_sigma_m", "height_sigma_m", "text"),
    ),
    "Stored": _object(
        {
            "flight": _TEXT,
            "positions": {
                "type": "array",
                "items": _object(
                    {
                        "number": _COUNT,
                        "used": {"type": "boolean"},
                        "mark": {"type": "string", "enum": [str(each) for each in Mark]},
                    }
                ),
            },
        }
    ),
}

_SITE = ("site", "Word that stands for the site in addresses of the page.", {"type": "string"})
_CYCLE = ("cycle", "Id of a stored cycle; the newest by default.", {"type": "string"})
_TIME_ASKED = ("time", "One launch hour.", {"type": "string", "pattern": r"^\d{8}T\d{4}Z$"})
_YES = {"type": "string", "enum": ["yes", "no"]}

_WHICH = (
    ("window", "Id of a window: its planned hour. Or give site and time.", {"type": "string"}),
    _SITE,
    _TIME_ASKED,
)

#: Query parameters of each data address: name, description, schema.
PARAMETERS: dict[str, tuple[tuple[str, str, dict[str, Any]], ...]] = {
    "/data/cycle.json": (),
    "/data/hours.json": (_SITE, _CYCLE, _TIME_ASKED, ("checks", "Every check as well.", _YES)),
    "/data/hours.csv": (_SITE, _CYCLE, _TIME_ASKED),
    "/data/windows.json": (),
    "/data/windows.ics": (),
    "/data/changes.json": (),
    "/data/footprints.geojson": (
        _SITE,
        _CYCLE,
        _TIME_ASKED,
        ("all", "No-go hours as well.", _YES),
    ),
    "/data/survey.json": (
        _SITE,
        (
            "of",
            "Which survey, as its address on the page has it; the newest by default.",
            {"type": "string"},
        ),
    ),
    "/data/flight.geojson": _WHICH,
    "/data/flight.kml": _WHICH,
    "/data/drive.gpx": _WHICH,
    "/data/map.png": _WHICH,
    "/health": (),
}
_ANSWERS = {
    "/data/cycle.json": ("The newest cycle, null before the first", "application/json", "Newest"),
    "/data/hours.json": ("Launch hours of a cycle", "application/json", "Hours"),
    "/data/hours.csv": ("Launch hours of a cycle, as CSV", "text/csv", None),
    "/data/windows.json": ("Windows after the newest cycle", "application/json", "Windows"),
    "/data/windows.ics": ("Windows as a calendar, closed ones cancelled", "text/calendar", None),
    "/data/changes.json": ("What happened to windows", "application/json", "Changes"),
    "/data/footprints.geojson": ("Where flights land", "application/geo+json", "Footprints"),
    "/data/survey.json": ("What a survey of years says", "application/json", "Survey"),
    "/data/flight.geojson": ("Flight, landings and drive", "application/geo+json", "Footprints"),
    "/data/flight.kml": ("The same as KML 2.2", "application/vnd.google-earth.kml+xml", None),
    "/data/drive.gpx": ("Drive and landing as GPX 1.1", "application/gpx+xml", None),
    "/data/map.png": ("Map of the landings as a picture", "image/png", None),
    "/health": ("How well the watch is", "application/json", "Health"),
}


def describe(version: str) -> dict[str, Any]:
    """The whole description."""
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "windowwatch, data of a watch",
            "version": version,
            "description": "A forecast, no permission. Times are UTC; units are in the names.",
        },
        "paths": {
            **{path: {"get": _operation(path)} for path in _ANSWERS},
            "/data/positions": {"post": _post()},
        },
        "components": {
            "schemas": _SCHEMAS,
            "securitySchemes": {"tracker": {"type": "http", "scheme": "bearer"}},
        },
    }


def _post() -> dict[str, Any]:
    """How a tracker posts positions."""
    refusals = {
        "400": "A position cannot be read; none of them is stored",
        "401": "The tracker's word is missing, wrong, or was taken back",
        "409": "The flight is closed",
        "413": "Too much at once",
    }
    error = {"application/json": {"schema": _ref("Error")}}
    body = {"anyOf": [_ref("Position"), _object({"positions": _list("Position")})]}
    return {
        "operationId": "data_positions",
        "summary": "Positions of one tracker, or of a crew; what was answered with 201 is stored",
        "security": [{"tracker": []}],
        "requestBody": {"required": True, "content": {"application/json": {"schema": body}}},
        "responses": {
            "201": {
                "description": "Stored; each says whether it is used, and otherwise why not",
                "content": {"application/json": {"schema": _ref("Stored")}},
            },
            **{code: {"description": said, "content": error} for code, said in refusals.items()},
        },
    }


def _operation(path: str) -> dict[str, Any]:
    summary, media, name = _ANSWERS[path]
    schema = {"type": "string"} if name is None else _ref(name)
    error = {"content": {"application/json": {"schema": _ref("Error")}}}
    responses: dict[str, Any] = {
        "200": {"description": summary, "content": {media: {"schema": schema}}}
    }
    if path == "/health":
        responses["503"] = {**responses["200"], "description": "Not all is well; `reason` says why"}
    else:
        responses["400"] = {"description": "A parameter is wrong", **error}
        responses["404"] = {"description": "There is no such thing", **error}
    return {
        "operationId": path.strip("/").replace("/", "_").replace(".", "_"),
        "summary": summary,
        "parameters": [
            {"name": n, "in": "query", "required": False, "description": text, "schema": s}
            for n, text, s in PARAMETERS[path]
        ],
        "responses": responses,
    }
