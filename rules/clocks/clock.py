"""One countdown: what a clock tells, and how it is run over a temperature history."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from rules.clocks.history import (
    Course,
    Silent,
    TemperatureHistory,
    TemperatureOutlook,
    course_of,
    expected_course,
)
from rules.clocks.progress import Progress, progress, time_to_end_s
from rules.rate import FloatArray, RateLaw, SafeSide, rate_law
from rules.spec.model import STEEPEST_EA_J_PER_MOL, TimeTable
from rules.text import duration_text
from rules.units import ZERO_C_IN_K, without_minus_zero
from rules.vocabulary import ClockName


class ClockState(StrEnum):
    """Where a countdown stands."""

    WAITING = "waiting"  # what starts it has begun but is not over: the coat is being laid
    RUNNING = "running"  # it counts, or waits until it is warm enough
    ENDED = "ended"  # all of its time has passed
    UNKNOWN = "unknown"  # it does not run: its start was never recorded, or the spec is not known


@dataclass(frozen=True, slots=True)
class Clock:
    """One countdown of one film, pot or enclosure.

    Attributes:
        name: which countdown.
        section: whose, or None where it is about the whole enclosure.
        batch: the pot's name, or None.
        state: waiting, running, ended or unknown.
        started_s: when it started, or None [s].
        left_s: what is left at the present temperature; the whole length while waiting; 0 once
            ended; None where it does not count or cannot be known [s].
        left_outlook_s: what is left at the expected temperature, or None without an outlook [s].
        ends_at_s: when it will end, or ended; None where not known [s].
        ends_at_range_s: earliest and latest end by the sensors' accuracy, the gaps and the
            outlook's interval, or None [s].
        ended_at_s: when it ended, or None [s].
        basis: what it rests on, in words.
        advice: what to do or to look out for, or "".
        spec: name of the spec that it follows, or "".
        coat: number of the coat, or None.
        buried: True for an earlier coat under the newest.
        stops_coating: True where coating over must be STOP: the window has closed.
        next_spec: of a recoat window, name of the spec of the coat that it is for, where the sheet
            has times for more than one; else "".
    """

    name: ClockName
    section: str | None
    batch: str | None
    state: ClockState
    started_s: float | None = None
    left_s: float | None = None
    left_outlook_s: float | None = None
    ends_at_s: float | None = None
    ends_at_range_s: tuple[float, float] | None = None
    ended_at_s: float | None = None
    basis: str = ""
    advice: str = ""
    spec: str = ""
    coat: int | None = None
    buried: bool = False
    stops_coating: bool = False
    next_spec: str = ""

    @property
    def is_open_window(self) -> bool:
        """Whether it says that the film on top may be coated over."""
        opens = self.name is ClockName.RECOAT_OPENS
        return opens and self.state is ClockState.ENDED and not self.buried

    def later(self, passed_s: float) -> Clock:
        """Return it with what is left counted on, as at an unchanged temperature [s]."""
        if self.state is not ClockState.RUNNING or passed_s <= 0.0:
            return self
        left_s, ahead_s = (
            None if left_s is None else max(0.0, left_s - passed_s)
            for left_s in (self.left_s, self.left_outlook_s)
        )
        return replace(self, left_s=left_s, left_outlook_s=ahead_s)


@dataclass(frozen=True, slots=True, eq=False)
class TemperatureBounds:
    """A temperature series leaned to both sides, as one kind of clock needs it.

    Attributes:
        what: "film" or "pot", for the words.
        safe: the edge of what is known that is safe.
        other: the other edge, for the range.
        ahead: middle, safe and other series of the outlook, or None.
        note: what a clock that runs on it has to say besides, or "".
        silent: probes of it that said nothing while others spoke.
    """

    what: str
    safe: Course
    other: Course
    ahead: tuple[Course, Course, Course] | None = None
    note: str = ""
    silent: tuple[Silent, ...] = ()


def body_of(
    what: str,
    lean: SafeSide,
    time_s: FloatArray,
    temp_c: FloatArray,
    accuracy_k: float,
    max_gap_s: float,
    now_s: float,
    outlook: TemperatureOutlook | None = None,
    spread_k: float = 0.0,
    beside: TemperatureHistory | None = None,
) -> TemperatureBounds:
    """Lean a series to the side that is safe for a kind of clock, and to the other.

    Args:
        what: "film" or "pot".
        lean: opens clocks are safe on the cold side, closes clocks on the warm one.
        time_s: instants [s].
        temp_c: coldest body for opens clocks, warmest for closes clocks [°C].
        accuracy_k: of the sensors [K].
        max_gap_s: two samples further apart leave a gap [s].
        now_s: now [s].
        outlook: what the surface will probably do, or None.
        spread_k: how far this body stands above the outlook's surface [K].
        beside: the history whose humidity counts for it, or None.

    Returns:
        The leaned series.

    Source:
        No source: leaning by the accuracy is this program's own rule.
    """
    upper = lean is SafeSide.CLOSES
    shift = accuracy_k if upper else -accuracy_k
    ahead = None
    if outlook is not None and outlook.time_s.size:
        cold, warm = outlook.low_c, outlook.high_c
        safe, other = (cold, warm) if lean is SafeSide.OPENS else (warm, cold)
        ahead = (
            expected_course(outlook.time_s, outlook.surface_c, shift + spread_k),
            expected_course(outlook.time_s, safe, shift + spread_k),
            expected_course(outlook.time_s, other, -shift + spread_k),
        )
    return TemperatureBounds(
        what,
        course_of(time_s, temp_c, shift, max_gap_s, upper=upper, now_s=now_s, beside=beside),
        course_of(time_s, temp_c, -shift, max_gap_s, upper=not upper, now_s=now_s, beside=beside),
        ahead,
    )


def run_clock(
    frame: Clock,
    table: TimeTable,
    lean: SafeSide,
    body: TemperatureBounds,
    start_s: float,
    now_s: float,
    factor: float = 1.0,
) -> Clock:
    """Run one clock over a body's temperatures.

    Args:
        frame: name, section and the like of the clock to fill in.
        table: times by temperature.
        lean: the safe side.
        body: the temperatures.
        start_s: when it started [s].
        now_s: now [s].
        factor: what every time is multiplied by [1].

    Returns:
        The clock, running or ended.

    Source:
        As `rules.clocks.progress.progress`.
    """
    law = rate_law(table, lean, factor)
    came = progress(law, body.safe, start_s, now_s)
    ended_s = now_s if came.ended_at_s is None else came.ended_at_s
    missed = [(each, each.within_s(start_s, ended_s)) for each in body.silent]
    basis = join_words(basis_of(came, law, body.what, now_s, missed), body.note)
    if came.ended_at_s is not None:
        return replace(
            frame,
            state=ClockState.ENDED,
            started_s=start_s,
            left_s=0.0,
            ends_at_s=came.ended_at_s,
            ended_at_s=came.ended_at_s,
            basis=join_words(frame.basis, basis),
        )
    need = 1.0 - came.done
    damp = came.present_damp
    end = time_to_end_s(law, need, now_s, came.present_x, damp=damp)
    expected = None
    if body.ahead is not None:
        expected = time_to_end_s(law, need, now_s, came.present_x, body.ahead[0], damp)
    ends_at = expected if body.ahead is not None else end
    if ends_at is not None:
        ends_at = max(ends_at, now_s)
    return replace(
        frame,
        state=ClockState.RUNNING,
        started_s=start_s,
        left_s=None if end is None else max(end - now_s, 0.0),
        left_outlook_s=None if expected is None else max(expected - now_s, 0.0),
        ends_at_s=ends_at,
        ends_at_range_s=_range(law, body, came, need, start_s, now_s, ends_at),
        basis=join_words(frame.basis, basis),
        advice=join_words(_standstill(came, law, body.what) if end is None else "", frame.advice),
    )


def length_s(
    table: TimeTable, lean: SafeSide, body: TemperatureBounds, now_s: float
) -> float | None:
    """Return the whole length of a clock at the present temperature, or None where unknown [s]."""
    law = rate_law(table, lean)
    came = progress(law, body.safe, now_s, now_s)
    end = time_to_end_s(law, 1.0, now_s, came.present_x, damp=came.present_damp)
    return None if end is None else end - now_s


def _range(
    law: RateLaw,
    body: TemperatureBounds,
    came: Progress,
    need: float,
    start_s: float,
    now_s: float,
    ends_at_s: float | None,
) -> tuple[float, float] | None:
    """Earliest and latest end: the clock's own side, and the other side of what is not known."""
    if ends_at_s is None:
        return None
    far = progress(law, body.other, start_s, now_s)
    ahead = body.ahead
    if far.ended_at_s is not None:
        other: float | None = far.ended_at_s
    else:
        present = far.present_x
        if present is None and law.lean is SafeSide.CLOSES:
            present = float(law.knot_x[1])
        other = time_to_end_s(
            law,
            1.0 - far.done,
            now_s,
            present,
            ahead[2] if ahead is not None else None,
            far.present_damp,
        )
    safe = ends_at_s
    if ahead is not None:
        edge = time_to_end_s(law, need, now_s, came.present_x, ahead[1], came.present_damp)
        if edge is None:
            return None
        safe = max(edge, now_s)
    if other is None:
        other = ends_at_s
    return min(other, safe, ends_at_s), max(other, safe, ends_at_s)


