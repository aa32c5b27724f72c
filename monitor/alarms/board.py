"""When an alarm rings, when it rings again, and when it keeps still: a pure board over snapshots.

It takes what is so of the wet films (harmed by a limit, blind, near) and hands on what is to be
rung; bell, message and mail are others'. Each fact of each section has its own edge, its own
acknowledgement, its own ten minutes and its own place in the log.

Source:
    IEC 62682:2022 asks for an operator's possible answer to every alarm, and for deadband, on
    delay and off delay against chatter. On delay 60 s: EEMUA 191's for a temperature. Deadband
    of a harm: the call's own re-entry band and time. The rest is this program's own choice.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import NamedTuple

from monitor.log.rows import AlarmRow, AlarmStep
from monitor.screen.phrases import REMINDER, SURFACE_ASSUMED, VAPOUR
from monitor.screen.sentence import figure, was, why
from monitor.screen.theme import Theme
from monitor.snapshot import Snapshot
from rules.call import Call
from rules.events import Event, ProbesOut
from rules.film_facts import OUTLOOK, FactKind, FilmFact, todo_of
from rules.reasons import LIMIT_WORDS, PROBES_OUT, Reason
from rules.section import SectionCall
from rules.text import clean
from rules.vocabulary import ALL_SECTIONS, EventKind, LimitName, LimitState, Stage
from sensors.reading import Quality
from sensors.zones import zone_or_utc

BLIND_S = 180.0  # for so long a film may be unwatched, and so long known again before it is over
NEAR_S = 60.0  # what passes sooner asks for nothing
NEAR_OVER_S = 600.0  # what comes back sooner is the same alarm
OUTLOOK_S = 600.0  # an outlook is made every ten minutes: two of them have to agree
REPEAT_S = 600.0  # at most one ring a fact in this, whatever happens between

_ON_S = {FactKind.HARMED: 0.0, FactKind.BLIND: BLIND_S, FactKind.NEAR: NEAR_S}
_OVER_S = {FactKind.HARMED: 0.0, FactKind.BLIND: BLIND_S, FactKind.NEAR: NEAR_OVER_S}
_WORST_FIRST = (FactKind.HARMED, FactKind.BLIND, FactKind.NEAR)


class Key(NamedTuple):
    """What an alarm is filed under: a section's fact; a harm is another by each limit."""

    section: str
    fact: FactKind
    apart: str


@dataclass(frozen=True, slots=True)
class Ring:
    """One ringing of the bell, to be told wherever alarms go.

    Attributes:
        enclosure: where.
        section: whose film; "all" for the whole enclosure.
        fact: harmed, blind or near.
        call: STOP for a harm, else HOLD.
        cause: the limit, or what else is behind it.
        since_s: since when the fact holds [s].
        time_s: of this ring [s].
        count: 1 for the first.
        text: opens with the safety reminder, then the section.
    """

    enclosure: str
    section: str
    fact: FactKind
    call: Call
    cause: str
    since_s: float
    time_s: float
    count: int
    text: str

    @property
    def place(self) -> str:
        """Whose alarm it is, for people."""
        return clean(self.enclosure if self.section == ALL_SECTIONS else self.section)


@dataclass(frozen=True, slots=True)
class OpenAlarm:
    """An alarm that has rung, and that lasts or that nobody has acknowledged.

    Attributes:
        fact: harmed, blind or near.
        cause: the limit, or what else is behind it.
        section: whose film.
        since_s: since when the fact holds [s].
        over_s: when it ended by itself, or None while it lasts [s].
        text: for the screen.
        rang_at_s: when it rang last, by the log's clock [s].
        seen: whether somebody has acknowledged it.
        seen_by: row of the acknowledgement, or None.
    """

    fact: FactKind
    cause: str
    section: str
    since_s: float
    over_s: float | None
    text: str
    rang_at_s: float
    seen: bool = False
    seen_by: int | None = None


@dataclass(slots=True)
class _Alarm:
    """What the board remembers of one fact; times by the clock that nobody sets."""

    key: Key
    cause: str
    began_s: float
    present_s: float
    since_s: float
    why: str = ""
    now: str = ""  # how it stands meanwhile, where `why` tells of what is past
    todo: str = ""
    helps: bool = False
    count: int = 0
    rung_s: float = -math.inf
    rung_at_s: float = math.inf  # by the log's clock, where an earlier run rang it
    seen_by: int | None = None
    seen: bool = False
    over_s: float | None = None

    @property
    def call(self) -> Call:
        return Call.STOP if self.key.fact is FactKind.HARMED else Call.HOLD


