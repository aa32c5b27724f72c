"""What the commands of the command line share: its options and exit statuses."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

BAD_INPUT = 2

DbOption = Annotated[
    Path | None,
    typer.Option("--db", envvar="FILMCALL_DB", help="The log's file.", dir_okay=False),
]
SpecOption = Annotated[
    str | None, typer.Option("--spec", help="A shipped spec's name, or a file.", metavar="NAME")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON.")]
