"""What `check` looks at: the settings, what fetching would cost, the channels, the providers."""

import os
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich.console import Console

from windowwatch.cli.common import unusual_lift
from windowwatch.cli.early import no_such
from windowwatch.cli.show import folded, plain_table, train_words
from windowwatch.clock import Clock, SystemClock, from_unix_s
from windowwatch.errors import InputError, SettingsError, SourceError, WindowwatchError
from windowwatch.forecast.download.catalogue import Speech
from windowwatch.forecast.download.fetch import RetryPolicy
from windowwatch.forecast.download.ledger import cycles_between, first_due
from windowwatch.forecast.download.wanted import make_plan, needed_steps, route_steps
from windowwatch.forecast.sources import load_cycle, require_covers, scan_folder
from windowwatch.notices.channels import check_channel_url, send
from windowwatch.notices.values import Message
from windowwatch.physics.surface import STOOD_IN_FOR, SURFACE_FIELDS
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.nearby import FAMILIES
from windowwatch.settings.read import Settings
from windowwatch.storage.store import existing_store, missing_file
from windowwatch.watch.polling.network import NetworkPlan, make_fetcher
from windowwatch.watch.probe import Found, Probe
from windowwatch.watch.values import area_of
from windowwatch.wording.gaps import notes_words
from windowwatch.wording.phrases import check_label
from windowwatch.wording.rules import asked_words, listed_class_words, times_words, title_words

if TYPE_CHECKING:
    from windowwatch.watch.polling.nearby import NearPlan

#: From here on the cost of a cycle gets a caution: no standard, but what is felt on a line of
#: 10 Mbit/s (13 minutes) or by whoever gives the data away.
MANY_REQUESTS, MANY_BYTES = 1000, 1_000_000_000


@dataclass(frozen=True)
class PlanLine:
    """A line about a plan; `caution` where it warns of a cost."""

    words: str
    caution: bool = False


def plan_lines(settings: Settings, clock: Clock) -> list[PlanLine]:
    """The plan for the newest cycle that is due, a line for each route, the first one first.

    For each weather model that is fetched, the deciding one first. Empty where forecasts come
    from folders, or no launch hour is to come.
    """
    hours = settings.watch.span.hours(clock.now())
    if not hours:
        return []
    found = [
        line
        if number == 0
        else replace(line, words=f"{source.model}, asked what it thinks: {line.words}")
        for number, source in enumerate(settings.sources())
        if source.network is not None
        for line in _of_model(source.network, hours[0], hours[-1], clock.now())
    ]
    near = settings.near_plan()
    return found if near is None else [*found, *_near_lines(near, settings, clock.now())]


def _near_lines(near: "NearPlan", settings: Settings, now: datetime) -> list[PlanLine]:
    """Lines for a finer model near the ground: what one of its longest cycles can cost at most."""
    model, sites = near.finer.model, settings.watch.sites
    inside = [site.name for site in sites if near.finer.has(site)]
    outside = [site.name for site in sites if site.name not in inside]
    lines = [PlanLine(f"{model.words}: asked for {', '.join(inside) or 'no site'}")]
    if outside:
        words = f"outside its area, by the deciding model: {', '.join(outside)}"
        lines.append(PlanLine(words, caution=not inside))
    if not inside:
        return lines
    cycle = next(
        cycle
        for cycle in cycles_between(model, now - timedelta(days=2), now)
        if cycle.hour in near.finer.long_cycles and first_due(model, cycle) <= now
    )
    (route,) = model.routes
    cost = make_plan(route, cycle, model.steps_h(cycle.hour, near.every_h), (0.0, 0.0, 1.0, 1.0))
    hosts = ", ".join(dict.fromkeys(root.split("/")[2] for root, _ in route.hosts))
    lines.append(
        PlanLine(
            f"by {route.speech}, for any number of sites: {len(cost.steps_h)} steps, at most "
            f"{cost.requests} requests, {cost.size_bytes / 1e6:.0f} MB, about "
            f"{cost.minutes:.1f} min, from {hosts}; fewer steps: near_ground_every_h"
        )
    )
    return [*lines, *(PlanLine(f"not confirmed: {doubt}") for doubt in model.doubts)]


