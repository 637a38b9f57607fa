"""What the page knows that is not in the database: facts of the watch, as plain values."""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from windowwatch.chase.values import ChaseRules
from windowwatch.ground.query.features import Ground
from windowwatch.ground.query.outline import Zone
from windowwatch.launchday.team import Team
from windowwatch.physics.fill import Cylinders
from windowwatch.physics.train import FlightTrain
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Site
from windowwatch.web.access.proxies import LOOPBACK
from windowwatch.windows.agreement import AgreementRules
from windowwatch.windows.decisions import Decision
from windowwatch.windows.values import Window
from windowwatch.windows.window import WindowRules
from windowwatch.wording.texts import TextTemplate


@dataclass(frozen=True)
class Contact:
    """Whom to call on launch day; `sites` are their names, None for all."""

    name: str
    role: str
    phone: str
    sites: frozenset[str] | None = None

    @property
    def dial(self) -> str:
        """The number as telephones are given it (RFC 3966)."""
        number, _, inner = self.phone.partition("x")
        digits = re.sub(r"[^0-9+]", "", number)
        return f"{digits};ext={inner.strip()}" if inner else digits


@dataclass(frozen=True)
class Trouble:
    """What could not be done for a planned launch or a flight, in words.

    `plan` or `flight` is its key; both are empty where it is of all planned launches.
    """

    words: str
    plan: str = ""
    flight: str = ""


@dataclass(frozen=True)
class Bounds:
    """From when on something is said to be wrong with the watch itself.

    Parameters
    ----------
    channel_failing : timedelta
        Nothing has come through on a channel for so long.
    no_look : timedelta
        No look for cycles has gone well for so long.
    disk_free_bytes : int
        Less room than this is left. [byte]
    """

    channel_failing: timedelta = timedelta(minutes=30)
    no_look: timedelta = timedelta(hours=1)
    disk_free_bytes: int = 500_000_000


@dataclass(frozen=True)
class Facts:
    """A watch as the page sees it.

    Parameters
    ----------
    watch : str
        Name under which results are stored.
    sites : tuple of Site
    plan : ScoringPlan
        By which hours were scored.
    ground : Ground
        For maps.
    step : timedelta
        From one launch hour to the next.
    stale_after : timedelta
        A newest cycle whose reference time is longer ago is called stale.
    look_every : timedelta or None
        How often the daemon looks for a new cycle; None where nobody looks.
    note : str
        Said at the top of every page, for example that this is a rehearsal.
    train : FlightTrain or None
        For the fill on the launch-day sheet.
    decisions : tuple of Decision
        What must be decided before a window.
    contacts : tuple of Contact
        For the launch-day sheet; not for those who came by a shared link.
    zones : tuple of Zone
        Airspace and permitted areas, for maps.
    others_stale_after : timedelta
        Another model whose newest cycle is older than the deciding one by more has no say.
    page_url : str or None
        Address by which others reach the page, without its last slash; None where the
        settings do not say it.
    rehearsal : bool
        Whether the results are those of a rehearsal.
    trusted_proxies : tuple of str
        Addresses and networks whose word about a visitor's address is believed.
    rules : WindowRules
        By which hours are good, and no-go for their chance.
    channels : tuple of str
        Names of the channels that are told; others of the database are history.
    bounds : Bounds
        From when on something is wrong.
    team : Team
        What is the same at every planned launch.
    cylinders : Cylinders
        At hand for the fill.
    flow_m3pmin : float
        How fast gas flows, at 15 °C and 1013.25 hPa. [m³ min⁻¹]
    available_after : timedelta
        A cycle is usually there so long after its reference time.
    texts : callable
        Reads the texts to send about a planned launch; raises SettingsError.
    chase : ChaseRules
        How crews are sent after a flight.
    """

    watch: str
    sites: tuple[Site, ...]
    plan: ScoringPlan
    ground: Ground
    step: timedelta
    stale_after: timedelta
    look_every: timedelta | None = None
    note: str = ""
    train: FlightTrain | None = None
    decisions: tuple[Decision, ...] = ()
    contacts: tuple[Contact, ...] = ()
    zones: tuple[Zone, ...] = ()
    page_url: str | None = None
    others_stale_after: timedelta = AgreementRules().stale_after
    rehearsal: bool = False
    trusted_proxies: tuple[str, ...] = LOOPBACK
    rules: WindowRules = field(default_factory=WindowRules)
    channels: tuple[str, ...] = ()
    bounds: Bounds = Bounds()
    team: Team = field(default_factory=Team)
    cylinders: Cylinders = field(default_factory=Cylinders)
    flow_m3pmin: float = 0.4
    available_after: timedelta = timedelta(hours=5)
    texts: Callable[[], tuple[TextTemplate, ...]] = tuple
    chase: ChaseRules = field(default_factory=ChaseRules)

    def due(self, window: Window) -> tuple[tuple[Decision, datetime], ...]:
        """Decisions that a window asks for and by when, the first due first."""
        asked = [d for d in self.decisions if d.asked_of(window)]
        return tuple(sorted(((d, window.start_utc - d.before) for d in asked), key=lambda x: x[1]))


@dataclass(frozen=True)
class Underway:
    """A pass that is being made: `share` done, 0 to 1, and what is done just now."""

    share: float
    words: str = ""

    @property
    def text(self) -> str:
        """In one line."""
        done = f"Pass under way: {100.0 * self.share:.0f}\xa0%"
        return f"{done}, {self.words}" if self.words else done


def common_zone(sites: Sequence[Site]) -> ZoneInfo | None:
    """The zone that all sites share, None when they do not."""
    zones = {site.time_zone for site in sites}
    return ZoneInfo(zones.pop()) if len(zones) == 1 else None


def site_keys(sites: Sequence[Site]) -> dict[str, Site]:
    """Sites by the word that stands for them in addresses: letters, digits and hyphens."""
    keys: dict[str, Site] = {}
    for site in sites:
        word = re.sub(r"[^a-z0-9]+", "-", site.name.lower()).strip("-") or "site"
        key, number = word, 2
        while key in keys:
            key, number = f"{word}-{number}", number + 1
        keys[key] = site
    return keys


def stamp(moment: datetime) -> str:
    """Write a time as addresses carry it: ``20260508T0800Z``."""
    return f"{moment.astimezone(UTC):%Y%m%dT%H%MZ}"


def from_stamp(text: str) -> datetime | None:
    """Aware UTC time of a `stamp`; None when it is none."""
    if not re.fullmatch(r"\d{8}T\d{4}Z", text, re.ASCII):
        return None
    try:
        return datetime.strptime(text, "%Y%m%dT%H%MZ").replace(tzinfo=UTC)
    except ValueError:
        return None
