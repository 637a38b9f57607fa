"""The only reader of settings files: TOML in, checked values of every floor out.

Secrets are not written in the file: a channel names the environment variable that holds
its address.
"""

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import platformdirs

from windowwatch.clock import to_unix_s
from windowwatch.errors import GroundError, InputError, SettingsError
from windowwatch.ground.file import read_ground_file
from windowwatch.ground.geojson import read_ground, with_airspace
from windowwatch.ground.query.features import Ground
from windowwatch.ground.query.outline import zones_of
from windowwatch.ground.query.rasters import Base, Rasters
from windowwatch.learning.learned import Use
from windowwatch.notices.values import Channel
from windowwatch.physics.train import FlightTrain
from windowwatch.scoring.limits import LIMITS, Limit
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Site
from windowwatch.settings.faults import Look, as_message, look_over, one_by_one, refusals
from windowwatch.settings.forecast import SourceSection
from windowwatch.settings.launchday import read_texts
from windowwatch.settings.model import SettingsFile
from windowwatch.settings.toml import read_toml, settings_text
from windowwatch.storage.engine import sqlite_url
from windowwatch.units import swapped_hint
from windowwatch.watch.values import Source, Span, Watch
from windowwatch.web.values import Bounds, Contact, Facts
from windowwatch.windows.agreement import AgreementRules
from windowwatch.windows.window import WindowRules
from windowwatch.wording.texts import TextTemplate

# What fetches takes long to load, and most who read settings fetch nothing.
if TYPE_CHECKING:
    from windowwatch.watch.polling.nearby import NearPlan

#: A cycle that should have been there for so long makes results stale: most models run every six
#: hours, so two were then missed. Common practice, no source.
STALE_AFTER_DUE = timedelta(hours=12)

Value = TypeVar("Value")