def _of_model(plan: NetworkPlan, first: datetime, last: datetime, now: datetime) -> list[PlanLine]:
    """Lines for one model."""
    model = plan.model
    # two days back there is a cycle of every model that is due
    cycle = next(c for c in cycles_between(model, now - 8 * plan.give_up_after, now)
                 if first_due(model, c) <= now)  # fmt: skip
    with_zero = model.routes[0].speech is Speech.ECMWF_INDEX
    steps = needed_steps(model, cycle, first, last, plan.every_h, with_zero=with_zero)
    south, west, north, east = plan.area
    lines = [
        PlanLine(
            f"{model.words}: cycle {cycle:%Y-%m-%d %HZ}, {len(steps)} steps"
            + (f" (+{steps[0]} to +{steps[-1]} h)" if steps else "")
            + f", latitude {south:.1f} to {north:.1f}, longitude {west:.1f} to {east:.1f}, "
            f"{model.members} member(s), levels up to {model.top_hpa:g} hPa"
        )
    ]
    for number, route in enumerate(model.routes):
        cost = make_plan(route, cycle, route_steps(model, route, steps), plan.area)
        way = f"by {route.speech}, {route.grid_deg:g} degree"
        hosts = ", ".join(dict.fromkeys(root.split("/")[2] for root, _ in route.hosts))
        lines.append(
            PlanLine(
                f"{'otherwise ' if number else ''}{way}: {cost.requests} requests, "
                f"{cost.size_bytes / 1e6:.1f} MB, about {max(cost.minutes, 0.1):.1f} min, "
                f"from {hosts}"
            )
        )
        if cost.requests > MANY_REQUESTS or cost.size_bytes > MANY_BYTES:
            lines.append(
                PlanLine(
                    f"caution: {'this other way' if number else 'this'} is much for one cycle, "
                    f"{cost.requests} requests and {cost.size_bytes / 1e9:.1f} GB"
                    + (", and is taken by itself when the way before it fails" if number else "")
                    + "; on a slow or metered line watch fewer days, or give a greater step "
                    "between the forecast hours (step_every_h), fewer steps far out "
                    "(range_far_after_h) or fewer levels (range_levels_hpa)",
                    caution=True,
                )
            )
    lines += [PlanLine(f"not confirmed: {doubt}") for doubt in model.doubts]
    return [*lines, PlanLine(f"licence: {model.licence}. {model.credit(cycle)}")]


@dataclass(frozen=True)
class Finding:
    """One thing that `check` looked at; a caution is to be thought over, and ends nothing."""

    what: str
    words: str
    wrong: bool = False
    caution: bool = False

    def line(self) -> str:
        """As shown: the word at the head says whether it is to be fixed."""
        head = "FIX" if self.wrong else "CARE" if self.caution else "ok"
        return f"{head:<4}  {self.what}: {self.words}"


def check(settings: Settings, clock: Clock) -> list[Finding]:
    """Look at everything the daemon will need, and go on after each fault."""
    watch = settings.watch
    findings = [
        Finding("settings", f"{settings.path} is well formed; {len(watch.sites)} site(s)"),
        *(Finding("map", words) for words in watch.ground.sources),
    ]
    ground = watch.ground
    if ground.rasters is None and (ground.areas is None or ground.roads is None):
        findings.append(_check_map(settings))
    findings += _check_airspace(settings, clock.now())
    findings += _check_train(settings)
    findings += _check_rules(settings)
    findings += _check_texts(settings)
    hours = watch.span.hours(clock.now())
    if hours:
        findings.append(Finding("span", f"{len(hours)} launch hours are to come at each site"))
    else:
        findings.append(
            Finding("span", "the watched days are over; give later ones in [watch]", True)
        )
    findings += _check_forecast(settings)
    findings += _check_database(settings)
    findings += _check_channels(settings)
    return findings


def what_is_read(settings: Settings) -> Finding:
    """Which files and variables `check` reads, and that it does nothing else."""
    ground, rules = settings.file.ground, settings.file.rules.set
    maps = [ground.areas, ground.roads, ground.airspace, ground.permitted, ground.file, rules]
    files = [str(settings.path), *(name for name in maps if name)]
    folders = [str(source.folder) for source in settings.sources() if source.folder is not None]
    said = [f"files {', '.join(files)}"]
    if folders:
        said.append(f"the newest cycle in {', '.join(folders)}")
    said.append("the database, if it is there")
    variables = [channel.url_env for channel in settings.file.channels]
    if variables:
        said.append(f"the variables {', '.join(dict.fromkeys(variables))}")
    words = f"{'; '.join(said)}. Nothing is sent, fetched or written"
    return Finding("reads", words)


