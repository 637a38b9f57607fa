"""The tables of a settings file about people, daemon and page: channels, decisions, service."""

import os
import re
from collections.abc import Sequence
from datetime import time, timedelta
from typing import Annotated

from pydantic import Field, field_validator, model_validator

from windowwatch.child import ChildLimits
from windowwatch.notices.values import AT_ONCE, Channel, Timeouts
from windowwatch.settings.section import Section, known_zone, named, variable
from windowwatch.web.access.proxies import LOOPBACK, network
from windowwatch.web.values import Bounds
from windowwatch.windows.decisions import MOST_REMINDERS, Decision
from windowwatch.windows.values import ChangeKind


class ChannelSection(Section):
    """A way to tell somebody. The address is a secret and stands in the environment."""

    name: str
    url_env: str
    kinds: tuple[ChangeKind, ...] = tuple(ChangeKind)
    sites: Annotated[tuple[str, ...], Field(min_length=1)] | None = None
    from_chance: Annotated[float, Field(ge=0.0, le=1.0)] = 0.0
    within_h: Annotated[float, Field(gt=0.0, le=400.0)] | None = None
    time_zone: str = "UTC"
    quiet_from: time | None = None
    quiet_until: time | None = None
    digest_at: Annotated[tuple[time, ...], Field(max_length=4)] = ()
    at_once: tuple[ChangeKind, ...] = tuple(sorted(AT_ONCE))
    fallback: str | None = None
    fallback_after_min: Annotated[float, Field(ge=0.0, le=1440.0)] = 15
    long: bool = False
    picture: bool = False

    _checked = field_validator("name")(named)
    _variable = field_validator("url_env")(variable)
    _zone = field_validator("time_zone")(known_zone)

    @model_validator(mode="after")
    def _quiet_hours(self) -> "ChannelSection":
        if (self.quiet_from is None) != (self.quiet_until is None):
            raise ValueError("give both quiet_from and quiet_until, or neither")
        if self.quiet_from is not None and self.quiet_from == self.quiet_until:
            raise ValueError("quiet_from and quiet_until are the same time; give two times")
        waits = self.quiet_from is not None or self.digest_at
        if waits and "time_zone" not in self.model_fields_set:
            raise ValueError("quiet hours and digests need a time_zone to be read in")
        return self

    def address(self) -> str | None:
        """The address from the environment, None when it is not set."""
        return os.environ.get(self.url_env) or None

    def channel(self) -> Channel:
        """Value of another floor; its address must be set."""
        quiet = None
        if self.quiet_from is not None and self.quiet_until is not None:
            quiet = (self.quiet_from, self.quiet_until)
        return Channel(
            self.name,
            self.address() or "",
            frozenset(self.kinds),
            sites=None if self.sites is None else frozenset(self.sites),
            from_chance=self.from_chance,
            within=None if self.within_h is None else timedelta(hours=self.within_h),
            time_zone=self.time_zone,
            quiet=quiet,
            digest_at=self.digest_at,
            at_once=frozenset(self.at_once),
            fallback=self.fallback,
            fallback_after=timedelta(minutes=self.fallback_after_min),
            long=self.long,
            picture=self.picture,
        )


class DecisionSection(Section):
    """Something to be decided a set time before a window."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    before_h: Annotated[float, Field(ge=0.0, le=384.0)]
    warn_h: Annotated[float, Field(ge=0.0, le=96.0)] = 3
    sites: Annotated[tuple[str, ...], Field(min_length=1)] | None = None
    remind_min: Annotated[float, Field(ge=1.0, le=1440.0)] = 60
    reminders: Annotated[int, Field(ge=0, le=MOST_REMINDERS)] = 2
    escalate_to: tuple[str, ...] = ()

    def decision(self) -> Decision:
        """Value of another floor."""
        return Decision(
            self.name,
            timedelta(hours=self.before_h),
            timedelta(hours=self.warn_h),
            None if self.sites is None else frozenset(self.sites),
            timedelta(minutes=self.remind_min),
            self.reminders,
            self.escalate_to,
        )


class NoticesSection(Section):
    """What all notices have in common."""

    page_url: str | None = None
    connect_s: Annotated[float, Field(ge=1.0, le=120.0)] = 10
    read_s: Annotated[float, Field(ge=60.0, le=600.0)] = 60
    hold_advice_h: Annotated[float, Field(ge=0.0, le=24.0)] = 3

    @field_validator("page_url")
    @classmethod
    def _address(cls, value: str | None) -> str | None:
        if value is None:
            return None
        scheme, _, rest = value.partition("://")
        if scheme not in ("http", "https") or not rest or set(rest) & set(" ?#"):
            raise ValueError("give the address of the page, for example https://watch.example")
        return value.rstrip("/")

    def timeouts(self) -> Timeouts:
        """How long services are waited for."""
        return Timeouts(self.connect_s, self.read_s)

    def hold_advice_before(self) -> timedelta | None:
        """How long before a window's first release hold advice is told; None for never."""
        return timedelta(hours=self.hold_advice_h) if self.hold_advice_h else None


