"""The command line of a painting day: events, clocks, batches and the look back."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.options import (
    CopyOption,
    DbOption,
    JsonOption,
    LogOption,
    SpecOption,
    figure,
    log_to_read,
)
from rules.errors import FilmcallError

work_app = typer.Typer(rich_markup_mode=None)


@work_app.command(
    epilog='Example: filmcall event coat-started --enclosure polytunnel --at 14:30 --note "port"'
)
def event(
    kind: Annotated[str, typer.Argument(help="What was done: coat-started, mixed, wiped, ...")],
    enclosure: Annotated[
        str | None, typer.Option(help="Where; the log's only one if left out.")
    ] = None,
    section: Annotated[str | None, typer.Option(help="Which part of the work.")] = None,
    at: Annotated[
        str | None, typer.Option(help="When: 14:30 or ISO 8601; now if left out.")
    ] = None,
    timezone: Annotated[
        str | None, typer.Option(help="Zone of --at where it has none; else the enclosure's.")
    ] = None,
    note: Annotated[str, typer.Option(help="Free words.")] = "",
    spec: SpecOption = None,
    coat: Annotated[int | None, figure("--coat", "Number of the coat, from 1.", whole=True)] = None,
    batch: Annotated[str | None, typer.Option(help="The mix's own name.")] = None,
    amount: Annotated[
        float | None, figure("--amount", "Volume mixed [mL, or with its unit].", "mL")
    ] = None,
    thinner: Annotated[float | None, figure("--thinner", "Thinner, of the mix [%].", "%")] = None,
    method: Annotated[str | None, typer.Option(help="brush, roller or gun.")] = None,
    hardener: Annotated[
        str | None, typer.Option(help="Its name, where it is not the sheet's standard one.")
    ] = None,
    service: Annotated[
        str | None, typer.Option(help="Where the film will serve: immersed or atmospheric.")
    ] = None,
    what: Annotated[str | None, typer.Option(help="With measured: wood-moisture, ...")] = None,
    value: Annotated[
        float | None, figure("--value", "With measured: the figure.", least=-1e6, most=1e6)
    ] = None,
    unit: Annotated[str | None, typer.Option(help="With measured: its unit.")] = None,
    point: Annotated[
        str | None, typer.Option(help="With vouched: the probe that is right as it is.")
    ] = None,
    until: Annotated[
        str | None,
        typer.Option(help="With probes-out: when they are back; touch dry if left out."),
    ] = None,
    photo: Annotated[
        Path | None,
        typer.Option(help="A picture of it, at most 10 MB: copied beside the log.", dir_okay=False),
    ] = None,
    corrects: Annotated[
        int | None, figure("--corrects", "Row that this takes the place of.", least=1, whole=True)
    ] = None,
    withdraw: Annotated[bool, typer.Option("--withdraw", help="Take that row back.")] = False,
    db: DbOption = None,
) -> None:
    """Write down what was done; a running watch sees it at once."""
    from monitor.cli import event as event_command

    typer.echo(
        event_command.run(
            kind,
            enclosure=enclosure,
            section=section,
            at=at,
            timezone=timezone,
            note=note,
            spec=spec,
            coat=coat,
            batch=batch,
            amount_ml=amount,
            thinner_pct=thinner,
            method=method,
            hardener=hardener,
            service=service,
            what=what,
            value=value,
            unit=unit,
            point=point,
            until=until,
            photo=photo,
            corrects=corrects,
            withdraw=withdraw,
            db=db,
        )
    )


@work_app.command(epilog="Example: filmcall clocks --enclosure polytunnel --json")
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
    """Show every countdown: pot life, next coat, tape, cure."""
    from monitor.cli import clocks as clocks_command

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


@work_app.command(
    epilog="Example: filmcall batch --spec polyurethane-topcoat --area hull-port=6.5 "
    "--area hull-stbd=6.5 --dry-um 50 --temp 18"
)
def batch(
    spec: Annotated[str, typer.Option("--spec", help="A shipped spec's name, or a file.")],
    area: Annotated[list[str], typer.Option(help="12, or hull-port=6.5, in order [m2].")],
    temp: Annotated[str, typer.Option(help="Of air, hull and mix now: 18, 18C or 64F.")],
    forecast: Annotated[str | None, typer.Option(help="The temperature to come.")] = None,
    coats: Annotated[int, figure("--coats", "How many.", least=1, most=20, whole=True)] = 1,
    wet_um: Annotated[float | None, figure("--wet-um", "Wet film of one coat [µm].", "µm")] = None,
    dry_um: Annotated[float | None, figure("--dry-um", "Dry film of one coat [µm].", "µm")] = None,
    method: Annotated[str, typer.Option(help="brush, roller or gun.")] = "roller",
    hardener: Annotated[
        str | None, typer.Option(help="Its name, where it is not the sheet's standard one.")
    ] = None,
    loss: Annotated[
        float | None,
        figure("--loss", "Paint that never reaches the work [%]; 10, of a gun 40.", "%"),
    ] = None,
    thinner: Annotated[
        float | None, figure("--thinner", "Thinner wanted, of the mix [%].", "%")
    ] = None,
    rate: Annotated[
        float | None, figure("--rate", "Your own rate [m2/h]; else learned from the log.", "m2/h")
    ] = None,
    pot: Annotated[float | None, figure("--pot", "What your pot holds [mL].", "mL")] = None,
    batch_size: Annotated[
        float | None, figure("--batch-size", "A batch that you want [mL].", "mL")
    ] = None,
    ratio: Annotated[str | None, typer.Option(help="As you read it, to be checked: 3:1.")] = None,
    cup: Annotated[
        float, figure("--cup", "What a cup holds [mL].", "mL", least=10.0, most=10_000.0)
    ] = 250.0,
    html: Annotated[Path | None, typer.Option(help="Write the sheet for the wall.")] = None,
    json_: JsonOption = False,
    db: DbOption = None,
) -> None:
    """Plan how much to mix, in how many batches, and where to stop."""
    from monitor.cli import batch as batch_command

    typer.echo(
        batch_command.run(
            spec_name=spec,
            areas=area,
            coats=coats,
            wet_um=wet_um,
            dry_um=dry_um,
            method=method,
            hardener=hardener,
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


@work_app.command(epilog="Example: filmcall outlook --enclosure polytunnel --hours 12")
def outlook(
    enclosure: Annotated[str | None, typer.Option(help="Whose; the only one if left out.")] = None,
    section: Annotated[str | None, typer.Option(help="Whose surface.")] = None,
    hours: Annotated[float, figure("--hours", "How far, up to 24 [h].", "h")] = 24.0,
    forecast: Annotated[
        Path | None, typer.Option(help="CSV or JSON of outdoor hours, past days too.")
    ] = None,
    config: Annotated[
        Path | None, typer.Option(help="The enclosure's points and spec.", dir_okay=False)
    ] = None,
    spec: SpecOption = None,
    json_: JsonOption = False,
    db: DbOption = None,
) -> None:
    """Say when limits break, which hours suit a coat, what helps."""
    from monitor.cli import outlook as outlook_command

    typer.echo(
        outlook_command.run(
            db,
            enclosure=enclosure,
            section=section,
            hours=hours,
            forecast=forecast,
            config_file=config,
            spec=spec,
            as_json=json_,
        )
    )


@work_app.command(
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
    known: Annotated[
        str, typer.Option(help="now, or then: only what was recorded by the session's end.")
    ] = "now",
    json_: JsonOption = False,
    db: CopyOption = None,
    log: LogOption = None,
) -> None:
    """Look back at each coat: in spec, and if not, what harmed it?"""
    from monitor.cli import review as review_command

    if known not in ("now", "then"):
        raise FilmcallError(f"known {known!r} is neither now nor then")
    with log_to_read(db, log) as file:
        text = review_command.run(
            session,
            defect=defect,
            seen=seen,
            section=section,
            html=html,
            sheet=sheet,
            as_json=json_,
            config_file=config,
            spec=spec,
            known_then=known == "then",
            db=file,
        )
    typer.echo(text)
