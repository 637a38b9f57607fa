"""Commands of a flight in the air: `position`, and `flight` with all that is asked of one."""

import sys
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from windowwatch.chase.said import (
    VOICE_HEIGHT_SIGMA_M,
    VOICE_SIGMA_M,
    height_said,
    place_said,
    time_said,
)
from windowwatch.cli.common import errors_in_words
from windowwatch.cli.flights import (
    chosen_flight,
    database_url_of,
    flight_option,
    flight_settings,
    flight_store,
    flights_looked_at,
    settings_or_none,
)
from windowwatch.clock import SystemClock
from windowwatch.errors import InputError

if TYPE_CHECKING:
    from windowwatch.chase.values import Begun, Flight, Kept
    from windowwatch.settings.read import Settings
    from windowwatch.storage.store import Store


@click.command("position", short_help="Report a position that was read out over the radio.")
@click.option("--place", required=True, help="As '46.0123, 7.5678' or '46 00.74 N, 7 34.07 E'.")
@click.option("--height", help="Above sea level, with its unit: 8200m or 27000ft.")
@click.option("--time", "when", default="now", show_default=True, help="As 06:31 (UTC).")
@click.option("--tracker", default="voice", show_default=True, help="Who says so.")
@click.option("--note", default="", help="What was said, in words.")
@flight_option
@flight_settings
def position_command(
    place: str,
    height: str | None,
    when: str,
    tracker: str,
    note: str,
    key: str | None,
    settings_path: Path | None,
) -> None:
    """Report a position by voice: where it was, how high, and when; says where it will land.

    With settings and no flight open, the report begins one, from the nearest site.
    """
    with errors_in_words():
        now = SystemClock().now()
        latitude, longitude = place_said(place)
        high = None if height is None else height_said(height)
        moment = time_said(when, now)
        from windowwatch.chase.reports import Report

        report = Report(
            tracker, moment, now, latitude, longitude, high, VOICE_SIGMA_M, VOICE_HEIGHT_SIGMA_M,
            "voice", note,
        )  # fmt: skip
        settings = settings_or_none(settings_path)
        with flight_store(settings_path, settings) as store:
            from windowwatch.wording.chase import report_words

            flight = _flight_for(store, key, settings, (latitude, longitude), now)
            (kept,) = store.add_reports(flight.key, [report])
            click.echo(report_words(kept))
            _show(store, _followed(store, flight, settings, now), now)


def _followed(
    store: "Store", flight: "Flight", settings: "Settings | None", now: datetime
) -> "Flight":
    """A flight estimated anew, with the forecast that it awaits where that can be had."""
    from windowwatch.chase.values import Air

    if settings is not None and flight.begun.air is Air.AWAITED:
        from windowwatch.cli.beginning import air_source
        from windowwatch.watch.estimating import take_air

        why = take_air(store, flight, air_source(settings), now)
        if why:
            click.echo(f"no forecast yet: {why}", err=True)
    store.follow(flight.key, now)
    return store.flight(flight.key) or flight


def _flight_for(
    store: "Store",
    key: str | None,
    settings: "Settings | None",
    place: tuple[float, float],
    now: datetime,
) -> "Flight":
    """The flight that a report is of; begun by it where none is open, and settings are there."""
    if key is not None or settings is None or any(f.closing is None for f in store.flights()):
        return chosen_flight(store, key)
    from windowwatch.cli.beginning import begin_by_report, with_forecast
    from windowwatch.wording.chase import begun_words

    begun = begin_by_report(settings, store, *place, now)
    begun, air = with_forecast(begun, settings, store, now)
    click.echo(f"flight {begun.key} begins by this report, {begun_words(begun)}")
    return store.begin_flight(begun, air)


@click.group("flight", short_help="Follow a flight: where it is, and where it will land.")
def flight_group() -> None:
    """Follow a flight from its release to the payload in your hands; no network is needed."""


