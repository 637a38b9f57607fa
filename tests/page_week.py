"""The page on a real server, over a week of results."""

from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from datetime import datetime

from httpx import Client
from patience import PATIENCE_S

from windowwatch.clock import SimulatedClock
from windowwatch.settings.read import Settings
from windowwatch.storage.store import Store
from windowwatch.web.app import create_app
from windowwatch.web.server import PageServer
from windowwatch.web.values import Facts


@dataclass(frozen=True)
class Week:
    """A week's results, and visitors of its page."""

    settings: Settings
    store: Store
    facts: Facts
    ended_utc: datetime
    open: ExitStack
    _served: dict[tuple[object, ...], tuple[str, SimulatedClock]] = field(default_factory=dict)

    def over(self, store: Store, opened: ExitStack, *, watch: str | None = None) -> "Week":
        """The same page over another database, and perhaps another watch."""
        facts = self.facts if watch is None else replace(self.facts, watch=watch)
        return Week(self.settings, store, facts, self.ended_utc, opened)

    def url(self, at_utc: datetime | None = None, token: str | None = None) -> str:
        """Address, without its last slash, of a real server of the page at a time."""
        return self._serve(at_utc, token)[0]

    def clock(self, at_utc: datetime | None = None) -> SimulatedClock:
        """The clock of that server."""
        return self._serve(at_utc, None)[1]

    def client(self, at_utc: datetime | None = None, token: str | None = None) -> Client:
        """A visitor of the page at a time; by default at the rehearsal's end."""
        return self.open.enter_context(Client(base_url=self.url(at_utc, token), timeout=PATIENCE_S))

    def _serve(self, at_utc: datetime | None, token: str | None) -> tuple[str, SimulatedClock]:
        asked = (at_utc, token)
        if asked not in self._served:
            clock = SimulatedClock(at_utc or self.ended_utc)
            app = create_app(self.store, self.facts, clock, token=token)
            server = self.open.enter_context(PageServer(app, "127.0.0.1", 0))
            self._served[asked] = (server.url.rstrip("/"), clock)
        return self._served[asked]
