"""`filmcall ship`: copies a log into one database of many stations, and makes that ready."""

from __future__ import annotations

from typing import Annotated

import typer

from monitor.cli.options import DbOption
from rules.errors import FilmcallError


def run(
    to: Annotated[
        str,
        typer.Option(
            "--to",
            metavar="URL",
            help="The database: postgresql://ACCOUNT@HOST/DATABASE; the password in PGPASSFILE.",
        ),
    ],
    db: DbOption = None,
    once: Annotated[
        bool, typer.Option("--once", help="Ship what the log holds now, and stop.")
    ] = False,
    prepare: Annotated[
        bool, typer.Option("--prepare", help="As owner: make the tables, or bring them up to date.")
    ] = False,
    grant: Annotated[
        str | None,
        typer.Option(metavar="STATION", help="As owner: an account that appends its own logs."),
    ] = None,
) -> None:
    """Copy whatever the log gains or changes into a database, and follow it."""
    from monitor.log.log import log_path
    from monitor.ship import database
    from monitor.ship import ship as ship_command

    if sum((once, prepare, grant is not None)) > 1:
        raise FilmcallError(
            "--once, --prepare and --grant are three different things, so nothing was done; give "
            "one of them"
        )
    if prepare:
        typer.echo(database.prepare(to))
        return
    if grant is not None:
        line = database.grant(to, grant)
        typer.echo(
            f"Account {grant} may append its own logs. The line for its file of PGPASSFILE (mode "
            f"600; HOST as the station calls it), shown only now:",
            err=True,
        )
        typer.echo(line)
        return
    if database.has_password(to):
        typer.echo(
            "filmcall: a password on the command line can be read by every account of this "
            "machine; leave it out, and put it into a file of PGPASSFILE, mode 600",
            err=True,
        )
    path = log_path(db)
    if once:
        text, status = ship_command.ship_once(to, path)
        typer.echo(text)
        raise typer.Exit(status)
    ship_command.follow(to, path)
