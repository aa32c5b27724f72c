"""The one sentence under a call: why it is so, and what would change it, in the screen's units.

Rests on a call's reasons; where a reason is no limit's, its own words stand.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from typing import Protocol, TypeVar

from monitor.screen.theme import Theme
from rules.call import Call
from rules.film_facts import Past
from rules.limits import is_upper, scale_of
from rules.reasons import (
    LIMIT_WORDS,
    FigureText,
    Reason,
    distance_text,
    in_reach,
    kept_text,
    value_text,
    wants_text,
)
from rules.section import SectionCall
from rules.spec.model import Spec
from rules.text import clean, duration_text
from rules.trend import trend_per_s
from rules.vocabulary import LimitName, LimitState

Series = Sequence[tuple[float, float]]

TREND_OF = {
    LimitName.DEW_MARGIN_MIN: "dew_margin_k",
    LimitName.HUMIDITY_MAX: "rh_pct",
    LimitName.HUMIDITY_MIN: "rh_pct",
    LimitName.SURFACE_TEMP_MIN: "surface_temp_c",
    LimitName.SURFACE_TEMP_MAX: "surface_temp_c",
    LimitName.AIR_TEMP_MIN: "air_temp_c",
    LimitName.AIR_TEMP_MAX: "air_temp_c",
}
"""Which trend shows a limit's quantity."""

_OWN_WORDS = (
    "clock",
    "ground",
    "induction",
    "intake",
    "log",
    "pot life",
    "recoat closes",
    "recoat opens",
)
"""What is known well enough: its own words say what to do or to wait for, and no time ends it."""

TIMERS = ("dwell", "re-entry")
"""Reasons that say how long all has been well, and how long it has to be."""

_LIMITS = {str(name): name for name in LimitName}
_SAMPLE_S = 300.0
_TREND_S = 3600.0


def limit_of(reason: Reason) -> LimitName | None:
    """Return the limit that a reason is about, or None for a timer, an outlook or a doubt."""
    return _LIMITS.get(reason.limit)


class Ground(Protocol):
    """What a reason and a reason heard from a broker both have."""

    @property
    def limit(self) -> str: ...
    @property
    def state(self) -> str: ...
    @property
    def value(self) -> float | None: ...
    @property
    def bound(self) -> float | None: ...
    @property
    def unit(self) -> str: ...


G = TypeVar("G", bound=Ground)


def lead(reasons: Sequence[G]) -> G | None:
    """Return the reason that a call is told by; of several limits past, not what noise has first.

    It is the first by name of those that are no whole step (`scale_of`) behind the worst.

    Args:
        reasons: worst first.
    """
    past = _past(reasons)
    if not past or reasons[0].limit not in _LIMITS:
        return reasons[0] if reasons else None
    over = {each.limit: _over(each) for each in past}
    return next(each for each in past if over[each.limit] >= max(over.values()) - 1.0)


def _over(ground: Ground) -> float:
    """How far a value is from its bound, in whole steps."""
    return abs((ground.value or 0.0) - (ground.bound or 0.0)) / scale_of(ground.unit)


def _past(reasons: Sequence[G]) -> list[G]:
    """The limits past their bounds, in the order of their names."""
    found = {
        each.limit: each
        for each in reasons
        if each.state == LimitState.BROKEN and None not in (each.value, each.bound)
    }
    return [found[name] for name in _LIMITS if name in found]


def why(
    call: SectionCall,
    theme: Theme,
    trends: Mapping[str, Series] | None = None,
    reason: Reason | None = None,
) -> str:
    """Return why a call is what it is, in one clause.

    Args:
        call: with its reasons.
        theme: for units and words.
        trends: recent series by name, from which a clear trend is told, or None.
        reason: the ground to put in words; `lead` where it is not given.
    """
    if reason is None:
        if not call.reasons:
            return "No limit is in force"
        if call.call is Call.GO:
            return _kept(call, theme, trends or {})
        reason = lead(call.reasons) or call.reasons[0]
    name = limit_of(reason)
    if name is None or reason.state is LimitState.UNKNOWN:
        return clean(reason.text)
    if reason.value is None or reason.bound is None:
        return clean(reason.text)
    text = _limit_text(call, reason, name, theme)
    series = (trends or {}).get(TREND_OF[name], ())
    moving = _moving(series, call.time_s, name, theme)
    return f"{text}; {moving}" if moving else text


