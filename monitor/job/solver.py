"""The solver in a process of its own, with limits of time and memory; never imported here."""

from __future__ import annotations

from rules.job.list_order import Layout
from rules.job.problem import Problem


def bettered(problem: Problem, layout: Layout | None, limit_s: float) -> tuple[Layout | None, int] | None:
    return None
