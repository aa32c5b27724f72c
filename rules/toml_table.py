"""Reads a TOML table's values and collects every fault with its line: for specs, config and job."""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches

from rules.errors import FilmcallError
from rules.text import duration_text, shown
from rules.units import DAY_S, BadAmount, amount

UNLIMITED = "unlimited"
"""What a sheet's window says that never closes."""

NO_WAIT = "none"
"""What a sheet says where a wait, such as induction, is not needed."""

LONGEST_S = 3650.0 * DAY_S
"""No time on a sheet is longer; what would be is a slip, or never ends [s]."""
SHORTEST_S = 1.0
"""No time that a person writes is shorter [s]."""

Path = tuple[str | int, ...]
"""Where a value stands: keys, and the index within an array of tables or a list."""

_BARE_END = frozenset(" \t\r\n=.]#,}")
_SPACE = frozenset(" \t\r\n")


def key_lines(text: str) -> dict[Path, int]:
    """Return the line of every key, table header and list item.

    Args:
        text: valid TOML.

    Returns:
        Path of keys and indices -> line, counted from 1. A table that is never opened by a
        header of its own stands where its first key does.

    >>> key_lines('a = 1\\n[b]\\nc.d = { e = 2 }\\n')[("b", "c", "d", "e")]
    3
    """
    return _Walk(text).lines


class _Walk:
    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._starts = [0] + [i + 1 for i, c in enumerate(text) if c == "\n"]
        self._sizes: dict[Path, int] = {}
        self.lines: dict[Path, int] = {}
        table: Path = ()
        self._skip()
        while self._at < len(text):
            if text[self._at] == "[":
                table = self._header()
            else:
                self._pair(table)
            self._skip()

    def _note(self, path: Path, at: int) -> None:
        line = bisect_right(self._starts, at)
        for length in range(1, len(path) + 1):
            self.lines.setdefault(path[:length], line)

    def _skip(self, also: str = "") -> None:
        """Go past space, line ends, comments and the given separators."""
        text = self._text
        while self._at < len(text):
            c = text[self._at]
            if c == "#":
                end = text.find("\n", self._at)
                self._at = len(text) if end < 0 else end
            elif c in _SPACE or c in also:
                self._at += 1
            else:
                return

    def _header(self) -> Path:
        at = self._at
        of_array = self._text.startswith("[[", at)
        self._at += 2 if of_array else 1
        keys = self._keys()
        self._at += 2 if of_array else 1
        path: Path = ()
        for i, key in enumerate(keys):
            path = (*path, key)
            if of_array and i == len(keys) - 1:
                self._sizes[path] = self._sizes.get(path, 0) + 1
            if path in self._sizes:
                path = (*path, self._sizes[path] - 1)
        self._note(path, at)
        return path

    def _keys(self) -> list[str]:
        """Read a dotted key, and stop at what follows it."""
        keys: list[str] = []
        while self._at < len(self._text):
            self._skip(".")
            c = self._text[self._at] if self._at < len(self._text) else "]"
            if c in "]=":
                break
            keys.append(self._quoted() if c in "\"'" else self._bare())
        return keys

    def _bare(self) -> str:
        start = self._at
        while self._at < len(self._text) and self._text[self._at] not in _BARE_END:
            self._at += 1
        # Never stand still, whatever the text: an endless loop would be worse than a wrong line.
        self._at += self._at == start
        return self._text[start : self._at]

    def _quoted(self) -> str:
        """Go past a string and return it; escapes stay as written except quote and backslash."""
        quote = self._text[self._at]
        long = quote * 3
        fence = long if self._text.startswith(long, self._at) else quote
        self._at += len(fence)
        start = self._at
        while self._at < len(self._text) and not self._text.startswith(fence, self._at):
            self._at += 2 if quote == '"' and self._text[self._at] == "\\" else 1
        end = self._at
        self._at += len(fence)
        # A long string may end in one or two quotes of its own.
        while fence == long and self._text.startswith(quote, self._at):
            self._at += 1
        found = self._text[start:end]
        return found.replace('\\"', '"').replace("\\\\", "\\") if quote == '"' else found

    def _pair(self, table: Path) -> None:
        at = self._at
        path = (*table, *self._keys())
        self._note(path, at)
        self._skip("=")
        self._value(path)

    def _value(self, path: Path) -> None:
        c = self._text[self._at : self._at + 1]
        if c in ('"', "'"):
            self._quoted()
        elif c == "{":
            self._at += 1
            self._skip(",")
            while self._at < len(self._text) and self._text[self._at] != "}":
                self._pair(path)
                self._skip(",")
            self._at += 1
        elif c == "[":
            self._at += 1
            self._skip(",")
            index = 0
            while self._at < len(self._text) and self._text[self._at] != "]":
                self._note((*path, index), self._at)
                self._value((*path, index))
                self._skip(",")
                index += 1
            self._at += 1
        else:
            while self._at < len(self._text) and self._text[self._at] not in "\r\n#,]}":
                self._at += 1


