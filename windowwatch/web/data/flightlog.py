"""Logged flights as CSV, a row each, in units of the SI and UTC. Pure."""

import csv
import io
from collections.abc import Iterable
from math import exp
from typing import Any

from windowwatch.chase.flown import Measured
from windowwatch.chase.logbook import Logged, NoteKind
from windowwatch.learning.balloons import kit_of
from windowwatch.web.data.export import csv_field, time_text
from windowwatch.wording.flightlog import mean_rate

COLUMNS = (
    "flight", "name", "source", "released_utc", "latitude_deg", "longitude_deg", "height_m",
    "balloon", "parachute", "gas", "balloon_mass_kg", "payload_mass_kg", "nozzle_lift_kg",
    "lift_measured", "implied_lift_kg", "rise_mps", "burst_utc", "burst_height_m",
    "burst_height_sigma_m", "burst_latitude_deg", "burst_longitude_deg", "highest_m", "landing_utc",
    "landing_latitude_deg", "landing_longitude_deg", "landing_by", "landing_mps", "drift_m",
    "bearing_deg", "burst_diameter_m", "burst_diameter_sigma", "drag_factor", "drag_factor_sigma",
    "canopy_drag_coefficient", "canopy_drag_coefficient_sigma", "outcome", "closed_utc",
    "forecast_cycle", "forecast_lead_h", "forecast_error_m", "forecast_inside_90", "irregular",
)  # fmt: skip
#: Fields that the track gives under the same name.
_OF_TRACK = (
    "burst_height_m", "burst_height_sigma_m", "burst_latitude_deg", "burst_longitude_deg",
    "highest_m", "landing_latitude_deg", "landing_longitude_deg", "landing_mps", "drift_m",
    "bearing_deg", "lift_measured",
)  # fmt: skip


def log_csv(log: Iterable[Logged]) -> str:
    """All flights, a row each; what is not known is left empty."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for each in log:
        row = _row(each)
        writer.writerow(["" if row.get(name) is None else csv_field(row[name]) for name in COLUMNS])
    return out.getvalue()


def _row(logged: Logged) -> dict[str, Any]:
    begun, end, made = logged.flight.begun, logged.flight.closing, logged.made
    train, lift = begun.train, logged.noted(NoteKind.LIFT)
    kit = kit_of(train, logged.text(NoteKind.BALLOON), logged.text(NoteKind.PARACHUTE))
    row: dict[str, Any] = {
        "flight": begun.key, "name": begun.name, "source": logged.text(NoteKind.SOURCE),
        "latitude_deg": begun.latitude_deg, "longitude_deg": begun.longitude_deg,
        "height_m": begun.height_m, "balloon": kit.balloon, "parachute": kit.parachute,
        "gas": str(train.gas), "balloon_mass_kg": train.balloon_mass_kg,
        "payload_mass_kg": train.payload_mass_kg,
        "nozzle_lift_kg": train.nozzle_lift_kg if lift is None else lift.number,
        "outcome": None if end is None else str(end.outcome),
        "closed_utc": None if end is None else time_text(end.at_utc),
        "irregular": "; ".join(each.text for each in logged.irregularities),
    }  # fmt: skip
    if made is None:
        return row
    flown, best = made.flown, made.forecast
    row |= {name: getattr(flown, name) for name in _OF_TRACK}
    row |= {
        "released_utc": time_text(flown.released_utc), "implied_lift_kg": flown.lift_kg,
        "rise_mps": mean_rate(flown.rises),
        "burst_utc": None if flown.burst_utc is None else time_text(flown.burst_utc),
        "landing_utc": None if flown.landing_utc is None else time_text(flown.landing_utc),
        "landing_by": None if flown.landing_by is None else str(flown.landing_by),
        **_pair("burst_diameter_m", "burst_diameter_sigma", flown.burst),
        **_pair("drag_factor", "drag_factor_sigma", flown.drag),
        **_pair("canopy_drag_coefficient", "canopy_drag_coefficient_sigma", flown.canopy),
    }  # fmt: skip
    if best is not None:
        row |= {
            "forecast_cycle": best.cycle_id, "forecast_lead_h": best.lead_h,
            "forecast_error_m": best.error_m, "forecast_inside_90": best.inside_90,
        }  # fmt: skip
    return row


def _pair(value: str, sigma: str, measured: Measured | None) -> dict[str, float]:
    return {} if measured is None else {value: exp(measured.log_value), sigma: measured.sigma}