@dataclass(frozen=True)
class Settings:
    """A settings file, read and checked.

    `watch` has no channels yet: their addresses are secrets, asked for by `channels` only
    when notices are really to be sent.
    """

    path: Path
    file: SettingsFile
    watch: Watch
    forecast_folder: Path

    @property
    def available_after(self) -> timedelta:
        """How long after its reference time a cycle is usually complete."""
        return timedelta(minutes=self.file.watch.available_after_min)

    @property
    def stale_after(self) -> timedelta:
        """Age from which on a newest forecast is not to be planned by, and is told of."""
        hours = self.file.watch.silence_h
        return self.available_after + STALE_AFTER_DUE if hours is None else timedelta(hours=hours)

    @property
    def bounds(self) -> Bounds:
        """From when on something is said to be wrong with the watch itself."""
        service = self.file.service
        look_every_s = self.file.watch.look_every_s
        return self.file.health.bounds(look_every_s, service.pass_time_limit_min)

    def texts(self) -> tuple[TextTemplate, ...]:
        """Texts to send about a planned launch; none where the file names no folder.

        Raises
        ------
        SettingsError
            Naming the file that is wrong.
        """
        named = self.file.launchday.texts
        if named is None:
            return ()
        return read_texts(self.path.resolve().parent / Path(named).expanduser())

    def page_facts(self, *, looks: bool, note: str = "") -> Facts:
        """What the page knows of a watch; `looks` when a daemon looks for new cycles."""
        watch = self.watch
        said = self.file.watch.note.rstrip(".")
        return Facts(
            watch=watch.name,
            sites=watch.sites,
            plan=watch.plan,
            ground=watch.ground,
            step=watch.span.step,
            stale_after=self.stale_after,
            others_stale_after=watch.agreement.stale_after,
            look_every=timedelta(seconds=self.file.watch.look_every_s) if looks else None,
            note=f"{said}. {note}".strip() if said else note,
            train=watch.train,
            decisions=watch.decisions,
            zones=zones_of(watch.ground),
            page_url=watch.page_url,
            trusted_proxies=self.file.page.trusted_proxies,
            rules=watch.rules,
            channels=tuple(each.name for each in self.file.channels),
            bounds=self.bounds,
            team=watch.team,
            cylinders=self.file.cylinders.held(),
            flow_m3pmin=self.file.cylinders.flow_m3pmin,
            available_after=self.available_after,
            texts=self.texts,
            chase=watch.chase,
            contacts=tuple(
                Contact(
                    each.name,
                    each.role,
                    each.phone,
                    None if each.sites is None else frozenset(each.sites),
                )
                for each in self.file.contacts
            ),
        )

    def require_folders(self) -> None:
        """Refuse a forecast folder that is not there.

        Raises
        ------
        SettingsError
            Names it.
        """
        for source in self.sources():
            if source.folder is not None and not source.folder.is_dir():
                raise SettingsError(
                    f"{self.path}: forecast_folder: {source.folder} is not a folder; make it, or "
                    "name the one in which forecasts arrive"
                )

    @property
    def cache_folder(self) -> Path:
        """Where fetched forecasts are kept."""
        named = self.file.forecast.cache_folder
        if named is None:
            return data_folder() / "forecasts"
        return self.path.resolve().parent / Path(named).expanduser()

    def survey_folder(self, *, rehearsal: bool = False) -> Path:
        """Where surveys of years are kept; those of the demonstration lie apart."""
        if rehearsal:
            return data_folder() / "survey" / f"rehearsal-{self.slug}"
        named = self.file.survey.folder
        if named is not None:
            return self.path.resolve().parent / Path(named).expanduser()
        return data_folder() / "survey" / self.slug

    @property
    def forecast_place(self) -> str:
        """Where forecasts come from, for people."""
        return self.sources()[0].words

    def sources(self) -> tuple[Source, ...]:
        """Where each weather model's cycles come from: the deciding one's first."""
        file = self.file
        asked: list[tuple[str, SourceSection, Path, timedelta]] = [
            (self.watch.model, file.forecast, self.forecast_folder, self.available_after)
        ]
        for each in file.opinions:
            folder = self.path.resolve().parent / Path(each.forecast_folder or "").expanduser()
            after = timedelta(minutes=each.available_after_min)
            asked.append((each.model, each, folder, after))
        return tuple(self._source(*each) for each in asked)

    def _source(
        self, label: str, section: SourceSection, folder: Path, available_after: timedelta
    ) -> Source:
        if not section.fetches:
            return Source(label, str(folder), available_after, folder=folder)
        forecast = self.file.forecast
        return Source(
            label,
            section.model_of_table().words,
            available_after,
            network=forecast.plan(self.watch, self.cache_folder, section),
            retry_policy=forecast.retry_policy(),
        )

    def near_plan(self) -> "NearPlan | None":
        """What is fetched of a finer model near the ground; None if nothing is."""
        return self.file.forecast.near_plan(self.cache_folder)

    def ledger_names(self) -> tuple[str | None, str | None]:
        """Under which names fetched files are remembered: the deciding model's, the finer one's."""
        network, near = self.sources()[0].network, self.near_plan()
        return (
            None if network is None else network.model.name,
            None if near is None else near.finer.model.name,
        )

    @property
    def slug(self) -> str:
        """The watch's name as part of a file name."""
        return _slug(self.watch.name)

    def channels(self) -> tuple[Channel, ...]:
        """Channels with their addresses from the environment.

        Raises
        ------
        SettingsError
            Names every environment variable that is not set.
        """
        missing = [c.url_env for c in self.file.channels if c.address() is None]
        if missing:
            raise SettingsError(
                f"{self.path}: channels: the environment variable{'s' * (len(missing) > 1)} "
                f"{', '.join(missing)} {'are' if len(missing) > 1 else 'is'} not set; set to the "
                "channel's address, or take the channel out of the file"
            )
        return tuple(section.channel() for section in self.file.channels)

    def database_url(self) -> str:
        """Where results are kept, as an SQLAlchemy URL; it may hold a password."""
        section = self.file.database
        if section.url_env is not None:
            url = os.environ.get(section.url_env)
            if not url:
                raise SettingsError(
                    f"{self.path}: database.url_env: the environment variable "
                    f"{section.url_env} is not set; set it to the database's URL"
                )
            return url
        return section.url or sqlite_url(data_folder() / f"{self.slug}.sqlite3")


def data_folder() -> Path:
    """The platform's folder for data of this user's programs (XDG_DATA_HOME is honoured)."""
    return platformdirs.user_data_path("windowwatch", appauthor=False)


