"""The command line of `filmcall calibrate`: parses, calls, prints."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.options import DbOption, JsonOption, figure

if TYPE_CHECKING:
    from monitor.calibrate.probe import Surroundings, Target

calibrate_app = typer.Typer(no_args_is_help=True, rich_markup_mode=None)

PointOption = Annotated[str, typer.Option("--point", help="The probe's point.")]
EnclosureOption = Annotated[str | None, typer.Option("--enclosure", help="Where it stands.")]
ConfigOption = Annotated[
    Path | None, typer.Option("--config", help="To listen by, and its accuracies.", dir_okay=False)
]
ValidOption = Annotated[
    str | None, typer.Option("--valid", help='How long it is good for: "180 days".')
]
NoteOption = Annotated[str, typer.Option("--note", help="Free words.")]
AddOption = Annotated[bool, typer.Option("--add", help="Keep earlier points beside these.")]
CheckOption = Annotated[
    bool, typer.Option("--check", help="Check only: record and change nothing.")
]


def _target(
    point: str,
    enclosure: str | None,
    config: Path | None,
    db: Path | None,
    valid: str | None,
    note: str,
    add: bool,
    check_only: bool,
    as_json: bool,
) -> Target:
    from monitor.calibrate.probe import Target

    return Target(
        point,
        enclosure=enclosure,
        config_file=config,
        db=db,
        valid=valid,
        note=note,
        add=add,
        keep=not check_only,
        as_json=as_json,
    )


def _surroundings() -> Surroundings:
    from monitor.calibrate.probe import Surroundings

    return Surroundings(say=lambda text: typer.echo(text, err=True))


def _end(told: tuple[str, int]) -> None:
    text, code = told
    typer.echo(text)
    raise typer.Exit(code)


@calibrate_app.command(
    "salt",
    epilog="Example: filmcall calibrate salt --point air-bow --enclosure polytunnel "
    "--salt NaCl --reading 73.9 --temp 20.1",
)
def salt(
    point: PointOption,
    salts: Annotated[
        list[str], typer.Option("--salt", help="LiCl, MgCl2, K2CO3, NaCl, KCl or K2SO4.")
    ],
    reading: Annotated[
        list[float] | None, figure("--reading", "Raw humidity over each salt [%].", "%")
    ] = None,
    temp: Annotated[list[str] | None, typer.Option("--temp", help="In each jar [degC].")] = None,
    wait: Annotated[
        float, figure("--wait", "Longest wait to settle [s].", "s", least=0.0, most=604_800.0)
    ] = 43_200.0,
    enclosure: EnclosureOption = None,
    config: ConfigOption = None,
    valid: ValidOption = None,
    note: NoteOption = "",
    add: AddOption = False,
    check_only: CheckOption = False,
    json_: JsonOption = False,
    db: DbOption = None,
) -> None:
    """A humidity probe in a closed jar over a saturated salt; live, or by figures given."""
    from monitor.calibrate import probe as calibrate_command

    target = _target(point, enclosure, config, db, valid, note, add, check_only, json_)
    _end(
        calibrate_command.salt(
            target,
            tuple(salts),
            readings=tuple(reading or ()),
            temps=tuple(temp or ()),
            most_wait_s=wait,
            world=_surroundings(),
        )
    )


@calibrate_app.command(
    "side-by-side",
    epilog="Example: filmcall calibrate side-by-side --point plank-port --enclosure polytunnel "
    "--reference air-bow --reading 18.4 --reference-reading 18.1 --quantity surface_temp",
)
def side_by_side(
    point: PointOption,
    reference: Annotated[str, typer.Option(help="The point that it is compared with.")],
    reading: Annotated[str | None, typer.Option(help="Of the probe, raw.")] = None,
    reference_reading: Annotated[str | None, typer.Option(help="Of the reference.")] = None,
    quantity: Annotated[str | None, typer.Option(help="air_temp or surface_temp.")] = None,
    reference_accuracy: Annotated[str | None, typer.Option(help='"0.2 K".')] = None,
    enclosure: EnclosureOption = None,
    config: ConfigOption = None,
    valid: ValidOption = None,
    note: NoteOption = "",
    add: AddOption = False,
    check_only: CheckOption = False,
    json_: JsonOption = False,
    db: DbOption = None,
) -> None:
    """Two probes in one sealed bag or cup of water; live, or by figures given."""
    from monitor.calibrate import probe as calibrate_command

    target = _target(point, enclosure, config, db, valid, note, add, check_only, json_)
    _end(
        calibrate_command.side_by_side(
            target,
            reference,
            reading=reading,
            reference_reading=reference_reading,
            quantity=quantity,
            reference_accuracy=reference_accuracy,
            world=_surroundings(),
        )
    )


@calibrate_app.command(
    "psychrometer",
    epilog="Example: filmcall calibrate psychrometer --point air-bow --enclosure polytunnel "
    "--dry 20.4 --wet 15.1 --reading 56",
)
def psychrometer(
    point: PointOption,
    dry: Annotated[str, typer.Option(help="Dry bulb: 20.4, 20.4C or 69F.")],
    wet: Annotated[str, typer.Option(help="Wet bulb.")],
    reading: Annotated[float | None, figure("--reading", "Of the probe, raw [%].", "%")] = None,
    altitude: Annotated[float | None, figure("--altitude", "Above the sea [m].", "m")] = None,
    thermometer_accuracy: Annotated[str, typer.Option(help="Of both bulbs.")] = "0.2 K",
    enclosure: EnclosureOption = None,
    config: ConfigOption = None,
    valid: ValidOption = None,
    note: NoteOption = "",
    add: AddOption = False,
    check_only: CheckOption = False,
    json_: JsonOption = False,
    db: DbOption = None,
) -> None:
    """A humidity probe against a whirled or aspirated psychrometer."""
    from monitor.calibrate import probe as calibrate_command

    target = _target(point, enclosure, config, db, valid, note, add, check_only, json_)
    _end(
        calibrate_command.psychrometer(
            target,
            dry,
            wet,
            reading=reading,
            altitude_m=altitude,
            thermometer_accuracy=thermometer_accuracy,
            world=_surroundings(),
        )
    )


@calibrate_app.command("list", epilog="Example: filmcall calibrate list")
def listing(json_: JsonOption = False, db: DbOption = None) -> None:
    """List the calibrations in the log, and which are in force."""
    from monitor.calibrate import probe as calibrate_command

    _end(calibrate_command.listing(db, as_json=json_))


@calibrate_app.command("undo", epilog="Example: filmcall calibrate undo --row 3")
def undo(
    row: Annotated[int, figure("--row", "The calibration's row in the log.", least=1, whole=True)],
    point: Annotated[str | None, typer.Option(help="To be sure: its point.")] = None,
    quantity: Annotated[str | None, typer.Option(help="To be sure: its quantity.")] = None,
    enclosure: EnclosureOption = None,
    note: NoteOption = "",
    db: DbOption = None,
) -> None:
    """Take a calibration back from now on; it stays in the log."""
    from monitor.calibrate import probe as calibrate_command

    _end(
        calibrate_command.undo(
            row, db, point=point, quantity=quantity, enclosure=enclosure, note=note
        )
    )
