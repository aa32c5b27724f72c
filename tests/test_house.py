"""The house's own rules: who may import whom, purity of `rules`, sizes, and what never appears."""

from __future__ import annotations

import ast
import importlib
import inspect
import re
from abc import ABC
from collections.abc import Callable, Iterator
from enum import Enum
from functools import lru_cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ROOMS = ("sensors", "rules", "monitor")
MODULES = [path for room in ROOMS for path in sorted((ROOT / room).rglob("*.py"))]
SHARED = {"rules.vocabulary", "rules.units", "rules.errors", "rules.text", "rules.numbers"}
"""What `sensors` may import of `rules`."""
IMPURE = {
    "time", "os", "io", "pathlib", "socket", "subprocess", "sqlite3", "tempfile",
    "shutil", "random", "secrets", "importlib", "threading", "asyncio", "urllib", "http",
}  # fmt: skip


@lru_cache(maxsize=1)
def nodes(path: Path) -> tuple[ast.AST, ...]:
    return tuple(ast.walk(ast.parse(path.read_text())))


def imports(path: Path) -> Iterator[str]:
    for node in nodes(path):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module is not None:
            yield node.module


def test_the_rooms_were_found() -> None:
    assert len(MODULES) > 40


@pytest.mark.parametrize("name", sorted(SHARED))
def test_what_sensors_share_with_rules_needs_nothing_else_of_rules(name: str) -> None:
    path = ROOT / (name.replace(".", "/") + ".py")
    assert not {found for found in imports(path) if found.startswith("rules.")} - SHARED


# What every module is held to: each yields what is wrong with one.


def data_walks_one_way(path: Path) -> Iterator[str]:
    room = path.relative_to(ROOT).parts[0]
    forbidden = {"rules": {"sensors", "monitor"}, "sensors": {"rules", "monitor"}}.get(room, set())
    shared = SHARED if room == "sensors" else set()
    tops = {name.split(".")[0] for name in imports(path) if name not in shared}
    yield from (f"imports {top}" for top in tops & (forbidden | {"tests"}))


def rules_read_no_clock_file_socket_or_environment(path: Path) -> Iterator[str]:
    if path.relative_to(ROOT).parts[0] != "rules":
        return
    yield from {f"imports {name}" for name in imports(path) if name.split(".")[0] in IMPURE}
    for node in nodes(path):
        if (
            isinstance(node, ast.Call)
            and isinstance(node.func, ast.Name)
            and node.func.id in {"open", "print", "input", "eval", "exec", "__import__"}
        ):
            yield f"line {node.lineno}: calls {node.func.id}"
        if isinstance(node, ast.Attribute) and node.attr in {
            *("now", "utcnow", "today", "read_text", "write_text")
        }:
            yield f"line {node.lineno}: .{node.attr}"


def modules_open_with_their_place_and_stay_small(path: Path) -> Iterator[str]:
    text = path.read_text()
    if text.strip():
        module = nodes(path)[0]
        assert isinstance(module, ast.Module)
        if not ast.get_docstring(module):
            yield "no docstring"
    if len(text.splitlines()) > 700:
        yield "past 700 lines: look whether it is one purpose"


def no_bare_except_no_assert_on_input(path: Path) -> Iterator[str]:
    for node in nodes(path):
        if isinstance(node, ast.Assert):
            yield f"line {node.lineno}: an assert"
        if isinstance(node, ast.ExceptHandler) and (
            node.type is None or [type(each) for each in node.body] == [ast.Pass]
        ):
            yield f"line {node.lineno}: catches all, or says nothing"


def no_class_is_cut_over_files_by_inheritance(path: Path) -> Iterator[str]:
    if path.name == "__init__.py":
        return
    module = importlib.import_module(".".join(path.relative_to(ROOT).with_suffix("").parts))
    package = module.__name__.rpartition(".")[0]
    for name, each in inspect.getmembers(module, inspect.isclass):
        if each.__module__ != module.__name__ or issubclass(each, BaseException | Enum | ABC):
            continue
        for base in each.__bases__:
            near = base.__module__.rpartition(".")[0] == package
            if near and base.__module__ != module.__name__ and not _is_protocol(base):
                yield f"{name} is cut over two files: the rest of it is {base.__module__}'s"


def _is_protocol(each: type) -> bool:
    return bool(getattr(each, "_is_protocol", False))


