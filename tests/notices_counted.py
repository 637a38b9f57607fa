"""What a team would have been told in generated weeks: counts of notices, good and bad.

Windows, changes, what waits, decisions and what goes together in one message are the real code.

Named rules
-----------
message
    What arrives at once on a phone: one change, or all changes of far windows of one pass.
false opening
    A window that was told open and told closed again before its decide-by, and no doubt was told
    between: neither weaker, nor shorter, nor that models disagree.
taken back
    A change in whose every aspect the next deciding cycle is nearer to what was told before.
late closing
    A window that was told closed after its decide-by.
open in vain
    A window that stands as told open at its decide-by, and whose planned hour is no-go in truth.
behind
    Hours for which a window that starts within two days stands as open though its hours, by what
    is known, are not good any more.
in time
    A run of hours that are good in truth was told open at its decide-by.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from generated_weeks import GeneratedWeek, Read

from windowwatch.physics.earth import distance_m
from windowwatch.scoring.values import Hour, Verdict
from windowwatch.windows.agreement import AgreementRules, tell_disagreements
from windowwatch.windows.causes import EdgeMoved, LandingMoved
from windowwatch.windows.changes import compare
from windowwatch.windows.decisions import Decision, ask, keys_to_know
from windowwatch.windows.steady import Weighing, hold_back
from windowwatch.windows.values import Change, ChangeKind, Window, WindowState
from windowwatch.windows.window import WindowRules, index_hours, is_good, join_hours

DECIDE_BEFORE = timedelta(hours=24)
BOOK = Decision("book the crew", DECIDE_BEFORE, remind=timedelta(hours=1), reminders=0)
DOUBTS = (ChangeKind.WEAKER, ChangeKind.MODELS_DISAGREE)


@dataclass(frozen=True)
class Ruleset:
    """Rules under trial. `together`: far changes of a pass go in one message."""

    name: str
    rules: WindowRules
    together: bool = True
    agreement: AgreementRules = field(default_factory=AgreementRules)


@dataclass
class Lived:
    """What a week brought under some rules."""

    passes: list[tuple[Read, tuple[Window, ...], tuple[Change, ...]]] = field(default_factory=list)
    asked: list[Change] = field(default_factory=list)


def live(week: GeneratedWeek, trial: Ruleset) -> Lived:
    """Pass every read of a week."""
    windows: tuple[Window, ...] = ()
    lived = Lived()
    known_asked: dict[str, Change] = {}
    passes: Counter[str] = Counter()
    for read in week.reads:
        passes[read.cycle.id] += 1
        about: dict[str, Any] = {
            "cycle": read.cycle,
            "now_utc": read.now_utc,
            "watch": "generated",
            "pass_number": passes[read.cycle.id],
        }
        joined = join_hours(read.hours, trial.rules, now_utc=read.now_utc, known=windows)
        made, changes = compare(windows, joined, read.hours, trial.rules, **about)
        made, changes = tell_disagreements(
            windows, made, changes, read.hours, trial.rules, trial.agreement, **about
        )
        made, changes = hold_back(
            windows, made, changes, trial.rules, cycle=read.cycle, now_utc=read.now_utc,
            weighing=Weighing(read.next_utc) if read.weighed_anew else None,
        )  # fmt: skip
        lived.passes.append((read, made, changes))
        windows = tuple(w for w in made if w.state in (WindowState.SIGHTED, WindowState.OPEN))
        closed = [c for c in changes if c.kind is ChangeKind.CLOSED]
        keys = keys_to_know(windows, closed, [BOOK], "generated")
        known = {key: known_asked[key] for key in keys if key in known_asked}
        asked = ask(
            windows, closed, [BOOK], known=known, acknowledged=known, now_utc=read.now_utc,
            watch="generated",
        )  # fmt: skip
        known_asked |= {each.change.key: each.change for each in asked}
        lived.asked += [each.change for each in asked]
    return lived


def count(week: GeneratedWeek, trial: Ruleset, lived: Lived) -> Counter[str]:
    """What is worth knowing of a week, summed."""
    found: Counter[str] = Counter(weeks=1, asked=len(lived.asked))
    days = (week.reads[-1].now_utc - week.reads[0].now_utc) / timedelta(days=1)
    found["hours watched"] = round(24 * days)
    opened: dict[str, datetime] = {}
    doubted: set[str] = set()
    for number, (read, windows, changes) in enumerate(lived.passes):
        far = [c for c in changes if _is_far(c, trial.rules, read.now_utc)]
        found["changes"] += len(changes)
        found["messages"] += len(changes) - (max(len(far) - 1, 0) if trial.together else 0)
        found["behind"] += _behind(windows, read, trial.rules, lived, number)
        for change in changes:
            found[str(change.kind)] += 1
            uid = change.window_uid or ""
            later = _next_deciding(lived, number)
            if later is not None and taken_back(change, later):
                found["taken back"] += 1
            if change.kind is ChangeKind.OPENED:
                opened[uid] = read.now_utc
                assert change.after is not None
                found["lead"] += round((change.after.start_utc - read.now_utc) / timedelta(hours=1))
            elif change.kind is ChangeKind.CLOSED:
                assert change.before is not None
                by = change.before.start_utc - DECIDE_BEFORE
                if read.now_utc >= by:
                    found["late closing"] += 1
                elif uid in opened and uid not in doubted:
                    found["false opening"] += 1
                else:
                    found["closed after a doubt"] += 1
            elif change.kind in DOUBTS or _is_shorter(change):
                doubted.add(uid)
    _in_the_end(week, lived, found)
    return found


def _is_far(change: Change, rules: WindowRules, now: datetime) -> bool:
    window = change.after or change.before
    return window is not None and rules.is_far(window, now)


def _is_shorter(change: Change) -> bool:
    before, after = change.before, change.after
    if before is None or after is None:
        return False
    return after.end_utc - after.start_utc < before.end_utc - before.start_utc


def _behind(
    windows: Sequence[Window], read: Read, rules: WindowRules, lived: Lived, number: int
) -> int:
    """Hours until the next pass for which a near window stands open and none of it is good."""
    until = lived.passes[number + 1][0].now_utc if number + 1 < len(lived.passes) else read.now_utc
    by_site = index_hours(read.hours)
    found = 0
    for window in windows:
        if window.state is not WindowState.OPEN or window.start_utc < read.now_utc:
            continue
        if window.start_utc - read.now_utc > timedelta(hours=48):
            continue
        here = [h for t, h in by_site.get(window.site, {}).items()
                if window.start_utc <= t < window.end_utc]  # fmt: skip
        known = [h for h in here if h.verdict is not Verdict.UNKNOWN]
        if known and not any(is_good(h, rules, inside=True) for h in known):
            found += round((until - read.now_utc) / timedelta(hours=1))
    return found


def _next_deciding(lived: Lived, number: int) -> tuple[Window, ...] | None:
    """Windows as the next deciding cycle left them."""
    now = lived.passes[number][0].cycle.id
    for read, windows, _ in lived.passes[number + 1 :]:
        if read.cycle.id != now:
            return windows
    return None


def taken_back(change: Change, later: Sequence[Window]) -> bool:
    """Whether windows as the next deciding cycle left them take a change back; see the rule."""
    before, after = change.before, change.after
    here = [w for w in later if w.site == change.site]
    if change.kind is ChangeKind.CLOSED and before is not None:
        return any(
            w.state in (WindowState.OPEN, WindowState.SIGHTED)
            and min(w.end_utc, before.end_utc) - max(w.start_utc, before.start_utc)
            >= timedelta(hours=2)
            for w in here
        )
    now = next((w for w in here if w.uid == change.window_uid), None)
    if now is None or after is None or now.state is WindowState.PAST:
        return False
    if now.state is WindowState.CLOSED:
        return change.kind in (ChangeKind.OPENED, ChangeKind.STRONGER) and not now.merged_into
    if before is None:
        return False
    aspects = list(_aspects(change, before, after, now))
    return bool(aspects) and all(aspects)


def _aspects(change: Change, before: Window, after: Window, now: Window) -> Iterator[bool]:
    for cause in change.causes:
        if isinstance(cause, EdgeMoved):
            ends = [getattr(w, f"{cause.edge}_utc") for w in (before, after, now)]
            yield abs(ends[2] - ends[0]) < abs(ends[2] - ends[1])
        elif isinstance(cause, LandingMoved):
            places = [
                (w.landing_latitude_deg, w.landing_longitude_deg) for w in (before, after, now)
            ]
            if None not in (value for place in places for value in place):
                yield float(distance_m(*places[2], *places[0])) < float(
                    distance_m(*places[2], *places[1])
                )
    if change.kind in (ChangeKind.WEAKER, ChangeKind.STRONGER):
        scores = [w.best_score for w in (before, after, now)]
        chances = [w.chance or 0.0 for w in (before, after, now)]
        for values, step in ((scores, 10.0), (chances, 0.15)):
            if abs(values[1] - values[0]) > step:
                yield abs(values[2] - values[0]) < abs(values[2] - values[1])


def _in_the_end(week: GeneratedWeek, lived: Lived, found: Counter[str]) -> None:
    """What stood as open at its decide-by, against the truth."""
    plain = WindowRules()
    truth = index_hours(week.truth)
    first = lived.passes[0][0].now_utc
    stood: dict[str, list[tuple[datetime, datetime]]] = {}
    decided: set[str] = set()
    for number, (read, windows, _) in enumerate(lived.passes):
        until = (
            lived.passes[number + 1][0].now_utc if number + 1 < len(lived.passes) else read.now_utc
        )
        for window in windows:
            by = window.start_utc - DECIDE_BEFORE
            if window.state is not WindowState.OPEN or window.uid in decided:
                continue
            if by < read.now_utc - timedelta(hours=6) or not by < until:
                continue
            decided.add(window.uid)
            found["stood open"] += 1
            stood.setdefault(window.site, []).append((window.start_utc, window.end_utc))
            hour: Hour | None = truth[window.site].get(window.best_hour_utc)
            found["open in vain"] += hour is None or hour.verdict is Verdict.NO_GO
    for window in join_hours(week.truth, plain, now_utc=first):
        if (window.go_in_row or 0) < 2 or window.start_utc - DECIDE_BEFORE < first:
            continue
        found["good in truth"] += 1
        found["in time"] += any(
            min(end, window.end_utc) > max(start, window.start_utc)
            for start, end in stood.get(window.site, ())
        )


def row(found: Counter[str]) -> dict[str, str]:
    """A line of the curve, in words that a table has room for."""
    days, weeks = found["hours watched"] / 24.0, max(found["weeks"], 1)

    def share(part: str, of: str) -> str:
        return f"{100.0 * found[part] / max(found[of], 1):.1f} %"

    return {
        "messages a day": f"{found['messages'] / days:.2f}",
        "changes a day": f"{found['changes'] / days:.2f}",
        "taken back": share("taken back", "changes"),
        "opened a week": f"{found['opened'] / weeks:.2f}",
        "false openings": share("false opening", "opened"),
        "closed after a doubt": share("closed after a doubt", "opened"),
        "late closings a week": f"{found['late closing'] / weeks:.2f}",
        "behind": f"{found['behind'] / weeks:.2f} h",
        "open in vain": share("open in vain", "stood open"),
        "in time": share("in time", "good in truth"),
        "opened ahead": f"{found['lead'] / max(found['opened'], 1):.0f} h",
    }
