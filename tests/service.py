"""`windowwatch serve` on the made watch, as a process of its own."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from line_watch import settings_in
from patience import PATIENCE_S

CHANNEL = """
[[channels]]
name = "crew"
url_env = "WINDOWWATCH_TEST_CREW"
"""
AT = "2026-05-04T12:00Z"


class Service:
    """`windowwatch serve` as a process."""

    def __init__(
        self,
        folder: Path,
        more: str,
        environment: dict[str, str],
        database: str = "",
        port: int = 0,
        at: str = AT,
        changes: Mapping[str, str] | None = None,
    ) -> None:
        self.folder = folder
        url = database or f"sqlite:///{folder}/serve.sqlite3"
        self.text = f'\n[database]\nurl = "{url}"\n{more}'
        self.settings = settings_in(folder, CHANNEL + self.text, **(changes or {}))
        self._log = (folder / "log").open("w", encoding="utf-8")
        self.begun = time.monotonic()
        self.process = subprocess.Popen(
            [
                *(sys.executable, "-m", "windowwatch", "--log-json", "serve"),
                *("--settings", str(self.settings), "--port", str(port), "--at", at),
            ],
            stdout=self._log,
            stderr=subprocess.STDOUT,
            env={**os.environ, **environment},
        )

    def log(self) -> list[dict[str, str]]:
        text = (self.folder / "log").read_text(encoding="utf-8")
        return [json.loads(line) for line in text.splitlines() if line.startswith("{")]

    def said(self, words: str) -> bool:
        return any(words in line["message"] for line in self.log())

    def page(self) -> str:
        """The board, as it is served."""
        said = next(each["message"] for each in self.log() if "page on " in each["message"])
        with urllib.request.urlopen(said.split("page on ")[1], timeout=PATIENCE_S) as answer:
            return str(answer.read().decode())

    def until(self, what: Callable[[], bool]) -> None:
        end = time.monotonic() + PATIENCE_S
        while not what():
            assert time.monotonic() < end, (self.folder / "log").read_text(encoding="utf-8")
            assert self.process.poll() is None, (self.folder / "log").read_text(encoding="utf-8")
            time.sleep(0.05)

    def end(self) -> None:
        self.process.kill()
        self.process.wait()
        self._log.close()


@contextmanager
def called() -> Iterator[tuple[str, list[str]]]:
    """A real server on loopback that notes which paths are asked for."""
    paths: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            paths.append(self.path)
            self.send_response(200 if "good" in self.path else 503)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Keep test output clean."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, args=(0.02,))
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}", paths
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def health(port: int) -> dict[str, Any]:
    """What /health says now."""
    try:
        with urllib.request.urlopen(
            f"http://127.0.0.1:{port}/health", timeout=PATIENCE_S
        ) as answer:
            said = answer.read()
    except urllib.error.HTTPError as error:
        said = error.read()
    return dict(json.loads(said))


def stop(service: Service) -> None:
    service.process.send_signal(signal.SIGTERM)
    assert service.process.wait(PATIENCE_S) == 0


def port_of(service: Service) -> int:
    said = next(each["message"] for each in service.log() if "page on " in each["message"])
    return int(said.rstrip("/").rsplit(":", 1)[1])