@flight_group.command("begin", short_help="Begin to follow a flight.")
@click.argument("name")
@click.option("--site", help="Site of the settings from which it is released.")
@click.option("--plan", help="Key of the planned launch that it is, released already or not.")
@click.option("--place", help="Of the release, as '46.0123, 7.5678', where there is no site.")
@click.option("--height", help="Of the release above sea level, as 420m or 1380ft.")
@click.option("--released", help="When it was released, as 06:31 (UTC); its track shows it, too.")
@click.option("--no-forecast", is_flag=True, help="Do without the forecast of the settings.")
@click.option("--balloon", type=float, help="Mass of the empty balloon, kg.")
@click.option("--payload", type=float, help="Mass of all below the neck, kg.")
@click.option("--lift", type=float, help="Lift measured at the neck, kg.")
@click.option("--burst-diameter", type=float, help="At which the balloon bursts, m.")
@click.option("--canopy", type=float, help="Fabric of the parachute, m².")
@click.option("--gas", type=click.Choice(["hydrogen", "helium"]), help="Lifting gas.")
@flight_settings
def begin_command(name: str, settings_path: Path | None, **given: Any) -> None:
    """Begin to follow the flight NAME. With settings, train, site and forecast are theirs.

    What is given as an option overrides the settings; the lift that was measured above all.
    """
    with errors_in_words():
        from windowwatch.cli.beginning import begin, with_forecast
        from windowwatch.wording.chase import air_words, begun_words

        now = SystemClock().now()
        settings = settings_or_none(settings_path)
        if given["plan"] is None:
            begun = begin(name, settings, given, now)
        with flight_store(settings_path, settings) as store:
            if given["plan"] is not None:
                begun = _begin_plan(name, settings, store, given, now)
            begun, air = with_forecast(begun, settings, store, now)
            begun = store.begin_flight(begun, air).begun
        click.echo(f"flight {begun.key}, {begun.name}: {begun_words(begun)}")
        click.echo(air_words(begun))
        click.echo("Report with: windowwatch position --place '…' --height … --time …")


def _begin_plan(
    name: str,
    settings: "Settings | None",
    store: "Store",
    given: "dict[str, Any]",
    now: datetime,
) -> "Begun":
    """The flight of a planned launch, which has none yet."""
    from windowwatch.cli.beginning import begin, of_plan
    from windowwatch.launchday.plan import stand

    if settings is None:
        raise InputError("--plan names a planned launch of a watch; give --settings")
    watch, key = settings.watch.name, str(given["plan"])
    there = store.flight_of_plan(watch, key)
    if there is not None:
        raise InputError(f"plan {key} has its flight already: {there.key}")
    plan = stand(key, store.plan_entries(watch, key).entries, now)
    site = {} if given["place"] is not None else {"site": plan.site}
    return of_plan(begin(name, settings, {**given, **site}, now), settings, plan)


@flight_group.command("list", short_help="All flights, the newest first.")
@flight_settings
def list_command(settings_path: Path | None) -> None:
    """List all flights, the newest first."""
    with errors_in_words(), flights_looked_at(settings_path) as store:
        from windowwatch.wording.chase import begun_words, closing_words

        flights = store.flights()
        if not flights:
            click.echo("no flight yet; begin one with `windowwatch flight begin NAME`")
        for each in flights:
            end = "open" if each.closing is None else closing_words(each.closing)
            click.echo(f"{each.key}  {each.begun.name}: {begun_words(each.begun)}; {end}")


@flight_group.command("show", short_help="Where it is, and where it will land.")
@click.argument("key", required=False)
@click.option("--reports", is_flag=True, help="Every report, and whether it is used.")
@flight_settings
def show_command(key: str | None, reports: bool, settings_path: Path | None) -> None:
    """Show a flight: its state, the age of the last report, and where it will land."""
    with errors_in_words(), flights_looked_at(settings_path) as store:
        flight = chosen_flight(store, key, closed=True)
        if reports:
            from windowwatch.wording.chase import report_words

            for each in store.reports(flight.key):
                click.echo(report_words(each))
        _show(store, flight, SystemClock().now())


def _show(store: "Store", flight: "Flight", now: datetime) -> None:
    """A flight in a dozen lines."""
    from windowwatch.wording import chase as words

    click.echo(f"flight {flight.key}, {flight.begun.name}")
    if flight.closing is not None:
        click.echo(words.closing_words(flight.closing))
    kept = store.reports(flight.key)
    for line in _state_lines(flight.begun, kept, now):
        click.echo(line)
    said = store.said(flight.key)
    if said is None:
        click.echo("no landing is estimated yet")
    elif said.refused is not None:
        click.echo(words.REFUSED[said.refused])
    elif said.estimate is not None:
        for line in words.landing_lines(said.estimate):
            click.echo(line)
        if not words.lies(said.estimate):
            click.echo(words.doubt_words(said.estimate))
    click.echo(words.air_words(flight.begun))
    click.echo(words.CAUTION)


