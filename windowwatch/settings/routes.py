"""The table [forecast.routes]: what a provider has renamed since this was released."""

import re
from collections.abc import Mapping
from dataclasses import replace
from string import Formatter

from pydantic import Field, field_validator

from windowwatch.forecast.download.catalogue import Model, Product, Route, Speech
from windowwatch.forecast.models import ON_LEVELS
from windowwatch.settings.section import Section

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
