"""The page at which a visitor gives the token, and gets a cookie for it."""

from urllib.parse import parse_qs

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from windowwatch.web.access import COOKIE, ENTRY_LASTS_S, Doorkeeper, same_origin
from windowwatch.web.pages import Pages

ENTRY_PATH = "/enter"
#: Longer forms are not read. [byte]
LONGEST_FORM = 4096


class Entry:
    """Asks for the token."""

    def __init__(self, keeper: Doorkeeper, pages: Pages) -> None:
        self._keeper = keeper
        self._pages = pages

    async def answer(self, request: Request) -> Response:
        """The form, or the answer to it."""
        if request.method != "POST":
            return self._form("", 200)
        if not same_origin(request.headers):
            return self._form("That form did not come from this page.", 403)
        address = request.client.host if request.client else ""
        if self._keeper.is_tired(address):
            return self._form("Too many wrong tokens. Wait a minute.", 429)
        body = b""
        async for part in request.stream():
            body += part
            if len(body) > LONGEST_FORM:
                return self._form("That is too long.", 413)
        fields = parse_qs(body.decode("utf-8", "replace"), max_num_fields=5)
        if not self._keeper.admits(fields.get("token", [""])[0], address):
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
