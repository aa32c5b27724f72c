"""`filmcall sessions` and `filmcall export`: what is in the log."""

from __future__ import annotations

import json
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TextIO

from monitor.log.chain import Seal
from monitor.log.given_up import CopyFile, GivenUp
from monitor.log.log import Store, log_path
from monitor.log.photos import PhotoFault, folder_of, photo_bytes
from rules.errors import FilmcallError
from rules.text import counted, iso_utc

_SEAL = "Seal of the log:"
STAND_AS_WRITTEN = (
    "call or event is as it was written",
    "calls and events are as they were written",
)


@contextmanager
def reading_log(db: Path | CopyFile | None) -> Iterator[Store]:
    """Open the log to read, and close it afterwards."""
    path, given_up = db if isinstance(db, CopyFile) else (db, None)
    with Store.open(log_path(path), now_s=time.time, read_only=True) as store:
        store.file.given_up = given_up
        yield store


def sessions(db: Path | CopyFile | None, *, as_json: bool) -> str:
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
        return (
            "the log holds no session and no recording yet; begin one with 'filmcall event "
            "session-started', with --at TIME for work that has begun already. What was recorded "
            "is shown, with its rows, by 'filmcall export events'."
        )
    return "\n".join(
        f"{each.session if each.session is not None else '-':>4}  {each.kind:<8}  "
        f"{iso_utc(each.started_s)}  "
        f"{iso_utc(each.ended_s) if each.ended_s is not None else 'goes on':<20}  "
        f"{each.enclosure or ''}  {each.title}"
        for each in found
    )


# So many problems say what is wrong; a forged night has hundreds.
_SAID = 20


@dataclass(slots=True)
class Recomputed:
    """What came of making the log's calls once more.

    Attributes:
        follow: calls that follow from what the log holds.
        problems: those that do not, in sentences, the first in time first.
        left_out: how many could not be made again, by why.
    """

    follow: int = 0
    problems: list[str] = field(default_factory=list)
    left_out: Counter[str] = field(default_factory=Counter)


def verify(
    db: Path | CopyFile | None,
    *,
    as_json: bool,
    seal: str | None = None,
    recompute: Callable[[Store], Recomputed] | None = None,
) -> tuple[str, int]:
    """Return what the log proves in sentences, and how many places are not as they were written.

    Args:
        db: the log, or None for the usual one.
        as_json: as JSON, with fixed keys.
        seal: of a witness, hexadecimal; one that the log does not hold counts as a place.
        recompute: makes the calls once more; None leaves that out.

    Raises:
        FilmcallError: the seal is none.
    """
    wanted = None if seal is None else seal_digits(seal)
    with reading_log(db) as store:
        audit = store.audit()
        stands = store.seal()
        held = None if wanted is None else store.sealed_as(wanted)
        photos, changed, away = _photos(store)
        again = None if recompute is None else recompute(store)
        path, given_up = store.path, store.file.given_up
    problems = [str(problem) for problem in audit.problems]
    problems += changed
    problems += [] if again is None else again.problems
    missing = []
    if wanted is not None and held is None:
        missing.append(
            f"Log {path} does not hold the seal {wanted}: it is an older copy or another log, its "
            f"end was cut off, or its chain was made anew after the seal was given."
        )
    count = len(problems) + len(missing)
    if as_json:
        said = {
            "rows": stands.count,
            "head": stands.sha256,
            "time": None if stands.time_us is None else iso_utc(stands.time_us / 1e6),
            "readings": audit.readings,
            "thinned_minutes": audit.means,
            "open": audit.open,
            "outside": audit.outside,
            "given_up": None
            if given_up is None
            else {
                "before": iso_utc(given_up.before_s, 0),
                "at": iso_utc(given_up.at_s, 0),
                "by": given_up.by,
                "places_unproved": len(audit.unproved),
            },
            "photos": photos,
            "photos_away": away,
            "calls_follow": None if again is None else again.follow,
            "calls_left_out": None if again is None else dict(again.left_out),
            "sealed": None if wanted is None else held is not None,
            "problems": [*problems, *missing],
        }
        return json.dumps(said, indent=2), count
    lines = missing
    if problems:
        lines += ["The log is not as it was written. The first that does not follow:"]
        lines += problems[:_SAID]
        if len(problems) > _SAID:
            lines.append(f"And {len(problems) - _SAID} more.")
    else:
        lines += [
            f"{audit.entries} {STAND_AS_WRITTEN[audit.entries != 1]}, with "
            f"{counted(audit.readings, 'reading')} and "
            f"{counted(audit.means, 'thinned minute')}."
        ]
    if given_up is not None:
        lines += _given_up_lines(given_up, audit.unproved)
    if again is not None:
        lines += _calls_lines(again)
    if photos:
        lines.append(f"{counted(photos, 'photo is', 'photos are')} as taken in.")
    if away:
        lines.append(
            f"{counted(away, 'photo is', 'photos are')} not in {folder_of(path).name} beside "
            f"the log: copy that folder with it."
        )
    if audit.open:
        lines.append(
            f"{counted(audit.open, 'reading')} of the last minutes have no place in the chain yet; "
            f"the next minutes of `filmcall watch` give them one."
        )
    if audit.outside:
        lines.append(
            f"{counted(audit.outside, 'reading')} from before readings stood in the chain, by an "
            f"older filmcall: nothing vouches for them."
        )
    if held is not None:
        lines.append(
            f"The log holds the witness's seal. {seal_text(held)} Count and time must be the "
            f"witness's; {counted(stands.count - held.count, 'row')} came after it."
        )
    lines.append(seal_text(stands))
    if not count:
        lines.append(
            "Keep it where nobody who can write to the log can change it: only a seal kept "
            "elsewhere shows a log that was made anew as a whole."
        )
    return "\n".join(lines), count


