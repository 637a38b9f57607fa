"""The page at which a visitor gives the token, and gets a cookie for it."""

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from windowwatch.web.access import COOKIE, ENTRY_LASTS_S, Doorkeeper
from windowwatch.web.forms import FormError, posted
from windowwatch.web.pages import Pages

ENTRY_PATH = "/enter"


class Entry:
    """Asks for the token."""

    def __init__(self, keeper: Doorkeeper, pages: Pages) -> None:
        self._keeper = keeper
        self._pages = pages

    async def answer(self, request: Request) -> Response:
        """The form, or the answer to it."""
        if request.method != "POST":
            return self._form("", 200)
        address = request.client.host if request.client else ""
        if self._keeper.is_tired(address):
            return self._form("Too many wrong tokens. Wait a minute.", 429)
        try:
            fields = await posted(request)
        except FormError as error:
            return self._form(error.words, error.status)
        if not self._keeper.admits(fields.get("token", ""), address):
            return self._form("That is not the token.", 401)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(
            COOKIE,
            self._keeper.new_entry(),
            max_age=ENTRY_LASTS_S,
            httponly=True,
            # Lax: a link from a notice may open the page; no GET changes anything.
            samesite="lax",
            secure=request.url.scheme == "https",
        )
        return answer

    def _form(self, wrong: str, status: int) -> HTMLResponse:
        headers = {"retry-after": "60"} if status == 429 else {}
        return HTMLResponse(self._pages.render("enter.html", wrong=wrong), status, headers)
