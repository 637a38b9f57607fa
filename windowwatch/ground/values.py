"""The ground as scoring sees it: areas, roads, layers on a grid, and where they come from."""

from dataclasses import dataclass

from windowwatch.ground.airspace import Airspace, Permitted
from windowwatch.ground.areas import Areas
from windowwatch.ground.rasters import Rasters
from windowwatch.ground.roads import Roads


@dataclass(frozen=True)
class Ground:
    """What is known about the ground. A part that nobody gave is None, never empty.

    `sources` says in words where the map is from (name, date, licence, attribution); `crews`
    names the bases of `rasters` from which a crew may drive besides the launch site.
    """

    areas: Areas | None = None
    roads: Roads | None = None
    sources: tuple[str, ...] = ()
    rasters: Rasters | None = None
    crews: tuple[str, ...] = ()
    airspace: Airspace | None = None
    permitted: Permitted | None = None