def _check_airspace(settings: Settings, now_utc: datetime) -> Iterator[Finding]:
    """When airspace is closed that is so at times only; one whose times are over is told."""
    airspace = settings.watch.ground.airspace
    timed = [each for each in airspace.volumes if each.at_times] if airspace else []
    for volume in timed:
        words = times_words(volume, now_utc)
        if volume.is_over(now_utc.timestamp()):
            words += ". All of it is over, so nothing is held against it any more: is it so?"
            yield Finding("airspace", words, caution=True)
        else:
            yield Finding("airspace", words)
    if any(volume.weekly for volume in timed):
        yield Finding("airspace", "public holidays are not known: times of the week hold on them")


def _check_map(settings: Settings) -> Finding:
    """What there is to say where the map is not whole: whether checks want it."""
    ground, asked = settings.watch.ground, settings.watch.plan.limits
    wanted = {"no_landing": ground.areas, "road": ground.roads}
    silent = [name for name, there in wanted.items() if there is None and name in asked]
    if silent:
        words = "neither areas and roads nor a ground file are given; checks on them stay unknown"
        return Finding("map", words, True)
    words = (
        "none is given, and the checks that ask one are off: nobody looks whether flights come "
        "down on towns, forbidden ground or far from a road"
    )
    return Finding("map", words, caution=True)


def _check_train(settings: Settings) -> list[Finding]:
    """What the train comes to at the first site: a wrong digit shows in it."""
    try:
        words, cautions = train_words(settings.watch.train, settings.watch.sites[0])
    except WindowwatchError as error:
        return [Finding("train", error.message, True)]
    train = settings.watch.train
    odd = unusual_lift(train.nozzle_lift_kg, train.payload_mass_kg, train.balloon_mass_kg)
    cautions = (*cautions, odd) if odd else cautions
    careful = [Finding("train", f"caution: {each}", caution=True) for each in cautions]
    return [Finding("train", words, caution=bool(careful)), *careful]


def _check_rules(settings: Settings) -> list[Finding]:
    """The rule set in words; a class that cannot be said is to be fixed."""
    applied = settings.watch.plan.applied
    if applied is None:
        words = "no rule set is named ([rules] set); local authority and its permission decide"
        return [Finding("rules", words)]
    unsaid = applied.found.name is None and bool(applied.found.open_questions)
    return [
        Finding("rules", title_words(applied.rules)),
        Finding("rules", listed_class_words(applied), unsaid),
        *(Finding("rules", words) for words in asked_words(applied)),
    ]


def _check_texts(settings: Settings) -> list[Finding]:
    """Texts to send about a planned launch, where the settings name their folder."""
    try:
        texts = settings.texts()
    except WindowwatchError as error:
        return [Finding("texts", error.message, True)]
    return [Finding("texts", ", ".join(each.name for each in texts))] if texts else []


def _check_forecast(settings: Settings) -> list[Finding]:
    first, *others = settings.sources()
    findings = [
        Finding("forecast", line.words, caution=line.caution)
        for line in plan_lines(settings, SystemClock())
    ]
    if first.network is not None:
        model = first.network.model
        findings += _check_fields(settings, model.name, model.near)
    if first.folder is not None:
        findings = [*_check_folder(settings), *findings]
    for other in others:
        if other.folder is not None:
            findings.append(_check_other_folder(other.model, other.folder))
    return findings


def _check_other_folder(model: str, folder: Path) -> Finding:
    """What there is of a model that does not decide."""
    try:
        look = scan_folder(folder, model=model)
    except WindowwatchError as error:
        return Finding("forecast", f"{model}, asked what it thinks: {error.message}", True)
    held = f"newest {look.cycles[-1].cycle.id}" if look.cycles else "none yet"
    words = f"{model}, asked what it thinks: {len(look.cycles)} cycle(s), {held}"
    return Finding("forecast", words, not look.cycles)


