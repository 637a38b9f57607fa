"""Geodesics on WGS 84 by pyproj, the independent reference of the tests.

pyproj runs in a process of its own: the wheels of pyproj and ecCodes carry different builds
of PROJ, ecCodes' one is loaded for everybody, and a process that imports both crashes
(seen with pyproj 3.7.2 and eccodes 2.50.0).
"""

import atexit
import pickle
import subprocess
import sys
from typing import Any

_SERVER = """
import pickle, sys
from pyproj import Geod
geod = Geod(ellps="WGS84")
while True:
    try:
        name, given = pickle.load(sys.stdin.buffer)
    except EOFError:
        break
    pickle.dump(getattr(geod, name)(*given), sys.stdout.buffer)
    sys.stdout.buffer.flush()
"""


class Geod:
    """The inverse and direct problem for numbers and arrays, longitude first, as in pyproj."""

    _server: "subprocess.Popen[bytes] | None" = None

    def inv(self, lon1: Any, lat1: Any, lon2: Any, lat2: Any) -> tuple[Any, Any, Any]:
        """Azimuth there, azimuth back, distance. [deg, deg, m]"""
        return self._ask("inv", lon1, lat1, lon2, lat2)

    def fwd(self, lon: Any, lat: Any, azimuth: Any, length_m: Any) -> tuple[Any, Any, Any]:
        """Longitude, latitude, azimuth back. [deg]"""
        return self._ask("fwd", lon, lat, azimuth, length_m)

    def _ask(self, name: str, *given: Any) -> tuple[Any, Any, Any]:
        if Geod._server is None:
            Geod._server = subprocess.Popen(
                [sys.executable, "-c", _SERVER], stdin=subprocess.PIPE, stdout=subprocess.PIPE
            )
            atexit.register(_stop, Geod._server)
        server = Geod._server
        assert server.stdin is not None
        assert server.stdout is not None
        pickle.dump((name, given), server.stdin)
        server.stdin.flush()
        first, second, third = pickle.load(server.stdout)
        return first, second, third


def _stop(server: "subprocess.Popen[bytes]") -> None:
    assert server.stdin is not None
    assert server.stdout is not None
    server.stdin.close()
    server.wait(10)
    server.stdout.close()
