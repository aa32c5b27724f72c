"""What every answer of the page carries, so that a browser runs nothing but the page's own script.

One wrapper around the whole application, plain ASGI, since a stream must pass through unbuffered.
"""

from __future__ import annotations

import ipaddress

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = "; ".join(
    (
        "default-src 'none'",
        *(
            f"{kind}-src 'self'"
            for kind in ("script", "style", "img", "connect", "manifest", "worker")
        ),
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
_ALWAYS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}


def is_loopback(host: str) -> bool:
    """Return whether a name or address means this machine alone.

    >>> [is_loopback(host) for host in ("127.0.0.1", "localhost", "[::1]", "shed-pi", "0.0.0.0")]
    [True, True, True, False, False]
    """
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


class SafeHeaders:
    """Puts the headers on; on loopback it answers no other name, so that no page elsewhere can
    make a browser read this one by a name of its own."""

    def __init__(self, app: ASGIApp, *, loopback: bool, tls: bool) -> None:
        self._app = app
        self._loopback = loopback
        self._always = dict(_ALWAYS)
        if tls:
            self._always["Strict-Transport-Security"] = "max-age=31536000"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def put_on(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in self._always.items():
                    headers[name] = value
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        app = self._app
        host = Headers(scope=scope).get("host", "")
        name = host.rpartition(":")[0] if host.rpartition(":")[2].isdecimal() else host
        if self._loopback and not is_loopback(name):
            app = PlainTextResponse(
                "This page answers to 127.0.0.1 and localhost only.\n", status_code=421
            )
        await app(scope, receive, put_on)
