"""Names on a drawing that neither run into one another nor over its edge. Pure."""

from dataclasses import dataclass

_LETTER = 7.4  # width of a letter of 13 units
_UP, _DOWN = 12.0, 4.0
#: The lowest strip belongs to the scale bar.
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
    """

    def __init__(self, width: float, height: float) -> None:
        self._width, self._height = width, height
        # The arrow of north is there already.
        self._taken: list[Box] = [(width - 32.0, 0.0, width, 48.0)]
        self._placed: list[Label] = []

    @property
    def placed(self) -> tuple[Label, ...]:
        """All that found room."""
        return tuple(self._placed)

    def at(self, place: tuple[float, float], text: str) -> bool:
        """Put a name on a place; False when there is no room."""
        return self._put(Label(place[0], place[1] + 4.0, text))

    def beside(self, place: tuple[float, float], text: str, *, bold: bool = False) -> bool:
        """Put a name on one of the sides of a mark; False when there is no room."""
        x, y = place
        right, left = (x + 9.0, "start"), (x - 9.0, "end")
        sides = (right, left) if x < self._width / 2.0 else (left, right)
        self._taken.append((x - 5.0, y - 5.0, x + 5.0, y + 5.0))
        for dy in (-7.0, 5.0, 17.0):
            for at_x, anchor in sides:
                if self._put(Label(at_x, y + dy, text, bold, anchor)):
                    return True
        return False

    def _put(self, label: Label) -> bool:
        left, top, right, bottom = box = _box(label)
        if left < 2.0 or top < 2.0 or right > self._width - 2.0:
            return False
        if bottom > self._height - _FOOT:
            return False
        if any(left < o[2] and o[0] < right and top < o[3] and o[1] < bottom for o in self._taken):
            return False
        self._taken.append(box)
        self._placed.append(label)
        return True


def _box(label: Label) -> Box:
    width = _LETTER * len(label.text) * (1.1 if label.bold else 1.0)
    left = label.x - {"start": 0.0, "middle": 0.5, "end": 1.0}[label.anchor] * width
    return left, label.y - _UP, left + width, label.y + _DOWN
