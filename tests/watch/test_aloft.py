"""A played flight is the same when it is flown again, and is doubted as its watch's passes are."""

from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import made_air
import pytest
from invented import MILLFIELD
from made_flight import TRAIN
from made_store import new_store

from windowwatch.chase.values import Said
from windowwatch.clock import SimulatedClock, from_unix_s
from windowwatch.forecast.cycle import Cycle, CycleData
from windowwatch.ground.query.features import Ground
from windowwatch.launchday.plan import Planned, Released, stand
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.watch.launchday.aloft import FlownToGround, fly_played
from windowwatch.watch.values import Span, Watch
from windowwatch.windows.window import WindowRules

pytestmark = pytest.mark.chase
WATCH = Watch(
    "made", "made", (MILLFIELD,), TRAIN, Span(timedelta(hours=1), 2.0), 1, ScoringPlan(),
    WindowRules(), Ground(), (),
)  # fmt: skip


def played(folder: Path) -> tuple[FlownToGround, Said]:
    """A launch that was released, flown in a database of its own."""
    folder.mkdir()
    released, here = from_unix_s(made_air.MONDAY + 6 * 3600.0), WATCH
    grid = made_air.grid(lambda t, lat, lon, z: (6.0 + 4e-4 * z, 2.0 + 1e-5 * t))
    data = cast(  # the two that a flight asks of a cycle
        CycleData, SimpleNamespace(cycle=Cycle(from_unix_s(made_air.MONDAY), "made"), wind=grid)
    )
    store = new_store(folder / "w.sqlite3")
    event = Planned(MILLFIELD.name, released, here.train, ("Ada",), None, None)
    plan = store.make_plan(here.name, event, at_utc=released - timedelta(hours=3), by="Ada")
    store.act_on_plan(
        here.name, plan.key, Released(released), at_utc=released, by="Ada", steps=here.team.steps
    )
    # who follows planned launches sees the release first, and begins the flight
    entries = store.plan_entries(here.name, plan.key).entries
    begun = store.begin_planned(here.name, stand(plan.key, entries, released), MILLFIELD, released)
    clock = SimulatedClock(released)
    flown = fly_played(plan.key, data, data, here, store, clock)
    assert flown is not None
    assert flown.key == begun.key
    said = store.said(flown.key)
    assert said is not None
    store.close()
    return flown, said


def test_a_played_flight_is_flown_again_alike(tmp_path: Path) -> None:
    """Its draws hang on its key, which comes of its plan; nothing else is drawn by chance."""
    flown, said = played(tmp_path / "one")
    again, said_again = played(tmp_path / "two")
    assert again == flown
    assert said_again == said
    assert flown.burst is not None
    assert flown.before_landing is not None
    assert flown.before_landing.error_m < flown.burst.error_m
