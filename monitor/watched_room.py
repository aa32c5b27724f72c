"""One enclosure as the live loop keeps it: its points and calls, and what follows them."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from monitor.film_keeper import FilmKeeper
from monitor.pipeline import Enclosure
from monitor.snapshot import OutlookBands
from monitor.telling import Teller

LATE_WAIT_S = 60.0
"""What came late is taken from the log together: the clocks are reckoned once a minute [s]."""


@dataclass(slots=True)
class Room:
    """One enclosure with what follows it.

    Attributes:
        enclosure: with its points and sections.
        keeper: of its films.
        teller: of its calls.
        events_row: the last row of its events that was seen.
        bands: the next hours of each section, for the screen.
        outlook_why: why a section has no outlook, where it has been asked for one.
        load_s: when temperatures are to be taken from the log, or None [s].
        late_from_s: the earliest of what came late and was not taken yet; infinity where nothing
            did [s].
    """

    enclosure: Enclosure
    keeper: FilmKeeper
    teller: Teller
    events_row: int
    bands: dict[str, OutlookBands] = field(default_factory=dict)
    outlook_why: dict[str, str] = field(default_factory=dict)
    load_s: float | None = None
    late_from_s: float = math.inf

    def came_late(self, time_s: float, now_s: float) -> None:
        """Note that readings from `time_s` came now, of which only the log will know [s]."""
        self.late_from_s = min(self.late_from_s, time_s)
        self.load_s = now_s + LATE_WAIT_S if self.load_s is None else self.load_s

    def load_due(self, now_s: float) -> bool:
        """Return whether temperatures are to be taken from the log now [s]."""
        return self.load_s is not None and not 0.0 < self.load_s - now_s <= LATE_WAIT_S
