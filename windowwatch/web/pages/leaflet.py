"""Leaflet's files, served from our own address: the only module that knows xstatic."""

from collections.abc import MutableMapping
from importlib.metadata import version
from importlib.resources import files
from typing import Any

from starlette.responses import Response
from starlette.routing import Mount
from starlette.staticfiles import StaticFiles

#: The version is in the address, so a browser may keep the files for good.
LEAFLET_URL = f"/lib/leaflet-{version('XStatic-Leaflet')}"


class _Kept(StaticFiles):
    """Files that never change at their address."""

    async def get_response(self, path: str, scope: MutableMapping[str, Any]) -> Response:
        answer = await super().get_response(path, scope)
        answer.headers["cache-control"] = "public, max-age=31536000, immutable"
        return answer


def leaflet_files() -> Mount:
    """Where Leaflet is; its images lie beside its style, so the whole folder is served."""
    return Mount(LEAFLET_URL, _Kept(directory=str(files("xstatic.pkg.leaflet") / "data")))
