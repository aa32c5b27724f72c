"""`filmcall sessions` and `filmcall export`: what is in the log."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

from monitor.log.export import export_calls, export_readings
from monitor.log.log import Store, log_path
from rules.errors import FilmcallError
from rules.text import counted, iso_utc

STAND_AS_WRITTEN = (
    "call or event stands as it was written",
    "calls and events stand as they were written",
)


@contextmanager
def reading_log(db: Path | None) -> Iterator[Store]:
    """Open the log to read, and close it afterwards."""
    with Store.open(log_path(db), now_s=time.time, read_only=True) as store:
        yield store


def sessions(db: Path | None, *, as_json: bool) -> str:
    """Return the jobs and recordings in the log, one line each."""
    with reading_log(db) as store:
        found = store.sessions()
    if as_json:
        listed = [
            {
                "session": each.session,
                "kind": each.kind,
                "enclosure": each.enclosure,
                "title": each.title,
                "spec": each.spec,
                "started": iso_utc(each.started_s),
                "ended": None if each.ended_s is None else iso_utc(each.ended_s),
            }
            for each in found
        ]
        return json.dumps(listed, indent=2)
    if not found:
        return "the log holds no session and no recording yet"
    return "\n".join(
        f"{each.session if each.session is not None else '-':>4}  {each.kind:<8}  "
        f"{iso_utc(each.started_s)}  "
        f"{iso_utc(each.ended_s) if each.ended_s is not None else 'goes on':<20}  "
        f"{each.enclosure or ''}  {each.title}"
        for each in found
    )


def verify(db: Path | None, *, as_json: bool) -> tuple[str, int]:
    """Return where the log was changed after it was written, and how many such places there are."""
    with reading_log(db) as store:
        problems = store.verify()
        count, head = store.head()
    if as_json:
        said = {
            "rows": count,
            "head": head,
            "problems": [str(problem) for problem in problems],
        }
        return json.dumps(said, indent=2), len(problems)
    if not problems:
        return f"{counted(count, *STAND_AS_WRITTEN)}; chain ends in {head}", 0
    return "\n".join(str(problem) for problem in problems), len(problems)


def export(what: str, form: str, out: Path, db: Path | None) -> None:
    """Write readings or calls out of the log.

    Raises:
        FilmcallError: there is no such export, or the file cannot be written.
    """
    exports = {"readings": export_readings, "calls": export_calls}
    if what not in exports:
        raise FilmcallError(f"{what!r} cannot be exported; one of: {', '.join(exports)}")
    if form not in ("csv", "jsonl"):
        raise FilmcallError(f"format {form!r} is not known; csv or jsonl")
    with reading_log(db) as store, written(out) as file:
        exports[what](store, file, form)


@contextmanager
def written(out: Path) -> Iterator[TextIO]:
    """Open a file to write, or standard output for `-`."""
    if str(out) == "-":
        yield sys.stdout
        return
    try:
        with out.open("w", encoding="utf-8", newline="") as file:
            yield file
    except OSError as error:
        raise FilmcallError(
            f"{out} cannot be written ({error.strerror}), so it is not whole; mend that, or give "
            "another file"
        ) from None
