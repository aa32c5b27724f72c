"""How the text of a recording is laid out: encoding, separator, decimal mark, header, units row.

Every line is taken apart by `split_rows` here, for counting and for reading alike, so that the two
never differ about where a cell ends.
"""

from __future__ import annotations

import io
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from rules.numbers import number
from sensors.recording.words import meaning, stated_unit
from sensors.whole_file import Unreadable, plain, what_it_is

HEAD_BYTES = 262_144
# More lines than this before the header are no comment: the file is something else.
PREAMBLE_LINES = 60
SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
MISSING = frozenset(
    ("", "-", "--", "---", "----", "nan", "NaN", "NAN", "NA", "N/A", "n/a", "null", "NULL", "None")
)
_JOINED_LINES = 40  # of one quoted cell: a note longer than this is a quote that was lost

# Where so many quotes were lost, a quote is a letter: to look for each one's end takes long.
_MOST_LOSSES = 40

# Up to eight digits: nine and more are seconds since 1970.
_ROW_NUMBER = re.compile(r"[0-9]{1,8}")
_DECIMAL_COMMA = re.compile(r"[+-]?[0-9]*,[0-9]+")
_DECIMAL_POINT = re.compile(r"[+-]?[0-9]*\.[0-9]+")
_TIME_LIKE = re.compile(
    r".*[0-9]{1,4}\s?[-/.]\s?[0-9]{1,2}\s?[-/.]\s?[0-9]{1,4}.*|[0-9]{1,2}[:.h][0-9]{2}([:.][0-9]{2})?.*"
    r"|.*[0-9]{1,2}:[0-9]{2}.*|[0-9]{1,2}\.?[-/ ]\s?[^\W\d_]{3,}\.?[-/ ,]+[0-9]{2,4}.*"
)
# A time begins with a figure, or with the name of a month or a day of the week: a header that names
# an offset, such as `Time, GMT-04:00`, is none.
_TIME_BEGINS = re.compile(r"(?:[^\W\d_]{2,10}\.?,?\s+)?[0-9]")


class RecordingFault(Exception):
    """A file that cannot be used at all; the text is one sentence for the user."""


@dataclass(frozen=True, slots=True)
class Layout:
    """How the text of a recording is laid out.

    Attributes:
        encoding: name of the text encoding.
        separator: between two cells.
        header: the names, with an empty one first where rows carry a row number without a name.
        header_line: line number of the last line above the rows, from 1; 0 where there is none.
        fields: cells in a whole row.
        decimal: decimal mark of the numbers, or None where the head shows no fraction.
        sample: first rows as cells, for deciding how times are written.
        notices: what was sniffed, one sentence each.
        units: what a row of units below the header says of each column, or empty.
        notes: further words for each column, from rows above or below the names, or empty.
        preamble: lines above the header, and comments.
        short: numbers of cells of rows that are whole without their last, empty, ones.
        named: whether there is a header; without one columns are called `column 1` and so on.
    """

    encoding: str
    separator: str
    header: tuple[str, ...]
    header_line: int
    fields: int
    decimal: str | None
    sample: tuple[tuple[str, ...], ...]
    notices: tuple[str, ...]
    units: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    preamble: tuple[str, ...] = ()
    short: frozenset[int] = frozenset()
    named: bool = True


def sniff(path: Path) -> Layout:
    """Find out how a recording is laid out, from its first 256 KiB.

    Args:
        path: the file.

    Returns:
        Its layout.

    Raises:
        RecordingFault: it cannot be opened, is empty, is no text, or has no table.
    """
    try:
        plain(path.stat())
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
    except (OSError, Unreadable) as fault:
        why = str(fault)
        if isinstance(fault, OSError):
            why = (fault.strerror or type(fault).__name__).lower()
        raise RecordingFault(
            f"{path}: {why}, so nothing is replayed; check the file's name"
        ) from None
    return sniffed(path, head)


def sniffed(path: Path, head: bytes) -> Layout:
    """Find out how a recording is laid out; as `sniff`, from bytes that were read already."""
    if not head.strip(b"\x00 \t\r\n\xef\xbb\xbf\xff\xfe"):
        raise RecordingFault(f"{path}: the file is empty, so nothing is replayed; choose another")
    what = what_it_is(head)
    if what is not None:
        packed = "compressed" in what and "spread" not in what
        fix = "unpack it first" if packed else "save it as CSV text and try again"
        raise RecordingFault(f"{path} is {what}, so nothing is replayed; {fix}")
    encoding = _encoding(head)
    if encoding is None:
        raise RecordingFault(
            f"{path}: this is no text file, so nothing is replayed; "
            "save the recording as CSV and try again"
        )
    text = io.IncrementalNewlineDecoder(None, translate=True).decode(
        head.decode(encoding, errors="replace"), final=True
    )
    lines = text.split("\n")
    if len(head) == HEAD_BYTES:
        lines.pop()  # cut in two by the end of the head
    elif not lines[-1]:
        lines.pop()
    return _layout(path, encoding, lines)


