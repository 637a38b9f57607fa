"""Do other weather models agree on a window? When they part, it is told once. Pure.

Named rules
-----------
best hours
    Models are asked about the best hours of a window: its good hours still to come whose score
    is within `best_margin` of the best.
against
    A model is against a window when it says no-go of at least half of the best hours that it
    judges, by a limit: its own chance counts in the chance that all have together.
apart
    A model is apart when the centre of its landings, at the best hour, lies further than
    `apart_km` from that of the deciding model. Once told it stays apart until it lies within
    four fifths of that, so that a wavering landing is not told again and again.
disagree
    Models disagree on a window when of those that judge it at least the share `share` are
    against it, or apart.
told once
    A disagreement is told when it begins, and again only when another model joins it or the
    same one disagrees in another way. That it has ended is not told; the page shows it. A model
    that falls silent has not come to agree: what was told of it stands until it speaks again.
said to be theirs
    Where the chance is what made a window weaker or stronger, and the deciding model's own
    chance would not have, the causes name the models that did it, and no check. Of hours that
    a window lost, or that closed it, `windows.theirs` says the same.
one change
    A window has at most one change a cycle: where there is one, the disagreement is a part of
    its causes.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from windowwatch.errors import InputError
from windowwatch.forecast.cycle import Cycle
from windowwatch.scoring.values import Hour, Opinion, Verdict
from windowwatch.windows.causes import (
    Against,
    Causes,
    ChanceMovedByOthers,
    Dissent,
    ModelsDisagree,
)
from windowwatch.windows.changes import as_told, change_key, pass_label
from windowwatch.windows.values import Change, ChangeKind, Window, WindowState
from windowwatch.windows.window import WindowRules, index_hours, is_good

#: Part of the distance within which a model that was apart is not any more. [1]
_TOGETHER = 0.8


@dataclass(frozen=True)
class AgreementRules:
    """When other models have a say, and when it is told that they disagree.

    Defaults are common practice, no source.

    Parameters
    ----------
    stale_after_h : float
        A model whose cycle is older than the deciding one by more than this has no say: at
        least one of its cycles is then missing, as models run every six or twelve hours. [h]
    apart_km : float
        Distance of the landings' centres from which on a model is apart. [km]
    share : float
        Share of the models that must disagree for it to be told. [1]
    """

    stale_after_h: float = 12.0
    apart_km: float = 50.0
    share: float = 0.5

    def __post_init__(self) -> None:
        for name in ("stale_after_h", "apart_km", "share"):
            value = getattr(self, name)
            if not math.isfinite(value) or value <= 0.0:
                raise InputError(f"rule {name} = {value}: give a number above 0")
        if self.share > 1.0:
            raise InputError(f"rule share = {self.share}: give a share, up to 1")

    @property
    def stale_after(self) -> timedelta:
        """How much older than the deciding cycle an opinion may be."""
        return timedelta(hours=self.stale_after_h)


def who_disagrees(
    window: Window,
    hours: Mapping[datetime, Hour],
    windows: WindowRules,
    rules: AgreementRules,
    now_utc: datetime,
) -> tuple[Against, ...]:
    """Models that disagree on a window, by name; empty when they agree, or too few do not.

    Parameters
    ----------
    window : Window
        Its `dissent` names who was told of before.
    hours : mapping of datetime to Hour
        Hours of its site, with opinions.
    windows, rules
        Bounds.
    now_utc : datetime
        Hours before it are not asked about.
    """
    good = {
        t: hour
        for t, hour in hours.items()
        if window.start_utc <= t < window.end_utc
        and t >= now_utc
        and is_good(hour, windows, inside=True)
    }
    if not good:
        return ()
    top = max(hour.score or 0.0 for hour in good.values())
    asked = {t: h for t, h in good.items() if (h.score or 0.0) >= top - windows.best_margin}
    best_utc = window.best_hour_utc if window.best_hour_utc in asked else min(asked)
    said: dict[str, dict[datetime, Opinion]] = {}
    for t, hour in asked.items():
        for opinion in hour.others:
            said.setdefault(opinion.model, {})[t] = opinion
    told_apart = {told.model for told in window.dissent if told.apart}
    found = []
    for model in sorted(said):
        no_go = [o for o in said[model].values() if o.verdict is Verdict.NO_GO]
        against = 2 * len(no_go) >= len(said[model])
        at_best = said[model].get(best_utc)
        bound = rules.apart_km * (_TOGETHER if model in told_apart else 1.0)
        apart = at_best is not None and (at_best.apart_km or 0.0) > bound
        if against or apart:
            speaks = at_best if at_best is not None and (apart or at_best in no_go) else no_go[0]
            found.append(Against(speaks, against, apart))
    enough = rules.share * len(said)
    no_gos, aparts = sum(a.no_go for a in found), sum(a.apart for a in found)
    kept = [
        replace(a, no_go=a.no_go and no_gos >= enough, apart=a.apart and aparts >= enough)
        for a in found
    ]
    return tuple(a for a in kept if a.no_go or a.apart)


def tell_disagreements(
    known: Sequence[Window],
    windows: Sequence[Window],
    changes: Sequence[Change],
    hours: Sequence[Hour],
    window_rules: WindowRules,
    rules: AgreementRules,
    *,
    cycle: Cycle,
    now_utc: datetime,
    watch: str,
    pass_number: int = 1,
) -> tuple[tuple[Window, ...], tuple[Change, ...]]:
    """Windows and changes of a pass, with what other models say against open windows.

    Parameters
    ----------
    known : sequence of Window
        As they were before.
    windows, changes
        As `windowwatch.windows.changes.compare` gave.
    hours : sequence of Hour
        All hours of the pass, with opinions.
    window_rules, rules
        Bounds.
    cycle, now_utc, watch, pass_number
        As for `compare`.
    """
    by_site = index_hours(hours)
    before = {window.uid: window.dissent for window in known}
    made = {
        change.window_uid: _by_whom(change, by_site.get(change.site, {}), window_rules, cycle)
        for change in changes
    }
    kept: list[Window] = []
    for each in windows:
        window = replace(each, dissent=before.get(each.uid, ()))
        if window.state is not WindowState.OPEN or not window.readable:
            kept.append(window)
            continue
        against = who_disagrees(window, by_site.get(window.site, {}), window_rules, rules, now_utc)
        told = window.dissent
        says = tuple(Dissent(a.opinion.model, a.no_go, a.apart) for a in against)
        new = set(says) - set(told)
        heard = _heard(window, by_site.get(window.site, {}))
        silent = [each for each in told if each.model not in heard]
        window = replace(window, dissent=(*says, *silent))
        if new:
            there = made.get(window.uid)
            key = change_key(
                watch, pass_label(cycle, pass_number), ChangeKind.MODELS_DISAGREE, window.uid
            )
            made[window.uid] = _told(window, there, against, key, cycle, now_utc)
            window = replace(window, told=as_told(window))
        kept.append(window)
    order = {window.uid: i for i, window in enumerate(kept)}
    ordered = sorted(made.values(), key=lambda c: order.get(c.window_uid or "", len(order)))
    return tuple(kept), tuple(ordered)


def _heard(window: Window, hours: Mapping[datetime, Hour]) -> set[str]:
    """Models that say anything of a window."""
    return {
        opinion.model
        for t, hour in hours.items()
        if window.start_utc <= t < window.end_utc
        for opinion in hour.others
    }


def _by_whom(
    change: Change, hours: Mapping[datetime, Hour], rules: WindowRules, cycle: Cycle
) -> Change:
    """A change whose cause are other models, where they alone have brought it."""
    before, after = change.before, change.after
    if change.kind not in (ChangeKind.WEAKER, ChangeKind.STRONGER):
        return change
    if before is None or after is None:
        return change
    hour = hours.get(after.best_hour_utc)
    if hour is None or hour.own_chance is None or hour.chance is None or before.chance is None:
        return change
    own_before = before.chance if before.own_chance is None else before.own_chance
    by_score = abs(after.best_score - before.best_score) > rules.score_step
    if by_score or abs(hour.own_chance - own_before) > rules.chance_step:
        return change
    cause = ChanceMovedByOthers(
        before.chance,
        after.chance,
        change.kind is ChangeKind.WEAKER,
        tuple(o for o in hour.others if o.chance is not None),
    )
    return replace(change, causes=(cause,))


def _told(
    window: Window,
    there: Change | None,
    against: Sequence[Against],
    key: str,
    cycle: Cycle,
    now_utc: datetime,
) -> Change:
    """The change that tells of a disagreement: one of its own, or a part of the one there is."""
    causes: Causes = (ModelsDisagree(tuple(against)),)
    if there is not None:
        return replace(there, causes=(*there.causes, *causes), after=as_told(window))
    return Change(
        key=key,
        kind=ChangeKind.MODELS_DISAGREE,
        site=window.site,
        window_uid=window.uid,
        cycle_id=cycle.id,
        found_utc=now_utc,
        before=window.told,
        after=as_told(window),
        causes=causes,
    )
