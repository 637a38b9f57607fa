"""Answers kept to be judged later, packed in one row a cycle and site; and what was learned.

Named rules
-----------
rows, not files
    A record is saved in the transaction of its pass: no answer is without one, and a backup has
    both. One row a cycle and site, its columns packed: a row an hour would be ten times as large,
    and Parquet beside the database would be a second thing to keep whole.
packed
    Whole numbers of small steps (0.1 m/s aloft), each less the one an hour before, low bytes and
    high bytes apart, deflated. What is missing has a number of its own. `FORM` names this way;
    rows of another form are never guessed at.
what cannot be read is left out, by name
    A damaged row costs itself and nothing else. It stays where it is.
"""

import itertools
import json
import zlib
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from windowwatch.clock import require_utc
from windowwatch.errors import StorageError
from windowwatch.forecast.cycle import Cycle
from windowwatch.learning.learned import Learned, without_single_sites
from windowwatch.learning.record import (
    JUDGED_COLUMNS,
    LANDING_COLUMNS,
    SURFACE_STEPS,
    Answers,
    SiteRecord,
    answers_of,
    with_earlier,
)
from windowwatch.physics.spread import KNOT_HEIGHT_M
from windowwatch.storage.engine import Database
from windowwatch.storage.rows import value_from_json, value_to_json
from windowwatch.storage.tables import CycleRow, LearnedRow, LearnedTablesRow, RecordRow

#: The way records are packed that this program writes and reads.
FORM = 1
_WIND_STEP = 0.1
#: Steps of the columns of landing and judgement.
_LANDING_STEPS = (1e-5, 1e-5, 10.0, 10.0, 10.0, 10.0, 1.0)
_JUDGED_STEPS = (0.1, 1e-6)


class RecordFault(StorageError):  # noqa: N818
    """A record that cannot be read; it is left out, and nothing else is."""


def pack(record: SiteRecord) -> bytes:
    """A record as bytes, in steps that are finer than any forecast is good."""
    count, names = record.time_unix_s.size, [n for n in SURFACE_STEPS if n in record.surface]
    head = json.dumps({"hours": count, "surface": names}).encode()
    wind = record.wind_mps.reshape(count, -1).T
    near = np.array([record.surface[n] / SURFACE_STEPS[n] for n in names]).reshape(-1, count)
    slow = np.concatenate([
        record.landing.T / np.array(_LANDING_STEPS)[:, None],
        record.judged.T / np.array(_JUDGED_STEPS)[:, None],
    ])  # fmt: skip
    body = b"".join([
        np.round(record.time_unix_s).astype("<i8").tobytes(),
        record.verdict.astype("<i1").tobytes(),
        _packed(wind / _WIND_STEP, "<i2"),
        _packed(near, "<i2"),
        _packed(slow, "<i4"),
    ])  # fmt: skip
    return zlib.compress(len(head).to_bytes(2, "little") + head + body, 6)


