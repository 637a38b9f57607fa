"""A recorded folder answers again: what a provider said once, on the loopback.

Whoever ran `windowwatch pass --record FOLDER` or `check --live --record FOLDER` against the real
providers can hand the folder to a test. Questions are known by path, query and range; asked
again, they get their answers in the order in which these came, the last one from then on.
"""

import json
import threading
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

#: Headers that the server of the replay sets itself.
_ITS_OWN = {"content-length", "connection", "transfer-encoding", "date", "server"}


@dataclass
class Replay:
    """Recorded answers by what was asked, and where they can be asked for."""

    folder: Path
    answers: dict[tuple[str, str], list[dict[str, Any]]]
    url: str = ""
    unknown: list[str] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def next_to(self, asked: tuple[str, str]) -> dict[str, Any] | None:
        with self.lock:
            left = self.answers.get(asked)
            if not left:
                self.unknown.append(asked[0])
                return None
            return left.pop(0) if len(left) > 1 else left[0]


def recorded(folder: Path) -> list[dict[str, Any]]:
    """Lines of a recorded folder."""
    text = (folder / "answers.jsonl").read_text(encoding="utf-8")
    return [json.loads(line) for line in text.splitlines()]


def _asked(line: dict[str, Any]) -> tuple[str, str]:
    parts = urlsplit(line["url"])
    query = f"?{parts.query}" if parts.query else ""
    return f"{parts.path}{query}", line["headers_asked"].get("Range", "")


@contextmanager
def replay(folder: Path) -> Iterator[Replay]:
    """A server that answers as the folder says; `unknown` are questions nobody asked before."""
    answers = defaultdict(list)
    for line in sorted(recorded(folder), key=lambda line: line["number"]):
        if "status" in line and ("body" in line or line["size_bytes"] == 0):
            answers[_asked(line)].append(line)
    its = Replay(folder, dict(answers))

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_GET(self) -> None:
            line = its.next_to((self.path, self.headers.get("Range", "")))
            status = 404 if line is None else line["status"]
            body = b""
            if line is not None and "body" in line:
                body = (folder / line["body"]).read_bytes()
            self.send_response(status)
            for name, value in ({} if line is None else line["headers"]).items():
                if name not in _ITS_OWN and value != "LEFT-OUT":
                    self.send_header(name, value)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002
            """Stay silent."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    its.url = f"http://127.0.0.1:{server.server_address[1]}"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield its
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
