"""`check --live` against a provider on the loopback, as it is and with each fault."""

import re
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from fetching import MEMBER_LEVELS
from line_watch import settings_in
from provider import (
    BEFORE,
    CYCLE,
    Provider,
    b_files_late,
    fill_ecmwf,
    fill_gefs,
    fill_gfs,
    index_of_the_day_before,
    moved_for_good,
    overloaded,
    provider,
    renamed,
    samples,
    sent_away,
    too_many,
    web_page,
)

from windowwatch.cli.main import main
from windowwatch.watch.probe import MOST_BYTES, MOST_REQUESTS

STEPS = tuple(range(15, 42, 3))
#: Well after the cycle of 12 UTC was complete, and long before that of 18 UTC is due.
NOW = "2026-05-04T18:40Z"


@pytest.fixture
def host() -> Iterator[Provider]:
    with provider() as its:
        fill_gfs(its, STEPS, levels_hpa=MEMBER_LEVELS)
        fill_gfs(its, tuple(range(21, 48, 3)), BEFORE, MEMBER_LEVELS)
        yield its


def settings(folder: Path, host: Provider, more: str = "", source: str = "gfs-0.25") -> Path:
    levels = [float(p) for p in MEMBER_LEVELS]
    table = f"""
[forecast]
source = "{source}"
range_urls = ["{host.url}"]
filter_script_urls = ["{host.url}/cgi-bin"]
filter_file_urls = ["{host.url}"]
{f"levels_hpa = {levels}" if source == "gfs-0.25" else ""}
connect_timeout_s = 5
{more}
"""
    return settings_in(
        folder,
        table,
        model=f'"{source}"',
        latitude_deg="45.6",
        longitude_deg="-35.9",
        first_utc="2026-05-05T08:00:00Z",
        last_utc="2026-05-05T20:00:00Z",
    )


def live(path: Path, at: str = NOW, *more: str) -> tuple[int, str]:
    """Exit code and what was said, each line unfolded."""
    done = CliRunner().invoke(
        main,
        ["check", "--live", "--settings", str(path), "--at", at, *more],
        env={"COLUMNS": "120"},
    )
    words = re.sub(r"\n {5,}", " ", done.output)
    return done.exit_code, words


def spent(words: str) -> tuple[int, float]:
    """Requests and megabytes, as told."""
    found = re.search(r"(\d+) requests, ([\d.]+) MB", words)
    assert found, words
    return int(found[1]), float(found[2])


def wind_of_the_sample(step_h: int) -> float:
    """10 m wind at the grid point nearest the site, by a plain ecCodes loop."""
    import eccodes

    speeds = []
    for message in samples(f"skerra-{CYCLE:%Y-%m-%dT%HZ}.grib2", (step_h,)):
        if message.number in ((0, 2, 2, 103, 10), (0, 2, 3, 103, 10)) and message.end_h == step_h:
            handle = eccodes.codes_new_from_message(message.data)
            (near,) = eccodes.codes_grib_find_nearest(handle, 45.6, -35.9)
            speeds.append(near.value)
            eccodes.codes_release(handle)
    u, v = speeds
    return float((u**2 + v**2) ** 0.5)


def test_all_is_well(tmp_path: Path, host: Provider) -> None:
    code, words = live(settings(tmp_path, host))
    assert code == 0, words
    assert "04 May 12Z (+15 h), 6.7 h" in words
    assert f"value: 10 m wind {wind_of_the_sample(15):.1f} m/s at Field" in words
    assert "valid Tue 05 May 03:00 UTC" in words
    assert words.count("reaches +39 h, as needed (04 May 12Z)") == 2
    assert "gh, t, u, v on 12 levels, 1000 to 5 hPa" in words
    assert words.count("missing: freezing rain; lifted index; relative humidity") == 2
    assert "lost" not in words, "these settings ask for none of that"
    requests, megabytes = spent(words)
    assert requests == len(host.log) <= MOST_REQUESTS
    assert megabytes * 1e6 <= MOST_BYTES


def test_nothing_but_small_questions_is_asked(tmp_path: Path, host: Provider) -> None:
    live(settings(tmp_path, host))
    assert {r.path.rpartition(".")[2] for r in host.log if not r.span and not r.query} == {"idx"}
    (cut,) = [r for r in host.log if r.query]
    assert sorted(key for key in cut.query if key.startswith("var_")) == ["var_UGRD", "var_VGRD"]
    assert len([r for r in host.log if r.span]) == 1


def of_gfs(name: str) -> Callable[[Provider], None]:
    faults = {
        "302": sent_away,
        "301": moved_for_good,
        "429": too_many(),
        "429 with Retry-After": too_many("1800"),
        "503": overloaded(),
        "503 with Retry-After": overloaded("90"),
        "page": web_page,
        "404": lambda _r, h: h.say(404, b""),
        "500": lambda _r, h: h.say(500, b""),
    }

    def make(host: Provider) -> None:
        host.fault = faults[name]

    return make


def stale(host: Provider) -> None:
    index_of_the_day_before(host)


def under_another_name(host: Provider) -> None:
    renamed(host, "pgrb2.0p", "pres_a.0p")


