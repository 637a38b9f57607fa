"""Forms that are posted: short, from a page of ours, and nothing else."""

import asyncio
import hmac
import secrets
from urllib.parse import parse_qs

from starlette.requests import Request

from windowwatch.web.access.guard import same_origin

#: Longer forms are not read. [byte]
LONGEST_FORM = 4096
#: A form that has not come whole after so long is given up. [s]
LONGEST_WAIT_S = 10.0


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
    try:
        async with asyncio.timeout(LONGEST_WAIT_S):
            async for part in request.stream():
                body += part
                if len(body) > LONGEST_FORM:
                    raise FormError(413, "That is too long.")
    except TimeoutError:
        raise FormError(408, "That came too slowly.") from None
    try:
        fields = parse_qs(body.decode("utf-8", "replace"), max_num_fields=5)
    except ValueError:
        raise FormError(400, "That form has too many fields.") from None
    return {name: values[0] for name, values in fields.items()}


class CsrfTokens:
    """CSRF tokens: a word for each visitor that only pages of ours know, so no other page can post.

    It is made from a secret of this start and from what the visitor's cookie says, so that
    nobody can read it on a page of his own and use it in another visitor's name.
    """

    def __init__(self) -> None:
        self._key = secrets.token_bytes(32)

    def word(self, visitor: str) -> str:
        """What a form for a visitor carries; `visitor` is the secret of the cookie, or empty."""
        return hmac.new(self._key, visitor.encode(), "sha256").hexdigest()

    def check(self, fields: dict[str, str], visitor: str) -> None:
        """Raise FormError unless the form carries the visitor's word."""
        given = fields.get("csrf", "").encode()
        if not hmac.compare_digest(given, self.word(visitor).encode()):
            raise FormError(403, "That form is from before the last start; load the page anew.")