ENTER = "?"
"""Stands in a new spec file where a figure from the data sheet is still to be entered."""

SLUG = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")
"""A short name: small letters, figures and hyphens."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with a spec file.

    Attributes:
        key: where, as a dotted key.
        line: the line of that key, or of the table that lacks it, from 1.
        problem: what is wrong.
        fix: what to write instead.
    """

    key: str
    line: int
    problem: str
    fix: str

    def __str__(self) -> str:
        where = f"line {self.line}, {self.key}" if self.key else f"line {self.line}"
        return f"{where}: {self.problem}; {self.fix}."


MOST_LETTERS = 2_000_000
MOST_KEYS = 50_000
MOST_DOTS = 40
"""In one line: each part of a dotted key is a table, and tables in tables cost their square."""
_MOST_HINTS = 50
_LONGEST_HINTED = 64


class TomlFault(FilmcallError, ValueError):
    """A text is no TOML that is read here; `fault` says where and why."""

    def __init__(self, fault: Fault) -> None:
        super().__init__(str(fault))
        self.fault = fault


def parsed(text: str) -> tuple[dict[str, object], Faults]:
    """Read TOML text into its tables.

    Args:
        text: of a file, with a byte order mark or not.

    Returns:
        The values, and where their faults are to be kept.

    Raises:
        TomlFault: it is no TOML, or longer or deeper than a person writes.

    >>> parsed('a = "3 K"')[0]
    {'a': '3 K'}
    """
    text = text.removeprefix("\ufeff")
    plain = "write plain tables, as in the examples"
    if len(text) > MOST_LETTERS:
        raise TomlFault(Fault("", 1, f"is longer than {MOST_LETTERS} letters", plain))
    keys = text.count("=")
    if keys > MOST_KEYS:
        raise TomlFault(Fault("", 1, f"has {keys} keys, over the {MOST_KEYS} that are read", plain))
    for number, line in enumerate(text.split("\n"), 1):
        if line.count(".") > MOST_DOTS and len(_DOT.findall(line)) > MOST_DOTS:
            raise TomlFault(Fault("", number, f"has over {MOST_DOTS} dots in one line", plain))
    try:
        return tomllib.loads(text), Faults(key_lines(text))
    except RecursionError:
        raise TomlFault(Fault("", 1, "is nested too deeply", plain)) from None
    except tomllib.TOMLDecodeError as error:
        raise TomlFault(_syntax_fault(text, str(error))) from None
    except ValueError:  # Python itself refuses to read a number of more than 4300 digits
        before = re.split(r"\d{1000}", text, maxsplit=1)[0]
        fix = 'write each figure with its unit in quotes, such as "3 K"'
        number = 1 + before.count("\n")
        raise TomlFault(Fault("", number, "holds a number too long to be read", fix)) from None


# Those of a row of leading dots are none of a key's.
_DOT = re.compile(r"\.(?!\.)")


def _syntax_fault(text: str, message: str) -> Fault:
    """Return what the TOML reader refused as a fault with its line."""
    lines = text.splitlines() or [""]
    found = re.search(r" \(at line (\d+), column \d+\)", message)
    line = int(found[1]) if found else len(lines)
    problem = message.replace(found[0], "") if found else message.split(" (at")[0]
    written = lines[min(line, len(lines)) - 1][:1000]
    if re.search(r"[=:]\s*[+-]?\d[\d.]*\s*[A-Za-z%°]", written):
        fix = 'put each figure with its unit in quotes, such as "3 K"'
    elif any(word in message for word in ("overwrite", "declare", "mutate")):
        fix = "this key or table is in the file twice: remove one"
    else:
        fix = 'a line is [table], key = "text", key = number, or a # comment'
    return Fault("", line, f"is not TOML: {problem[:1].lower()}{problem[1:]}", fix)


