"""The tables [forecast] and [[opinions]]: where forecasts come from, how they are fetched."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from pydantic import Field, field_validator, model_validator

from windowwatch.forecast.download.catalogue import MODELS, Model, Route, Speech, family
from windowwatch.forecast.download.ledger import Keep
from windowwatch.settings.routes import RoutesSection
from windowwatch.settings.section import Section, named
from windowwatch.watch.values import Watch, area_of

# What fetches takes long to load, and most commands fetch nothing.
if TYPE_CHECKING:
    from windowwatch.forecast.download.fetch import Manners
    from windowwatch.watch.polling.network import NetworkPlan

#: Forecasts that somebody else puts into a folder.
FOLDER = "folder"


class SourceSection(Section):
    """Where forecasts of one weather model come from."""

    source: str = FOLDER
    range_urls: tuple[str, ...] = ()
    filter_script_urls: tuple[str, ...] = ()
    filter_file_urls: tuple[str, ...] = ()
    use_filter: bool = True
    levels_hpa: tuple[float, ...] = ()
    step_every_h: Annotated[int, Field(ge=1, le=12)] = 3
    routes: RoutesSection = RoutesSection()
    range_levels_hpa: tuple[float, ...] = ()
    range_far_after_h: Annotated[int, Field(ge=0, le=384)] | None = None
    range_far_every_h: Annotated[int, Field(ge=3, le=12)] = 6

    @field_validator("source")
    @classmethod
    def _known(cls, value: str) -> str:
        if value != FOLDER and value not in MODELS:
            raise ValueError(f"give {FOLDER!r} or one of {', '.join(MODELS)}")
        return value

    @model_validator(mode="after")
    def _levels_are_there(self) -> "SourceSection":
        if not self.fetches:
            return self
        offered = {p for r in MODELS[self.source].routes for x in r.products for p in x.offered_hpa}
        if self.levels_hpa:
            _require_levels("levels_hpa", self.levels_hpa, offered)
        if self.range_levels_hpa:
            asked = offered & set(self.levels_hpa) if self.levels_hpa else offered
            _require_levels("range_levels_hpa", self.range_levels_hpa, asked)
        return self

    @field_validator("range_urls", "filter_script_urls", "filter_file_urls")
    @classmethod
    def _addresses(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        for url in value:
            if not url.startswith(("https://", "http://")):
                raise ValueError(f"{url!r} is no address; it begins with https:// or http://")
        return tuple(url.rstrip("/") for url in value)

    @model_validator(mode="after")
    def _in_pairs(self) -> "SourceSection":
        if len(self.filter_script_urls) != len(self.filter_file_urls):
            raise ValueError(
                "give filter_file_urls as many entries as filter_script_urls: of each host the "
                "root of its files, whose indexes tell what is ready"
            )
        return self

    @model_validator(mode="after")
    def _renamed_files_are_there(self) -> "SourceSection":
        if self.routes != RoutesSection():
            if not self.fetches:
                raise ValueError(f"give routes only where source is not {FOLDER!r}")
            self.routes.require_fit(MODELS[self.source])
        return self

    @property
    def fetches(self) -> bool:
        """Whether forecasts are fetched, rather than found in a folder."""
        return self.source != FOLDER

    def model_of_table(self) -> Model:
        """The model of the table, its hosts as set here."""
        model = self.routes.applied(MODELS[self.source])
        routes = tuple(
            self._route(route)
            for route in model.routes
            if self.use_filter or route.speech is not Speech.NOAA_FILTER
        )
        return replace(model, routes=routes)

    def _route(self, route: Route) -> Route:
        if self.levels_hpa:
            route = _on_levels(route, self.levels_hpa)
        if self.range_levels_hpa and route.speech is not Speech.NOAA_FILTER:
            route = _on_levels(route, self.range_levels_hpa)
        if self.range_far_after_h is not None and route.speech is not Speech.NOAA_FILTER:
            route = replace(
                route, far_after_h=self.range_far_after_h, far_every_h=self.range_far_every_h
            )
        if route.speech is Speech.NOAA_FILTER:
            pairs = tuple(zip(self.filter_script_urls, self.filter_file_urls, strict=True))
            return replace(route, hosts=pairs) if pairs else route
        roots = tuple((url, url) for url in self.range_urls)
        return replace(route, hosts=roots) if roots else route


def _on_levels(route: Route, levels_hpa: tuple[float, ...]) -> Route:
    """A route of whose levels only these are wanted; products that have none of them drop out."""
    products = (product.only(levels_hpa) for product in route.products)
    return replace(route, products=tuple(p for p in products if p.levels_hpa))


def _require_levels(key: str, levels_hpa: tuple[float, ...], offered: set[float]) -> None:
    if len(levels_hpa) < 2 or not offered.issuperset(levels_hpa):
        listed = ", ".join(f"{p:g}" for p in sorted(offered, reverse=True))
        raise ValueError(f"give {key} at least two of the levels that are: {listed}")


class ForecastSection(SourceSection):
    """Where forecasts of the deciding model come from, and how all of them are fetched."""

    cache_folder: str | None = None
    reach_deg: Annotated[float, Field(ge=0.5, le=15.0)] = 4.0
    give_up_h: Annotated[float, Field(ge=4.0, le=48.0)] = 11.0
    late_after_min: Annotated[float, Field(ge=10.0, le=720.0)] = 60.0
    partial_every_min: Annotated[float, Field(ge=1.0, le=360.0)] = 30.0
    keep_days: Annotated[float, Field(ge=0.5, le=365.0)] = 3.0
    keep_mb: Annotated[float, Field(ge=50.0, le=1e7)] = 5000.0
    connect_timeout_s: Annotated[float, Field(gt=0.0, le=120.0)] = 10.0
    read_timeout_s: Annotated[float, Field(gt=0.0, le=600.0)] = 30.0
    whole_timeout_s: Annotated[float, Field(gt=0.0, le=7200.0)] = 300.0
    tries: Annotated[int, Field(ge=1, le=20)] = 6

    def manners(self) -> "Manners":
        """How hosts are treated."""
        from windowwatch.forecast.download.fetch import Manners

        return Manners(
            connect_s=self.connect_timeout_s,
            read_s=self.read_timeout_s,
            whole_s=self.whole_timeout_s,
            tries=self.tries,
        )

    def plan(
        self, watch: Watch, folder: Path, source: SourceSection | None = None
    ) -> "NetworkPlan":
        """What is fetched of a source (this one, unless another is given), kept in `folder`."""
        from windowwatch.watch.polling.network import NetworkPlan

        its = source or self
        return NetworkPlan(
            model=its.model_of_table(),
            folder=folder,
            area=area_of(watch.sites, self.reach_deg),
            every_h=its.step_every_h,
            give_up_after=timedelta(hours=self.give_up_h),
            late_after=timedelta(minutes=self.late_after_min),
            partial_every=timedelta(minutes=self.partial_every_min),
            keep=Keep(self.keep_days, round(self.keep_mb * 1e6)),
        )


class OpinionSection(SourceSection):
    """Another weather model, asked what it thinks; the one of [watch] decides."""

    model: str
    forecast_folder: str | None = None
    available_after_min: Annotated[int, Field(ge=0, le=1440)] = 240

    _checked = field_validator("model")(named)

    @model_validator(mode="after")
    def _folder_is_named(self) -> "OpinionSection":
        if self.fetches == (self.forecast_folder is not None):
            raise ValueError(
                f"give forecast_folder where source is {FOLDER!r}, and only there; a folder holds "
                "cycles of one weather model"
            )
        require_label(self.model, self.source)
        return self


def require_label(label: str, source: str) -> None:
    """Refuse to call one weather model's cycles by another's name.

    Raises
    ------
    ValueError
        Saying what to write.
    """
    known = {family(name) for name in MODELS}
    if source != FOLDER and family(label) in known and family(label) != family(source):
        raise ValueError(
            f"model is {label!r}, but {source} is fetched; results would be stored under the name "
            f"of another weather model. Write model = {family(source)!r}"
        )
