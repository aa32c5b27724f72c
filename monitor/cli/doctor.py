"""`filmcall doctor`: checks a set-up, and corrects a config where a person agrees."""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.options import DbOption, JsonOption, config_option, figure, printed
from rules.errors import FilmcallError
from rules.text import clean
from rules.units import DAY_S


def run(
    config_file: Annotated[Path | None, config_option("The enclosures and the broker.")] = None,
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
    as_json: JsonOption = False,
    db: DbOption = None,
) -> None:
    """Check the set-up from config to screen, and say what to fix."""
    if fix and (config_file is None or as_json or defaults):
        raise FilmcallError(
            "--fix corrects a config and shows how, so nothing was done; give --config FILE, and "
            "leave --json and --defaults out"
        )
    if test_alarm:
        from monitor.alarms import routes as alarm_routes

        if config_file is None:
            raise FilmcallError(
                "--test-alarm needs to know the ways, so nothing was sent; give --config FILE"
            )
        text, all_went = alarm_routes.run_test(config_file)
        printed(text, 0 if all_went else 1)
    from monitor.doctor import doctor

    text, code = doctor.run(
        config_file,
        db,
        as_json=as_json,
        defaults=defaults,
        wait_s=wait,
        may_write=partial(_may_write, yes=yes) if fix else None,
    )
    printed(text, code)


def _may_write(change: str, *, yes: bool) -> bool:
    """Show a change, and ask; nobody at a terminal and no --yes is a no."""
    typer.echo("\n".join(clean(line) for line in change.splitlines()))
    if yes or not (sys.stdin.isatty() and sys.stdout.isatty()):
        return yes
    typer.echo("Write it? y or n [n]: ", nl=False)
    return sys.stdin.readline().strip().casefold() in ("y", "yes")
