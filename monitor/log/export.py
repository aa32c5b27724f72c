"""Writes what the log holds as CSV or JSON lines, row by row, whatever its length.

JSON lines are exact. In CSV a text that a spreadsheet would take for a formula begins with `'`.
"""

from __future__ import annotations

import csv
import heapq
import json
from collections.abc import Generator, Iterable, Iterator, Mapping
from contextlib import closing
from operator import itemgetter
from typing import TextIO

from monitor.log.log import Store
from monitor.log.rows import QUALITY_OF_CODE, LogDamaged
from rules.errors import FilmcallError
from rules.text import csv_cell, iso_utc

FORMATS = ("csv", "jsonl")

READING_KEYS = (
    *("time", "received", "source", "enclosure", "point", "quantity", "unit"),
    *("value", "calibrated", "quality", "count", "low", "high"),
)
CALL_KEYS = (
    *("row", "time", "logged", "source", "enclosure", "section", "call", "stage", "question"),
    "reasons",
)

_ASSUMED = ("surface", "ok")
"""The reason that says that a surface is assumed and not measured, and its state."""


def export_readings(
    store: Store,
    file: TextIO,
    fmt: str,
    *,
    enclosure: str | None = None,
    source: int | None = None,
    from_s: float | None = None,
    to_s: float | None = None,
) -> int:
    """Write readings, channel by channel, each in the order of its time.

    `count` says how many readings a line stands for: 1, or more for a minute that was thinned,
    where `value` and `calibrated` are means and `low` and `high` the extremes (calibrated).

    Args:
        store: the log.
        file: where to; opened with `newline=""` for CSV.
        fmt: `csv` or `jsonl`.
        enclosure: one, or None for all.
        source: one, or None for all.
        from_s: not before this [s].
        to_s: not after this [s].

    Returns:
        How many readings were written.

    Raises:
        FilmcallError: the format is none of the two.
        LogRefused: the log cannot be read.
    """
    return _write(file, fmt, READING_KEYS, _readings(store, enclosure, source, from_s, to_s))


def export_calls(
    store: Store,
    file: TextIO,
    fmt: str,
    *,
    enclosure: str | None = None,
    source: int | None = None,
    from_s: float | None = None,
    to_s: float | None = None,
) -> int:
    """Write calls in the order in which they were written down.

    In JSON lines each is the whole call as it was kept, with `row`, `logged` and `source` added;
    in CSV the reasons are the texts of those that are not ok, or of all where all are, and that a
    surface was only assumed.

    Args:
        store: the log.
        file: where to; opened with `newline=""` for CSV.
        fmt: `csv` or `jsonl`.
        enclosure: one, or None for all.
        source: one, or None for all.
        from_s: not before this [s].
        to_s: not after this [s].

    Returns:
        How many calls were written.

    Raises:
        FilmcallError: the format is none of the two.
        LogRefused: the log cannot be read.
    """
    rows = _calls(store, enclosure, source, from_s, to_s, whole=fmt == "jsonl")
    return _write(file, fmt, CALL_KEYS, rows)


def _write(
    file: TextIO, fmt: str, keys: Iterable[str], rows: Generator[Mapping[str, object], None, None]
) -> int:
    # Where the reader goes away half way, the rows must end before their log is closed.
    with closing(rows):
        return _write_all(file, fmt, keys, rows)


def _write_all(
    file: TextIO, fmt: str, keys: Iterable[str], rows: Iterable[Mapping[str, object]]
) -> int:
    count = 0
    if fmt == "csv":
        names = tuple(keys)
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(names)
        for count, row in enumerate(rows, 1):  # noqa: B007  (the count is what is returned)
            cells = (row[name] for name in names)
            writer.writerow([csv_cell(each) if isinstance(each, str) else each for each in cells])
    elif fmt == "jsonl":
        for count, row in enumerate(rows, 1):  # noqa: B007
            file.write(json.dumps(row, ensure_ascii=False, separators=(",", ":")) + "\n")
    else:
        raise FilmcallError(
            f"export format {fmt!r} is none of {', '.join(FORMATS)}; nothing was written. "
            f"Choose one of them."
        )
    return count


