"""Invented hours, windows and passes for tests of windows, storage and notices."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np

from windowwatch.forecast.cycle import Cycle, SourceFile
from windowwatch.forecast.notes import AtSteps, DryAir, NotThere, Planes
from windowwatch.physics.atmosphere import standard_atmosphere
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.values import (
    Check,
    Drive,
    Hour,
    HourDetail,
    Part,
    Refusal,
    RefusalKind,
    Site,
    Told,
    Track,
    Verdict,
)
from windowwatch.storage.cycles import PassRecord
from windowwatch.windows.causes import CheckAgainst, SeenGood
from windowwatch.windows.changes import compare
from windowwatch.windows.values import Change, ChangeKind, Window, WindowState
from windowwatch.windows.window import WindowRules, join_hours

#: Thursday; midnight UTC.
DAY = datetime(2026, 5, 7, tzinfo=UTC)
#: Two days before, when the first cycle of a test is read.
NOW = datetime(2026, 5, 5, 4, tzinfo=UTC)
STEP = timedelta(hours=1)
WATCH = "skerra demo"
MILLFIELD = Site("Millfield", 45.60, -35.90, 140.0, "America/Noronha")
HIGHMOOR = Site("Highmoor", 46.70, -35.50, 420.0, "America/Noronha")
SITES = {site.name: site for site in (MILLFIELD, HIGHMOOR)}


def at(hour: float) -> datetime:
    """`hour` hours after the midnight of `DAY`."""
    return DAY + timedelta(hours=hour)


def cycle(number: int = 0) -> Cycle:
    """The cycle `number` times six hours after 2026-05-05 00 UTC."""
    return Cycle(datetime(2026, 5, 5, tzinfo=UTC) + timedelta(hours=6 * number), "skerra")


def read_at(number: int = 0) -> datetime:
    """When the cycle of that number is read: four hours after its time."""
    return NOW + timedelta(hours=6 * number)


def check(name: str = "gust", score: float = 80.0, value: float = 6.8) -> Check:
    """A check that limits an hour of that score."""
    verdict = Verdict.GO if score >= 60 else Verdict.CAUTION if score > 0 else Verdict.NO_GO
    return Check(
        name=name,
        part=Part.RELEASE,
        verdict=verdict,
        value=value,
        unit="m/s",
        fine=5.0,
        limit=9.0,
        margin=9.0 - value,
        desirability=score / 100.0,
        hard=True,
        facts=(Told(f"{name} {value:.1f} m/s, limit 9.0 m/s"),),
    )


def against(score: float = 0.0, by: str = "gust") -> CheckAgainst:
    """The check that limits an hour of that score, as a cause."""
    return CheckAgainst(check(by, score, 9.0 - 0.04 * score))


def hour(
    time_utc: datetime,
    score: float = 80.0,
    *,
    site: str = "Millfield",
    chance: float | None = 0.8,
    verdict: Verdict | None = None,
    landing: tuple[float, float] = (45.9, -35.5),
    by: str = "gust",
) -> Hour:
    """An hour of one check; a score of 0 is a no-go."""
    limiting = check(by, score, 9.0 - 0.04 * score)
    if verdict is None:
        verdict = limiting.verdict
    return Hour(
        site=site,
        time_utc=time_utc,
        verdict=verdict,
        score=score,
        chance=chance,
        chance_low=None if chance is None else max(0.0, chance - 0.1),
        chance_high=None if chance is None else min(1.0, chance + 0.1),
        parts={Part.RELEASE: score, Part.FLIGHT: 91.25, Part.LANDING: 100.0, Part.RECOVERY: None},
        checks=(limiting, check("cloud", 95.0, 1.0)),
        worst=(by, "cloud"),
        footprint=Footprint(landing[0], landing[1], 128, 4000.0, 2500.0, 9000.0, 5600.0, 47.0),
        drift_km=42.3,
        bearing_deg=44.0,
        road_km=1.2,
        landing_utc=time_utc + timedelta(hours=2, minutes=11),
    )


def refused(time_utc: datetime, why: str = "the wind at 10 hPa is missing") -> Hour:
    """An hour of which nothing can be said."""
    return Hour(
        site="Millfield",
        time_utc=time_utc,
        verdict=Verdict.UNKNOWN,
        score=None,
        chance=None,
        chance_low=None,
        chance_high=None,
        parts=dict.fromkeys(Part),
        checks=(),
        worst=(),
        footprint=None,
        refused=Refusal(RefusalKind.TOLD, told=why),
    )


def day(scores: Mapping[float, float] | Sequence[float], first: float = 0) -> list[Hour]:
    """Hours of 24 hours: those given by score, all others a no-go by rain."""
    given = dict(scores) if isinstance(scores, Mapping) else dict(enumerate(scores, int(first)))
    return [hour(at(h), given[h]) if h in given else hour(at(h), 0.0, by="rain") for h in range(24)]


def flat(start: int, end: int, score: float = 80.0) -> list[Hour]:
    """A day that is good from `start` to `end`."""
    return day(dict.fromkeys(range(start, end), score))


class Line:
    """Cycles passed one after the other, as the pipeline does."""

    def __init__(self, rules: WindowRules | None = None) -> None:
        self.rules = rules or WindowRules()
        self.windows: tuple[Window, ...] = ()
        self.number = -1

    def read(self, hours: Sequence[Hour], now_utc: datetime | None = None) -> tuple[Change, ...]:
        """Pass the next cycle; return its changes."""
        self.number += 1
        now = now_utc or read_at(self.number)
        joined = join_hours(hours, self.rules, now_utc=now, known=self.windows)
        self.windows, changes = compare(
            self.windows,
            joined,
            hours,
            self.rules,
            cycle=cycle(self.number),
            now_utc=now,
            watch=WATCH,
        )
        return changes

    def open_windows(self) -> list[Window]:
        """Windows that are open now."""
        return [w for w in self.windows if w.state is WindowState.OPEN]


def opened(*days: Sequence[Hour], rules: WindowRules | None = None) -> Line:
    """A line on which the first of `days` was read twice, so that its windows are open."""
    line = Line(rules)
    line.read(days[0])
    line.read(days[0])
    for further in days[1:]:
        line.read(further)
    return line


def window(**other: object) -> Window:
    """An open window of Millfield, 06 to 10 UTC."""
    made = Window(
        uid="millfield-0507T0600-abc123",
        site="Millfield",
        state=WindowState.OPEN,
        start_utc=at(6),
        end_utc=at(10),
        best_hour_utc=at(7),
        best_score=78.0,
        chance=0.8,
        landing_latitude_deg=45.9,
        landing_longitude_deg=-35.5,
        drift_km=42.3,
        bearing_deg=44.0,
        road_km=1.2,
        cycles_seen=2,
        limited_by=(CheckAgainst(check()),),
        cycle_id=cycle().id,
    )
    return replace(made, **other)  # type: ignore[arg-type]


def change(kind: ChangeKind = ChangeKind.OPENED, **other: object) -> Change:
    """A change of that window."""
    made = Change(
        key="3fa9c1d2e4b5",
        kind=kind,
        site="Millfield",
        window_uid="millfield-0507T0600-abc123",
        cycle_id=cycle().id,
        found_utc=NOW,
        before=None if kind is ChangeKind.OPENED else window(),
        after=None if kind is ChangeKind.CLOSED else window(),
        causes=(SeenGood(2, None, None),),
    )
    return replace(made, **other)  # type: ignore[arg-type]


FILES = (
    SourceFile("/forecasts/skerra-00.grib2", "ab" * 32, 123456),
    SourceFile("/forecasts/skerra-00-members.grib2", "cd" * 32, 7 * 10**9),
)


def record(number: int = 0, **other: object) -> PassRecord:
    """The pass of a cycle: three sites of 144 hours would be usual, here it is one of 24."""
    key = f"{number:012x}"
    of_cycle = cycle(number).id
    made = PassRecord(
        watch=WATCH,
        cycle=cycle(number),
        saved_utc=read_at(number),
        hours=tuple(flat(6, 10)),
        windows=(window(cycle_id=of_cycle, told=window()),),
        changes=(change(key=key, cycle_id=of_cycle, found_utc=read_at(number)),),
        deliveries=((key, "phone"), (key, "mail")),
        files=FILES,
        gaps=(AtSteps(NotThere(Planes("u", 700.0)), (12 * 3600,), 9),),
        remarks=(DryAir(),),
    )
    return replace(made, **other)  # type: ignore[arg-type]


def detail(of: Hour, site: Site = MILLFIELD) -> HourDetail:
    """What an hour with a footprint is drawn with: a flight to its middle, 40 landings, a drive.

    The wind is that by which the flight gets from point to point.
    """
    mark = of.footprint
    assert mark is not None
    up_s, down_s = np.linspace(0.0, 6240.0, 40), np.linspace(6240.0, 8400.0, 20)[1:]
    after_s = np.concatenate((up_s, down_s))
    height_m = np.concatenate(
        (site.height_m + 5.0 * up_s, np.linspace(site.height_m + 31_200.0, 200.0, 20)[1:])
    )
    # The wind blows hardest near 11 km, so most of the way is made there.
    pace = 6.0 + 28.0 * np.exp(-(((height_m - 11_000.0) / 4_500.0) ** 2))
    share = np.concatenate(([0.0], np.cumsum(np.diff(after_s) * (pace[1:] + pace[:-1]) / 2.0)))
    share /= share[-1]
    bend = 0.04 * np.sin(np.pi * share)
    latitude = site.latitude_deg + share * (mark.latitude_deg - site.latitude_deg) + bend
    longitude = site.longitude_deg + share * (mark.longitude_deg - site.longitude_deg)
    east_m = 111_190.0 * np.cos(np.radians(site.latitude_deg))
    rng = np.random.default_rng(7)
    spread = rng.normal(size=(40, 2)) * mark.minor_50_m / 1.3 / 111_190.0
    burst = Footprint(float(latitude[39]), float(longitude[39]), mark.flights, 3000.0, 2000.0,
                      7000.0, 4500.0, mark.bearing_deg)  # fmt: skip
    return HourDetail(
        site=of.site,
        time_utc=of.time_utc,
        track=Track(
            time_unix_s=tuple((of.time_utc.timestamp() + after_s).tolist()),
            latitude_deg=tuple(latitude.tolist()),
            longitude_deg=tuple(longitude.tolist()),
            height_m=tuple(height_m.tolist()),
            u_mps=tuple((np.gradient(longitude, after_s) * east_m).tolist()),
            v_mps=tuple((np.gradient(latitude, after_s) * 111_190.0).tolist()),
            temperature_k=tuple(standard_atmosphere(height_m).temperature_k.tolist()),
            burst_index=39,
        ),
        landing_latitude_deg=tuple((mark.latitude_deg + spread[:, 0]).tolist()),
        landing_longitude_deg=tuple((mark.longitude_deg + spread[:, 1]).tolist()),
        burst=burst,
        drive=Drive(
            site.name,
            74.0,
            (site.latitude_deg, site.latitude_deg + 0.1, mark.latitude_deg),
            (site.longitude_deg, mark.longitude_deg - 0.1, mark.longitude_deg),
        ),
    )
