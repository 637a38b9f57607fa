"""What hours are drawn with, as rows: kept for the newest cycles of a watch only."""

from datetime import datetime

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from windowwatch.scoring.detail import HourDetail
from windowwatch.storage import codec
from windowwatch.storage.cycles import Role
from windowwatch.storage.engine import Database
from windowwatch.storage.tables import CycleRow, HourDetailRow

#: Cycles of a watch's deciding model whose details are kept: two days of them. They are large,
#: and nobody asks how the middle flight of last week looked.
KEPT_CYCLES = 8


def detail_values(detail: HourDetail) -> dict[str, object]:
    """Columns of a detail.

    Raises
    ------
    StorageError
        If a number is not finite.
    """
    return {
        "site": detail.site,
        "time_utc": detail.time_utc,
        "value": codec.pack_detail(detail),
    }


def drop_old(session: Session, watch: str) -> None:
    """Drop the details of all but the newest cycles of a watch's deciding model."""
    newest = (
        select(CycleRow.id)
        .where(CycleRow.watch == watch, CycleRow.role == str(Role.PRIMARY))
        .order_by(CycleRow.id.desc())  # as `cycles.newest_first` has it
        .limit(KEPT_CYCLES)
    )
    kept = session.scalars(newest).all()
    old = select(CycleRow.id).where(CycleRow.watch == watch, CycleRow.id.not_in(kept))
    session.execute(delete(HourDetailRow).where(HourDetailRow.cycle_row.in_(old)))


def detail_of(
    database: Database, watch: str, cycle_id: str, site: str, time_utc: datetime
) -> HourDetail | None:
    """What one hour of a cycle is drawn with; None when it is not kept."""
    wanted = (
        select(HourDetailRow)
        .join(CycleRow, HourDetailRow.cycle_row == CycleRow.id)
        .where(
            CycleRow.watch == watch,
            CycleRow.cycle_id == cycle_id,
            HourDetailRow.site == site,
            HourDetailRow.time_utc == time_utc,
        )
    )
    with database.reading() as session:
        row = session.scalar(wanted)
        return None if row is None else codec.unpack_detail(row.value, row.site, row.time_utc)
