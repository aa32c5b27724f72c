"""The page's routes: overview, one enclosure, today's sheet, login, buttons, stream, and its files.

Rendered here from what the listener knows at that moment, so that a page shows the present call as
soon as it opens; the script only keeps it so.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import re
import signal
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass
from importlib.resources import files
from typing import Any
from urllib.parse import quote

from jinja2 import FunctionLoader
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp

from monitor import __version__
from monitor.html_page import html_environment
from monitor.listen.listener import Listener
from monitor.listen.words import counts_text
from monitor.listen.yard import Row
from monitor.page.gate import Denial, Gate
from monitor.page.headers import SafeHeaders
from monitor.page.press import Answer, PressFault, event_of, fresh_id, pressed
from monitor.page.sessions import Session
from monitor.page.stream import LATEST_S, MOST_STREAMS, Board, events
from monitor.page.today import TodaySheet
from monitor.page.view import (
    Zones,
    buttons,
    card,
    clock_text,
    whole,
)
from monitor.palette import COLOURS, Scheme, css_screen
from monitor.screen.phrases import BREATHING, FILM_IS_NOT_AIR, SPARK
from rules.text import counted, hour_text

_LOG = logging.getLogger("filmcall.page")
_ASSETS = files("monitor.page") / "assets"
_LINK_WAIT_S = 1.5  # a page that is opened as soon as the server starts shows the kept call
_KEPT_WAIT_S = 0.3
_INSTALLED_S = 2.0  # how often it is looked whether the program is still there
_SCHEMES = (Scheme.SCREEN, Scheme.DIM)
_KINDS = {
    "icon-180.png": "image/png",
    "icon-192.png": "image/png",
    "icon-512.png": "image/png",
}


@dataclass(frozen=True, slots=True)
class Settings:
    """What a page is started with.

    Attributes:
        zones: in which times are shown.
        loopback: whether it is reached from this machine alone.
        tls: whether it is reached by HTTPS.
        today: makes the sheet of a job, or None.
        beside: what runs beside the page, and may ask whether it turns; or None.
    """

    zones: Zones
    loopback: bool = True
    tls: bool = False
    today: TodaySheet | None = None
    beside: Callable[[Board], Awaitable[None]] | None = None


def page_app(listener: Listener, gate: Gate, settings: Settings) -> ASGIApp:
    """Return the application; it starts the listener and ends it.

    Args:
        listener: not started yet.
        gate: who may.
        settings: what else it is to be.
    """
    page = _Page(listener, gate, settings)
    app = Starlette(
        routes=page.routes(),
        lifespan=page.lifespan,
        exception_handlers={HTTPException: page.refused, Denial: page.denied},
    )
    return SafeHeaders(
        GZipMiddleware(app, minimum_size=1_000), loopback=settings.loopback, tls=settings.tls
    )


class _Page:
    def __init__(self, listener: Listener, gate: Gate, settings: Settings) -> None:
        self._listener, self._gate, self._settings = listener, gate, settings
        self._board = Board(listener, settings.zones)
        self._templates = html_environment(FunctionLoader(_template))
        screen = COLOURS[Scheme.SCREEN, "page"]
        used = set(re.findall(r"var\(--([a-z-]+)\)", _template("style.css.j2") or ""))
        self._templates.globals |= {
            "ground": screen.ground,
            "ink": screen.ink,
            "film_is_not_air": FILM_IS_NOT_AIR,
            "breathing": f"{BREATHING} {SPARK}",
            "latest_s": LATEST_S,
            "has_today": settings.today is not None,
            "has_accounts": gate.accounts is not None,
            "colours": {each.value: css_screen(each, used) for each in _SCHEMES},
        }

    def routes(self) -> list[Route]:
        """Return every route."""
        made = {
            "/page.js": ("page.js", "text/javascript"),
            "/style.css": ("style.css.j2", "text/css"),
            "/worker.js": ("worker.js.j2", "text/javascript"),
            "/manifest.webmanifest": ("manifest.json.j2", "application/manifest+json"),
            "/icon.svg": ("icon.svg.j2", "image/svg+xml"),
            "/offline": ("offline.html.j2", "text/html"),
        }
        fixed = {f"/{name}": ((_ASSETS / name).read_bytes(), kind) for name, kind in _KINDS.items()}
        fixed |= {
            path: (_lean(self._templates.get_template(name).render()), kind)
            for path, (name, kind) in made.items()
        }
        return [
            Route("/", self.overview),
            Route("/enclosure/{name}/event", self.press, methods=["POST"]),
            Route("/enclosure/{name}", self.enclosure),
            Route("/today", self.today),
            Route("/login", self.login, methods=["GET", "POST"]),
            Route("/logout", self.logout, methods=["GET", "POST"]),
            Route("/stream", self.stream),
            Route("/alive", self.alive),
            *(Route(path, _file(content, kind)) for path, (content, kind) in fixed.items()),
        ]

    @contextlib.asynccontextmanager
    async def lifespan(self, _app: Starlette) -> AsyncIterator[None]:
        """Listen for as long as the page is served."""
        self._listener.start()
        until_s = time.monotonic() + _LINK_WAIT_S
        while not self._listener.up and time.monotonic() < until_s:
            await asyncio.sleep(0.02)
        await asyncio.sleep(_KEPT_WAIT_S)
        tasks = [asyncio.create_task(self._board.run())]
        tasks[0].add_done_callback(_end_with)
        tasks.append(asyncio.create_task(_end_with_the_program()))
        if self._settings.beside is not None:
            tasks.append(asyncio.ensure_future(self._settings.beside(self._board)))
        try:
            yield
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.to_thread(self._listener.stop)

    # --- pages

    async def overview(self, request: Request) -> Response:
        """Every enclosure, worst first."""
        if not self._gate.may_read(request):
            return self._gate.to_login(request)
        return self._list(request, self._listener.rows(), "/stream")

    async def enclosure(self, request: Request) -> Response:
        """One enclosure whole; where two stations have one of that name, both to choose from."""
        if not self._gate.may_read(request):
            return self._gate.to_login(request)
        rows = self._named(request)
        if len(rows) > 1:
            return self._list(request, rows, f"/stream?named={_quoted(rows[0].key.enclosure)}")
        return self._one(request, rows[0])

    async def today(self, request: Request) -> Response:
        """Today's sheet of the job."""
        if not self._gate.may_read(request):
            return self._gate.to_login(request)
        if self._settings.today is None:
            raise HTTPException(404, "No job was given to this page: start it with --job FILE.")
        sheet = await self._settings.today.text()
        return self._html("today.html.j2", request, sheet=sheet, stream="/stream", title="Today")

    def _list(self, request: Request, rows: list[Row], stream: str) -> Response:
        now_s, unread = time.time(), self._listener.faults().count
        cards = [card(row, self._settings.zones, now_s) for row in rows]
        return self._html(
            "overview.html.j2",
            request,
            title="Yard" if len(cards) != 1 else cards[0]["title"],
            cards=cards,
            counts=counts_text(rows),
            unread=counted(unread, "message could", "messages could") if unread else "",
            stream=stream,
        )

    def _one(
        self, request: Request, row: Row, answer: Answer | None = None, status: int = 200
    ) -> Response:
        session = self._gate.session(request)
        call = row.call
        sections = [] if call is None else [each.name for each in call.sections]
        shown = whole(row, self._settings.zones, time.time())
        return self._html(
            "enclosure.html.j2",
            request,
            status,
            title=row.title,
            row=shown,
            buttons=buttons(sections) if session is not None and session.may_record else None,
            fresh_id=fresh_id(),
            answer=answer,
            stream=f"/stream?of={_quoted(shown['key'])}",
        )

    def _html(self, name: str, request: Request, status: int = 200, **more: Any) -> Response:
        session: Session | None = self._gate.session(request)
        text = self._templates.get_template(name).render(
            link="up" if self._listener.up else "down",
            clock=clock_text(time.time(), self._settings.zones),
            who="" if session is None else session.account.name,
            token=self._gate.token(session),
            path=request.url.path,
            **more,
        )
        return HTMLResponse(text, status)

    def _named(self, request: Request) -> list[Row]:
        """The rows of the name in the path; `station` chooses where there are several."""
        name, station = request.path_params["name"], request.query_params.get("station")
        rows = [row for row in self._listener.rows() if row.key.enclosure == name]
        if station is not None:
            rows = [row for row in rows if row.key.station == station]
        if not rows:
            raise HTTPException(404, "No enclosure of that name was heard.")
        return rows

    # --- what somebody does

    async def press(self, request: Request) -> Response:
        """Take a button's event, and answer when the log has it."""
        form = await self._gate.form(request)
        session = self._gate.recorder(request, form)
        row = self._named(request)[0]
        try:
            event = event_of(form, session.account.name)
        except PressFault as fault:
            raise Denial(400, f"{fault}.") from None
        answer = await pressed(self._listener, row.key.enclosure, event)
        if _wants_json(request):
            return JSONResponse(answer.json(), answer.status)
        return self._one(request, self._listener.row(row.key), answer, answer.status)

    async def login(self, request: Request) -> Response:
        """Ask for name and password, and take them."""
        if request.method == "POST":
            try:
                return await self._gate.log_in(request, await self._gate.form(request))
            except Denial as fault:
                return self._login(request, str(fault), fault)
        return self._login(request, "", None)

    def _login(self, request: Request, said: str, fault: Denial | None) -> Response:
        bound_to, token = self._gate.visitor(request)
        response = self._html(
            "login.html.j2",
            request,
            200 if fault is None else fault.status,
            title="Log in",
            said=said,
            csrf=token,
            next=request.query_params.get("next", "/"),
            stream="",
        )
        self._gate.remember_visitor(response, bound_to)
        if fault is not None and fault.wait_s:
            response.headers["Retry-After"] = str(int(fault.wait_s) + 1)
        return response

    async def logout(self, request: Request) -> Response:
        """End the session."""
        if request.headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            raise Denial(403, "Another site asked for this, so nothing was done.")
        return self._gate.log_out(request)

    # --- stream and signs of life

    async def stream(self, request: Request) -> Response:
        """Send what changes, for as long as somebody listens and may."""
        if not self._gate.may_read(request):
            return JSONResponse({"text": "Not logged in."}, 401)
        if self._board.streams >= MOST_STREAMS:
            return JSONResponse({"text": "Too many pages are open."}, 503)
        lines = events(
            self._board,
            self._settings.zones,
            lambda: self._gate.may_read(request),
            of=request.query_params.get("of"),
            named=request.query_params.get("named"),
        )
        return StreamingResponse(
            lines, media_type="text/event-stream", headers={"X-Accel-Buffering": "no"}
        )

    async def alive(self, _request: Request) -> Response:
        """Say that this server lives; nothing of any enclosure."""
        return JSONResponse({"alive": True, "version": __version__})

    # --- what is turned down

    async def refused(self, request: Request, fault: Exception) -> Response:
        """Answer a fault of HTTP in one sentence."""
        status = fault.status_code if isinstance(fault, HTTPException) else 500
        text = fault.detail if isinstance(fault, HTTPException) else "Something failed."
        return self._notice(request, text, status)

    async def denied(self, request: Request, fault: Exception) -> Response:
        """Answer a denial in one sentence."""
        status = fault.status if isinstance(fault, Denial) else 403
        return self._notice(request, str(fault), status)

    def _notice(self, request: Request, text: str, status: int) -> Response:
        if _wants_json(request):
            said = {"result": "refused", "text": text, "warnings": []}
            return JSONResponse(said, status)
        at = hour_text(time.time(), self._settings.zones.first)
        return self._html(
            "notice.html.j2", request, status, title="Not done", said=text, at=at, stream=""
        )


