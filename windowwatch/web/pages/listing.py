"""Windows with their history, sites side by side, and notices: rows to page data. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from windowwatch.forecast.cycle import Cycle
from windowwatch.scoring.compare import compare_sites
from windowwatch.scoring.detail import Drive
from windowwatch.scoring.values import Hour, Site, Verdict
from windowwatch.storage.deliveries import Delivery, DeliveryState
from windowwatch.storage.saving import Acknowledgement
from windowwatch.web.draw.timeline import History, Told, history
from windowwatch.web.reading import Snapshot
from windowwatch.web.values import Facts, common_zone, site_keys, stamp
from windowwatch.windows.values import Change, ChangeKind, Window, WindowState
from windowwatch.wording import page as words
from windowwatch.wording.causes import reason
from windowwatch.wording.checks import site_words
from windowwatch.wording.notices import Beside, message_on_page
from windowwatch.wording.phrases import check_label, local_to

#: Changes that are reminded of until somebody says that they know.
_TO_ACKNOWLEDGE = (ChangeKind.DECISION_DUE, ChangeKind.CLOSED)
_LIVE = (WindowState.OPEN, WindowState.SIGHTED)


@dataclass(frozen=True)
class WindowRow:
    """A window, as it stood after one cycle, as a row."""

    uid: str
    site: str
    state: str
    span: str
    utc: str
    best: str
    score: str
    chance: str
    lands: str
    limited: str
    cycle: str
    unread: str
    hours: tuple["HourLink", ...] = ()


@dataclass(frozen=True)
class HourLink:
    """One launch hour of a window."""

    clock: str
    href: str
    verdict: str
    score: str
    shade: int


@dataclass(frozen=True)
class WindowView:
    """A window with its hours, its history and what was told of it."""

    row: WindowRow
    zone: str
    live: bool
    has_sheet: bool
    dues: tuple[str, ...]
    history: tuple[WindowRow, ...]
    chart: History | None
    told: tuple["NoticeRow", ...]


@dataclass(frozen=True)
class NoticeRow:
    """A notice in the words in which it was told, and how far it has come."""

    key: str
    title: str
    lines: tuple[str, ...]
    found: str
    cycle: str
    deliveries: tuple[str, ...]
    pending: bool
    known: str
    may_be_known: bool


@dataclass(frozen=True)
class DayBar:
    """The best hour of a day, as a bar: `height` in hundredths."""

    x: int
    height: int
    kind: str
    initial: str


#: What is compared, in the order of `SiteRow.figures`.
FIGURES = (
    "chance of the best hour of the best day",
    "chance of at least one go hour, if days were independent",
    "windows: how many, together, the longest",
    "go hours",
    "caution hours",
    "hours not known",
    "drift, median of the best hours",
    "road, median of the best hours",
    "walk from the road, median of the best hours",
    "crew at the road, median of the best hours",
    "mostly in the way",
    "height",
)


@dataclass(frozen=True)
class SiteRow:
    """A site beside the others; `figures` in the order of `FIGURES`."""

    key: str
    name: str
    reason: str
    figures: tuple[str, ...]
    bars: tuple[DayBar, ...]
    spoken: str
    best: tuple[tuple[str, str, str], ...]


def window_row(
    window: Window, sites: Mapping[str, Site], hours: tuple[HourLink, ...] = ()
) -> WindowRow:
    """A window in words, with its launch hours where they are to be shown."""
    zone = words.zone_of(sites.get(window.site))
    return WindowRow(
        uid=window.uid,
        site=window.site,
        state=str(window.state),
        span=words.release_words(window, zone),
        utc=f"{words.release_words(window, UTC)} UTC",
        best=f"{window.best_hour_utc.astimezone(zone):%H:%M}",
        score=words.score_words(window.best_score),
        chance=words.chance_words(window.chance),
        lands=words.lands_words(window.drift_km, window.bearing_deg, window.road_km),
        limited=reason(window.limited_by, local_to(zone)),
        cycle=words.cycle_words(window.cycle_id),
        unread=reason(window.unread, local_to(zone)),
        hours=hours,
    )


def hour_links(facts: Facts, window: Window, hours: Iterable[Hour]) -> tuple[HourLink, ...]:
    """The launch hours of a window, out of all; none for a site that is watched no more."""
    keys = {site.name: (key, site) for key, site in site_keys(facts.sites).items()}
    if window.site not in keys:
        return ()
    key, site = keys[window.site]
    zone = words.zone_of(site)
    return tuple(
        HourLink(
            clock=f"{h.time_utc.astimezone(zone):%H:%M}",
            href=f"/hour/{key}/{stamp(h.time_utc)}",
            verdict=str(h.verdict),
            score=words.score_words(h.score),
            shade=0 if h.score is None else int(h.score // 10),
        )
        for h in hours
        if h.site == window.site and window.start_utc <= h.time_utc < window.end_utc
    )


def window_rows(
    facts: Facts, snapshot: Snapshot, now: datetime
) -> tuple[tuple[WindowRow, ...], tuple[WindowRow, ...]]:
    """Windows that can still be used, by start; and those that are over or closed."""
    sites = {site.name: site for site in facts.sites}
    ordered = sorted(snapshot.windows, key=lambda w: (w.start_utc, w.site))
    live = [w for w in ordered if w.state in _LIVE and w.end_utc > now]
    over = [w for w in ordered if w not in live]
    return (
        tuple(window_row(w, sites, hour_links(facts, w, snapshot.hours)) for w in live),
        tuple(window_row(w, sites) for w in over),
    )


def window_view(
    facts: Facts,
    history_: Sequence[Window],
    hours: Iterable[Hour],
    told: tuple[NoticeRow, ...],
    now: datetime,
) -> WindowView:
    """A window by its versions, oldest first (at least one), and the newest cycle's hours."""
    sites = {site.name: site for site in facts.sites}
    window = history_[-1]
    zone = words.zone_of(sites.get(window.site))
    kept = tuple(hours)
    inside = hour_links(facts, window, kept)
    return WindowView(
        row=window_row(window, sites, inside),
        zone=str(zone),
        live=window.state in _LIVE,
        dues=tuple(words.due_words(d.name, due, now, zone) for d, due in facts.due(window)),
        has_sheet=bool(inside) and _has_best(window, kept),
        history=tuple(window_row(w, sites) for w in reversed(history_)),
        chart=history([_told(w) for w in history_ if w.cycle_id]),
        told=told,
    )


