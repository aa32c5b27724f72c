"""Calls the constraint solver in a process of its own, with limits of time and memory.

The solver's library is never imported here, so that neither its size nor its faults reach the
program; where it is not installed the list order stands alone.
"""

from __future__ import annotations

import importlib.util
import os
import pickle
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from rules.job.list_order import list_plan
from rules.job.plan import lower_bound
from rules.job.problem import NEVER, Chain, Problem, Task
from rules.job.room import Layout

MEMORY_MB = 1000
WORKERS = 1  # one gives the same plan for the same job, and proves small jobs as fast as two
_START_S = 20.0  # what a slow computer may take to load the library and build the model


def is_installed() -> bool:
    """Return whether the solver's library is there."""
    return importlib.util.find_spec("ortools") is not None


def bettered(
    problem: Problem, layout: Layout | None, limit_s: float, workers: int = WORKERS
) -> tuple[Layout | None, int] | None:
    """Look for a better plan than one that is known.

    Args:
        problem: on the grid.
        layout: the known plan, or None.
        limit_s: how long the solver may look [s].
        workers: how many threads it may use.

    Returns:
        The best plan that was found, which may be none, and the slot before which no plan is
        done; None where the solver is not installed, or failed.
    """
    if not is_installed():
        return None
    root = str(Path(__file__).parents[2])
    paths = os.pathsep.join([root, *filter(None, [os.environ.get("PYTHONPATH")])])
    question = pickle.dumps((problem, layout, limit_s, workers, MEMORY_MB))
    try:
        ran = subprocess.run(
            [sys.executable, "-m", "monitor.job.cp_model"],
            input=question,
            capture_output=True,
            timeout=limit_s + _START_S,
            env={**os.environ, "PYTHONPATH": paths},
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired):
        return None
    if ran.returncode != 0:
        return None
    found, bound = pickle.loads(ran.stdout)
    if found is None and bound >= NEVER:
        # Nothing as early as the known plan: there is none at all, or that is the best.
        return (layout, layout.finish) if layout is not None else (None, NEVER)
    return found, int(bound)


def job_shop_makespan(
    jobs: Sequence[Sequence[tuple[int, int]]], limit_s: float
) -> tuple[int, bool]:
    """Return the least time for a job shop, by the model that plans are made with.

    Args:
        jobs: each a list of (machine, duration), in order.
        limit_s: how long the solver may look [s].

    Returns:
        The makespan of the best schedule found, and whether it is proved that none is shorter.
    """
    problem = _shop_problem(jobs)
    layout = list_plan(problem)
    bound = lower_bound(problem)
    answer = bettered(problem, layout, limit_s)
    if answer is not None:
        bound = max(bound, answer[1])
        if answer[0] is not None and (layout is None or answer[0].finish < layout.finish):
            layout = answer[0]
    finish = problem.slots if layout is None else layout.finish
    return finish, finish <= bound


def _shop_problem(jobs: Sequence[Sequence[tuple[int, int]]]) -> Problem:
    """A job is a section, an operation a coat without a window, a machine a resource."""
    slots = sum(length for job in jobs for _, length in job)
    chains = []
    for number, job in enumerate(jobs):
        tasks = []
        for n, (machine, length) in enumerate(job):
            ahead = sum(each for _, each in job[:n])
            behind = sum(each for _, each in job[n:])
            starts = np.arange(ahead, slots - behind + 1)
            end = starts + length
            never = np.full(starts.size, NEVER)
            tasks.append(
                Task(n + 1, length, starts, end, never, end, end, end, end, resource=machine)
            )
        chains.append(Chain(str(number), "shop", tuple(tasks)))
    left = np.append(slots - np.arange(slots), 0)
    return Problem(0.0, slots, 0, left, tuple(chains), slots)
