"""The command line: parses, calls, prints. What each command does stands elsewhere."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from monitor import __version__
from monitor.calibrate_cli import calibrate_app
from rules.errors import FilmcallError

EXIT_CODES = {"GO": 0, "HOLD": 10, "STOP": 20}
BAD_INPUT = 2

app = typer.Typer(
    name="filmcall",
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Watches the air and the hull in a paint enclosure and calls GO, HOLD or STOP, with "
    "reasons. GO is about the film, never about the air that people breathe.",
)
spec_app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Coating specs.")
sessions_app = typer.Typer(rich_markup_mode=None, help="Jobs and recordings in the log.")
app.add_typer(spec_app, name="spec")
app.add_typer(sessions_app, name="sessions")
app.add_typer(calibrate_app, name="calibrate")

DbOption = Annotated[
    Path | None,
    typer.Option("--db", envvar="FILMCALL_DB", help="The log's file.", dir_okay=False),
]
SpecOption = Annotated[
    str | None, typer.Option("--spec", help="A shipped spec's name, or a file.", metavar="NAME")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON.")]


def main() -> None:
    """Run the command line; a fault that a user can mend is one sentence and exit status 2."""
    try:
        app()
    except FilmcallError as fault:
        typer.echo(f"filmcall: {fault}", err=True)
        sys.exit(BAD_INPUT)
    except BrokenPipeError:
        # Whoever read us has gone; leave nothing for the interpreter to flush.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(141)
    except KeyboardInterrupt:
        sys.exit(130)


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
    air: Annotated[str, typer.Option(help="Air temperature: 21, 21C or 70F.")],
    rh: Annotated[float | None, typer.Option(help="Relative humidity [%].")] = None,
    wet_bulb: Annotated[
        str | None, typer.Option(help="Wet-bulb temperature, in place of --rh.")
    ] = None,
    surface: Annotated[
        str | None, typer.Option(help="Surface temperature; without it there is no GO.")
    ] = None,
    spec: SpecOption = None,
    altitude: Annotated[float, typer.Option(help="Above the sea, for the wet bulb [m].")] = 0.0,
    method: Annotated[str | None, typer.Option(help="brush, roller or gun.")] = None,
    json_: JsonOption = False,
) -> None:
    """Judge one hand reading: may a coat be started now?"""
    from monitor import check_command

    text, call = check_command.run(
        air=air,
        rh_pct=rh,
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
        typer.Option(help='Stands in for a surface probe: "-0.5 K" from the coldest air.'),
    ] = None,
    speed: Annotated[str, typer.Option(help="Times real time, or max.")] = "max",
    plain: Annotated[bool, typer.Option("--plain", help="Lines, no screen.")] = False,
    jsonl: Annotated[bool, typer.Option("--jsonl", help="One JSON object a call change.")] = False,
    all_: Annotated[
        bool, typer.Option("--all", help="Every evaluation, not only changes.")
    ] = False,
    db: DbOption = None,
) -> None:
    """Play a recording through the whole program."""
    from monitor import replay_command

    replay_command.run(
        file,
        spec_name=spec,
        config_file=config,
        enclosure=enclosure,
        timezone=timezone,
        assumed_surface_offset=assumed_surface_offset,
        speed=speed,
        plain=plain,
        as_jsonl=jsonl,
        every_evaluation=all_,
        db=db,
    )


@app.command(epilog="Example: filmcall demo")
def demo(
    seed: Annotated[int, typer.Option(help="Of the simulated tent.")] = 1,
    jsonl: Annotated[bool, typer.Option("--jsonl", help="One JSON object a call change.")] = False,
    db: DbOption = None,
) -> None:
    """Play a night of the simulated tent: a coat of topcoat, a cold hull, a morning."""
    from monitor import replay_command

    replay_command.run_demo(seed=seed, as_jsonl=jsonl, db=db)


@app.command(epilog="Example: filmcall simulate --hours 24 --out night.csv")
def simulate(
    out: Annotated[Path, typer.Option(help="The CSV to write; - is standard output.")] = Path("-"),
    hours: Annotated[float, typer.Option(help="How long [h].", min=0.01, max=10_000)] = 16.0,
    seed: Annotated[int, typer.Option(help="Of the simulated tent.")] = 1,
    mqtt: Annotated[
        bool, typer.Option("--mqtt", help="Publish to the config's broker, as sensors would.")
    ] = False,
    config: Annotated[
        Path | None, typer.Option(help="With --mqtt: broker and topics.", dir_okay=False)
    ] = None,
    speed: Annotated[float, typer.Option(help="With --mqtt: times real time.", min=0.01)] = 1.0,
) -> None:
    """Write a recording of the simulated tent, or be its sensors on a broker."""
    from monitor import simulate_command

    if mqtt:
        simulate_command.publish(config, hours=hours, seed=seed, speed=speed)
    else:
        simulate_command.write(out, hours=hours, seed=seed)


@app.command(epilog="Example: filmcall watch --config polytunnel.toml")
def watch(
    config: Annotated[Path, typer.Option(help="The enclosures and the broker.", dir_okay=False)],
    plain: Annotated[bool, typer.Option("--plain", help="Lines, no screen.")] = False,
    jsonl: Annotated[bool, typer.Option("--jsonl", help="One JSON object a call change.")] = False,
    db: DbOption = None,
) -> None:
    """Watch live sensors on a broker, day and night, and publish the calls."""
    from monitor import watch_command

    watch_command.run(config, plain=plain, as_jsonl=jsonl, db=db)


@app.command(
    epilog='Example: filmcall event coat-started --enclosure polytunnel --at 14:30 --note "port"'
)
def event(
    kind: Annotated[str, typer.Argument(help="What was done: coat-started, mixed, wiped, ...")],
    enclosure: Annotated[str, typer.Option(help="Where.")],
    section: Annotated[str | None, typer.Option(help="Which part of the work.")] = None,
    at: Annotated[
        str | None, typer.Option(help="When: 14:30 or ISO 8601; now if left out.")
    ] = None,
    note: Annotated[str, typer.Option(help="Free words.")] = "",
    spec: SpecOption = None,
    coat: Annotated[int | None, typer.Option(help="Number of the coat, from 1.")] = None,
    batch: Annotated[str | None, typer.Option(help="The mix's own name.")] = None,
    amount: Annotated[float | None, typer.Option(help="Volume mixed [mL].")] = None,
    thinner: Annotated[float | None, typer.Option(help="Thinner, of the mix [%].")] = None,
    method: Annotated[str | None, typer.Option(help="brush, roller or gun.")] = None,
    what: Annotated[str | None, typer.Option(help="With measured: wood-moisture, ...")] = None,
    value: Annotated[float | None, typer.Option(help="With measured: the figure.")] = None,
    unit: Annotated[str | None, typer.Option(help="With measured: its unit.")] = None,
    corrects: Annotated[int | None, typer.Option(help="Row that this takes the place of.")] = None,
    withdraw: Annotated[bool, typer.Option("--withdraw", help="Take that row back.")] = False,
    db: DbOption = None,
) -> None:
    """Write down what was done; a running watch sees it within a second."""
    from monitor import event_command

    typer.echo(
        event_command.run(
            kind,
            enclosure=enclosure,
            section=section,
            at=at,
            note=note,
            spec=spec,
            coat=coat,
            batch=batch,
            amount_ml=amount,
            thinner_pct=thinner,
            method=method,
            what=what,
            value=value,
            unit=unit,
            corrects=corrects,
            withdraw=withdraw,
            db=db,
        )
    )


@app.command(epilog="Example: filmcall clocks --enclosure polytunnel --json")
def clocks(
    enclosure: Annotated[str | None, typer.Option(help="Whose; all if left out.")] = None,
    at: Annotated[str | None, typer.Option(help="For this time: 14:30 or ISO 8601.")] = None,
    config: Annotated[
        Path | None, typer.Option(help="Which surface belongs to which section.", dir_okay=False)
    ] = None,
    known: Annotated[
        str, typer.Option(help="now, or then: only what was recorded by --at.")
    ] = "now",
    json_: JsonOption = False,
    db: DbOption = None,
) -> None:
    """Show every countdown: how long this mix lives, when the next coat may go on."""
    from monitor import clocks_command

    if known not in ("now", "then"):
        raise FilmcallError(f"known {known!r} is neither now nor then")
    typer.echo(
        clocks_command.run(
            enclosure=enclosure,
            at=at,
            config_file=config,
            known_then=known == "then",
            as_json=json_,
            db=db,
        )
    )


@app.command(
    epilog="Example: filmcall batch --spec polyurethane-topcoat --area hull-port=6.5 "
    "--area hull-stbd=6.5 --dry-um 50 --temp 18"
)
def batch(
    spec: Annotated[str, typer.Option("--spec", help="A shipped spec's name, or a file.")],
    area: Annotated[list[str], typer.Option(help="12, or hull-port=6.5, in order [m2].")],
    temp: Annotated[str, typer.Option(help="Of air, hull and mix now: 18, 18C or 64F.")],
    forecast: Annotated[str | None, typer.Option(help="The temperature to come.")] = None,
    coats: Annotated[int, typer.Option(help="How many.")] = 1,
    wet_um: Annotated[float | None, typer.Option(help="Wet film of one coat [µm].")] = None,
    dry_um: Annotated[float | None, typer.Option(help="Dry film of one coat [µm].")] = None,
    method: Annotated[str, typer.Option(help="brush, roller or gun.")] = "roller",
    loss: Annotated[float, typer.Option(help="Paint that never reaches the work [%].")] = 10.0,
    thinner: Annotated[float | None, typer.Option(help="Thinner wanted, of the mix [%].")] = None,
    rate: Annotated[
        float | None, typer.Option(help="Your own rate [m2/h]; else learned from the log.")
    ] = None,
    pot: Annotated[float | None, typer.Option(help="What your pot holds [mL].")] = None,
    batch_size: Annotated[float | None, typer.Option(help="A batch that you want [mL].")] = None,
    ratio: Annotated[str | None, typer.Option(help="As you read it, to be checked: 3:1.")] = None,
    cup: Annotated[float, typer.Option(help="What a cup holds [mL].")] = 250.0,
    html: Annotated[Path | None, typer.Option(help="Write the sheet for the wall.")] = None,
    json_: JsonOption = False,
    db: DbOption = None,
) -> None:
    """Plan how much to mix, in how many batches, and where to stop."""
    from monitor import batch_command

    typer.echo(
        batch_command.run(
            spec_name=spec,
            areas=area,
            coats=coats,
            wet_um=wet_um,
            dry_um=dry_um,
            method=method,
            loss_pct=loss,
            thinner_pct=thinner,
            temp=temp,
            forecast=forecast,
            rate_m2_per_h=rate,
            pot_ml=pot,
            batch_ml=batch_size,
            ratio=ratio,
            cup_ml=cup,
            html=html,
            as_json=json_,
            db=db,
        )
    )


@app.command(epilog="Example: filmcall doctor --config polytunnel.toml")
def doctor(
    config: Annotated[
        Path | None, typer.Option(help="The enclosures and the broker.", dir_okay=False)
    ] = None,
    wait: Annotated[float, typer.Option(help="How long to listen for each topic [s].")] = 20.0,
    defaults: Annotated[bool, typer.Option("--defaults", help="Print every default.")] = False,
    json_: JsonOption = False,
    db: DbOption = None,
) -> None:
    """Walk from config to spec, broker, topics, clock, log and terminal; say what to mend."""
    from monitor import doctor as doctor_command

    text, code = doctor_command.run(config, db, as_json=json_, defaults=defaults, wait_s=wait)
    typer.echo(text)
    raise typer.Exit(code)


@app.command(
    epilog='Example: filmcall review --defect "amine bloom" --seen "greasy, milky, lower planks"'
)
def review(
    session: Annotated[
        str | None, typer.Argument(help="Number of the session; the last if left out.")
    ] = None,
    defect: Annotated[str | None, typer.Option(help="What went wrong, in trade words.")] = None,
    seen: Annotated[str, typer.Option(help="What you see, where and when.")] = "",
    section: Annotated[str | None, typer.Option(help="Only this part of the work.")] = None,
    html: Annotated[Path | None, typer.Option(help="Write a report for the browser.")] = None,
    sheet: Annotated[
        Path | None, typer.Option(help="Write the daily environment sheet: .html or .csv.")
    ] = None,
    config: Annotated[
        Path | None, typer.Option(help="Which surface belongs to which section.", dir_okay=False)
    ] = None,
    spec: SpecOption = None,
    json_: JsonOption = False,
    db: DbOption = None,
) -> None:
    """Look back: was each coat inside its spec, and what may have spoiled it?"""
    from monitor import review_command

    typer.echo(
        review_command.run(
            session,
            defect=defect,
            seen=seen,
            section=section,
            html=html,
            sheet=sheet,
            as_json=json_,
            config_file=config,
            spec=spec,
            db=db,
        )
    )


@spec_app.command("list", epilog="Example: filmcall spec list")
def spec_list() -> None:
    """List the specs that come with the program; all their figures are generic."""
    from monitor import spec_command

    typer.echo(spec_command.listing())


@spec_app.command("show", epilog="Example: filmcall spec show polyurethane-topcoat --json")
def spec_show(
    name: Annotated[str, typer.Argument(help="A shipped spec's name, or a file.")],
    json_: JsonOption = False,
) -> None:
    """Show a whole spec."""
    from monitor import spec_command

    typer.echo(spec_command.show(name, as_json=json_))


@spec_app.command("check", epilog="Example: filmcall spec check my-topcoat.toml")
def spec_check(
    file: Annotated[Path, typer.Argument(help="A spec's file.", dir_okay=False)],
    json_: JsonOption = False,
) -> None:
    """Say everything that is wrong with a spec file, at once."""
    from monitor import spec_command

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
    """Write a starting file, to be filled in from the data sheet."""
    from monitor import spec_command

    typer.echo(spec_command.new(name, family, out))


@sessions_app.callback(invoke_without_command=True, epilog="Example: filmcall sessions")
def sessions(
    context: typer.Context,
    db: DbOption = None,
    json_: JsonOption = False,
) -> None:
    """List the jobs and recordings in the log."""
    if context.invoked_subcommand is None:
        from monitor import log_command

        typer.echo(log_command.sessions(db, as_json=json_))


@sessions_app.command("verify", epilog="Example: filmcall sessions verify --db log.db")
def sessions_verify(db: DbOption = None, json_: JsonOption = False) -> None:
    """Check that no call or event in the log was changed after it was written."""
    from monitor import log_command

    text, problems = log_command.verify(db, as_json=json_)
    typer.echo(text)
    raise typer.Exit(1 if problems else 0)


@app.command(epilog="Example: filmcall export readings --format csv --out readings.csv")
def export(
    what: Annotated[str, typer.Argument(help="readings or calls.")],
    format_: Annotated[str, typer.Option("--format", help="csv or jsonl.")] = "csv",
    out: Annotated[Path, typer.Option(help="The file to write; - is standard output.")] = Path("-"),
    db: DbOption = None,
) -> None:
    """Write readings or calls out of the log."""
    from monitor import log_command

    log_command.export(what, format_, out, db)
