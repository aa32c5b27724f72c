"""The rows of a recording as the same readings that a broker would bring, in file order.

What cannot be read is counted and shown with its line number; nothing in a row is fatal.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from heapq import merge
from itertools import groupby, islice, repeat
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rules.errors import FilmcallError
from rules.numbers import number
from rules.text import counted, duration_text, printable
from rules.units import converted
from rules.vocabulary import WorkedOutFrom
from sensors.believe.flat_line import ChangeRate, flat_line
from sensors.believe.verdict import Verdict
from sensors.reading import Quality, Quantity, Reading
from sensors.recording import times
from sensors.recording.columns import Column
from sensors.recording.layout import MISSING, Layout, split_rows, with_unit
from sensors.recording.survey import LongPlaces, TimePlace, begins_anew, joined_time
from sensors.recording.words import stated_unit

CHUNK_ROWS = 20_000
SKIPPED_KEPT = 20
# Of clocks that differ: fewer rows of a body, or seldomer ones, tell nothing; rows this far out of
# order are no wrong clock. Judgement, no source.
_LEAST_ROWS, _SELDOM_S, _APART_S = 10, 2100.0, 90.0
_JOINED = 40  # lines that a quoted cell may go on for, past the end of a chunk
_UNREADABLE = np.inf  # stands for a cell with text in it until readings are made
_COARSE = 1.0  # digits a change: of a dew point with one decimal or none, quiet stretches count
_BESIDE_S = 60.0
"""So old an air temperature may be to work a humidity out with; judgement, no source [s]."""

WorkOut = Callable[[WorkedOutFrom, float, float], float]
"""Humidity by what it is worked out from, the air's temperature and the value [%, degC, degC]."""

_QUALITIES = (Quality.OK, Quality.STALE, Quality.MISSING)
_DAMAGED = "the row holds zero bytes, as after a power cut"


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
class Source:
    """One file, and what is read from it.

    Attributes:
        path: of the file.
        layout: how its text is laid out.
        columns: what is read, called as in the file itself.
        place: of the time.
        form: how times are written.
        zone: of times that carry none.
        long: places of a long file, or None.
        backwards: whether the newest row stands first.
        label: the file's name where there are several, or "".
        nothing_new: cells that say nothing; any other mark says that the sensor gave no value.
    """

    path: Path
    layout: Layout
    columns: tuple[Column, ...]
    place: TimePlace
    form: times.TimeForm
    zone: tzinfo
    long: LongPlaces | None = None
    backwards: bool = False
    label: str = ""
    nothing_new: frozenset[str] = frozenset(("",))


class _Told:
    """What a body tells in place of its humidity: whether it stands still while its air moves on.

    The humidity that is worked out from it moves with the air, so that nothing else would show it.
    """

    def __init__(self) -> None:
        self._rate = ChangeRate()
        self._last = np.nan
        self._stands = False

    def stands(self, value: float, time_s: float) -> bool:
        """Take a value in, and return whether it has been the same for longer than by chance."""
        rate = self._rate
        if value == self._last:
            rate.equal += 1
            found = flat_line(rate.equal, time_s - rate.since_s, rate.needed)
            self._stands = self._stands or found is Verdict.SUSPECT
        elif self._stands:
            self._stands = not rate.changed_after_doubt(time_s)
        else:
            rate.changed(time_s)
            rate.learn(_COARSE)
        self._last = value
        return self._stands


