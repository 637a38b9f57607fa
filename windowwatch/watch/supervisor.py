"""What is said to systemd: that the daemon is ready, lives, reloads or stops.

The protocol is sd_notify(3): one datagram to the socket that NOTIFY_SOCKET names. Without
that variable nothing is said.
"""

import os
import socket
import time


class Supervisor:
    """The way to systemd.

    Parameters
    ----------
    environment : mapping of str to str, optional
        Where NOTIFY_SOCKET and WATCHDOG_USEC are looked up; the process's own when None.
    """

    def __init__(self, environment: "os._Environ[str] | dict[str, str] | None" = None) -> None:
        given = os.environ if environment is None else environment
        self._address = given.get("NOTIFY_SOCKET", "")
        micro = given.get("WATCHDOG_USEC", "")
        self._watchdog_s = int(micro) / 1e6 if micro.isdigit() else None

    @property
    def pause_s(self) -> float | None:
        """Pause between two signs of life: half of what systemd waits; None without a watchdog."""
        return None if self._watchdog_s is None else self._watchdog_s / 2.0

    def ready(self) -> None:
        """Say that the daemon does its work."""
        self._say("READY=1")

    def alive(self) -> None:
        """Say that it still does."""
        self._say("WATCHDOG=1")

    def reloading(self) -> None:
        """Say that settings are read again; `ready` is to follow."""
        self._say(f"RELOADING=1\nMONOTONIC_USEC={time.monotonic_ns() // 1000}")

    def stopping(self) -> None:
        """Say that it ends."""
        self._say("STOPPING=1")

    def _say(self, words: str) -> None:
        if not self._address:
            return
        address = "\0" + self._address[1:] if self._address[0] == "@" else self._address
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as door:
            door.setblocking(False)  # one that does not listen must not hold us up
            try:
                door.sendto(words.encode("ascii"), address)
            except OSError:
                return  # a supervisor that is gone or deaf is no reason to end
