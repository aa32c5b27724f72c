"""Who is logged in: signed cookies that run out, tokens for forms, and how often a login is tried.

Pure but for its randomness: time is an argument, and what is signed is itsdangerous' work.
"""

from __future__ import annotations

import secrets
from collections import OrderedDict, deque
from dataclasses import dataclass
from typing import Any

from itsdangerous import BadSignature, URLSafeSerializer

from monitor.page.accounts import Account, Accounts, Right
from rules.units import DAY_S, HOUR_S

LASTS_S = {Right.READ: 30.0 * DAY_S, Right.RECORD: 12.0 * HOUR_S}
"""A tablet on the wall reads for a month; who records logs in each day [s]."""

WINDOW_S = 900.0
TRIES = {"address": 5, "name": 20, "everybody": 60}
"""Failed logins in 15 min, after which a further one is not looked at; common practice, no
source. Many for a name, so that nobody can shut its owner out from one other place."""
_MOST_COUNTED = 2_000
_MOST_ENDED = 10_000


@dataclass(frozen=True, slots=True)
class Session:
    """Somebody who is logged in.

    Attributes:
        account: whose.
        token: what forms are bound to.
        ends_s: when it runs out [s].
    """

    account: Account
    token: str
    ends_s: float

    @property
    def may_record(self) -> bool:
        """Whether buttons are his or hers."""
        return self.account.right is Right.RECORD


class Sessions:
    """Makes and reads the cookies; a restart of the page ends none."""

    def __init__(self, accounts: Accounts) -> None:
        self._accounts = accounts
        self._ended: deque[str] = deque(maxlen=_MOST_ENDED)

    def begin(self, account: Account, now_s: float) -> str:
        """Return the cookie of a new session."""
        said = {"n": account.name, "t": secrets.token_urlsafe(18), "s": account.stamp, "b": now_s}
        return self._signer("session").dumps(said)

    def read(self, cookie: str | None, now_s: float) -> Session | None:
        """Return the session of a cookie: of an account that is still so, and not run out."""
        said = self._loads("session", cookie)
        if not isinstance(said, dict) or said.get("t") in self._ended:
            return None
        account = self._accounts.get(str(said.get("n")))
        began_s, token = said.get("b"), said.get("t")
        if account is None or account.stamp != said.get("s"):
            return None
        if not isinstance(began_s, float) or not isinstance(token, str):
            return None
        ends_s = began_s + LASTS_S[account.right]
        if not began_s <= now_s + WINDOW_S or now_s >= ends_s:
            return None
        return Session(account, token, ends_s)

    def end(self, session: Session) -> None:
        """Let a session count no more, wherever its cookie is."""
        self._ended.append(session.token)

    def form_token(self, bound_to: str) -> str:
        """Return what a form carries to show that this page made it for this visitor."""
        return self._signer("form").dumps(bound_to)

    def is_form(self, token: str, bound_to: str) -> bool:
        """Return whether a form's token was made for this visitor."""
        return bool(bound_to) and self._loads("form", token) == bound_to

    def _loads(self, what: str, text: str | None) -> Any:
        try:
            return self._signer(what).loads(text) if text and len(text) < 2_000 else None
        except BadSignature:
            return None

    def _signer(self, what: str) -> URLSafeSerializer:
        return URLSafeSerializer(self._accounts.key, salt=f"filmcall page {what}")


class Tries:
    """Counts failed logins by address and by name, and says when one more is too many."""

    def __init__(self) -> None:
        self._failed: OrderedDict[tuple[str, str], deque[float]] = OrderedDict()
        self.count = 0

    def wait_s(self, address: str, name: str, now_s: float) -> float:
        """Return how long to wait before the next try is looked at; 0 for now [s]."""
        waits = [0.0]
        for kind, value in _kinds(address, name):
            failed = self._failed.get((kind, value))
            if failed is None or len(failed) < TRIES[kind]:
                continue
            waits.append(failed[0] + WINDOW_S - now_s)
        return max(waits)

    def failed(self, address: str, name: str, now_s: float) -> None:
        """Count a wrong password or an unknown name."""
        self.count += 1
        for kind, value in _kinds(address, name):
            times = self._failed.setdefault((kind, value), deque(maxlen=TRIES[kind]))
            times.append(now_s)
            self._failed.move_to_end((kind, value))
        while len(self._failed) > _MOST_COUNTED:
            self._failed.popitem(last=False)

    def passed(self, address: str) -> None:
        """Forget an address's failures: somebody who belongs here came in from it."""
        self._failed.pop(("address", address), None)


def _kinds(address: str, name: str) -> tuple[tuple[str, str], ...]:
    return ("address", address), ("name", name.casefold()[:80]), ("everybody", "")