def _check_folder(settings: Settings) -> list[Finding]:
    try:
        look = scan_folder(settings.forecast_folder, model=settings.watch.model)
    except WindowwatchError as error:
        return [Finding("forecast", error.message, True)]
    findings = [Finding("forecast", f"set aside: {each.reason}", True) for each in look.set_aside]
    if not look.cycles:
        words = f"{settings.forecast_folder.resolve()} holds no cycle yet"
        return [*findings, Finding("forecast", words, True)]
    newest = look.cycles[-1]
    try:
        data = load_cycle(newest, area=area_of(settings.watch.sites))
        require_covers(data, settings.watch.sites)
    except WindowwatchError as error:
        return [*findings, Finding("forecast", error.message, True)]
    last = from_unix_s(float(data.wind.time_unix_s[-1]))
    words = (
        f"{len(look.cycles)} cycle(s), the newest {newest.cycle.id} reaches to "
        f"{last:%Y-%m-%d %H:%M} UTC and {data.wind.top_height_m / 1000:.1f} km, "
        f"{len(data.wind.member_labels)} member(s)"
    )
    notes = [Finding("forecast", words) for words in notes_words((*data.gaps, *data.remarks))]
    carried = set(data.surface.fields)
    unasked = _check_fields(settings, settings.watch.model, carried)
    return [*findings, Finding("forecast", words), *notes, *unasked]


def _check_fields(settings: Settings, model: str, carried: Collection[str]) -> list[Finding]:
    """Checks that are asked and that the deciding model never carries the fields of."""
    plan = settings.watch.plan
    silent = [name for name in unanswerable(carried) if name in plan.limits]
    if "gust" in silent and plan.gust_factor is not None:
        silent.remove("gust")  # made of the mean wind
    near = settings.near_plan()
    finer: set[str] = set()
    if near is not None and all(near.finer.has(site) for site in settings.watch.sites):
        finer = set(near.finer.model.near)
    left = set(plan.limits) if not finer else {*unanswerable(finer), *_NEVER_FINER}
    findings = []
    for name in silent:
        needs = f"{check_label(name)}: {model} carries {_too_little(name)}"
        if name in left:
            words = f"{needs}, so every hour is unknown; write ask = false in [limits.{name}]"
        else:
            words = (
                f"{needs}; hours that the finer model near the ground does not answer are "
                f"unknown; write ask = false in [limits.{name}] to be told of these, too"
            )
        if plan.judge_with_gaps and not plan.limits[name].hard:
            words = f"{needs}, so no window can open; write ask = false in [limits.{name}]"
        findings.append(Finding("checks", words, caution=True))
    return findings


def _check_database(settings: Settings) -> list[Finding]:
    """Look at the database without making one."""
    try:
        url = settings.database_url()
        missing = missing_file(url)
        if missing is not None:
            return [_check_place(missing)]
        with existing_store(url) as store:
            newest = store.latest_cycle(settings.watch.name)
            held = "no pass yet" if newest is None else f"the newest pass is of {newest.id}"
            return [Finding("database", f"{store.place}: {held}")]
    except WindowwatchError as error:
        return [Finding("database", error.message, True)]


def _check_place(file: Path) -> Finding:
    """Whether a database that is not there yet can be made where it is wanted."""
    folder = file.resolve().parent
    while not folder.exists():
        folder = folder.parent
    if folder.is_dir() and os.access(folder, os.W_OK | os.X_OK):
        return Finding("database", f"{file} is not there yet: the first pass makes it")
    words = f"{file} cannot be made: {folder} is not a folder this user may write into"
    return Finding("database", words, True)


def _check_channels(settings: Settings) -> list[Finding]:
    try:
        channels = settings.channels()
    except WindowwatchError as error:
        return [Finding("channels", error.message, True)]
    if not channels:
        return [Finding("channels", "none is given: nobody will be told anything", True)]
    findings = []
    for channel in channels:
        try:
            check_channel_url(channel)
            findings.append(Finding("channels", f"{channel.name}: its address can be used"))
        except WindowwatchError as error:
            findings.append(Finding("channels", error.message, True))
    if len(channels) == 1:
        words = "only one is given; when its service is down, nobody is told anything"
        findings.append(Finding("channels", words, caution=True))
    if settings.file.service.heartbeat_url() is None:
        words = (
            "no heartbeat address ([service] heartbeat_url_env): a machine that has died can "
            "alert nobody"
        )
        findings.append(Finding("heartbeat", words, caution=True))
    return findings


