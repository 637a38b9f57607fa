"""Ways in: the page that asks for the token, and links that let others read."""

import secrets
from collections.abc import Callable
from datetime import timedelta
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from windowwatch.clock import Clock
from windowwatch.errors import InputError
from windowwatch.storage.store import Store
from windowwatch.storage.watches import Share, hashed
from windowwatch.web.access.guard import (
    COOKIE,
    ENTRY_LASTS_S,
    GUEST_COOKIE,
    LONGEST,
    SHARE_PATH,
    USUAL_DAYS,
    Authenticator,
    CsrfTokens,
    FormError,
    NewShare,
    address_of,
    is_secure,
    make_share,
    new_secret,
    posted,
)
from windowwatch.web.pages.render import Pages
from windowwatch.wording import page as words

#: Makes a page from a template: request, name, values.
Page = Callable[..., Response]


#: Said instead of making a link whose beginning is not known.
NO_PAGE_URL = (
    "No link is made: the settings do not say where others reach this page. Set page_url in "
    "[notices], such as https://watch.example.org, and load the settings again."
)


class ShareRoutes:
    """Links that let others read one watch.

    Parameters
    ----------
    store : Store
    watch : str
    clock : Clock
    authenticator : Authenticator
        Counts wrong words.
    csrf : CsrfTokens
    page, problem : callable
        Make a page; make one of a title and a text, with a status.
    calendar : callable
        Answers with the calendar of windows.
    page_url : str, optional
        What links begin with; without it none are made, for anybody may send another name.
    """

    def __init__(
        self,
        store: Store,
        watch: str,
        clock: Clock,
        authenticator: Authenticator,
        csrf: CsrfTokens,
        *,
        page: Page,
        problem: Callable[[str, str, int], Response],
        calendar: Callable[[Request], Response],
        page_url: str | None = None,
    ) -> None:
        self._store, self._watch, self._clock = store, watch, clock
        self._authenticator, self._csrf = authenticator, csrf
        self._page, self._problem, self._calendar = page, problem, calendar
        self._page_url = page_url
        self.routes = [
            Route(f"{SHARE_PATH}{{word}}", self.come),
            Route(f"{SHARE_PATH}{{word}}/windows.ics", self.calendar),
            Route("/shares", self.shares),
            Route("/shares", self.make, methods=["POST"]),
            Route("/shares/{key}/revoke", self.revoke, methods=["POST"]),
        ]

    def guest(self, word: str) -> Share | None:
        """The share of a word, if it holds now."""
        share = self._store.find_share(self._watch, hashed(word))
        return share if share is not None and share.holds(self._clock.now()) else None

    async def come(self, request: Request) -> Response:
        """Somebody follows a link: a cookie, and on to the board under its usual address."""
        share = await self._known(request)
        if isinstance(share, Response):
            return share
        answer = RedirectResponse("/", 303, {"cache-control": "private, no-store"})
        answer.set_cookie(
            GUEST_COOKIE,
            request.path_params["word"],
            max_age=max(1, int((share.expires_utc - self._clock.now()).total_seconds())),
            httponly=True,
            samesite="lax",
            secure=is_secure(request),
        )
        return answer

    async def calendar(self, request: Request) -> Response:
        """The calendar for a program that knows no cookies."""
        share = await self._known(request)
        if isinstance(share, Response):
            return share
        return await run_in_threadpool(self._calendar, request)

    async def _known(self, request: Request) -> Share | Response:
        address = address_of(request)
        word = hashed(request.path_params["word"])
        share = await run_in_threadpool(self._store.find_share, self._watch, word)
        if share is None:
            limited = self._authenticator.is_rate_limited(address)
            self._authenticator.count_failure(address)
            if limited:
                await self._authenticator.slow_down(address)
                text = "Too many wrong links. Wait a minute."
                answer = self._problem("Too many tries", text, 429)
                answer.headers["retry-after"] = "60"
                return answer
            return self._problem("No such link", "Ask for the link anew.", 404)
        if not share.holds(self._clock.now()):
            text = "This link has ended or was taken back. Ask for a new one."
            return self._problem("This link is over", text, 404)
        return share

    def shares(self, request: Request) -> Response:
        """The links there are, and a form for a new one."""
        return self._listed(request, None)

    def _listed(self, request: Request, new: NewShare | None) -> Response:
        now = self._clock.now()
        rows = [_row(share, share.holds(now)) for share in self._store.shares(self._watch)]
        address = "" if new is None else f"{self._page_url}{new.path}"
        csrf = self._csrf.word(request.cookies.get(COOKIE, ""))
        return self._page(
            request, "shares.html", rows=rows, address=address, csrf=csrf,
            usual=USUAL_DAYS, longest=LONGEST.days, missing="" if self._page_url else NO_PAGE_URL,
        )  # fmt: skip

    async def make(self, request: Request) -> Response:
        """A new link; its address is shown this once."""
        if not self._page_url:
            return self._problem("No address to begin with", NO_PAGE_URL, 400)
        try:
            fields = await self._posted(request)
            days = float(fields.get("days", USUAL_DAYS))
            # Beyond the bounds of a timedelta is beyond ours as well.
            lasts = timedelta(days=min(max(days, 0.0), 10_000.0)) if days == days else timedelta(0)
            new = await run_in_threadpool(
                make_share, self._store, self._watch, fields.get("name", ""), lasts,
                self._clock.now(), new_secret(),
            )  # fmt: skip
        except FormError as error:
            return self._problem("Refused", error.words, error.status)
        except ValueError:
            return self._problem("How long?", "Give the days as a number.", 400)
        except InputError as error:
            return self._problem("Not so", f"{error.message[:1].upper()}{error.message[1:]}.", 400)
        answer: Response = await run_in_threadpool(self._listed, request, new)
        return answer

    async def revoke(self, request: Request) -> Response:
        """A link is taken back."""
        try:
            await self._posted(request)
        except FormError as error:
            return self._problem("Refused", error.words, error.status)
        key = request.path_params["key"]
        now = self._clock.now()
        share = await run_in_threadpool(
            lambda: self._store.revoke_share(self._watch, key, now_utc=now)
        )
        if share is None:
            return self._problem("Not here", "There is no such link.", 404)
        return RedirectResponse("/shares", 303)

    async def _posted(self, request: Request) -> dict[str, str]:
        fields = await posted(request)
        self._csrf.check(fields, request.cookies.get(COOKIE, ""))
        return fields