def _end_with(task: asyncio.Task[None]) -> None:
    """A page that no longer turns ends, and whoever started it starts it anew."""
    if not task.cancelled() and task.exception() is not None:
        _LOG.error("the page no longer turns, and ends", exc_info=task.exception())
        signal.raise_signal(signal.SIGTERM)


async def _end_with_the_program() -> None:
    """End a page whose files went with an upgrade: a template or the sheet of today would fail."""
    while (_ASSETS / "base.html.j2").is_file():
        await asyncio.sleep(_INSTALLED_S)
    _LOG.error("the program's files are gone, as by an upgrade: it ends, to be started anew")
    signal.raise_signal(signal.SIGTERM)


def _quoted(text: str) -> str:
    return quote(text, safe="")


def _wants_json(request: Request) -> bool:
    return "application/json" in request.headers.get("accept", "")


def _template(name: str) -> str | None:
    asset = _ASSETS / name
    return asset.read_text("utf-8") if asset.is_file() else None


def _lean(text: str) -> bytes:
    """A file without its comments and indents, which a phone on a weak radio need not fetch."""
    return re.sub(r"(?m)^\s*(//.*\n|/\*.*\*/\n|\n|)", "", text).encode()


def _file(content: bytes, kind: str) -> Callable[[Request], Awaitable[Response]]:
    async def answer(_request: Request) -> Response:
        return Response(content, media_type=kind, headers={"Cache-Control": "no-cache"})

    return answer