def read_settings(path: Path, *, maps: bool = True) -> Settings:
    """Read and check a settings file, and the map files that it names.

    Parameters
    ----------
    path : Path
    maps : bool
        False leaves the map files unread, for whoever is about to make one.

    Raises
    ------
    SettingsError
        If the file is missing, not TOML, or any key is wrong; all findings in one message.
    GroundError
        If a map file is wrong.
    """
    read = read_toml(settings_text(path))
    look = look_over(read.document, lost=read.lost)
    folder = path.resolve().parent
    faults = [*read.faults, *look.faults, *_unfit(look, folder)]
    absent = [] if look.file is None or not maps else list(_absent_maps(look.file, folder))
    if faults or look.file is None:
        raise SettingsError(as_message(path, [*faults, *absent]))
    if len(absent) > 1:
        raise GroundError(as_message(path, absent))
    file = look.file
    try:
        watch = _watch(file, folder, maps)
    except InputError as error:
        raise SettingsError(f"{path}: {error.message}") from error
    return Settings(path, file, watch, folder / Path(file.watch.forecast_folder).expanduser())


def _unfit(look: Look, folder: Path) -> Iterator[str]:
    """What other floors refuse of tables that are sound by themselves, each told once."""
    file, touched = look.file, look.touched
    if file is None:
        return
    if "train" not in touched:
        yield from refusals("[train] ", lambda: FlightTrain(**file.train.model_dump()))
    if "windows" not in touched:
        step = {} if "watch" in touched else {"step_min": file.watch.launch_step_min}
        yield from one_by_one("[windows] ", WindowRules, {**file.windows.model_dump(), **step})
    if "agreement" not in touched:
        yield from one_by_one("[agreement] ", AgreementRules, file.agreement.model_dump())
    if "scoring" not in touched:
        yield from one_by_one("[scoring] ", ScoringPlan, _scoring(file))
    limits, weights = _limits(file)
    for name, limit in limits.items():
        if f"limits.{name}" not in touched:
            yield from refusals("", partial(ScoringPlan, limits={name: limit}))
    for name, weight in weights.items():
        if f"limits.{name}" not in touched:
            yield from refusals("[limits] ", partial(ScoringPlan, weights={name: weight}))
    if not limits:
        yield from refusals("[limits] ", partial(ScoringPlan, limits=limits))
    if not touched & {"rules", "train"}:
        yield from refusals("", lambda: file.rules.applied(folder, file.train.payload_mass_kg))


def _absent_maps(file: SettingsFile, folder: Path) -> Iterator[str]:
    """Map files that are named and not there."""
    for key in ("areas", "roads", "airspace", "permitted", "file"):
        name = getattr(file.ground, key)
        if name and not (folder / name).exists():
            yield f"ground.{key}: {folder / name}: no such file; fix the name, or take it out"


def _watch(file: SettingsFile, folder: Path, maps: bool) -> Watch:
    sites = tuple(Site(**site.model_dump()) for site in file.sites)
    section, plan = file.watch, _plan(file, folder)
    return Watch(
        name=section.name,
        model=section.model,
        sites=sites,
        train=_section("train", FlightTrain, file.train.model_dump()),
        span=Span(
            timedelta(minutes=section.launch_step_min),
            section.days_ahead,
            section.first_utc,
            section.last_utc,
        ),
        draws=section.draws,
        plan=plan,
        rules=_section(
            "windows",
            WindowRules,
            {**file.windows.model_dump(), "step_min": section.launch_step_min},
        ),
        ground=_ground(file, folder) if maps else Ground(),
        decisions=tuple(section.decision() for section in file.decisions),
        others=tuple(section.model for section in file.opinions),
        agreement=_section("agreement", AgreementRules, file.agreement.model_dump()),
        hold_advice_before=file.notices.hold_advice_before(),
        page_url=file.notices.page_url,
        team=file.launchday.team(
            file.cylinders.left_pa(),
            file.cylinders.flow_m3pmin / 60.0,
            () if plan.applied is None else plan.applied.rules.levels_fl,
        ),
        use_learned=file.learning.use is Use.USE,
        chase=file.chase.rules(plan.drive_factor),
    )