def _cells(text: str, separator: str) -> tuple[list[str], bool]:
    """Return the cells of a text, and whether its last cell is a quote that was not closed."""
    cells: list[str] = []
    at, end = 0, len(text)
    while True:
        start = at
        while start < end and text[start] == " ":
            start += 1
        if start < end and text[start] == '"':
            look = start + 1
            while True:
                quote = text.find('"', look)
                if quote < 0:
                    return cells, True
                if text[quote + 1 : quote + 2] == '"':
                    look = quote + 2
                    continue
                after = quote + 1
                while after < end and text[after] == " ":
                    after += 1
                if after == end or text[after] == separator:
                    break
                look = quote + 1  # a quote inside, that nobody doubled
            cells.append(text[start + 1 : quote].replace('""', '"').strip())
            at = after
        else:
            found = text.find(separator, at)
            found = end if found < 0 else found
            cells.append(text[at:found].strip())
            at = found
        if at >= end:
            return cells, False
        at += 1
        if at == end:
            return [*cells, ""], False


def split_line(line: str, separator: str) -> list[str]:
    """Return the cells of one line, without quotes and blanks around them.

    >>> split_line('1," a;b" ;2', ";"), split_line('20.5;"a ""b""; c";', ";")
    (['1," a', 'b"', '2'], ['20.5', 'a "b"; c', ''])
    >>> split_line('1,2,"taped the sheer', ",") # a quote that was not closed is a letter
    ['1', '2', '"taped the sheer']
    """
    text = line.rstrip("\n").replace("\x00", "")
    if '"' not in text:
        return [cell.strip() for cell in text.split(separator)]
    cells, is_open = _cells(text, separator)
    if not is_open:
        return cells
    rest = [cell.strip() for cell in text.split(separator)]
    return [*cells, *rest[len(cells) :]] if len(rest) > len(cells) else rest


def split_rows(
    lines: Sequence[str], separator: str, fields: int
) -> list[tuple[int, int, list[str], bool]]:
    """Take lines apart into rows; a quoted cell may go over several lines.

    A quote that is open at the end of its line is followed over the next lines, as long as none
    of them is a whole row in itself; where it is not closed by then, it is a letter like others.

    Args:
        lines: with or without their ends.
        separator: between two cells.
        fields: cells in a whole row.

    Returns:
        (index of its first line, number of lines, cells, whether a quote was not closed) by row.

    >>> [row[2] for row in split_rows(['1,"a', 'b"', '2,c'], ",", 2)]
    [['1', 'a\\nb'], ['2', 'c']]
    """
    rows: list[tuple[int, int, list[str], bool]] = []
    at = losses = 0
    while at < len(lines):
        line = lines[at].rstrip("\n")
        taken, lost = 1, False
        if '"' not in line:
            cells = [cell.strip() for cell in line.split(separator)]
        else:
            cells, is_open = _cells(line.replace("\x00", ""), separator)
            if is_open:
                joined = line
                lost = True
                ahead = _JOINED_LINES if losses < _MOST_LOSSES else 1
                for more in range(1, ahead):
                    if at + more >= len(lines):
                        break
                    following = lines[at + more].rstrip("\n")
                    if len(split_line(following, separator)) >= max(fields, 2):
                        break
                    joined += "\n" + following
                    if '"' not in following:
                        continue
                    found, is_open = _cells(joined, separator)
                    if not is_open and len(found) == fields:
                        cells, taken, lost = found, more + 1, False
                        break
                losses += lost
                if lost:
                    cells = split_line(line, separator)
        rows.append((at, taken, cells, lost))
        at += taken
    return rows


def _utf16(sample: bytes) -> str | None:
    # UTF-16 without its mark: every other byte of plain figures is zero.
    if len(sample) >= 8:
        if sample[1::2].count(0) > 0.8 * len(sample[1::2]) and 0 not in sample[0::2]:
            return "utf-16-le"
        if sample[0::2].count(0) > 0.8 * len(sample[0::2]) and 0 not in sample[1::2]:
            return "utf-16-be"
    return None


