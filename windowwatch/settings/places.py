"""Places of a settings file whose latitude and longitude seem to be swapped."""

from collections.abc import Sequence
from typing import Any

from windowwatch.physics.earth import distance_m
from windowwatch.units import Place

#: Sites of one watch that lie farther apart than this are looked at twice. Common practice of a
#: team that drives to its sites, no source. [m]
FAR_M = 1_000_000.0
#: … and a swapped one would then lie within this of another. [m]
NEAR_M = 500_000.0


def refuse_swapped_numbers(table: Any) -> None:
    """Refuse a table whose latitude can be none, and whose longitude could be one.

    Raises
    ------
    ValueError
        With the two lines as they were probably meant.
    """
    if not isinstance(table, dict):
        return
    latitude, longitude = table.get("latitude_deg"), table.get("longitude_deg")
    for number in (latitude, longitude):
        if not isinstance(number, int | float) or isinstance(number, bool):
            return
    if 90.0 < abs(latitude) <= 180.0 and abs(longitude) <= 89.0:  # type: ignore[arg-type]
        raise ValueError(
            f"latitude_deg = {latitude:g} is none; give -89 to 89. Where it is swapped with the "
            f"longitude, write latitude_deg = {longitude:g} and longitude_deg = {latitude:g}"
        )


def refuse_swapped_among(places: Sequence[Place]) -> None:
    """Refuse a place that is far from all others, and swapped would be near one of them.

    Raises
    ------
    ValueError
        Naming it, and the other way in which it could be meant.
    """
    lonely = [p for p in places if all(_apart_m(p, q) > FAR_M for q in places if q is not p)]
    for place in lonely:
        if abs(place.longitude_deg) > 89.0:
            continue
        for other in places:
            away_m = _apart_m(place, other, swapped=True)
            if other is not place and away_m < NEAR_M:
                others = other.name if len(places) == 2 else "all the others"
                raise ValueError(
                    f"latitude_deg and longitude_deg of {place.name} (or of {others}) seem to be "
                    f"swapped: it and {other.name} are {_apart_m(place, other) / 1000:.0f} km "
                    f"apart, and would then be {away_m / 1000:.0f} km apart"
                )


def _apart_m(place: Place, other: Place, *, swapped: bool = False) -> float:
    here = (place.latitude_deg, place.longitude_deg)
    if swapped:
        here = here[::-1]
    return float(distance_m(*here, other.latitude_deg, other.longitude_deg))
