"""Forms that are posted: short, from a page of ours, and nothing else."""

import hmac
import secrets
from urllib.parse import parse_qs

from starlette.requests import Request

from windowwatch.web.access import same_origin

#: Longer forms are not read. [byte]
LONGEST_FORM = 4096


class FormError(Exception):
    """A form that is not taken; `status` and words for its sender."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status = status
        self.words = words


async def posted(request: Request) -> dict[str, str]:
    """Fields of a form, the first value of each.

    Raises
    ------
    FormError
        If it comes from a page of somebody else, or is too long.
    """
    if not same_origin(request.headers):
        raise FormError(403, "That form did not come from this page.")
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > LONGEST_FORM:
            raise FormError(413, "That is too long.")
    try:
        fields = parse_qs(body.decode("utf-8", "replace"), max_num_fields=5)
    except ValueError:
        raise FormError(400, "That form has too many fields.") from None
    return {name: values[0] for name, values in fields.items()}


class Seal:
    """A word that only pages of ours know, so that no other page can post in a visitor's name."""

    def __init__(self) -> None:
        self.word = secrets.token_urlsafe(24)

    def check(self, fields: dict[str, str]) -> None:
        """Raise FormError unless the form carries the word."""
        if not hmac.compare_digest(fields.get("seal", "").encode(), self.word.encode()):
            raise FormError(403, "That form is from before the last start; load the page anew.")