class Recording:
    """A recording; iterating reads it from the start.

    Each row becomes one list of readings, all with the row's time. A cell that holds something else
    than a number, or a mark that there is none, becomes a reading of quality `missing`; an empty
    one says nothing new, so that its reading is `stale`. A file with a row a time is read with
    bounded memory, in file order; long files, folders, and files with the newest row first are put
    in order of time, but for a long file whose order tells that a body's clock is wrong.

    Attributes:
        path: the file or folder.
        columns: what is read from it, with the units that its values really have.
        unconfirmed: columns that are not read, since what they are is a guess.
        notices: what was found or assumed, one sentence each; the change of clocks is added
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
        sources: Sequence[Source],
        *,
        enclosure: str,
        notices: Sequence[str],
        unconfirmed: Sequence[Column] = (),
        work_out: WorkOut | None = None,
    ) -> None:
        self.path = path
        self.columns = tuple(column for source in sources for column in source.columns)
        self.unconfirmed = tuple(unconfirmed)
        self.notices = list(notices)
        self.row_count = 0
        self._sources = list(sources)
        self._work_out = work_out
        self._from = {
            column.point: column.worked_out_from
            for column in self.columns
            if column.worked_out_from is not None
        }
        self._airs: dict[str, Reading] = {}
        self._told: dict[str, _Told] = {}
        self._enclosure = enclosure
        self._readers = [self._reader(source) for source in sources]

    def _reader(self, source: Source) -> _FileReader:
        kind = _WideReader if source.long is None else _LongReader
        return kind(source, self._enclosure, self._say)

    @property
    def time_column(self) -> str:
        """Name of the column, or of the two, that the time is read from."""
        return self._sources[0].place.name

    @property
    def skipped_count(self) -> int:
        """Rows skipped so far."""
        return sum(reader.skipped_count for reader in self._readers)

    @property
    def unreadable_count(self) -> int:
        """Single cells so far that held text where a number stands."""
        return sum(reader.unreadable_count for reader in self._readers)

    @property
    def skipped(self) -> list[SkippedCell]:
        """The first 20 rows skipped."""
        return [each for reader in self._readers for each in reader.skipped][:SKIPPED_KEPT]

    @property
    def unreadable(self) -> list[SkippedCell]:
        """The first 20 single cells that could not be read."""
        return [each for reader in self._readers for each in reader.unreadable][:SKIPPED_KEPT]

    def __iter__(self) -> Iterator[list[Reading]]:
        self.row_count = 0
        self._airs.clear()
        self._told = {point: _Told() for point in self._from}
        self._readers = [self._reader(source) for source in self._sources]
        for row in self._rows():
            self.row_count += 1
            yield self._worked_out(row) if self._from else row

    def _worked_out(self, row: list[Reading]) -> list[Reading]:
        """The row with each humidity worked out that stands in it as something else."""
        for each in row:
            if each.quantity is Quantity.AIR_TEMP and each.quality is Quality.OK:
                self._airs[each.point] = each
        return [
            self._humidity(each, self._from[each.point])
            if each.quantity is Quantity.HUMIDITY and each.point in self._from
            else each
            for each in row
        ]

    def _humidity(self, told: Reading, source: WorkedOutFrom) -> Reading:
        if told.quality is not Quality.OK:
            return told
        air, what = self._airs.get(told.point), source.replace("-", " ")
        if self._told[told.point].stands(told.value, told.time_s):
            self._say(f"The {what} of {told.point!r} stands still: the humidity is missing there.")
        elif self._work_out is not None and air and abs(told.time_s - air.time_s) <= _BESIDE_S:
            try:
                return replace(told, value=self._work_out(source, air.value, told.value))
            except FilmcallError:
                self._say(
                    f"A {what} of {told.point!r} cannot be, beside its air's temperature: the "
                    "humidity is missing there."
                )
        return replace(told, value=np.nan, quality=Quality.MISSING)

    def _rows(self) -> Iterator[list[Reading]]:
        if len(self._readers) == 1 and self._sources[0].long is None:
            yield from self._readers[0].rows()
            return
        parts = [list(reader.rows()) for reader in self._readers]
        behind_s = clocks_behind(parts[0]) if len(parts) == 1 else {}
        for body, off_s in behind_s.items():
            self._say(
                f"By their times the rows of {printable(body, 60)!r} stand about "
                f"{duration_text(off_s)} behind the others': clocks differ, so rows count in the "
                "file's order."
            )
        if behind_s:
            together: Iterator[list[Reading]] = iter(parts[0])
        else:
            ordered = [sorted(part, key=lambda row: row[0].time_s) for part in parts]
            together = merge(*ordered, key=lambda row: row[0].time_s)
        for _, rows in groupby(together, key=lambda row: row[0].time_s):
            row: list[Reading] = []
            seen: set[tuple[str, str]] = set()
            for readings in rows:
                keys = {(each.point, str(each.quantity)) for each in readings}
                if keys & seen:  # the same sensor twice for one time: the intake counts it
                    yield row
                    row, seen = [], set()
                row += readings
                seen |= keys
            yield row

    def _say(self, text: str) -> None:
        if text not in self.notices:
            self.notices.append(text)


def clocks_behind(rows: Sequence[list[Reading]]) -> dict[str, float]:
    """Return the bodies whose clock is behind others', by a file whose rows stand as they came.

    There the bodies take turns and the times of each go on. A file by sensors or by spans of time
    has no such order, and one of seldom readings is not told from it: nothing comes back.

    Args:
        rows: in file order, each of one body.

    Returns:
        How far each is behind [s]; empty where all agree or the order tells nothing.
    """
    times_s: dict[str, list[float]] = {}
    late_s: dict[str, list[float]] = {}
    turns, last, now_s = 0, "", -np.inf
    for first, *_ in rows:
        own, time_s = times_s.setdefault(first.point, []), first.time_s
        turns += first.point != last
        last = first.point
        if not own or time_s > own[-1]:
            own.append(time_s)
            late_s.setdefault(last, []).append(now_s - time_s)
        elif time_s < own[-1]:
            return {}
        now_s = max(now_s, time_s)
    fewest = min((len(each) for each in times_s.values()), default=0)
    if fewest < _LEAST_ROWS or turns + len(times_s) < 2 * fewest:
        return {}
    found = {}
    for body, own in times_s.items():
        usual_s, late = median(np.diff(own).tolist()), late_s[body][1:]
        if usual_s > _SELDOM_S:
            return {}
        apart_s = max(_APART_S, 2.0 * usual_s)
        if min(late) > apart_s and max(late) - min(late) <= apart_s:
            found[body] = median(late)
    return found


class _FileReader:
    """What readers of wide and of long files share: lines, faults, numbers."""

    def __init__(self, source: Source, enclosure: str, say: Any) -> None:
        self.source = source
        self.skipped_count = 0
        self.skipped: list[SkippedCell] = []
        self.unreadable_count = 0
        self.unreadable: list[SkippedCell] = []
        self._bad: list[SkippedCell] = []
        self._has_ended = False
        self._enclosure = enclosure
        self._say = say
        self._layout = source.layout
        self._decimal = source.layout.decimal
        self._times = times.TimeReader(source.form, source.zone, say)
        mark = re.escape(source.layout.separator)
        self._quoted = re.compile(rf'(?:^|(?<={mark})) *"[^"\n]*" *(?={mark}|$)')

    def rows(self) -> Iterator[list[Reading]]:
        raise NotImplementedError

    def _chunks(self) -> Iterator[tuple[int, list[str]]]:
        """Give the lines below the header in chunks that end where a row ends."""
        layout = self._layout
        with self.source.path.open(encoding=layout.encoding, errors="replace") as file:
            first = 1 + sum(1 for _ in islice(file, layout.header_line))
            if self.source.backwards:
                lines = list(file)
                if lines:
                    yield first, lines
                return
            carried: list[str] = []
            while lines := carried + list(islice(file, CHUNK_ROWS)):
                carried = []
                if len(lines) > _JOINED and len(lines) >= CHUNK_ROWS:
                    cut = self._whole_until(lines)
                    carried, lines = lines[cut:], lines[:cut]
                yield first, lines
                if self._has_ended:
                    return
                first += len(lines)

    def _whole_until(self, lines: list[str]) -> int:
        """Where the last row begins that may go on in the next chunk; all, where none does."""
        tail = len(lines) - _JOINED
        if not any('"' in line for line in lines[tail:]):
            return len(lines)
        rows = split_rows(lines[tail:], self._layout.separator, self._layout.fields)
        lost = [at for at, _, _, is_lost in rows if is_lost]
        return tail + lost[0] if lost and tail + lost[0] > 0 else len(lines)

    def _fault(self, line: int, why: str) -> None:
        """Note a row that is skipped; `_count` brings those of a chunk into the file's order."""
        self._bad.append(SkippedCell(line, self._labelled(why)))

    def _count(self) -> None:
        self.skipped_count += len(self._bad)
        room = SKIPPED_KEPT - len(self.skipped)
        self.skipped += sorted(self._bad, key=lambda each: each.line)[:room]
        self._bad.clear()

    def _cell_fault(self, line: int, why: str) -> None:
        self.unreadable_count += 1
        if len(self.unreadable) < SKIPPED_KEPT:
            self.unreadable.append(SkippedCell(line, self._labelled(why)))

    def _labelled(self, why: str) -> str:
        return f"{self.source.label}: {why}" if self.source.label else why

    def _whole_rows(self, lines: list[str], first_line: int) -> tuple[list[list[str]], list[int]]:
        """Take lines apart into whole rows, padded, with their line numbers; count the others."""
        layout = self._layout
        fields, rows, numbers = layout.fields, [], []
        for at, _, cells, lost in split_rows(lines, layout.separator, fields):
            line = lines[at]
            if line.startswith("#") or not line.strip():
                continue
            if begins_anew(cells, layout.header):
                self._has_ended = True
                left = len(lines) - at
                more = "" if self.source.backwards else ", and all that comes after,"
                self._say(
                    f"The recording ends at line {at + first_line}: a header unlike the first "
                    f"begins there ({printable(line.strip(), 80)}); {counted(left, 'line')}{more} "
                    f"{'is' if left == 1 else 'are'} left out. Cut the file in two there."
                )
                break
            if "\x00" in line:
                self._fault(at + first_line, _DAMAGED)
            elif lost and self._is_needed(cells):
                self._fault(at + first_line, "a quote is not closed")
            elif len(cells) == fields:
                rows.append(cells)
                numbers.append(at + first_line)
            elif len(cells) in layout.short:
                rows.append(cells + [""] * (fields - len(cells)))
                numbers.append(at + first_line)
            else:
                why = f"{counted(len(cells), 'cell')} where the other rows have {fields}"
                self._fault(at + first_line, "a quote is not closed" if lost else why)
        return rows, numbers

    def _is_needed(self, cells: list[str]) -> bool:
        """Whether a quote that was not closed stands before or in a cell that is read."""
        stands = next((at for at, cell in enumerate(cells) if cell.startswith('"')), 0)
        return stands <= max(self._read_cells())

    def _read_cells(self) -> list[int]:
        raise NotImplementedError

    def _number(self, cell: str) -> float | None:
        found = number(cell, self._decimal or ".")
        if found is None and self._decimal is None:
            found = number(cell, ",")
            if found is not None:
                # The first fraction of the file; what came before were whole numbers.
                self._decimal = ","
                self._say("Numbers are read with a decimal comma.")
        return found

    def _number_with_unit(self, cell: str, column: Column) -> float | None:
        """Return the figure of a cell that names the column's own unit beside it."""
        parts = with_unit(cell)
        if parts is None or stated_unit(parts[1]) != column.unit:
            return None
        return self._number(parts[0])


