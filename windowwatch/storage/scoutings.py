"""What was looked for beside the passes of a watch: its scouting, one under way, and surveys."""

from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from windowwatch.clock import require_utc
from windowwatch.errors import InputError, StorageError
from windowwatch.learning.climatology import Climatology
from windowwatch.scouting.values import RunState, ScoutFields, Scouting, ScoutRun
from windowwatch.scouting.years import Surveyed
from windowwatch.storage.engine import Database
from windowwatch.storage.rows import value_from_json, value_to_json
from windowwatch.storage.tables import ScoutingRow, ScoutRunRow, SurveyRow


def save_scouting(database: Database, scouting: Scouting) -> int:
    """Keep a scouting in the place of the watch's last one; its number among all of them."""
    text = value_to_json(scouting, f"the scouting of {scouting.watch}")
    with database.writing() as session:
        row = session.get(ScoutingRow, scouting.watch, with_for_update=True)
        if row is None:
            row = ScoutingRow(watch=scouting.watch, number=0)
            session.add(row)
        row.number += 1
        row.made_utc, row.value = require_utc(scouting.made_utc), text
        return row.number


def scouting_number(database: Database, watch: str) -> int:
    """Number of the newest scouting of a watch; 0 where there is none."""
    wanted = select(ScoutingRow.number).where(ScoutingRow.watch == watch)
    with database.reading() as session:
        return session.scalar(wanted) or 0


def newest_scouting(database: Database, watch: str) -> Scouting | None:
    """The newest scouting of a watch; None where there is none."""
    with database.reading() as session:
        row = session.get(ScoutingRow, watch)
        if row is None:
            return None
        return value_from_json(Scouting, row.value, f"the scouting of {watch}")


def begin_scout_run(
    database: Database, watch: str, word: str, asked: ScoutFields, now_utc: datetime
) -> None:
    """Take the one place there is for a scouting that is flown.

    Raises
    ------
    InputError
        If another one is under way, whoever flies it.
    """
    now = require_utc(now_utc)
    try:
        with database.writing() as session:
            row = session.get(ScoutRunRow, watch, with_for_update=True)
            if row is None:
                row = ScoutRunRow(watch=watch)
                session.add(row)
            elif _run(row).stands(now) is RunState.RUNNING:
                raise _under_way()
            row.word, row.begun_utc, row.seen_utc = word, now, now
            row.state, row.share, row.stop, row.error = str(RunState.RUNNING), 0.0, False, ""
            row.asked = value_to_json(asked, "what is to be scouted")
    except StorageError as error:
        if isinstance(error.__cause__, IntegrityError):
            raise _under_way() from error  # somebody was faster
        raise


def _under_way() -> InputError:
    return InputError("a scouting is under way already; wait for its end, or end it first")


def renew_scout_run(
    database: Database, watch: str, word: str, share: float, now_utc: datetime
) -> bool:
    """Say that a scouting goes on, and how far it is; False when it is to end."""
    with database.writing() as session:
        row = _row_of_run(session, watch, word)
        if row is None or row.stop:
            return False
        row.seen_utc, row.share = require_utc(now_utc), share
        return True


def end_scout_run(
    database: Database, watch: str, word: str, state: RunState, error: str, now_utc: datetime
) -> None:
    """Say how a scouting ended; nothing where another one has begun since."""
    with database.writing() as session:
        row = _row_of_run(session, watch, word)
        if row is not None:
            row.seen_utc, row.state, row.error = require_utc(now_utc), str(state), error


def _row_of_run(session: Session, watch: str, word: str) -> ScoutRunRow | None:
    row = session.get(ScoutRunRow, watch, with_for_update=True)
    ours = row is not None and row.word == word and row.state == RunState.RUNNING
    return row if ours else None


def stop_scout_run(database: Database, watch: str) -> None:
    """Ask whoever flies a scouting to end it."""
    with database.writing() as session:
        row = session.get(ScoutRunRow, watch, with_for_update=True)
        if row is not None:
            row.stop = True


def scout_run(database: Database, watch: str) -> ScoutRun | None:
    """The scouting that was started last on a page; None where none was."""
    with database.reading() as session:
        row = session.get(ScoutRunRow, watch)
        return None if row is None else _run(row)


def _run(row: ScoutRunRow) -> ScoutRun:
    return ScoutRun(
        row.begun_utc,
        row.seen_utc,
        RunState(row.state),
        row.share,
        row.stop,
        row.error,
        value_from_json(ScoutFields, row.asked, "what was to be scouted"),
    )


def save_survey(database: Database, survey: Surveyed, usual: Climatology | None = None) -> int:
    """Keep a survey, in the place of the one of the same mark; its number among all of them.

    `usual` are the chances that it tells, for whoever learns from them: they are read without it.
    """
    told = None if usual is None else value_to_json(usual, f"usual chances of {survey.watch}")
    text = value_to_json(survey, f"the survey of {survey.watch}")
    with database.writing() as session:
        last = session.scalar(
            select(func.max(SurveyRow.number)).where(SurveyRow.watch == survey.watch)
        )
        row = session.get(SurveyRow, (survey.watch, survey.mark), with_for_update=True)
        if row is None:
            row = SurveyRow(watch=survey.watch, mark=survey.mark)
            session.add(row)
        row.number = (last or 0) + 1
        row.made_utc, row.value, row.usual = require_utc(survey.made_utc), text, told
        return row.number


def usual_chances(database: Database, watch: str) -> Climatology | None:
    """What the newest survey of a watch tells of chances; None where there is none that does.

    Raises
    ------
    StorageError
        If it is damaged.
    """
    newest = (
        select(SurveyRow.usual)
        .where(SurveyRow.watch == watch, SurveyRow.usual.is_not(None))
        .order_by(SurveyRow.number.desc())
        .limit(1)
    )
    with database.reading() as session:
        text = session.scalar(newest)
    if text is None:
        return None
    return value_from_json(Climatology, text, f"usual chances of {watch}")


def surveys(database: Database, watch: str) -> tuple[tuple[str, int, datetime], ...]:
    """Mark, number and time of each survey of a watch, the newest first."""
    wanted = (
        select(SurveyRow.mark, SurveyRow.number, SurveyRow.made_utc)
        .where(SurveyRow.watch == watch)
        .order_by(SurveyRow.number.desc())
    )
    with database.reading() as session:
        return tuple((row.mark, row.number, row.made_utc) for row in session.execute(wanted))


def find_survey(database: Database, watch: str, mark: str) -> Surveyed | None:
    """A survey of a watch; None where there is none of that mark."""
    with database.reading() as session:
        row = session.get(SurveyRow, (watch, mark))
        if row is None:
            return None
        return value_from_json(Surveyed, row.value, f"the survey of {watch}")
