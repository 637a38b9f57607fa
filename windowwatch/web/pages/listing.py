"""Windows with their history, sites side by side, and notices: rows to page data. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from windowwatch.forecast.cycle import Cycle
from windowwatch.scoring.values import Drive, Hour, Site, Verdict
from windowwatch.storage.deliveries import Delivery, DeliveryState
from windowwatch.storage.saving import Acknowledgement
from windowwatch.web.draw.timeline import History, Told, history
from windowwatch.web.reading import Snapshot
from windowwatch.web.values import Facts, common_zone, site_keys, stamp
from windowwatch.windows.sites import SiteSummary, compare_sites
from windowwatch.windows.standing import Launch, Week, is_live
from windowwatch.windows.standing import week as week_of
from windowwatch.windows.values import Change, ChangeKind, Window, WindowState
from windowwatch.wording import page as words
from windowwatch.wording import standing as told_as
from windowwatch.wording.causes import reason
from windowwatch.wording.notices import Beside, message_on_page
from windowwatch.wording.phrases import check_label, local_to, sentence

#: Changes that are reminded of until somebody says that they know.
_TO_ACKNOWLEDGE = (ChangeKind.DECISION_DUE, ChangeKind.CLOSED)


@dataclass(frozen=True)
class WindowRow:
    """A window as a row: as it stands now, or as it stood after one cycle.

    `planned` is its planned hour in words, `now_best` the hour that does better by now, `end`
    its last release and its end.
    """

    uid: str
    site: str
    state: str
    span: str
    utc: str
    planned: str
    now_best: str
    end: str
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
    beside: str = ""


@dataclass(frozen=True)
class WindowView:
    """A window with its hours, its history and what was told of it."""

    row: WindowRow
    zone: str
    live: bool
    setup: str
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
    """The planned hour of a day, as a bar: `height` in hundredths."""

    x: int
    height: int
    kind: str
    initial: str


#: What is compared, in the order of `SiteRow.figures`.
FIGURES = (
    "chance of the best launch",
    "chance of at least one go hour, if days were independent",
    "windows: how many, together, the longest",
    "go hours in its windows",
    "caution hours in its windows",
    "go or caution, but in no window",
    "hours not known",
    "drift, median of the planned hours",
    "road, median of the planned hours",
    "walk from the road, median of the planned hours",
    "crew at the road, median of the planned hours",
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
    window: Window,
    sites: Mapping[str, Site],
    hours: tuple[HourLink, ...] = (),
    launch: Launch | None = None,
) -> WindowRow:
    """A window in words, with its launch hours where they are to be shown.

    Its figures are those of `launch`, what it offers now, where it can still be used; else as
    the cycle left it.
    """
    zone = words.zone_of(sites.get(window.site))
    hour = window if launch is None or launch.hour is None else launch.hour
    return WindowRow(
        uid=window.uid,
        site=window.site,
        state=str(window.state),
        span=words.release_words(window, zone),
        utc=f"{words.release_words(window, UTC)} UTC",
        planned=(
            told_as.kept_words(window, zone)
            if launch is None
            else told_as.planned_words(launch, zone)
        ),
        now_best="" if launch is None else told_as.now_best_words(launch, zone),
        end=told_as.end_words(window, zone),
        score=words.score_words(window.best_score if launch is None else launch.score),
        chance=words.chance_words(window.chance if launch is None else launch.chance),
        lands=words.lands_words(hour.drift_km, hour.bearing_deg, hour.road_km),
        limited=reason(window.limited_by, local_to(zone)),
        cycle=words.cycle_words(window.cycle_id),
        unread=reason(window.unread, local_to(zone)),
        hours=hours,
    )


def hour_links(facts: Facts, window: Window, week: Week) -> tuple[HourLink, ...]:
    """The launch hours of a window; none for a site that is watched no more."""
    keys = {site.name: (key, site) for key, site in site_keys(facts.sites).items()}
    if window.site not in keys:
        return ()
    key, site = keys[window.site]
    zone = words.zone_of(site)
    launch = week.of_window(window.uid)
    planned = window.best_hour_utc if launch is None else launch.time_utc
    better = None if launch is None or launch.now_best is None else launch.now_best.time_utc
    return tuple(
        HourLink(
            clock=f"{h.time_utc.astimezone(zone):%H:%M}",
            href=f"/hour/{key}/{stamp(h.time_utc)}",
            verdict=str(h.verdict),
            score=words.score_words(h.score),
            shade=0 if h.score is None else int(h.score // 10),
            beside={planned: "planned", better: "now best"}.get(at, ""),
        )
        for at, h in sorted(week.hours.get(site.name, {}).items())
        if window.start_utc <= at < window.end_utc
    )


def window_rows(
    facts: Facts, snapshot: Snapshot, now: datetime
) -> tuple[tuple[WindowRow, ...], tuple[WindowRow, ...]]:
    """Windows that can still be used, by start; and those that are over or closed."""
    sites = {site.name: site for site in facts.sites}
    ordered = sorted(snapshot.windows, key=lambda w: (w.start_utc, w.site))
    week = week_of(snapshot.hours, snapshot.windows, facts.rules, now)
    live = [w for w in ordered if is_live(w, now)]
    over = [w for w in ordered if w not in live]
    return (
        tuple(
            window_row(w, sites, hour_links(facts, w, week), week.of_window(w.uid)) for w in live
        ),
        tuple(window_row(w, sites) for w in over),
    )


def window_view(
    facts: Facts,
    history_: Sequence[Window],
    week: Week,
    told: tuple[NoticeRow, ...],
) -> WindowView:
    """A window by its versions, oldest first (at least one), in the newest pass."""
    sites = {site.name: site for site in facts.sites}
    window, now = history_[-1], week.now_utc
    zone = words.zone_of(sites.get(window.site))
    launch = week.of_window(window.uid)
    inside = hour_links(facts, window, week)
    return WindowView(
        row=window_row(window, sites, inside, launch),
        zone=str(zone),
        live=is_live(window, now),
        setup=(
            ""
            if launch is None
            else sentence(told_as.setup_words(launch, facts.plan.setup_min, now, zone))
        ),
        dues=tuple(words.due_words(d.name, due, now, zone) for d, due in facts.due(window)),
        has_sheet=bool(inside) and window.best_hour_utc in week.hours.get(window.site, {}),
        history=tuple(window_row(w, sites) for w in reversed(history_)),
        chart=history([_told(w) for w in history_ if w.cycle_id]),
        told=told,
    )


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
    """Sites in the order of their best launch, each with the days that have a window."""
    keys = {site.name: key for key, site in site_keys(facts.sites).items()}
    week = week_of(snapshot.hours, snapshot.windows, facts.rules, now)
    sites = {site.name: site for site in facts.sites}
    return tuple(
        _site_row(week, sites[each.site], keys[each.site], each)
        for each in compare_sites(week, facts.sites, facts.plan)
    )


def _site_row(week: Week, site: Site, key: str, summary: SiteSummary) -> SiteRow:
    zone = words.zone_of(site)
    days = sorted({h.time_utc.astimezone(zone).date() for h in week.coming(site.name)})
    best = {h.time_utc.astimezone(zone).date(): h for h in summary.best}
    strongest = week.at_site(site.name)
    figures = (
        words.chance_words(strongest[0].chance if strongest else None),
        words.chance_words(summary.chance_any),
        words.windows_words(summary.window_count, summary.window_h, summary.longest_window_h),
        str(summary.go_hours),
        str(summary.caution_hours),
        str(summary.alone_hours),
        str(summary.unknown_hours),
        _km(summary.drift_km),
        _km(summary.road_km),
        words.walk_words(summary.walk_min) or "–",
        words.crew_words(summary.crew_min) or "–",
        check_label(summary.in_the_way) if summary.in_the_way else "–",
        f"{site.height_m:.0f} m",
    )
    return SiteRow(
        key=key,
        name=site.name,
        reason=told_as.site_words(summary),
        figures=figures,
        bars=tuple(_bar(i, words.day_words(day), best.get(day)) for i, day in enumerate(days)),
        spoken=f"Planned hour of each day at {site.name}: "
        + "; ".join(f"{words.day_words(d)} {_short(best.get(d))}" for d in days),
        best=tuple(
            (
                words.moment_words(head.hour.time_utc, zone),
                f"/hour/{key}/{stamp(head.hour.time_utc)}",
                f"{words.MARKS[head.hour.verdict]} {head.hour.verdict}, score "
                f"{words.score_words(head.hour.score)}, chance "
                f"{words.chance_words(head.hour.chance)}"
                + (f"; {beside}" if (beside := told_as.head_words(head, zone)) else ""),
            )
            for head in summary.heads
        ),
    )


def _bar(number: int, day: str, hour: Hour | None) -> DayBar:
    height = 0 if hour is None or hour.score is None else round(hour.score)
    kind = "none" if hour is None else "go" if hour.verdict is Verdict.GO else "caution"
    return DayBar(20 + 40 * number, height, kind, day[:3])


def _short(hour: Hour | None) -> str:
    if hour is None:
        return "no window"
    return f"{hour.verdict}, score {words.score_words(hour.score)}"


def _km(distance_km: float | None) -> str:
    return "–" if distance_km is None else words.km_words(distance_km)