def try_channels(settings: Settings, name: str | None, now_utc: datetime) -> None:
    """Send one test notice to each channel, and say how each went."""
    channels = [c for c in settings.channels() if name in (None, c.name)]
    if not channels:
        names = [c.name for c in settings.channels()]
        if names and name is not None:
            raise no_such("channel", name, names)
        known = ", ".join(names) or "none"
        raise SettingsError(f"{settings.path}: no channel to try (the file has: {known})")
    text = Message(
        title=f"TEST windowwatch, watch {settings.watch.name}",
        body=f"This is a test of this channel, sent {now_utc:%a %d %b %H:%M} UTC. "
        "Nothing has opened or closed.",
        key="test",
    )
    failed = 0
    for channel in channels:
        try:
            odd = send(channel, text, settings.file.notices.timeouts())
            click.echo(f"{channel.name}: handed over; see that it arrived")
            if odd:
                failed += 1
                click.echo(
                    f"{channel.name}: the service answered with a page for people, perhaps one "
                    "to log in or of an error; nothing may arrive by this address: check it",
                    err=True,
                )
        except WindowwatchError as error:
            failed += 1
            click.echo(error.message, err=True)
    if failed:
        raise InputError(f"{failed} of {len(channels)} channel(s) did not take the test notice")


#: Checks that no finer model near the ground answers.
_NEVER_FINER = frozenset(LIMITS) - {name for family in FAMILIES for name in family}


def unanswerable(carried: Collection[str]) -> list[str]:
    """Checks that forecasts with these surface fields alone never answer, by the table of checks.

    The mask of the land is no such field: a map does as well.
    """
    return [name for name, kind in LIMITS.items() if not kind.is_answerable(carried)]


def _too_little(name: str) -> str:
    return "no field of it" if LIMITS[name].needs_groups == 1 else "too few of its fields"


def live_words(settings: Settings, clock: Clock, record: Path | None = None) -> None:
    """Ask the providers, and print what they said.

    Raises
    ------
    SourceError
        If there is a weather model that no way leads to.
    """
    sources = [source for source in settings.sources() if source.network is not None]
    plans = [source.network for source in sources if source.network is not None]
    now = clock.now()
    hours = settings.watch.span.hours(now)
    if not plans:
        click.echo(f"nothing is fetched: {settings.forecast_place}")
        return
    if not hours:
        click.echo("the watched days are over: give later ones in [watch]")
        return
    retry_policy = replace(sources[0].retry_policy or RetryPolicy(), tries=1)
    fetcher = make_fetcher(retry_policy, clock, record=record)
    try:
        site = settings.watch.sites[0]
        found = Probe(fetcher, now, hours, site).ask(plans)
    finally:
        fetcher.close()
    _print(found, settings, now)
    said = f"{fetcher.requests} requests, {fetcher.received_bytes / 1e6:.2f} MB"
    click.echo(said if record is None else f"{said}; written down in {record}")
    names = dict.fromkeys(each.model for each in found)
    silent = [n for n in names if all(each.problem for each in found if each.model == n)]
    if silent:
        raise SourceError(f"no way leads to {', '.join(silent)} at present")


def _print(found: Sequence[Found], settings: Settings, now: datetime) -> None:
    """A table of all hosts, and below it what is to be said of each."""
    table = plain_table("")
    for head in ("", "model, way", "host", "answers", "newest cycle, age"):
        table.add_column(head, overflow="fold")
    for number, each in enumerate(found, 1):
        newest = ""
        if each.cycle_utc is not None:
            hours = (now - each.cycle_utc).total_seconds() / 3600.0
            newest = f"{each.cycle_utc:%d %b %HZ} (+{each.step_h} h), {hours:.1f} h"
        answers = "no" if each.problem else "yes"
        table.add_row(str(number), f"{each.model}, {each.way}", each.host, answers, newest)
    Console().print(table)
    asked = settings.watch.plan.limits
    for number, each in enumerate(found, 1):
        for line in _lines(each, asked):
            click.echo(folded(f"{number}  {line}", 5))


def _lines(each: Found, asked: Collection[str]) -> list[str]:
    """What is to be said of one host."""
    lines = [f"gives nothing: {each.problem}"] if each.problem else []
    if each.there:
        lines.append(f"there: {each.there}")
    if each.missing:
        lines.append(f"missing: {'; '.join(each.missing)}")
    if each.grounded:
        lines.append("lost: every file of this way is refused while that is missing aloft")
    there = frozenset(SURFACE_FIELDS) - each.fields_missing
    # of what another stands in for, a field that is lost is missing all the same
    half = [name for name in ("precipitation", "gust") if any(
        field in each.fields_missing & STOOD_IN_FOR for group in LIMITS[name].needs
        for field in group)]  # fmt: skip
    silent = dict.fromkeys([*unanswerable(there), *half])
    lost = [check_label(name) for name in silent if name in asked]
    if lost:
        lines.append(f"lost by these settings: the checks {', '.join(lost)} get no field of theirs")
    lines += each.notes
    if each.value:
        lines.append(f"value: {each.value}")
    return lines
