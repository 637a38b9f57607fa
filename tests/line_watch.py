"""A small watch over made files, for tests that go through the whole line."""

from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

from grib_maker import Box, Message, aloft, ground, write

#: What the made files are the run of.
REFERENCE = datetime(2026, 5, 4, 12, tzinfo=UTC)
LEVELS = (1000, 925, 850, 700, 500, 300, 200, 100, 50, 20, 10, 5)
#: Its day has the same air everywhere, so it must be small: a wide plane of one number is refused.
BOX = Box(north=50.0, west=350.0, rows=6, columns=6, step=2.0)
STEPS = (0, 3, 6, 9, 12)

SETTINGS = """
[watch]
name = "line"
model = "made"
forecast_folder = "forecasts"
draws = 1
first_utc = 2026-05-04T14:00:00Z
last_utc = 2026-05-04T20:00:00Z
look_every_s = 1
available_after_min = 0

[[sites]]
name = "Field"
latitude_deg = 45.0
longitude_deg = -5.0
height_m = 120
time_zone = "Europe/London"

[train]
balloon_mass_kg = 1.2
payload_mass_kg = 1.5
nozzle_lift_kg = 2.6
burst_diameter_m = 8.63
parachute_area_m2 = 1.28

[ground]
areas = "areas.geojson"
roads = "roads.geojson"

[scoring]
min_flights = 1

[windows]
confirm_cycles = 1

[notices]
hold_advice_h = 0
"""

AREAS = """{"type": "FeatureCollection", "note": "made for a test", "features": [
 {"type": "Feature", "properties": {"kind": "town", "name": "Farton"},
  "geometry": {"type": "Polygon",
   "coordinates": [[[-9, 49], [-8.9, 49], [-8.9, 49.1], [-9, 49.1], [-9, 49]]]}}]}"""

#: Lanes every 0.05 degrees of latitude: wherever a flight lands, a road is near.
ROADS = (
    '{"type": "FeatureCollection", "note": "made for a test", "features": ['
    + ",".join(
        '{"type": "Feature", "properties": {"kind": "unclassified"}, '
        '"geometry": {"type": "LineString", '
        f'"coordinates": [[-9.5, {44 + 0.05 * i:.2f}], [-0.5, {44 + 0.05 * i:.2f}]]}}}}'
        for i in range(40)
    )
    + "]}"
)


def settings_in(folder: Path, more: str = "", **changes: str) -> Path:
    """A settings file with its maps and an empty forecast folder; `changes` are replacements."""
    (folder / "forecasts").mkdir(exist_ok=True)
    (folder / "areas.geojson").write_text(AREAS, encoding="utf-8")
    (folder / "roads.geojson").write_text(ROADS, encoding="utf-8")
    text = SETTINGS + more
    for old, new in changes.items():
        line = next(line for line in text.splitlines() if line.startswith(f"{old} = "))
        text = text.replace(line, f"{old} = {new}")
    path = folder / "watch.toml"
    path.write_text(text, encoding="utf-8")
    return path


def messages(wind: float = 7.0, gust: float = 5.0, hour: int = 12) -> Iterable[Message]:
    """A day of steady air: the wind aloft blows to the south-east, near the ground it is light."""
    for step in STEPS:
        yield from aloft(step, levels=LEVELS, wind=wind, hour=hour)
        for what, value in (
            ("10u", 2.0),
            ("10v", -2.0),
            ("gust", gust),
            ("2t", 285.0),
            ("total cloud", 20.0),
            ("ceiling", 5000.0),
            ("visibility", 20_000.0),
            ("rate", 0.0),
            ("cape", 0.0),
        ):
            yield Message(what, step, value, hour=hour)
    yield from ground(0, hour=hour)


def forecast_in(folder: Path, name: str = "made.grib2", **weather: float) -> Path:
    """Write the day to a file; it appears whole, under its name, in one rename."""
    whole = folder / f".{name}.part"
    write(whole, messages(**weather), BOX)  # type: ignore[arg-type]
    return whole.rename(folder / name)