class _WideReader(_FileReader):
    """Reads a file with a row a time and a column a quantity."""

    def __init__(self, source: Source, enclosure: str, say: Any) -> None:
        super().__init__(source, enclosure, say)
        self._places = [source.layout.header.index(column.column) for column in source.columns]

    def rows(self) -> Iterator[list[Reading]]:
        for first_line, lines in self._chunks():
            yield from self._chunk(lines, first_line)

    def _read_cells(self) -> list[int]:
        return [*self._places, *self.source.place.cells]

    def _chunk(self, lines: list[str], first_line: int) -> Iterator[list[Reading]]:
        found = None
        if not self.source.backwards:
            found = self._quickly(lines, first_line)
        if found is None:
            rows, line_numbers = self._whole_rows(lines, first_line)
            if self.source.backwards:
                rows.reverse()
                line_numbers.reverse()
            useless: dict[int, str] = {}
            values = self._careful(rows, line_numbers, useless)
            clock = pd.Series([self.source.place.text(row) for row in rows], dtype=str)
        else:
            clock, values, useless, line_numbers = found
        if not len(clock):
            self._count()
            return
        seconds, why = self._times.read(clock)
        bad = {line_numbers[at]: text for at, text in (useless | why).items()}
        for line in sorted(bad):
            self._fault(line, bad[line])
        self._count()
        if bad:
            keep = np.ones(len(clock), dtype=bool)
            keep[list(useless | why)] = False
            seconds = seconds[keep]
            values = [column[keep] for column in values]
        for row in zip(*self._readings(seconds, values), strict=True):
            yield list(row)

    def _quickly(
        self, lines: list[str], first_line: int
    ) -> tuple[pd.Series[str], list[NDArray[np.float64]], dict[int, str], list[int]] | None:
        """Read lines in bulk, or return None where something in them has to be looked at."""
        layout, place = self._layout, self.source.place
        separator = layout.separator
        bare = lines
        if any('"' in line for line in lines):
            bare = [
                self._quoted.sub("", line.rstrip("\n")) if '"' in line else line for line in lines
            ]
            if any('"' in line for line in bare):
                return None
        for line in bare:
            if line.count(separator) + 1 != layout.fields or "\x00" in line or line[0] == "#":
                return None
        dtype: dict[int, Any] = dict.fromkeys(place.cells, str)
        dtype |= dict.fromkeys(self._places, float)
        try:
            frame = pd.read_csv(
                io.StringIO("".join(lines)),
                header=None,
                sep=separator,
                usecols=sorted({*place.cells, *self._places}),
                dtype=dtype,
                na_values=sorted(MISSING),
                keep_default_na=False,
                decimal="," if self._decimal == "," else ".",
                skipinitialspace=True,
                skip_blank_lines=False,
                low_memory=False,
            )
        except ValueError:
            return None
        values = [frame[at].to_numpy(float, copy=True) for at in self._places]
        if len(frame) != len(lines) or any(np.isinf(column).any() for column in values):
            return None
        if self.source.nothing_new != MISSING and not self._note_marks(lines, values):
            return None
        clocks = [frame[at].fillna("").str.strip() for at in place.cells]
        if len(clocks) == 1:
            clock = clocks[0]
        else:
            texts = [joined_time(pair, packed=place.packed) for pair in zip(*clocks, strict=True)]
            clock = pd.Series(texts, dtype=str)
        return (
            clock,
            self._in_own_units(values),
            {},
            list(range(first_line, first_line + len(lines))),
        )

    def _note_marks(self, lines: list[str], values: list[NDArray[np.float64]]) -> bool:
        """Note where a mark stands and no empty cell; False where a quote has to be looked at."""
        for place, column in zip(self._places, values, strict=True):
            for at in np.flatnonzero(np.isnan(column)):
                if '"' in lines[at]:
                    return False
                if lines[at].split(self._layout.separator)[place].strip():
                    column[at] = _UNREADABLE
        return True

    def _in_own_units(self, values: list[NDArray[np.float64]]) -> list[NDArray[np.float64]]:
        return [
            converted(array, column.unit, column.read_in)
            for column, array in zip(self.source.columns, values, strict=True)
        ]

    def _careful(
        self, rows: list[list[str]], line_numbers: list[int], useless: dict[int, str]
    ) -> list[NDArray[np.float64]]:
        """Read each cell on its own, where a chunk holds something that is no number."""
        values = [np.full(len(rows), np.nan) for _ in self._places]
        for at, row in enumerate(rows):
            faults: list[str] = []
            for column, place, array in zip(self.source.columns, self._places, values, strict=True):
                cell = row[place].strip()
                if cell in self.source.nothing_new:
                    continue
                if cell in MISSING:
                    array[at] = _UNREADABLE
                    continue
                found = self._number(cell)
                if found is None:
                    found = self._number_with_unit(cell, column)
                if found is None:
                    faults.append(f"{column.column} {cell[:40]!r} is no number")
                    array[at] = _UNREADABLE
                else:
                    array[at] = found
            if len(faults) == len(self._places) > 1:
                useless[at] = "; ".join(faults)
                continue
            for fault in faults:
                self._cell_fault(line_numbers[at], fault)
        return self._in_own_units(values)

    def _readings(
        self, seconds: NDArray[np.float64], values: list[NDArray[np.float64]]
    ) -> list[Iterator[Reading]]:
        """One iterator of readings a column; `map` over lists is the cheapest way to make them."""
        moments = seconds.tolist()
        made: list[Iterator[Reading]] = []
        for column, array in zip(self.source.columns, values, strict=True):
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