def _photos(store: Store) -> tuple[int, list[str], int]:
    """How many photos stand as taken in, what is wrong with others, and how many lie elsewhere."""
    stand, away, changed = 0, 0, []
    for photo in store.photos():
        try:
            held = photo_bytes(store.path, photo)
        except PhotoFault as fault:
            changed.append(str(fault))
            continue
        stand += held is not None
        away += held is None
    return stand, changed, away


def _given_up_lines(given_up: GivenUp, unproved: Sequence[int]) -> list[str]:
    """What is said of the months that a copy no longer has, and of what they leave unproved."""
    lines = [f"{given_up.words()} They are not judged; all else is."]
    if unproved:
        place, last = ("place", "it") if len(unproved) == 1 else ("places", "the last of them")
        lines.append(
            f"{len(unproved)} {place} of the chain, up to {unproved[-1]}, held minute means that "
            f"went with them: a seal from after {last} proves nothing of what stands before. For "
            f"that, take an earlier seal, or the station's own log."
        )
    return lines


def _calls_lines(again: Recomputed) -> list[str]:
    """What is said of the calls that were made again, and of those that could not be."""
    follow = "call follows" if again.follow == 1 else "calls follow"
    lines = [f"{again.follow:,} {follow} from the readings, events and specs in the log."]
    for why, count in again.left_out.most_common():
        lines.append(f"{counted(count, 'call')} could not be made again: {why}.")
    return lines


def seal_digits(seal: str) -> str:
    """Return the digits of a seal as a person gave it.

    Raises:
        FilmcallError: it is none.
    """
    digits = seal.strip().lower()
    if not (16 <= len(digits) <= 64) or set(digits) - set("0123456789abcdef"):
        raise FilmcallError(
            f"seal {seal!r} is not 16 to 64 hexadecimal digits, so nothing was compared. Copy it "
            f"from an alarm, a report, the file beside an export, or `filmcall sessions verify`."
        )
    return digits


def seal_text(seal: Seal, digits: int = 64) -> str:
    """Return a seal as witnesses are told it: count, time and hash.

    Args:
        seal: of the log.
        digits: how many of the hash's are told, 16 to 64.
    """
    when = "" if seal.time_us is None else f", {iso_utc(seal.time_us / 1e6, 0)}"
    return f"{_SEAL} {counted(seal.count, 'row')}{when}, {seal.sha256[:digits]}."


def export(what: str, form: str, out: Path, db: Path | CopyFile | None) -> None:
    """Write rows out of the log, and the log's seal into a file beside them.

    Args:
        what: `readings`, `calls`, `events` or `alarms`.
        form: `csv`, `jsonl`, or `parquet`, which writes a file a month and enclosure.
        out: the file, `-` for standard output; for Parquet the folder.
        db: the log, or None for the usual one.

    Raises:
        FilmcallError: there is no such export, the file cannot be written, or what is there is no
            such export.
    """
    from monitor.log.export import beginning, export_calls, export_readings, export_records

    exports: dict[str, Callable[[Store, TextIO, str], int]] = {
        "readings": export_readings,
        "calls": export_calls,
        "events": partial(export_records, what="events"),
        "alarms": partial(export_records, what="alarms"),
    }
    if what not in exports:
        raise FilmcallError(f"{what!r} cannot be exported; one of: {', '.join(exports)}")
    if form not in ("csv", "jsonl", "parquet"):
        raise FilmcallError(f"format {form!r} is not known; csv, jsonl or parquet")
    if form == "parquet" and (str(out) == "-" or out.is_file()):
        raise FilmcallError(
            f"--out {str(out)!r} is no folder, and Parquet is a file a month and enclosure, so "
            f"nothing was written; give --out a folder"
        )
    with reading_log(db) as store:
        seal = seal_text(store.seal())
        if form == "parquet":
            from monitor.log.parquet import export_parquet

            out.mkdir(parents=True, exist_ok=True)
            export_parquet(store, what, out)
        else:
            with written(out, beginning(what, form)) as file:
                exports[what](store, file, form)
    if str(out) == "-":
        print(seal, file=sys.stderr)
        return
    with written(out.with_name(out.name + ".seal"), _SEAL) as file:
        file.write(seal + "\n")


def write_page(out: Path, text: str) -> None:
    """Write a page or a sheet, over one whose first line is the same.

    Raises:
        FilmcallError: something else is there, or it cannot be written.
    """
    with written(out, text.partition("\n")[0]) as file:
        file.write(text)


@contextmanager
def written(out: Path, kind: str | None = None) -> Iterator[TextIO]:
    """Open a file to write, or standard output for `-`.

    Args:
        out: of the file.
        kind: the beginning of a file that may be written over; None: nothing may. An empty file,
            and what is no file, such as a pipe, may always.

    Raises:
        FilmcallError: what is there may not be written over, or the file cannot be written.
    """
    if str(out) == "-":
        yield sys.stdout
        return
    try:
        if out.is_file() and out.stat().st_size and not _begins(out, kind):
            what = "" if kind is None else " and was written by something else"
            raise FilmcallError(
                f"{out} is there already{what}, so nothing was written; give another file"
            )
        with out.open("w", encoding="utf-8", newline="") as file:
            yield file
    except OSError as error:
        raise FilmcallError(
            f"{out} cannot be written ({error.strerror}), so it is not whole; fix that, or give "
            "another file"
        ) from None


def _begins(path: Path, kind: str | None) -> bool:
    if kind is None:
        return False
    wanted = kind.encode()
    with path.open("rb") as file:
        return file.read(len(wanted)) == wanted
