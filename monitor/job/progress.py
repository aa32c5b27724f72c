"""What is being done while a plan is made, on a terminal's standard error and nowhere else."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Told = Callable[[str], None]


def silent(_words: str) -> None:
    """Say nothing."""


@contextmanager
def progress() -> Iterator[Told]:
    """Show a line with the time that has passed, gone again at the end; what is called sets it."""
    if not sys.stderr.isatty():
        yield silent
        return
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn())
    with Progress(*columns, console=Console(file=sys.stderr), transient=True) as bar:
        task = bar.add_task("reading")
        yield lambda words: bar.update(task, description=words, refresh=True)
