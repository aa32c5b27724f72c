"""The command line of many enclosures: the page for phones, and the yard on a terminal."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.options import CopyOption, DbOption, config_option, figure, say
from rules.errors import FilmcallError

PORT = 8480


def page(
    config_file: Annotated[Path, config_option("The broker and the enclosures.")],
    host: Annotated[str, typer.Option(help="Address to serve on.")] = "127.0.0.1",
    port: Annotated[
        int, figure("--port", "Port to serve on; 0 for any.", least=0, most=65_535, whole=True)
    ] = PORT,
    accounts: Annotated[
        Path | None, typer.Option(help="Who may read and record.", dir_okay=False)
    ] = None,
    cert: Annotated[
        Path | None, typer.Option(help="Certificate, PEM, for HTTPS.", dir_okay=False)
    ] = None,
    key: Annotated[Path | None, typer.Option(help="Its key, PEM.", dir_okay=False)] = None,
    job: Annotated[
        Path | None, typer.Option(help="A job, for the sheet of today.", dir_okay=False)
    ] = None,
    forecast: Annotated[
        Path | None,
        typer.Option(help="With --job: hours ahead; else the config's.", dir_okay=False),
    ] = None,
    weather_year: Annotated[
        Path | None, typer.Option(help="With --job: a typical year.", dir_okay=False)
    ] = None,
    db: DbOption = None,
    add_account: Annotated[
        str | None,
        typer.Option("--add-account", help="Write an account and end.", metavar="NAME"),
    ] = None,
    right: Annotated[str | None, typer.Option(help="With --add-account: read or record.")] = None,
) -> None:
    """Serve the page, or write an account for it."""
    try:
        from monitor.page import serve
    except ImportError as fault:
        raise FilmcallError(
            f"the page needs {fault.name or 'a package'}, which is not installed; "
            "pip install 'filmcall[page]'"
        ) from None
    if add_account is not None:
        typer.echo(serve.add(accounts, add_account, right))
        return
    serve.run(
        config_file,
        host=host,
        port=port,
        accounts=accounts,
        cert=cert,
        key=key,
        job=job,
        forecast=forecast,
        weather_year=weather_year,
        db=db,
    )


def yard(
    broker: Annotated[
        str | None, typer.Option(help="HOST or HOST:PORT.", metavar="HOST[:PORT]")
    ] = None,
    config_file: Annotated[Path | None, config_option("Whose broker, account and zone.")] = None,
    filter_: Annotated[
        str, typer.Option("--filter", help="Only what has these words.", metavar="TEXT")
    ] = "",
    plain: Annotated[bool, typer.Option("--plain", help="One line a change.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a change.")] = False,
    history: Annotated[
        bool, typer.Option("--history", help="What the calls were, from a database; see --db.")
    ] = False,
    db: CopyOption = None,
    hours: Annotated[
        float, figure("--hours", "With --history: how far back [h].", "h", least=0.1, most=8784.0)
    ] = 24.0,
) -> None:
    """Show the yard until it is left, or what its calls were."""
    if history:
        if db is None or "://" not in db:
            raise FilmcallError(
                "--history reads the database that stations ship to, and none is given; give "
                "--db postgresql://..."
            )
        from monitor.ship.history import calls_lately
        from monitor.yard.history import history_lines

        for line in history_lines(calls_lately(db, time.time(), hours), as_json=as_json):
            say(line)
        return
    from monitor.yard import run as yard_command

    yard_command.run(
        broker=broker, config_file=config_file, wanted=filter_, plain=plain, as_json=as_json
    )
