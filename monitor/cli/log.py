"""`filmcall sessions` and `export`: what is in the log, whether it is whole, and copies of it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.options import (
    CopyOption,
    JsonOption,
    LogOption,
    log_to_read,
    printed,
    say,
)

sessions_app = typer.Typer(rich_markup_mode=None)


@sessions_app.callback(invoke_without_command=True)
def sessions(
    context: typer.Context,
    db: CopyOption = None,
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """List the jobs and recordings in the log."""
    if context.invoked_subcommand is None:
        from monitor.log import files as log_command

        with log_to_read(db, log) as file:
            text = log_command.sessions(file, as_json=as_json)
        say(text)


@sessions_app.command(
    "verify",
    help="Check that nobody has changed anything in the log, and that its calls follow from it.",
    epilog="Example: filmcall sessions verify --db log.db",
)
def verify(
    db: CopyOption = None,
    log: LogOption = None,
    as_json: JsonOption = False,
    seal: Annotated[
        str | None,
        typer.Option(
            metavar="HEX", help="A seal from an alarm, a report or an export: does the log hold it?"
        ),
    ] = None,
    calls: Annotated[
        bool,
        typer.Option(
            "--calls/--no-calls",
            help="Make every call once more and hold the log's against it; takes a while.",
        ),
    ] = True,
) -> None:
    """Print what was found to be changed; ends with status 1 where anything was."""
    from monitor.live.recompute import recompute
    from monitor.log import files as log_command

    with log_to_read(db, log) as file:
        text, problems = log_command.verify(
            file, as_json=as_json, seal=seal, recompute=recompute if calls else None
        )
    printed(text, 1 if problems else 0)


def export(
    what: Annotated[str, typer.Argument(help="readings, calls, events or alarms.")],
    format_: Annotated[
        str, typer.Option("--format", help="csv, jsonl, or parquet: a file a month and enclosure.")
    ] = "csv",
    out: Annotated[
        Path, typer.Option(help="The file to write, - for standard output; parquet: a folder.")
    ] = Path("-"),
    db: CopyOption = None,
    log: LogOption = None,
) -> None:
    """Write rows of the log into a file."""
    from monitor.log import files as log_command

    with log_to_read(db, log) as file:
        log_command.export(what, format_, out, file)
