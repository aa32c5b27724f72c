"""When an alarm rings, when it rings again, and when it keeps still: a pure board over snapshots.

It takes what the calls say and hands on what is to be rung; bell, message and mail are others'.

Source:
    IEC 62682:2022 asks for an operator's possible answer to every alarm, and for deadband, on
    delay and off delay against chatter. On delay 60 s: EEMUA 191's for a temperature. Deadband
    and off delay: the call's own bands, dwell and re-entry time, and ten minutes here.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import tzinfo

from monitor.screen.phrases import REMINDER, SURFACE_ASSUMED
from monitor.screen.sentence import TIMERS, why
from monitor.screen.theme import Theme
from monitor.snapshot import Snapshot
from rules.call import WORST_FIRST, Call
from rules.reasons import PROBES_OUT
from rules.section import SectionCall
from rules.text import clean
from rules.vocabulary import ALL_SECTIONS, FILM_STAGES, EventKind, LimitState, Stage
from sensors.zones import zone_or_utc

ON_DELAY_S = 60.0  # a HOLD's cause that passes sooner asks for nothing; a STOP rings at once
OFF_DELAY_S = 600.0  # a cause that comes back sooner is the same alarm
REPEAT_S = 600.0  # and at most one ring a cause in this


@dataclass(frozen=True, slots=True)
class Ring:
    """One ringing of the bell, to be told wherever alarms go.

    Attributes:
        enclosure: where.
        sections: whose films, in alphabetical order.
        call: HOLD or STOP.
        cause: the limit or doubt behind it.
        since_s: when the alarm began [s].
        time_s: of this ring [s].
        count: 1 for the first.
        text: opens with the safety reminder.
    """

    enclosure: str
    sections: tuple[str, ...]
    call: Call
    cause: str
    since_s: float
    time_s: float
    count: int
    text: str


@dataclass(frozen=True, slots=True)
class OpenAlarm:
    """An alarm that nobody has acknowledged.

    Attributes:
        call: HOLD or STOP.
        cause: the limit or doubt behind it.
        sections: whose films.
        since_s: when it began [s].
        over_s: when it ended by itself, or None while it lasts [s].
        text: for the screen.
    """

    call: Call
    cause: str
    sections: tuple[str, ...]
    since_s: float
    over_s: float | None
    text: str


@dataclass(slots=True)
class _Alarm:
    """What the board remembers of one cause at one severity."""

    call: Call
    cause: str
    first_s: float
    last_s: float
    asked_s: float  # an acknowledgement counts from here on
    sections: set[str] = field(default_factory=set)
    why: str = ""
    advice: str = ""
    helps: bool = False
    count: int = 0
    due: bool = False
    acknowledged: bool = False
    over_s: float | None = None


class AlarmBoard:
    """Decides from one snapshot to the next what rings."""

    def __init__(self, theme: Theme | None = None) -> None:
        self._theme = theme or Theme()
        self._alarms: dict[tuple[str, Call], _Alarm] = {}
        self._rung_s: dict[tuple[str, Call], float] = {}
        self._before: dict[str, Call] = {}
        self._worsened: set[str] = set()
        self._seen_s: float | None = None
        self._enclosure = ""
        self._zone: tzinfo = zone_or_utc("UTC")

    def update(self, snapshot: Snapshot) -> list[Ring]:
        """Take the present in and return what is to be rung now.

        Args:
            snapshot: times never go back, save where the clock was set; then all begins anew.

        Returns:
            One ring a cause, mostly none.
        """
        now_s = snapshot.time_s
        if self._seen_s is not None and now_s < self._seen_s:
            self._alarms.clear()
            self._rung_s.clear()
            self._before.clear()
            self._worsened.clear()
        self._seen_s = now_s
        self._enclosure, self._zone = snapshot.enclosure, zone_or_utc(snapshot.timezone)
        active = self._active(snapshot)
        for key, calls in active.items():
            self._take(key, calls, snapshot)
        for key, alarm in list(self._alarms.items()):
            if key not in active:
                self._leave(key, alarm, now_s)
        self._acknowledge_by_events(snapshot)
        return self._ring(now_s)

    def acknowledge(self, time_s: float) -> bool:
        """Take note that somebody has seen every alarm that began until a time.

        Args:
            time_s: of the acknowledgement [s].

        Returns:
            Whether there was any.
        """
        found = False
        for key, alarm in list(self._alarms.items()):
            if alarm.asked_s <= time_s and not alarm.acknowledged:
                alarm.acknowledged, found = True, True
                if alarm.call is Call.STOP:
                    alarm.count = max(alarm.count, 1)  # it rang in a program that ran before
                if alarm.over_s is not None:
                    del self._alarms[key]
        return found

    def standing(self) -> tuple[OpenAlarm, ...]:
        """Return the alarms that have rung and that nobody has acknowledged, the worst first."""
        open_ = [a for a in self._alarms.values() if a.count and not a.acknowledged]
        ordered = sorted(
            open_, key=lambda a: (a.over_s is not None, WORST_FIRST.index(a.call), a.first_s)
        )
        return tuple(
            OpenAlarm(
                a.call, a.cause, tuple(sorted(a.sections)), a.first_s, a.over_s, self._short(a)
            )
            for a in ordered
        )

    def text(self) -> str:
        """Return what the screen says of the alarms nobody has seen, or ""; for the snapshot."""
        standing = self.standing()
        if not standing:
            return ""
        return f"{REMINDER} {' '.join(each.text + '.' for each in standing)}"

    # --- what is wrong

    def _active(self, snapshot: Snapshot) -> dict[tuple[str, Call], list[SectionCall]]:
        """Causes that make a call worse than GO while a film is open to harm.

        A HOLD counts where the call was GO before it. One in which the coat or the program was
        begun, or to which a STOP eased, is no worsening. A STOP always counts.
        """
        found: dict[tuple[str, Call], list[SectionCall]] = {}
        for call in snapshot.calls:
            section = call.section
            before = self._before.get(section)
            self._before[section] = call.call
            if call.call is Call.HOLD and before is Call.GO:
                self._worsened.add(section)
            elif call.call is not Call.HOLD:
                self._worsened.discard(section)
            if call.stage not in FILM_STAGES or call.call is Call.GO:
                continue
            if snapshot.probes_out is not None and call.call is Call.HOLD:
                # Nobody is to be called to what somebody has done on purpose, until it is time.
                if snapshot.probes_due:
                    found.setdefault((PROBES_OUT, call.call), []).append(call)
                continue
            if call.call is Call.STOP or section in self._worsened:
                cause = self._cause(call)
                if cause:
                    found.setdefault((cause, call.call), []).append(call)
        return found

    def _cause(self, call: SectionCall) -> str:
        """What the alarm is filed under; "" where nothing is wrong but that time has to pass.

        While an alarm of the section lasts, another limit that comes to the fore does not make
        the call worse: it stays the same alarm.
        """
        grounds = [
            reason.limit
            for reason in call.reasons
            if reason.state is not LimitState.OK
            and reason.limit not in TIMERS  # what is on its way back is no cause
            and not (reason.limit == "outlook" and reason.state is LimitState.UNKNOWN)
        ]
        if call.call is Call.HOLD and not grounds:
            return ""
        for (cause, severity), alarm in self._alarms.items():
            if severity is call.call and call.section in alarm.sections and alarm.over_s is None:
                return cause
        return grounds[0] if grounds else "unknown"

    def _take(self, key: tuple[str, Call], calls: list[SectionCall], snapshot: Snapshot) -> None:
        now_s = snapshot.time_s
        alarm = self._alarms.get(key)
        worst = calls[0]
        if alarm is not None and not alarm.count and now_s - alarm.last_s >= ON_DELAY_S:
            alarm = None  # the excursion before was over: this is another
        if alarm is None:
            since_s = worst.since_s if key[1] is Call.STOP else now_s
            asked_s = max(_asked_s(call, since_s, snapshot) for call in calls)
            alarm = self._alarms[key] = _Alarm(key[1], key[0], since_s, now_s, asked_s)
        if alarm.over_s is not None:
            alarm.over_s, alarm.first_s, alarm.asked_s = None, now_s, now_s
            alarm.acknowledged, alarm.count = False, 0
            alarm.sections.clear()
        alarm.last_s = now_s
        newcomers = {call.section for call in calls} - alarm.sections
        if newcomers and alarm.count:
            alarm.acknowledged, alarm.due, alarm.asked_s = False, True, now_s
        alarm.sections |= newcomers
        if key[1] is Call.STOP:
            # The film is past what the HOLD warned of: one alarm is enough.
            for held in [k for k, a in self._alarms.items() if k[1] is Call.HOLD]:
                if self._alarms[held].sections <= alarm.sections:
                    del self._alarms[held]
        alarm.why = why(worst, self._theme, snapshot.trends)
        if worst.climate.assumed_offset_k is not None:
            alarm.why += f" ({SURFACE_ASSUMED})"
        alarm.advice = worst.advice
        alarm.helps = any(something_can_be_done(call) for call in calls)

    def _leave(self, key: tuple[str, Call], alarm: _Alarm, now_s: float) -> None:
        if alarm.over_s is not None:
            return
        if not alarm.count:
            if now_s - alarm.last_s >= ON_DELAY_S:
                del self._alarms[key]
        elif now_s - alarm.last_s >= OFF_DELAY_S:
            alarm.over_s = alarm.last_s
            if alarm.acknowledged:
                del self._alarms[key]

    def _acknowledge_by_events(self, snapshot: Snapshot) -> None:
        times = [
            event.time_s
            for event in snapshot.events
            if event.kind is EventKind.ACKNOWLEDGED and not event.withdrawn
        ]
        if times:
            self.acknowledge(max(times))

    # --- ringing

    def _ring(self, now_s: float) -> list[Ring]:
        rings = []
        for key, alarm in self._alarms.items():
            if alarm.acknowledged or alarm.over_s is not None:
                continue
            if alarm.count == 0:
                long_enough = alarm.last_s - alarm.first_s >= ON_DELAY_S
                wanted = alarm.call is Call.STOP or long_enough
            else:
                lasts = alarm.last_s == now_s
                once = alarm.cause == PROBES_OUT
                wanted = alarm.due or (lasts and not once and (alarm.count < 2 or alarm.helps))
            if not wanted or now_s - self._rung_s.get(key, -REPEAT_S * 2.0) < REPEAT_S:
                continue
            alarm.count += 1
            alarm.due = False
            self._rung_s[key] = now_s
            rings.append(self._ring_of(alarm, now_s))
        return rings

    def _ring_of(self, alarm: _Alarm, now_s: float) -> Ring:
        sections = tuple(sorted(alarm.sections))
        since = self._theme.hour_and_day(alarm.first_s, self._zone, now_s)
        what = f"{alarm.call.value} {self._names(sections)} since {since}"
        text = f"{what}: {alarm.why}. {alarm.advice}."
        if alarm.count > 1:
            text = f"again ({alarm.count}), {text}"
        return Ring(
            enclosure=self._enclosure,
            sections=sections,
            call=alarm.call,
            cause=alarm.cause,
            since_s=alarm.first_s,
            time_s=now_s,
            count=alarm.count,
            text=f"{REMINDER} {text}",
        )

    def _short(self, alarm: _Alarm) -> str:
        now_s = self._seen_s if self._seen_s is not None else alarm.last_s
        what = f"{alarm.call.value} {self._names(tuple(sorted(alarm.sections)))}"
        when = self._theme.hour_and_day(alarm.first_s, self._zone, now_s)
        if alarm.over_s is None or alarm.first_s >= alarm.over_s:
            return f"{what} since {when}: {alarm.why}"
        until = self._theme.hour_and_day(alarm.over_s, self._zone, now_s)
        return f"{what} from {when} to {until}: {alarm.why}; over, nobody has seen it"

    def _names(self, sections: tuple[str, ...]) -> str:
        names = [self._enclosure if name == ALL_SECTIONS else name for name in sections]
        return clean(", ".join(names))


def _asked_s(call: SectionCall, since_s: float, snapshot: Snapshot) -> float:
    """From when on an acknowledgement is one of this alarm, also by a program that ran before.

    That is since the call stands and the film is open: who saw a STOP over bare planks has not
    seen what became of the coat that was begun in spite of it.
    """
    if call.call is not Call.STOP:
        return since_s
    begun_s = [
        event.time_s
        for event in snapshot.events
        if event.kind is EventKind.COAT_STARTED
        and not event.withdrawn
        and event.section in (None, call.section)
    ]
    return max(call.since_s, *begun_s) if begun_s else call.since_s


def something_can_be_done(call: SectionCall) -> bool:
    """Return whether anybody could still help a film, so that ringing on makes sense.

    While the coat goes on it can be stopped at a line. Later the film is left alone; but what
    is unknown can be looked into, at a probe, its cable or its battery.

    Args:
        call: of the section, worse than GO.
    """
    if call.stage is Stage.APPLY:
        return True
    return bool(call.reasons) and call.reasons[0].state is LimitState.UNKNOWN
