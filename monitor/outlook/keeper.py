"""Makes the outlook anew every ten minutes beside the watch, in a thread with its own open log.

An outlook takes up to a second on a small board, which a STOP may not wait for.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from monitor.config.model import EnclosureConfig
from monitor.heap import give_back
from monitor.log.log import Store
from monitor.outlook.forecast import ForecastKeeper
from monitor.snapshot import OutlookBands
from rules.errors import FilmcallError
from rules.text import duration_text
from rules.trend import AHEAD_COUNTS_S, EarlierOutlook
from rules.vocabulary import ALL_SECTIONS

if TYPE_CHECKING:
    from rules.clocks.history import TemperatureOutlook
    from sensors.forecast import ForecastHours

EVERY_S = 600.0
LEAST_S = 30.0
AGAIN_S = 60.0  # after one that failed, as before there is enough log
FORECAST_EVERY_S = 10.0
# One outlook takes some tenths of a second of a core: those of many sections come one by one after
# a start, or after a new forecast, and so go on.
APART_S = 3.0


class TooOld(FilmcallError):
    """The log's last reading is too old to look ahead from."""


class OutlookRequest(NamedTuple):
    """One section whose outlook is wanted, and when now is."""

    enclosure: str
    section: str


class OutlookReply(NamedTuple):
    """What became of it: the outlook, or why there is none.

    Attributes:
        enclosure: whose.
        section: whose.
        ahead: what it says of the limits, or None.
        why: why there is none, or "".
        bands: for the screen, or None.
        surface: for the clocks, or None.
    """

    enclosure: str
    section: str
    ahead: EarlierOutlook | None
    why: str
    bands: OutlookBands | None = None
    surface: TemperatureOutlook | None = None


class SectionOutlook(NamedTuple):
    """One section's outlook as limits, screen and clocks need it."""

    ahead: EarlierOutlook
    bands: OutlookBands
    surface: TemperatureOutlook


def look_ahead(
    store: Store,
    config: EnclosureConfig,
    section: str,
    beside: Path | None,
    now_s: float,
    *,
    forecast: ForecastHours | None = None,
) -> SectionOutlook:
    """Return what the log's outlook says of one section.

    Args:
        store: the log.
        config: of the enclosure.
        section: whose surface; "all" for an enclosure without sections.
        beside: the folder that spec files count from.
        now_s: when it is made [s].
        forecast: outdoor hours, or None.

    Raises:
        FilmcallError: there is too little log, or something that it needs is missing.
    """
    from monitor.outlook.clocks import bands_of, temperature_outlook
    from monitor.outlook.make import make

    made = make(
        store,
        enclosure=config.name,
        section=None if section == ALL_SECTIONS else section,
        config=config,
        beside=beside,
        forecast=forecast,
    )
    age_s = now_s - made.outlook.made_s
    if not -60.0 <= age_s <= AHEAD_COUNTS_S:
        raise TooOld(
            f"the log's last reading is {duration_text(age_s)} old, so no outlook rests on it yet"
        )
    last, made_s = made.last_start, made.outlook.made_s
    ahead = EarlierOutlook(
        made_s=made.outlook.made_s,
        stage=made.stage,
        looked_ahead_s=made.outlook.looked_ahead_s,
        breaks=made.breaks,
        source=made.outlook.source,
        last_start_s=None if last is None else made_s + last.start_s,
        last_start_limit=None if last is None else last.limit,
    )
    bands = bands_of(made.outlook, forecast, now_s)
    if forecast is not None and not made.by_forecast:
        bands = replace(bands, by_log_why=" ".join(made.outlook.notes))
    return SectionOutlook(ahead, bands, temperature_outlook(made.outlook))


class OutlookKeeper:
    """Answers one section after the other; a slow or failed one never holds up the watch.

    Attributes:
        why: for each (enclosure, section), why it has no outlook now, or "".
        forecast: the hours of weather that the config names, or None.
    """

    def __init__(
        self,
        path: Path,
        configs: Mapping[str, EnclosureConfig],
        beside: Path | None,
        now_s: Callable[[], float],
        forecast: ForecastKeeper | None = None,
        least_s: float = LEAST_S,
        steady_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """Begin with nothing asked.

        Args:
            path: the log's file.
            configs: the enclosures by name.
            beside: the folder that spec files count from.
            now_s: the time that calls go by [s].
            forecast: the hours of weather that the config names, or None.
            least_s: a section is asked about again no sooner, whatever changes [s].
            steady_s: a clock that nobody sets [s].
        """
        self._steady_s = steady_s
        self.forecast = forecast
        self._least_s = least_s
        self.why: dict[tuple[str, str], str] = {}
        self._path = path
        self._configs = dict(configs)
        self._beside = beside
        self._now_s = now_s
        self._asked: queue.Queue[OutlookRequest | None] = queue.Queue()
        self._answers: queue.Queue[OutlookReply] = queue.Queue()
        self._due_s: dict[tuple[str, str], float] = {}
        self._last_s: dict[tuple[str, str], float] = {}
        self._free_s = 0.0
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
        now_s = self._steady_s()
        due_s = self._due_s.get(key)
        if due_s is None:
            self._due_s[key] = due_s = max(now_s, self._free_s)
            self._free_s = due_s + min(APART_S, EVERY_S / max(1, len(self._configs)))
        if at_once:  # but no faster than once in half a minute, whatever changes to and fro
            due_s = min(due_s, self._last_s.get(key, -self._least_s) + self._least_s)
        if now_s >= due_s:
            self._last_s[key], self._due_s[key] = now_s, now_s + EVERY_S
            self._asked.put(OutlookRequest(enclosure, section))

    def answers(self) -> list[OutlookReply]:
        """Return what has been answered since the last call."""
        found: list[OutlookReply] = []
        while True:
            try:
                found.append(self._answers.get_nowait())
            except queue.Empty:
                return found

    def _run(self) -> None:
        while True:
            try:
                asked = self._asked.get(timeout=FORECAST_EVERY_S)
            except queue.Empty:
                self._look_at_forecast()
                continue
            if asked is None:
                return
            self._look_at_forecast()
            self._answers.put(self._answer(asked))
            give_back()  # days of the log were read for it

    def _look_at_forecast(self) -> None:
        """Read what has changed of the forecast; every section is due anew where it has."""
        if self.forecast is not None and self.forecast.look():
            self._free_s = 0.0
            self._due_s.clear()

    def _answer(self, asked: OutlookRequest) -> OutlookReply:
        key, now_s = (asked.enclosure, asked.section), self._now_s()
        looked, why = None, ""
        try:
            # Anew each time: a log held open keeps the watch from a disk that can be written again.
            with Store.open(self._path, now_s=time.time, read_only=True) as store:
                looked = look_ahead(
                    store,
                    self._configs[asked.enclosure],
                    asked.section,
                    self._beside,
                    now_s,
                    forecast=None if self.forecast is None else self.forecast.hours,
                )
        except FilmcallError as fault:
            why = str(fault)
        except Exception as fault:  # noqa: BLE001 (told; the watch must go on without it)
            why = f"the outlook failed: {type(fault).__name__}: {fault}"
        self.why[key] = why
        if looked is None:
            self._due_s[key] = min(self._due_s.get(key, 0.0), self._steady_s() + AGAIN_S)
            return OutlookReply(*key, None, why)
        return OutlookReply(*key, looked.ahead, why, looked.bands, looked.surface)
