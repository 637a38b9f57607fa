"""The tables of a settings file about forecasts, and what a provider has renamed."""

import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from string import Formatter
from typing import TYPE_CHECKING, Annotated

from pydantic import Field, field_validator, model_validator

from windowwatch.forecast.download.catalogue import MODELS, Model, Product, Route, Speech, family
from windowwatch.forecast.download.ledger import Keep
from windowwatch.forecast.finer import FINER
from windowwatch.forecast.models import ON_LEVELS
from windowwatch.settings.section import Section, named
from windowwatch.watch.values import Watch, area_of

if TYPE_CHECKING:
    from windowwatch.forecast.download.fetch import RetryPolicy
    from windowwatch.watch.polling.nearby import NearPlan
    from windowwatch.watch.polling.network import NetworkPlan

#: What a path may hold: date, hour, step in two ways of writing, and whose run it is.
_PLACES = ("Y", "H", "F", "step", "run")
_RUN_OF_STEPS = re.compile(r"^(\d{1,3})-(\d{1,3})/(\d{1,2})$")
_HOUR = re.compile(r"^([01]\d|2[0-3])$")


def _well_formed(path: str) -> str:
    """Accept a path below a host's root, with its places."""
    try:
        places = {name for _, name, _, _ in Formatter().parse(path) if name is not None}
    except ValueError as error:
        raise ValueError(f"is no path ({error}); write places as {{Y}} or {{F}}") from error
    foreign = sorted(places - set(_PLACES))
    if foreign:
        raise ValueError(
            f"has the place {{{foreign[0]}}}; there are {{Y}} date, {{H}} hour, {{F}} step of "
            "three digits, {step} step, {run} member"
        )
    if not {"Y", "H"} <= places or not places & {"F", "step"}:
        raise ValueError("must hold {Y} (date), {H} (hour) and {F} or {step} (step)")
    if "://" in path or path.startswith("/") or ".." in path:
        raise ValueError("is what follows the root of a host (range_urls), without a slash ahead")
    return path


class FileSection(Section):
    """One kind of file of a model, as it is named now."""

    path: str | None = None
    filter_path: str | None = None
    script: str | None = None
    names: dict[str, str] = Field(default_factory=dict)

    @field_validator("path", "filter_path")
    @classmethod
    def _is_a_path(cls, value: str | None) -> str | None:
        return None if value is None else _well_formed(value)

    @field_validator("script")
    @classmethod
    def _is_a_name(cls, value: str | None) -> str | None:
        if value is not None and not re.fullmatch(r"[\w.-]+", value):
            raise ValueError('give the name of a script alone, such as "filter_gfs_0p25.pl"')
        return value

    def renamed(self, product: Product) -> Product:
        """A product under these names."""
        spelled = {}
        for field, said in self.names.items():
            name, _, level = said.partition(":")
            spelled[field] = (name, level)
        return replace(
            product,
            path=self.path or product.path,
            other_paths=() if self.path else product.other_paths,
            filter_path=self.filter_path or product.filter_path,
            script=self.script or product.script,
            spelled={**product.spelled, **spelled},
        )


class RoutesSection(Section):
    """What a provider has renamed, and the steps it has now."""

    files: dict[str, FileSection] = Field(default_factory=dict)
    steps: dict[str, tuple[str, ...]] = Field(default_factory=dict)

    @field_validator("steps")
    @classmethod
    def _are_runs(cls, value: Mapping[str, tuple[str, ...]]) -> Mapping[str, tuple[str, ...]]:
        for hour, runs in value.items():
            if not _HOUR.match(hour):
                raise ValueError(f'{hour!r} is no hour of the day; write "00" = ["0-144/3"]')
            for run in runs:
                found = _RUN_OF_STEPS.match(run)
                if not found or int(found[1]) > int(found[2]) or int(found[3]) < 1:
                    raise ValueError(
                        f"{run!r} are no steps; write first-last/every in hours, as "
                        '"00" = ["0-144/3", "150-360/6"]'
                    )
            if not runs:
                raise ValueError(f'"{hour}" has no steps; leave the line out, or give some')
        return value

    def require_fit(self, model: Model) -> None:
        """Refuse what the model does not have.

        Raises
        ------
        ValueError
            Naming it, and what there is.
        """
        products = {p.name: p for route in model.routes for p in route.products}
        for name, section in self.files.items():
            if name not in products:
                known = ", ".join(sorted(products))
                raise ValueError(f"routes.files.{name}: {model.name} has the files {known}")
            product = products[name]
            for path in filter(None, (section.path, section.filter_path)):
                if product.file_per_member and "{run}" not in path:
                    raise ValueError(
                        f"routes.files.{name}: its path must hold {{run}}, for each member has a "
                        "file of its own"
                    )
            _require_names(model, product, section.names)
        for hour in self.steps:
            if int(hour) not in model.steps:
                known = ", ".join(f"{each:02d}" for each in sorted(model.steps))
                raise ValueError(f"routes.steps.{hour}: {model.name} has cycles at {known} UTC")

    def applied(self, model: Model) -> Model:
        """The model under these names, with these steps."""
        steps = dict(model.steps)
        for hour, runs in self.steps.items():
            found = [_RUN_OF_STEPS.match(run) for run in runs]
            steps[int(hour)] = tuple((int(m[1]), int(m[2]), int(m[3])) for m in found if m)
        return replace(model, steps=steps, routes=tuple(map(self._renamed, model.routes)))

    def _renamed(self, route: Route) -> Route:
        products = tuple(
            self.files[p.name].renamed(p) if p.name in self.files else p for p in route.products
        )
        return replace(route, products=products)


