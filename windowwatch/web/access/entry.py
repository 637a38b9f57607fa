"""The page at which a visitor gives the token, and gets a cookie for it."""

import secrets

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from windowwatch.web.access.forms import CsrfTokens, FormError, posted
from windowwatch.web.access.guard import COOKIE, ENTRY_LASTS_S, Authenticator
from windowwatch.web.pages.render import Pages

ENTRY_PATH = "/enter"
#: A cookie that ties the form to the browser that was shown it.
FORM_COOKIE = "windowwatch_form"
_FORM_LASTS_S = 3600


class Entry:
    """Asks for the token."""

    def __init__(self, authenticator: Authenticator, pages: Pages) -> None:
        self._authenticator = authenticator
        self._pages = pages
        self._csrf = CsrfTokens()

    async def answer(self, request: Request) -> Response:
        """The form, or the answer to it."""
        if request.method != "POST":
            return self.form("", 200, request)
        address = request.client.host if request.client else ""
        if self._authenticator.is_rate_limited(address):
            return self.form("Too many wrong tokens. Wait a minute.", 429, request)
        try:
            fields = await posted(request)
            self._csrf.check(fields, request.cookies.get(FORM_COOKIE, ""))
        except FormError as error:
            return self.form(error.words, error.status, request)
        if not self._authenticator.admits(fields.get("token", ""), address):
            return self.form("That is not the token.", 401, request)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(
            COOKIE,
            self._authenticator.new_entry(),
            max_age=ENTRY_LASTS_S,
            httponly=True,
            # Lax: a link from a notice may open the page; no GET changes anything.
            samesite="lax",
            secure=request.url.scheme == "https",
        )
        answer.delete_cookie(FORM_COOKIE)
        return answer

    def form(self, wrong: str, status: int, request: Request) -> HTMLResponse:
        """The form, with what was wrong."""
        headers = {"cache-control": "private, no-store"}
        if status == 429:
            headers["retry-after"] = "60"
        if status == 401:
            headers["www-authenticate"] = "Bearer"
        # The same browser keeps its cookie, so that a form in another tab stays good.
        visitor = request.cookies.get(FORM_COOKIE, "")[:64] or secrets.token_urlsafe(24)
        html = self._pages.render("enter.html", wrong=wrong, csrf=self._csrf.word(visitor))
        made = HTMLResponse(html, status, headers)
        made.set_cookie(
            FORM_COOKIE, visitor, max_age=_FORM_LASTS_S, httponly=True, samesite="strict"
        )
        return made
