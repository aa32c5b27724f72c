"""`filmcall outlook`: finds the enclosure's config and hands on to `outlook_run`."""

from __future__ import annotations

from pathlib import Path

from monitor import outlook_run
from monitor.config import load_config_file
from monitor.config_types import EnclosureConfig
from rules.errors import FilmcallError


def run(
    db: Path | None,
    *,
    enclosure: str | None,
    section: str | None,
    hours: float,
    forecast: Path | None,
    config_file: Path | None,
    spec: str | None,
    as_json: bool,
) -> str:
    """Return the outlook as text or JSON.

    Raises:
        FilmcallError: no log, too little of it, or a file that cannot be used.
    """
    return outlook_run.run(
        db,
        enclosure=enclosure,
        section=section,
        hours=hours,
        json_wanted=as_json,
        forecast=forecast,
        config=None if config_file is None else _chosen(config_file, enclosure),
        spec=spec,
        beside=None if config_file is None or spec is not None else config_file.parent,
    )


def _chosen(config_file: Path, enclosure: str | None) -> EnclosureConfig:
    found = load_config_file(config_file).enclosures
    names = ", ".join(each.name for each in found)
    if enclosure is None and len(found) == 1:
        return found[0]
    for each in found:
        if each.name == enclosure:
            return each
    raise FilmcallError(
        f"config {config_file} has the enclosures {names}, so none was looked at; say which with "
        "--enclosure"
    )
