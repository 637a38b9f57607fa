"""The tables of a settings file about the page, and about when it says that not all is well."""

from datetime import timedelta
from typing import Annotated

from pydantic import Field, field_validator

from windowwatch.settings.section import Section
from windowwatch.web.access.proxies import LOOPBACK, network
from windowwatch.web.values import Bounds


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