def _encoding(head: bytes) -> str | None:
    if head.startswith(b"\xef\xbb\xbf"):
        return "utf-8-sig"
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    sample = head[:4096]
    if wide := _utf16(sample):
        return wide
    # Zero bytes do not count: a logger that loses power leaves runs of them in good text.
    rest = sample.replace(b"\x00", b"")
    if sum(byte < 9 or 13 < byte < 32 for byte in rest) > 0.05 * len(rest):
        return None
    for cut in range(4):  # the head may end within a character
        try:
            head[: len(head) - cut].decode("utf-8")
        except UnicodeDecodeError as fault:
            if fault.end < len(head) - 4:
                return _code_page(head[:8192])
        else:
            return "utf-8"
    return _code_page(head[:8192])


def _code_page(head: bytes) -> str:
    """Return the code page in which most words of the first lines are known ones.

    Each is an extension of ASCII, so that only words with other letters tell them apart.
    """
    best, most = "cp1252", -1
    for name in ("cp1252", "cp1250", "cp1254", "cp1253", "cp850", "mac_roman", "cp852"):
        text = head.decode(name, errors="replace")
        known = 0
        for word in set(re.findall(r"\S+", text)):
            if word.isascii():
                continue
            known += 2 * bool(re.search(r"[°º]\s?[CF]\b", word))
            known += bool(meaning(word).kinds)
        if known > most:
            best, most = name, known
    return best


_WITH_UNIT = re.compile(r"([+\-−]?[0-9]+(?:[.,][0-9]+)?)\s?(°\s?[CF]|[CFK]|%\s?(?:RH|rF|HR|rh)?)")


def with_unit(cell: str) -> tuple[str, str] | None:
    """Return the figure and the unit of a cell that holds both, or None.

    >>> with_unit("21.5 °C"), with_unit("54,1%"), with_unit("21.5")
    (('21.5', '°C'), ('54,1', '%'), None)
    """
    found = _WITH_UNIT.fullmatch(cell)
    return None if found is None else (found[1], found[2].strip())


def kind_of_cell(cell: str) -> str:
    """Return `e` for nothing, `t` for what looks like a time, `n` for a number, else `x`."""
    if cell in MISSING:
        return "e"
    if number(cell) is not None or number(cell, ",") is not None or with_unit(cell) is not None:
        return "n"
    return "t" if _TIME_BEGINS.match(cell) and _TIME_LIKE.fullmatch(cell) else "x"


@dataclass(frozen=True, slots=True)
class _Block:
    """Where the rows begin for one separator, and what stands above them."""

    fields: int
    rows: int
    typed: float
    first: int
    header: int | None
    units: int | None
    notes: tuple[int, ...]
    short: frozenset[int]


_WITHOUT_HEADER = 0.6  # of what a separator counts that leaves no header; judgement, no source


def _layout(path: Path, encoding: str, lines: list[str]) -> Layout:
    best: tuple[tuple[float, ...], str, _Block, list[tuple[int, int, list[str], bool]]] | None
    best = None
    for separator in SEPARATORS:
        counted = Counter(
            len(split_line(line, separator)) for line in lines[:3000] if not line.startswith("#")
        )
        usual = [count for count, _ in counted.most_common(3) if count > 1][:2]
        for fields in usual:
            rows = split_rows(lines, separator, fields)
            block = _block(rows, lines, fields, separator)
            if block is None:
                continue
            # Rows that fit and cells that are figures count first, then a header, then more cells.
            # Decimal commas part a file too, but hardly its header.
            headed = block.header is not None
            score = (
                block.rows * block.typed * (1.0 if headed else _WITHOUT_HEADER), headed,
                block.fields,
            )  # fmt: skip
            if best is None or score > best[0]:
                best = (score, separator, block, rows)
    if best is None:
        raise RecordingFault(
            f"{path}: no header line with rows of as many cells below it, so nothing is replayed; "
            "give the columns names in a first line, separated by commas"
        )
    _, separator, block, rows = best
    return _described(path, encoding, lines, separator, block, rows)


