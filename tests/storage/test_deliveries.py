"""Deliveries claimed with a lease, by one process at a time, in the order of their window."""

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from invented import NOW, change, read_at, record

from windowwatch.storage.deliveries import Claim, DeliveryState
from windowwatch.storage.store import Store, open_store
from windowwatch.windows.values import ChangeKind

LEASE = timedelta(minutes=3)
LATER = timedelta(minutes=1)


def claim(store: Store, *channels: str, after: timedelta = timedelta(0)) -> Claim | None:
    return store.claim_delivery(channels or ("phone",), now_utc=NOW + after, lease=LEASE)


def claimed(store: Store, *channels: str, after: timedelta = timedelta(0)) -> Claim:
    found = claim(store, *channels, after=after)
    assert found is not None
    return found


def test_claimed_sent_and_done(store: Store) -> None:
    store.save_pass(record())
    mine = claimed(store)
    assert mine.delivery.change == record().changes[0]
    assert (mine.delivery.channel, mine.delivery.tries) == ("phone", 1)
    store.mark_sent(mine, now_utc=NOW + LATER)
    assert claim(store, after=timedelta(days=1)) is None
    mail, phone = store.deliveries(record().changes[0].key)
    assert (phone.state, phone.sent_utc, phone.error) == (DeliveryState.SENT, NOW + LATER, None)
    assert (mail.state, mail.tries) == (DeliveryState.PENDING, 0)
    assert store.pending_deliveries() == {"mail": 1}


def test_only_named_channels_are_claimed(store: Store) -> None:
    store.save_pass(record())
    assert claim(store, "smoke signals") is None
    assert store.claim_delivery((), now_utc=NOW, lease=LEASE) is None
    assert claimed(store, "mail", "smoke signals").delivery.channel == "mail"


def test_not_before_its_time(store: Store) -> None:
    store.save_pass(record())
    assert claim(store, after=-timedelta(seconds=1)) is None
    mine = claimed(store)
    store.mark_failed(mine, error="no network", next_try_utc=NOW + 5 * LATER)
    assert claim(store, after=4 * LATER) is None
    again = claimed(store, after=5 * LATER)
    assert (again.delivery.tries, again.delivery.error) == (2, "no network")


def test_a_lease_holds_until_it_lapses(store: Store) -> None:
    store.save_pass(record())
    claimed(store)
    assert claim(store, after=LEASE - timedelta(seconds=1)) is None
    second = claimed(store, after=LEASE)
    assert second.delivery.tries == 2


def test_who_lost_the_lease_cannot_mark_a_failure_but_can_say_it_was_sent(store: Store) -> None:
    store.save_pass(record())
    slow = claimed(store)
    quick = claimed(store, after=LEASE)
    store.mark_failed(slow, error="slow one failed", next_try_utc=None)
    phone = store.deliveries(record().changes[0].key)[1]
    assert (phone.state, phone.error) == (DeliveryState.PENDING, None)
    store.mark_sent(slow, now_utc=NOW + LEASE)
    store.mark_failed(quick, error="quick one failed", next_try_utc=NOW + 2 * LEASE)
    assert store.deliveries(record().changes[0].key)[1].state is DeliveryState.SENT
    assert claim(store, after=3 * LEASE) is None


def test_given_up(store: Store) -> None:
    store.save_pass(record())
    store.mark_failed(claimed(store), error="no such address", next_try_utc=None)
    phone = store.deliveries(record().changes[0].key)[1]
    assert (phone.state, phone.error) == (DeliveryState.FAILED, "no such address")
    assert claim(store, after=timedelta(days=9)) is None


def test_a_later_change_of_a_window_never_overtakes(store: Store) -> None:
    other = change(key="other", window_uid="highmoor-1", found_utc=read_at(1))
    closed = change(ChangeKind.CLOSED, key="closed", found_utc=read_at(1))
    store.save_pass(record(0, deliveries=((record(0).changes[0].key, "phone"),)))
    store.save_pass(
        record(1, changes=(closed, other), deliveries=(("closed", "phone"), ("other", "phone")))
    )
    first = claimed(store, after=timedelta(hours=6))
    assert first.delivery.change.key == record(0).changes[0].key
    store.mark_failed(first, error="x", next_try_utc=NOW + timedelta(hours=7))
    second = claimed(store, after=timedelta(hours=6))
    assert second.delivery.change.key == "other"
    store.mark_sent(second, now_utc=read_at(1))
    assert claim(store, after=timedelta(hours=6)) is None  # "closed" waits for "opened"
    again = claimed(store, after=timedelta(hours=7))
    store.mark_sent(again, now_utc=read_at(1) + timedelta(hours=1))
    assert claimed(store, after=timedelta(hours=7)).delivery.change.key == "closed"


@pytest.mark.parametrize("shared", [False, True], ids=["own store each", "one store for all"])
def test_four_workers_never_claim_the_same(store: Store, store_url: str, shared: bool) -> None:
    changes = tuple(change(key=f"{i:03}", window_uid=f"w{i}") for i in range(40))
    store.save_pass(record(changes=changes, deliveries=tuple((c.key, "phone") for c in changes)))

    def work(_: int) -> list[str]:
        mine: list[str] = []
        own = store if shared else open_store(store_url)
        misses = 0
        while misses < 20:
            found = own.claim_delivery(("phone",), now_utc=NOW, lease=LEASE)
            if found is None:
                misses += 1
                continue
            mine.append(found.delivery.change.key)
            own.mark_sent(found, now_utc=NOW)
        if not shared:
            own.close()
        return mine

    with ThreadPoolExecutor(4) as pool:
        got = [key for mine in pool.map(work, range(4)) for key in mine]
    assert sorted(got) == [c.key for c in changes]