def fixed_clock(frame: Clock, start_s: float, length: float, now_s: float, basis: str) -> Clock:
    """Return a clock whose length no temperature changes.

    Args:
        frame: name, section and the like of the clock to fill in.
        start_s: when it started [s].
        length: its whole length [s].
        now_s: now [s].
        basis: what the length rests on.

    Returns:
        The clock, running or ended.

    Source:
        No source: addition.
    """
    end = start_s + length
    over = now_s >= end
    return replace(
        frame,
        state=ClockState.ENDED if over else ClockState.RUNNING,
        started_s=start_s,
        left_s=0.0 if over else end - now_s,
        ends_at_s=end,
        ends_at_range_s=None if over else (end, end),
        ended_at_s=end if over else None,
        basis=join_words(frame.basis, basis),
    )


def join_words(*parts: str) -> str:
    """Join the parts that say something: whole sentences by a space, others by a semicolon.

    >>> join_words("", "not counting", "Wash it.", "Test it.")
    'not counting; Wash it. Test it.'
    """
    joined = ""
    for part in parts:
        if part:
            joined += (" " if joined.endswith(".") else "; " if joined else "") + part
    return joined


def basis_of(
    came: Progress, law: RateLaw, what: str, now_s: float, missed: Iterable[tuple[Silent, float]]
) -> str:
    """Say what a clock rests on: measured time, and how the unmeasured and the odd time counted.

    Args:
        came: how far it came.
        law: by which.
        what: "film" or "pot".
        now_s: now [s].
        missed: probes that said nothing for a part of it, and for how long [s].
    """
    opens = law.lean is SafeSide.OPENS
    taken = "coldest" if opens else "warmest"
    parts = [f"{duration_text(came.measured_s)} of measured {what} temperature"]
    for silent, lasted_s in missed:
        if lasted_s >= 30.0:
            counts = f", taken at the {taken} it can have been"
            if not silent.heard:
                counts = " and before, so it counts for nothing"
            parts.append(f"{silent.probe} silent for {duration_text(lasted_s)} of it{counts}")
    if came.unknown_s >= 0.5:
        parts.append(
            f"{duration_text(came.unknown_s)} not measured, taken at the {taken} it can have been"
        )
    by_columns = _columns_text(came, law)
    if by_columns:
        parts.append(by_columns)
    if came.blind_since_s is not None and came.ended_at_s is None:
        parts.append(
            f"no reading that counts for the last {duration_text(now_s - came.blind_since_s)}"
        )
    if came.below_s >= 30.0:
        counted = "not counted" if opens else f"counted as at {law.coldest_c:g} °C"
        coldest = "the sheet's coldest" if law.reckoned_x is None else "too cold to coat at all"
        parts.append(
            f"{duration_text(came.below_s)} below {law.coldest_c:g} °C, {coldest}, {counted}"
        )
    if came.reckoned_s >= 30.0:
        parts.append(
            f"{duration_text(came.reckoned_s)} colder than the sheet's only row, reckoned by "
            f"{STEEPEST_EA_J_PER_MOL / 1000.0:g} kJ/mol"
        )
    if came.above_s >= 30.0:
        counted = f"counted as at {law.hottest_c:g} °C" if opens else "counted faster still"
        parts.append(
            f"{duration_text(came.above_s)} above {law.hottest_c:g} °C, the sheet's hottest, "
            + counted
        )
    return ", ".join(parts)


