"""A way to a server on loopback that can be shut and opened: a network that fails."""

import socket
import threading
from contextlib import suppress
from typing import Any

from sink import free_port


class Doorway:
    """A way to a server on loopback that can be shut and opened."""

    def __init__(self, host: str, port: int) -> None:
        self._to = (host, port)
        self.port = free_port()
        self._open: list[socket.socket] = []
        self._server: socket.socket | None = None
        self._lock = threading.Lock()

    def open(self) -> None:
        """Let everybody through."""
        self._server = socket.create_server(("127.0.0.1", self.port))
        self._start(self._take, self._server)

    def shut(self) -> None:
        """Let nobody through, and break every connection."""
        with self._lock:
            server, self._server = self._server, None
            assert server is not None
            broken, self._open = [server, *self._open], []
        for each in broken:
            with suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
            each.close()

    def _start(self, what: Any, *given: Any) -> None:
        threading.Thread(target=what, args=given, daemon=True).start()

    def _take(self, server: socket.socket) -> None:
        while True:
            try:
                ours = server.accept()[0]
                theirs = socket.create_connection(self._to)
            except OSError:
                return
            with self._lock:
                if self._server is not server:  # shut meanwhile
                    ours.close()
                    theirs.close()
                    return
                self._open += [ours, theirs]
            self._start(self._carry, ours, theirs)
            self._start(self._carry, theirs, ours)

    def _carry(self, one: socket.socket, other: socket.socket) -> None:
        with suppress(OSError):
            while data := one.recv(65536):
                other.sendall(data)
        with suppress(OSError):
            other.shutdown(socket.SHUT_WR)