class AlarmBoard:
    """Decides from one snapshot to the next what rings."""

    def __init__(self, theme: Theme | None = None, *, steady_s: float | None = None) -> None:
        """Begin without alarms; `resume` takes up those of the log.

        Args:
            theme: for units and hours.
            steady_s: now, by a clock that nobody sets; None where the snapshots' own is one [s].
        """
        self._theme = theme or Theme()
        self._alarms: dict[Key, _Alarm] = {}
        self._rung_s: dict[Key, float] = {}
        self._began_s = steady_s
        self._steady_s = -math.inf
        self._ahead_s = 0.0
        self._events_row = -1
        self._enclosure = ""
        self._zone: tzinfo = zone_or_utc("UTC")
        self._rows: list[AlarmRow] = []

    def resume(self, rows: Iterable[AlarmRow], now_s: float, timezone: str) -> None:
        """Take up what an earlier run left in the log.

        Args:
            rows: of this enclosure, in their order, as `Queries.alarms` gives them.
            now_s: now, by the clock of the log [s].
            timezone: IANA name of the zone that people there use.
        """
        self._zone = zone_or_utc(timezone)
        steady_s = self._began_s if self._began_s is not None else now_s
        self._steady_s, self._ahead_s = steady_s, now_s - steady_s
        rang_s: dict[Key, float] = {}
        for row in rows:
            self._enclosure = row.enclosure
            fact = FactKind(row.fact)
            key = Key(row.section, fact, _apart(fact, row.cause))
            # One that lies in the future of a clock that was set back is not waited for.
            ago_s = now_s - row.time_s
            at_s = steady_s - ago_s if ago_s >= 0.0 else -math.inf
            if row.step is AlarmStep.RANG:
                self._rung_s[key], rang_s[key] = at_s, row.time_s
            if row.step is AlarmStep.ENDED and (row.event_row is not None or not row.count):
                self._alarms.pop(key, None)
                continue
            alarm = _Alarm(key, row.cause, steady_s, steady_s, row.since_s)
            alarm.why = _RANG.sub("", row.text).rstrip(".")
            alarm.count, alarm.rung_s = row.count, min(steady_s, steady_s - ago_s)
            alarm.rung_at_s = rang_s.get(key, row.time_s)
            alarm.seen, alarm.seen_by = row.step is AlarmStep.SEEN, row.event_row
            alarm.over_s = row.time_s if row.step is AlarmStep.ENDED else None
            self._alarms[key] = alarm

    def update(
        self,
        snapshot: Snapshot,
        events: Iterable[Event] | None = None,
        *,
        steady_s: float | None = None,
    ) -> list[Ring]:
        """Take the present in and return what is to be rung now.

        Args:
            snapshot: the enclosure now.
            events: all of its events as kept; those of the snapshot where None.
            steady_s: now, by a clock that nobody sets; None where the snapshots' own is one [s].

        Returns:
            One ring a fact, mostly none; the worst first.
        """
        now_s = snapshot.time_s
        self._steady_s = now_s if steady_s is None else steady_s
        self._ahead_s = now_s - self._steady_s
        if self._began_s is None:
            self._began_s = self._steady_s
        self._enclosure, self._zone = snapshot.enclosure, zone_or_utc(snapshot.timezone)
        present = self._present(snapshot)
        wet = {call.section for call in snapshot.calls if call.films is not None}
        wet |= {out.section or ALL_SECTIONS for out in snapshot.probes_out.values()}
        for key, (call, fact) in present.items():
            self._take(key, call, fact, snapshot)
        for alarm in list(self._alarms.values()):
            if alarm.key not in present:
                self._leave(alarm, wet, present)
        self._acknowledge(tuple(snapshot.events if events is None else events))
        return self._ring(now_s)

    def take_rows(self) -> list[AlarmRow]:
        """Return what is to be kept in the log since the last call."""
        rows, self._rows = self._rows, []
        return rows

    def standing(self) -> tuple[OpenAlarm, ...]:
        """Return the alarms that have rung and that nobody has acknowledged, the worst first."""
        return tuple(each for each in self.open() if not each.seen)

    def open(self) -> tuple[OpenAlarm, ...]:
        """Return the alarms that have rung and are not done with, seen ones last."""

        def order(alarm: _Alarm) -> tuple[bool, bool, int, float]:
            rank = _WORST_FIRST.index(alarm.key.fact)
            return alarm.seen, alarm.over_s is not None, rank, alarm.since_s

        return tuple(
            OpenAlarm(
                fact=each.key.fact,
                cause=each.cause,
                section=each.key.section,
                since_s=each.since_s,
                over_s=each.over_s,
                text=self._short(each),
                rang_at_s=each.rung_s + self._ahead_s,
                seen=each.seen,
                seen_by=each.seen_by,
            )
            for each in sorted((a for a in self._alarms.values() if a.count), key=order)
        )

    def text(self) -> str:
        """Return what the screen says of the alarms nobody has seen, or ""; for the snapshot."""
        standing = self.standing()
        if not standing:
            return ""
        return f"{REMINDER} {' '.join(each.text + '.' for each in standing)}"

    # --- what is so

    def _present(self, snapshot: Snapshot) -> dict[Key, tuple[SectionCall, FilmFact]]:
        """The facts of every wet film that may ring.

        Nobody is called to what somebody has done on purpose: while probes are out, only to what
        the others measure, and that it is time to bring them back, once.
        """
        found: dict[Key, tuple[SectionCall, FilmFact]] = {}
        for call in snapshot.calls:
            out = snapshot.probes_out.get(call.section)
            harmed = any(fact.kind is FactKind.HARMED for fact in call.facts)
            near = any(fact.kind is FactKind.NEAR and fact.cause != OUTLOOK for fact in call.facts)
            for fact in call.facts:
                if fact.kind is FactKind.NEAR and (harmed or (fact.cause == OUTLOOK and near)):
                    continue
                told = fact if out is None else _in_spite_of(out, fact, call)
                if told is not None:
                    found[Key(call.section, told.kind, _apart(told.kind, told.cause))] = call, told
            if out and call.section in snapshot.probes_due and call.films is not None:
                key = Key(out.section or ALL_SECTIONS, FactKind.BLIND, PROBES_OUT)
                said = next((e for e in call.films.reasons if e.limit == PROBES_OUT), None)
                fact = FilmFact(FactKind.BLIND, PROBES_OUT, snapshot.time_s, said or _TIME_IS_UP)
                found.setdefault(key, (call, fact))
        return found

    def _take(self, key: Key, call: SectionCall, fact: FilmFact, snapshot: Snapshot) -> None:
        alarm = self._alarms.get(key)
        if alarm is None or alarm.over_s is not None:
            since_s = min(fact.since_s, snapshot.time_s)
            begun_s = self._began_s if self._began_s is not None else self._steady_s
            # What was so when this program began was so from then on.
            began_s = begun_s if self._events_row < 0 else self._steady_s
            alarm = self._alarms[key] = _Alarm(key, fact.cause, began_s, self._steady_s, since_s)
        alarm.present_s = self._steady_s
        alarm.cause = fact.cause
        films = call.films
        seen = call if films is None else replace(call, call=films.call, climate=films.climate)
        alarm.why, alarm.now = why(seen, self._theme, snapshot.trends, fact.reason), ""
        if fact.kind is FactKind.HARMED and fact.reason.state is not LimitState.BROKEN:
            alarm.why, alarm.now = self._was(fact, alarm.why, snapshot.time_s)
        if call.climate.assumed_offset_k is not None:
            alarm.why += f" ({SURFACE_ASSUMED})"
        slow = _slow_clocks(snapshot, key.section)
        todo = todo_of(fact, call.stage, linked=snapshot.link_ok, slow_clocks=slow)
        alarm.todo = "" if key.apart == PROBES_OUT else todo
        alarm.helps = key.apart != PROBES_OUT and (
            call.stage is Stage.APPLY or fact.kind is FactKind.BLIND
        )

    def _was(self, fact: FilmFact, why_now: str, now_s: float) -> tuple[str, str]:
        """What was past its bound, of a harm that is not over yet, and how that stands now."""
        name, reason = LimitName(fact.cause), fact.reason
        if reason.value is None or reason.state is LimitState.UNKNOWN:
            now = f". {why_now}"
        else:
            now = f"; now {figure(name, reason.value, self._theme)}"
        if fact.past is None:
            words = LIMIT_WORDS[name]
            return f"{words.capitalize()} was past its limit", now
        when = self._theme.hour_and_day(fact.past.climate.time_s, self._zone, now_s)
        return was(name, fact.past, self._theme, when), now

    def _leave(
        self,
        alarm: _Alarm,
        wet: set[str],
        present: dict[Key, tuple[SectionCall, FilmFact]],
    ) -> None:
        """End a fact that is not so any more, once that has lasted for long enough."""
        if alarm.over_s is not None:
            return
        key, gone_s = alarm.key, self._steady_s - alarm.present_s
        worse = key.fact is FactKind.NEAR and any(
            each.section == key.section
            and (each.fact is FactKind.HARMED or (key.apart and each.fact is FactKind.NEAR))
            for each in present
        )
        over = key.section not in wet or worse or key.apart == PROBES_OUT
        if not alarm.count:
            brief_s = NEAR_S if key.fact is FactKind.NEAR else 0.0
            if over or gone_s >= brief_s:
                del self._alarms[key]
        elif over or gone_s >= _OVER_S[key.fact]:
            alarm.over_s = alarm.present_s + self._ahead_s
            self._keep(alarm, AlarmStep.ENDED)
            if alarm.seen:
                del self._alarms[key]

    # --- seen

    def _acknowledge(self, events: tuple[Event, ...]) -> None:
        """Take every acknowledgement that came since the last look, or while nothing ran."""
        first = self._events_row < 0
        fresh = [event for event in events if (event.row or 0) > self._events_row]
        self._events_row = max([self._events_row, 0, *((event.row or 0) for event in fresh)])
        for event in fresh:
            if event.kind is not EventKind.ACKNOWLEDGED or event.withdrawn:
                continue
            if first:
                self._acknowledge_by_clock(event)
                continue
            late_s = 0.0 if event.recorded_s is None else event.recorded_s - event.time_s
            self.acknowledge(event.section, max(0.0, late_s), event.row)

    def _acknowledge_by_clock(self, event: Event) -> None:
        """Take one that was typed before this program began, for what had rung by then."""
        for alarm in list(self._alarms.values()):
            theirs = event.section in (None, ALL_SECTIONS, alarm.key.section)
            if theirs and alarm.count and not alarm.seen and alarm.rung_at_s <= event.time_s:
                self._see(alarm, event.row)

    def _see(self, alarm: _Alarm, event_row: int | None) -> None:
        alarm.seen, alarm.seen_by = True, event_row
        self._keep(alarm, AlarmStep.SEEN)
        if alarm.over_s is not None:
            self._keep(alarm, AlarmStep.ENDED)
            del self._alarms[alarm.key]

    def acknowledge(
        self, section: str | None = None, late_s: float = 0.0, event_row: int | None = None
    ) -> bool:
        """Take note that somebody has seen what rang, of a section or of all.

        Args:
            section: whose alarms, or None for all.
            late_s: how long ago they were seen: what rang later was not [s].
            event_row: of the acknowledgement in the log.

        Returns:
            Whether there was any.
        """
        found = False
        for key, alarm in list(self._alarms.items()):
            theirs = section in (None, ALL_SECTIONS, key.section)
            if not theirs or alarm.seen or not alarm.count:
                continue
            if self._steady_s - alarm.rung_s < late_s - 1.0:
                continue
            self._see(alarm, event_row)
            found = True
        return found

    # --- ringing

    def _ring(self, now_s: float) -> list[Ring]:
        rings = []
        for alarm in sorted(self._alarms.values(), key=lambda a: _WORST_FIRST.index(a.key.fact)):
            if alarm.seen or alarm.over_s is not None or not self._is_due(alarm):
                continue
            alarm.count += 1
            alarm.rung_s = self._rung_s[alarm.key] = self._steady_s
            ring = self._ring_of(alarm, now_s)
            self._keep(alarm, AlarmStep.RANG, ring.text)
            rings.append(ring)
        return rings

    def _is_due(self, alarm: _Alarm) -> bool:
        if self._steady_s - self._rung_s.get(alarm.key, -math.inf) < REPEAT_S:
            return False
        if alarm.count:
            once = alarm.key.apart == PROBES_OUT
            lasts = alarm.present_s == self._steady_s
            return lasts and not once and (alarm.count < 2 or alarm.helps)
        on_s = OUTLOOK_S if alarm.key.apart == OUTLOOK else _ON_S[alarm.key.fact]
        if alarm.key.apart == PROBES_OUT:
            on_s = NEAR_S
        return alarm.present_s - alarm.began_s >= on_s

    def _ring_of(self, alarm: _Alarm, now_s: float) -> Ring:
        ring = Ring(
            enclosure=self._enclosure,
            section=alarm.key.section,
            fact=alarm.key.fact,
            call=alarm.call,
            cause=alarm.cause,
            since_s=alarm.since_s,
            time_s=now_s,
            count=alarm.count,
            text="",
        )
        again = f"Again ({alarm.count}): " if alarm.count > 1 else ""
        since = self._theme.hour_and_day(alarm.since_s, self._zone, now_s)
        todo = f"{ring.place}: {alarm.todo}".rstrip()
        said = f"{again}{alarm.call.value} since {since}: {alarm.why}{alarm.now}."
        return replace(ring, text=f"{todo} {VAPOUR} {said}")

    def _keep(self, alarm: _Alarm, step: AlarmStep, text: str = "") -> None:
        self._rows.append(
            AlarmRow(
                enclosure=self._enclosure,
                section=alarm.key.section,
                fact=str(alarm.key.fact),
                cause=alarm.cause,
                step=step,
                time_s=self._steady_s + self._ahead_s,
                since_s=alarm.since_s,
                count=alarm.count,
                event_row=alarm.seen_by,
                text=text or alarm.why,
            )
        )

    def _short(self, alarm: _Alarm) -> str:
        now_s = self._steady_s + self._ahead_s
        name = self._enclosure if alarm.key.section == ALL_SECTIONS else alarm.key.section
        what = f"{clean(name)}: {alarm.call.value}"
        when = self._theme.hour_and_day(alarm.since_s, self._zone, now_s)
        lasts = alarm.present_s == self._steady_s
        until_s = alarm.present_s + self._ahead_s if alarm.over_s is None else alarm.over_s
        if (alarm.over_s is None and lasts) or alarm.since_s >= until_s:
            return f"{what} since {when}: {alarm.why}{alarm.now}"
        until = self._theme.hour_and_day(until_s, self._zone, now_s)
        how = "not so now" if alarm.over_s is None else "over, nobody has seen it"
        return f"{what} from {when} to {until}: {alarm.why}; {how}"


