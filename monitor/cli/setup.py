"""`filmcall setup`: from a logger's file or a broker to a config, in two minutes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.options import figure


def run(
    recording: Annotated[
        Path | None,
        typer.Argument(help="A recorded CSV, or a folder with one a sensor.", metavar="[FILE.csv]"),
    ] = None,
    broker: Annotated[
        str | None, typer.Option(help="Listen to this broker instead: HOST or HOST:PORT.")
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Ask nothing: take each guess, and say it.")
    ] = False,
    out: Annotated[
        Path | None, typer.Option(help="The config to write; default filmcall.toml.")
    ] = None,
    spec: Annotated[str | None, typer.Option(help="Of the next coat, to not be asked.")] = None,
    job: Annotated[
        Path | None, typer.Option(help="Write a job file as well: areas, coats, hours, the day.")
    ] = None,
    username: Annotated[
        str | None,
        typer.Option(help="Account at the broker; its password in FILMCALL_MQTT_PASSWORD."),
    ] = None,
    listen: Annotated[
        float, figure("--listen", "How long to listen to a broker [s].", "s", least=1.0, most=600.0)
    ] = 8.0,
) -> None:
    """Write a config, and ask what cannot be known."""
    from monitor.setup.setup import run as set_up

    code = set_up(
        recording,
        broker,
        yes=yes,
        out=out,
        username=username,
        listen_s=listen,
        spec=spec,
        job=job,
    )
    if code:
        raise typer.Exit(code)