class ContactSection(Section):
    """Whom to call on launch day; shown on the launch-day sheet, and never by a shared link."""

    name: Annotated[str, Field(min_length=1, max_length=60)]
    role: Annotated[str, Field(max_length=60)] = ""
    phone: Annotated[str, Field(min_length=3, max_length=40)]
    sites: Annotated[tuple[str, ...], Field(min_length=1)] | None = None

    @field_validator("name", "role")
    @classmethod
    def _printable(cls, value: str) -> str:
        if not value.isprintable():
            raise ValueError("holds a character that cannot be printed")
        return value

    @field_validator("phone")
    @classmethod
    def _a_number(cls, value: str) -> str:
        if not re.fullmatch(r"\+?[0-9][0-9 ()/.-]*( ?x ?[0-9]+)?", value):
            raise ValueError("is no phone number; write it as +1 555 0100")
        return value


class ServiceSection(Section):
    """How the daemon runs a pass, and who is told that it lives."""

    pass_time_limit_min: Annotated[float, Field(gt=0.0, le=360.0)] = 20
    pass_memory_mb: Annotated[int, Field(ge=512, le=1_000_000)] = 4096
    pass_tries: Annotated[int, Field(ge=1, le=20)] = 3
    heartbeat_url_env: str | None = None

    @field_validator("heartbeat_url_env")
    @classmethod
    def _variable(cls, value: str | None) -> str | None:
        return None if value is None else variable(value)

    def limits(self) -> ChildLimits:
        """What a process that flies may use."""
        return ChildLimits(timedelta(minutes=self.pass_time_limit_min), self.pass_memory_mb)

    def heartbeat_url(self) -> str | None:
        """The address from the environment, None when none is wanted or it is not set."""
        return os.environ.get(self.heartbeat_url_env or "") or None


def names_fit(
    channels: Sequence[ChannelSection],
    decisions: Sequence[DecisionSection],
    sites: set[str],
    contacts: Sequence[ContactSection] = (),
) -> None:
    """Refuse names of sites and channels that the file does not have, and circles of fallbacks."""
    names = {channel.name for channel in channels}
    owners: list[ChannelSection | DecisionSection | ContactSection]
    owners = [*channels, *decisions, *contacts]
    for owner in owners:
        for site in owner.sites or ():
            if site not in sites:
                raise ValueError(f"{owner.name!r} names the site {site!r}, which is not here")
    for decision in decisions:
        for name in decision.escalate_to:
            if name not in names:
                raise ValueError(f"{decision.name!r} names the channel {name!r}: it is not here")
    nexts = {channel.name: channel.fallback for channel in channels}
    for name, other in nexts.items():
        if other is not None and other not in names:
            raise ValueError(f"{name!r} falls back to {other!r}, which is no channel here")
        seen, at = {name}, other
        while at is not None:
            if at in seen:
                raise ValueError(f"{name!r} falls back in a circle; let one end nowhere")
            seen.add(at)
            at = nexts.get(at)


class PageSection(Section):
    """How the page is reached."""

    trusted_proxies: tuple[str, ...] = LOOPBACK

    @field_validator("trusted_proxies")
    @classmethod
    def _networks(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        for each in value:
            network(each)
        return value


class HealthSection(Section):
    """From when on something is said to be wrong: at /health, with status 503."""

    channel_failing_min: Annotated[float, Field(ge=1.0, le=1440.0)] = 30
    no_look_min: Annotated[float, Field(ge=1.0, le=2880.0)] | None = None
    disk_free_mb: Annotated[float, Field(ge=0.0, le=1e7)] = 500

    def bounds(self, look_every_s: float, pass_time_limit_min: float) -> Bounds:
        """Values of another floor; a look may take as long as its pause and a pass together."""
        least_min = look_every_s / 60.0 + pass_time_limit_min
        no_look_min = least_min + 30.0 if self.no_look_min is None else self.no_look_min
        if no_look_min < least_min:
            raise ValueError(
                f"[health] no_look_min = {no_look_min:g} is shorter than a look with a pass may "
                f"take; give at least {least_min:g} (look_every_s and pass_time_limit_min "
                "together), or leave it out"
            )
        return Bounds(
            timedelta(minutes=self.channel_failing_min),
            timedelta(minutes=no_look_min),
            int(self.disk_free_mb * 1e6),
        )