class Faults:
    """The faults found so far in one file."""

    def __init__(self, lines: Mapping[Path, int]) -> None:
        self._lines = lines
        self._found: list[Fault] = []
        self._hints = 0

    def near(self, word: object, words: Iterable[str]) -> str:
        """Return the one of some words that was meant, or ""; for the first faults of a file."""
        self._hints += 1
        if self._hints > _MOST_HINTS or not isinstance(word, str) or len(word) > _LONGEST_HINTED:
            return ""
        return next(iter(get_close_matches(word, words, 1)), "")

    def add(self, path: Path, problem: str, fix: str) -> None:
        """Keep one fault at a key, or at the nearest table that the file does open."""
        line = next(
            (self._lines[path[:n]] for n in range(len(path), 0, -1) if path[:n] in self._lines), 1
        )
        self._found.append(Fault(dotted(path), line, problem, fix))

    def __len__(self) -> int:
        return len(self._found)

    def in_order(self) -> tuple[Fault, ...]:
        """Return the faults by line."""
        return tuple(sorted(self._found, key=lambda fault: fault.line))


def dotted(path: Path) -> str:
    """Return a path as TOML has it, with list entries counted from 1.

    >>> dotted(("times", "cured", "20 degC")), dotted(("measure", 0, "high"))
    ("times.cured.'20 degC'", 'measure[1].high')
    """
    out = ""
    for part in path:
        if isinstance(part, int):
            out += f"[{part + 1}]"
        else:
            out += ("." if out else "") + (
                part if re.fullmatch(r"[A-Za-z0-9_-]{1,60}", part) else shown(part)
            )
    return out


def choice(words: Iterable[str]) -> str:
    """Return words as a choice.

    >>> choice(["brush", "roller", "gun"])
    'brush, roller or gun'
    """
    listed = list(words)
    return listed[0] if len(listed) == 1 else ", ".join(listed[:-1]) + " or " + listed[-1]