def unpack(value: bytes, form: int, cycle: Cycle, site: str) -> SiteRecord:
    """A record of its bytes.

    Raises
    ------
    RecordFault
        If they are cut, damaged, or of another form; names cycle and site.
    """
    what = f"the record of cycle {cycle.id} at {site}"
    if form != FORM:
        raise RecordFault(
            f"{what} is of form {form}, and this program reads form {FORM}; it is left out. Run "
            "the newer windowwatch"
        )
    try:
        raw = zlib.decompress(value)
        size = 2 + int.from_bytes(raw[:2], "little")
        head = json.loads(raw[2:size])
        count, names = int(head["hours"]), list(head["surface"])
        place = _Place(raw, size)
        time = place.take("<i8", count).astype(np.float64)
        verdict = place.take("<i1", count).astype(np.int8)
        knots = 2 * KNOT_HEIGHT_M.size
        wind = _unpacked(place.take("<u1", 2 * knots * count), knots, "<i2") * _WIND_STEP
        near = _unpacked(place.take("<u1", 2 * len(names) * count), len(names), "<i2")
        rows = len(LANDING_COLUMNS) + len(JUDGED_COLUMNS)
        slow = _unpacked(place.take("<u1", 4 * rows * count), rows, "<i4")
        slow *= np.array([*_LANDING_STEPS, *_JUDGED_STEPS])[:, None]
        if place.left:
            raise ValueError(f"{place.left} bytes too many")
        return SiteRecord(
            cycle, site, time, wind.T.reshape(count, -1, 2),
            {name: row * SURFACE_STEPS[name] for name, row in zip(names, near, strict=True)},
            slow[: len(LANDING_COLUMNS)].T, slow[len(LANDING_COLUMNS) :].T, verdict,
        )  # fmt: skip
    except (zlib.error, ValueError, KeyError, TypeError, IndexError) as error:
        raise RecordFault(f"{what} is damaged ({error}); it is left out") from error


class _Place:
    """Where in some bytes one reads."""

    def __init__(self, raw: bytes, at: int) -> None:
        self._raw, self._at = raw, at

    def take(self, kind: str, count: int) -> NDArray[Any]:
        """The next numbers; ValueError if there are not so many."""
        found = np.frombuffer(self._raw, kind, count, self._at)
        self._at += found.nbytes
        return found

    @property
    def left(self) -> int:
        return len(self._raw) - self._at


def _packed(values: NDArray[np.float64], kind: str) -> bytes:
    """Rows of whole numbers: differences along each, their bytes sorted by weight."""
    limits = np.iinfo(kind)
    known = np.isfinite(values) & (np.abs(values) < limits.max)
    whole = np.where(known, np.round(np.where(known, values, 0.0)), limits.min).astype(kind)
    apart = whole.copy()
    apart[:, 1:] -= whole[:, :-1]  # runs over its ends and back again
    return apart.view("<u1").reshape(-1, np.dtype(kind).itemsize).T.tobytes()


def _unpacked(raw: NDArray[np.uint8], rows: int, kind: str) -> NDArray[np.float64]:
    size = np.dtype(kind).itemsize
    apart = np.ascontiguousarray(raw.reshape(size, -1).T).view(kind).reshape(rows, -1)
    whole = np.cumsum(apart, axis=1, dtype=kind)
    return np.where(whole == np.iinfo(kind).min, np.nan, whole.astype(np.float64))


def keep(session: Session, watch: str, records: Sequence[SiteRecord]) -> None:
    """Save records in the transaction of their pass; those of an earlier pass give way to them."""
    for new in records:
        row = session.get(RecordRow, (watch, new.cycle.id, new.site))
        if row is None:
            row = RecordRow(watch=watch, cycle_id=new.cycle.id, site=new.site)
            row.reference_utc, row.form, row.value = new.cycle.reference_utc, FORM, pack(new)
            session.add(row)
            continue
        try:
            whole = with_earlier(new, unpack(row.value, row.form, new.cycle, row.site))
        except RecordFault:
            whole = new  # what cannot be read has nothing to add
        row.form, row.value = FORM, pack(whole)


def records_of(
    database: Database,
    watch: str,
    since_utc: datetime | None = None,
    until_utc: datetime | None = None,
    faults: list[str] | None = None,
) -> Iterator[SiteRecord]:
    """Records of a watch's cycles between two times, by cycle; one at a time, as they are large.

    Parameters
    ----------
    database : Database
    watch : str
    since_utc, until_utc : datetime, optional
        Reference times of the first and the last cycle, both included.
    faults : list of str, optional
        What could not be read and is left out is added to it.
    """
    wanted = select(RecordRow).where(RecordRow.watch == watch)
    if since_utc is not None:
        wanted = wanted.where(RecordRow.reference_utc >= require_utc(since_utc))
    if until_utc is not None:
        wanted = wanted.where(RecordRow.reference_utc <= require_utc(until_utc))
    wanted = wanted.order_by(RecordRow.reference_utc, RecordRow.cycle_id, RecordRow.site)
    with database.reading() as session:
        for row in session.scalars(wanted.execution_options(yield_per=100)):
            session.expunge(row)
            try:
                yield unpack(row.value, row.form, Cycle.of_id(row.cycle_id), row.site)
            except RecordFault as fault:
                if faults is not None:
                    faults.append(fault.message)


