"""A real HTTP server on loopback that takes notices and can be told to refuse them."""

import json
import socket
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Any


def free_port() -> int:
    """A port nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Sink:
    """``with Sink() as sink``: bodies arrive in `sink.received`."""

    def __init__(self, port: int = 0, *, status: int = 200, pause_s: float = 0.0) -> None:
        self.received: list[dict[str, Any]] = []
        self.paths: list[str] = []
        self.status = status
        sink = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                length = int(self.headers["Content-Length"])
                body = self.rfile.read(length)
                if len(body) < length:
                    return  # whoever was sending it has died
                sink.paths.append(self.path)
                if sink.status == 200:
                    sink.received.append(json.loads(body))
                time.sleep(pause_s)  # as a service far away answers
                self.send_response(sink.status)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Keep test output clean."""

        self._server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,))

    @property
    def port(self) -> int:
        """Where it listens."""
        return int(self._server.server_address[1])

    @property
    def url(self) -> str:
        """Its address in apprise's form."""
        return f"json://127.0.0.1:{self.port}/hook"

    def __enter__(self) -> "Sink":
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()
