"""The clocks' room as pieces of text, and the helpers that every room words its pieces with."""

from __future__ import annotations

from datetime import tzinfo

from rich.text import Text

from monitor.screen.theme import Theme, zone_of
from monitor.snapshot import Snapshot
from rules.clocks.clock import Clock, ClockState
from rules.section import SectionCall
from rules.text import clean
from rules.vocabulary import ALL_SECTIONS, ClockName

SHORT_LEFT_S = 900.0  # a pot or a window with less than this left is shown as near

_MUST_NOT_PASS = (ClockName.POT_LIFE, ClockName.RECOAT_CLOSES, ClockName.TAPE_NOT_AFTER)


class ClockRoom:
    """One snapshot in one theme: what all rooms share, and the clocks."""

    def __init__(self, snapshot: Snapshot, theme: Theme) -> None:
        self.snapshot = snapshot
        self.theme = theme
        self.say = theme.words.say
        self.zone: tzinfo = zone_of(snapshot.timezone)
        self.worst: SectionCall | None = snapshot.calls[0] if snapshot.calls else None

    # --- small helpers

    def part(self, text: str, role: str = "") -> Text:
        """Return text in a role's style."""
        return Text(text, style=self.theme.style(role)) if role else Text(text)

    def join(self, *parts: Text | str) -> Text:
        """Return parts joined as they are."""
        return Text.assemble(*parts)

    def when(self, time_s: float) -> str:
        """Return a time as people there say it."""
        return self.theme.hour_and_day(time_s, self.zone, self.snapshot.time_s)

    def section_word(self, section: str) -> str:
        """Return a section's name, cleaned."""
        return self.say("all") if section == ALL_SECTIONS else clean(section)

    # --- clocks

    def clock_items(self, *, long: bool = False) -> list[Text]:
        """One piece a clock, the next to end first."""
        return [self._clock(clock, long=long) for clock in self.snapshot.clocks]

    def next_clock(self, *, with_hour: bool = True) -> Text | None:
        """The running clock that ends next, or what stands first where none runs; None for none."""
        clocks = self.snapshot.clocks
        if not clocks:
            return None
        running = (clock for clock in clocks if clock.state is ClockState.RUNNING)
        return self._clock(next(running, clocks[0]), with_hour=with_hour)

    def clock_groups(self) -> list[Text]:
        """One piece a kind of clock, its sections behind one another; those not begun left out."""
        groups: dict[tuple[str, bool], list[Clock]] = {}
        for clock in self.snapshot.clocks:
            if clock.state is not ClockState.WAITING:
                groups.setdefault((clock.name.value, clock.buried), []).append(clock)
        waiting = [c for c in self.snapshot.clocks if c.state is ClockState.WAITING]
        pieces = []
        for clocks in groups.values():
            first, *others = clocks
            piece = self._clock(first)
            for other in others:
                piece.append_text(self.join(", ", self._clock(other, named=False)))
            pieces.append(piece)
        if waiting:
            pieces.append(self.part(self.say("clocks-waiting", count=len(waiting)), "label"))
        return pieces

    def _clock(
        self, clock: Clock, *, long: bool = False, named: bool = True, with_hour: bool = True
    ) -> Text:
        theme, say = self.theme, self.say
        name = say(clock.name.value)
        if clock.buried and clock.coat is not None:
            name = say("clock-buried", clock=name, coat=clock.coat)
        label = [name] if named else []
        if clock.batch:
            label.append(clean(clock.batch))
        if (
            clock.section
            and (len(self.snapshot.calls) > 1 or long)
            and clock.section != ALL_SECTIONS
        ):
            label.append(clean(clock.section))
        must_not_pass = clock.name in _MUST_NOT_PASS
        role, value, tail = "strong", "", ""
        if clock.state is ClockState.RUNNING:
            if clock.left_s is None:
                role, value = "near", say("clock-standing")
            else:
                value = theme.words.duration(clock.left_s)
                if clock.ends_at_s is not None:
                    tail = say("clock-at", when=self.when(clock.ends_at_s))
                if self._differs(clock) and not long and clock.ends_at_s is not None:
                    # The hour is the outlook's: beside the other duration it would not add up.
                    ahead = theme.words.duration(clock.left_outlook_s or 0.0)
                    when = self.when(clock.ends_at_s)
                    tail = say("clock-outlook-at", left=ahead, when=when)
                if must_not_pass and clock.left_s < SHORT_LEFT_S:
                    role = "near"
        elif clock.state is ClockState.WAITING:
            value = say("clock-waiting")
            if clock.left_s is not None:
                left = theme.words.duration(clock.left_s)
                value = say("clock-waiting-left", left=left)
            role = ""
        elif clock.state is ClockState.ENDED:
            role = "broken" if must_not_pass else "ok"
            value = say("clock-over") if must_not_pass else say("clock-done")
            if clock.ended_at_s is not None:
                tail = self.when(clock.ended_at_s)
        else:
            role, value = "unknown", say("clock-unknown")
        text = self.join(self._plain_label(" ".join(label)), self.part(value, role))
        if tail and with_hour:
            text.append(f" {tail}", theme.style("label"))
        if long:
            self._clock_more(text, clock)
        return text

    def _differs(self, clock: Clock) -> bool:
        """Whether what is left by the outlook is worth telling beside what is left as it is now."""
        left_s, ahead_s = clock.left_s, clock.left_outlook_s
        if left_s is None or ahead_s is None:
            return False
        return abs(ahead_s - left_s) > max(60.0, 0.05 * left_s)

    def _clock_more(self, text: Text, clock: Clock) -> None:
        label = self.theme.style("label")
        if clock.ends_at_range_s is not None and clock.state is ClockState.RUNNING:
            early, late = (self.when(each) for each in clock.ends_at_range_s)
            if early != late:
                text.append(f", {self.say('clock-between', early=early, late=late)}", label)
        if clock.left_outlook_s is not None and clock.state is ClockState.RUNNING:
            left = self.theme.words.duration(clock.left_outlook_s)
            text.append(f", {self.say('clock-forecast', left=left)}", label)
        if clock.state is ClockState.UNKNOWN and clock.basis:
            text.append(f": {clean(clock.basis)}", label)
        elif clock.advice and clock.state is not ClockState.WAITING:
            text.append(f": {clean(clock.advice)}", label)

    def _plain_label(self, label: str) -> Text:
        return self.part(f"{label} ", "label")
