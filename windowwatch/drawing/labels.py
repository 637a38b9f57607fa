"""Names in a drawing: beside what they name, and off one another, signs and lines. Pure."""

from dataclasses import dataclass
from math import cos, radians, sin

import numpy as np

from windowwatch.units import FloatArray

_LETTER = 7.4  # width of a letter of 13 units
_UP, _DOWN = 12.0, 4.0
#: How far from its place a name that must be read is looked for room, and in which directions.
_REACHES = tuple(range(24, 200, 12))
_TURNS = tuple(radians(turn) for turn in range(0, 360, 30))
#: How high the scale bar is with its words.
_FOOT = 26.0

Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class Label:
    """A name at a place, `anchor` as SVG has it."""

    x: float
    y: float
    text: str
    bold: bool = False
    anchor: str = "middle"


class Labels:
    """Places names one after the other; what finds no room is left out.

    Parameters
    ----------
    width, height : float
        Of the drawing.
    scale : (float, float), optional
        From where to where the scale bar with its words lies, at the foot.
    """

    def __init__(
        self, width: float, height: float, scale: tuple[float, float] = (0.0, 0.0)
    ) -> None:
        self._width, self._height = width, height
        # The arrow of north is there already.
        self._taken: list[Box] = [
            (width - 32.0, 0.0, width, 48.0),
            (scale[0], height - _FOOT, scale[1], height),
        ]
        self._lines: list[Box] = []
        self._placed: list[Label] = []

    @property
    def placed(self) -> tuple[Label, ...]:
        """All that found room."""
        return tuple(self._placed)

    def keep_off_signs(self, places: FloatArray) -> None:
        """Let no name lie on these places, x and y of signs, [N, 2]."""
        self._taken += _boxes(places, 6.0)

    def keep_off_line(self, points: FloatArray) -> None:
        """Let no name lie on a line of close points, [N, 2], but one that must be read."""
        self._lines += _boxes(points, 1.5)

    def at(self, place: tuple[float, float], text: str) -> bool:
        """Put a name on a place; False when there is no room."""
        return self._put(Label(place[0], place[1] + 4.0, text))

    def beside(
        self, place: tuple[float, float], text: str, *, bold: bool = False, must: bool = False
    ) -> bool:
        """Put a name on one of the sides of a mark; False when there is no room.

        One that must be read lies on a line rather than nowhere.
        """
        x, y = place
        right, left = (x + 9.0, "start"), (x - 9.0, "end")
        sides = (right, left) if x < self._width / 2.0 else (left, right)
        beside = [(side, dy) for dy in (-7.0, 5.0, 17.0) for side in sides]
        # Above and below, where a line runs from side to side.
        beside += [((x, "middle"), dy) for dy in (-11.0, 22.0)]
        beside += [(side, dy) for dy in (-20.0, 30.0) for side in sides]
        return any(
            self._put(Label(at_x, y + dy, text, bold, anchor), on_lines=on_lines)
            for on_lines in ((False, True) if must else (False,))
            for (at_x, anchor), dy in beside
        )

    def near(self, place: tuple[float, float], text: str) -> bool:
        """Put a name that must be read on a place, beside it, or as near to it as there is room."""
        if self.at(place, text) or self.beside(place, text, must=True):
            return True
        x, y = place
        return any(
            self._put(
                Label(x + reach * cos(turn), y + 4.0 + reach * sin(turn), text), on_lines=True
            )
            for reach in _REACHES
            for turn in _TURNS
        )

    def _put(self, label: Label, *, on_lines: bool = False) -> bool:
        left, top, right, bottom = box = _box(label)
        if left < 2.0 or top < 2.0 or right > self._width - 2.0 or bottom > self._height - 2.0:
            return False
        taken = self._taken if on_lines else [*self._taken, *self._lines]
        if any(left < o[2] and o[0] < right and top < o[3] and o[1] < bottom for o in taken):
            return False
        self._taken.append(box)
        self._placed.append(label)
        return True


def _boxes(places: FloatArray, reach: float) -> list[Box]:
    found = np.hstack((places - reach, places + reach)).tolist()
    return [(left, top, right, bottom) for left, top, right, bottom in found]


def _box(label: Label) -> Box:
    width = _LETTER * len(label.text) * (1.1 if label.bold else 1.0)
    left = label.x - {"start": 0.0, "middle": 0.5, "end": 1.0}[label.anchor] * width
    return left, label.y - _UP, left + width, label.y + _DOWN
