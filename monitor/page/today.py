"""Today's sheet for the page: what `filmcall today` prints, made in a process of its own."""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
import time
from pathlib import Path

from monitor.display import VARIABLE, display_units
from rules.text import printable

LIMIT_S = 30.0
YOUNG_S = 60.0
_MOST_BYTES = 100_000


class TodaySheet:
    """The sheet of a job; whoever asks within a minute gets the same one."""

    def __init__(
        self,
        job: Path,
        *,
        db: Path | None = None,
        forecast: Path | None = None,
        weather_year: Path | None = None,
    ) -> None:
        given = {"job": job, "db": db, "forecast": forecast, "weather-year": weather_year}
        self._words = ["today"]
        for name, file in given.items():
            self._words += [] if file is None else [f"--{name}", str(file)]
        self._lock = asyncio.Lock()
        self._made_s = float("-inf")
        self._text = ""

    async def text(self) -> str:
        """Return the sheet, or in one sentence why there is none."""
        async with self._lock:
            if time.monotonic() - self._made_s >= YOUNG_S:
                self._text = await self._make()
                self._made_s = time.monotonic()
            return self._text

    async def _make(self) -> str:
        root = str(Path(__file__).parents[2])
        paths = os.pathsep.join([root, *filter(None, [os.environ.get("PYTHONPATH")])])
        child = await asyncio.create_subprocess_exec(
            *(sys.executable, "-c", "from monitor.cli.app import main; main()", *self._words),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
            env={
                **os.environ,
                "PYTHONPATH": paths,
                "NO_COLOR": "1",
                VARIABLE: display_units(),
            },
        )
        try:
            out, err = await asyncio.wait_for(child.communicate(), LIMIT_S)
        except TimeoutError:
            with contextlib.suppress(ProcessLookupError):
                child.kill()
            await child.wait()
            return f"Today's sheet took over {LIMIT_S:.0f} s and was given up; try again later."
        said = (out if child.returncode == 0 else err)[:_MOST_BYTES].decode("utf-8", "replace")
        said = said.removeprefix("filmcall: ")
        return "\n".join(printable(line, 400) for line in said.strip().splitlines())