def _row(share: Share, holds: bool) -> dict[str, Any]:
    if share.revoked_utc is not None:
        state = f"taken back {words.utc_words(share.revoked_utc)}"
    elif holds:
        state = f"until {words.utc_words(share.expires_utc)}"
    else:
        state = f"ended {words.utc_words(share.expires_utc)}"
    made = words.utc_words(share.made_utc)
    return {"key": share.key, "name": share.name, "made": made, "state": state, "holds": holds}


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
        address = address_of(request)
        try:
            fields = await posted(request)
            self._csrf.check(fields, request.cookies.get(FORM_COOKIE, ""))
        except FormError as error:
            return self.form(error.words, error.status, request)
        limited = self._authenticator.is_rate_limited(address)
        if not self._authenticator.admits(fields.get("token", ""), address):
            if limited:
                await self._authenticator.slow_down(address)
                return self.form("Too many wrong tokens. Wait a minute.", 429, request)
            return self.form("That is not the token.", 401, request)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(
            COOKIE,
            self._authenticator.new_entry(),
            max_age=ENTRY_LASTS_S,
            httponly=True,
            # Lax: a link from a notice may open the page; no GET changes anything.
            samesite="lax",
            secure=is_secure(request),
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
            FORM_COOKIE,
            visitor,
            max_age=_FORM_LASTS_S,
            httponly=True,
            samesite="strict",
            secure=is_secure(request),
        )
        return made
