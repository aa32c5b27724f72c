"""The rows of a recorded CSV as the same readings that a broker would bring, in file order.

What cannot be read is counted and shown with its line number; nothing in a row is fatal.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice, repeat
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rules.text import counted
from rules.units import converted
from sensors.reading import Quality, Reading
from sensors.recording import times
from sensors.recording.columns import Column
from sensors.recording.layout import Layout, count_fields

CHUNK_ROWS = 20_000
SKIPPED_KEPT = 20
# What loggers write where there is no value; these cells are missing, not faulty.
MISSING_WORDS = (
    "",
    "-",
    "--",
    "---",
    "nan",
    "NaN",
    "NAN",
    "NA",
    "N/A",
    "n/a",
    "null",
    "NULL",
    "None",
)
_MISSING = frozenset(MISSING_WORDS)
_UNREADABLE = np.inf  # stands for a cell with text in it until readings are made
_QUALITIES = (Quality.OK, Quality.STALE, Quality.MISSING)
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_COMMA_NUMBER = re.compile(r"[+-]?(\d+,?\d*|,\d+)([eE][+-]?\d+)?")


@dataclass(frozen=True, slots=True)
class SkippedCell:
    """A row, or one cell of it, that could not be used.

    Attributes:
        line: its line number in the file, from 1.
        why: what is wrong with it, for the user.
    """

    line: int
    why: str


@dataclass(frozen=True, slots=True)
class TimePlace:
    """Where a row's time stands: one cell, or a date and a time of day."""

    cells: tuple[int, ...]
    name: str


