"""The numbers for collectors, read by the rules of Prometheus' text format and by its client."""

import re

from page_week import Week
from prometheus_client.parser import text_string_to_metric_families

from windowwatch.web.data.health import health, metrics_text

_LINE = re.compile(
    r'^(?P<name>[a-z_]+)\{(?P<labels>(?:[a-z_]+="(?:[^"\\\n]|\\[\\"n])*",?)*)\}'
    r" (?P<value>-?[0-9.e+]+)$"
)


def parsed(text: str) -> dict[tuple[str, str], float]:
    """Samples by name and labels; every line is a comment or a sample, each family said first."""
    assert text.endswith("\n")
    found: dict[tuple[str, str], float] = {}
    typed: set[str] = set()
    for line in text.splitlines():
        if line.startswith("# "):
            _, word, name, _ = line.split(" ", 3)
            assert word in {"HELP", "TYPE"}
            if word == "TYPE":
                assert name not in typed
                typed.add(name)
            continue
        match = _LINE.match(line)
        assert match, line
        assert match["name"] in typed
        key = (match["name"], match["labels"])
        assert key not in found
        found[key] = float(match["value"])
    by_client = [
        (sample.name, tuple(sorted(sample.labels.values())), sample.value)
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    ]
    assert len(by_client) == len(set(by_client)) == len(found)
    assert sorted(value for _, _, value in by_client) == sorted(found.values())
    return found


def test_numbers_are_those_of_the_store(week: Week) -> None:
    answer = week.client().get("/metrics")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    found = parsed(answer.text)
    by_name = {name: value for (name, _), value in found.items()}
    newest = week.store.cycles(week.facts.watch)[-1]
    age = (week.ended_utc - newest.cycle.reference_utc).total_seconds()
    assert by_name["windowwatch_cycle_age_seconds"] == age
    assert by_name["windowwatch_last_pass_timestamp_seconds"] == newest.saved_utc.timestamp()
    figures = week.store.channel_figures()
    for name, figure in figures.items():
        label = f'watch="{week.facts.watch}",channel="{name}"'
        assert found["windowwatch_deliveries_sent_total", label] == figure.sent
        assert found["windowwatch_deliveries_pending", label] == figure.pending


def test_before_the_first_pass_nothing_is_made_up(empty_week: Week) -> None:
    found = parsed(empty_week.client().get("/metrics").text)
    names = {name for name, _ in found}
    assert names == {"windowwatch_fresh", "windowwatch_healthy", "windowwatch_windows"}
    assert set(found.values()) == {0.0}


def test_labels_are_escaped(empty_week: Week) -> None:
    state = health(empty_week.facts, None, empty_week.ended_utc, pending={})
    text = metrics_text('a "quoted\\ name"\nof two lines', state, (), {})
    assert len(parsed(text)) == 4
    assert r'watch="a \"quoted\\ name\"\nof two lines"' in text
