"""One value to one row, and back."""

from datetime import datetime
from typing import Any

from sqlalchemy import Row

from windowwatch.clock import require_utc
from windowwatch.errors import StorageError
from windowwatch.scoring.values import Hour, Verdict
from windowwatch.storage import causes, codec
from windowwatch.storage.tables import ChangeRow, WindowRow
from windowwatch.windows.values import Change, ChangeKind, Window

_NUMBERS = (
    "score",
    "chance",
    "chance_low",
    "chance_high",
    "drift_km",
    "bearing_deg",
    "road_km",
    "own_chance",
)


def hour_values(hour: Hour) -> dict[str, Any]:
    """Columns of an hour.

    Raises
    ------
    StorageError
        If a number is not finite.
    """
    what = f"hour {hour.time_utc.isoformat()} at {hour.site}"
    return {
        "site": hour.site,
        "time_utc": hour.time_utc,
        "verdict": str(hour.verdict),
        **{name: codec.number(getattr(hour, name), f"{what}, {name}") for name in _NUMBERS},
        "landing_utc": hour.landing_utc,
        "refused": codec.refusal_to_json(hour.refused),
        "from_cycle": hour.from_cycle,
        "parts": codec.parts_to_json(hour.parts, what),
        "checks": codec.pack_checks(hour.checks, what),
        "worst": codec.worst_to_json(hour.worst),
        "footprint": codec.footprint_to_json(hour.footprint, what),
        "others": codec.opinions_to_json(hour.others, what),
        "near_ground": codec.near_to_json(hour.near_ground),
    }


def hour_of_row(row: Row[Any], *, with_checks: bool = True) -> Hour:
    """Hour of its columns; without checks when those were not read."""
    checks = codec.unpack_checks(row.checks) if with_checks else None
    worst, checks = codec.worst_from_json(row.worst, checks)
    return Hour(
        site=row.site,
        time_utc=row.time_utc,
        verdict=Verdict(row.verdict),
        **{name: getattr(row, name) for name in _NUMBERS},
        landing_utc=row.landing_utc,
        refused=codec.refusal_from_json(row.refused),
        from_cycle=row.from_cycle,
        parts=codec.parts_from_json(row.parts),
        checks=checks,
        worst=worst,
        footprint=codec.footprint_from_json(row.footprint),
        others=codec.opinions_from_json(row.others),
        near_ground=codec.near_from_json(row.near_ground),
    )


def window_values(window: Window) -> dict[str, Any]:
    """Columns of a window."""
    return {
        "uid": window.uid,
        "site": window.site,
        "state": str(window.state),
        "start_utc": window.start_utc,
        "end_utc": window.end_utc,
        "value": causes.window_to_json(window),
    }


def window_of_row(row: WindowRow) -> Window:
    """Window of its row."""
    window = causes.window_from_json(row.value)
    if window is None:
        raise StorageError(f"the stored window {row.uid} is empty; restore a backup")
    return window


def change_values(change: Change) -> dict[str, Any]:
    """Columns of a change, but for watch and position."""
    return {
        "key": change.key,
        "kind": str(change.kind),
        "site": change.site,
        "window_uid": change.window_uid,
        "cycle_id": change.cycle_id,
        "found_utc": change.found_utc,
        "before": causes.window_to_json(change.before),
        "after": causes.window_to_json(change.after),
        "reason": "",
        "causes": causes.causes_to_json(change.causes, f"change {change.key}"),
    }


def change_of_row(row: ChangeRow) -> Change:
    """Change of its row."""
    return Change(
        key=row.key,
        kind=ChangeKind(row.kind),
        site=row.site,
        window_uid=row.window_uid,
        cycle_id=row.cycle_id,
        found_utc=row.found_utc,
        before=causes.window_from_json(row.before),
        after=causes.window_from_json(row.after),
        causes=causes.causes_from_json(row.causes, f"change {row.key}"),
    )


def delivery_values(
    change_key: str, channel: str, due_utc: datetime, instead_of: str | None = None
) -> dict[str, Any]:
    """Columns of a delivery that nobody has tried yet; `instead_of` names a failed channel."""
    return {
        "change_key": change_key,
        "channel": channel,
        "state": "pending",
        "tries": 0,
        "due_utc": require_utc(due_utc),
        "next_try_utc": require_utc(due_utc),
        "instead_of": instead_of,
    }