class Table:
    """One table of the file, which hands out its values and keeps the faults that it meets.

    A value that cannot be read comes back as None, its fault kept, so that reading goes on to
    the next one; nothing is made of a file with a fault.
    """

    def __init__(
        self, values: Mapping[str, object], path: Path, faults: Faults, known: Iterable[str] | None
    ) -> None:
        """Take the values of one table; `known` None where the keys are figures or free names."""
        self.values = values
        self.path = path
        self.faults = faults
        if known is None:
            return
        names = list(known)
        for key in values:
            if key not in names:
                near = faults.near(key, names)
                fix = f"did you mean {near}" if near else f"write {choice(names)}, or remove it"
                self.fault(key, "is no key that belongs here", fix)

    def fault(self, key: str | None, problem: str, fix: str) -> None:
        """Keep a fault at one of this table's keys, or at the table itself."""
        self.faults.add(self.path if key is None else (*self.path, key), problem, fix)

    def missing(self, key: str, example: str) -> None:
        """Keep that a key is not there."""
        self.fault(key, "is missing", f"add {key} = {example}")

    def table(self, key: str, known: Iterable[str] | None) -> Table:
        """Return a table within this one; an empty one where the file has none."""
        value = self.values.get(key, {})
        if not isinstance(value, dict):
            self.fault(key, f"{shown(value)} is not a table", "write its keys and figures in { }")
            value = {}
            known = None
        return Table(value, (*self.path, key), self.faults, known)

    def tables(self, key: str, known: Iterable[str]) -> list[Table]:
        """Return a list of tables."""
        values = self.values.get(key, [])
        if not isinstance(values, list) or not all(isinstance(v, dict) for v in values):
            name = dotted(tuple(part for part in (*self.path, key) if isinstance(part, str)))
            self.fault(key, "is not a list of tables", f"open each entry with [[{name}]]")
            return []
        names = list(known)
        return [Table(v, (*self.path, key, i), self.faults, names) for i, v in enumerate(values)]

    def figure(
        self,
        key: str,
        unit: str,
        low: float,
        high: float,
        *,
        difference: bool = False,
        example: str | None = None,
    ) -> float | None:
        """Return a figure in a unit, kept to what can be; `example` where it is needed."""
        if key not in self.values:
            if example is not None:
                self.missing(key, f'"{example}"')
            return None
        return self.read(key, self.values[key], unit, low, high, difference=difference)

    def read(
        self,
        key: str,
        written: object,
        unit: str,
        low: float,
        high: float,
        *,
        difference: bool = False,
    ) -> float | None:
        """Return a figure that stands at a key, or in one."""
        if isinstance(written, str) and ENTER in written:
            self.fault(key, "is still to be entered", "put the data sheet's figure for the ?")
            return None
        try:
            value = amount(written, unit, difference=difference)
        except BadAmount as bad:
            self.fault(key, bad.problem, bad.fix)
            return None
        if not low <= value <= high:
            self.fault(
                key,
                f"{shown(written)} cannot be right",
                f"give a figure from {low:g} to {high:g} {unit.replace('**', '')}",
            )
            return None
        return value

    def duration(
        self,
        key: str,
        low_s: float = SHORTEST_S,
        high_s: float = LONGEST_S,
        *,
        default: float | None = None,
    ) -> float | None:
        """Return a time kept to what can be [s]; the default where the file has none."""
        if key not in self.values:
            return default
        return self.read_duration(key, self.values[key], low_s, high_s)

    def read_duration(
        self, key: str, written: object, low_s: float = SHORTEST_S, high_s: float = LONGEST_S
    ) -> float | None:
        """Return a time that stands at a key, kept to what can be [s]."""
        value = self.read(key, written, "s", -1e300, 1e300)
        if value is not None and value <= 0.0:
            self.fault(
                key,
                f"{shown(written)} is not over zero",
                'give a time such as "4 h", or leave it out',
            )
            return None
        if value is not None and value > LONGEST_S:
            self.fault(
                key,
                f"{shown(written)} is over {LONGEST_S / DAY_S:.0f} days",
                f'correct it; a window that never closes is written "{UNLIMITED}", without rows',
            )
            return None
        if value is not None and not low_s <= value <= high_s:
            shortest = duration_text(low_s) if low_s >= 1.0 else f"{low_s:g} s"
            self.fault(
                key,
                f"{shown(written)} cannot be right",
                f"give a time from {shortest} to {duration_text(high_s)}",
            )
            return None
        return value

    def count(self, key: str, most: int) -> int | None:
        """Return a whole number from 1, quoted or not; None where the file has none."""
        if key not in self.values:
            return None
        written = self.values[key]
        text = written if isinstance(written, str) else shown(written)
        if ENTER in text:
            self.fault(key, "is still to be entered", "put the data sheet's figure for the ?")
        elif text.isdecimal() and len(text) < 10 and 1 <= int(text) <= most:
            return int(text)
        else:
            self.fault(key, f"{shown(written)} is no whole number from 1 to {most}", "give one")
        return None

    def words(self, key: str, *, example: str | None = None) -> str:
        """Return free words, "" where there are none; `example` where they must not be missing."""
        if key not in self.values:
            if example is not None:
                self.missing(key, f'"{example}"')
            return ""
        value = self.values[key]
        if not isinstance(value, str):
            self.fault(key, f"{shown(value)} is not text", "put it in quotes")
            return ""
        if not all(c.isprintable() or c == "\n" for c in value):
            self.fault(key, "holds control characters", "write plain words")
            return ""
        plain = " ".join(value.split())
        if plain == ENTER:
            self.fault(key, "is still to be entered", "put what the data sheet says for the ?")
        if not plain and example is not None:
            self.fault(key, "is empty", f'write for instance "{example}"')
        return plain

    def listed_words(self, key: str) -> tuple[str, ...]:
        """Return a list of free words, each as `words` has them; () where there is none."""
        value = self.values.get(key, [])
        if not isinstance(value, list):
            self.fault(key, f"{shown(value)} is not a list", 'write ["...", "..."]')
            return ()
        each = Table(
            {f"{key}[{n}]": one for n, one in enumerate(value, 1)}, self.path, self.faults, None
        )
        return tuple(filter(None, map(each.words, each.values)))

    def slug(self, key: str, *, example: str) -> str:
        """Return a short name of small letters, figures and hyphens."""
        value = self.words(key, example=example)
        if value and not SLUG.fullmatch(value):
            self.fault(
                key,
                f"{shown(value)} is not a short name",
                f'write small letters, figures and hyphens, such as "{example}"',
            )
            return ""
        return value

    def one_of(self, key: str, allowed: Iterable[str], *, required: bool) -> str | None:
        """Return one of a closed set of words."""
        names = list(allowed)
        if key not in self.values:
            if required:
                self.missing(key, f'"{names[0]}" (or {choice(names[1:])})')
            return None
        value = self.values[key]
        if value in names:
            return str(value)
        near = self.faults.near(value, names)
        fix = f"did you mean {near}" if near else f"write {choice(names)}"
        self.fault(key, f"{shown(value)} is not one of the words for it", fix)
        return None

    def flag(self, key: str, default: bool) -> bool:
        """Return true or false."""
        value = self.values.get(key, default)
        if not isinstance(value, bool):
            self.fault(
                key, f"{shown(value)} is not true or false", "write true or false, no quotes"
            )
            return default
        return value
