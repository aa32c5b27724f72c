"""The command line of specs, the log and the installation."""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.options import (
    BAD_INPUT,
    CopyOption,
    DbOption,
    JsonOption,
    LogOption,
    figure,
    log_to_read,
)
from rules.errors import FilmcallError
from rules.text import clean
from rules.units import DAY_S

log_app = typer.Typer(rich_markup_mode=None)
spec_app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Coating specs.",
    epilog="Example: filmcall spec list",
)
sessions_app = typer.Typer(rich_markup_mode=None, help="Jobs and recordings in the log.")


@log_app.command(epilog="Example: filmcall doctor --config polytunnel.toml")
def doctor(
    config: Annotated[
        Path | None, typer.Option(help="The enclosures and the broker.", dir_okay=False)
    ] = None,
    wait: Annotated[
        float,
        figure("--wait", "How long to listen for each topic [s].", "s", least=0.0, most=DAY_S),
    ] = 20.0,
    defaults: Annotated[bool, typer.Option("--defaults", help="Print every default.")] = False,
    test_alarm: Annotated[
        bool,
        typer.Option("--test-alarm", help="Send one test alarm by every way, and stop."),
    ] = False,
    fix: Annotated[
        bool, typer.Option("--fix", help="Show what the config should say, and ask to write it.")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="With --fix: ask nothing.")] = False,
    json_: JsonOption = False,
    db: DbOption = None,
) -> None:
    """Check the set-up from config to screen, and say what to fix."""
    if fix and (config is None or json_ or defaults):
        raise FilmcallError(
            "--fix corrects a config and shows how, so nothing was done; give --config FILE, and "
            "leave --json and --defaults out"
        )
    if test_alarm:
        from monitor.alarms import routes as alarm_routes

        if config is None:
            raise FilmcallError(
                "--test-alarm needs to know the ways, so nothing was sent; give --config FILE"
            )
        typer.echo(alarm_routes.run_test(config))
        return
    from monitor.doctor import doctor as doctor_command

    text, code = doctor_command.run(
        config,
        db,
        as_json=json_,
        defaults=defaults,
        wait_s=wait,
        may_write=partial(_may_write, yes=yes) if fix else None,
    )
    typer.echo(text)
    raise typer.Exit(code)


def _may_write(change: str, *, yes: bool) -> bool:
    """Show a change, and ask; nobody at a terminal and no --yes is a no."""
    typer.echo("\n".join(clean(line) for line in change.splitlines()))
    if yes or not (sys.stdin.isatty() and sys.stdout.isatty()):
        return yes
    typer.echo("Write it? y or n [n]: ", nl=False)
    return sys.stdin.readline().strip().casefold() in ("y", "yes")


@spec_app.command("list", epilog="Example: filmcall spec list")
def spec_list() -> None:
    """List the specs that come with the program; all their figures are generic."""
    from monitor.cli import spec as spec_command

    typer.echo(spec_command.listing())


@spec_app.command("show", epilog="Example: filmcall spec show polyurethane-topcoat --json")
def spec_show(
    name: Annotated[str, typer.Argument(help="A shipped spec's name, or a file.")],
    json_: JsonOption = False,
) -> None:
    """Show a whole spec."""
    from monitor.cli import spec as spec_command

    typer.echo(spec_command.show(name, as_json=json_))


@spec_app.command("check", epilog="Example: filmcall spec check my-topcoat.toml")
def spec_check(
    file: Annotated[Path, typer.Argument(help="A spec's file.", dir_okay=False)],
    json_: JsonOption = False,
) -> None:
    """Check a spec file, and list all its faults."""
    from monitor.cli import spec as spec_command

    text, faults = spec_command.check(file, as_json=json_)
    typer.echo(text)
    raise typer.Exit(BAD_INPUT if faults else 0)


@spec_app.command(
    "new", epilog="Example: filmcall spec new my-topcoat --family two-pack-polyurethane"
)
def spec_new(
    name: Annotated[str, typer.Argument(help="The coating's short name.")],
    family: Annotated[str, typer.Option(help="What kind of coating it is.")] = "",
    out: Annotated[
        Path | None, typer.Option(help="The file to write; never over an existing one.")
    ] = None,
) -> None:
    """Begin a spec file, to be filled in from your data sheet."""
    from monitor.cli import spec as spec_command

    typer.echo(spec_command.new(name, family, out))


@sessions_app.callback(invoke_without_command=True, epilog="Example: filmcall sessions")
def sessions(
    context: typer.Context,
    db: CopyOption = None,
    log: LogOption = None,
    json_: JsonOption = False,
) -> None:
    """List the jobs and recordings in the log."""
    if context.invoked_subcommand is None:
        from monitor.log import files as log_command

        with log_to_read(db, log) as file:
            text = log_command.sessions(file, as_json=json_)
        typer.echo(text)


@sessions_app.command("verify", epilog="Example: filmcall sessions verify --db log.db")
def sessions_verify(
    db: CopyOption = None,
    log: LogOption = None,
    json_: JsonOption = False,
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
    """Check that nobody has changed anything in the log, and that its calls follow from it."""
    from monitor.live.recompute import recompute
    from monitor.log import files as log_command

    with log_to_read(db, log) as file:
        text, problems = log_command.verify(
            file, as_json=json_, seal=seal, recompute=recompute if calls else None
        )
    typer.echo(text)
    raise typer.Exit(1 if problems else 0)


@log_app.command(epilog="Example: filmcall export readings --format csv --out readings.csv")
def export(
    what: Annotated[str, typer.Argument(help="readings or calls.")],
    format_: Annotated[
        str, typer.Option("--format", help="csv, jsonl, or parquet: a file a month and enclosure.")
    ] = "csv",
    out: Annotated[
        Path, typer.Option(help="The file to write, - for standard output; parquet: a folder.")
    ] = Path("-"),
    db: CopyOption = None,
    log: LogOption = None,
) -> None:
    """Copy readings or calls out of the log, into a file."""
    from monitor.log import files as log_command

    with log_to_read(db, log) as file:
        log_command.export(what, format_, out, file)
