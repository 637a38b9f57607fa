"""The word by which open pages hear that something happened to a planned launch."""

from datetime import timedelta

import pytest
from invented import MILLFIELD, NOW, hour

from windowwatch.launchday.plan import Planned, Scrubbed
from windowwatch.launchday.releases import release_table
from windowwatch.launchday.sighting import Sighting
from windowwatch.physics.train import FlightTrain
from windowwatch.storage.store import Store

pytestmark = pytest.mark.launchday
TRAIN = FlightTrain(1.2, 1.6, 2.8, 8.6, 2.5)


def test_it_is_another_one_after_everything_that_happens(store: Store) -> None:
    marks = [store.plans_mark("skerra")]

    def changed() -> bool:
        marks.append(store.plans_mark("skerra"))
        return marks[-1] not in marks[:-1]

    release = NOW + timedelta(hours=3)
    store.make_plan("skerra", Planned(MILLFIELD.name, release, TRAIN), at_utc=NOW, by="Ada")
    assert changed()
    store.save_sighting("skerra", Sighting(MILLFIELD.name, NOW, "Ada", wind_mps=3.0))
    assert changed()
    for minutes in (0, 1):
        table = release_table(
            [hour(release)], plan="1", plan_number=1, planned_utc=release, cycle_id="x",
            now_utc=NOW + timedelta(minutes=minutes),
        )  # fmt: skip
        store.save_release_table("skerra", table)
        assert changed()
    store.act_on_plan("skerra", "1", Scrubbed(), at_utc=NOW, by="Ben", steps=())
    assert changed()
    assert store.plans_mark("skerra") == marks[-1]
    assert store.plans_mark("elsewhere") == marks[0]
