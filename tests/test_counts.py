"""One is one: no line that a user sees counts `1 readings`.

Found in the source itself: a place in an f-string, right before a word in the plural, whose value
is a count. What can never be one is named here with why.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from rules.text import counted

ROOT = Path(__file__).parents[1]
COUNT = re.compile(r"\blen\(|count|_rows\b|\.size\b|\bdays\b|DAY_S|thinned|left\b|gaps\b")
PLURAL = re.compile(r" (?:[a-z]+ ){0,2}[a-z]+s\b")
NEVER_ONE = {
    "len(names)": "asked for only where there are several, or an upper bound was passed",
    "len(fitting)": "one that fits is taken",
    "len(each.topics)": "one topic is as it should be",
    "(now_s - before.made_s) / DAY_S": "over the days for which a calibration holds",
    "len(raw)": "over 107",
    "count": "over the most that a forecast may have",
    "len(found)": "over the most that a forecast may have",
    "len(points)": "one reference point is taken",
    "days / 365.0": "over a thousand days",
}
NO_NOUN = ("is", "was", "has", "says", "does", "holds", "this", "less", "takes")


def bare_counts() -> Iterator[tuple[str, str]]:
    for folder in ("monitor", "sensors"):
        for file in sorted((ROOT / folder).glob("*.py")):
            for node in ast.walk(ast.parse(file.read_text("utf-8"))):
                if not isinstance(node, ast.JoinedStr):
                    continue
                for value, text in pairwise(node.values):
                    if not isinstance(value, ast.FormattedValue):
                        continue
                    said = ast.unparse(value.value)
                    noun = PLURAL.match(str(getattr(text, "value", "")))
                    if noun and COUNT.search(said) and noun[0].split()[-1] not in NO_NOUN:
                        yield f"{file.name}: {{{said}}}{noun[0]}", said


@pytest.mark.parametrize(
    ("number", "said"), [(0, "0 readings"), (1, "1 reading"), (2, "2 readings")]
)
def test_a_count_agrees_with_what_it_counts(number: int, said: str) -> None:
    assert counted(number, "reading") == said


def test_no_count_stands_bare_before_a_plural() -> None:
    found = [(where, said) for where, said in bare_counts() if "counted(" not in said]
    assert [where for where, said in found if said not in NEVER_ONE] == []
