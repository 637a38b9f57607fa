"""Answers kept with their pass, whole or not at all; what cannot be read costs itself alone."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from invented import NOW, WATCH, cycle, record
from line_watch import settings_in
from made_answers import FIRST, weather
from made_answers import record as made_record
from made_flight import BEGAN, BEGUN, reports
from sqlalchemy import create_engine, text

from windowwatch.chase.values import Closing, Outcome
from windowwatch.clock import to_unix_s
from windowwatch.errors import StorageError
from windowwatch.forecast.cycle import Cycle
from windowwatch.launchday.sighting import Sighting
from windowwatch.learning.learned import learn
from windowwatch.learning.record import (
    NOT_JUDGED,
    SURFACE_STEPS,
    SiteRecord,
    answers_of,
    pairs_of,
)
from windowwatch.physics.spread import KNOT_HEIGHT_M
from windowwatch.scoring.values import Site
from windowwatch.settings.read import read_settings
from windowwatch.storage.learned import RecordFault, pack, unpack
from windowwatch.storage.store import Store
from windowwatch.watch.learned import Landed, landed, learn_anew, learn_when_due, measured
from windowwatch.watch.values import Watch

pytestmark = pytest.mark.learning
KNOTS = KNOT_HEIGHT_M.size


@pytest.fixture(scope="module")
def watch(tmp_path_factory: pytest.TempPathFactory) -> Watch:
    """The small watch, under the name of the invented passes."""
    settings = read_settings(settings_in(tmp_path_factory.mktemp("watch")))
    return replace(settings.watch, name=WATCH)


def test_a_record_comes_back_in_its_steps_and_what_is_missing_is_missing() -> None:
    made = weather(cycle())
    again = unpack(pack(made), 1, made.cycle, made.site)
    assert np.array_equal(again.time_unix_s, made.time_unix_s)
    assert np.array_equal(again.verdict, made.verdict)
    assert np.array_equal(np.isnan(again.wind_mps), np.isnan(made.wind_mps))
    assert np.nanmax(np.abs(again.wind_mps - made.wind_mps)) <= 0.0501
    assert again.surface.keys() == made.surface.keys()
    for name, values in made.surface.items():
        assert np.array_equal(np.isnan(again.surface[name]), np.isnan(values)), name
        assert np.nanmax(np.abs(again.surface[name] - values)) <= 0.501 * SURFACE_STEPS[name]
    assert np.nanmax(np.abs(again.landing[:, :2] - made.landing[:, :2])) < 1e-5
    assert np.nanmax(np.abs(again.landing[:, 2:6] - made.landing[:, 2:6])) <= 5.001
    assert np.nanmax(np.abs(again.judged[:, 1] - made.judged[:, 1])) < 1e-6


def test_a_cycle_of_five_sites_is_small() -> None:
    sizes = [len(pack(weather(cycle(), f"site {n}", seed=n))) for n in range(5)]
    print(f"{sum(sizes) / 1e3:.0f} kB for 5 sites of 168 h of made weather")
    assert sum(sizes) <= 150_000


def kept(number: int = 0, **other: object) -> SiteRecord:
    return replace(weather(cycle(number), hours=30, seed=number), **other)  # type: ignore[arg-type]


def test_a_pass_is_stored_with_its_record_or_not_at_all(store: Store) -> None:
    assert store.save_pass(record(0, records=(kept(),)))
    assert [r.site for r in store.records(WATCH)] == ["Millfield"]
    assert not store.save_pass(record(0, records=(kept(), kept(site="Highmoor"))))
    assert [r.site for r in store.records(WATCH)] == ["Millfield"]
    bad = replace(record(1), deliveries=(("nothing", "phone"),), records=(kept(1),))
    with pytest.raises(StorageError):
        store.save_pass(bad)
    assert store.record_cycles(WATCH) == 1


def test_a_later_pass_of_a_cycle_keeps_what_was_judged_before_it(store: Store) -> None:
    first = kept()
    assert store.save_pass(record(0, steps=3, records=(first,)))
    verdict, judged = first.verdict.copy(), first.judged.copy()
    verdict[:6], judged[:6] = NOT_JUDGED, np.nan  # made three hours later
    second = replace(first, verdict=verdict, judged=judged, wind_mps=first.wind_mps + 5.0)
    again = record(0, steps=9, pass_number=2, changes=(), deliveries=(), records=(second,))
    assert store.save_pass(again)
    (found,) = store.records(WATCH)
    assert np.array_equal(found.verdict, first.verdict)
    assert found.judged[4, 1] == pytest.approx(first.judged[4, 1], abs=1e-6)
    assert found.wind_mps[4, 0, 0] == pytest.approx(second.wind_mps[4, 0, 0], abs=0.06)
    weighed = record(0, steps=9, pass_number=3, changes=(), deliveries=(), recombined=True)
    assert store.save_pass(weighed)
    assert len(list(store.records(WATCH))) == 1, "weighing opinions leaves records as they are"


def spoil(store_url: str, words: str, values: Mapping[str, object]) -> None:
    plain = create_engine(store_url.replace("postgresql://", "postgresql+pg8000://"))
    with plain.begin() as connection:
        assert connection.execute(text(words), values).rowcount == 1
    plain.dispose()


@pytest.mark.parametrize("fault", ["cut", "torn", "other bytes", "older form", "newer form"])
def test_what_cannot_be_read_is_left_out_by_name_and_the_rest_is_read(
    store: Store, store_url: str, watch: Watch, fault: str
) -> None:
    for number in range(3):
        store.save_pass(record(number, records=(kept(number),)))
    whole = pack(kept(1))
    value, form = {
        "cut": (whole[: len(whole) // 2], 1),
        "torn": (whole[:400] + bytes(len(whole) - 400), 1),
        "other bytes": (b"nothing of ours", 1),
        "older form": (whole, 0),
        "newer form": (whole, 7),
    }[fault]
    where = {"cycle": cycle(1).id, "value": value, "form": form}
    spoil(store_url, "UPDATE records SET value=:value, form=:form WHERE cycle_id=:cycle", where)
    answers, faults = store.answers(WATCH)
    assert len(faults) == 1
    assert f"cycle {cycle(1).id} at Millfield" in faults[0]
    assert ("form" if "form" in fault else "damaged") in faults[0]
    assert np.unique(answers.cycle_unix_s).size == 2
    learned = learn_when_due(store, watch, NOW, timedelta(0))
    assert learned is not None
    assert learned.faults == faults
    assert store.learned_tables(WATCH) == learned
    assert store.record_cycles(WATCH) == 3, "the damaged row stays where it is"


def test_every_cut_of_a_record_is_a_fault_and_never_another_record() -> None:
    whole = pack(kept())
    for size in range(0, len(whole), 97):
        with pytest.raises(RecordFault, match="is damaged"):
            unpack(whole[:size], 1, cycle(), "Millfield")
    flipped = 0
    for at in range(0, len(whole), 31):
        raw = bytearray(whole)
        raw[at] ^= 0x40
        try:
            unpack(bytes(raw), 1, cycle(), "Millfield")
        except RecordFault:
            flipped += 1
    assert flipped == len(range(0, len(whole), 31))


def test_damaged_tables_are_learned_anew_and_passes_go_on_from_memory(
    store: Store, store_url: str, watch: Watch
) -> None:
    store.save_pass(record(0, records=(kept(),)))
    learned = learn_anew(store, watch, NOW)
    store.save_learned(WATCH, learned)
    assert store.learned_version(WATCH, learned.key) is not None
    assert store.learned_version(WATCH, "never") is None
    assert learn_when_due(store, watch, NOW + timedelta(hours=1)) is None, "they are new"
    spoil(store_url, "UPDATE learned_tables SET value=:value", {"value": b"x\x9c\x01"})
    with pytest.raises(StorageError, match="what was learned is damaged"):
        store.learned_tables(WATCH)
    assert learn_when_due(store, watch, NOW + timedelta(hours=1)) is not None
    assert store.learned_tables(WATCH) is not None


def test_old_records_go_and_young_ones_stay(store: Store) -> None:
    for number in range(4):
        store.save_pass(record(number, records=(kept(number),)))
    assert store.drop_old_records(WATCH, cycle(2).reference_utc) == 2
    assert [r.cycle for r in store.records(WATCH)] == [cycle(2), cycle(3)]
    assert store.drop_old_records("another", cycle(4).reference_utc) == 0
    assert [r.cycle for r in store.records(WATCH, until_utc=cycle(2).reference_utc)] == [cycle(2)]


def test_tables_of_nothing_are_kept_too(store: Store) -> None:
    learned = learn(answers_of([]), FIRST)
    store.save_learned(WATCH, learned)
    assert store.learned_tables(WATCH) == learned


def test_a_metar_is_what_came_of_the_wind_and_a_hand_is_not() -> None:
    moment = FIRST + timedelta(days=2, hours=3, minutes=20)
    report = Sighting("North", moment, "EGXX", 7.5, 12.0, told="EGXX 030320Z 25015G24KT")
    held_up = Sighting("North", moment - timedelta(hours=1), "Ben", wind_mps=3.0)
    time = np.array([to_unix_s(FIRST) + (48.0 + h) * 3600.0 for h in (2, 3)])
    speed = np.array([6.0, 6.0])
    said = [
        made_record(Cycle(FIRST + timedelta(days=day), "gfs"), time, speed_mps=speed + day,
                    wind_mps=np.zeros((2, KNOTS, 2)))
        for day in (1, 2)
    ]  # fmt: skip
    pairs = pairs_of(answers_of([*said, *measured([report, held_up])]), "gfs")
    near = pairs.lead_class_h == 24.0
    assert pairs.came.speed_mps[near].tolist() == [8.0, 7.5]
    assert pairs.came.gust_mps[near][1] == 12.0
    assert np.isnan(pairs.surface_reference_lead_h[near]).tolist() == [False, True]
    assert np.isfinite(pairs.reference_lead_h[near]).all(), "it says nothing of the wind aloft"


def test_where_a_flight_of_the_log_came_down_is_what_came_of_its_hour(store: Store) -> None:
    """Beside a METAR of the same hour; a flight from elsewhere, or still open, is none of ours."""
    moment = FIRST + timedelta(days=2, hours=3, minutes=20)
    report = Sighting("North", moment, "EGXX", 7.5, 12.0, told="EGXX 030320Z 25015G24KT")
    time = np.array([to_unix_s(FIRST) + (48.0 + h) * 3600.0 for h in (2, 3)])
    said = [
        made_record(Cycle(FIRST + timedelta(days=day), "gfs"), time, speed_mps=np.full(2, 6.0),
                    wind_mps=np.zeros((2, KNOTS, 2)))
        for day in (1, 2)
    ]  # fmt: skip
    down = Landed("North", moment + timedelta(minutes=5), 46.2, -35.1)
    pairs = pairs_of(answers_of([*said, *measured([report], [down])]), "gfs")
    near = pairs.lead_class_h == 24.0
    assert pairs.came.landing[near][1, :2].tolist() == [46.2, -35.1]
    assert pairs.came.speed_mps[near][1] == 7.5
    begun = replace(BEGUN, released_utc=BEGAN)
    store.begin_flight(begun)
    store.add_reports(begun.key, reports(140))
    site = Site("Here", begun.latitude_deg, begun.longitude_deg + 0.001, 0.0, "UTC")
    far = replace(site, name="There", latitude_deg=site.latitude_deg + 0.1)
    end = BEGAN + timedelta(minutes=200)
    assert list(landed(store, [far, site])) == []
    store.close_flight(begun.key, Closing(Outcome.RECOVERED, end, "Ada", 46.0, 7.9))
    store.log_flight(begun.key, end)
    (found,) = landed(store, [far, site])
    assert (found.site, found.released_utc) == ("Here", BEGAN)
    assert (found.latitude_deg, found.longitude_deg) == (46.0, 7.9)
    assert list(landed(store, [far])) == []


def test_which_passes_were_flown_with_what_was_learned(store: Store, watch: Watch) -> None:
    store.save_pass(record(0, records=(kept(),)))
    store.save_pass(record(1, records=(kept(1),), learned="0123456789"))
    assert store.flown_with(WATCH) == {cycle(0): None, cycle(1): "0123456789"}
    used = replace(watch, use_learned=True)
    assert learn_anew(store, used, NOW).wind == learn_anew(store, watch, NOW).wind
