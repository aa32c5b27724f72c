"""The solver's process: apart from the program, held in bounds, and not missed where it fails."""

from __future__ import annotations

import ast
import itertools
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from monitor.job import solver
from rules.job.list_order import list_plan
from rules.job.problem import Problem

ROOT = Path(__file__).parents[3]
SHOP = [[(0, 3), (1, 2), (2, 2)], [(0, 2), (2, 1), (1, 4)], [(1, 4), (2, 3)]]


def problem() -> Problem:
    return solver._shop_problem(SHOP)


def test_its_library_is_imported_by_its_own_process_alone() -> None:
    found = [
        path.name
        for room in ("sensors", "rules", "monitor")
        for path in (ROOT / room).rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("ortools")
    ]
    assert set(found) == {"cp_model.py"}
    code = "import sys, monitor.job.solver as s; s.job_shop_makespan([[(0, 3)], [(0, 2)]], 5.0);"
    code += "print('ortools' in sys.modules)"
    ran = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert ran.stdout.strip() == "False", ran.stderr


@pytest.mark.parametrize("program", ["no-such-python", "/bin/false"])
def test_where_its_process_fails_the_list_order_stands(
    program: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "executable", program)
    monkeypatch.setattr(solver, "is_installed", lambda: True)
    assert solver.bettered(problem(), None, 1.0) is None
    layout = list_plan(problem())
    assert layout is not None
    assert solver.job_shop_makespan(SHOP, 1.0)[0] == layout.finish


def test_without_its_library_the_list_order_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(solver, "is_installed", lambda: False)
    makespan, proved = solver.job_shop_makespan(SHOP, 1.0)
    # By hand: machine 1 is busy for 10; the third job begins on it, and 11 is the best there is.
    assert makespan >= 11
    assert not proved or makespan == 11


def test_a_small_shop_is_the_one_on_paper() -> None:
    pytest.importorskip("ortools")
    assert solver.job_shop_makespan(SHOP, 10.0) == (11, True)


def test_a_list_order_leaves_no_machine_to_two() -> None:
    found = list_plan(problem())
    assert found is not None
    chains = problem().chains
    for machine in range(3):
        spans = sorted(
            (step.start, step.end)
            for step in found.steps
            if chains[step.chain].tasks[step.coat - 1].resource == machine
        )
        assert all(a[1] <= b[0] for a, b in itertools.pairwise(spans))
    assert np.max([step.end for step in found.steps]) == found.finish
