"""The lines of keys, against a text laid out by hand and against tomllib's own reading."""

from __future__ import annotations

import tomllib
from importlib.resources import files
from pathlib import Path as File

import pytest

from rules.spec.read import FAMILIES, new_spec_text
from rules.toml_table import Faults, Path, TomlFault, key_lines, parsed

AWKWARD = r'''# a comment with [table] and key = 1
name = "x [no] # no"           # line 2
"quoted key".dotted = 1
[a.b]
c = { d = "1 } , ]", e = [ {f = 1}, # a comment within
  {f = 2}] }
text = """
[not.a.table]
key = 1 """"
raw = ''' + "''' ' [x] '''" + r'''
[[z]]
k = 1
[z.s]
j = 1.5
[[z]]
k = 2024-01-01T00:00:00
[[z.y]]
n = "a\"b = 3"
[ "10 degC" . 'u' ]
v = -1
windows = 'C:\'
'''  # fmt: skip

# Counted by eye in the text above.
EXPECTED: dict[Path, int] = {
    ("name",): 2,
    ("quoted key", "dotted"): 3,
    ("a", "b"): 4,
    ("a", "b", "c", "d"): 5,
    ("a", "b", "c", "e", 0, "f"): 5,
    ("a", "b", "c", "e", 1, "f"): 6,
    ("a", "b", "text"): 7,
    ("a", "b", "raw"): 10,
    ("z", 0, "k"): 12,
    ("z", 0, "s", "j"): 14,
    ("z", 1): 15,
    ("z", 1, "k"): 16,
    ("z", 1, "y", 0, "n"): 18,
    ("10 degC", "u"): 19,
    ("10 degC", "u", "v"): 20,
    ("10 degC", "u", "windows"): 21,
}


@pytest.mark.parametrize("path", EXPECTED, ids=str)
@pytest.mark.parametrize("ending", ["\n", "\r\n"], ids=["lf", "crlf"])
def test_a_key_is_found_on_its_line(path: Path, ending: str) -> None:
    text = AWKWARD.replace("\n", ending)
    tomllib.loads(text)
    assert key_lines(text)[path] == EXPECTED[path]


def test_no_key_is_made_up() -> None:
    assert set(key_lines(AWKWARD)) == set(_paths(tomllib.loads(AWKWARD)))


TEXTS = {
    **{
        entry.name: entry.read_text(encoding="utf-8")
        for entry in files("rules.specs").iterdir()
        if entry.name.endswith(".toml")
    },
    **{f"new {family}": new_spec_text("a-new-one", family) for family in FAMILIES},
    "pyproject": (File(__file__).parents[2] / "pyproject.toml").read_text(encoding="utf-8"),
}


@pytest.mark.parametrize("text", TEXTS.values(), ids=TEXTS)
def test_every_key_that_tomllib_reads_stands_on_the_line_named(text: str) -> None:
    found = key_lines(text)
    written = text.splitlines()
    paths = _paths(tomllib.loads(text))
    assert set(found) == set(paths)
    for path in paths:
        if isinstance(path[-1], str):
            assert path[-1] in written[found[path] - 1], path


def _paths(value: object, path: Path = ()) -> list[Path]:
    """Return every path that tomllib's reading has."""
    below: list[tuple[str | int, object]] = []
    if isinstance(value, dict):
        below = list(value.items())
    elif isinstance(value, list):
        below = list(enumerate(value))
    found = [path] if path else []
    for key, inner in below:
        found += _paths(inner, (*path, key))
    return found


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        # One key of 64 KiB is 32,768 tables within each other, and took 22 s and 3.9 GiB.
        (".".join("a" * 32_768) + " = 1", "line 1: has over 40 dots in one line; "),
        ("[" + ".".join("a" * 32_768) + "]", "line 1: has over 40 dots in one line; "),
        ("\n".join(f"a.b{n}.c = 1" for n in range(60_000)), "line 1: has 60000 keys, over the 50"),
        ("a = 'b'\n" * 2_000_000, "line 1: is longer than 2000000 letters; "),
        ("b = 2\na = " + "9" * 5000, "line 2: holds a number too long to be read; "),
        ("a = " + "[" * 100_000, "line 1: is nested too deeply; "),
        ("a = " + "{a=" * 40_000, "line 1: is nested too deeply; "),
    ],
    ids=["dotted key", "dotted header", "keys", "letters", "digits", "lists", "tables"],
)
def test_what_no_person_writes_is_refused_at_once(text: str, sentence: str) -> None:
    with pytest.raises(TomlFault) as caught:
        parsed(text)
    assert str(caught.value).startswith(sentence)


def test_leading_dots_and_prose_are_no_dotted_key() -> None:
    values, _ = parsed("# " + "." * 90 + "\nwords = '" + "Wash. Wipe. Wait. " * 13 + "'")
    assert list(values) == ["words"]


def test_only_the_first_words_of_a_file_are_compared_with_each_that_was_meant() -> None:
    """2,250 bad time zones took 13 s: each was held against 600 names."""
    faults = Faults({})
    assert [faults.near("spek", ["spec"]) for _ in range(60)] == ["spec"] * 50 + [""] * 10
