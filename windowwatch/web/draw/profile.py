"""Wind, warmth and time along the middle flight, as numbers of an SVG drawing. Pure."""

from dataclasses import dataclass
from math import ceil, floor

import numpy as np

from windowwatch.drawing.flat import FloatArray
from windowwatch.scoring.detail import Track
from windowwatch.units import KELVIN_AT_0_C
from windowwatch.wording.phrases import compass

WIDTH, HEIGHT = 380.0, 360.0
TOP, FOOT = 36.0, 330.0
#: Left and right edge of each panel, and where the arrows stand.
WIND_X, FROM_X, WARMTH_X, TIME_X = (34.0, 116.0), 128.0, (182.0, 266.0), (292.0, 364.0)
#: Heights that the table names. [km]
_ROWS_KM = (1, 2, 3, 5, 8, 10, 12, 15, 18, 20, 25, 30, 35, 40)


@dataclass(frozen=True)
class Mark:
    """A number at a place of an axis."""

    at: float
    text: str


@dataclass(frozen=True)
class Arrow:
    """Wind at a height: it blows towards `turn_deg` from the top, and comes from `text`."""

    x: float
    y: float
    turn_deg: float
    text: str


@dataclass(frozen=True)
class Row:
    """The air at a height, and when the flight is there."""

    height_km: str
    wind_mps: str
    wind_from: str
    warmth_degc: str
    up_min: str
    down_min: str


@dataclass(frozen=True)
class Profile:
    """A whole drawing: paths, axes, and the same in words and as a table."""

    heights: tuple[Mark, ...]
    winds: tuple[Mark, ...]
    warmths: tuple[Mark, ...]
    times: tuple[Mark, ...]
    wind: str
    warmth: str
    up: str
    down: str
    arrows: tuple[Arrow, ...]
    burst: tuple[float, float]
    burst_words: str
    spoken: str
    rows: tuple[Row, ...]


class _Axis:
    """Values to units of the drawing, with round numbers on it."""

    def __init__(self, low: float, high: float, begin: float, end: float, steps: int) -> None:
        widths = (1.0, 2.0, 5.0, 10.0, 20.0, 40.0, 50.0, 60.0, 100.0, 120.0, 200.0)
        step = next((w for w in widths if (high - low) / w <= steps), 500.0)
        self._low, self._high = floor(low / step) * step, ceil(high / step) * step
        self._high = max(self._high, self._low + step)
        self._begin, self._end = begin, end
        self.marks = tuple(
            Mark(round(self.at(value), 1), f"{value:.0f}".replace("-", "−"))
            for value in np.arange(self._low, self._high + step / 2.0, step).tolist()
        )

    def at(self, value: float) -> float:
        """Where a value is."""
        share = (value - self._low) / (self._high - self._low)
        return self._begin + share * (self._end - self._begin)

    def all_at(self, values: FloatArray) -> FloatArray:
        """Where values are."""
        share = (values - self._low) / (self._high - self._low)
        return np.asarray(self._begin + share * (self._end - self._begin))


def profile(track: Track) -> Profile:
    """Draw the air that the middle flight meets on its way up, and when it is where.

    Parameters
    ----------
    track : Track
    """
    i = track.burst_index
    height_km = np.array(track.height_m) / 1000.0
    time_min = (np.array(track.time_unix_s) - track.time_unix_s[0]) / 60.0
    u, v = np.array(track.u_mps[: i + 1]), np.array(track.v_mps[: i + 1])
    wind_mps = np.hypot(u, v)
    warmth_degc = np.array(track.temperature_k[: i + 1]) - KELVIN_AT_0_C
    high = _Axis(0.0, float(height_km.max()), FOOT, TOP, 8)
    fast = _Axis(0.0, float(np.nanmax(wind_mps, initial=1.0)), *WIND_X, 3)
    warm = _Axis(
        float(np.nanmin(warmth_degc, initial=20.0)),
        float(np.nanmax(warmth_degc, initial=-50.0)),
        *WARMTH_X,
        2,
    )
    late = _Axis(0.0, float(time_min[-1]), *TIME_X, 2)
    y = high.all_at(height_km)
    time_x = late.all_at(time_min)
    burst_words = f"burst {height_km[i]:.1f} km, {time_min[i]:.0f} min"
    return Profile(
        heights=high.marks,
        winds=fast.marks,
        warmths=warm.marks,
        times=late.marks,
        wind=_path(fast.all_at(wind_mps), y[: i + 1]),
        warmth=_path(warm.all_at(warmth_degc), y[: i + 1]),
        up=_path(time_x[: i + 1], y[: i + 1]),
        down=_path(time_x[i:], y[i:]),
        arrows=_arrows(height_km[: i + 1], u, v, high),
        burst=(round(float(time_x[i]), 1), round(float(y[i]), 1)),
        burst_words=burst_words,
        spoken=_spoken(height_km, time_min, wind_mps, warmth_degc, (u, v), i),
        rows=_rows(height_km, time_min, (u, v), warmth_degc, i),
    )


