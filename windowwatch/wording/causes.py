"""Causes and hold advice in words: why a window opened, moved or closed, what waiting meets. Pure.

They carried their times written out in UTC, ``2026-05-07 06:00 UTC``, two of them as ``… UTC to
… UTC``. Nothing newer is read in this way: causes hold their times as values.

Each kind of cause has one function here. Several causes are joined by semicolons in the order
they are given, which is that of `Change.causes`: the gravest first.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from windowwatch.forecast.cycle import Cycle
from windowwatch.scoring.values import Opinion, Verdict
from windowwatch.windows import causes as c
from windowwatch.windows.causes import Cause, CheckAgainst, Hold, HoldTable, Refused, Span
from windowwatch.wording.checks import check_sentence, opinion_words, refusal_words
from windowwatch.wording.flightnews import news_words
from windowwatch.wording.phrases import Times, compass, go_words, inside, length, percent, sentence
from windowwatch.wording.plancauses import PLAN_WORDS

#: Waits that a notice tells, where launch hours so far apart were flown. [min]
_TOLD_WAITS_MIN = (30, 60, 120)
#: A landing that moves by less than this is told as staying. [km]
_SAME_PLACE_KM = 1.0


def hold_words(table: HoldTable, times: Times) -> str:
    """Say a table in sentences fit for a phone.

    The first sentence is the planned release, or the next good one after it, and the last one
    how finely it was flown.
    """
    plan = table.planned
    chance = "" if plan.chance is None else f", chance {percent(plan.chance)}"
    which = "planned release" if table.as_planned else "next good release"
    texts = [f"{which} {_holds_at(plan.time_utc, times)}: {plan.verdict}{chance}"]
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
    words = f"last good release {_holds_at(table.last_good_utc, times)}"
    closing = table.closing
    if closing is None:
        return f"{words}; nothing was flown after it"
    why = inside(why_words(closing.why)) or "its score is too low"
    no_more = closing.verdict is not Verdict.UNKNOWN
    at = _holds_at(closing.time_utc, times)
    return f"{words}; {at} {'no more' if no_more else 'could not be read'}: {why}"


def _holds_at(moment: datetime, times: Times) -> str:
    return times(moment, moment)


_MOMENT = r"(\d{4}-\d{2}-\d{2} \d{2}:\d{2}) UTC"
_WRITTEN = re.compile(rf"{_MOMENT}(?: to {_MOMENT})?")


def read_aloud(text: str, times: Times) -> str:
    """A stored sentence, its times read as `times` reads them.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> from windowwatch.wording.phrases import local_to
    >>> read_aloud("Decide by 2026-05-07 06:00 UTC.", local_to(ZoneInfo("America/Noronha")))
    'Decide by Thu 7 04:00 local (06:00 UTC).'
    """

    def read(found: re.Match[str]) -> str:
        first, last = found.group(1), found.group(2) or found.group(1)
        return times(_moment(first), _moment(last))

    return _WRITTEN.sub(read, text)


def _moment(text: str) -> datetime:
    return datetime.strptime(text, "%Y-%m-%d %H:%M").replace(tzinfo=UTC)


#: Models named in a reason; a phone is small.
MOST_NAMED = 2


def reason(causes: Sequence[Cause], times: Times) -> str:
    """Causes as one sentence with a capital and a full stop; empty where there are none.

    Parameters
    ----------
    causes : sequence of Cause
        In the order in which they are said.
    times : Times
        How times are read aloud, as of `windowwatch.wording.phrases.local_to`.
    """
    return sentence(clauses(causes, times))


def clauses(causes: Sequence[Cause], times: Times) -> str:
    """Causes as a part of another sentence, without its capital and full stop."""
    text = ""
    for number, cause in enumerate(causes):
        words = cause_words(cause, times)
        if not text:
            text = words
        elif isinstance(cause, c.FrontAt):
            text += f", {words}"
        elif isinstance(cause, c.ModelsDisagree):
            same = _is_named_last(cause, causes[number - 1])
            text += f" and {_ways(cause.against[0])}" if same else f"; but {words}"
        else:
            text += f"; {words}"
    return text


def cause_words(cause: Cause, times: Times) -> str:
    """One cause in words, without a full stop."""
    return _WORDS[type(cause)](cause, times).strip().rstrip(".")


def _not_readable(cause: c.NotReadable, times: Times) -> str:
    words = f"the forecast could not be read for {_listed(cause.spans, times, ', ')}"
    if cause.why is None:
        return words
    count = cause.other_reasons
    others = f" (and {count} other reasons)" if count else ""
    return f"{words}: {cause_words(cause.why, times)}{others}"


def _seen(cause: c.SeenGood, _times: Times) -> str:
    often = "once" if cause.cycles == 1 else f"in {cause.cycles} cycles"
    mixed = go_words(cause.go_hours, cause.good_hours)
    return f"seen {often}; {mixed}" if mixed else f"good launch hours seen {often}"


def _near(cause: c.NearAndLikely, _times: Times) -> str:
    # its chance may be the deciding model's own: beside that of the window it would be a second one
    words = "near, and likely enough to open at once"
    mixed = go_words(cause.go_hours, cause.good_hours)
    return f"{words}; {mixed}" if mixed else f"good launch hours, {words}"


def _broke_up(cause: c.BrokeUp, times: Times) -> str:
    own = "windows" if len(cause.parts) > 1 else "a window"
    return f"broke up: releases {_listed(cause.parts, times, ' and ')} are now {own} apart"


def _planned(cause: c.BestHourIs, times: Times) -> str:
    """``planned hour is now Thu 7 06:00 (the one before: gust 10.1 m/s, past the limit of 10)``."""
    words = f"planned hour is now {_at(cause.at_utc, times)}"
    why = inside(clauses(cause.lost_to, times))
    return f"{words} (the one before: {why})" if why else words


#: Both ends of a window are told by releases: nothing is flown at its end.
_EDGES = {c.Edge.START: "first release", c.Edge.END: "last release"}


def _edge(cause: c.EdgeMoved, times: Times) -> str:
    """``first release 2 h later (gust 10.1 m/s, limit 9.0 m/s)``."""
    way = "later" if cause.by > timedelta(0) else "earlier"
    words = f"{_EDGES[cause.edge]} {length(cause.by)} {way}"
    why = inside(clauses(cause.lost_to, times))
    return f"{words} ({why})" if why else words


def _quality(cause: c.QualityMoved, _times: Times) -> str:
    """``before: score 78, chance 80 %; now score 61, chance 80 %``: each of one moment."""
    before, after = f"score {cause.score_before:.0f}", f"score {cause.score_after:.0f}"
    if cause.chance_before is not None or cause.chance_after is not None:
        before = f"{before}, chance {percent(cause.chance_before)}"
        after = f"{after}, chance {percent(cause.chance_after)}"
    return f"before: {before}; now {after}"


def _listed(spans: Sequence[Span], times: Times, between: str) -> str:
    return between.join(times(*each) for each in spans)


# -- other models: people plan by one model, so another one is named in full --


def model_words(opinion: Opinion) -> str:
    """Name a model that does not decide: ``the other model ifs (12Z run)``."""
    return f"the other model {_run_of(opinion)}"


def _run_of(opinion: Opinion) -> str:
    return f"{opinion.model} ({Cycle.of_id(opinion.cycle_id).reference_utc:%HZ} run)"


def _lowered(cause: c.ChanceLowered, _times: Times) -> str:
    """Say which models made a chance too low.

    ``the other model ifs (12Z run) lowers the chance to 11 %, under 15 %: it gives 5 % and says
    no-go, gust 14.0 m/s, limit 9.0 m/s; 16 % without it``
    """
    lower = cause.lowered_by
    fell = f"the chance to {percent(cause.chance)}, under {percent(cause.bound)}"
    alone = percent(cause.own_chance)
    if len(lower) == 1:
        name, gives = model_words(lower[0]), _gives(lower[0])
        return f"{name} lowers {fell}: it {gives}; {alone} without it"
    named = "; ".join(f"{_run_of(each)} {_gives(each)}" for each in lower[:MOST_NAMED])
    more = len(lower) - MOST_NAMED
    rest = f"; and {more} more" if more > 0 else ""
    return f"other models lower {fell}: {named}{rest}; {alone} without them"


def _gives(opinion: Opinion) -> str:
    """``gives 5 % and says no-go, gust 14.0 m/s, limit 9.0 m/s``."""
    words = f"gives {percent(opinion.chance)}"
    if opinion.verdict is Verdict.GO:
        return words
    why = inside(opinion_words(opinion))
    return f"{words} and says {opinion.verdict}" + (f", {why}" if why else "")


def _moved_by_others(cause: c.ChanceMovedByOthers, _times: Times) -> str:
    """``chance fell from 80 to 60 %: the other model ifs (12Z run) gives 40 %``."""
    verb = "fell" if cause.fell else "rose"
    said = [f"{model_words(o)} gives {percent(o.chance)}" for o in cause.opinions[:MOST_NAMED]]
    was, now = percent(cause.before).removesuffix(" %"), percent(cause.after)
    return f"chance {verb} from {was} to {now}: {', '.join(said)}"


def _disagree(cause: c.ModelsDisagree, _times: Times) -> str:
    said = [f"{model_words(a.opinion)} {_ways(a)}" for a in cause.against[:MOST_NAMED]]
    more = len(cause.against) - MOST_NAMED
    return "; ".join(said) + (f"; and {more} more disagree" if more > 0 else "")


def _ways(against: c.Against) -> str:
    """``says no-go: gust 14 m/s; lands 60 km further east``."""
    opinion, said = against.opinion, []
    if against.no_go:
        why = inside(opinion_words(opinion))
        said.append(f"says no-go: {why}" if why else "says no-go")
    if against.apart and opinion.apart_km is not None and opinion.bearing_deg is not None:
        said.append(_lands_further(opinion.apart_km, opinion.bearing_deg))
    return "; ".join(said)


def _is_named_last(cause: c.ModelsDisagree, before: Cause) -> bool:
    """Whether the one model that disagrees was named just before, and need not be again."""
    if len(cause.against) != 1 or not isinstance(before, c.ChanceMovedByOthers):
        return False
    named, against = before.opinions[:MOST_NAMED], cause.against[0].opinion
    return bool(named) and (named[-1].model, named[-1].cycle_id) == (
        against.model,
        against.cycle_id,
    )


def _lands_further(km: float, bearing_deg: float) -> str:
    return f"lands {km:.0f} km further {compass(bearing_deg)}"


# -- the watch as a whole, and what people are asked --


def _late(cause: c.ForecastLate, times: Times) -> str:
    return (
        f"the forecast of {_at(cause.reference_utc, times)} was due about "
        f"{_at(cause.due_utc, times)}; {cause.steps_there} of {cause.steps_needed} steps are here"
    )


def _given_up(cause: c.GivenUp, times: Times) -> str:
    used = "it is used as far as it has come" if cause.steps_there else "nothing of it came"
    return (
        f"the forecast of {_at(cause.reference_utc, times)} is given up after "
        f"{length(cause.after)}; {cause.steps_there} of {cause.steps_needed} steps are here, "
        f"{used}; the next one is looked for"
    )


def _failed(cause: c.PassFailed, times: Times) -> str:
    tries = "once" if cause.tries == 1 else f"{cause.tries} times"
    return (
        f"the forecast of {_at(cause.reference_utc, times)} could not be worked up; tried {tries}"
    )


def _gone(cause: c.WayGone, times: Times) -> str:
    other = "there is no other way to it"
    if cause.instead is not None:
        other = f"it is fetched by {_way(cause.instead)} instead"
    return (
        f"the provider has moved or ended {cause.model} by {_way(cause.way)} (nothing has come "
        f"since the forecast of {_at(cause.since_utc, times)}); {other}; run check --live, and "
        "write new names under [forecast.routes] in the settings"
    )


def _way(way: c.Way) -> str:
    return f"{way.speech}, {way.grid_deg:g} degree"


def _nothing_newer(cause: c.NothingNewer, times: Times) -> str:
    since = _at(cause.since_utc, times)
    if cause.none_yet:
        return f"no forecast has come since the watch began, {since}"
    return f"the newest forecast is of {since}, more than {length(cause.longest)} ago"


def _shown(cause: c.StillShown, times: Times) -> str:
    if cause.reference_utc is None:
        return "no forecast has been read so far"
    return f"what is shown stays that of {_at(cause.reference_utc, times)}"


def _decide(cause: c.DecideBy, times: Times) -> str:
    """``buy gas: decide by Wed 6 06:00 UTC; 3 h left; 24 h before the first release``.

    What is left stands before the rest: a phone may cut the end off.
    """
    head = ""
    if cause.reminder:
        head = "last reminder" if cause.last else "reminder"
        head += ", nobody has acknowledged this: "
    at, minute = _at(cause.by_utc, times), timedelta(minutes=1)
    before = f"{length(cause.before)} before the first release"
    if cause.left < minute:
        late = f"{length(cause.left)} ago" if cause.left <= -minute else "that is now"
        return f"{head}{cause.decision}: it was to be decided by {at}; {late}; {before}"
    return f"{head}{cause.decision}: decide by {at}; {length(cause.left)} left; {before}"


def _at(moment: Any, times: Times) -> str:
    return times(moment, moment)


def _plain(text: str) -> Callable[[Any, Times], str]:
    return lambda _cause, _times: text


_WORDS: Mapping[type[Cause], Callable[[Any, Times], str]] = {
    c.CheckAgainst: lambda cause, _: check_sentence(cause.check),
    c.FrontAt: lambda cause, times: f"about {_at(cause.at_utc, times)}",
    c.OnlyCaution: _plain("only caution, where go is asked"),
    c.ChanceUnder: lambda cause, _: f"chance {percent(cause.chance)}, under {percent(cause.bound)}",
    c.ScoreIs: lambda cause, _: f"score {cause.score:.0f}",
    c.ScoreFell: lambda cause, _: (
        f"score {cause.before:.0f} to {cause.after:.0f}, under {cause.bound:.0f}"
    ),
    c.ChanceLowered: _lowered,
    c.NoAnswer: _plain("no answer was computed"),
    c.Refused: lambda cause, _: refusal_words(cause.why),
    c.DataMissing: _plain("data are missing"),
    c.NotReadable: _not_readable,
    c.SeenGood: _seen,
    c.NearAndLikely: _near,
    c.PartStillGood: _plain(
        "part of a window of which the rest cannot be read now; these hours are good"
    ),
    c.OnlyStays: lambda cause, _: (
        f"only {length(cause.left)} of it stays good, {length(cause.wanted)} are wanted"
    ),
    c.NothingLeft: _plain("no launch hour is left of it"),
    c.LastKnownStands: _plain("what was last known stands until it can"),
    c.ReadableAgain: _plain("the forecast can be read again"),
    c.BrokeUp: _broke_up,
    c.JoinedWith: lambda cause, times: (
        f"joined with the window of releases {_listed(cause.windows, times, ' and ')}"
    ),
    c.EdgeMoved: _edge,
    c.LandingMoved: lambda cause, _: _lands_further(cause.km, cause.bearing_deg),
    c.BestHourIs: _planned,
    c.QualityMoved: _quality,
    c.ChanceMovedByOthers: _moved_by_others,
    c.ModelsDisagree: _disagree,
    c.ForecastLate: _late,
    c.NoForecast: lambda cause, times: (
        f"no forecast has come; the next one was expected about {_at(cause.expected_utc, times)}"
    ),
    c.NothingNewer: _nothing_newer,
    c.StillShown: _shown,
    c.GivenUp: _given_up,
    c.PassFailed: _failed,
    c.WayGone: _gone,
    c.ErrorSaid: lambda cause, _: inside(cause.text),
    c.DecideBy: _decide,
    c.CallOff: lambda cause, _: (
        "nobody has acknowledged that this window closed; call off: " + ", ".join(cause.decisions)
    ),
    c.HoldTable: hold_words,
    c.ToldEarlier: lambda cause, times: read_aloud(cause.text, times),
    **PLAN_WORDS,
    c.FlightNews: news_words,
}
