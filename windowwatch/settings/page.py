"""The table of a settings file about the page: whose word about visitors is believed."""

from pydantic import field_validator

from windowwatch.settings.section import Section
from windowwatch.web.access.proxies import LOOPBACK, network


class PageSection(Section):
    """How the page is reached."""

    trusted_proxies: tuple[str, ...] = LOOPBACK

    @field_validator("trusted_proxies")
    @classmethod
    def _networks(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        for each in value:
            network(each)
        return value
