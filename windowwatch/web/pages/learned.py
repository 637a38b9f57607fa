"""How good forecasts and chances were: the page's values, drawings among them. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

from windowwatch.learning.learned import Learned, Use
from windowwatch.learning.scores import Estimate
from windowwatch.learning.verify import LeadTable
from windowwatch.physics.spread import KNOT_HEIGHT_M
from windowwatch.wording import learned as words

#: The frame that curves are drawn in: left, right, top and bottom, in units of the drawing.
LEFT, RIGHT, TOP, BOTTOM = 44.0, 368.0, 30.0, 246.0
#: Wind errors are drawn up to here; above, few forecasts and no balloon of a team reach. [m]
_TOP_M = 30_000.0


@dataclass(frozen=True)
class Mark:
    """A line of the grid across the whole frame, with its text."""

    at: float
    text: str


@dataclass(frozen=True)
class Point:
    """What was found, with its interval where there is one; `said` reads it aloud."""

    x: float
    y: float
    low: float | None
    high: float | None
    said: str


@dataclass(frozen=True)
class Curves:
    """A drawing: what was found as points on a full line, what was claimed as a broken one.

    `found` and `claimed` are paths of SVG; `rings` are the points of the broken line.
    """

    title: str
    x_name: str
    y_name: str
    xs: tuple[Mark, ...]
    ys: tuple[Mark, ...]
    found: str
    claimed: str
    points: tuple[Point, ...]
    rings: tuple[tuple[float, float], ...]
    claimed_name: str


@dataclass(frozen=True)
class LeadRow:
    """One lead in numbers; `more` says the rest."""

    lead: str
    middle: str
    claimed: str
    in_50: str
    in_90: str
    more: str


@dataclass(frozen=True)
class ModelView:
    """One weather model."""

    name: str
    headline: str
    chances: Curves | None
    bins: tuple[str, ...]
    rows: tuple[LeadRow, ...]
    landings: Curves | None
    winds: Curves | None
    changes: tuple[str, ...]


@dataclass(frozen=True)
class LearnedView:
    """The whole page."""

    headline: str
    known_from: str
    few: str
    models: tuple[ModelView, ...]
    windows: str
    reference: str
    came_true: str
    survey: tuple[str, ...]
    use: str
    used: bool
    faults: tuple[str, ...]


def learned_view(learned: Learned, model: str, flown_with: str | None) -> LearnedView:
    """What the page shows.

    Parameters
    ----------
    learned : Learned
    model : str
        The deciding model: it stands first.
    flown_with : str or None
        Version that the newest pass was flown with.
    """
    models = sorted(words.models_of(learned), key=lambda name: name != model)
    use = Use.SHOW if flown_with is None else Use.USE
    return LearnedView(
        headline=words.headline(learned, models[0] if models else model),
        known_from=words.from_words(learned),
        few=words.few_words(learned),
        models=tuple(_model(learned, name) for name in models),
        windows=words.windows_words(learned),
        reference=words.REFERENCE,
        came_true=words.CAME_TRUE,
        survey=tuple(words.survey_words(learned)),
        use=words.use_words(use, learned),
        used=use is Use.USE,
        faults=learned.faults,
    )


def _model(learned: Learned, name: str) -> ModelView:
    tables = words.tables_of(learned, name)
    with_chances = [table for table in tables if table.chance.bins]
    telling = min(with_chances, key=lambda t: abs(t.lead_h - 48.0), default=None)
    middle = min(tables, key=lambda t: abs(t.lead_h - 48.0))
    return ModelView(
        name,
        words.headline(learned, name),
        None if telling is None else _chances(telling),
        () if telling is None else tuple(words.bin_words(each) for each in telling.chance.bins),
        tuple(map(_row, tables)),
        _landings(tables),
        _winds(middle),
        tuple(words.what_would_change(learned, name)),
    )


def _row(table: LeadTable) -> LeadRow:
    return LeadRow(
        words.lead_words(table.lead_h),
        words.estimate_words(_bare(table.landing_median_km)),
        words.estimate_words(Estimate(table.claimed_median_km)),
        words.estimate_words(_bare(table.inside_50), share=True),
        words.estimate_words(_bare(table.inside_90), share=True),
        words.lead_more_words(table),
    )


def _bare(found: Estimate) -> Estimate:
    return Estimate(found.value)


def _chances(table: LeadTable) -> Curves:
    """The reliability diagram: what chances said along, how many came true upward."""
    scale = _Scale(1.0), _Scale(1.0, upward=True)
    points = [
        _point(scale, each.mean_chance, each.share, words.bin_words(each))
        for each in table.chance.bins
    ]
    ends = ((0.0, 0.0), (1.0, 1.0))
    tens = [(i / 4.0, f"{25 * i}") for i in range(5)]
    return Curves(
        f"Chances {words.lead_words(table.lead_h)} before",
        "chance that was told, %",
        "came true, %",
        tuple(Mark(scale[0].at(x), text) for x, text in tens),
        tuple(Mark(scale[1].at(y), text) for y, text in tens),
        _path([(p.x, p.y) for p in points]),
        _path([(scale[0].at(x), scale[1].at(y)) for x, y in ends]),
        tuple(points),
        (),
        "as it should be",
    )


def _landings(tables: Sequence[LeadTable]) -> Curves | None:
    """Middle distance of landings by lead, found and claimed."""
    known = [t for t in tables if t.landing_median_km.value is not None]
    if not known:
        return None
    found = [t.landing_median_km for t in known]
    claimed = [t.claimed_median_km or 0.0 for t in known]
    highest = max([*claimed, *(each.high or each.value or 0.0 for each in found)])
    across, up = _Scale(len(known), half=True), _Scale(highest, upward=True)
    points = [
        _point((across, up), n, each.landing_median_km, f"{words.lead_words(each.lead_h)}: "
               f"{words.estimate_words(each.landing_median_km)} km")
        for n, each in enumerate(known)
    ]  # fmt: skip
    rings = tuple((across.at(n), up.at(value)) for n, value in enumerate(claimed))
    return Curves(
        "Landings: half of them were nearer than this",
        "before the launch",
        "km off",
        tuple(Mark(across.at(n), words.lead_words(t.lead_h)) for n, t in enumerate(known)),
        up.marks(),
        _path([(p.x, p.y) for p in points]),
        _path(rings),
        tuple(points),
        rings,
        "as had been claimed",
    )


def _winds(table: LeadTable) -> Curves | None:
    """The wind's error by height, found and as the table from memory has it."""
    rows = [
        (height / 1000.0, found, claimed)
        for height, found, claimed in zip(
            KNOT_HEIGHT_M.tolist(), table.wind_rmse_mps, table.wind_claimed_mps, strict=True
        )
        if found.value is not None and claimed is not None and height <= _TOP_M
    ]
    if not rows:
        return None
    highest = max(max(each.high or each.value or 0.0, claimed) for _, each, claimed in rows)
    across, up = _Scale(highest), _Scale(_TOP_M / 1000.0, upward=True)
    points = [
        Point(
            across.at(each.value or 0.0), up.at(km),
            None if each.low is None else across.at(each.low),
            None if each.high is None else across.at(each.high),
            f"{km:.0f} km: {words.estimate_words(each, 1)} m/s, {claimed:.1f} expected",
        )
        for km, each, claimed in rows
    ]  # fmt: skip
    rings = tuple((across.at(claimed), up.at(km)) for km, _, claimed in rows)
    return Curves(
        f"Wind aloft {words.lead_words(table.lead_h)} before",
        "wind error, m/s",
        "km",
        across.marks(),
        up.marks(),
        _path([(p.x, p.y) for p in points]),
        _path(rings),
        tuple(points),
        (),
        "as the error table has it",
    )


