"""One launch hour to the bottom: verdict, checks, landing, time, and its story. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta

from windowwatch.drawing.hour_map import TALL, WIDE, MapView, draw
from windowwatch.forecast.cycle import Cycle
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.opinions import chance_interval
from windowwatch.scoring.values import Check, Hour, HourDetail, Part, Site, Verdict
from windowwatch.web.draw.timeline import (
    History,
    Profile,
    Timeline,
    Told,
    front_time,
    history,
    profile,
    timeline,
)
from windowwatch.web.values import Facts, site_keys, stamp
from windowwatch.windows.standing import Standing, Week
from windowwatch.wording import cautions
from windowwatch.wording import page as words
from windowwatch.wording import standing as said
from windowwatch.wording.checks import (
    check_sentence,
    hour_words,
    interval_words,
    refusal_words,
    what_would_make_it_go,
    worst_sentences,
)
from windowwatch.wording.credits import near_words
from windowwatch.wording.phrases import check_label, sentence


@dataclass(frozen=True)
class CheckRow:
    """A check as a row of the table."""

    label: str
    verdict: str
    mark: str
    value: str
    unit: str
    fine: str
    limit: str
    margin: str
    hard: bool
    sentence: str


@dataclass(frozen=True)
class PartRows:
    """A part with its score and its checks."""

    name: str
    score: str
    rows: tuple[CheckRow, ...]


@dataclass(frozen=True)
class Seen:
    """The hour as one cycle saw it."""

    cycle: str
    hour: Hour | None
    mark: str
    lands: str
    worst: str


@dataclass(frozen=True)
class ModelRow:
    """What one weather model says of the hour."""

    model: str
    cycle: str
    verdict: str
    mark: str
    score: str
    chance: str
    apart: str


@dataclass(frozen=True)
class Pictures:
    """Maps for two screens, where the movable one has its layers, and the air on the way.

    `touched` names what the 90 % ring touches.
    """

    tall: MapView | None
    wide: MapView | None
    spoken: str
    layers: str
    air: Profile | None
    note: str
    touched: str


@dataclass(frozen=True)
class HourView:
    """The whole page of an hour.

    `beside` says with its verdict whether it may be planned on, `alone` why not in a sentence;
    `planned` is its place in the window's plan.
    """

    site: Site
    site_key: str
    hour: Hour
    mark: str
    title: str
    utc: str
    lands: str
    chance: str
    chance_span: str
    own_chance: str
    raw_chance: str
    to_go: tuple[str, ...]
    keep_to: str
    parts: tuple[PartRows, ...]
    place: str
    geo: str
    pictures: Pictures
    times: Timeline
    story: tuple[Seen, ...]
    chart: History | None
    models: tuple[ModelRow, ...]
    agreement: str
    kept_from: str
    refused: str
    worst: tuple[str, ...]
    cycle: Cycle
    newest: bool
    before: str | None
    after: str | None
    standing: Standing
    beside: str
    alone: str
    planned: str
    cautions: tuple[str, ...]

    @property
    def digest(self) -> str:
        """How many checks are not at go, for the line above them."""
        every = [row for part in self.parts for row in part.rows]
        apart = sum(row.verdict != str(Verdict.GO) for row in every)
        return f"{apart} of {len(every)} not at go" if apart else f"all {len(every)} at go"

    @property
    def near_ground(self) -> str:
        """Which model the air near the ground is from, where a finer one was asked."""
        return near_words(self.hour.near_ground)


def _geo_link(print_: Footprint) -> str:
    """Link to a place as maps on phones open it (RFC 5870)."""
    return f"geo:{print_.latitude_deg:.5f},{print_.longitude_deg:.5f}"


def hour_view(
    facts: Facts,
    site: Site,
    hour: Hour,
    *,
    cycle: Cycle,
    newest: bool,
    story: Sequence[tuple[Cycle, Hour | None]],
    hours: Sequence[Hour],
    week: Week,
    detail: HourDetail | None = None,
) -> HourView:
    """Everything about an hour.

    Parameters
    ----------
    facts : Facts
    site : Site
    hour : Hour
        As `cycle` saw it; `newest` when that is the newest one.
    story : sequence of (Cycle, Hour or None)
        The same hour in the last cycles, the newest first.
    hours : sequence of Hour
        All launch hours of the site, in order.
    week : Week
        Of the newest pass.
    detail : HourDetail, optional
        What the hour is drawn with, where it is kept.
    """
    key = next(k for k, s in site_keys(facts.sites).items() if s == site)
    zone = words.zone_of(site)
    earlier = [h for h in hours if h.time_utc < hour.time_utc]
    further = [h for h in hours if h.time_utc > hour.time_utc]
    print_ = hour.footprint
    standing = week.standing(hour)
    return HourView(
        site=site,
        site_key=key,
        hour=hour,
        mark=words.MARKS[hour.verdict],
        title=words.moment_words(hour.time_utc, zone),
        utc=words.utc_words(hour.time_utc),
        lands=words.lands_words(hour.drift_km, hour.bearing_deg, hour.road_km),
        chance=words.chance_words(hour.chance),
        chance_span=_chance_span(hour),
        own_chance=_own_chance(hour),
        raw_chance="" if hour.raw_chance is None else words.chance_words(hour.raw_chance),
        to_go=what_would_make_it_go(hour, facts.plan),
        keep_to=f"{words.flights_words(facts.plan.quantile)} keep to",
        parts=tuple(_parts(hour)),
        place=(
            "" if print_ is None else words.place_words(print_.latitude_deg, print_.longitude_deg)
        ),
        geo="" if print_ is None else _geo_link(print_),
        pictures=_pictures(facts, site, key, hour, detail),
        times=timeline(
            hour,
            site,
            facts.plan,
            drive=None if detail is None else detail.drive,
            front_utc=front_time(hour, further[0] if further else None),
        ),
        story=tuple(_seen(each, found) for each, found in story),
        chart=_chart(story),
        models=_models(hour, cycle),
        agreement=words.agreement_words(hour),
        kept_from="" if hour.from_cycle is None else words.cycle_words(hour.from_cycle),
        refused="" if hour.refused is None else sentence(refusal_words(hour.refused)),
        worst=worst_sentences(hour),
        cycle=cycle,
        newest=newest,
        before=f"/hour/{key}/{stamp(earlier[-1].time_utc)}" if earlier else None,
        after=f"/hour/{key}/{stamp(further[0].time_utc)}" if further else None,
        standing=standing,
        beside=said.place_words(hour, standing),
        alone=said.standing_words(hour, standing, facts.rules),
        planned=_planned(hour, standing, week),
        cautions=_cautions(facts, detail),
    )


def _planned(hour: Hour, standing: Standing, week: Week) -> str:
    """Whether it is the planned hour of its window, or the one that does better by now."""
    launch = None if standing.window is None else week.of_window(standing.window.uid)
    if launch is None:
        return ""
    if launch.time_utc == hour.time_utc:
        return "the planned hour" if launch.as_planned else "the best hour still to come"
    if launch.now_best is not None and launch.now_best.time_utc == hour.time_utc:
        return "the hour that is now best"
    return ""


def _cautions(facts: Facts, detail: HourDetail | None) -> tuple[str, ...]:
    drive = None if detail is None else detail.drive
    said = (
        cautions.tired_words(
            [] if drive is None else [(drive.start, timedelta(minutes=drive.minutes))]
        ),
        cautions.gas_words(facts.train),
        f"{cautions.FALLING} {cautions.DRIVING} {cautions.PRIVATE_LAND}",
    )
    return tuple(filter(None, said))


def _chance_span(hour: Hour) -> str:
    interval = chance_interval(hour)
    return "" if interval is None else f"{100 * interval[0]:.0f} to {100 * interval[1]:.0f} %"


def _own_chance(hour: Hour) -> str:
    """The chance by the deciding model alone, where others have changed it."""
    if hour.own_chance is None or hour.own_chance == hour.chance:
        return ""
    return words.chance_words(hour.own_chance)


def _pictures(
    facts: Facts, site: Site, key: str, hour: Hour, detail: HourDetail | None
) -> Pictures:
    tall, wide = (
        None
        if hour.footprint is None
        else draw(site, hour.footprint, facts.ground, detail=detail, zones=facts.zones, shape=shape)
        for shape in (TALL, WIDE)
    )
    track = None if detail is None else detail.track
    return Pictures(
        tall=tall,
        wide=wide,
        spoken="" if hour.footprint is None else words.map_words(site, hour.footprint, detail),
        layers=f"/hour/{key}/{stamp(hour.time_utc)}/layers.json",
        air=None if track is None else profile(track),
        note=_track_note(detail),
        touched="" if tall is None else words.touched_words(tall.touched),
    )


def _track_note(detail: HourDetail | None) -> str:
    if detail is None or detail.track is None:
        return "The dotted line joins site and landing; no single flight is kept of this hour."
    dots = len(detail.landing_latitude_deg)
    return (
        "The line is the middle flight, marked by minutes after the release; "
        f"the dots are {dots} single landings."
    )


def _chart(story: Sequence[tuple[Cycle, Hour | None]]) -> History | None:
    return history(
        [
            Told(each.reference_utc, h.score, h.chance, str(h.verdict))
            for each, h in reversed(story)
            if h is not None
        ]
    )


def _models(hour: Hour, cycle: Cycle) -> tuple[ModelRow, ...]:
    """The deciding model first; empty when there is no other."""
    if not hour.others:
        return ()
    own = hour.chance if hour.own_chance is None else hour.own_chance
    own_verdict = hour.own_verdict or hour.verdict
    rows = [
        ModelRow(
            f"{cycle.model} (decides)",
            words.utc_words(cycle.reference_utc),
            str(own_verdict),
            words.MARKS[own_verdict],
            words.score_words(hour.score),
            words.chance_words(own),
            "",
        )
    ]
    rows += [
        ModelRow(
            other.model,
            words.cycle_words(other.cycle_id),
            str(other.verdict),
            words.MARKS[other.verdict],
            words.score_words(other.score),
            words.chance_words(other.chance),
            "" if other.apart_km is None else words.km_words(other.apart_km),
        )
        for other in hour.others
    ]
    return tuple(rows)


def _parts(hour: Hour) -> Iterable[PartRows]:
    for part in Part:
        rows = tuple(check_row(check) for check in hour.checks if check.part is part)
        if rows:
            yield PartRows(str(part), words.score_words(hour.parts.get(part)), rows)


def check_row(check: Check) -> CheckRow:
    """A check in words and numbers."""
    none = words.is_none(check)
    unit = "" if words.is_long(check) else check.unit  # a long time carries its own
    return CheckRow(
        label=check_label(check.name),
        verdict=str(check.verdict),
        mark=words.MARKS[check.verdict],
        value="none" if none else words.reading_words(check, check.value),
        unit="" if none else ", ".join(filter(None, (unit, interval_words(check)))),
        fine=words.reading_words(check, check.fine),
        limit=words.reading_words(check, check.limit),
        margin="–" if none else words.reading_words(check, check.margin),
        hard=check.hard,
        sentence=check_sentence(check) if check.verdict is Verdict.UNKNOWN else "",
    )


def _seen(cycle: Cycle, hour: Hour | None) -> Seen:
    if hour is None:
        return Seen(words.utc_words(cycle.reference_utc), None, "", "", "")
    return Seen(
        words.utc_words(cycle.reference_utc),
        hour,
        words.MARKS[hour.verdict],
        words.lands_words(hour.drift_km, hour.bearing_deg),
        sentence(hour_words(hour)),
    )
