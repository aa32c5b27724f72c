"""One snapshot seen in one theme: what every panel draws from, and how a piece gets its style."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import tzinfo

from rich.style import Style
from rich.text import Text

from monitor.screen.sentence import limit_of
from monitor.screen.theme import Theme
from monitor.snapshot import Snapshot
from rules.reasons import Reason
from rules.section import SectionCall
from rules.text import clean
from rules.vocabulary import LimitName, LimitState
from sensors.zones import zone_or_utc

ROLE = {
    LimitState.OK: "ok",
    LimitState.NEAR: "near",
    LimitState.BROKEN: "broken",
    LimitState.UNKNOWN: "unknown",
}
"""In which role of the theme a limit's state is drawn."""


@dataclass(frozen=True, slots=True)
class View:
    """What is to be drawn.

    Attributes:
        snapshot: of one enclosure.
        theme: colours, units and hours.
    """

    snapshot: Snapshot
    theme: Theme

    @property
    def worst(self) -> SectionCall | None:
        """The call that the screen is about; None where nothing has been evaluated."""
        return self.snapshot.calls[0] if self.snapshot.calls else None

    @property
    def zone(self) -> tzinfo:
        """The zone that people there use."""
        return zone_or_utc(self.snapshot.timezone)

    def part(self, text: str, role: str = "") -> Text:
        """Return text in a role's style."""
        return Text(text, style=self.theme.style(role)) if role else Text(text)

    def piece(self, text: str, role: str) -> tuple[str, Style]:
        """Return text and a role's style, for `pieces.join`."""
        return text, self.theme.style(role)

    def label(self, text: str) -> tuple[str, Style]:
        """Return what stands before a figure, with the blank between, for `pieces.join`."""
        return self.piece(f"{text} ", "label")

    def when(self, time_s: float) -> str:
        """Return a time as people there say it."""
        return self.theme.hour_and_day(time_s, self.zone, self.snapshot.time_s)

    def section_word(self, section: str) -> str:
        """Return a section's name, cleaned."""
        return clean(section)

    def reason_of(self, name: LimitName) -> Reason | None:
        """Return what the worst call says of a limit."""
        if self.worst is None:
            return None
        return next((each for each in self.worst.reasons if limit_of(each) is name), None)

    def role_of(self, name: LimitName) -> str:
        """Return the role in which a limit's figure is drawn, or ""."""
        reason = self.reason_of(name)
        return "" if reason is None else ROLE[reason.state]