class _LongReader(_FileReader):
    """Reads a file with a row a value; each row gives one reading, and other sensors none."""

    def _read_cells(self) -> list[int]:
        long = self.source.long
        own = [] if long is None else [*long.keys, long.value]
        return [*own, *self.source.place.cells]

    def rows(self) -> Iterator[list[Reading]]:
        long = self.source.long
        if long is None:
            return
        columns: Mapping[str, Column] = {each.column: each for each in self.source.columns}
        clocks: dict[str, times.TimeReader] = {}
        for first_line, lines in self._chunks():
            rows, numbers = self._whole_rows(lines, first_line)
            by_channel: dict[str, list[int]] = {}
            found: list[tuple[int, list[Reading]]] = []
            for at, row in enumerate(rows):
                by_channel.setdefault(long.channel(row), []).append(at)
            for name, places in by_channel.items():
                column = columns.get(name)
                if column is None:
                    continue
                # Each sensor's rows follow each other in time, whatever stands between them.
                reader = clocks.setdefault(
                    name, times.TimeReader(self.source.form, self.source.zone, self._say)
                )
                cells = [self.source.place.text(rows[at]) for at in places]
                seconds, why = reader.read(pd.Series(cells, dtype=str))
                for at, place in enumerate(places):
                    if at in why:
                        self._fault(numbers[place], why[at])
                        continue
                    reading = self._reading(rows[place], column, float(seconds[at]), numbers[place])
                    found.append((place, [reading]))
            self._count()
            yield from (row for _, row in sorted(found, key=lambda each: each[0]))

    def _reading(self, row: list[str], column: Column, time_s: float, line: int) -> Reading:
        long = self.source.long
        value, quality = np.nan, Quality.STALE  # an empty cell says nothing new
        cell = row[long.value].strip() if long is not None else ""
        if cell:
            quality = Quality.MISSING
        if cell not in MISSING:
            found = self._number(cell)
            unit = stated_unit(row[long.unit]) if long is not None and long.unit is not None else ""
            if found is None:
                self._cell_fault(line, f"{column.column} {cell[:40]!r} is no number")
            elif unit == "other" or (unit and (unit in ("%", "1")) != (column.unit in ("%", "1"))):
                self._cell_fault(line, f"{column.column} is in another unit here")
            else:
                value = float(converted(found, unit or column.unit, column.read_in))
                quality = Quality.OK
        return Reading(
            self._enclosure, column.point, column.quantity, time_s, value, quality, time_s
        )
