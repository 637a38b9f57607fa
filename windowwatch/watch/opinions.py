"""What other models say, stored and brought to the deciding model's hours."""

from dataclasses import replace
from datetime import datetime

from windowwatch.scoring.opinions import Voice, with_opinions
from windowwatch.storage.cycles import PassRecord
from windowwatch.storage.store import Store
from windowwatch.watch.values import Watch


def with_others(found: PassRecord, watch: Watch, store: Store) -> PassRecord:
    """A pass of the deciding model, its hours with what the newest cycles of others say.

    A model that the watch does not ask any more is not heard, though its cycles are stored.
    """
    voices = [
        Voice(each.cycle, store.hours(watch.name, each.cycle.id, with_checks=False))
        for each in store.opinions(watch.name)
        if each.cycle.model in watch.others
    ]
    if not voices and not any(hour.others for hour in found.hours):
        return found
    hours = with_opinions(found.hours, found.cycle, voices, watch.agreement.stale_after)
    return replace(found, hours=hours)


def keep_opinion(found: PassRecord, store: Store) -> tuple[PassRecord, bool]:
    """Store what another model says: hours and files, but no windows and no changes."""
    before, _ = store.passes(found.watch, found.cycle.id)
    record = replace(found, pass_number=before + 1)
    return record, store.save_pass(record)


def newest_weighed_anew(watch: Watch, store: Store, now_utc: datetime) -> PassRecord | None:
    """The newest pass of the deciding model with what others say now; None if that is no news.

    It is stored by `windowwatch.watch.pipeline.weigh_anew`, as one more pass of its cycle.
    """
    stands, stored = store.newest_pass(watch.name), store.cycles(watch.name, last=1)
    if stands is None or not stored:
        return None
    newest = stored[-1]
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
        weighed_anew=True,
    )
    weighed = with_others(found, watch, store)
    return None if weighed.hours == hours else weighed
