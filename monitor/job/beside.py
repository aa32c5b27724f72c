"""Keeps what is next on the config's job, planned anew beside the watch after each event.

A process of its own plans: the watch only starts it and reads its answer once it has ended.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from monitor.config.model import Config
from monitor.job.read import read_job_file
from monitor.snapshot import NextStep
from rules.errors import FilmcallError
from rules.text import iso_utc
from rules.units import HOUR_S

EVERY_S = HOUR_S
LONGEST_S = 120.0
"""A plan that takes longer is given up until its next turn [s]."""


class JobKeeper:
    """The next step in each enclosure of one job.

    Attributes:
        steps: by enclosure.
        why: why there is no plan now, or "".
    """

    def __init__(self, config_file: Path, log: Path, now_s: Callable[[], float]) -> None:
        """Prepare; nothing is planned before the first look.

        Args:
            config_file: that names the job.
            log: by whose events the plan follows.
            now_s: the clock [s].
        """
        self.steps: dict[str, NextStep] = {}
        self.why = ""
        self._config_file, self._log, self._now_s = config_file, log, now_s
        self._child: subprocess.Popen[bytes] | None = None
        self._begun_s = self._due_s = 0.0
        self._events = -1

    @classmethod
    def of(
        cls, config: Config, config_file: Path, log: Path, now_s: Callable[[], float]
    ) -> JobKeeper | None:
        """Return the keeper of a config's job, or None where it names none.

        Raises:
            FilmcallError: the job cannot be used; the text names every fault with its line.
        """
        if config.job.file is None:
            return None
        known = {each.name for each in config.enclosures}
        for section in read_job_file(config.job.file).sections:
            if section.enclosure not in known:
                raise FilmcallError(
                    f"job {config.job.file}: section {section.name!r} stands in enclosure "
                    f"{section.enclosure!r}, which the config {config_file} does not have, so its "
                    f"steps could not be shown; write one of {', '.join(sorted(known))}"
                )
        return cls(config_file, log, now_s)

    def look(self, events: int) -> None:
        """Take up a plan that is ready, and begin another where one is due.

        Args:
            events: a number that changes with every event.
        """
        now_s = time.monotonic()
        if self._child is not None:
            if self._child.poll() is not None:
                self._take(self._child)
                self._child = None
            elif now_s - self._begun_s > LONGEST_S:
                self.stop()
                self.why = "planning takes too long"
            return
        if events != self._events or now_s >= self._due_s:
            self._events, self._begun_s, self._due_s = events, now_s, now_s + EVERY_S
            self._child = self._begin()

    def stop(self) -> None:
        """End a plan that is being made."""
        if self._child is not None:
            self._child.kill()
            self._child.communicate()
            self._child = None

    def _begin(self) -> subprocess.Popen[bytes] | None:
        root = str(Path(__file__).parents[2])
        paths = os.pathsep.join([root, *filter(None, [os.environ.get("PYTHONPATH")])])
        words = (str(self._config_file), str(self._log), iso_utc(self._now_s(), 0))
        try:
            return subprocess.Popen(
                [sys.executable, "-m", "monitor.job.next", *words],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env={**os.environ, "PYTHONPATH": paths},
            )
        except OSError as fault:
            self.steps, self.why = {}, f"no plan can be made ({fault.strerror})"
            return None

    def _take(self, child: subprocess.Popen[bytes]) -> None:
        answer, _ = child.communicate()
        try:
            told = json.loads(answer)
            self.steps = {name: NextStep(**step) for name, step in told.get("steps", {}).items()}
            self.why = str(told.get("why", ""))
        except (ValueError, TypeError, AttributeError):
            self.steps, self.why = {}, f"planning failed with status {child.returncode}"
