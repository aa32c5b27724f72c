"""Writes what `filmcall doctor` found wrong in a config into it: shown first, and asked."""

from __future__ import annotations

import difflib
import os
import re
from collections.abc import Callable, Sequence
from pathlib import Path

from monitor.config.load import load_config
from monitor.doctor.checks import UnitFix
from rules.errors import FilmcallError

_HEAD = re.compile(r"\s*\[\[?\s*(?P<table>[\w.]+)\s*\]\]?\s*(?:#.*)?")
_KEY = re.compile(r"(?P<before>\s*(?P<key>name|quantity|unit)\s*=\s*)(?P<value>\"[^\"]*\"|'[^']*')")


def fixed_text(text: str, fixes: Sequence[UnitFix]) -> str:
    """Return a config's text with units corrected; comments and order stay as they are.

    Args:
        text: of the config.
        fixes: one for each quantity of a point whose unit is another.
    """
    lines = text.splitlines(keepends=True)
    for fix in fixes:
        for first, last, enclosure in _points(lines):
            keys = {
                found["key"]: (at, found)
                for at in range(first, last)
                if (found := _KEY.match(lines[at]))
            }
            said = {key: found["value"].strip("\"'") for key, (_, found) in keys.items()}
            if (enclosure, said.get("name"), said.get("quantity")) != fix.of:
                continue
            if "unit" in keys:
                at, found = keys["unit"]
                rest = lines[at][found.end() :]
                lines[at] = f'{found["before"]}"{fix.unit}"{rest}'
            else:
                lines.insert(keys["quantity"][0] + 1, f'unit = "{fix.unit}"\n')
            break
    return "".join(lines)


def _points(lines: Sequence[str]) -> list[tuple[int, int, str]]:
    """Where each point stands: its first line, the one past its last, its enclosure's name."""
    heads = [
        (at, found["table"])
        for at, line in enumerate(lines)
        if (found := _HEAD.fullmatch(line.strip()))
    ]
    ends = [at for at, _ in heads[1:]] + [len(lines)]
    points: list[tuple[int, int, str]] = []
    enclosure = ""
    for (at, table), end in zip(heads, ends, strict=True):
        if table == "enclosure":
            named = [found for line in lines[at + 1 : end] if (found := _KEY.match(line))]
            names = [found["value"].strip("\"'") for found in named if found["key"] == "name"]
            enclosure = names[0] if names else ""
        elif table == "enclosure.point":
            points.append((at + 1, end, enclosure))
    return points


def offer(path: Path, fixes: Sequence[UnitFix], may_write: Callable[[str], bool]) -> str:
    """Show what would change, and write it where that is wanted.

    Args:
        path: of the config.
        fixes: what was found.
        may_write: is given the change as a diff, and says whether to write it.

    Returns:
        What was done, for the last line.

    Raises:
        ConfigFault: the config would not be one any more, so that nothing was written.
    """
    with path.open(encoding="utf-8", newline="") as file:
        before = file.read()
    after = fixed_text(before, fixes)
    if after == before:
        return f"nothing in {path} can be corrected from here; the lines above say what to do"
    load_config(after, path.parent, str(path))
    change = "".join(
        difflib.unified_diff(
            before.splitlines(keepends=True),
            after.splitlines(keepends=True),
            str(path),
            f"{path}, corrected",
        )
    )
    if not may_write(change):
        return f"{path} was left as it is"
    beside = path.with_name(f"{path.name}.new")
    try:
        with beside.open("x", encoding="utf-8", newline="") as file:
            file.write(after)
        beside.chmod(path.stat().st_mode)
        os.replace(beside, path)  # whole or not at all, whatever happens in between
    except OSError as fault:
        raise FilmcallError(
            f"{path} cannot be written ({fault.strerror}), so it is as it was; see to {beside}, or "
            "correct it by hand"
        ) from None
    return f"{path} is corrected; start watch anew to use it"
