"""A full week with ten sites: a pass every six hours through flights, storage and phones."""

import time
from collections import Counter
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from sink import Sink

from windowwatch.forecast.cycle import Cycle
from windowwatch.forecast.sources import FoundCycle, load_cycle, scan_folder
from windowwatch.notices.channels import send
from windowwatch.notices.values import Channel
from windowwatch.scoring.values import Site
from windowwatch.settings.read import read_settings
from windowwatch.storage.deliveries import DeliveryState
from windowwatch.storage.store import ready_store
from windowwatch.watch.run.rehearsal import rehearse
from windowwatch.watch.values import area_of
from windowwatch.windows.values import ChangeKind

pytestmark = [pytest.mark.night, pytest.mark.slow]
SKERRA = Path(__file__).resolve().parents[2] / "config" / "skerra.toml"
CYCLES = 28
OF_THE_FILE = frozenset(
    {"built_up", "hazard_line", "forest", "slope", "crew", "walk", "arrival_daylight"}
)
#: Seven invented sites beside the demonstration's three.
MORE = tuple(
    Site(f"Field {n}", 45.5 + 0.2 * n, -36.4 + 0.15 * n, 100.0 + 20 * n, "America/Noronha")
    for n in range(7)
)


@pytest.mark.timeout(3600)
def test_a_full_week_with_ten_sites(tmp_path: Path) -> None:
    """The last sample cycle under the name of each cycle of a week; every pass flies anew."""
    settings = read_settings(SKERRA)
    plain = settings.watch
    # The ground file knows only the ways from the demonstration's own sites; without it, a check
    # that asks it would leave every hour unknown.
    ground = replace(plain.ground, rasters=None, crews=())
    limits = {name: each for name, each in plain.plan.limits.items() if name not in OF_THE_FILE}
    plan = replace(plain.plan, limits=limits)
    watch = replace(
        plain, sites=(*plain.sites, *MORE), draws=12, ground=ground, plan=plan, others=()
    )
    look = scan_folder(settings.forecast_folder, model=watch.model)
    data = load_cycle(look.cycles[-1], area=area_of(watch.sites))
    first = look.cycles[-1].cycle.reference_utc
    found = [
        FoundCycle(Cycle(first + timedelta(hours=6 * n), watch.model), look.cycles[-1].files)
        for n in range(CYCLES)
    ]
    begun = time.monotonic()
    with Sink() as phone, Sink() as mail, ready_store(f"sqlite:///{tmp_path}/w.sqlite3") as store:
        channels = (Channel("phone", phone.url), Channel("mail", mail.url))
        rehearse(
            found,
            replace(watch, channels=channels),
            store,
            load=lambda each: replace(data, cycle=each.cycle),
            available_after=settings.available_after,
            send=send,
        )
        took_s = time.monotonic() - begun
        changes = store.changes(watch.name)
        rows = [row for change in changes for row in store.deliveries(change.key)]
        cycles = store.cycles(watch.name)
        hours = store.hours(watch.name, cycles[0].cycle.id)
        told = {
            name: [key for body in sink.received for key in _keys(body["message"], changes)]
            for name, sink in (("phone", phone), ("mail", mail))
        }
    print(f"{len(cycles)} cycles of ten sites, {len(hours)} hours in the first, {len(changes)} "
          f"changes, {len(rows)} deliveries, {took_s:.0f} s")  # fmt: skip
    assert {hour.site for hour in hours} == {site.name for site in watch.sites}
    assert len(cycles) >= CYCLES - 2  # the last ones have no launch hour to come
    assert {row.state for row in rows} <= {DeliveryState.SENT, DeliveryState.SKIPPED}
    sent = Counter(row.channel for row in rows if row.state is DeliveryState.SENT)
    for name, keys in told.items():
        assert len(keys) == len(set(keys)) == sent[name], "each once"
    opened = Counter(c.window_uid for c in changes if c.kind is ChangeKind.OPENED)
    assert opened
    assert set(opened.values()) == {1}, "no window opens twice"


def _keys(message: str, changes: tuple[object, ...]) -> list[str]:
    return [c.key for c in changes if f"[{c.key}" in message]  # type: ignore[attr-defined]