def _has_best(window: Window, hours: Iterable[Hour]) -> bool:
    """Whether a window's best hour is among some hours."""
    return any(h.site == window.site and h.time_utc == window.best_hour_utc for h in hours)


def _told(window: Window) -> Told:
    gone = window.state is WindowState.CLOSED
    return Told(
        Cycle.of_id(window.cycle_id).reference_utc,
        None if gone else window.best_score,
        None if gone else window.chance,
    )


def notice_row(
    change: Change,
    deliveries: Sequence[Delivery],
    sites: Mapping[str, Site],
    known: Acknowledgement | None = None,
    drive: Drive | None = None,
) -> NoticeRow:
    """A change in the words of its notice. Errors of channels may name addresses: not shown."""
    title, lines = message_on_page(change, sites.get(change.site), Beside(drive=drive))
    return NoticeRow(
        key=change.key,
        title=title,
        lines=lines,
        found=words.both_words(
            change.found_utc,
            words.zone_of(sites[change.site])
            if change.site in sites
            else common_zone([*sites.values()]),
        ),
        cycle=change.cycle_id,
        deliveries=tuple(_delivered(d) for d in deliveries),
        pending=any(d.state is DeliveryState.PENDING for d in deliveries),
        known="" if known is None else f"{known.by_whom}, {words.utc_words(known.at_utc)}",
        may_be_known=known is None and change.kind in _TO_ACKNOWLEDGE,
    )


def _delivered(delivery: Delivery) -> str:
    if delivery.state is DeliveryState.SENT and delivery.sent_utc is not None:
        return f"{delivery.channel}: sent {words.utc_words(delivery.sent_utc)}"
    if delivery.state is DeliveryState.PENDING:
        tried = f", tried {delivery.tries} times" if delivery.tries else ""
        return f"{delivery.channel}: waits{tried}, next {words.utc_words(delivery.next_try_utc)}"
    if delivery.state is DeliveryState.PERHAPS:
        more = delivery.repeats_left
        then = f"; repeated {words.utc_words(delivery.next_try_utc)} unless" if more else "; not"
        return f"{delivery.channel}: perhaps delivered, the service did not answer" + (
            f"{then} something later is told" if more else f"{then} repeated any more"
        )
    return f"{delivery.channel}: {delivery.state}"


def site_rows(facts: Facts, snapshot: Snapshot, now: datetime) -> tuple[SiteRow, ...]:
    """Sites by rank over the hours still to come, each with its days."""
    coming = [h for h in snapshot.hours if h.time_utc + facts.step > now]
    keys = {site.name: key for key, site in site_keys(facts.sites).items()}
    rows = []
    live = [w for w in snapshot.windows if w.state in _LIVE and w.end_utc > now]
    for each in compare_sites(facts.sites, coming, facts.plan, windows=live):
        site = next(s for s in facts.sites if s.name == each.site)
        zone = words.zone_of(site)
        days = sorted({h.time_utc.astimezone(zone).date() for h in coming if h.site == each.site})
        best = {h.time_utc.astimezone(zone).date(): h for h in each.best}
        figures = (
            words.chance_words(
                max((h.chance for h in each.best if h.chance is not None), default=None)
            ),
            words.chance_words(each.chance_any),
            words.windows_words(each.window_count, each.window_h, each.longest_window_h),
            str(each.go_hours),
            str(each.caution_hours),
            str(each.unknown_hours),
            _km(each.drift_km),
            _km(each.road_km),
            words.walk_words(each.walk_min) or "–",
            words.crew_words(each.crew_min) or "–",
            check_label(each.in_the_way) if each.in_the_way else "–",
            f"{site.height_m:.0f} m",
        )
        rows.append(
            SiteRow(
                key=keys[each.site],
                name=each.site,
                reason=site_words(each),
                figures=figures,
                bars=tuple(
                    _bar(i, words.day_words(day), best.get(day)) for i, day in enumerate(days)
                ),
                spoken=f"Best hour of each day at {each.site}: "
                + "; ".join(f"{words.day_words(d)} {_short(best.get(d))}" for d in days),
                best=tuple(
                    (
                        words.moment_words(h.time_utc, zone),
                        f"/hour/{keys[each.site]}/{stamp(h.time_utc)}",
                        f"{words.MARKS[h.verdict]} {h.verdict}, score "
                        f"{words.score_words(h.score)}, chance {words.chance_words(h.chance)}",
                    )
                    for h in each.best
                ),
            )
        )
    return tuple(rows)


def _bar(number: int, day: str, hour: Hour | None) -> DayBar:
    height = 0 if hour is None or hour.score is None else round(hour.score)
    kind = "none" if hour is None else "go" if hour.verdict is Verdict.GO else "caution"
    return DayBar(20 + 40 * number, height, kind, day[:3])


def _short(hour: Hour | None) -> str:
    if hour is None:
        return "none better than no-go"
    return f"{hour.verdict}, score {words.score_words(hour.score)}"


def _km(distance_km: float | None) -> str:
    return "–" if distance_km is None else words.km_words(distance_km)
