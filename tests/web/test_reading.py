"""What the page keeps of the database: as long as it is true, and no longer."""

from dataclasses import replace

import invented
import pytest

from windowwatch.storage.store import Store
from windowwatch.web.reading import Reader


def test_a_second_pass_of_the_same_cycle_is_seen(store: Store) -> None:
    reader = Reader(store, invented.WATCH)
    assert reader.newest() is None
    store.save_pass(invented.record(steps=10))
    first = reader.newest()
    assert first is not None
    assert reader.newest() is first  # kept, not read again
    better = tuple(replace(h, score=99.0) for h in invented.flat(6, 10))
    # At the same moment of a simulated clock, so that only the number of the pass tells them apart.
    assert store.save_pass(invented.record(hours=better, changes=(), deliveries=(),
                                           pass_number=2, steps=20))  # fmt: skip
    second = reader.newest()
    assert second is not None
    assert second.mark.passes == 2
    assert second.cycle.cycle == first.cycle.cycle
    assert {hour.score for hour in second.hours} == {99.0}


def test_a_pass_that_is_stored_while_another_is_read_leaves_no_mixture(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    store.save_pass(invented.record(steps=10))
    reader = Reader(store, invented.WATCH)
    whole = Store.windows

    def interrupted(self: Store, watch: str, cycle_id: str | None = None) -> object:
        monkeypatch.setattr(Store, "windows", whole)
        self.save_pass(invented.record(hours=(), windows=(), changes=(), deliveries=(),
                                       pass_number=2, steps=20))  # fmt: skip
        return whole(self, watch, cycle_id)

    monkeypatch.setattr(Store, "windows", interrupted)
    read = reader.newest()
    assert read is not None
    assert (read.mark.passes, read.hours, read.windows) == (2, (), ())
