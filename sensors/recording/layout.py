"""How the text of a recording is laid out: encoding, separator, decimal mark, header line."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

HEAD_BYTES = 262_144
# More lines than this before the header are no comment: the file is something else.
PREAMBLE_LINES = 60
SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+")
_DECIMAL_POINT = re.compile(r"[+-]?\d*\.\d+")
# Up to eight digits: nine and more are seconds since 1970.
_ROW_NUMBER = re.compile(r"\d{1,8}")
_QUOTED = re.compile(r'"[^"\n]*"')


class RecordingFault(Exception):
    """A file that cannot be used at all; the text is one sentence for the user."""


@dataclass(frozen=True, slots=True)
class Layout:
    """How the text of a recording is laid out.

    Attributes:
        encoding: name of the text encoding.
        separator: between two cells.
        header: the names, with an empty one first where rows carry a row number without a name.
        header_line: line number of the header, from 1.
        fields: cells in a whole row.
        decimal: decimal mark of the numbers, or None where the head shows no fraction.
        sample: first rows as cells, for deciding how times are written.
        notices: what was sniffed, one sentence each.
    """

    encoding: str
    separator: str
    header: tuple[str, ...]
    header_line: int
    fields: int
    decimal: str | None
    sample: tuple[tuple[str, ...], ...]
    notices: tuple[str, ...]


def sniff(path: Path) -> Layout:
    """Find out how a recording is laid out, from its first 256 KiB.

    Args:
        path: the file.

    Returns:
        Its layout.

    Raises:
        RecordingFault: it cannot be opened, is empty, is no text, or has no table with a header.
    """
    try:
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
    except OSError as fault:
        why = fault.strerror or type(fault).__name__
        raise RecordingFault(
            f"{path}: {why.lower()}, so nothing is replayed; check the file's name"
        ) from None
    if not head.strip(b"\x00 \t\r\n\xef\xbb\xbf\xff\xfe"):
        raise RecordingFault(f"{path}: the file is empty, so nothing is replayed; choose another")
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


def count_fields(lines: Sequence[str], separator: str) -> list[int]:
    """Return how many cells each line has; a separator between double quotes counts for none.

    >>> count_fields(['1,2', '"a,b",2'], ",")
    [2, 2]
    """
    if any('"' in line for line in lines):
        lines = [_QUOTED.sub("", line) if '"' in line else line for line in lines]
    return [line.count(separator) + 1 for line in lines]


def split_line(line: str, separator: str) -> list[str]:
    """Return the cells of one line, without quotes and blanks around them."""
    for row in csv.reader([line.replace("\x00", "")], delimiter=separator):
        return [cell.strip() for cell in row]
    return [""]


def _encoding(head: bytes) -> str | None:
    if head.startswith(b"\xef\xbb\xbf"):
        return "utf-8-sig"
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    sample = head[:4096]
    # UTF-16 without its mark: every other byte of plain figures is zero.
    if len(sample) >= 8:
        if sample[1::2].count(0) > 0.8 * len(sample[1::2]) and 0 not in sample[0::2]:
            return "utf-16-le"
        if sample[0::2].count(0) > 0.8 * len(sample[0::2]) and 0 not in sample[1::2]:
            return "utf-16-be"
    # Zero bytes do not count: a logger that loses power leaves runs of them in good text.
    rest = sample.replace(b"\x00", b"")
    if sum(byte < 9 or 13 < byte < 32 for byte in rest) > 0.05 * len(rest):
        return None
    for cut in range(4):  # the head may end within a character
        try:
            head[: len(head) - cut].decode("utf-8")
        except UnicodeDecodeError as fault:
            if fault.end < len(head) - 4:
                return "cp1252"
        else:
            return "utf-8"
    return "cp1252"


def _layout(path: Path, encoding: str, lines: list[str]) -> Layout:
    best: tuple[tuple[int, int, int], str, int, int] | None = None
    counts: dict[str, list[int]] = {}
    for separator in SEPARATORS:
        counts[separator] = count_fields(lines, separator)
        found = _header_at(lines, counts[separator], separator)
        if found is None:
            continue
        at, fields, rows = found
        whole = int(counts[separator][at] == fields)
        # Rows that fit count first, then a header that names every cell, then more cells.
        score = (rows, whole, fields)
        if best is None or score > best[0]:
            best = (score, separator, at, fields)
    if best is None:
        raise RecordingFault(
            f"{path}: no header line with rows of as many cells below it, so nothing is replayed; "
            "give the columns names in a first line, separated by commas"
        )
    _, separator, at, fields = best
    notices: list[str] = []
    header = split_line(lines[at].lstrip("# \ufeff"), separator)
    rows_at = [i for i in range(at + 1, len(lines)) if counts[separator][i] == fields]
    sample = tuple(tuple(split_line(lines[i], separator)) for i in rows_at)
    if not sample:
        raise RecordingFault(
            f"{path}: the file holds a header and no rows, so nothing is replayed; choose another"
        )
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
    if at > 0:
        notices.append(f"The header is taken from line {at + 1}; what stands above it is left out.")
    decimal = _decimal(cell for row in sample for cell in row)
    if decimal == ",":
        notices.append("Numbers are read with a decimal comma.")
    return Layout(
        encoding, separator, tuple(header), at + 1, fields, decimal, sample, tuple(notices)
    )


def _header_at(
    lines: Sequence[str], counts: Sequence[int], separator: str
) -> tuple[int, int, int] | None:
    """Return the header's index, the cells in a row, and how many rows fit; None if none does."""
    usual = Counter(
        count
        for line, count in zip(lines, counts, strict=True)
        if count > 1 and not line.startswith("#")
    )
    best: tuple[int, int, int] | None = None
    for fields, _ in usual.most_common(2):
        candidates: list[int] = []
        for at, line in enumerate(lines[:PREAMBLE_LINES]):
            if line.startswith("#") or counts[at] not in (fields, fields - 1) or counts[at] < 2:
                continue
            cells = split_line(line, separator)
            if _names(cells):
                candidates.append(at)
            elif counts[at] == fields and any(_figure(cell) for cell in cells):
                if not candidates and at > 0 and counts[at - 1] in (fields, fields - 1):
                    candidates.append(at - 1)  # a header written as a comment
                break
        candidates.sort(key=lambda at: counts[at] != fields)
        if candidates:
            at = candidates[0]
            if counts[at] >= 2 and _names(split_line(lines[at].lstrip("# "), separator)):
                rows = sum(count == fields for count in counts[at + 1 :])
                if best is None or rows > best[2]:
                    best = at, fields, rows
    return best


def _names(cells: Sequence[str]) -> bool:
    """Whether cells are names: at least two, and no figure among them."""
    named = [cell for cell in cells if cell]
    return len(named) >= 2 and not any(_figure(cell) for cell in named)


def _figure(cell: str) -> bool:
    return bool(_NUMBER.fullmatch(cell) or re.match(r"\d{1,4}[-/.:]\d", cell))


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
    for cell in cells:
        commas += _DECIMAL_COMMA.fullmatch(cell) is not None
        points += _DECIMAL_POINT.fullmatch(cell) is not None
    if commas == points == 0:
        return None
    return "," if commas > points else "."