ONE_PLACE_OF_NUMBER = {
    273.15: "rules/units.py",
    1.8: "rules/units.py",
    459.67: "rules/units.py",
    86_400.0: "rules/units.py",
}
MAY_SAY_ALL = {"rules/vocabulary.py", "rules/review/seen.py"}  # there a word of a description
SHOWS_TIMES, SHOWS_DURATIONS = "rules/text.py", "rules/text.py"
_DURATION = re.compile(r"^ ?(s|min|h|d|hours?|minutes?)\b(?! ?/)")


def no_second_copy_of_what_all_share(path: Path) -> Iterator[str]:
    """Factors of units, the word for all sections, ways to show a time, an escape, a zone."""
    place = str(path.relative_to(ROOT))
    for node in nodes(path):
        at = f"line {getattr(node, 'lineno', 0)}: "
        if isinstance(node, ast.Constant):
            if type(node.value) in (int, float):
                where = ONE_PLACE_OF_NUMBER.get(node.value, place)
                if where != place:
                    yield f"{at}{node.value} belongs to {where}"
            if node.value == "all" and place not in MAY_SAY_ALL:
                yield f"{at}'all' is vocabulary.ALL_SECTIONS"
        if isinstance(node, ast.Attribute):
            if node.attr in ("strftime", "isoformat") and place != SHOWS_TIMES:
                yield f"{at}a time is shown by {SHOWS_TIMES}"
            if node.attr == "unicode_escape" or (
                node.attr == "ZoneInfoNotFoundError" and place != "sensors/zones.py"
            ):
                yield f"{at}{node.attr}"
        if isinstance(node, ast.FormattedValue) and node.format_spec is not None:
            spec = ast.unparse(node.format_spec)
            if re.search(r"%[YmdHMSab]", spec) and place != SHOWS_TIMES:
                yield f"{at}a time is shown by {SHOWS_TIMES}"
        if (
            isinstance(node, ast.Call)
            and isinstance(node.func, ast.Name)
            and node.func.id == "ZoneInfo"
            and place != "sensors/zones.py"
        ):
            yield f"{at}a zone is looked up by sensors/zones.py"


def no_duration_is_worded_a_second_time(path: Path) -> Iterator[str]:
    """A quotient by 60, 3600 or a day that is put into text is a duration in words."""
    if str(path.relative_to(ROOT)) == SHOWS_DURATIONS:
        return
    for node in nodes(path):
        if not isinstance(node, ast.JoinedStr):
            continue
        for value, after in zip(node.values, [*node.values[1:], None], strict=True):
            if isinstance(value, ast.FormattedValue) and isinstance(after, ast.Constant):
                quotient = any(isinstance(each, ast.Div) for each in ast.walk(value.value))
                if quotient and _DURATION.match(str(after.value)):
                    yield f"line {node.lineno}: {ast.unparse(node)}: rules.text words it"


RULES: tuple[Callable[[Path], Iterator[str]], ...] = (
    data_walks_one_way,
    rules_read_no_clock_file_socket_or_environment,
    modules_open_with_their_place_and_stay_small,
    no_bare_except_no_assert_on_input,
    no_class_is_cut_over_files_by_inheritance,
    no_second_copy_of_what_all_share,
    no_duration_is_worded_a_second_time,
)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_module_keeps_the_rules_of_the_house(path: Path) -> None:
    found = [f"{rule.__name__}: {each}" for rule in RULES for each in rule(path)]
    assert found == [], "\n".join(found)


def test_open_stages_and_clocks_of_steps_are_listed_once() -> None:
    open_stages, pairs = [], []
    for path in MODULES:
        for node in nodes(path):
            if not isinstance(node, ast.Dict | ast.Tuple):
                continue
            words = [each.attr for each in ast.walk(node) if isinstance(each, ast.Attribute)]
            if isinstance(node, ast.Tuple) and words == ["APPLY", "FLASH", "CURE"]:
                open_stages.append(path.name)
            if words.count("RECOAT_OPENS") == 2:
                pairs.append(path.name)
    assert open_stages == ["vocabulary.py"]
    assert pairs == ["vocabulary.py"]


def test_nothing_of_this_machine_is_named() -> None:
    for folder in (*ROOMS, "tests", "examples", "deploy", "benchmarks"):
        for path in (ROOT / folder).rglob("*"):
            if path.suffix in {".py", ".md", ".toml", ".sh", ".conf", ".service", ".txt"}:
                found = re.search(r"(?<![\w.])/(?:work|root)/\w", path.read_text())
                assert found is None, f"{path} names a path of somebody's machine"
