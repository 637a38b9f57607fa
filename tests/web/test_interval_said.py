"""Where the interval of a chance is given out it is said what it holds."""

import csv
import io
from dataclasses import replace

import invented
import pytest

from windowwatch.scoring.values import Opinion, Verdict
from windowwatch.web.data.export import hour_data, hours_csv
from windowwatch.web.data.openapi import describe

pytestmark = pytest.mark.coverage


def test_json_and_csv_say_that_it_is_sampling_alone() -> None:
    alone = invented.hour(invented.at(9), chance=0.8)
    says = Opinion("ifs", "ifs-2026-05-05T00Z", Verdict.GO, 80.0, 0.2, 0.0)
    heard = replace(alone, chance=0.5, own_chance=0.8, others=(says,))
    assert hour_data(alone)["chance_low"] is not None
    assert hour_data(alone)["chance_interval_holds"] == "sampling"
    assert hour_data(heard)["chance_interval_holds"] is None, "there is no interval"
    first, second = csv.DictReader(io.StringIO(hours_csv([alone, heard])))
    assert (first["chance_interval_holds"], second["chance_interval_holds"]) == ("sampling", "")


def test_the_description_says_it_of_both_ends() -> None:
    fields = describe("1")["components"]["schemas"]["Hour"]["properties"]
    for name in ("chance_low", "chance_high", "chance_interval_holds"):
        assert "sampling alone" in fields[name]["description"]
        assert "not hold the doubt of the forecast" in fields[name]["description"]
    assert "doubt of the forecast is in it" in fields["chance"]["description"]
    assert fields["chance_interval_holds"]["enum"] == ["sampling", None]