class _Scale:
    """From values of an axis that begins at 0 to the drawing."""

    def __init__(self, highest: float, *, upward: bool = False, half: bool = False) -> None:
        self._step = _nice_step(highest) if not half and highest != 1.0 else 1.0
        self._most = highest if half or highest == 1.0 else self._step * ceil(highest / self._step)
        self._upward, self._half = upward, half

    def at(self, value: float) -> float:
        share = (value + (0.5 if self._half else 0.0)) / (self._most or 1.0)
        start, end = (BOTTOM, TOP) if self._upward else (LEFT, RIGHT)
        return round(start + share * (end - start), 1)

    def marks(self) -> tuple[Mark, ...]:
        count = round(self._most / self._step)
        return tuple(Mark(self.at(n * self._step), f"{n * self._step:g}") for n in range(count + 1))


def _nice_step(highest: float) -> float:
    """A step of 1, 2 or 5 that gives three to six of them."""
    step = 0.1
    for step in (x * 10.0**power for power in range(-1, 5) for x in (1.0, 2.0, 5.0)):
        if highest / step <= 5.0:
            break
    return step


def _point(scale: tuple[_Scale, _Scale], x: float, found: Estimate, said: str) -> Point:
    low, high = (None if end is None else scale[1].at(end) for end in (found.low, found.high))
    return Point(scale[0].at(x), scale[1].at(found.value or 0.0), low, high, said)


def _path(points: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:g} {y:g}" for x, y in points)
