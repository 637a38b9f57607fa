"""What `check` looks at before the daemon starts, and a try of the channels."""

import os
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import click

from windowwatch.cli.fetching import plan_lines
from windowwatch.cli.fill import train_words
from windowwatch.clock import Clock, SystemClock, from_unix_s
from windowwatch.errors import InputError, SettingsError, WindowwatchError
from windowwatch.forecast.sources import load_cycle, require_covers, scan_folder
from windowwatch.notices.channels import check_channel_url, send
from windowwatch.notices.values import Message
from windowwatch.settings.read import Settings
from windowwatch.storage.store import existing_store, missing_file
from windowwatch.watch.values import area_of
from windowwatch.wording.rules import asked_words, listed_class_words, title_words


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
        words = "neither areas and roads nor a ground file are given; checks on them stay unknown"
        findings.append(Finding("map", words, True))
    findings += _check_train(settings)
    findings += _check_rules(settings)
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


def _check_train(settings: Settings) -> list[Finding]:
    """What the train comes to at the first site: a wrong digit shows in it."""
    try:
        words, cautions = train_words(settings.watch.train, settings.watch.sites[0])
    except WindowwatchError as error:
        return [Finding("train", error.message, True)]
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


def _check_forecast(settings: Settings) -> list[Finding]:
    first, *others = settings.sources()
    findings = [
        Finding("forecast", line.words, caution=line.caution)
        for line in plan_lines(settings, SystemClock())
    ]
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
    notes = [Finding("forecast", words) for words in (*data.gaps, *data.remarks)]
    return [*findings, Finding("forecast", words), *notes]


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
        known = ", ".join(c.name for c in settings.channels()) or "none"
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
            odd = send(channel, text, settings.file.notices.patience())
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
