"""What the commands of the command line share: its options, its figures and exit statuses."""

from __future__ import annotations

import math
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer

from monitor.display import Units, prefer
from monitor.display import shown as shown_in_units
from monitor.log.given_up import CopyFile
from rules.errors import FilmcallError
from rules.numbers import number
from rules.text import printable, shown
from rules.units import HOUR_S, BadAmount, UnitAsked, amount, temperature_c

BAD_INPUT = 2
# What a command that judges its number itself is given all the same, to say what it makes of it.
_NOT_FINITE = ("nan", "inf", "-inf")


@contextmanager
def log_to_read(db: str | Path | None, log: str | None) -> Iterator[Path | CopyFile | None]:
    """Yield the log's file: the one named, or a shipped copy laid out as one while it is read.

    Args:
        db: a file, a database's address, or None for the usual file.
        log: UUID of the log in the database, or its first digits.

    Raises:
        FilmcallError: the database cannot be read, or which log is meant is not known.
    """
    if db is None or "://" not in str(db):
        if log is not None:
            raise FilmcallError(
                "--log names a log in a database, and --db is none, so nothing was read; give "
                "--db postgresql://..., or leave --log out"
            )
        yield None if db is None else Path(db)
        return
    from monitor.ship.lay_out import laid_out

    with laid_out(str(db), log) as (file, said):
        for text in said:
            typer.echo(f"filmcall: {printable(text, 1000)}", err=True)
        yield file


def typed_temperature(text: str) -> str:
    """Return a temperature as typed, with the unit that a person at the terminal was asked for.

    Raises:
        BadAmount: it is none; `UnitAsked` where nobody is there to answer.
    """
    if _US_TYPED.search(text):
        prefer(Units.US)
    try:
        temperature_c(text)
    except UnitAsked as fault:
        if not (sys.stdin.isatty() and sys.stderr.isatty()):
            raise
        sys.stderr.write(f"{fault.text} °F, or {fault.text} °C? F or C: ")
        sys.stderr.flush()
        unit = sys.stdin.readline().strip().upper().lstrip("°")[:1]
        if unit not in ("F", "C"):
            raise
        return f"{fault.text}{unit}"
    return text


_US_TYPED = re.compile(
    r"(?<![a-z])(?:°?f|degf|mils?|sq ?ft|ft2|ft²|us ?gal\w*|gal\w*|fl ?oz|qt|quarts?)\s*$",
    re.IGNORECASE,
)
# Units that a figure's option names, as `rules.units.amount` calls them.
_AMOUNTS = {"µm": "um", "mL": "ml", "m2/h": "m**2/h", "h": "h", "s": "s", "m": "m", "%": "%"}


def _amount(text: str, unit: str) -> float | None:
    """Return a figure that was typed with a unit of its own, or None where it is none."""
    if unit not in _AMOUNTS:
        return None
    if _US_TYPED.search(text):
        prefer(Units.US)
    try:
        if unit == "h":
            return amount(text, "s") / HOUR_S
        return amount(text, _AMOUNTS[unit])
    except BadAmount:
        return None


def figure(
    name: str,
    help_: str,
    unit: str = "",
    *,
    least: float | None = None,
    most: float = math.inf,
    whole: bool = False,
) -> Any:
    """Return an option that takes one number, bare or with a unit, and refuses anything else.

    Args:
        name: of the option, such as `--wait`.
        help_: what it is for.
        unit: of the number, for the sentence.
        least: smallest that makes sense; None where the command itself judges the number, NaN too.
        most: largest that makes sense.
        whole: whether it is a count.
    """
    kind = "whole number" if whole else "number"
    span = _span(least, most, unit)

    def read(given: str | float) -> float | int:
        text = str(given)  # a default comes as the number that it is
        value: float | int | None = number(text)
        if value is None and least is None and text.strip().lower() in _NOT_FINITE:
            value = float(text)
        if value is None and not whole:
            value = _amount(text, unit)
        if whole and value is not None:
            value = int(text) if text.strip().lstrip("+-").isdecimal() else None
        if value is not None and (least is None or least <= value <= most):
            return value
        raise FilmcallError(
            f"{name} {shown(str(text))} is no {kind}{span}, so nothing was done; enter it again"
        )

    return typer.Option(name, help=help_, parser=read, metavar="COUNT" if whole else "NUMBER")


def _span(least: float | None, most: float, unit: str) -> str:
    unit = f" {unit}" if unit else ""
    if least is None:
        return f" of{unit}" if unit else ""
    return (
        f" of {least:.10g}{unit} or more"
        if most == math.inf
        else (f" from {least:.10g} to {most:.10g}{unit}")
    )


# What may not be read is for whoever reads it to say: whose it is, and what to do.

DbOption = Annotated[
    Path | None,
    typer.Option(
        "--db", envvar="FILMCALL_DB", help="The log's file.", dir_okay=False, readable=False
    ),
]
DemoDbOption = Annotated[
    Path | None,
    typer.Option(
        "--db", help="A log of its own, to try commands on.", dir_okay=False, readable=False
    ),
]
"""Not by the variable: an invented night is not to stand in a painter's own log."""
CopyOption = Annotated[
    str | None,
    typer.Option(
        "--db",
        envvar="FILMCALL_DB",
        help="The log's file, or postgresql://... for its shipped copy.",
        metavar="FILE",
    ),
]
LogOption = Annotated[
    str | None,
    typer.Option("--log", metavar="UUID", help="With a database: which log, where it has several."),
]
SpecOption = Annotated[
    str | None, typer.Option("--spec", help="A shipped spec's name, or a file.", metavar="NAME")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON.")]
MethodOption = Annotated[str | None, typer.Option("--method", help="brush, roller or gun.")]
HardenerOption = Annotated[
    str | None,
    typer.Option("--hardener", help="Its name, where it is not the sheet's standard one."),
]
PlainOption = Annotated[bool, typer.Option("--plain", help="Lines, no screen.")]
GlanceOption = Annotated[
    bool, typer.Option("--glance", help="Word, figure and next clock in big letters.")
]
JsonlOption = Annotated[bool, typer.Option("--jsonl", help="One JSON object a call change.")]
SeedOption = Annotated[
    int, figure("--seed", "Of the simulated tent.", least=0, most=4_294_967_295, whole=True)
]


def config_option(help_: str) -> Any:
    """Return the option that names a config file.

    Args:
        help_: what it is for.
    """
    return typer.Option("--config", help=help_, dir_okay=False, readable=False)


def say(text: str) -> None:
    """Print a text in the units of who reads it; JSON, which begins with a bracket, as it is."""
    typer.echo(text if text[:1] in ("{", "[") else shown_in_units(text))


def printed(text: str, status: int) -> None:
    """Print what a command found, and end it with a status that says the same.

    Raises:
        typer.Exit: always.
    """
    say(text)
    raise typer.Exit(status)


def known_option(by: str) -> Any:
    """Return the option that leaves out what was recorded later.

    Args:
        by: than what, in words.
    """
    return typer.Option("--known", help=f"now, or then: only what was recorded {by}.")


def known_then_of(known: str) -> bool:
    """Return whether only what was recorded by then counts.

    Raises:
        FilmcallError: it is neither.
    """
    if known not in ("now", "then"):
        raise FilmcallError(f"known {known!r} is neither now nor then")
    return known == "then"
