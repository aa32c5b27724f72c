"""Makes the outlook anew every ten minutes beside the watch, in a thread with its own open log.

An outlook takes up to a second on a small board, which a STOP may not wait for.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import NamedTuple

from monitor.config_types import EnclosureConfig
from monitor.pipeline import WHOLE
from monitor.store import Store
from rules.errors import FilmcallError
from rules.outlook import Ahead

EVERY_S = 600.0


class Asked(NamedTuple):
    """One section whose outlook is wanted, and when now is."""

    enclosure: str
    section: str


class Answer(NamedTuple):
    """What became of it: the outlook, or why there is none."""

    enclosure: str
    section: str
    ahead: Ahead | None
    why: str


def ahead_of(
    store: Store, config: EnclosureConfig, section: str, beside: Path | None, now_s: float
) -> Ahead:
    """Return what the log's outlook says of one section's limits.

    Raises:
        FilmcallError: there is too little log, or something that it needs is missing.
    """
    from monitor.outlook_run import make

    made = make(
        store,
        enclosure=config.name,
        section=None if section == WHOLE else section,
        config=config,
        beside=beside,
    )
    return Ahead(
        made_s=now_s,
        stage=made.stage,
        looked_ahead_s=made.outlook.looked_ahead_s,
        breaks=made.breaks,
        source=made.outlook.source,
    )


class OutlookKeeper:
    """Answers one section after the other; a slow or failed one never holds up the watch.

    Attributes:
        why: for each (enclosure, section), why it has no outlook now, or "".
    """

    def __init__(
        self,
        path: Path,
        configs: Mapping[str, EnclosureConfig],
        beside: Path | None,
        now_s: Callable[[], float],
    ) -> None:
        self.why: dict[tuple[str, str], str] = {}
        self._path = path
        self._configs = dict(configs)
        self._beside = beside
        self._now_s = now_s
        self._asked: queue.Queue[Asked | None] = queue.Queue()
        self._answers: queue.Queue[Answer] = queue.Queue()
        self._due_s: dict[tuple[str, str], float] = {}
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin to answer."""
        self._thread = threading.Thread(target=self._run, name="filmcall-outlook", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End after the answer that is being made; the program does not wait for it."""
        self._asked.put(None)

    def ask(self, enclosure: str, section: str, *, at_once: bool = False) -> None:
        """Ask for a section's outlook, where its turn has come or something changed."""
        key = (enclosure, section)
        now_s = time.monotonic()
        if at_once or now_s >= self._due_s.get(key, 0.0):
            self._due_s[key] = now_s + EVERY_S
            self._asked.put(Asked(enclosure, section))

    def answers(self) -> list[Answer]:
        """Return what has been answered since the last call."""
        found: list[Answer] = []
        while True:
            try:
                found.append(self._answers.get_nowait())
            except queue.Empty:
                return found

    def _run(self) -> None:
        while (asked := self._asked.get()) is not None:
            ahead, why = None, ""
            try:
                with Store.open(self._path, now_s=time.time, read_only=True) as store:
                    config = self._configs[asked.enclosure]
                    ahead = ahead_of(store, config, asked.section, self._beside, self._now_s())
            except FilmcallError as fault:
                why = str(fault)
            except Exception as fault:  # noqa: BLE001 (told; the watch must go on without it)
                why = f"the outlook failed: {type(fault).__name__}: {fault}"
            self.why[asked.enclosure, asked.section] = why
            self._answers.put(Answer(asked.enclosure, asked.section, ahead, why))