def was(name: LimitName, past: Past, theme: Theme, when: str) -> str:
    """Return what a limit was when it was past its bound, in one clause.

    Args:
        name: the limit.
        past: then.
        theme: for the units.
        when: in words.
    """
    shown = _figure(theme)
    then = value_text(name, past.value, past.bound, past.climate, shown)
    return f"{then} at {when}; {wants_text(name, past.bound, shown)}"


def closest(call: SectionCall) -> Reason | None:
    """Return the limit that a call has least room to, as its reasons have them in order."""
    return next(
        (each for each in call.reasons if limit_of(each) and None not in (each.value, each.bound)),
        None,
    )


def turns_at(reason: Reason) -> float:
    """Return the value of a limit at which GO is lost: its bound and the guard inside it [unit]."""
    bound, guard = reason.bound or 0.0, reason.guard or 0.0
    name = limit_of(reason)
    return bound - guard if name is not None and is_upper(name) else bound + guard


def way_out(call: Call, reason: Reason, spec: Spec | None) -> float | None:
    """Return the value of a limit at which a call changes, or None where that is not known [unit].

    Args:
        call: in force: GO is lost past the guard, HOLD and STOP end a band inside it.
        reason: about the limit.
        spec: that the call was judged by, for its bands.
    """
    name = limit_of(reason)
    if name is None or reason.bound is None:
        return None
    if call is Call.GO:
        return turns_at(reason)
    if spec is None:
        return turns_at(reason) if call is Call.HOLD else None
    if call is Call.STOP:
        inside = spec.re_entry_band.of(name)
    else:
        inside = (reason.guard or 0.0) + spec.go_band.of(name)
    return reason.bound - inside if is_upper(name) else reason.bound + inside


def _kept(call: SectionCall, theme: Theme, trends: Mapping[str, Series]) -> str:
    """Why a call is GO: what it would first be lost to, or that all is kept, and for how long."""
    own = [
        clean(each.text)
        for each in call.reasons
        if limit_of(each) is None and each.limit not in (*TIMERS, "outlook", "surface", "limits")
    ]
    first = closest(call)
    if first is not None and _in_reach(first):
        return ". ".join([*own, why(call, theme, trends, first)])
    looked = any(each.limit == "outlook" and each.state is LimitState.OK for each in call.reasons)
    return ". ".join([*own, kept_text(call.looked_ahead_s, by_outlook=looked)])


def _in_reach(reason: Reason) -> bool:
    name = limit_of(reason)
    if name is None or reason.value is None or reason.bound is None:
        return False
    return in_reach(name, reason.value, reason.bound, reason.guard or 0.0)


def change(call: SectionCall, theme: Theme, spec: Spec | None) -> str:
    """Return what would change a call, in one clause, or "" where its reason says it already.

    Args:
        call: with its reasons.
        theme: for units and words.
        spec: that the call was judged by, for its bands and times; None where it is not at hand.
    """
    if not call.reasons:
        return ""
    first = lead(call.reasons) or call.reasons[0]
    timers = {reason.limit: reason for reason in call.reasons}
    if call.call is Call.GO:
        return _go_until(call, theme)
    if first.limit in _OWN_WORDS:
        return ""
    if call.call is Call.STOP:
        others = [each for each in _past(call.reasons) if each is not first]
        return _stop_until(first, others, timers.get("re-entry"), theme, spec)
    if first.state is LimitState.UNKNOWN and first.limit != "outlook":
        return "No GO until this is known"
    if first.limit == "outlook":
        return _go_when(call.reasons)
    if first.limit == "dwell":
        return _timer_left(first, "GO")
    return _go_after(first, theme, spec)


def figure(name: LimitName, value: float, theme: Theme, *, places: int = 1) -> str:
    """Return a limit's figure in the screen's units.

    Args:
        name: the limit, which tells margin, humidity and temperature apart.
        value: in K, % or °C.
        theme: for the units.
        places: digits behind the point.
    """
    if name is LimitName.DEW_MARGIN_MIN:
        return theme.difference(value, places=places)
    if name in (LimitName.HUMIDITY_MAX, LimitName.HUMIDITY_MIN):
        return f"{value:.{places}f} %"
    return theme.temp(value, places=places)


