"""Lambert conformal conic by pyproj, the independent reference, in a process of its own.

pyproj and ecCodes crash together in one process; see `geodesic`.
"""

import pickle
import subprocess
import sys
from typing import Any

import numpy as np
from numpy.typing import NDArray

_ONCE = """
import pickle, sys
from pyproj import Proj
parallels, meridian, radius, longitude, latitude = pickle.load(sys.stdin.buffer)
cone = Proj(proj="lcc", lat_1=parallels[0], lat_2=parallels[1], lat_0=parallels[0],
            lon_0=meridian, R=radius)
x, y = cone(longitude, latitude)
factors = cone.get_factors(longitude, latitude)
pickle.dump((x, y, factors.meridian_convergence), sys.stdout.buffer)
"""


def lambert(
    parallels_deg: tuple[float, float],
    meridian_deg: float,
    radius_m: float,
    longitude_deg: NDArray[np.float64],
    latitude_deg: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Right and up from the first parallel on the meridian [m], and meridian convergence [deg]."""
    given: Any = (parallels_deg, meridian_deg, radius_m, longitude_deg, latitude_deg)
    done = subprocess.run(
        [sys.executable, "-c", _ONCE], input=pickle.dumps(given), capture_output=True, check=True
    )
    found: tuple[Any, Any, Any] = pickle.loads(done.stdout)
    return found
