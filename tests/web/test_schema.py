"""The data addresses asked everything that their description allows, by schemathesis.

No question may break them, and every answer must be as it is described.
"""

from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings, strategies
from page_week import Week
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]
QUICK, THOROUGH = 4, 150


def real_words(week: Week) -> dict[str, str]:
    """Parameters that mean something."""
    words = {"site": "millfield", "time": "20260507T1300Z", "cycle": "skerra-2026-05-04T18Z"}
    for window in week.store.current_windows(week.facts.watch)[:1]:
        words["window"] = window.uid
    return words


def ask(week: Week, examples: int) -> int:
    """Ask each address so many questions; returns how many were asked."""
    schema: Any = schemathesis.openapi.from_url(f"{week.url()}/data/openapi.json")
    known = real_words(week)
    return sum(ask_one(each.ok(), known, examples) for each in schema.get_all_operations())


def ask_one(operation: Any, known: dict[str, str], examples: int) -> int:
    """Ask one address."""
    # 503 is what /health is described to answer while results may not be planned by.
    checks = CHECKS[1:] if operation.path == "/health" else CHECKS
    fitting = sorted({each.name for each in operation.query} & set(known))
    pick = strategies.sampled_from(fitting) if fitting else strategies.nothing()
    count = 0

    @settings(
        max_examples=examples,
        phases=[Phase.explicit, Phase.generate],
        derandomize=True,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy(), real=strategies.sets(pick))
    def asked(case: Any, real: set[str]) -> None:
        nonlocal count
        count += 1
        # By chance alone, no site and no window of ours would ever be asked for.
        case.query = {**(case.query or {}), **{name: known[name] for name in real}}
        case.call_and_validate(checks=checks)

    asked()
    return count


def test_no_question_breaks_an_address(week: Week) -> None:
    assert ask(week, QUICK) >= 13


def test_before_the_first_pass_either(empty_week: Week) -> None:
    assert ask(empty_week, 2) >= 13


@pytest.mark.slow
def test_no_question_of_very_many_breaks_an_address(week: Week) -> None:
    assert ask(week, THOROUGH) > 500
