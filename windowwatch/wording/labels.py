"""Names of checks as people read them. Pure."""

_LABELS = {
    "thunder": "thunder (CAPE)",
    "shear": "wind shear, 10 to 100 m",
    "temperature": "air at the site",
    "daylight": "sun above the horizon",
    "front": "nearest front passage",
    "clearance": "time inside the clearance",
    "extrapolated": "flights above the forecast's top",
    "water": "landings on water",
    "no_landing": "landings where none may be",
    "casualty": "casualty expectation",
    "landing_wind": "wind at landing",
    "road": "distance to a road",
    "landing_daylight": "daylight left at landing",
    "precipitation": "rain or snow",
    "strongest_wind": "strongest wind aloft",
    "coldest_air": "coldest air met",
    "built_up": "landings on built-up land",
    "hazard_line": "landings near hazard lines",
    "forest": "landings in forest",
    "slope": "slope where it lands",
    "crew": "crew at the road, after the landing",
    "walk": "walk from the road",
    "arrival_daylight": "daylight left on arrival",
    "notice": "time left for notice",
    "airspace": "flights through closed airspace",
    "permitted_area": "flights out of the permitted area",
    "battery": "battery beyond the flight",
    "tracker": "tracker beyond the crew's arrival",
    "touchdown": "touch-down speed",
    "landing_height": "height of the landing",
    "freezing_rain": "forecasts with freezing rain",
}


def check_label(name: str) -> str:
    """Name of a check in words."""
    return _LABELS.get(name, name.replace("_", " "))
