"""Surveys of years as pages, and as one file: which month, which site, how long to stand by."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

import numpy as np
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from windowwatch.drawing.hour_map import TALL, WIDE
from windowwatch.drawing.place_map import landing_map, rose_svg
from windowwatch.drawing.svg import hatches_svg
from windowwatch.ground.query.features import Ground
from windowwatch.scoring.values import Site
from windowwatch.scouting.years import SiteAnswers, Surveyed
from windowwatch.web.pages.render import Pages
from windowwatch.web.reading import Reader
from windowwatch.web.values import Facts, site_keys
from windowwatch.wording import survey as words
from windowwatch.wording.survey import Table

if TYPE_CHECKING:
    from windowwatch.web.pages.routes import Page


@dataclass(frozen=True)
class SiteYears:
    """What a survey says of one site, in words and drawings.

    `roses` are drawings by month with what stands below each; `maps` the same landings in the
    shapes that are asked, and `map_words` how they are read, or why there are none.
    """

    name: str
    zone: str
    headline: str
    spell: str
    tables: tuple[Table, ...]
    roses: tuple[tuple[str, str], ...]
    maps: tuple[str, ...]
    map_words: str


@dataclass(frozen=True)
class SurveyView:
    """A survey in words: `sites` are name, address and answer of each; `others` older surveys."""

    head: str
    made: str
    sites: tuple[tuple[str, str, str], ...]
    tables: tuple[Table, ...]
    basis: tuple[str, ...]
    others: tuple[tuple[str, str], ...] = ()
    cautions: tuple[str, ...] = words.CAUTIONS


def survey_view(
    survey: Surveyed, others: Sequence[tuple[str, str]] = (), of: str = ""
) -> SurveyView:
    """What is said of all sites; `of` is put behind the addresses of their pages."""
    keys = {site.name: key for key, site in site_keys(survey.sites).items()}
    return SurveyView(
        head=words.head_words(survey),
        made=f"{survey.made_utc:%Y-%m-%d %H:%M} UTC",
        sites=tuple(
            (each.site, f"/survey/{keys[each.site]}{of}", words.site_headline(each))
            for each in survey.answers
        ),
        tables=words.all_sites(survey),
        basis=words.basis_words(survey),
        others=tuple(others),
    )


def site_years(each: SiteAnswers, site: Site, ground: Ground) -> SiteYears:
    """All that is said and drawn of one site."""
    maps, said = _maps(each, site, ground)
    return SiteYears(
        name=each.site,
        zone=site.time_zone,
        headline=words.site_headline(each),
        spell=words.spell_words(each),
        tables=words.one_site(each),
        roses=_roses(each),
        maps=maps,
        map_words=said,
    )


def _roses(each: SiteAnswers) -> tuple[tuple[str, str], ...]:
    """A rose for each month, all to one scale."""
    every, good = each.rose.sum(axis=2), each.rose_good.sum(axis=2)
    total = np.maximum(every.sum(axis=1, keepdims=True), 1)
    most = float((every / total).max())
    drawn = []
    for month, name in enumerate(words.MONTHS):
        said = words.rose_words(each, month)
        svg = ""
        if every[month].any():
            shares = every[month] / total[month], good[month] / total[month]
            svg = rose_svg(*shares, most, f"Rose: {said}")
        drawn.append((svg, f"{name}: {said}"))
    return tuple(drawn)


def _maps(each: SiteAnswers, site: Site, ground: Ground) -> tuple[tuple[str, ...], str]:
    drawn = [
        landing_map(
            each.landings_good,
            site,
            ground,
            shape=shape,
            ident=f"land-{site_keys([site]).popitem()[0]}-{shape.name}",
            spoken=f"Map: where flights of good hours from {site.name} land",
        )
        for shape in (TALL, WIDE)
    ]
    svgs = tuple(each.svg for each in drawn if each is not None)
    last = drawn[-1]
    if last is None:
        return (), "No hour is good, so no landing is shown."
    flights = int(each.landings_good.count.sum())
    return svgs, words.landing_words(last.square_km, last.most, last.beyond, flights)


class SurveyRoutes:
    """Shows the surveys of a watch."""

    def __init__(self, reader: Reader, facts: Facts, page: "Page") -> None:
        self._reader, self._facts, self._page = reader, facts, page
        self.routes = [
            Route("/survey", self.survey),
            Route("/survey/{site}", self.site),
        ]

    def survey(self, request: Request) -> Response:
        """A survey, the newest where none is named; or how one is made."""
        found, of = self._found(request)
        view = None
        if found is not None:
            others = [
                (f"/survey?of={mark}", f"{made_utc:%Y-%m-%d %H:%M} UTC")
                for mark, _, made_utc in self._reader.surveys()
                if mark != found.mark
            ]
            view = survey_view(found, others, of)
        return self._page(request, "survey.html", self._reader.newest(), view=view)

    def site(self, request: Request) -> Response:
        """One site of a survey."""
        found, of = self._found(request)
        site = None
        if found is not None:
            site = site_keys(found.sites).get(request.path_params["site"])
        if found is None or site is None:
            raise HTTPException(404)
        answers = found.answers[found.sites.index(site)]
        return self._page(
            request,
            "surveysite.html",
            self._reader.newest(),
            view=site_years(answers, site, self._facts.ground),
            whole=survey_view(found, (), of),
            back=f"/survey{of}",
        )

    def _found(self, request: Request) -> tuple[Surveyed | None, str]:
        """The survey that is asked for, and what names it in addresses."""
        mark = request.query_params.get("of")
        found = self._reader.survey(mark)
        if mark is None:
            return found, ""
        if found is None:
            raise HTTPException(404)
        return found, f"?of={mark}"


def survey_file(survey: Surveyed, ground: Ground, note: str) -> str:
    """A survey as one HTML file to print or to send: no script, nothing to load."""
    sites = [
        site_years(each, site, ground)
        for each, site in zip(survey.answers, survey.sites, strict=True)
    ]
    return Pages().render(
        "surveyfile.html",
        watch=survey.watch,
        note=note,
        view=survey_view(survey),
        sites=sites,
        sources=tuple(f"Map: {line}" for line in ground.sources),
        hatch=hatches_svg(),
        style=_style(),
    )


@cache
def _style() -> str:
    """The style of pages and of maps, in light and dark."""
    web, maps = files("windowwatch.web") / "static", files("windowwatch.drawing") / "static"
    light, dark = (
        "\n".join(each.read_text(encoding="utf-8") for each in sheets)
        for sheets in (
            (web / "style.css", maps / "map.css"),
            (web / "dark.css", maps / "map-dark.css"),
        )
    )
    return f"{light}\n@media screen and (prefers-color-scheme: dark) {{\n{dark}\n}}"
