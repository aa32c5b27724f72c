"""`filmcall review`: looks back at a session, and says why a film may be spoiled."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

from monitor.config.model import EnclosureConfig
from monitor.log.facts import config_in
from monitor.log.files import reading_log, written
from monitor.review.json import review_dict
from monitor.review.read import Progress
from monitor.review.review import Review, choose_session, review
from monitor.review.text import plain_text
from rules.errors import FilmcallError


def run(
    session: str | None = None,
    *,
    defect: str | None = None,
    seen: str = "",
    section: str | None = None,
    html: Path | None = None,
    sheet: Path | None = None,
    as_json: bool = False,
    config_file: Path | None = None,
    spec: str | None = None,
    known_then: bool = False,
    db: Path | None = None,
) -> str:
    """Look back at a session; write its page and sheet where asked.

    Args:
        session: number or title, or None for the newest.
        defect: a trade word, or None.
        seen: what was seen, in free words.
        section: only this one, or None.
        html: the report to write, or None.
        sheet: the daily sheet to write, .csv or .html, or None.
        as_json: return JSON and not lines.
        config_file: for accuracies, zones and which plank belongs where, or None.
        spec: of coats whose events name none, or None.
        known_then: leave out what was recorded, or arrived, after the session's end.
        db: the log, or None for the platform's.

    Returns:
        What to print.

    Raises:
        FilmcallError: the log, the session, the defect or a file cannot be used.
    """
    if sheet is not None and sheet.suffix.lower() not in (".csv", ".html"):
        raise FilmcallError(
            f"sheet {str(sheet)!r} is neither .csv nor .html, so it is not written; name it so"
        )
    with reading_log(db) as store:
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
        with written(html) as file:
            file.write(page)
        said.append(f"report written to {html}")
    if sheet is not None:
        with written(sheet) as file:
            file.write(_sheet(found, sheet))
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
