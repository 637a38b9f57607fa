"""The page of the limits in force: each of them, and who says so."""

from dataclasses import replace
from types import MappingProxyType

from page_week import Week

from windowwatch.clock import SimulatedClock
from windowwatch.scoring.limits import LIMITS, Limit
from windowwatch.scoring.rules import RuleLimit, Status
from windowwatch.web.access.guard import may_read
from windowwatch.web.app import create_app
from windowwatch.web.pages.limits import limits_view
from windowwatch.web.server import PageServer
from windowwatch.wording.phrases import check_label


def test_every_limit_in_force_is_there_with_its_source(week: Week) -> None:
    plan = week.facts.plan
    view = limits_view(week.facts)
    rows = {row.label: row for _, part in view.parts for row in part}
    assert len(rows) == len(plan.limits)
    assert rows["gust"].limit == f"{plan.limits['gust'].limit:g}\xa0m/s"
    assert rows["cloud"].limit == "87.5\xa0%"  # as it was set, not rounded as values are
    assert rows["flight time"].limit == "5 h"
    for name in LIMITS:
        assert (name in plan.limits) != (check_label(name) in view.not_asked.split("; "))


def test_who_says_so_is_the_table_the_settings_or_the_rule(week: Week) -> None:
    plan = week.facts.plan
    own = MappingProxyType({**plan.limits, "gust": Limit(3.0, 6.5, True)})
    facts = replace(week.facts, plan=replace(plan, limits=own))
    rows = {row.label: row for _, part in limits_view(facts).parts for row in part}
    assert rows["gust"].source == "settings, [limits.gust]"
    assert rows["gust"].limit == "6.5\xa0m/s"
    assert rows["drift"].source == f"default: {LIMITS['drift'].source}"
    assert plan.applied is not None
    assert plan.applied.found.name is not None
    here = (plan.applied.found.name,)
    rule = RuleLimit("gust", 6.5, here, "2.9", Status.CONFIRMED, "no gusts")
    rules = replace(plan.applied.rules, limits=(rule,))
    laid = replace(plan.applied, rules=rules, laid=True)
    by_rule = limits_view(replace(facts, plan=replace(facts.plan, applied=laid)))
    (gust,) = [row for _, part in by_rule.parts for row in part if row.label == "gust"]
    assert gust.source == f"{rules.name} 2.9: gust at most 6.5 m/s (no gusts)"
    assert plan.applied.rules.decides in " ".join(limits_view(facts).rule_set)
    assert limits_view(replace(facts, plan=replace(plan, applied=None))).rule_set == ()


def test_it_is_linked_from_an_hour_and_open_to_guests(week: Week) -> None:
    client = week.client()
    hour = week.store.hours(week.facts.watch)[0]
    path = f"/hour/{hour.site.lower()}/{hour.time_utc:%Y%m%dT%H%MZ}"
    assert 'href="/limits"' in client.get(path).text
    page = client.get("/limits")
    assert page.status_code == 200
    assert "The limits in force" in page.text
    assert may_read("GET", "/limits")


def test_text_of_a_rule_is_escaped(week: Week) -> None:
    plan = week.facts.plan
    assert plan.applied is not None
    rules = replace(plan.applied.rules, title="<script>alert(1)</script>")
    applied = replace(plan.applied, rules=rules)
    facts = replace(week.facts, plan=replace(plan, applied=applied))
    app = create_app(week.store, facts, SimulatedClock(week.ended_utc))
    with PageServer(app, "127.0.0.1", 0) as server:
        text = week.client().get(f"{server.url}limits").text
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert" in text