class Recording:
    """A recorded CSV; iterating reads it from the start, with bounded memory.

    Each row becomes one list of readings, one for each column, all with the row's time. A cell
    that holds something else than a number becomes a reading of quality `missing`; an empty one
    says nothing new, so that its reading is `stale`. Rows keep the file's order.

    Attributes:
        path: the file.
        columns: what is read from it, with the units that its values really have.
        notices: what was sniffed or assumed, one sentence each; the change of clocks is added
            when its row is reached.
        row_count: rows given out so far.
        skipped_count: rows skipped so far.
        skipped: the first 20 of them.
        unreadable_count: single cells so far that held text where a number stands.
        unreadable: the first 20 of them.
    """

    def __init__(
        self,
        path: Path,
        layout: Layout,
        columns: Sequence[Column],
        *,
        enclosure: str,
        time_place: TimePlace,
        time_form: times.TimeForm,
        zone: ZoneInfo,
        notices: Sequence[str],
    ) -> None:
        self.path = path
        self.columns = tuple(columns)
        self.notices = list(notices)
        self.row_count = 0
        self.skipped_count = 0
        self.skipped: list[SkippedCell] = []
        self.unreadable_count = 0
        self.unreadable: list[SkippedCell] = []
        self._layout = layout
        self._enclosure = enclosure
        self._time_place = time_place
        self._time_form = time_form
        self._zone = zone
        self._places = [layout.header.index(column.column) for column in self.columns]
        self._decimal = layout.decimal

    @property
    def time_column(self) -> str:
        """Name of the column, or of the two, that the time is read from."""
        return self._time_place.name

    def __iter__(self) -> Iterator[list[Reading]]:
        self.row_count = self.skipped_count = self.unreadable_count = 0
        self.skipped, self.unreadable = [], []
        reader = times.TimeReader(self._time_form, self._zone, self._say)
        with self.path.open(encoding=self._layout.encoding, errors="replace") as file:
            first_line = 1 + sum(1 for _ in islice(file, self._layout.header_line))
            while lines := list(islice(file, CHUNK_ROWS)):
                yield from self._chunk(lines, first_line, reader)
                first_line += len(lines)

    def _say(self, text: str) -> None:
        if text not in self.notices:
            self.notices.append(text)

    def _chunk(
        self, lines: list[str], first_line: int, reader: times.TimeReader
    ) -> Iterator[list[Reading]]:
        bad: dict[int, str] = {}
        whole = self._whole_rows(lines, first_line, bad)
        if whole:
            kept = lines if len(whole) == len(lines) else [lines[at] for at in whole]
            line_numbers = [at + first_line for at in whole]
            clock, values, useless = self._cells(kept, line_numbers)
            seconds, why = reader.read(clock)
            bad.update((line_numbers[at], text) for at, text in (useless | why).items())
        for line in sorted(bad):
            self.skipped_count += 1
            if len(self.skipped) < SKIPPED_KEPT:
                self.skipped.append(SkippedCell(line, bad[line]))
        if not whole:
            return
        if useless or why:
            keep = np.ones(len(whole), dtype=bool)
            keep[list(useless | why)] = False
            seconds = seconds[keep]
            values = [column[keep] for column in values]
        for row in zip(*self._readings(seconds, values), strict=True):
            self.row_count += 1
            yield list(row)

    def _whole_rows(self, lines: list[str], first_line: int, bad: dict[int, str]) -> list[int]:
        """Return the places of whole rows, and say of the others what is wrong."""
        fields = self._layout.fields
        counts = count_fields(lines, self._layout.separator)
        odd = [
            at
            for at, line in enumerate(lines)
            if counts[at] != fields
            or "\x00" in line
            or ('"' in line and line.count('"') % 2)
            or line.startswith("#")
        ]
        if not odd:
            return list(range(len(lines)))
        for at in odd:
            line = lines[at]
            if not line.strip() or line.startswith("#"):
                continue  # an empty line or a comment is no row
            if "\x00" in line:
                why = "the row holds zero bytes, as after a power cut"
            elif line.count('"') % 2:
                why = "a quote is not closed"
            else:
                why = f"{counted(counts[at], 'cell')} where the other rows have {fields}"
            bad[at + first_line] = why
        left_out = set(odd)
        return [at for at in range(len(lines)) if at not in left_out]

    def _cells(
        self, lines: list[str], line_numbers: list[int]
    ) -> tuple[pd.Series[str], list[NDArray[np.float64]], dict[int, str]]:
        """Return times as text, values in the program's units, and rows without a single number."""
        times_at = self._time_place.cells
        useless: dict[int, str] = {}
        dtype: dict[int, Any] = dict.fromkeys(times_at, str)
        dtype |= dict.fromkeys(self._places, float)
        try:
            frame = pd.read_csv(
                io.StringIO("".join(lines)),
                header=None,
                sep=self._layout.separator,
                usecols=sorted({*times_at, *self._places}),
                dtype=dtype,
                na_values=list(MISSING_WORDS),
                keep_default_na=False,
                decimal="," if self._decimal == "," else ".",
                skipinitialspace=True,
                skip_blank_lines=False,
                low_memory=False,
            )
            values = [frame[at].to_numpy(float) for at in self._places]
            if len(frame) != len(lines) or any(np.isinf(column).any() for column in values):
                raise ValueError("left to the careful way")
            clock = [frame[at].fillna("") for at in times_at]
        except ValueError:
            rows = list(csv.reader(lines, delimiter=self._layout.separator, skipinitialspace=True))
            values = self._careful(rows, line_numbers, useless)
            clock = [pd.Series([row[at] for row in rows], dtype=str) for at in times_at]
        text = clock[0] if len(clock) == 1 else clock[0].str.strip() + " " + clock[1].str.strip()
        return (
            text,
            [
                converted(array, column.unit, column.quantity.unit)
                for column, array in zip(self.columns, values, strict=True)
            ],
            useless,
        )

    def _careful(
        self, rows: list[list[str]], line_numbers: list[int], useless: dict[int, str]
    ) -> list[NDArray[np.float64]]:
        """Read each cell on its own, where a chunk holds something that is no number."""
        values = [np.full(len(rows), np.nan) for _ in self._places]
        for at, row in enumerate(rows):
            faults: list[str] = []
            for column, place, array in zip(self.columns, self._places, values, strict=True):
                cell = row[place].strip()
                if cell in _MISSING:
                    continue
                number = self._number(cell)
                if number is None:
                    faults.append(f"{column.column} {cell[:40]!r} is no number")
                    array[at] = _UNREADABLE
                else:
                    array[at] = number
            if len(faults) == len(self._places) > 1:
                useless[at] = "; ".join(faults)
                continue
            for fault in faults:
                self.unreadable_count += 1
                if len(self.unreadable) < SKIPPED_KEPT:
                    self.unreadable.append(SkippedCell(line_numbers[at], fault))
        return values

    def _number(self, cell: str) -> float | None:
        if self._decimal == ",":
            found = _COMMA_NUMBER.fullmatch(cell)
        else:
            found = _NUMBER.fullmatch(cell)
            if found is None and self._decimal is None and _COMMA_NUMBER.fullmatch(cell):
                # The first fraction of the file; what came before were whole numbers.
                self._decimal = ","
                self._say("Numbers are read with a decimal comma.")
                return float(cell.replace(",", "."))
        number = float(cell.replace(",", ".")) if found else np.inf
        return number if np.isfinite(number) else None

    def _readings(
        self, seconds: NDArray[np.float64], values: list[NDArray[np.float64]]
    ) -> list[Iterator[Reading]]:
        """One iterator of readings a column; `map` over lists is the cheapest way to make them."""
        moments = seconds.tolist()
        made: list[Iterator[Reading]] = []
        for column, array in zip(self.columns, values, strict=True):
            empty = np.isnan(array)
            quality: Iterator[Quality] = repeat(Quality.OK)
            if (unreadable := np.isinf(array)).any():
                array[unreadable] = np.nan
            if empty.any() or unreadable.any():
                found = np.where(empty, 1, np.where(unreadable, 2, 0))
                quality = map(_QUALITIES.__getitem__, found.tolist())
            made.append(
                map(
                    Reading,
                    repeat(self._enclosure),
                    repeat(column.point),
                    repeat(column.quantity),
                    moments,
                    array.tolist(),
                    quality,
                    moments,
                )
            )
        return made
