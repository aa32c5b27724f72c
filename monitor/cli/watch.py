"""`filmcall watch`: the live program."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from monitor.cli.options import DbOption, GlanceOption, JsonlOption, PlainOption, config_option


def run(
    config_file: Annotated[Path, config_option("The enclosures and the broker.")],
    plain: PlainOption = False,
    glance: GlanceOption = False,
    as_jsonl: JsonlOption = False,
    db: DbOption = None,
) -> None:
    """Watch until it is told to end."""
    from monitor.live.run import run as watch

    watch(config_file, plain=plain, as_jsonl=as_jsonl, db=db, glance=glance)