def reading_rows(store: Store) -> Iterator[Mapping[str, object]]:
    """Yield every reading by `READING_KEYS`, channel by channel, each in the order of its time."""
    yield from _readings(store, None, None, None, None)


def call_rows(store: Store) -> Iterator[Mapping[str, object]]:
    """Yield every call by `CALL_KEYS`, in the order in which they were written down."""
    yield from _calls(store, None, None, None, None, whole=False)


def _names(store: Store) -> dict[int, str]:
    """Return `live`, or the kind of a source with its number."""
    return {
        source.source: source.kind if source.kind == "live" else f"{source.kind} {source.source}"
        for source in store.sources()
    }


def _readings(
    store: Store,
    enclosure: str | None,
    source: int | None,
    from_s: float | None,
    to_s: float | None,
) -> Generator[dict[str, object], None, None]:
    names = _names(store)
    for channel in store.channels(source=source):
        if enclosure is not None and channel.enclosure != enclosure:
            continue
        fixed = {
            "source": names[channel.source],
            "enclosure": channel.enclosure,
            "point": channel.point,
            "quantity": channel.quantity.value,
            "unit": channel.quantity.unit,
        }
        for row in heapq.merge(
            _whole(store, channel.channel, from_s, to_s),
            _minutes(store, channel.channel, from_s, to_s),
            key=itemgetter(0),
        ):
            time_us, received_us, raw, calibrated, code, count, low, high = row
            yield {
                "time": iso_utc(time_us / 1e6, 6),
                "received": iso_utc(received_us / 1e6, 6),
                **fixed,
                "value": raw,
                "calibrated": calibrated,
                "quality": _quality(code),
                "count": count,
                "low": low,
                "high": high,
            }


_Line = tuple[int, int, float | None, float | None, int, int, float | None, float | None]


def _whole(store: Store, channel: int, from_s: float | None, to_s: float | None) -> Iterator[_Line]:
    for time_us, received_us, raw, value, code in store.reading_rows(channel, from_s, to_s):
        yield time_us, received_us, raw, value, code, 1, value, value


def _minutes(
    store: Store, channel: int, from_s: float | None, to_s: float | None
) -> Iterator[_Line]:
    for row in store.minute_rows(channel, from_s, to_s):
        values = (row.raw_mean, row.mean, row.quality, row.readings, row.low, row.high)
        yield row.time_us, row.known_us, *values


def _quality(code: int) -> str:
    known = QUALITY_OF_CODE.get(code)
    return f"code {code}, not known" if known is None else known.value


def _calls(
    store: Store,
    enclosure: str | None,
    source: int | None,
    from_s: float | None,
    to_s: float | None,
    *,
    whole: bool,
) -> Generator[dict[str, object], None, None]:
    names = _names(store)
    for call in store.calls(enclosure, from_s, to_s, source=source):
        try:
            body = json.loads(call.body)
        except ValueError as error:
            raise LogDamaged(
                f"log {store.path}: call row {call.row} is damaged inside ({error}), so the export "
                f"ended there. `filmcall sessions verify` shows every such row."
            ) from error
        # The log's own columns go over what the body says, should the two ever differ.
        columns = {
            "row": call.row,
            "time": iso_utc(call.time_s, 6),
            "logged": None if call.logged_s is None else iso_utc(call.logged_s, 6),
            "source": names[call.source],
            "enclosure": call.enclosure,
            "section": call.section,
            "call": call.call,
            "stage": call.stage,
            "question": call.question,
        }
        yield {**body, **columns} if whole else {**columns, "reasons": _reasons(body)}


def _reasons(body: Mapping[str, object]) -> str:
    reasons = body.get("reasons")
    if not isinstance(reasons, list):
        return ""
    told = [each for each in reasons if isinstance(each, dict)]
    telling = [each for each in told if each.get("state") != "ok"]
    if telling:  # that a surface is only assumed is never left out, though it is no fault
        telling += [each for each in told if (each.get("limit"), each.get("state")) == _ASSUMED]
    telling = telling or told
    return "; ".join(str(each.get("text", "")) for each in telling)
