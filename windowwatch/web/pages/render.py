"""Templates to HTML: the only module that knows Jinja2."""

from collections.abc import Callable
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from windowwatch.drawing.credits import credit_lines, gathered
from windowwatch.drawing.svg import hatches_svg, map_svg, samples_svg
from windowwatch.web import words


class Pages:
    """Renders templates; everything put into them is escaped."""

    def __init__(self) -> None:
        self._templates = Environment(
            loader=PackageLoader("windowwatch.web"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            auto_reload=False,
        )
        self._templates.globals.update(
            credits=credit_lines,
            hatches=_as_it_is(hatches_svg),
            map=_as_it_is(map_svg),
            samples=lambda view: [(Markup(svg), text) for svg, text in samples_svg(view)],
        )
        self._templates.filters.update(
            gathered=gathered,
            score=words.score_words,
            chance=words.chance_words,
            km=words.km_words,
            utc=words.utc_words,
            lasting=words.length_words,
        )

    def render(self, name: str, **values: Any) -> str:
        """HTML of a template."""
        return self._templates.get_template(name).render(**values)


def _as_it_is(drawn: Callable[..., str]) -> Callable[..., Markup]:
    """What draws escapes its texts itself."""
    return lambda *values: Markup(drawn(*values))
