"""What the page keeps of the database: as long as it is true, and no longer."""

from dataclasses import replace

import invented
import pytest
from page_week import Week

from windowwatch.forecast.notes import NearGroundUnused
from windowwatch.storage.store import Store
from windowwatch.web.reading import Reader
from windowwatch.windows.causes import ErrorSaid, PassFailed
from windowwatch.windows.values import ChangeKind
from windowwatch.wording.page import without_folders


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


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("/srv/data/a.grib2: broken", "a.grib2: broken"),
        (
            "tried 3 times; /a b/c d/gfs.grib2 cannot be read.",
            "tried 3 times; gfs.grib2 cannot be read.",
        ),
        ("read '/x/y.grib2' with 4 m/s and go/no-go", "read 'y.grib2' with 4 m/s and go/no-go"),
        ("/x/y.grib2 has wind of 4 m/s", "y.grib2 has wind of 4 m/s"),
        ("sqlite:////var/lib/w.sqlite3 is locked", "sqlite:///w.sqlite3 is locked"),
        (r"C:\Data sets\w.grib2: broken", "w.grib2: broken"),
        (r"\\server\share\w.grib2: broken", "w.grib2: broken"),
        ("see https://watch.example/notices#1", "see https://watch.example/notices#1"),
    ],
)
def test_no_folder_is_told(text: str, told: str) -> None:
    assert without_folders(text) == told


def test_no_page_and_no_data_say_where_files_lie(made_week: Week) -> None:
    change = replace(
        invented.change(), kind=ChangeKind.PASS_FAILED, window_uid=None, before=None, after=None,
        causes=(PassFailed(invented.NOW, 2), ErrorSaid("/srv/secret place/f.grib2: short file")),
    )  # fmt: skip
    made_week.store.save_pass(
        replace(
            invented.record(changes=(change,), deliveries=()),
            remarks=(NearGroundUnused("hrrr-2026-05-05T00Z", "/srv/secret/g.grib2: odd"),),
        )
    )
    client = made_week.client()
    pages = {path: client.get(path) for path in ("/notices", "/data/changes.json", "/health/page")}
    for path, page in pages.items():
        assert page.status_code == 200
        assert "/srv" not in page.text, path
        assert "secret" not in page.text, path
        assert ("g.grib2: odd" if "health" in path else "f.grib2: short file") in page.text