def _columns_text(came: Progress, law: RateLaw) -> str:
    """Say by which of a sheet's columns by humidity a clock went, or "" where it has none."""
    lasted_s = came.measured_s + came.unknown_s
    if not law.columns or lasted_s < 30.0:
        return ""
    opens = law.lean is SafeSide.OPENS
    if came.present_damp is None:
        end = "slowest" if opens else "fastest"
        return f"no humidity known, so by the {end} of the sheet's columns"
    *others, last = (f"{humidity_pct:g}" for humidity_pct, _ in law.columns)
    columns = f"columns for {', '.join(others)} and {last} %" if others else f"column for {last} %"
    if came.plain_s < 30.0:
        return f"by the sheet's {columns} humidity"
    part = "" if lasted_s - came.plain_s < 30.0 else f"{duration_text(came.plain_s)} of it "
    than = "slower" if opens else "faster"
    return f"{part}by the sheet's times for no humidity in particular, {than} than its {columns}"


def _standstill(came: Progress, law: RateLaw, what: str) -> str:
    if came.present_x is None:
        return f"Not counting: the {what}'s temperature is not known now"
    now_c = -1.0 / came.present_x - ZERO_C_IN_K
    return (
        f"Not counting: the {what} may be as cold as {without_minus_zero(now_c, 1)} °C, and the "
        f"sheet gives no time below {law.coldest_c:g} °C"
    )


def with_held(clock: Clock, held: Sequence[str]) -> Clock:
    """Return a clock; an open window with what of its film holds the next coat all the same.

    Args:
        clock: of a section.
        held: what of the section's newest film holds the next coat, in words.
    """
    if not clock.is_open_window or not held:
        return clock
    return replace(clock, advice=join_words(*held, clock.advice))
