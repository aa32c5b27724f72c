"""Finds the line on which each key of a TOML text stands, which tomllib does not tell.

It walks text that tomllib has already accepted, so it recognises structure and checks nothing.
"""

from __future__ import annotations

from bisect import bisect_right

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