def _require_names(model: Model, product: Product, names: Mapping[str, str]) -> None:
    """Refuse new names of fields that are not wanted, or that are spelled in another way."""
    where = f"routes.files.{product.name}.names"
    noaa = any(route.speech is not Speech.ECMWF_INDEX for route in model.routes)
    for field, said in names.items():
        if field not in product.fields:
            known = ", ".join(sorted(product.fields))
            raise ValueError(f"{where}.{field}: is not a field of these files; there are {known}")
        name, _, level = said.partition(":")
        if not noaa:
            if not re.fullmatch(r"\w+", said):
                raise ValueError(f'{where}.{field}: give the parameter alone, such as "10fg3"')
        elif not name or not level or ((field in ON_LEVELS) != ("{}" in level)):
            example = '"UGRD:{} mb"' if field in ON_LEVELS else '"TCDC:low cloud layer"'
            raise ValueError(f"{where}.{field}: write name and level as in the index: {example}")


#: Forecasts that somebody else puts into a folder.
FOLDER = "folder"


def addresses(value: tuple[str, ...]) -> tuple[str, ...]:
    """Roots of hosts, without a slash at the end."""
    for url in value:
        if not url.startswith(("https://", "http://")):
            raise ValueError(f"{url!r} is no address; it begins with https:// or http://")
    return tuple(url.rstrip("/") for url in value)


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

    _addresses = field_validator("range_urls", "filter_script_urls", "filter_file_urls")(addresses)

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
    near_ground: str | None = None
    near_ground_every_h: Annotated[int, Field(ge=1, le=6)] = 1
    near_ground_urls: tuple[str, ...] = ()

    @field_validator("near_ground")
    @classmethod
    def _finer_is_known(cls, value: str | None) -> str | None:
        if value is not None and value not in FINER:
            raise ValueError(f"give {' or '.join(map(repr, FINER))}, or leave it out")
        return value

    _addresses_near = field_validator("near_ground_urls")(addresses)

    @model_validator(mode="after")
    def _near_ground_is_whole(self) -> "ForecastSection":
        if self.near_ground is None and (self.near_ground_urls or self.near_ground_every_h != 1):
            raise ValueError(
                "give near_ground_every_h and near_ground_urls only with near_ground, the model "
                "that they are about"
            )
        return self

    def near_plan(self, folder: Path) -> "NearPlan | None":
        """What is fetched of a finer model near the ground, kept in `folder`; None if nothing."""
        if self.near_ground is None:
            return None
        from windowwatch.watch.polling.nearby import NearPlan

        finer = FINER[self.near_ground]
        if self.near_ground_urls:
            roots = tuple((url, url) for url in self.near_ground_urls)
            (route,) = finer.model.routes
            finer = replace(
                finer, model=replace(finer.model, routes=(replace(route, hosts=roots),))
            )
        keep = Keep(min(self.keep_days, 1.0), round(self.keep_mb * 1e6))
        return NearPlan(finer, folder, self.near_ground_every_h, self.retry_policy(), keep)

    def retry_policy(self) -> "RetryPolicy":
        """How hosts are treated."""
        from windowwatch.forecast.download.fetch import RetryPolicy

        return RetryPolicy(
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
