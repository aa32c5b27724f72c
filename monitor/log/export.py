"""Writes what the log holds as CSV or JSON lines, row by row, whatever its length.

JSON lines are exact. In CSV a text that a spreadsheet would take for a formula begins with `'`.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping
from contextlib import closing
from functools import cache, lru_cache
from io import StringIO
from itertools import islice
from typing import NamedTuple, TextIO

from monitor.log.log import Store
from monitor.log.readings import MinuteRow
from monitor.log.records import RECORDS, record_rows
from monitor.log.rows import QUALITY_OF_CODE, LogChannel, LogDamaged
from rules.errors import FilmcallError
from rules.text import csv_cell, iso_utc

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


def beginning(what: str, fmt: str) -> str:
    """Return how an export begins, so that an older one is known from any other file.

    Args:
        what: `readings`, `calls`, `events` or `alarms`.
        fmt: `csv` or `jsonl`.
    """
    kept = {"readings": READING_KEYS, "calls": CALL_KEYS}
    keys = tuple(kept.get(what) or RECORDS[what].columns)
    if fmt == "csv":
        return _csv_line(keys)
    return f'{{"{"call" if what == "calls" else keys[0]}":'


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
    form = _form(fmt)
    return _write(file, form, READING_KEYS, _readings(store, form, enclosure, source, from_s, to_s))


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
    form = _form(fmt)
    rows = _calls(store, enclosure, source, from_s, to_s, whole=fmt == "jsonl")
    with closing(rows):
        return _write(file, form, CALL_KEYS, ([form.line(row)] for row in rows))


def export_records(store: Store, file: TextIO, fmt: str, what: str) -> int:
    """Write events or alarms in the order in which they were written down.

    An event that another corrects or withdraws stands there too: `corrects` names the row that an
    event takes the place of.

    Args:
        store: the log.
        file: where to; opened with `newline=""` for CSV.
        fmt: `csv` or `jsonl`.
        what: `events` or `alarms`.

    Returns:
        How many were written.

    Raises:
        FilmcallError: the format is none of the two.
        LogRefused: the log cannot be read.
    """
    form = _form(fmt)
    lines = ([form.line(row)] for row in record_rows(store, what))
    return _write(file, form, RECORDS[what].columns, lines)


class _Form(NamedTuple):
    """How a format writes: a row, what stands about a text that needs no care, and nothing."""

    line: Callable[[Mapping[str, object]], str]
    quote: str
    none: str
    has_header: bool


def _csv_line(cells: Iterable[object]) -> str:
    line = StringIO()
    guarded = [csv_cell(each) if isinstance(each, str) else each for each in cells]
    csv.writer(line, lineterminator="\n").writerow(guarded)
    return line.getvalue()


_json = json.JSONEncoder(ensure_ascii=False, separators=(",", ":")).encode

_FORMS = {
    "csv": _Form(lambda row: _csv_line(row.values()), "", "", True),
    "jsonl": _Form(lambda row: _json(row) + "\n", '"', "null", False),
}


def _form(fmt: str) -> _Form:
    if fmt not in _FORMS:
        raise FilmcallError(
            f"export format {fmt!r} is none of {', '.join(_FORMS)}; nothing was written. "
            f"Choose one of them."
        )
    return _FORMS[fmt]


def _write(
    file: TextIO,
    form: _Form,
    keys: Iterable[str],
    blocks: Generator[list[str], None, None],
) -> int:
    if form.has_header:
        file.write(_csv_line(keys))
    count = 0
    # Where the reader goes away half way, the rows must end before their log is closed.
    with closing(blocks):
        for lines in blocks:
            file.write("".join(lines))
            count += len(lines)
    return count


def reading_rows(store: Store) -> Iterator[Mapping[str, object]]:
    """Yield every reading by `READING_KEYS`, channel by channel, each in the order of its time."""
    names = _names(store)
    for channel in store.channels():
        fixed = _fixed(names, channel)
        rows = _in_order(store.reading_rows(channel.channel), store.minute_rows(channel.channel))
        with closing(rows):
            for time_us, received_us, raw, value, code, count, low, high in rows:
                yield {
                    "time": iso_utc(time_us / 1e6, 6),
                    "received": iso_utc(received_us / 1e6, 6),
                    **fixed,
                    "value": raw,
                    "calibrated": value,
                    "quality": _quality(code),
                    "count": count,
                    "low": low,
                    "high": high,
                }


def call_rows(store: Store) -> Iterator[Mapping[str, object]]:
    """Yield every call by `CALL_KEYS`, in the order in which they were written down."""
    yield from _calls(store, None, None, None, None, whole=False)


def _names(store: Store) -> dict[int, str]:
    """Return `live`, or the kind of a source with its number."""
    return {
        source.source: source.kind if source.kind == "live" else f"{source.kind} {source.source}"
        for source in store.sources()
    }


def _fixed(names: Mapping[int, str], channel: LogChannel) -> dict[str, str]:
    return {
        "source": names[channel.source],
        "enclosure": channel.enclosure,
        "point": channel.point,
        "quantity": channel.quantity.value,
        "unit": channel.quantity.unit,
    }


_BLOCK = 5000
"""So many lines are written at once."""


def _readings(
    store: Store,
    form: _Form,
    enclosure: str | None,
    source: int | None,
    from_s: float | None,
    to_s: float | None,
) -> Generator[list[str], None, None]:
    names = _names(store)
    for channel in store.channels(source=source):
        if enclosure is not None and channel.enclosure != enclosure:
            continue
        fixed = _fixed(names, channel)
        rows = _in_order(
            store.reading_rows(channel.channel, from_s, to_s),
            store.minute_rows(channel.channel, from_s, to_s),
        )
        with closing(rows):
            lines = _lines(form, fixed, rows)
            while block := list(islice(lines, _BLOCK)):
                yield block


_Line = tuple[int, int, float | None, float | None, int, int, float | None, float | None]


def _in_order(
    whole: Iterator[tuple[int, int, float | None, float | None, int]],
    minutes: Iterator[MinuteRow],
) -> Generator[_Line, None, None]:
    """Both in the order of their times; a whole reading first where they are equal."""
    minute = next(minutes, None)
    for time_us, received_us, raw, value, code in whole:
        while minute is not None and minute.time_us < time_us:
            yield _of_minute(minute)
            minute = next(minutes, None)
        yield time_us, received_us, raw, value, code, 1, value, value
    while minute is not None:
        yield _of_minute(minute)
        minute = next(minutes, None)


def _of_minute(row: MinuteRow) -> _Line:
    values = (row.raw_mean, row.mean, row.quality, row.readings, row.low, row.high)
    return row.time_us, row.known_us, *values


_CHANGES = "\ue000changes\ue000"
"""Stands in a channel's line for each cell that changes: most of a line is always the same."""


