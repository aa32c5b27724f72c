"""Who may: the page's logins, their cookies, and the proof that a form was this page's own.

Without accounts everybody reads and nobody records; the page then is on loopback only.
"""

from __future__ import annotations

import asyncio
import logging
import secrets
import time
from collections.abc import Mapping
from urllib.parse import parse_qsl, quote

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from monitor.page.accounts import Accounts
from monitor.page.sessions import LASTS_S, Session, Sessions, Tries
from rules.errors import FilmcallError
from rules.text import counted, duration_text, printable
from sensors.mqtt.json_strict import parse_json
from sensors.wire import PayloadFault

MOST_BODY_BYTES = 8_192
_LOG = logging.getLogger("filmcall.page")


class Denial(FilmcallError):
    """A request is turned down.

    Attributes:
        status: of HTTP.
        wait_s: how long to wait before the next try, where it was one too many [s].
    """

    def __init__(self, status: int, text: str, wait_s: float = 0.0) -> None:
        super().__init__(text)
        self.status = status
        self.wait_s = wait_s


class Gate:
    """Lets in and turns down."""

    def __init__(self, accounts: Accounts | None, *, tls: bool) -> None:
        self.accounts = accounts
        self._sessions = None if accounts is None else Sessions(accounts)
        self._tries = Tries()
        self._tls = tls
        self._one_at_a_time = asyncio.Semaphore(1)  # each password takes 64 MB while it is checked
        prefix = "__Host-" if tls else ""
        self._cookie, self._visitor = f"{prefix}filmcall", f"{prefix}filmcall-visitor"

    def session(self, request: Request) -> Session | None:
        """Return who is logged in, or None."""
        if self._sessions is None:
            return None
        return self._sessions.read(request.cookies.get(self._cookie), time.time())

    def may_read(self, request: Request) -> bool:
        """Return whether calls may be shown."""
        return self._sessions is None or self.session(request) is not None

    def to_login(self, request: Request) -> Response:
        """Send to the login, and back here afterwards."""
        asked = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return RedirectResponse(f"/login?next={quote(asked, safe='')}", 303)

    # --- forms

    async def form(self, request: Request) -> dict[str, str]:
        """Return a form's fields, urlencoded or a JSON object.

        Raises:
            Denial: it comes from another site, or is too large.
        """
        headers = request.headers
        site, origin = headers.get("sec-fetch-site", "none"), headers.get("origin")
        elsewhere = origin is not None and origin.partition("://")[2] != headers.get("host")
        if site not in ("none", "same-origin") or elsewhere:
            raise Denial(403, "This form comes from another site, so nothing was done.")
        body = b""
        async for part in request.stream():
            body += part
            if len(body) > MOST_BODY_BYTES:
                raise Denial(413, f"A form has at most {MOST_BODY_BYTES} bytes; nothing was done.")
        try:
            text = body.decode("utf-8")
            if headers.get("content-type", "").startswith("application/json"):
                fields = parse_json(text)
                return {name: str(value) for name, value in fields.items() if value is not None}
            return dict(parse_qsl(text, max_num_fields=40))
        except (ValueError, AttributeError, PayloadFault):
            raise Denial(400, "This form cannot be read, so nothing was done.") from None

    def token(self, session: Session | None) -> str:
        """Return what this visitor's forms carry, or "" where there are none."""
        if self._sessions is None or session is None:
            return ""
        return self._sessions.form_token(session.token)

    def recorder(self, request: Request, form: Mapping[str, str]) -> Session:
        """Return who may record what a form says.

        Raises:
            Denial: nobody is logged in, may only read, or the form is not this page's own.
        """
        session = self.session(request)
        if session is None or self._sessions is None:
            raise Denial(401, "Not logged in, or too long ago: nothing was recorded. Log in again.")
        token = form.get("csrf") or request.headers.get("x-csrf", "")
        if not self._sessions.is_form(token, session.token):
            raise Denial(403, "This form is not of this login: nothing was recorded. Load it anew.")
        if not session.may_record:
            raise Denial(
                403, f"{printable(session.account.name)} may read only: nothing was recorded."
            )
        return session

    # --- login and logout

    def visitor(self, request: Request) -> tuple[str, str]:
        """Return what a login's form is bound to, and its token."""
        known = request.cookies.get(self._visitor, "")
        bound_to = known if 20 <= len(known) <= 64 else secrets.token_urlsafe(18)
        return bound_to, "" if self._sessions is None else self._sessions.form_token(bound_to)

    def remember_visitor(self, response: Response, bound_to: str) -> None:
        """Keep what a login's form is bound to for as long as the browser is open."""
        self._set(response, self._visitor, bound_to, None)

    async def log_in(self, request: Request, form: Mapping[str, str]) -> Response:
        """Return the way on for somebody who gave the right password.

        Raises:
            Denial: wrong name or password, too many of them, or a form that is not this page's.
        """
        if self.accounts is None or self._sessions is None:
            raise Denial(404, "This page has no accounts: all may read, nobody records.")
        visitor = request.cookies.get(self._visitor, "")
        if not self._sessions.is_form(form.get("csrf", ""), visitor):
            raise Denial(403, "This login form has grown old; try once more.")
        address = "" if request.client is None else request.client.host
        name, password = form.get("name", "").strip(), form.get("password", "")
        async with self._one_at_a_time:
            wait_s = self._tries.wait_s(address, name, time.monotonic())
            if wait_s > 0.0:
                raise Denial(
                    429, f"Too many wrong passwords; wait {duration_text(wait_s)}.", wait_s
                )
            account = await asyncio.to_thread(self.accounts.checked, name, password)
            if account is None:
                self._tries.failed(address, name, time.monotonic())
                _LOG.warning(
                    "login from %s refused; %s so far",
                    printable(address),
                    counted(self._tries.count, "wrong one"),
                )
                raise Denial(401, "Name or password is wrong.")
        self._tries.passed(address)
        response = RedirectResponse(_own_path(form.get("next", "/")), 303)
        cookie = self._sessions.begin(account, time.time())
        self._set(response, self._cookie, cookie, int(LASTS_S[account.right]))
        return response

    def log_out(self, request: Request) -> Response:
        """End the session, here and wherever its cookie was copied to."""
        session = self.session(request)
        if session is not None and self._sessions is not None:
            self._sessions.end(session)
        response = RedirectResponse("/login" if self.accounts is not None else "/", 303)
        response.delete_cookie(
            self._cookie, path="/", secure=self._tls, httponly=True, samesite="lax"
        )
        return response

    def _set(self, response: Response, name: str, value: str, lasts_s: int | None) -> None:
        response.set_cookie(
            name, value, lasts_s, path="/", secure=self._tls, httponly=True, samesite="lax"
        )


def _own_path(path: str) -> str:
    """A path of this page and no other site's, whatever a link to the login asked for."""
    own = path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable()
    return path if own and "\\" not in path else "/"
