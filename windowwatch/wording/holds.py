"""Hold advice in words: what a launch that waits would meet. Pure."""

from datetime import datetime, timedelta

from windowwatch.scoring.values import Verdict
from windowwatch.windows.causes import Cause, CheckAgainst, Hold, HoldTable, Refused
from windowwatch.wording.checks import check_sentence, refusal_words
from windowwatch.wording.phrases import Times, compass, inside, length, percent, sentence

#: Waits that a notice tells, where launch hours so far apart were flown. [min]
_TOLD_WAITS_MIN = (30, 60, 120)
#: A landing that moves by less than this is told as staying. [km]
_SAME_PLACE_KM = 1.0


def hold_words(table: HoldTable, times: Times) -> str:
    """Say a table in sentences fit for a phone.

    The first sentence is the planned release, the last one how finely it was flown.
    """
    plan = table.planned
    chance = "" if plan.chance is None else f", chance {percent(plan.chance)}"
    texts = [f"planned release {_at(plan.time_utc, times)}: {plan.verdict}{chance}"]
    texts += [
        f"slip {length(row.wait)}: {_lands(row)}, {_verdict(row, plan)}"
        for row in _told_rows(table)
    ]
    texts.append(_closing_words(table, times))
    texts.append(f"flown in steps of {length(table.step)}, between them nothing is known")
    return " ".join(sentence(text) for text in texts)


def why_words(why: Cause | None) -> str:
    """What speaks against an hour, or why it could not be read; empty when nothing does."""
    if isinstance(why, CheckAgainst):
        return sentence(check_sentence(why.check))
    return sentence(refusal_words(why.why)) if isinstance(why, Refused) else ""


def _told_rows(table: HoldTable) -> list[Hold]:
    good = [row for row in table.rows if row.good and row.time_utc <= table.last_good_utc]
    round_ones = [r for r in good if r.wait / timedelta(minutes=1) in _TOLD_WAITS_MIN]
    return round_ones or good[:2]


def _lands(row: Hold) -> str:
    if row.moved_km is None or row.moved_bearing_deg is None:
        return "where it lands is not known"
    if row.moved_km < _SAME_PLACE_KM:
        return "lands at the same place"
    return f"lands {row.moved_km:.0f} km further {compass(row.moved_bearing_deg)}"


def _verdict(row: Hold, plan: Hold) -> str:
    """Verdict, and the chance where it is not that of the planned release."""
    said = f"still {row.verdict}" if row.verdict is plan.verdict else str(row.verdict)
    same = percent(row.chance) == percent(plan.chance)
    return said if same else f"{said}, chance {percent(row.chance)}"


def _closing_words(table: HoldTable, times: Times) -> str:
    words = f"last good release {_at(table.last_good_utc, times)}"
    closing = table.closing
    if closing is None:
        return f"{words}; nothing was flown after it"
    why = inside(why_words(closing.why)) or "its score is too low"
    no_more = closing.verdict is not Verdict.UNKNOWN
    at = _at(closing.time_utc, times)
    return f"{words}; {at} {'no more' if no_more else 'could not be read'}: {why}"


def _at(moment: datetime, times: Times) -> str:
    return times(moment, moment)
