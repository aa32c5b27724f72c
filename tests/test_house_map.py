"""The house's tree: what each package may import, no circles, and the map against the files."""

from __future__ import annotations

import re
from functools import cache
from graphlib import CycleError, TopologicalSorter

import pytest

from tests.support.house_map import (
    ROOMS,
    ROOT,
    imported,
    in_text,
    modules,
    package_of,
    packages,
    printed,
    sentence,
)

KNOWN = modules()
SAID = packages()


@cache
def _imports() -> dict[str, set[str]]:
    return {
        name: set(imported(path, KNOWN)) - {name}
        for name, path in KNOWN.items()
        if path.name != "__init__.py"
    }


def test_no_file_stands_in_a_circle() -> None:
    try:
        tuple(TopologicalSorter(_imports()).static_order())
    except CycleError as error:
        pytest.fail(" -> ".join(error.args[1]))


def test_no_package_stands_in_a_circle() -> None:
    """A package below a room is one node; a module that lies flat in its room is one by itself."""

    def node(name: str) -> str:
        package = package_of(KNOWN[name])
        return name if package in ROOMS else package

    edges: dict[str, set[str]] = {}
    for name, found in _imports().items():
        edges.setdefault(node(name), set()).update(node(other) for other in found)
    for name, found in edges.items():
        found.discard(name)
    try:
        tuple(TopologicalSorter(edges).static_order())
    except CycleError as error:
        pytest.fail(" -> ".join(error.args[1]))


@pytest.mark.parametrize("name", sorted(SAID))
def test_a_package_imports_what_it_says_and_says_no_more(name: str) -> None:
    found = {
        package_of(KNOWN[other])
        for module, others in _imports().items()
        if package_of(KNOWN[module]) == name
        for other in others
    } - {name}
    assert found == SAID[name].may_import


@pytest.mark.parametrize("name", sorted(SAID))
def test_a_package_has_a_purpose_and_a_door_that_is_there(name: str) -> None:
    package = SAID[name]
    assert package.purpose.endswith(".")
    assert package.door
    assert (ROOT / name.replace(".", "/") / package.door).is_file()
    init = KNOWN[name].read_text().strip()
    assert init.startswith('"""')
    assert init.endswith('"""'), "one docstring and nothing else"


def test_every_module_says_in_one_sentence_what_is_in_it() -> None:
    said = {name: sentence(path) for name, path in KNOWN.items()}
    assert {name: each for name, each in said.items() if not each or each[-1] not in ".:!"} == {}


def test_the_map_for_developers_is_the_houses_own() -> None:
    told = in_text((ROOT / "DEVELOPERS.md").read_text())
    assert told == printed(), "run: python -m tests.support.house_map"


def test_every_module_that_developers_are_sent_to_is_there() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text().split("<!-- end of map -->")[1]
    paths = re.findall(r"`([\w./-]+/[\w-]+\.(?:py|toml))(?:`|:)", text)
    assert "monitor/wire.py" in paths
    assert [path for path in paths if not (ROOT / path).is_file()] == []