def _state_lines(begun: "Begun", kept: "tuple[Kept, ...]", now: datetime) -> Iterator[str]:
    from windowwatch.chase.following import disagreeing, state_by, track_so_far
    from windowwatch.chase.reports import Mark
    from windowwatch.wording import chase as words

    state = state_by(begun, track_so_far(kept), now)
    yield words.state_words(state)
    unused = sum(each.mark is not Mark.USED for each in kept)
    note = f"; {unused} of {len(kept)} reports not used, --reports says why" if unused else ""
    yield f"{words.last_words(state)}{note}"
    used = [each.report for each in kept if each.mark is Mark.USED]
    if used:
        last = max(used, key=lambda report: report.time_utc)
        assert last.latitude_deg is not None
        assert last.longitude_deg is not None
        place = words.place_words(last.latitude_deg, last.longitude_deg)
        yield f"was at {place}, {words.height_words(last.height_m)}"
    apart = disagreeing(kept)
    if apart is not None:
        yield words.apart_words(*apart)


@flight_group.command("import", short_help="Take in positions of a file.")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--tracker", default="file", show_default=True, help="Where the file has no name.")
@click.option(
    "--format", "kind", type=click.Choice(["csv", "gpx", "nmea", "aprs"]), help="Kind of the file."
)
@flight_option
@flight_settings
def import_command(
    file: Path, tracker: str, kind: str | None, key: str | None, settings_path: Path | None
) -> None:
    """Take in the positions of FILE: CSV, GPX, NMEA 0183 or APRS packets."""
    with errors_in_words():
        from windowwatch.cli.track_files import read_track

        now = SystemClock().now()
        reports, refused = read_track(file, kind, tracker, now)
        settings = settings_or_none(settings_path)
        with flight_store(settings_path, settings) as store:
            from collections import Counter

            from windowwatch.wording.chase import MARKS

            flight = chosen_flight(store, key)
            kept = store.add_reports(flight.key, reports)
            for mark, count in Counter(each.mark for each in kept).most_common():
                click.echo(f"{count} {MARKS[mark]}")
            for each in refused[:10]:
                click.echo(f"line {each.number} left out: {each.why}", err=True)
            if len(refused) > 10:
                click.echo(f"… and {len(refused) - 10} more left out", err=True)
            _show(store, _followed(store, flight, settings, now), now)


@flight_group.command("listen", short_help="Take in positions as they come, until Ctrl-C.")
@click.option("--connect", multiple=True, metavar="HOST:PORT", help="A TCP stream of a receiver.")
@click.option(
    "--accept", multiple=True, metavar="[HOST:]PORT",
    help="Receivers connect here; from this machine alone where no HOST is given.",
)  # fmt: skip
@click.option("--device", multiple=True, metavar="PATH", help="A serial line, as /dev/ttyUSB0.")
@click.option("--baud", default=4800, show_default=True, help="Rate of the serial line.")
@click.option("--file", multiple=True, metavar="PATH", help="A file that grows.")
@click.option(
    "--tracker", default="radio", show_default=True, help="Name for NMEA 0183, which has none."
)
@click.option(
    "--only", multiple=True, metavar="STATION",
    help="Station of APRS packets that is the balloon's; others are left out.",
)  # fmt: skip
@flight_option
@flight_settings
def listen_command(key: str | None, settings_path: Path | None, **given: Any) -> None:
    """Take in NMEA 0183 sentences and APRS packets as they come; nothing is ever sent.

    Each position is shown once it is stored, and the landing now and then. A source that goes away
    is tried again and again; a file is read from its beginning, and what is stored is not again.
    """
    with errors_in_words():
        from windowwatch.cli.listening import Ear, Listener, Stop, Wanted

        ears = [
            Ear(kind, place, given["baud"])
            for kind in ("connect", "accept", "device", "file")
            for place in given[kind]
        ]
        if not ears:
            raise InputError("say what to listen to: --connect, --accept, --device or --file")
        settings, stop = settings_or_none(settings_path), Stop()
        wanted = Wanted(given["tracker"], frozenset(each.upper() for each in given["only"]))
        with flight_store(settings_path, settings) as store:
            from windowwatch.cli.beginning import air_source
            from windowwatch.watch.estimating import EstimatesInChild

            flight = chosen_flight(store, key)
            source = None if settings is None else air_source(settings)
            listener = Listener(
                store, flight.key, wanted, EstimatesInChild(database_url_of(settings), source)
            )
            click.echo(f"flight {flight.key}, {flight.begun.name}; stop with Ctrl-C", err=True)
            try:
                with stop.on_signals():
                    listener.listen(ears, stop)
            finally:
                stop.asked = True
                click.echo(listener.heard.words(), err=True)