def _lines(form: _Form, fixed: Mapping[str, str], rows: Iterable[_Line]) -> Iterator[str]:
    line = form.line({key: fixed.get(key, _CHANGES) for key in READING_KEYS})
    line = line.replace(f"{form.quote}{_CHANGES}{form.quote}", _CHANGES)
    a, b, c, d, e, f, g, h, end = line.split(_CHANGES)
    quality = cache(lambda code: f"{form.quote}{_quality(code)}{form.quote}")
    time_text = _time_texts(form.quote)
    # Most channels give few digits, so that the same values come again and again.
    number = lru_cache(1 << 14)(lambda value: form.none if value is None else repr(value))
    for time_us, received_us, raw, value, code, count, low, high in rows:
        time = time_text(time_us)
        received = time if received_us == time_us else time_text(received_us)
        shown = number(value)
        ends = f"{shown}{h}{shown}" if low is high is value else f"{number(low)}{h}{number(high)}"
        yield (
            f"{a}{time}{b}{received}{c}{number(raw)}{d}{shown}{e}{quality(code)}{f}{count}"
            f"{g}{ends}{end}"
        )


_HOUR_US = 3_600_000_000
_IN_THE_HOUR = [f"{second // 60:02}:{second % 60:02}" for second in range(3600)]


def _time_texts(quote: str) -> Callable[[int], str]:
    """`iso_utc` of microseconds in quotes, quick where times lie near each other."""
    begin_us, end_us, hour = 0, 0, ""

    def text(time_us: int) -> str:
        nonlocal begin_us, end_us, hour
        if not begin_us <= time_us < end_us:
            begin_us = time_us - time_us % _HOUR_US
            end_us = begin_us + _HOUR_US
            hour = quote + iso_utc(begin_us / 1e6, 0)[: -len("MM:SSZ")]
        second, fraction_us = divmod(time_us - begin_us, 1_000_000)
        if fraction_us:
            return f"{hour}{_IN_THE_HOUR[second]}.{fraction_us:06}Z{quote}"
        return f"{hour}{_IN_THE_HOUR[second]}Z{quote}"

    return text


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
