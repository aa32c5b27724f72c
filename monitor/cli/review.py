"""`filmcall review`: looks back at a session, and says why a film may be spoiled."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.options import (
    CopyOption,
    JsonOption,
    LogOption,
    SpecOption,
    config_option,
    known_option,
    known_then_of,
    log_to_read,
)
from monitor.config.model import EnclosureConfig
from monitor.log.facts import config_in
from monitor.log.files import reading_log, write_page
from monitor.review.json import review_dict
from monitor.review.read import Progress
from monitor.review.review import Review, choose_session, review
from monitor.review.text import plain_text
from rules.errors import FilmcallError


def run(
    session: Annotated[
        str | None, typer.Argument(help="Number of the session; the last if left out.")
    ] = None,
    *,
    defect: Annotated[str | None, typer.Option(help="What went wrong, in trade words.")] = None,
    seen: Annotated[str, typer.Option(help="What you see, where and when.")] = "",
    section: Annotated[str | None, typer.Option(help="Only this part of the work.")] = None,
    html: Annotated[Path | None, typer.Option(help="Write a report for the browser.")] = None,
    sheet: Annotated[
        Path | None, typer.Option(help="Write the daily environment sheet: .html or .csv.")
    ] = None,
    config_file: Annotated[
        Path | None, config_option("Which surface belongs to which section.")
    ] = None,
    spec: SpecOption = None,
    known: Annotated[str, known_option("by the session's end")] = "now",
    as_json: JsonOption = False,
    db: CopyOption = None,
    log: LogOption = None,
) -> str:
    """Look back at a session; write its page and sheet where asked.

    Returns:
        What to print.

    Raises:
        FilmcallError: the log, the session, the defect or a file cannot be used.
    """
    known_then = known_then_of(known)
    if sheet is not None and sheet.suffix.lower() not in (".csv", ".html"):
        raise FilmcallError(
            f"sheet {str(sheet)!r} is neither .csv nor .html, so it is not written; name it so"
        )
    with log_to_read(db, log) as path, reading_log(path) as store:
        chosen = choose_session(store.sessions(), session)
        found = review(
            store,
            chosen,
            defect=defect,
            seen=seen,
            section=section,
            config=_enclosure(config_file, chosen.enclosure)
            or config_in(store, chosen.enclosure or ""),
            spec=spec,
            beside=None if config_file is None else config_file.parent,
            progress=_bar(),
            known_then=known_then,
        )
    said = []
    if html is not None:
        from monitor.review.report import html_report

        page = html_report(found, time.time())
        write_page(html, page)
        said.append(f"report written to {html}")
    if sheet is not None:
        write_page(sheet, _sheet(found, sheet))
        said.append(f"daily sheet written to {sheet}")
    if as_json:
        return json.dumps(review_dict(found), indent=2)
    return "\n".join([plain_text(found), *([""] if said else []), *said])


def _sheet(found: Review, path: Path) -> str:
    from monitor.review.daily_sheet import sheet_csv, sheet_html

    return sheet_csv(found) if path.suffix.lower() == ".csv" else sheet_html(found)


def _enclosure(config_file: Path | None, wanted: str | None) -> EnclosureConfig | None:
    if config_file is None:
        return None
    from monitor.config.load import load_config_file

    config = load_config_file(config_file)
    for each in config.enclosures:
        if each.name == wanted:
            return each
    names = ", ".join(each.name for each in config.enclosures)
    raise FilmcallError(
        f"the session's enclosure {wanted!r} is not in {config_file}, so that config does not "
        f"fit it; it has: {names}"
    )


def _bar() -> Progress | None:
    """A bar on a terminal's error stream; nothing where that goes into a file."""
    if not sys.stderr.isatty():
        return None
    shown = -1

    def tell(share: float) -> None:
        nonlocal shown
        tenths = min(20, int(20.0 * share))
        if tenths == shown:
            return
        shown = tenths
        end = "\r\x1b[K" if tenths >= 20 else ""
        sys.stderr.write(f"\rreading the log [{'#' * tenths}{'.' * (20 - tenths)}]{end}")
        sys.stderr.flush()

    return tell
