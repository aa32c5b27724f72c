"""One watched enclosure with all that follows it: films, calls told, outlooks, what has ended."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from monitor.enclosure import Enclosure
from monitor.films import FilmKeeper
from monitor.live.section_ends import ended_sections
from monitor.snapshot import OutlookBands
from monitor.tell import Teller

LATE_WAIT_S = 60.0
"""What came late is taken from the log together: the clocks are reckoned once a minute [s]."""

ENDS_EVERY_S = 60.0


@dataclass(slots=True)
class WatchedEnclosure:
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
        unsure: sections that may have ended before, so that they end without another note; None
            once that is known.
        ended_s: when each section ended that events named [s].
        ends_s: when to look next for what has ended [s].
    """

    enclosure: Enclosure
    keeper: FilmKeeper
    teller: Teller
    events_row: int
    bands: dict[str, OutlookBands] = field(default_factory=dict)
    outlook_why: dict[str, str] = field(default_factory=dict)
    load_s: float | None = None
    late_from_s: float = math.inf
    unsure: set[str] | None = None
    ended_s: dict[str, float] = field(default_factory=dict)
    ends_s: float = -math.inf

    def came_late(self, time_s: float, now_s: float) -> None:
        """Note that readings from `time_s` came now, of which only the log will know [s]."""
        self.late_from_s = min(self.late_from_s, time_s)
        self.load_s = now_s + LATE_WAIT_S if self.load_s is None else self.load_s

    def load_due(self, now_s: float) -> bool:
        """Return whether temperatures are to be taken from the log now [s]."""
        return self.load_s is not None and not 0.0 < self.load_s - now_s <= LATE_WAIT_S

    def clock_mended(self, now_s: float, *, was_wrong: bool) -> None:
        """Take up again what ended while the clock ran ahead; whether it had before is not known.

        Args:
            now_s: what the clock says now, which is believed [s].
            was_wrong: it was not believed until now, so what the log has is to be read anew.
        """
        later = {name for name, ended_s in self.ended_s.items() if ended_s > now_s}
        for name in sorted(later):
            del self.ended_s[name]
        again = later - self.enclosure.sections.keys()
        for name in sorted(again):
            self.enclosure.ensure_section(name)
        if again:
            self.unsure = again | (self.unsure or set())
        self.load_s = self.ends_s = now_s
        self.late_from_s = -math.inf if was_wrong else self.late_from_s

    def end_sections(self, now_s: float) -> list[tuple[str, str]]:
        """Watch no more what only events named and has ended, once a minute or when `ends_s` says.

        Years of events are some milliseconds' work, and without a new one nothing ends by the
        second.

        Args:
            now_s: now [s].

        Returns:
            Each such section with the note for the log.
        """
        if 0.0 < self.ends_s - now_s <= ENDS_EVERY_S:
            return []
        self.ends_s = now_s + ENDS_EVERY_S
        ended = list(ended_sections(self.enclosure, self.keeper, now_s))
        for name, _ in ended:
            self.enclosure.end_section(name)
            self.keeper.forget(name)
            self.bands.pop(name, None)
            self.outlook_why.pop(name, None)
            self.ended_s[name] = now_s
        return ended
