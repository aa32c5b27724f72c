"""The page's server as a child, and a visitor without scripts by the standard library alone."""

from __future__ import annotations

import http.client
import ssl
from dataclasses import dataclass
from html.parser import HTMLParser
from http.cookies import SimpleCookie
from pathlib import Path
from urllib.parse import urlencode

from tests.system.broker import free_port
from tests.trials20.parts import PATIENCE_S, Child, config_text, filmcall, until


@dataclass(frozen=True, slots=True)
class Reply:
    """One answer of the server."""

    status: int
    headers: http.client.HTTPMessage
    body: str

    @property
    def elements(self) -> list[tuple[str, dict[str, str]]]:
        """Every element with its attributes."""
        parser = _Elements()
        parser.feed(self.body)
        return parser.found

    def words(self) -> dict[tuple[str, str], str]:
        """Return the word that stands for each enclosure and station."""
        return {
            (each["data-enclosure"], each.get("data-station", "")): each["data-word"]
            for _, each in self.elements
            if "data-word" in each and "data-enclosure" in each
        }

    def buttons(self) -> list[str]:
        """Return the kinds of the event buttons."""
        return [each["data-event"] for _, each in self.elements if "data-event" in each]

    def hidden(self, name: str) -> str:
        """Return the value of a hidden field, or ""."""
        fields = (each for tag, each in self.elements if tag == "input")
        return next((each.get("value", "") for each in fields if each.get("name") == name), "")


class _Elements(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, {name: value or "" for name, value in attrs}))


class Visitor:
    """Asks as a browser does, with the cookies that it was given."""

    def __init__(self, port: int, trust: Path | None = None) -> None:
        self.port = port
        self.cookies: dict[str, str] = {}
        self.given: list[str] = []
        self._tls = None if trust is None else ssl.create_default_context(cafile=str(trust))

    def ask(
        self,
        method: str,
        path: str,
        body: str | bytes = b"",
        headers: dict[str, str] | None = None,
    ) -> Reply:
        """Send one request and return the whole answer."""
        host = f"127.0.0.1:{self.port}"
        line = (
            http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
            if self._tls is None
            else http.client.HTTPSConnection(
                "127.0.0.1", self.port, timeout=PATIENCE_S, context=self._tls
            )
        )
        sent = {"Origin": f"{'http' if self._tls is None else 'https'}://{host}"}
        if self.cookies:
            sent["Cookie"] = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        try:
            line.request(method, path, body or None, sent | (headers or {}))
            answer = line.getresponse()
            text = answer.read(2_000_000).decode()
        finally:
            line.close()
        for each in answer.headers.get_all("Set-Cookie") or []:
            self.given.append(each)
            for name, morsel in SimpleCookie(each).items():
                self.cookies[name] = morsel.value
        return Reply(answer.status, answer.headers, text)

    def get(self, path: str) -> Reply:
        """Read a page."""
        return self.ask("GET", path)

    def post(self, path: str, **form: str) -> Reply:
        """Send a form."""
        kind = {"Content-Type": "application/x-www-form-urlencoded"}
        return self.ask("POST", path, urlencode(form), kind)

    def login(self, name: str, password: str) -> Reply:
        """Fill in the form of /login."""
        csrf = self.get("/login").hidden("csrf")
        return self.post("/login", name=name, password=password, csrf=csrf)

    def inside(self) -> bool:
        """Whether the server lets this visitor read."""
        return bool(self.get("/").words())


class Server(Child):
    """`filmcall page` on a free port."""

    def __init__(
        self, folder: Path, broker_port: int, *words: object, port: int = 0, rooms: str = "tent"
    ) -> None:
        self.port = port or free_port()
        self.config = folder / "page.toml"
        self.config.write_text(config_text(broker_port, rooms))
        super().__init__("page", "--config", self.config, "--port", self.port, *words)

    def ready(self, trust: Path | None = None) -> Server:
        """Wait until it answers."""

        def answers() -> bool:
            self.alive()
            try:
                return Visitor(self.port, trust).get("/alive").status == 200
            except OSError:
                return False

        until("/alive", answers)
        return self

    @property
    def url(self) -> str:
        """Where a browser finds it."""
        return f"http://127.0.0.1:{self.port}"


def account(folder: Path, name: str, right: str, password: str) -> Path:
    """Add an account by the command, as from a script; return the file."""
    config, accounts = folder / "accounts.toml", folder / "accounts"
    config.write_text(config_text(1884))
    ran = filmcall("page", "--config", config, "--add-account", name, "--right", right,
                   "--accounts", accounts, stdin=f"{password}\n{password}\n")  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    return accounts
