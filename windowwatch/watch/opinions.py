"""What other models say, stored and brought to the deciding model's hours."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from windowwatch.forecast.cycle import CycleData
from windowwatch.scoring.opinions import Voice, with_opinions
from windowwatch.scoring.values import Verdict
from windowwatch.storage.cycles import PassRecord
from windowwatch.storage.store import Store
from windowwatch.watch.flying import fly_and_score
from windowwatch.watch.values import Watch

#: To find out what a model has data for: one launch hour of so many, so many draws.
_TRIED_EVERY, _TRIED_DRAWS = 6, 2


def with_others(found: PassRecord, watch: Watch, store: Store) -> PassRecord:
    """A pass of the deciding model, its hours with what the newest cycles of others say.

    A model that the watch does not ask any more is not heard, though its cycles are stored;
    nor is one on a cycle of its own.
    """
    voices = [
        Voice(each.cycle, store.hours(watch.name, each.cycle.id))
        for each in store.opinions(watch.name)
        if each.cycle.model in watch.others and each.cycle.model != found.cycle.model
    ]
    if not voices and not any(hour.others for hour in found.hours):
        return found
    hours = with_opinions(found.hours, found.cycle, voices, watch.agreement.stale_after)
    return replace(found, hours=hours)


def asked_what_it_can(
    data: CycleData, watch: Watch, times: Sequence[datetime]
) -> tuple[Watch, tuple[str, ...]]:
    """The watch of a model without the checks that it has no data for at any hour.

    A model without cloud base and visibility would otherwise refuse every hour, and never have
    a say. Found by trying every few hours at one site.

    Returns
    -------
    watch : Watch
    remarks : tuple of str
        Which checks it is not asked, in words.
    """
    probe = replace(watch, draws=min(watch.draws, _TRIED_DRAWS))
    now = min(times, default=None)  # any time does: the present is no data of a model
    tried = fly_and_score(data, probe, watch.sites[0], tuple(times[::_TRIED_EVERY]), now).hours
    judged = [hour for hour in tried if hour.landing_utc is not None]
    answered = {c.name for h in judged for c in h.checks if c.verdict is not Verdict.UNKNOWN}
    never = sorted({c.name for h in judged for c in h.checks} - answered)
    left = {name: limit for name, limit in watch.plan.limits.items() if name not in never}
    if not never or not left:
        return watch, ()
    labels = ", ".join(name.replace("_", " ") for name in never)
    words = f"{data.cycle.model} has no data for some checks and is not asked: {labels}"
    return replace(watch, plan=replace(watch.plan, limits=left)), (words,)


def keep_opinion(found: PassRecord, store: Store) -> tuple[PassRecord, bool]:
    """Store what another model says: hours and files, but no windows and no changes."""
    before, _ = store.passes(found.watch, found.cycle.id)
    record = replace(found, pass_number=before + 1)
    return record, store.save_pass(record)


def newest_recombined(watch: Watch, store: Store, now_utc: datetime) -> PassRecord | None:
    """The newest pass of the deciding model with what others say now; None if that is no news.

    None, too, where another model decided so far: its last pass stands as it was.

    It is stored by `windowwatch.watch.pipeline.recombine`, as one more pass of its cycle.
    """
    stands, stored = store.newest_pass(watch.name), store.cycles(watch.name, last=1)
    if stands is None or not stored:
        return None
    newest = stored[-1]
    if newest.cycle.model != watch.model:
        return None
    hours = store.hours(watch.name, newest.cycle.id)
    found = PassRecord(
        watch=watch.name,
        cycle=newest.cycle,
        saved_utc=now_utc,
        hours=hours,
        windows=(),
        changes=(),
        files=newest.files,
        gaps=newest.gaps,
        remarks=newest.remarks,
        steps=newest.steps,
        made_on=(stands,),
        recombined=True,
    )
    weighed = with_others(found, watch, store)
    return None if weighed.hours == hours else weighed
