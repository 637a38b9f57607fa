"""What could not be done for a planned launch or a flight stands on the page about health."""

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import httpx
import pytest
from invented import NOW, SITES, WATCH
from patience import PATIENCE_S

from windowwatch.clock import SimulatedClock
from windowwatch.ground.query.features import Ground
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.storage.store import open_store
from windowwatch.web.app import create_app
from windowwatch.web.server import PageServer
from windowwatch.web.values import Facts, Trouble

pytestmark = pytest.mark.launchday


def test_trouble_is_on_the_page_about_health(
    tmp_path: Path, new_sqlite: Callable[[Path, bool], str]
) -> None:
    store = open_store(new_sqlite(tmp_path, True))
    facts = Facts(
        watch=WATCH,
        sites=tuple(SITES.values()),
        plan=ScoringPlan(),
        ground=Ground(),
        step=timedelta(hours=1),
        stale_after=timedelta(hours=12),
    )
    said: list[Trouble] = []
    app = create_app(store, facts, SimulatedClock(NOW), troubles=lambda: tuple(said))
    with PageServer(app, "127.0.0.1", 0) as server:

        def page() -> str:
            return httpx.get(f"{server.url}health/page", timeout=PATIENCE_S).text

        assert "planned launch" not in page()
        said.append(Trouble("its files are <gone>", plan="1"))
        words = (
            '<dt>planned launch</dt><dd><a href="/plans/1">plan 1</a>: '
            "its files are &lt;gone&gt;</dd>"
        )
        assert words in page()
        assert "<dt>flight</dt>" not in page()
        said[:] = [Trouble("its row is damaged", flight="k3x")]
        words = '<dt>flight</dt><dd><a href="/flights/k3x">k3x</a>: its row is damaged</dd>'
        assert words in page()
        assert "planned launch" not in page()
        said[:] = [Trouble("the database is away")]
        assert "<dt>planned launch</dt><dd>the database is away</dd>" in page()
    store.close()
