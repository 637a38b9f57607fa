"""The board is made and compressed once for all, and not sent to one who has it."""

import gzip
from datetime import timedelta

import httpx
import pytest
from page_week import Week


def test_a_copy_that_still_holds_is_not_sent_again(week: Week) -> None:
    first = week.client().get("/")
    etag = first.headers["etag"]
    assert first.headers["content-encoding"] == "gzip"
    assert "accept-encoding" in first.headers["vary"].lower()
    again = week.client().get("/", headers={"if-none-match": f'"other", {etag}'})
    assert (again.status_code, again.content) == (304, b"")
    assert again.headers["etag"] == etag
    assert "content-security-policy" in again.headers
    plain = week.client().get("/", headers={"accept-encoding": "identity"})
    assert "content-encoding" not in plain.headers
    assert plain.text == first.text
    raw = httpx.request("GET", f"{week.url()}/", headers={"accept-encoding": "gzip"})
    assert raw.text == first.text
    later = week.client(week.ended_utc + timedelta(hours=30))
    assert later.get("/", headers={"if-none-match": etag}).status_code == 200


def test_compressed_bytes_are_those_of_the_page(
    week: Week, monkeypatch: pytest.MonkeyPatch
) -> None:
    packed: list[bytes] = []
    whole = gzip.compress

    def seen(data: bytes, *more: int, **other: int) -> bytes:
        packed.append(data)
        return whole(data, *more, **other)

    monkeypatch.setattr(gzip, "compress", seen)
    moment = week.ended_utc + timedelta(hours=1)
    texts = {week.client(moment).get("/").text for _ in range(5)}
    assert len(texts) == 1
    assert len(packed) == 1  # five readers, one compression
    assert packed[0].decode() in texts
