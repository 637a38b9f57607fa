"""Launch hours of two sites over two years, by chance, and a survey that is made of them."""

from datetime import UTC, datetime

import numpy as np

from windowwatch.scoring.values import Site
from windowwatch.scouting.years import Surveyed
from windowwatch.survey.answers import answers_of, compared
from windowwatch.survey.rows import Rows, State

#: A zone whose clocks change.
SITES = (Site("A", 46.0, 10.0, 0.0, "Europe/Rome"), Site("B", 45.0, 11.0, 0.0, "Europe/Rome"))
STEP_S = 3 * 3600
CHECKS = np.array(["gust", "water", "drift", "cloud"], dtype=object)


def invented(seed: int = 3, years: int = 2) -> Rows:
    """Hours of two sites that hang together from one to the next, some dark, some unknown."""
    rng = np.random.default_rng(seed)
    time = np.arange(1_577_836_800, 1_577_836_800 + years * 366 * 86_400, STEP_S)
    parts = []
    for number, site in enumerate(SITES):
        spell = np.convolve(rng.normal(size=time.size + 40), np.ones(41) / 6.4, mode="valid")
        state = np.where(
            spell + rng.normal(size=time.size) > 0.6 + 0.2 * number, State.GOOD, State.BAD
        )
        state[rng.random(time.size) < 0.01] = State.UNKNOWN
        state[(time // 3600) % 24 >= 18] = State.DARK
        limit = CHECKS[rng.integers(0, 4, time.size)]
        limit[state == State.GOOD] = ""
        flown = (state == State.GOOD) | (state == State.BAD)
        place = [np.where(flown[:, None], rng.normal(x, 0.3, (time.size, 4)), np.nan)
                 for x in (site.latitude_deg, site.longitude_deg)]  # fmt: skip
        parts.append(Rows.of(
            site.name, time.astype(np.float64), state=state.tolist(), limit=limit.tolist(),
            drift_km=np.where(flown, rng.gamma(3.0, 20.0, time.size), np.nan),
            bearing_deg=np.where(flown, rng.uniform(0.0, 360.0, time.size), np.nan),
            landing_latitude_deg=place[0], landing_longitude_deg=place[1],
        ))  # fmt: skip
    return Rows.joined(parts)


def surveyed(mark: str = "0123456789ab", rows: Rows | None = None) -> Surveyed:
    """What a survey of these rows says."""
    rows = invented() if rows is None else rows
    return Surveyed(
        watch="test watch",
        mark=mark,
        made_utc=datetime(2026, 5, 4, 12, tzinfo=UTC),
        source="weather by chance",
        years=(2020, 2021),
        blocks=24,
        blocks_there=24,
        draws=4,
        step_s=float(STEP_S),
        min_length_s=2 * 3600.0,
        sites=SITES,
        asked=("gust", "water", "drift", "cloud"),
        left_out=(("ceiling", "field", ("ceiling_m",)), ("clearance", "date", ())),
        remarks=("no land mask: water is known from the map alone",),
        answers=tuple(answers_of(site, rows, STEP_S, 2 * 3600.0) for site in SITES),
        pairs=compared(SITES, rows, STEP_S, 2 * 3600.0),
    )
