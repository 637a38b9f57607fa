"""An hour to the bottom: checks, map, times and story agree with what is stored."""

import re
from dataclasses import replace
from datetime import timedelta
from math import hypot

import invented
import numpy as np
import pytest
import shapely
from geodesic import Geod
from page_week import Week

from windowwatch.ground.areas import Area, AreaKind, Areas
from windowwatch.ground.outline import MOST_VERTICES, Frame, outlines
from windowwatch.ground.roads import Road, RoadClass, Roads
from windowwatch.ground.values import Ground
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.values import Hour, Part, Verdict
from windowwatch.web.mapview import WIDTH, draw
from windowwatch.web.timeline import timeline
from windowwatch.web.values import stamp
from windowwatch.web.words import number_words


def best(week: Week) -> Hour:
    return max(week.store.hours(week.facts.watch), key=lambda h: h.score or 0.0)


def path_of(hour: Hour) -> str:
    return f"/hour/{hour.site.lower()}/{stamp(hour.time_utc)}"


def test_every_check_is_in_the_table_with_value_limit_and_margin(week: Week) -> None:
    hour = best(week)
    page = week.client().get(path_of(hour)).text
    rows = re.findall(
        r'aria-label="([a-z-]+)">.</span> .*?</th>\s*<td class="n">(\S+) .*?</td>'
        r'<td class="n">(\S+)</td><td class="n">(\S+?)!?</td><td class="n">(\S+)</td>',
        page,
    )
    in_parts = sorted(hour.checks, key=lambda check: list(Part).index(check.part))
    assert rows == [
        (str(c.verdict), *(number_words(c, v) for v in (c.value, c.fine, c.limit, c.margin)))
        for c in in_parts
    ]
    for sentence in hour.worst:
        assert sentence in page


def test_the_story_has_every_cycle_the_newest_first(week: Week) -> None:
    hour = best(week)
    page = week.client().get(path_of(hour)).text
    cycles = re.findall(r'<th scope="row">(Mon 4 May \d\d:00 UTC)</th>', page)
    assert cycles == ["Mon 4 May 18:00 UTC", "Mon 4 May 00:00 UTC"]


def test_every_hour_has_its_page(week: Week) -> None:
    client = week.client()
    hours = week.store.hours(week.facts.watch)
    for hour in hours[::18]:
        answer = client.get(path_of(hour))
        assert answer.status_code == 200
        assert f"{hour.verdict}</span>" in answer.text


@pytest.mark.parametrize(
    "path",
    ["millfield/20260508T0830Z", "nowhere/20260508T0800Z", "millfield/yesterday", "millfield/"],
)
def test_an_hour_that_nobody_looked_at_is_not_there(week: Week, path: str) -> None:
    answer = week.client().get(f"/hour/{path}")
    assert answer.status_code == 404
    assert "Traceback" not in answer.text


def test_an_hour_without_landings_says_so(week: Week) -> None:
    refused = [h for h in week.store.hours(week.facts.watch) if h.footprint is None]
    for hour in refused[:1]:
        assert "No footprint" in week.client().get(path_of(hour)).text


def test_a_check_that_an_older_version_stored_breaks_no_page(made_week: Week) -> None:
    hours = tuple(invented.hour(invented.at(h), 40.0, by="moonlight") for h in range(24))
    made_week.store.save_pass(invented.record(hours=hours))
    client = made_week.client(invented.NOW)
    for path in ("/", "/sites", "/hour/millfield/20260507T0600Z", "/data/hours.json?checks=yes"):
        assert client.get(path).status_code == 200, path


# The map


def test_ellipses_stand_where_the_geodesic_says() -> None:
    """Ends of the long axis, by PROJ's geodesics."""
    mark = Footprint(45.9, -35.2, 128, 10_000.0, 6_000.0, 20_000.0, 12_000.0, 60.0)
    view = draw(invented.MILLFIELD, mark, Ground())
    ring = view.in_90
    turn = np.radians(ring.turn_deg)
    end = (ring.x + ring.major * np.cos(turn), ring.y + ring.major * np.sin(turn))
    longitude, latitude, _ = Geod().fwd(-35.2, 45.9, 60.0, 20_000.0)
    again = draw(
        replace(invented.MILLFIELD, latitude_deg=float(latitude), longitude_deg=float(longitude)),
        mark,
        Ground(),
    )
    # Both drawings have the footprint's middle in common; compare in kilometres.
    per_km = view.bar_units / float(view.bar_km.split()[0])
    per_km_again = again.bar_units / float(again.bar_km.split()[0])
    first = [(e - c) / per_km for e, c in zip(end, view.centre, strict=True)]
    second = [(s - c) / per_km_again for s, c in zip(again.site, again.centre, strict=True)]
    assert hypot(first[0] - second[0], first[1] - second[1]) < 0.25  # of 20 km