def _block(
    rows: list[tuple[int, int, list[str], bool]], lines: list[str], fields: int, separator: str
) -> _Block | None:
    whole = [
        cells for at, _, cells, _ in rows if len(cells) == fields and not lines[at].startswith("#")
    ]
    if not whole:
        return None
    kinds = [Counter(kind_of_cell(cells[at]) for cells in whole[:3000]) for at in range(fields)]
    majority = []
    for counts in kinds:
        best = max("ntx", key=lambda kind: counts[kind])
        majority.append(best if counts[best] > 0 else "e")
    typed = [at for at in range(fields) if majority[at] in "nt"]
    if len(whole) > 1 and not typed:
        typed = [at for at in range(fields) if {"n", "t"} & set(kinds[at])]
    if not typed:
        return _bare_header(rows, lines, fields)
    stamps = [at for at in typed if majority[at] == "t"]

    def is_data(cells: list[str]) -> bool:
        got = [kind_of_cell(cells[at]) for at in typed if at < len(cells)]
        fits = sum(kind in "nt" for kind in got)
        if stamps and not any(at < len(cells) and kind_of_cell(cells[at]) == "t" for at in stamps):
            return False
        return fits >= 1 and 2 * fits >= sum(kind != "e" for kind in got)

    first = next(
        (
            index
            for index, (at, _, cells, _) in enumerate(rows)
            if len(cells) == fields and not lines[at].startswith("#") and is_data(cells)
        ),
        None,
    )
    if first is None:
        return _bare_header(rows, lines, fields)
    below = [cells for at, _, cells, _ in rows[first:] if not lines[at].startswith("#")]
    fitting = [cells for cells in below if len(cells) == fields]
    cells_there = sum(cell not in MISSING for cells in fitting[:500] for cell in cells)
    figures = sum(kind_of_cell(cell) in "nt" for cells in fitting[:500] for cell in cells)
    shorts = Counter(len(cells) for cells in below if 1 < len(cells) < fields and is_data(cells))
    short = frozenset(
        count for count, times in shorts.items()
        if times >= 3 and times >= 0.01 * len(below) and count > max(stamps or [0])
    )  # fmt: skip
    header, units, notes = _heads(rows, lines, first, fields, separator)
    if header is None and not stamps:
        return None
    return _Block(
        fields, len(fitting), figures / max(cells_there, 1), rows[first][0], header, units, notes,
        short,
    )  # fmt: skip


def _bare_header(
    rows: list[tuple[int, int, list[str], bool]], lines: list[str], fields: int
) -> _Block | None:
    """A header below which no row holds a figure; taken so that the fault can be named."""
    for index, (at, _, cells, _) in enumerate(rows[:PREAMBLE_LINES]):
        if len(cells) == fields and not lines[at].startswith("#") and _names(cells):
            rest = [row for row in rows[index + 1 :] if len(row[2]) == fields]
            first = rows[index + 1][0] if index + 1 < len(rows) else len(lines)
            return _Block(fields, len(rest), 0.1, first, at, None, (), frozenset())
    return None


def _heads(
    rows: list[tuple[int, int, list[str], bool]],
    lines: list[str],
    first: int,
    fields: int,
    separator: str,
) -> tuple[int | None, int | None, tuple[int, ...]]:
    """Return the lines of the names, of the units, and of further words for the columns."""
    header: int | None = None
    units: int | None = None
    notes: list[int] = []
    for index in range(first - 1, max(-1, first - 1 - PREAMBLE_LINES), -1):
        at, taken, cells, _ = rows[index]
        if taken == 1 and lines[at].startswith("#"):
            bare = split_line(lines[at].lstrip("# \ufeff"), separator)
            if header is None and len(bare) in (fields, fields - 1) and _names(bare):
                header = at
            break
        if not any(cells):
            if header is None and index >= first - 2:
                continue
            break
        said = [cell for cell in cells if cell]
        is_units = len(cells) == fields and _is_units(said)
        figures = any(kind_of_cell(cell) in "nt" for cell in cells)
        if len(cells) not in (fields, fields - 1) or (figures and not is_units):
            break
        if header is None and units is None and is_units:
            units = at
        elif (
            header is None
            and said
            and all(
                meaning(cell).kinds and meaning(cell).kinds <= {"mean", "extreme"} for cell in said
            )
        ):
            notes.append(at)
        elif header is None:
            if not _names(cells):
                break
            header = at
        elif len(cells) == fields and len(said) >= 2 and len(notes) < 3:
            notes.append(at)
        else:
            break
    if header is None and units is not None:
        header, units = units, None
    return header, units, tuple(notes)


def _is_units(said: Sequence[str]) -> bool:
    """Whether cells are units; beside them a time's own cell may say how it is written."""
    known = [stated_unit(cell) for cell in said]
    return (
        any(known)
        and all(
            unit is not None
            or re.fullmatch(r"[ymdhsYMDHSTjJaAtTmM.:/\- ]{2,}|.*\b(UTC|GMT).*", cell)
            for unit, cell in zip(known, said, strict=True)
        )
        and 2 * sum(bool(unit) for unit in known) >= len(said)
    )


