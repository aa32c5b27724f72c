"""Writes what the log holds as Parquet, a file a month and enclosure, for tools that read columns.

A file's rows and names are those of the other exports, with times as timestamps (UTC) [us].
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Any
from urllib.parse import quote

from monitor.log.export import call_rows, reading_rows
from monitor.log.log import Store
from monitor.log.records import NUMBER, RECORDS, TEXT, TIME, WHOLE, YES_NO, record_rows
from rules.errors import FilmcallError

# So many rows of one file wait in memory; a month of six channels at 10 s has 1.6 million.
_ROWS_AT_ONCE = 50_000


def export_parquet(store: Store, what: str, folder: Path) -> list[Path]:
    """Write rows of the log below a folder, as ENCLOSURE/WHAT-YYYY-MM.parquet.

    Args:
        store: the log.
        what: `readings`, `calls`, `events` or `alarms`.
        folder: made where it is not there; files of these names are written anew.

    Returns:
        The files, in the order in which they were begun.

    Raises:
        FilmcallError: pyarrow is not installed, or the folder cannot be written.
        LogRefused: the log cannot be read.
    """
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        raise FilmcallError(
            "package pyarrow is not installed, so no Parquet was written. "
            "Run: pip install 'filmcall[parquet]'"
        ) from None
    rows = _rows(store, what)
    schema = _schema(pa, what)
    writers: dict[tuple[str, str], Any] = {}
    files: dict[Path, Path] = {}
    try:
        with ExitStack() as stack:
            for key, part in _parts(rows):
                if key not in writers:
                    path = folder / _named(key[0]) / f"{what}-{key[1]}.parquet"
                    path.parent.mkdir(parents=True, exist_ok=True)
                    half = path.with_name(path.name + ".part")
                    files[half] = path
                    writers[key] = stack.enter_context(
                        pq.ParquetWriter(half, schema, compression="zstd")
                    )
                writers[key].write_table(_table(pa, part, schema))
        for half, path in files.items():
            os.replace(half, path)
    except OSError as error:
        raise FilmcallError(
            f"{folder} cannot be written ({error.strerror or error}), so the export is not whole; "
            f"fix that, or give another folder"
        ) from None
    finally:
        for half in files:
            half.unlink(missing_ok=True)
    return list(files.values())


def _rows(store: Store, what: str) -> Iterator[Mapping[str, object]]:
    if what in RECORDS:
        return record_rows(store, what)
    return reading_rows(store) if what == "readings" else call_rows(store)


def _named(enclosure: str) -> str:
    """Return an enclosure's name as that of one folder below."""
    name = quote(enclosure, safe=" ")
    return name if name.strip(".") else name.replace(".", "%2E")


def _schema(pa: Any, what: str) -> Any:
    text, word = pa.string(), pa.dictionary(pa.int32(), pa.string())
    time, number = pa.timestamp("us", tz="UTC"), pa.float64()
    if what in RECORDS:
        held = {TIME: time, WHOLE: pa.int64(), NUMBER: number, TEXT: text, YES_NO: pa.bool_()}
        kinds = {name: held[kind] for name, kind in RECORDS[what].columns.items()}
    elif what == "readings":
        kinds = {"time": time, "received": time}
        kinds |= dict.fromkeys(("source", "enclosure", "point", "quantity", "unit"), word)
        kinds |= {"value": number, "calibrated": number, "quality": word, "count": pa.int64()}
        kinds |= {"low": number, "high": number}
    else:
        kinds = {"row": pa.int64(), "time": time, "logged": time}
        kinds |= dict.fromkeys(("source", "enclosure", "section"), word)
        kinds |= dict.fromkeys(("call", "stage", "question", "reasons"), text)
    return pa.schema(list(kinds.items()))


def _parts(
    rows: Iterable[Mapping[str, object]],
) -> Iterator[tuple[tuple[str, str], list[Mapping[str, object]]]]:
    """Yield rows by enclosure and month, a limited number at once."""
    waiting: dict[tuple[str, str], list[Mapping[str, object]]] = {}
    for row in rows:
        key = (str(row["enclosure"]), str(row["time"])[:7])
        part = waiting.setdefault(key, [])
        part.append(row)
        if len(part) >= _ROWS_AT_ONCE:
            yield key, waiting.pop(key)
    yield from waiting.items()


def _table(pa: Any, rows: list[Mapping[str, object]], schema: Any) -> Any:
    columns = []
    for field in schema:
        values = pa.array([row[field.name] for row in rows], type=_raw(pa, field.type))
        if pa.types.is_dictionary(field.type):
            values = values.dictionary_encode()
        columns.append(values.cast(field.type))
    return pa.Table.from_arrays(columns, schema=schema)


def _raw(pa: Any, kind: Any) -> Any:
    """The type in which a value comes from the other exports: times are text there."""
    return pa.string() if pa.types.is_timestamp(kind) or pa.types.is_dictionary(kind) else kind
