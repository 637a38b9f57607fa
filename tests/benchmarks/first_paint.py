"""First visit of each page on a slow phone: bytes over the wire, and when it can be read.

By hand; fails on no time:

    PYTHONPATH=.:tests python tests/benchmarks/first_paint.py

Slow phone: 390 x 844, processor slowed four times, 1.6 Mbit/s down and up, 150 ms. The
browser runs on the same cores as the page.
"""

import tempfile
from pathlib import Path
from typing import Any

import httpx
from page_served import served
from playwright.sync_api import Browser, sync_playwright
from visiting import CHROMIUM, FLAGS, PHONE

_BITS = 1_600_000 / 8
#: Largest contentful paint is told to observers only; ours starts with the page.
_OBSERVE = """
window.largest = 0;
new PerformanceObserver(list => { for (const each of list.getEntries()) window.largest =
each.startTime; }).observe({type: "largest-contentful-paint", buffered: true});
"""


def visit(browser: Browser, url: str) -> tuple[int, int, float, float, float]:
    """Requests, bytes, first paint, largest paint and everything loaded. [1, byte, ms, ms, ms]"""
    context = browser.new_context(**PHONE)
    page = context.new_page()
    page.add_init_script(_OBSERVE)
    session = context.new_cdp_session(page)
    session.send("Network.enable")
    session.send("Network.emulateNetworkConditions", {
        "offline": False, "latency": 150, "downloadThroughput": _BITS, "uploadThroughput": _BITS,
    })  # fmt: skip
    session.send("Emulation.setCPUThrottlingRate", {"rate": 4})
    seen: dict[str, float] = {"bytes": 0, "requests": 0}

    def finished(event: dict[str, Any]) -> None:
        seen["bytes"] += event["encodedDataLength"]
        seen["requests"] += 1

    session.on("Network.loadingFinished", finished)
    page.goto(url, wait_until="load")
    page.wait_for_timeout(1500)
    paint = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
    largest = page.evaluate("window.largest")
    loaded = page.evaluate("performance.getEntriesByType('navigation')[0].loadEventEnd")
    context.close()
    return int(seen["requests"]), int(seen["bytes"]), paint, largest, loaded


def main() -> None:
    """Measure."""
    with tempfile.TemporaryDirectory() as name, served(Path(name)) as port:
        base = f"http://127.0.0.1:{port}"
        windows = httpx.get(f"{base}/data/windows.json").json()["windows"]
        hour = next(
            h for h in httpx.get(f"{base}/data/hours.json").json()["hours"] if h["verdict"] == "go"
        )
        at = hour["time_utc"].replace("-", "").replace(":", "")[:13] + "Z"
        paths = ["/", f"/hour/{hour['site'].lower()}/{at}", "/windows", "/sites", "/notices"]
        paths += [f"/windows/{windows[0]['uid']}{end}" for end in ("", "/sheet")] if windows else []
        with sync_playwright() as play:
            browser = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
            for path in paths:
                runs = sorted((visit(browser, base + path) for _ in range(3)), key=lambda r: r[2])
                requests, size, paint, largest, loaded = runs[1]
                print(
                    f"{path:45} {requests:2d} requests, {size / 1e3:6.1f} kB; first paint "
                    f"{paint:5.0f} ms, largest {largest:5.0f} ms, loaded {loaded:5.0f} ms"
                )
            browser.close()


if __name__ == "__main__":
    main()
