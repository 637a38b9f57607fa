"""The ledger of fetched forecasts, as rows: what `forecast.download.ledger` asks for."""

from collections.abc import Sequence
from dataclasses import fields
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, delete, select

from windowwatch.forecast.download.ledger import CycleStage, CycleState, KeptFile
from windowwatch.storage.codec import texts_from_json, texts_to_json
from windowwatch.storage.engine import Database
from windowwatch.storage.tables import CycleStateRow, KeptFileRow

_FILE = tuple(field.name for field in fields(KeptFile))
_STATE = tuple(field.name for field in fields(CycleState))


class SqlLedger:
    """Keeps what fetching remembers in the database; may be shared by threads.

    Every method raises StorageError in plain words when the database refuses.
    """

    def __init__(self, database: Database) -> None:
        self._database = database

    def kept_files(self, model: str, cycle_utc: datetime) -> Sequence[KeptFile]:
        """Files kept of a cycle, by step and name."""
        wanted = (
            select(KeptFileRow)
            .where(KeptFileRow.model == model, KeptFileRow.cycle_utc == cycle_utc)
            .order_by(KeptFileRow.step_h, KeptFileRow.item)
        )
        with self._database.reading() as session:
            return tuple(_file(row) for row in session.scalars(wanted))

    def keep_file(self, file: KeptFile) -> None:
        """Remember a file; one of the same name is replaced."""
        values: dict[str, Any] = {name: getattr(file, name) for name in _FILE}
        with self._database.writing() as session:
            session.execute(delete(KeptFileRow).where(*_same(file)))
            session.add(KeptFileRow(**{**values, "lacking": texts_to_json(file.lacking)}))

    def forget_file(self, file: KeptFile) -> None:
        """Forget a file."""
        with self._database.writing() as session:
            session.execute(delete(KeptFileRow).where(*_same(file)))

    def note_cycle(self, state: CycleState) -> None:
        """Remember how a cycle stands; replaces what was known of it."""
        values: dict[str, Any] = {name: getattr(state, name) for name in _STATE}
        with self._database.writing() as session:
            session.execute(
                delete(CycleStateRow).where(
                    CycleStateRow.model == state.model,
                    CycleStateRow.cycle_utc == state.cycle_utc,
                )
            )
            session.add(CycleStateRow(**{**values, "stage": str(state.stage)}))

    def cycle_states(self, model: str, limit: int = 40) -> Sequence[CycleState]:
        """Newest cycles first."""
        wanted = (
            select(CycleStateRow)
            .where(CycleStateRow.model == model)
            .order_by(CycleStateRow.cycle_utc.desc())
            .limit(limit)
        )
        with self._database.reading() as session:
            return tuple(_state(row) for row in session.scalars(wanted))


def _same(file: KeptFile) -> tuple[ColumnElement[bool], ...]:
    return (
        KeptFileRow.model == file.model,
        KeptFileRow.cycle_utc == file.cycle_utc,
        KeptFileRow.route == file.route,
        KeptFileRow.item == file.item,
    )


def _file(row: KeptFileRow) -> KeptFile:
    values = {name: getattr(row, name) for name in _FILE}
    return KeptFile(**{**values, "lacking": texts_from_json(row.lacking)})


def _state(row: CycleStateRow) -> CycleState:
    values = {name: getattr(row, name) for name in _STATE}
    return CycleState(**{**values, "stage": CycleStage(row.stage)})