def _names(cells: Sequence[str]) -> bool:
    """Whether cells are names: at least two, and no figure among them."""
    named = [cell for cell in cells if cell]
    return len(named) >= 2 and not any(kind_of_cell(cell) in "nt" for cell in named)


def _described(
    path: Path,
    encoding: str,
    lines: list[str],
    separator: str,
    block: _Block,
    rows: list[tuple[int, int, list[str], bool]],
) -> Layout:
    fields = block.fields
    sample = tuple(
        tuple(cells)
        for at, _, cells, _ in rows
        if at >= block.first and len(cells) == fields and not lines[at].startswith("#")
    )
    if not sample:
        raise RecordingFault(
            f"{path}: the file holds a header and no rows, so nothing is replayed; choose another"
        )
    notices: list[str] = []
    if block.header is None:
        header = [f"column {number}" for number in range(1, fields + 1)]
        notices.append(
            "There is no line of names above the rows: columns are called 'column 1', 'column 2'."
        )
    else:
        header = next(cells for at, _, cells, _ in rows if at == block.header)
        if lines[block.header].startswith("#"):
            header = split_line(lines[block.header].lstrip("# \ufeff"), separator)
        header = [" ".join(cell.split()) for cell in header]
        if len(header) == fields - 1:
            what = f"The header has {fields - 1} names and the rows have {fields} cells: "
            if all(row[-1] == "" for row in sample):
                header.append("")
                notices.append("Every row ends with a separator; the empty last cell is left out.")
            elif all(_ROW_NUMBER.fullmatch(row[0]) for row in sample):
                header.insert(0, "")
                notices.append(what + "the first cell is taken for a row number.")
            else:
                # Taking the wrong end would put every value one column aside, without a trace.
                header.append("")
                notices.append(what + "the last cell, which has no name, is left out.")
    header = _without_doubles(header, notices)
    if encoding not in ("utf-8", "utf-8-sig"):
        notices.append(f"The text is read as {encoding}.")
    if separator != ",":
        notices.append(f"Cells are separated by a {SEPARATORS[separator]}.")
    top = block.header if block.header is not None else block.first
    if block.header is not None and block.header > 0:
        notices.append(
            f"The header is taken from line {block.header + 1}; what stands above it is no row."
        )
    units: tuple[str, ...] = ()
    if block.units is not None:
        units = tuple(split_line(lines[block.units], separator))
        notices.append(f"Line {block.units + 1} is taken for the units of the columns.")
    notes = [""] * fields
    for at in sorted(block.notes):
        last = ""
        for column, cell in enumerate(split_line(lines[at], separator)[:fields]):
            last = cell or (last if at < top else "")
            if last:
                notes[column] = f"{notes[column]} {last}".strip()
    for count in sorted(block.short):
        notices.append(
            f"Rows of {count} cells, where the header has {fields}, are read with their last cells "
            "empty."
        )
    decimal = _decimal(cell for row in sample for cell in row)
    if decimal == ",":
        notices.append("Numbers are read with a decimal comma.")
    return Layout(
        encoding,
        separator,
        tuple(header),
        block.first,
        fields,
        decimal,
        sample,
        tuple(notices),
        units,
        tuple(notes) if any(notes) else (),
        (*lines[:top], *(line for line in lines[top:] if line.startswith("#"))),
        block.short,
        block.header is not None,
    )


def _without_doubles(header: Sequence[str], notices: list[str]) -> list[str]:
    """Give the second of two equal names a number, so that each can be told from the other."""
    seen: dict[str, int] = {}
    names: list[str] = []
    for name in header:
        seen[name] = seen.get(name, 0) + 1
        if name and seen[name] > 1:
            names.append(f"{name} {seen[name]}")
            notices.append(
                f"The name {name!r} stands twice in the header; here it is {names[-1]!r}."
            )
        else:
            names.append(name)
    return names


def _decimal(cells: Iterable[str]) -> str | None:
    commas = points = 0
    for written in cells:
        parts = with_unit(written)
        cell = written if parts is None else parts[0]
        commas += _DECIMAL_COMMA.fullmatch(cell) is not None
        points += _DECIMAL_POINT.fullmatch(cell) is not None
    if commas == points == 0:
        return None
    return "," if commas > points else "."