def test_the_scale_bar_is_as_long_as_it_says() -> None:
    mark = Footprint(46.3, -34.9, 128, 10_000.0, 6_000.0, 20_000.0, 12_000.0, 60.0)
    view = draw(invented.MILLFIELD, mark, Ground())
    drawn_km = hypot(view.site[0] - view.centre[0], view.site[1] - view.centre[1]) / (
        view.bar_units / float(view.bar_km.split()[0])
    )
    true_m = Geod().inv(-35.90, 45.60, -34.9, 46.3)[2]
    assert drawn_km == pytest.approx(true_m / 1000.0, rel=0.01)


def test_all_of_the_footprint_and_the_site_lie_in_the_frame() -> None:
    for bearing in (0.0, 30.0, 90.0, 150.0):
        for landing in ((45.9, -35.2), (44.0, -35.9), (45.6, -35.9), (47.5, -39.0)):
            mark = Footprint(*landing, 64, 1e4, 5e3, 30_000.0, 9_000.0, bearing)
            view = draw(invented.MILLFIELD, mark, Ground())
            ring, turn = view.in_90, np.radians(view.in_90.turn_deg)
            reach = (
                hypot(ring.major * np.cos(turn), ring.minor * np.sin(turn)),
                hypot(ring.major * np.sin(turn), ring.minor * np.cos(turn)),
            )
            for at, far in ((view.centre, reach), (view.site, (0.0, 0.0))):
                assert far[0] < at[0] < WIDTH - far[0]
                assert far[1] < at[1] < view.height - far[1]


def test_outlines_are_cut_thinned_and_bounded() -> None:
    lake = shapely.Point(-35.0, 46.0).buffer(0.5, quad_segs=256)
    roads = [
        Road(f"{i}", kind, shapely.LineString([(-36 + 1e-3 * j, 46 + 1e-2 * (j % 2) + i * 1e-3)
                                               for j in range(2000)]))
        for i, kind in enumerate([RoadClass.TRACK] * 20 + [RoadClass.PRIMARY])
    ]  # fmt: skip
    ground = Ground(Areas([Area("Mere", AreaKind.WATER, lake)]), Roads(roads))
    frame = Frame(45.0, -36.0, 47.0, -35.0)
    found = outlines(ground, frame, 1e-4)
    water = found[0]
    assert (water.name, water.kind) == ("Mere", AreaKind.WATER)
    assert water.lines[0][:, 1].max() <= -35.0  # the eastern half is cut off
    assert water.size == pytest.approx(np.pi * 0.25 / 2.0, rel=1e-3)
    assert len(water.lines[0]) < 200
    assert sum(len(line) for each in found for line in each.lines) <= MOST_VERTICES
    assert found[-1].kind is RoadClass.PRIMARY  # what matters most is kept, and drawn last
    assert sum(each.kind is RoadClass.TRACK for each in found) < 20


def test_the_description_follows_from_the_footprint() -> None:
    mark = Footprint(45.6, -35.0, 64, 5_000.0, 2_500.0, 10_000.0, 5_000.0, 92.0)
    spoken = draw(invented.MILLFIELD, mark, Ground()).spoken
    assert "lies 70\xa0km east of Millfield" in spoken
    assert "Half of the flights land in an ellipse of 10 by 5 km" in spoken
    assert "nine in ten in one of 20 by 10 km, its long axis towards east" in spoken


# The day


def test_the_day_runs_from_set_up_to_landing(week: Week) -> None:
    hour = invented.hour(invented.at(9))
    told = dict(timeline(hour, invented.MILLFIELD, week.facts.plan).said)
    assert told["Set-up"] == "Thu 7 May 06:00"
    assert told["Release"] == "Thu 7 May 07:00 (09:00 UTC)"
    assert told["Hold until"] == "Thu 7 May 07:30"
    assert told["Landing"] == "Thu 7 May 09:11"
    assert told["Sun up"].startswith("Thu 7 May 0")


def test_a_day_without_night_or_landing_is_drawn(week: Week) -> None:
    site = replace(invented.MILLFIELD, latitude_deg=75.0)
    june = replace(invented.refused(invented.at(9) + timedelta(days=45)), site=site.name)
    view = timeline(june, site, week.facts.plan)
    assert view.light == ()
    assert dict(view.said)["Landing"] == "not known"
    assert june.verdict is Verdict.UNKNOWN
