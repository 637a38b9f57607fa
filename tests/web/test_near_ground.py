"""An hour's page says which model the air near the ground is from."""

from dataclasses import replace

import invented
import pytest
from page_week import Week

from windowwatch.scoring.values import NearGap, NearGround
from windowwatch.web.values import stamp


@pytest.mark.parametrize(
    ("near", "words", "credited"),
    [
        (
            NearGround("hrrr", "hrrr-2026-05-04T18Z", ("wind", "gust")),
            "Near the ground by hrrr-2026-05-04T18Z: wind, gust.",
            True,
        ),
        (
            NearGround("hrrr", None, (), NearGap.ABSENT),
            "Near the ground by the deciding model, not by hrrr: no cycle of it is at hand.",
            False,
        ),
        (None, "", False),
    ],
)
def test_the_page_says_whose_air_it_is(
    made_week: Week, near: NearGround | None, words: str, credited: bool
) -> None:
    hour = replace(invented.hour(invented.at(9)), near_ground=near)
    made_week.store.save_pass(invented.record(hours=(hour,)))
    client = made_week.client(invented.NOW)
    page = client.get(f"/hour/{hour.site.lower()}/{stamp(hour.time_utc)}").text
    assert words in page
    assert ("Near the ground" in page) == bool(words)
    foot = page[page.index("<footer>") :]
    assert ("HRRR" in foot) is credited