FAULTS: dict[str, tuple[Callable[[Provider], None], str]] = {
    "302": (of_gfs("302"), "sends us away to https://www.example.invalid/limits (HTTP 302)"),
    "301": (of_gfs("301"), "has moved this to https://new.example.invalid/gfs/file (HTTP 301)"),
    "429": (of_gfs("429"), "refuses us (HTTP 429)"),
    "429 with Retry-After": (
        of_gfs("429 with Retry-After"),
        "refuses us (HTTP 429); left alone for 1800 s",
    ),
    "503": (of_gfs("503"), "answers HTTP 503"),
    "503 with Retry-After": (
        of_gfs("503 with Retry-After"),
        "is overloaded (HTTP 503); left alone for 90 s",
    ),
    "page": (of_gfs("page"), "answers with a web page in place of an index"),
    "404": (
        of_gfs("404"),
        "nothing is there (404) of the cycles 04 May 12Z, 04 May 06Z, 04 May 00Z: moved, ended",
    ),
    "500": (of_gfs("500"), "answers HTTP 500"),
    "stale": (stale, "is the index of 2026-05-03T12Z, not of 2026-05-04T12Z; it is stale"),
    "renamed": (under_another_name, "nothing is there (404) of the cycles 04 May 12Z"),
}


@pytest.mark.fault
@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_one_readable_line(name: str, tmp_path: Path, host: Provider) -> None:
    make, said = FAULTS[name]
    make(host)
    code, words = live(settings(tmp_path, host))
    assert said in words
    assert "gives nothing: " in words
    assert code != 0
    assert "no way leads to gfs-0.25 at present" in words
    assert "Traceback" not in words
    asked = Counter((r.path, *sorted(r.query)) for r in host.log)
    assert max(asked.values()) <= 2, "what fails is asked once by each of the two ways"
    assert len(host.log) <= MOST_REQUESTS


@pytest.mark.fault
def test_no_route_to_the_host(tmp_path: Path) -> None:
    gone = Provider(url="http://127.0.0.1:9")
    code, words = live(settings(tmp_path, gone))
    assert code != 0
    assert "Connection refused" in words
    assert "127.0.0.1:9" in words


@pytest.mark.fault
def test_one_way_in_trouble_the_other_well(tmp_path: Path, host: Provider) -> None:
    host.fault = lambda r, h: "/filter_" in r.path and web_page(r, h)
    code, words = live(settings(tmp_path, host))
    assert code == 0, "there is a way"
    assert "its data: answers with a web page in place of GRIB" in words
    assert words.count("value: 10 m wind") == 1


@pytest.mark.fault
def test_late_b_files_are_said(tmp_path: Path) -> None:
    with provider() as host:
        fill_gefs(host, (18, 24, 30, 36), "ab")
        b_files_late(host)
        _, words = live(settings(tmp_path, host, "step_every_h = 6", "gefs"))
        assert "the files b of this cycle are not there yet" in words
        assert "04 May 12Z (+18 h)" in words


def test_what_the_settings_lose_is_said(tmp_path: Path, host: Provider) -> None:
    for path, messages in host.files.items():
        host.files[path] = tuple(m for m in messages if ":VIS:" not in m.noaa)
    code, words = live(settings(tmp_path, host))
    assert code == 0
    assert "freezing rain; lifted index; relative humidity; visibility" in words
    assert "lost by these settings: the checks visibility get no field of theirs" in words


@pytest.mark.fault
def test_a_level_that_is_missing_aloft_grounds_the_way(tmp_path: Path, host: Provider) -> None:
    for path, messages in host.files.items():
        host.files[path] = tuple(m for m in messages if "HGT:500 mb" not in m.noaa)
    _, words = live(settings(tmp_path, host))
    assert "missing: gh at 500 hPa" in words
    assert "every file of this way is refused" in words


def test_a_cycle_that_is_due_and_not_there_gives_way_to_the_one_before(
    tmp_path: Path, host: Provider
) -> None:
    host.late = lambda path: f"{CYCLE:/%H/}" in path
    _, words = live(settings(tmp_path, host), "2026-05-04T16:00Z")
    assert "04 May 06Z (+21 h), 10.0 h" in words


def test_ecmwf_and_a_second_model_share_the_questions(tmp_path: Path, host: Provider) -> None:
    fill_ecmwf(host, (0, *range(15, 42, 3)))
    more = f"""
[[opinions]]
model = "ifs"
source = "ifs"
range_urls = ["{host.url}"]
"""
    _, words = live(settings(tmp_path, host, more), "2026-05-04T22:00Z")
    assert "ECMWF index and byte ranges" in words
    assert "04 May 12Z (+15 h), 10.0 h" in words
    requests, megabytes = spent(words)
    assert requests <= MOST_REQUESTS
    assert megabytes <= 2.0


def test_the_questions_end_when_they_are_spent(
    tmp_path: Path, host: Provider, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("windowwatch.watch.probe.MOST_REQUESTS", 3)
    _, words = live(settings(tmp_path, host))
    assert len(host.log) == 3
    assert "not asked" in words


def test_folders_are_not_asked(tmp_path: Path) -> None:
    code, words = live(settings_in(tmp_path))
    assert code == 0
    assert words.startswith(("nothing is fetched: ", "the watched days are over"))


def test_what_was_answered_can_be_kept(tmp_path: Path, host: Provider) -> None:
    kept = tmp_path / "kept"
    code, words = live(settings(tmp_path, host), NOW, "--record", str(kept))
    assert code == 0, words
    assert len((kept / "answers.jsonl").read_text().splitlines()) == len(host.log)
    code, words = live(settings(tmp_path, host), NOW, "--record", str(kept))
    assert code != 0
    assert "holds something already; give a new or an empty folder" in words


def test_the_days_over_nobody_is_asked(tmp_path: Path, host: Provider) -> None:
    code, words = live(settings(tmp_path, host), "2026-05-07T00:00Z")
    assert code == 0
    assert "the watched days are over" in words
    assert host.log == []