def _limit_text(call: SectionCall, reason: Reason, name: LimitName, theme: Theme) -> str:
    return distance_text(
        name,
        reason.value or 0.0,
        reason.bound or 0.0,
        reason.guard or 0.0,
        call.climate,
        _figure(theme),
    )


def _what(call: SectionCall, reason: Reason, name: LimitName, theme: Theme) -> str:
    return value_text(name, reason.value or 0.0, reason.bound or 0.0, call.climate, _figure(theme))


def _figure(theme: Theme) -> FigureText:
    def shown(name: LimitName, value: float, places: int) -> str:
        return figure(name, value, theme, places=places)

    return shown


def _small(text: str) -> str:
    return text[:1].lower() + text[1:]


def _moving(series: Series, now_s: float, name: LimitName, theme: Theme) -> str:
    """What the last hour shows, by the same estimator that the call looks ahead with."""
    samples: list[tuple[float, float]] = []
    for time_s, value in series[bisect_left(series, (now_s - _TREND_S - _SAMPLE_S,)) :]:
        if time_s <= now_s and (not samples or time_s - samples[-1][0] >= _SAMPLE_S):
            samples.append((time_s, value))
    per_hour = trend_per_s(samples) * 3600.0
    if not per_hour:
        return ""
    percent = name in (LimitName.HUMIDITY_MAX, LimitName.HUMIDITY_MIN)
    rate = f"{abs(per_hour):.1f} %" if percent else theme.difference(abs(per_hour))
    return f"{'rising' if per_hour > 0.0 else 'falling'} {rate} an hour"


def _go_until(call: SectionCall, theme: Theme) -> str:
    first = closest(call)
    name = None if first is None else limit_of(first)
    if first is None or name is None:
        return ""
    side = "over" if is_upper(name) else "under"
    until = f"HOLD {side} {figure(name, turns_at(first), theme)}"
    if _in_reach(first):
        return until
    return f"Closest: {_small(_what(call, first, name, theme))}, {until}"


def _go_after(reason: Reason, theme: Theme, spec: Spec | None) -> str:
    name, at = limit_of(reason), way_out(Call.HOLD, reason, spec)
    if name is None or at is None:
        return ""
    wanted = f"{figure(name, at, theme)} or {'less' if is_upper(name) else 'more'}"
    if spec is None:
        return f"GO needs {wanted}"
    return f"GO after {duration_text(spec.dwell_s)} at {wanted}"


def _go_when(reasons: Sequence[Reason]) -> str:
    """What has to ease before GO: the recent trend, the outlook that was made, or both."""
    bad = [each for each in reasons if each.limit == "outlook" and each.state is LimitState.NEAR]
    if all(each.by_trend for each in bad):
        return "No GO while it is heading for its limit"
    if any(each.by_trend for each in bad):
        return "No GO while trend and outlook lead past a limit"
    return "No GO while the outlook leads past a limit"


def _stop_until(
    first: Reason,
    others: Sequence[Reason],
    re_entry: Reason | None,
    theme: Theme,
    spec: Spec | None,
) -> str:
    if re_entry is not None:
        return _timer_left(re_entry, "HOLD")
    if first.state is LimitState.UNKNOWN:
        return "STOP stays until this is known"
    if spec is None:
        return "STOP ends once it is well inside again"
    time = duration_text(spec.re_entry_s)
    at = way_out(Call.STOP, first, spec)
    name = limit_of(first)
    if name is None or at is None or first.state is not LimitState.BROKEN:
        return f"STOP ends after {time} well inside every limit"
    if not others:
        side = "less" if is_upper(name) else "more"
        return f"STOP ends after {time} at {figure(name, at, theme)} or {side}"
    ends = [_inside(first, theme, spec)]
    ends += [f"{LIMIT_WORDS[_LIMITS[each.limit]]} {_inside(each, theme, spec)}" for each in others]
    return f"STOP ends after {time} {' and '.join(ends)}"


def _inside(reason: Reason, theme: Theme, spec: Spec) -> str:
    """Where a limit has to be for the end of a STOP, such as `over 3.5 K`."""
    name, at = _LIMITS[reason.limit], way_out(Call.STOP, reason, spec) or 0.0
    return f"{'under' if is_upper(name) else 'over'} {figure(name, at, theme)}"


def _timer_left(reason: Reason, call: str) -> str:
    left_s = max(0.0, (reason.bound or 0.0) - (reason.value or 0.0))
    return f"{call} in {duration_text(left_s)} if it stays so"