def _path(x: FloatArray, y: FloatArray) -> str:
    """A line that is broken where a value is missing."""
    parts, pen = [], "M"
    for a, b in zip(x.tolist(), y.tolist(), strict=True):
        if np.isfinite(a) and np.isfinite(b):
            parts.append(f"{pen}{a:.1f} {b:.1f}")
            pen = "L"
        else:
            pen = "M"
    return "".join(parts)


def _from_deg(u_mps: float, v_mps: float) -> float:
    """Direction that a wind comes from, clockwise from north. [deg]"""
    return float(np.degrees(np.arctan2(-u_mps, -v_mps)) % 360.0)


def _initials(bearing_deg: float) -> str:
    return "".join(word[0] for word in compass(bearing_deg).split("-")).upper()


def _arrows(height_km: FloatArray, u: FloatArray, v: FloatArray, high: _Axis) -> tuple[Arrow, ...]:
    found = []
    top = float(height_km[-1])
    for at_km in np.arange(0.0, top + 0.1, 2.5 if top < 22.0 else 5.0).tolist():
        level = max(at_km, float(height_km[0]))
        wind = (float(np.interp(level, height_km, u)), float(np.interp(level, height_km, v)))
        if np.isfinite(wind).all() and np.hypot(*wind) >= 0.5:
            came = _from_deg(*wind)
            found.append(
                Arrow(FROM_X, round(high.at(level), 1), round(came + 180.0, 0), _initials(came))
            )
    return tuple(found)


def _spoken(
    height_km: FloatArray,
    time_min: FloatArray,
    wind_mps: FloatArray,
    warmth_degc: FloatArray,
    wind: tuple[FloatArray, FloatArray],
    i: int,
) -> str:
    said = [
        f"The middle flight rises in {time_min[i]:.0f} min to {height_km[i]:.1f} km and comes "
        f"down in {time_min[-1] - time_min[i]:.0f} min."
    ]
    if np.isfinite(wind_mps).any():
        k = int(np.nanargmax(wind_mps))
        came = compass(_from_deg(float(wind[0][k]), float(wind[1][k])))
        said.append(f"Strongest wind {wind_mps[k]:.0f} m/s from {came}, at {height_km[k]:.1f} km.")
    if np.isfinite(warmth_degc).any():
        k = int(np.nanargmin(warmth_degc))
        cold = f"{warmth_degc[k]:.0f}".replace("-", "−")
        said.append(f"Coldest air {cold} °C, at {height_km[k]:.1f} km.")
    return " ".join(said)


def _rows(
    height_km: FloatArray,
    time_min: FloatArray,
    wind: tuple[FloatArray, FloatArray],
    warmth_degc: FloatArray,
    i: int,
) -> tuple[Row, ...]:
    up_km, down_km = height_km[: i + 1], height_km[i:][::-1]
    low, high = float(up_km[0]), float(up_km[-1])
    levels = [low, *(km for km in _ROWS_KM if low + 0.3 < km < high - 0.3), high]
    rows = []
    for km in reversed(levels):
        u, v = (float(np.interp(km, up_km, part)) for part in wind)
        speed, warm = float(np.hypot(u, v)), float(np.interp(km, up_km, warmth_degc))
        down = float(np.interp(km, down_km, time_min[i:][::-1]))
        rows.append(
            Row(
                f"{km:.1f}".removesuffix(".0"),
                f"{speed:.0f}" if np.isfinite(speed) else "–",
                _initials(_from_deg(u, v)) if np.isfinite(speed) else "–",
                f"{warm:.0f}".replace("-", "−") if np.isfinite(warm) else "–",
                f"{np.interp(km, up_km, time_min[: i + 1]):.0f}",
                f"{down:.0f}" if km >= float(down_km[0]) else "–",
            )
        )
    return tuple(rows)
