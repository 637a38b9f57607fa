"""Templates to HTML: the only module that knows Jinja2."""

from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from windowwatch.web.credits import credit_lines, gathered
from windowwatch.wording import page as words


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
        self._templates.globals["credits"] = credit_lines
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