@flight_group.command("export", short_help="Write a flight as GeoJSON, GPX, KML or CSV.")
@click.argument("key", required=False)
@click.option(
    "--format", "kind", type=click.Choice(["geojson", "gpx", "kml", "csv"]), default="geojson",
    show_default=True,
)  # fmt: skip
@click.option("--out", type=click.Path(path_type=Path), help="File; printed when left out.")
@flight_settings
def export_command(
    key: str | None, kind: str, out: Path | None, settings_path: Path | None
) -> None:
    """Write a flight: its track, and its landing, estimated or found."""
    with errors_in_words(), flights_looked_at(settings_path) as store:
        from windowwatch.web.data.chase import FlightRecord, record_as

        flight = chosen_flight(store, key, closed=True)
        record = FlightRecord(flight, store.reports(flight.key), store.said(flight.key))
        content = record_as(kind, record)
        if out is None:
            sys.stdout.write(content.decode())
            return
        try:
            out.write_bytes(content)
        except OSError as error:
            raise InputError(f"{out}: cannot be written: {error.strerror}") from error
        click.echo(f"{out} is written")


def _closing_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for option in (
        click.argument("key", required=False),
        click.option("--by", required=True, help="Who says so."),
        click.option("--time", "when", default="now", show_default=True, help="As 11:20 (UTC)."),
        click.option("--note", default="", help="Anything else."),
        flight_settings,
    ):
        command = option(command)
    return command


@flight_group.command("recovered", short_help="The payload is in your hands: close the flight.")
@click.option("--place", help="Where it was found, as '46.0123, 7.5678'.")
@click.option("--payload", default="", help="In what state it is.")
@_closing_options
def recovered_command(place: str | None, payload: str, **given: Any) -> None:
    """Close a flight whose payload was found; nothing of it changes afterwards."""
    _close("recovered", place, payload, **given)


@flight_group.command("given-up", short_help="Close a flight that is not looked for any more.")
@_closing_options
def given_up_command(**given: Any) -> None:
    """Close a flight that is not looked for any more; nothing of it changes afterwards."""
    _close("given up", None, "", **given)


def _close(
    how: str,
    place: str | None,
    payload: str,
    *,
    key: str | None,
    by: str,
    when: str,
    note: str,
    settings_path: Path | None,
) -> None:
    with errors_in_words():
        from windowwatch.chase.values import Closing, Outcome

        at = time_said(when, SystemClock().now())
        latitude, longitude = (None, None) if place is None else place_said(place)
        closing = Closing(Outcome(how), at, by, latitude, longitude, payload, note)
        settings = settings_or_none(settings_path)
        with flight_store(settings_path, settings) as store:
            from windowwatch.cli.flightlog import logged_at
            from windowwatch.wording.chase import closing_words

            flight = chosen_flight(store, key)
            store.close_flight(flight.key, closing)
            # while the hours of the forecasts that it was flown by are still stored
            store.log_flight(flight.key, SystemClock().now(), logged_at(settings, flight.begun))
            click.echo(f"flight {flight.key}, {flight.begun.name}: {closing_words(closing)}")


