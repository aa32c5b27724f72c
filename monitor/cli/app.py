"""The command line: parses, calls, prints. What each command does stands elsewhere."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from monitor import __version__
from monitor.cli.calibrate import calibrate_app
from monitor.cli.faults import run
from monitor.cli.log import log_app, sessions_app, spec_app
from monitor.cli.options import DbOption, JsonOption, SpecOption, figure
from monitor.cli.plan import plan_app, today_app
from monitor.cli.setup import setup_app
from monitor.cli.ship import ship_app
from monitor.cli.work import work_app
from rules.errors import FilmcallError

EXIT_CODES = {"GO": 0, "HOLD": 10, "STOP": 20}

app = typer.Typer(
    name="filmcall",
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Watches the air and the hull in a paint enclosure and calls GO, HOLD or STOP, with "
    "reasons. GO is about the film, never about the air that people breathe.",
)
app.add_typer(spec_app, name="spec")
app.add_typer(sessions_app, name="sessions")
app.add_typer(calibrate_app, name="calibrate")
app.add_typer(plan_app, name="plan")


def main() -> None:
    """Run the command line; a fault that a user can mend is one sentence and exit status 2."""
    sys.exit(run(app))


@app.callback(invoke_without_command=True)
def options(
    version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False,
) -> None:
    """Take the options that every command shares."""
    if version:
        typer.echo(f"filmcall {__version__}")
        raise typer.Exit


@app.command(epilog="Example: filmcall check --air 21 --rh 60 --surface 19")
def check(
    air: Annotated[str | None, typer.Option(help="Air temperature: 21, 21C or 70F.")] = None,
    rh: Annotated[str | None, typer.Option(help="Relative humidity [%].")] = None,
    wet_bulb: Annotated[
        str | None, typer.Option(help="Wet-bulb temperature, in place of --rh.")
    ] = None,
    surface: Annotated[
        str | None, typer.Option(help="Surface temperature; without it there is no GO.")
    ] = None,
    spec: SpecOption = None,
    altitude: Annotated[
        float, figure("--altitude", "Above the sea, for the wet bulb [m].", "m")
    ] = 0.0,
    method: Annotated[str | None, typer.Option(help="brush, roller or gun.")] = None,
    now: Annotated[
        bool, typer.Option("--now", help="By the log's last readings, with --config.")
    ] = False,
    config: Annotated[
        Path | None, typer.Option(help="With --now: describes the enclosure.", dir_okay=False)
    ] = None,
    enclosure: Annotated[str | None, typer.Option(help="With --now: which of them.")] = None,
    db: DbOption = None,
    json_: JsonOption = False,
) -> None:
    """Judge one hand reading: may you start a coat now? With --now, the log's last readings."""
    from monitor.cli import check as check_command

    if now:
        from monitor.cli import check_now

        if config is None:
            raise FilmcallError(
                "--now has no --config, so nobody knows which probe is where; give the file"
            )
        text, call = check_now.run(config, enclosure=enclosure, db=db, as_json=json_)
        typer.echo(text)
        raise typer.Exit(EXIT_CODES[call])
    if air is None:
        raise FilmcallError(
            "'--air' is left out, so nothing was done; as in: filmcall check --air 21 --rh 60 "
            "--surface 19, or --now with --config"
        )
    text, call = check_command.run(
        air=air,
        rh=rh,
        wet_bulb=wet_bulb,
        surface=surface,
        spec_name=spec,
        altitude_m=altitude,
        method=method,
        as_json=json_,
    )
    typer.echo(text)
    raise typer.Exit(EXIT_CODES[call])