_RANG = re.compile(rf"^.*?{re.escape(VAPOUR)} (Again \(\d+\): )?[A-Z]+ since .+?: ", re.DOTALL)
"""What stands before its cause in the text of an alarm that rang."""

_TIME_IS_UP = Reason(
    PROBES_OUT, LimitState.UNKNOWN, None, None, None, "", "It is time to bring the probes back"
)


def _slow_clocks(snapshot: Snapshot, section: str) -> list[str]:
    """The probes of a section whose clocks are slow, where no other is unread; else none."""
    unread = [
        each
        for each in snapshot.points
        if each.required
        and not each.is_out
        and each.quality is not Quality.OK
        and each.section in (None, section)
    ]
    if any(each.clock_slow_s is None for each in unread):
        return []
    return list(dict.fromkeys(clean(each.point) for each in unread))


_OF_THE_AIR = frozenset(name for name in LimitName if name.startswith(("humidity", "air_temp")))


def _in_spite_of(out: ProbesOut, fact: FilmFact, call: SectionCall) -> FilmFact | None:
    """A fact as far as probes that are out on purpose do not explain it, or None."""
    if fact.kind is FactKind.HARMED:
        return fact
    if out.section is None or call.films is None:
        return None
    if fact.cause in _OF_THE_AIR:
        return fact
    if fact.kind is FactKind.NEAR:
        return None
    for each in call.films.reasons:  # the air's own probe may have failed meanwhile
        if each.limit in _OF_THE_AIR and each.state is LimitState.UNKNOWN:
            return fact._replace(cause=each.limit, reason=each)
    return None


def _apart(fact: FactKind, cause: str) -> str:
    """What keeps a fact apart from others of its kind; a film is blind or near only once."""
    return cause if fact is FactKind.HARMED or cause in (OUTLOOK, PROBES_OUT) else ""
