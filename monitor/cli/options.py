"""What the commands of the command line share: its options, its figures and exit statuses."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, Any

import typer

from rules.errors import FilmcallError
from rules.numbers import number
from rules.text import printable, shown
from rules.units import BadAmount, amount
from rules.vocabulary import Method


def method_named(word: str | None) -> Method | None:
    """Return how a coat is put on, or None where nothing was given.

    Raises:
        FilmcallError: there is no such method.
    """
    if word is None:
        return None
    try:
        return Method(word)
    except ValueError:
        raise FilmcallError(
            f"method {printable(word)!r} is not known, so nothing was done; one of: "
            f"{', '.join(Method)}"
        ) from None


BAD_INPUT = 2
# What a command that judges its number itself is given all the same, to say what it makes of it.
_NOT_FINITE = ("nan", "inf", "-inf")

DbOption = Annotated[
    Path | None,
    typer.Option("--db", envvar="FILMCALL_DB", help="The log's file.", dir_okay=False),
]
SpecOption = Annotated[
    str | None, typer.Option("--spec", help="A shipped spec's name, or a file.", metavar="NAME")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON.")]


def figure(
    name: str,
    help_: str,
    unit: str = "",
    *,
    least: float | None = None,
    most: float = math.inf,
    whole: bool = False,
    as_unit: str = "",
) -> Any:
    """Return an option that takes one number, and refuses anything else in one sentence.

    Args:
        name: of the option, such as `--wait`.
        help_: what it is for.
        unit: of the number, for the sentence.
        least: smallest that makes sense; None where the command itself judges the number, NaN too.
        most: largest that makes sense.
        whole: whether it is a count.
        as_unit: the unit of a bare number, as `rules.units.amount` names it, where another may be
            typed with it; "" where none may.
    """
    kind = "whole number" if whole else "number"
    span = _span(least, most, unit)

    def read(given: str | float) -> float | int:
        text = str(given)  # a default comes as the number that it is
        value: float | int | None = number(text)
        if value is None and least is None and text.strip().lower() in _NOT_FINITE:
            value = float(text)
        if value is None and as_unit and text.strip()[:1].isdigit():
            try:
                value = amount(text, as_unit)
            except BadAmount:
                value = None
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