@app.command(epilog="Example: filmcall replay logger.csv --spec polyurethane-topcoat --jsonl")
def replay(
    file: Annotated[Path, typer.Argument(help="A recorded CSV.", metavar="FILE.csv")],
    spec: SpecOption = None,
    config: Annotated[
        Path | None, typer.Option(help="Maps columns to points.", dir_okay=False)
    ] = None,
    enclosure: Annotated[str | None, typer.Option(help="Which of the config's.")] = None,
    timezone: Annotated[
        str | None, typer.Option(help="Zone of times that carry none: Europe/Brussels.")
    ] = None,
    assumed_surface_offset: Annotated[
        str | None,
        typer.Option(help='Without a surface probe: "-0.5 K" from the coldest air.'),
    ] = None,
    speed: Annotated[str, typer.Option(help="Times real time, or max.")] = "max",
    plain: Annotated[bool, typer.Option("--plain", help="Lines, no screen.")] = False,
    glance: Annotated[
        bool, typer.Option("--glance", help="Word, figure and next clock in big letters.")
    ] = False,
    jsonl: Annotated[bool, typer.Option("--jsonl", help="One JSON object a call change.")] = False,
    all_: Annotated[
        bool, typer.Option("--all", help="Every evaluation, not only changes.")
    ] = False,
    outlook: Annotated[
        bool,
        typer.Option(
            "--outlook", help="Look ahead too, after the first day; takes some 30 times as long."
        ),
    ] = False,
    db: DbOption = None,
) -> None:
    """Play a recording as if it were live."""
    from monitor.cli import replay as replay_command

    replay_command.run(
        file,
        spec_name=spec,
        config_file=config,
        enclosure=enclosure,
        timezone=timezone,
        assumed_surface_offset=assumed_surface_offset,
        speed=speed,
        plain=plain,
        glance=glance,
        as_jsonl=jsonl,
        every_evaluation=all_,
        db=db,
        outlook=outlook,
    )


@app.command(epilog="Example: filmcall demo")
def demo(
    seed: Annotated[
        int, figure("--seed", "Of the simulated tent.", least=0, most=4_294_967_295, whole=True)
    ] = 1,
    plain: Annotated[bool, typer.Option("--plain", help="Lines, no screen.")] = False,
    jsonl: Annotated[bool, typer.Option("--jsonl", help="One JSON object a call change.")] = False,
    db: DbOption = None,
) -> None:
    """Play an invented night: a coat, a cold hull, a morning."""
    from monitor.cli import replay as replay_command

    replay_command.run_demo(seed=seed, as_jsonl=jsonl, db=db, plain=plain)


@app.command(epilog="Example: filmcall simulate --hours 24 --out night.csv")
def simulate(
    out: Annotated[Path, typer.Option(help="The CSV to write; - is standard output.")] = Path("-"),
    hours: Annotated[
        float, figure("--hours", "How long [h].", "h", least=0.01, most=10_000.0)
    ] = 16.0,
    seed: Annotated[
        int, figure("--seed", "Of the simulated tent.", least=0, most=4_294_967_295, whole=True)
    ] = 1,
    mqtt: Annotated[
        bool, typer.Option("--mqtt", help="Publish to the config's broker, as sensors do.")
    ] = False,
    config: Annotated[
        Path | None, typer.Option(help="Whose points, columns and topics.", dir_okay=False)
    ] = None,
    speed: Annotated[
        float, figure("--speed", "With --mqtt: times real time.", least=0.01, most=1_000_000.0)
    ] = 1.0,
    anyway: Annotated[
        bool, typer.Option("--anyway", help="With --mqtt: send even where others send.")
    ] = False,
) -> None:
    """Invent a tent's readings, into a file or onto a broker."""
    from monitor.cli import simulate as simulate_command

    if mqtt:
        simulate_command.publish(config, hours=hours, seed=seed, speed=speed, anyway=anyway)
    else:
        simulate_command.write(out, config, hours=hours, seed=seed)


@app.command(epilog="Example: filmcall watch --config polytunnel.toml")
def watch(
    config: Annotated[Path, typer.Option(help="The enclosures and the broker.", dir_okay=False)],
    plain: Annotated[bool, typer.Option("--plain", help="Lines, no screen.")] = False,
    glance: Annotated[
        bool, typer.Option("--glance", help="Word, figure and next clock in big letters.")
    ] = False,
    jsonl: Annotated[bool, typer.Option("--jsonl", help="One JSON object a call change.")] = False,
    db: DbOption = None,
) -> None:
    """Watch live sensors on a broker, and publish the calls."""
    from monitor.live import run as watch_command

    watch_command.run(config, plain=plain, as_jsonl=jsonl, db=db, glance=glance)


for _each in (setup_app, work_app, log_app, today_app, ship_app):
    app.registered_commands.extend(_each.registered_commands)