def _slug(name: str) -> str:
    return "".join(c if c.isalnum() or c in "-_" else "-" for c in name.lower())


def bases(file: SettingsFile) -> tuple[tuple[Base, ...], tuple[Base, ...]]:
    """Sites, and places where crews stand by: from all of them somebody may drive."""
    found = [
        tuple(Base(each.name, each.latitude_deg, each.longitude_deg) for each in group)
        for group in (file.sites, file.ground.crew)
    ]
    return found[0], found[1]


def _ground(file: SettingsFile, folder: Path) -> Ground:
    section = file.ground
    areas, roads, built = (
        folder / name if name else None for name in (section.areas, section.roads, section.file)
    )
    sites, crews = bases(file)
    air, permitted = (
        folder / name if name else None for name in (section.airspace, section.permitted)
    )
    near = tuple((site.latitude_deg, site.longitude_deg) for site in sites)
    ground = with_airspace(_drawn(areas, roads, sites), air, permitted, near)
    if built is None:
        return ground
    rasters = read_ground_file(built)
    try:
        rasters.require_reach(sites, 1000.0 * section.reach_km)
    except GroundError as error:
        off = [s for s in sites if not _on(rasters, s.latitude_deg, s.longitude_deg)]
        hint = swapped_hint(off, partial(_on, rasters))
        raise GroundError(f"{error.message}{hint}") from error
    rasters.require_bases((*sites, *crews))
    return replace(
        ground,
        rasters=rasters,
        sources=(*ground.sources, *rasters.sources),
        crews=tuple(crew.name for crew in crews),
    )


def _drawn(areas: Path | None, roads: Path | None, sites: Sequence[Base]) -> Ground:
    """What the GeoJSON files hold; their refusal says when it may be the sites that are wrong."""
    near = tuple((site.latitude_deg, site.longitude_deg) for site in sites)
    try:
        return read_ground(areas, roads, near)
    except GroundError as error:
        try:
            read_ground(areas, roads, tuple((b, a) for a, b in near))
        except GroundError:
            raise error from None
        raise GroundError(
            f"{error.message}; or latitude_deg and longitude_deg of the sites are swapped: the "
            "file would then fit"
        ) from error


def _on(rasters: Rasters, latitude_deg: float, longitude_deg: float) -> bool:
    return bool(rasters.mapped(rasters.units([latitude_deg], [longitude_deg]))[0])


def _limits(file: SettingsFile) -> tuple[dict[str, Limit], dict[str, float]]:
    """Limits of the checks that are asked, and weights of all."""
    limits, weights = {}, {}
    for name, table in file.limits.model_dump().items():
        kind = LIMITS[name]
        weights[name] = table["weight"]
        if table["ask"]:
            limits[name] = Limit(
                table[f"fine_{kind.suffix}"],
                table[f"limit_{kind.suffix}"],
                table["hard"],
                table["exponent"],
            )
    return limits, weights


def _scoring(file: SettingsFile) -> dict[str, Any]:
    """How hours are scored, without limits and weights."""
    scoring = file.scoring.model_dump()
    for name in ("no_landing_kinds", "road_classes"):
        scoring[name] = frozenset(scoring[name])
    watch = file.watch
    if watch.clearance_from_utc is not None and watch.clearance_until_utc is not None:
        scoring["clearance"] = (
            to_unix_s(watch.clearance_from_utc),
            to_unix_s(watch.clearance_until_utc),
        )
    return scoring


def _plan(file: SettingsFile, folder: Path) -> ScoringPlan:
    limits, weights = _limits(file)
    scoring = {**_scoring(file), "limits": limits, "weights": weights}
    plan = _section("limits and scoring", ScoringPlan, scoring)
    applied = file.rules.applied(folder, file.train.payload_mass_kg)
    if applied is None:
        return plan
    notice_h = applied.notice_h if plan.notice_h is None else plan.notice_h
    stricter = applied.limits(plan.limits)
    return replace(plan, limits=stricter, applied=applied, notice_h=notice_h)


def _section(name: str, kind: type[Value], values: dict[str, Any]) -> Value:
    """Build a floor's own value; its refusal names the table of the file."""
    try:
        return kind(**values)
    except InputError as error:
        raise InputError(f"[{name}] {error.message}") from error