@flight_group.command("tracker", short_help="Let a tracker post to the page, or stop it.")
@click.argument("name")
@click.option("--stop", is_flag=True, help="Take back every word that it has.")
@flight_option
@flight_settings
def tracker_command(name: str, stop: bool, key: str | None, settings_path: Path | None) -> None:
    """Give the tracker NAME a word of its own, by which it posts positions to the page."""
    with errors_in_words(), flight_store(settings_path) as store:
        now = SystemClock().now()
        flight = chosen_flight(store, key)
        if stop:
            count = store.stop_posting(flight.key, name, now)
            if count == 0:
                raise InputError(f"no tracker {name!r} may post to flight {flight.key}")
            click.echo(f"{name} posts no more")
            return
        word = store.let_post(flight.key, name, now)
        click.echo(f"{name} may post to flight {flight.key}; its word, shown only now:")
        click.echo(word)
        click.echo("POST /data/positions with the header: Authorization: Bearer WORD")


@flight_group.command("crew", short_help="Say where a crew is; where each is to wait.")
@click.argument("name")
@click.option("--place", help="As '46.0123, 7.5678'.")
@click.option("--home", is_flag=True, help="It is not to be counted on any more.")
@click.option("--phone", is_flag=True, help="Give its phone a word to post its place with.")
@flight_option
@flight_settings
def crew_command(
    name: str, place: str | None, home: bool, phone: bool, key: str | None,
    settings_path: Path | None,
) -> None:  # fmt: skip
    """Say where the crew NAME is, and show where every crew is to wait."""
    with errors_in_words():
        if sum((place is not None, home, phone)) != 1:
            raise InputError("give one of --place, --home and --phone")
        now = SystemClock().now()
        where = None if place is None else place_said(place)
        with flight_store(settings_path) as store:
            flight = chosen_flight(store, key)
            if phone:
                word = store.let_post(flight.key, name, now, is_crew=True)
                click.echo(f"the phone of {name} may post its place; its word, shown only now:")
                click.echo(word)
                click.echo("POST /data/positions with the header: Authorization: Bearer WORD")
                return
            if home:
                store.send_home(flight.key, name, now)
                click.echo(f"{name} is not counted on any more")
            elif where is not None:
                from windowwatch.chase.drives import Crew

                store.place_crew(
                    flight.key, Crew(name, *where, now), received_utc=now, source="by hand"
                )
                click.echo(f"{name} is at {place}")
            _show_drives(store, flight, settings_path, now)


@flight_group.command("drives", short_help="Where each crew is to wait, and how it gets there.")
@click.argument("key", required=False)
@flight_settings
def drives_command(key: str | None, settings_path: Path | None) -> None:
    """Advise the crews anew by the newest estimate, and show it."""
    with errors_in_words(), flight_store(settings_path) as store:
        _show_drives(store, chosen_flight(store, key), settings_path, SystemClock().now())


def _show_drives(store: "Store", flight: "Flight", path: Path | None, now: datetime) -> None:
    """Advice by the ground file of the settings."""
    from windowwatch.cli.common import settings_of
    from windowwatch.wording import crews as words

    if path is None:
        from windowwatch.chase.drives import NoAdvice

        click.echo(words.NO_ADVICE[NoAdvice.NO_ROADS])
        return
    from windowwatch.watch.chasing import Roads, advise_flight

    watch = settings_of(path).watch
    track, _ = store.flight_track(flight.key)
    said = store.said(flight.key)
    advice = advise_flight(
        store, flight, said, track, ground=watch.ground, roads=Roads(watch.ground),
        plan=watch.plan, rules=watch.chase, now_utc=now,
    )  # fmt: skip
    if advice.refused is not None:
        click.echo(words.NO_ADVICE[advice.refused])
    elif not advice.crews:
        click.echo("no crew has said where it is: windowwatch flight crew NAME --place '…'")
    for each in advice.crews:
        click.echo(words.crew_head(each))
        if each.to_latitude_deg is not None and each.to_longitude_deg is not None:
            from windowwatch.wording.chase import place_words

            click.echo(f"  at {place_words(each.to_latitude_deg, each.to_longitude_deg)}")
        for line in words.crew_lines(each, now):
            click.echo(f"  {line}")
    for line in words.advice_lines(advice):
        click.echo(line)
    click.echo(words.chance_words(advice.chances))
    click.echo(words.DRIVE_CAUTION)


COMMANDS = (position_command, flight_group)
