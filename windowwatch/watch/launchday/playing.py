"""A planned launch played on a simulated clock: countdown, a hold, the fill, the release.

What is seen at the site is invented of the forecast: half a metre a second more. It goes through
everything that a real launch day does; nothing is sent to anybody.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from windowwatch.clock import SimulatedClock
from windowwatch.forecast.cycle import CycleData
from windowwatch.launchday.countdown import StepMark, require_steps
from windowwatch.launchday.plan import (
    Event,
    Held,
    LiftMeasured,
    Plan,
    Planned,
    Released,
    Ticked,
    stand,
)
from windowwatch.launchday.sighting import Sighting
from windowwatch.notices.deliver import Result, Send, deliver_pending
from windowwatch.notices.values import Message
from windowwatch.storage.store import Store
from windowwatch.watch.launchday.desk import Desk, forecast_wind
from windowwatch.watch.launchday.following import Following
from windowwatch.watch.launchday.opening import newest_cycle
from windowwatch.watch.values import Watch
from windowwatch.windows.values import Window, WindowState

#: Everybody waits for so long, from so long before the release on.
HOLD, HOLD_BEFORE = timedelta(minutes=20), timedelta(minutes=30)
#: The wind is measured so long before the release; so much more than forecast is found. [m s⁻¹]
_MEASURED_BEFORE, _MORE_MPS = timedelta(minutes=55), 0.5
#: The scale shows so much more than was wanted. [kg]
_OVERFILL_KG = 0.05
_DIRECTOR, _FILLER = "Ines", "Ben"
#: A launch is not planned nearer than this.
_AHEAD = timedelta(hours=2)


@dataclass(frozen=True)
class Told:
    """A notice, and when it was handed over by the simulated clock."""

    at_utc: datetime
    channel: str
    message: Message


@dataclass(frozen=True)
class Played:
    """A launch that was played: the key of its plan, and what was told of it."""

    key: str
    told: tuple[Told, ...]


def play_launch(
    data: CycleData,
    watch: Watch,
    store: Store,
    windows: Sequence[Window],
    clock: SimulatedClock,
    *,
    send: Send,
) -> Played | None:
    """Plan a launch at the best hour of the best open window, and see it through.

    Parameters
    ----------
    data : CycleData
        The newest cycle, opened.
    watch : Watch
        Its channels are told through `send`.
    store : Store
    windows : sequence of Window
        As the newest cycle left them.
    clock : SimulatedClock
        Goes on to the release.
    send : callable

    Returns
    -------
    Played or None
        None where no window is open.
    """
    now = clock.now()
    good = [w for w in windows if w.state is WindowState.OPEN and w.best_hour_utc > now + _AHEAD]
    if not good:
        return None
    window = max(good, key=lambda w: (w.best_score, w.uid))
    event = Planned(
        window.site, window.best_hour_utc, watch.train, (_DIRECTOR, _FILLER), window.uid,
        data.cycle.id,
    )  # fmt: skip
    made = store.make_plan(watch.name, event, at_utc=now, by=_DIRECTOR)
    day = _Day(data, watch, store, clock, made.key, send)
    day.play()
    return Played(made.key, tuple(day.told))


class _Day:
    """One launch day under way."""

    def __init__(
        self,
        data: CycleData,
        watch: Watch,
        store: Store,
        clock: SimulatedClock,
        key: str,
        send: Send,
    ) -> None:
        self._data, self._watch, self._store, self._clock = data, watch, store, clock
        self._key, self._send = key, send
        self.told: list[Told] = []
        desk = Desk(watch, store)
        desk.take(newest_cycle(store, watch), data)
        self._following = Following(watch, store, clock, desk)

    def play(self) -> None:
        """From the plan to the release."""
        steps = require_steps(self._watch.team.steps)
        for step in steps:  # what was due before there was a plan
            if self._plan().due_utc(step.before) <= self._clock.now():
                self._act(Ticked(step.key), _DIRECTOR)
        self._tell()
        moments = [(step.before, step.key) for step in steps if step.key not in self._plan().ticks]
        moments += [(_MEASURED_BEFORE, ""), (HOLD_BEFORE, "hold")]
        for before, what in sorted(moments, key=lambda each: -each[0]):
            due = self._plan().due_utc(before)
            self._clock.set(max(self._clock.now(), due))
            if what == "":
                self._measure()
            elif what == "hold":
                self._act(Held(HOLD), _DIRECTOR)
                self._tell()
            else:
                self._step(what)

    def _step(self, key: str) -> None:
        mark = next(s.mark for s in self._watch.team.steps if s.key == key)
        if mark is StepMark.LIFT:
            self._act(LiftMeasured(self._plan().meant_lift_kg + _OVERFILL_KG), _FILLER)
            self._tell()
        elif mark is StepMark.RELEASE:
            self._act(Released(self._clock.now()), _DIRECTOR)
            self._tell()
        else:
            self._act(Ticked(key), _FILLER)

    def _plan(self) -> Plan:
        entries = self._store.plan_entries(self._watch.name, self._key).entries
        return stand(self._key, entries, self._clock.now())

    def _act(self, event: Event, by: str) -> None:
        self._store.act_on_plan(
            self._watch.name,
            self._key,
            event,
            at_utc=self._clock.now(),
            by=by,
            steps=self._watch.team.steps,
        )

    def _measure(self) -> None:
        """What an anemometer at the site shows, where the forecast has a wind."""
        site = next(s for s in self._watch.sites if s.name == self._plan().site)
        series = self._data.surface.at(site.latitude_deg, site.longitude_deg)
        wind, gust = forecast_wind(series, self._clock.now())
        if wind is None:
            return
        wind = round(wind + _MORE_MPS, 1)
        gust = None if gust is None else max(round(gust + _MORE_MPS, 1), wind)
        seen = Sighting(site.name, self._clock.now(), _FILLER, wind_mps=wind, gust_mps=gust)
        self._store.save_sighting(self._watch.name, seen)

    def _tell(self) -> None:
        """Fly what is to be flown, and deliver what is to be told of it."""
        self._following.look()
        sites = {site.name: site for site in self._watch.sites}
        report = deliver_pending(
            self._store, self._watch.channels, sites, self._clock, send=self._send
        )
        now = self._clock.now()
        self.told += [Told(now, a.channel, a.message) for a in report.of(Result.SENT)]
