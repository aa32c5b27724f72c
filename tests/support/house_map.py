"""Reads the house's map out of its own docstrings; `python -m tests.support.house_map` writes it.

A package tells in its docstring its purpose, its door and what it may import; a module its purpose.
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
ROOMS = ("sensors", "rules", "monitor")
_BEGIN, _END = "<!-- map: made by python -m tests.support.house_map -->", "<!-- end of map -->"


@dataclass(frozen=True, slots=True)
class Package:
    """What a package says of itself.

    Attributes:
        name: dotted.
        purpose: one sentence.
        door: the file to open first.
        may_import: names of packages; a room's name stands for the modules that lie flat in it.
    """

    name: str
    purpose: str
    door: str
    may_import: frozenset[str]


def modules() -> dict[str, Path]:
    """Return every module of the three rooms by its dotted name; a package by its own."""
    found = {}
    for room in ROOMS:
        for path in sorted((ROOT / room).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def package_of(path: Path) -> str:
    """Return the package in which a module lies."""
    return ".".join(path.parent.relative_to(ROOT).parts)


def imported(path: Path, known: dict[str, Path]) -> Iterator[str]:
    """Yield the house's modules that a module imports, wherever in it."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and node.module is not None:
            for alias in node.names:
                full = f"{node.module}.{alias.name}"
                name = full if full in known else node.module
                if name in known:
                    yield name
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names if alias.name in known)


def _docstring(path: Path) -> str:
    return ast.get_docstring(ast.parse(path.read_text())) or ""


def sentence(path: Path) -> str:
    """Return the first sentence of a module's docstring, in one line."""
    first = _docstring(path).split("\n\n")[0]
    return " ".join(first.split())


def packages() -> dict[str, Package]:
    """Return what every package below a room says of itself; "" or nothing where it does not."""
    found = {}
    for name, path in modules().items():
        if path.name != "__init__.py" or "." not in name:
            continue
        text = " ".join(_docstring(path).split())
        door = re.search(r"Door: `([\w.-]+)`", text)
        may = re.search(r"May import: ([\w., ]+?)\.(?:\s|$)", text)
        found[name] = Package(
            name,
            sentence(path),
            door[1] if door else "",
            frozenset(may[1].split(", ")) if may else frozenset(),
        )
    return found


def printed() -> str:
    """Return the map as DEVELOPERS.md prints it."""
    known, said = modules(), packages()
    lines = []
    for room in ROOMS:
        lines += [
            f"**`{room}/`** {sentence(known[room])}",
            "",
            "| where | what | door |",
            "|---|---|---|",
        ]
        for path in known.values():
            if path.name != "__init__.py" and package_of(path) == room:
                lines.append(f"| `{path.name}` | {sentence(path)} | |")
        for name, package in said.items():
            if name.startswith(f"{room}."):
                where = name.removeprefix(f"{room}.").replace(".", "/")
                lines.append(f"| `{where}/` | {package.purpose} | `{package.door}` |")
        lines.append("")
    return "\n".join(lines).rstrip()


def in_text(text: str) -> str:
    """Return the map that stands in a text between its marks."""
    return text.split(_BEGIN)[1].split(_END)[0].strip()


def main() -> None:
    """Write the map into DEVELOPERS.md, where it stood."""
    path = ROOT / "DEVELOPERS.md"
    head, rest = path.read_text().split(_BEGIN)
    tail = rest.split(_END)[1]
    path.write_text(f"{head}{_BEGIN}\n\n{printed()}\n\n{_END}{tail}")
    sys.stdout.write(f"{path.name}: map of {len(modules())} modules\n")


if __name__ == "__main__":
    main()
