"""`filmcall page`: the server's process, from its options to its end."""

from __future__ import annotations

import asyncio
import getpass
import logging
import os
import socket
import ssl
import sys
from pathlib import Path

import typer
import uvicorn

from monitor.clock import SWITCH_S
from monitor.config.load import Config, load_config_file
from monitor.listen.listener import Listener, listener_broker
from monitor.listen.yard import Key
from monitor.live.service import Notifier
from monitor.page.accounts import Accounts, add_account
from monitor.page.app import Settings, page_app
from monitor.page.gate import Gate
from monitor.page.headers import is_loopback
from monitor.page.stream import Board
from monitor.page.today import TodaySheet
from monitor.page.view import Zones
from rules.errors import FilmcallError
from rules.text import printable, shown
from sensors.zones import zone_or_utc

_ALIVE_S = 5.0
_GRACE_S = 1  # open streams are cut at the end
_BACKLOG = 128


def run(
    config_file: Path,
    *,
    host: str,
    port: int,
    accounts: Path | None,
    cert: Path | None,
    key: Path | None,
    job: Path | None,
    forecast: Path | None,
    weather_year: Path | None,
    db: Path | None,
) -> None:
    """Serve the page until asked to end.

    Raises:
        FilmcallError: the config, the accounts, the certificate or the port cannot be used, or
            the page would be open to others without accounts and TLS.
    """
    config = load_config_file(config_file, points=False)
    sys.setswitchinterval(SWITCH_S)
    _check_reach(host, accounts, cert, key)
    _check_certificate(cert, key)
    listener = listener_of(config, config_file, "page")
    zones = zones_of(config)
    gate = Gate(None if accounts is None else Accounts(accounts), tls=cert is not None)
    notifier = Notifier.from_environment(os.environ, pid=os.getpid())
    settings = Settings(
        zones,
        loopback=is_loopback(host),
        tls=cert is not None,
        today=None
        if job is None
        else TodaySheet(
            job, db=db, forecast=forecast or config.forecast.file, weather_year=weather_year
        ),
        beside=lambda board: _vouch(notifier, board),
    )
    logging.basicConfig(level=logging.WARNING, format="%(message)s", stream=sys.stderr)
    with _listening(host, port) as door:
        server = uvicorn.Server(
            uvicorn.Config(
                page_app(listener, gate, settings),
                ssl_certfile=cert,
                ssl_keyfile=key,
                log_config=None,
                access_log=False,
                lifespan="on",
                loop="asyncio",
                http="h11",
                ws="none",
                proxy_headers=False,
                server_header=False,
                timeout_graceful_shutdown=_GRACE_S,
                limit_concurrency=512,
            )
        )
        name = f"[{host}]" if ":" in host else host
        scheme = "http" if cert is None else "https"
        typer.echo(f"page: {scheme}://{name}:{door.getsockname()[1]}/", err=True)
        try:
            server.run(sockets=[door])
        finally:
            notifier.close()


def add(path: Path | None, name: str, right: str | None) -> str:
    """Write an account whose password is asked for; return what was done.

    Raises:
        FilmcallError: an option is missing, the two passwords differ, or see `add_account`.
    """
    if path is None or right is None:
        raise FilmcallError(
            "--add-account goes with --accounts FILE and --right read or record, so no account "
            "was written; give both"
        )
    if sys.stdin.isatty():
        password = getpass.getpass(f"Password of {printable(name)}: ")
        if getpass.getpass("Once more: ") != password:
            raise FilmcallError("the two passwords differ, so no account was written; try again")
    else:
        password = sys.stdin.readline().removesuffix("\n").removesuffix("\r")
    return add_account(path, name, right, password)


def listener_of(config: Config, config_file: Path, name: str) -> Listener:
    """Return a listener for a config's broker, which expects the config's enclosures.

    Raises:
        FilmcallError: there is no broker, or settings that cannot work.
    """
    if config.broker is None:
        raise FilmcallError(
            f"config {config_file} has no [broker], so nothing can be heard; say where it is: "
            'host = "127.0.0.1", port = 1883'
        )
    station = config.publish.station
    broker = listener_broker(config.broker, f"{name}-{station}", os.environ)
    expected = [Key(station, each.name) for each in config.enclosures]
    return Listener(broker, config.publish.base, expected)


def zones_of(config: Config) -> Zones:
    """Return in which zones a config's times are shown."""
    named = {each.name: zone_or_utc(each.timezone) for each in config.enclosures}
    return Zones(next(iter(named.values())), dict(named))


def _check_reach(host: str, accounts: Path | None, cert: Path | None, key: Path | None) -> None:
    if (cert is None) != (key is None):
        raise FilmcallError(
            "--cert and --key go together, so the page was not started; give both files"
        )
    if is_loopback(host) or (accounts is not None and cert is not None):
        return
    missing = [
        name
        for name, given in (("--accounts", accounts), ("--cert and --key", cert))
        if given is None
    ]
    raise FilmcallError(
        f"host {shown(host)} can be reached by others and {' and '.join(missing)} "
        f"{'is' if missing == ['--accounts'] else 'are'} missing, so the page was not started; "
        "give them, or stay on 127.0.0.1"
    )


def _check_certificate(cert: Path | None, key: Path | None) -> None:
    if cert is None:
        return
    try:
        # The empty passphrase keeps OpenSSL from asking for one on the terminal.
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(cert, key, password=lambda: "")
    except OSError as fault:  # ssl.SSLError is one
        why = printable(fault.strerror or getattr(fault, "reason", "") or str(fault), 80).lower()
        raise FilmcallError(
            f"certificate {shown(str(cert))} or key {shown(str(key))} cannot be used ({why}), so "
            "the page was not started; give PEM files that belong together, the key without a "
            "passphrase"
        ) from None


def _listening(host: str, port: int) -> socket.socket:
    try:
        family, _, _, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        door = socket.socket(family, socket.SOCK_STREAM)
        door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        door.bind(address)
        door.listen(_BACKLOG)
    except OSError as fault:
        why = printable(fault.strerror or str(fault), 80).lower()
        raise FilmcallError(
            f"{printable(host, 60)}:{port} cannot be listened on ({why}), so the page was not "
            "started; end what uses it, or give another --port"
        ) from None
    return door


async def _vouch(notifier: Notifier, board: Board) -> None:
    """Tell the service manager, from the loop that serves, that it turns and knows what is now."""
    notifier.ready("serving")
    while True:
        if board.is_turning:
            notifier.alive()
        await asyncio.sleep(min(_ALIVE_S, notifier.interval_s or _ALIVE_S))