def answers_kept(
    database: Database,
    watch: str,
    since_utc: datetime | None = None,
    beside: Iterable[SiteRecord] = (),
) -> tuple[Answers, tuple[str, ...]]:
    """All answers of a watch as one table, and what could not be read of them.

    `beside` are records of what was measured, which are not stored as such.
    """
    faults: list[str] = []
    kept = records_of(database, watch, since_utc, faults=faults)
    return answers_of(itertools.chain(kept, beside)), tuple(faults)


def cycles_of(database: Database, watch: str) -> int:
    """Of how many cycles records are kept."""
    wanted = select(func.count(RecordRow.cycle_id.distinct())).where(RecordRow.watch == watch)
    with database.reading() as session:
        return session.scalar(wanted) or 0


def flown_with(database: Database, watch: str) -> dict[Cycle, str | None]:
    """Every stored cycle of a watch, and the version that it was flown with; None: from memory."""
    wanted = select(CycleRow.reference_utc, CycleRow.model, CycleRow.learned).where(
        CycleRow.watch == watch
    )
    with database.reading() as session:
        return {Cycle(row[0], row[1]): row[2] for row in session.execute(wanted)}


def save(database: Database, watch: str, learned: Learned) -> None:
    """Keep what was learned: the newest tables, and once for each version what flights need.

    Raises
    ------
    StorageError
        If a number is not finite, or the database refuses.
    """
    whole = _deflated(learned, "what was learned")
    with database.writing() as session:
        if session.get(LearnedRow, (watch, learned.key)) is None:
            session.add(
                LearnedRow(
                    watch=watch,
                    version=learned.key,
                    made_utc=learned.made_utc,
                    value=_deflated(without_single_sites(learned), "what was learned"),
                )
            )
        session.execute(delete(LearnedTablesRow).where(LearnedTablesRow.watch == watch))
        session.add(
            LearnedTablesRow(
                watch=watch, version=learned.key, made_utc=learned.made_utc, value=whole
            )
        )


def _deflated(learned: Learned, what: str) -> bytes:
    return zlib.compress(value_to_json(learned, what).encode("utf-8"))


def newest(database: Database, watch: str) -> Learned | None:
    """All that was learned last; None before anything was.

    Raises
    ------
    StorageError
        If it is damaged, or of another version's form.
    """
    with database.reading() as session:
        row = session.get(LearnedTablesRow, watch)
        return None if row is None else _inflated(row.value)


def of_version(database: Database, watch: str, version: str) -> Learned | None:
    """What flights of some version were made with; refuses as `newest`."""
    with database.reading() as session:
        row = session.get(LearnedRow, (watch, version))
        return None if row is None else _inflated(row.value)


def _inflated(value: bytes) -> Learned:
    try:
        text = zlib.decompress(value).decode("utf-8")
    except (zlib.error, UnicodeDecodeError) as error:
        raise StorageError(f"what was learned is damaged ({error}); it is learned anew") from error
    return value_from_json(Learned, text, "what was learned")


def drop_old(database: Database, watch: str, before_utc: datetime) -> int:
    """Drop records of cycles before a time; returns of how many rows."""
    old = delete(RecordRow).where(
        RecordRow.watch == watch, RecordRow.reference_utc < require_utc(before_utc)
    )
    with database.writing() as session:
        return int(session.execute(old).rowcount)  # type: ignore[attr-defined]
