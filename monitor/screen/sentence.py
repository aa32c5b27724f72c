"""The one sentence under a call: why it is so, and what would change it, in the screen's units.

Rests on a call's reasons; where a reason is no limit's, its own words stand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from monitor.screen.phrases import LIMIT_WORDS
from monitor.screen.theme import Theme
from rules.call import Call
from rules.limits import is_upper
from rules.reasons import Reason
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

_OWN_WORDS = ("induction", "pot life", "recoat opens", "recoat closes")
"""What is known well enough: its own words say what to do or to wait for."""

TIMERS = ("dwell", "re-entry")
"""Reasons that say how long all has been well, and how long it has to be."""

_LIMITS = {str(name): name for name in LimitName}
_SAMPLE_S = 300.0
_TREND_S = 3600.0


def limit_of(reason: Reason) -> LimitName | None:
    """Return the limit that a reason is about, or None for a timer, an outlook or a doubt."""
    return _LIMITS.get(reason.limit)


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
        reason: the ground to put in words; the first where it is not given.
    """
    if reason is None:
        if not call.reasons:
            return "no limit is in force"
        reason = call.reasons[0]
    name = limit_of(reason)
    if name is None or reason.state is LimitState.UNKNOWN:
        return clean(reason.text)
    if reason.value is None or reason.bound is None:
        return clean(reason.text)
    text = _limit_text(call, reason, name, theme)
    series = (trends or {}).get(TREND_OF[name], ())
    moving = _moving(series, call.time_s, name, theme)
    return f"{text}; {moving}" if moving else text


def change(call: SectionCall, theme: Theme, spec: Spec | None) -> str:
    """Return what would change a call, in one clause, or "" where its reason says it already.

    Args:
        call: with its reasons.
        theme: for units and words.
        spec: that the call was judged by, for its bands and times; None where it is not at hand.
    """
    if not call.reasons:
        return ""
    first = call.reasons[0]
    timers = {reason.limit: reason for reason in call.reasons}
    if call.call is Call.GO:
        return _go_until(call, theme)
    if call.call is Call.STOP:
        return _stop_until(first, timers.get("re-entry"), theme, spec)
    if first.limit in _OWN_WORDS:
        return ""
    if first.state is LimitState.UNKNOWN and first.limit != "outlook":
        return "No GO until this is known"
    if first.limit == "outlook":
        return _go_when(call.reasons)
    if first.limit == "dwell":
        return _timer_left(first, "GO")
    return _go_after(first, theme, spec)


def figure(name: LimitName, value: float, theme: Theme, spread: float | None = None) -> str:
    """Return a limit's figure in the screen's units.

    Args:
        name: the limit, which tells margin, humidity and temperature apart.
        value: in K, % or °C.
        theme: for the units.
        spread: what stands after the ±, in K or %, or None.
    """
    if name is LimitName.DEW_MARGIN_MIN:
        return theme.difference(value, spread)
    if name in (LimitName.HUMIDITY_MAX, LimitName.HUMIDITY_MIN):
        return f"{value:.1f} %" if spread is None else f"{value:.1f} ± {spread:.1f} %"
    return theme.temp(value, spread)


def _limit_text(call: SectionCall, reason: Reason, name: LimitName, theme: Theme) -> str:
    value, bound, guard = reason.value or 0.0, reason.bound or 0.0, reason.guard or 0.0
    needs = _bare(figure(name, bound, theme))
    if guard:
        sure = bound - guard if is_upper(name) else bound + guard
        needs = f"{needs} ({_bare(figure(name, sure, theme))} to be sure)"
    if name is LimitName.DEW_MARGIN_MIN:
        climate = call.climate
        dew_c, frost_c = climate.dew_point_c, climate.frost_point_c
        frost = dew_c is not None and frost_c is not None and frost_c > dew_c
        what = "frost" if frost else "dew"
        over = f"over the {what} point"
        if value < 0.0:
            forms = "frost forms" if frost else "water forms"
            over = f"under the {what} point, {forms} on it"
        return f"surface {theme.difference(abs(value))} {over}, needs {needs}"
    what = LIMIT_WORDS[name]
    side = "at most" if is_upper(name) else "at least"
    return f"{what} {figure(name, value, theme)}, {side} {needs}"


def _bare(shown: str) -> str:
    """A figure without its unit, where the unit stands beside it already."""
    return shown.rsplit(" ", 1)[0]


def _moving(series: Series, now_s: float, name: LimitName, theme: Theme) -> str:
    """What the last hour shows, by the same estimator that the call looks ahead with."""
    samples: list[tuple[float, float]] = []
    for time_s, value in series:
        if now_s - _TREND_S - _SAMPLE_S <= time_s <= now_s and (
            not samples or time_s - samples[-1][0] >= _SAMPLE_S
        ):
            samples.append((time_s, value))
    per_hour = trend_per_s(samples) * 3600.0
    if not per_hour:
        return ""
    percent = name in (LimitName.HUMIDITY_MAX, LimitName.HUMIDITY_MIN)
    rate = f"{abs(per_hour):.1f} %" if percent else theme.difference(abs(per_hour))
    return f"{'rising' if per_hour > 0.0 else 'falling'} {rate} an hour"


def _go_until(call: SectionCall, theme: Theme) -> str:
    for reason in call.reasons:
        name = limit_of(reason)
        if name is None or reason.bound is None or reason.guard is None:
            continue
        inside = -reason.guard if is_upper(name) else reason.guard
        side = "over" if is_upper(name) else "under"
        return f"It turns HOLD {side} {figure(name, reason.bound + inside, theme)}"
    return ""


def _go_after(reason: Reason, theme: Theme, spec: Spec | None) -> str:
    name = limit_of(reason)
    if name is None or reason.bound is None:
        return ""
    side = "less" if is_upper(name) else "more"
    inside = reason.guard or 0.0
    if spec is not None:
        inside += spec.go_band.of(name)
    value = figure(name, reason.bound + (-inside if is_upper(name) else inside), theme)
    if spec is None:
        return f"GO needs {value} or {side}"
    return f"GO after {duration_text(spec.dwell_s)} at {value} or {side}"


def _go_when(reasons: Sequence[Reason]) -> str:
    """What has to ease before GO: the recent trend, the outlook that was made, or both."""
    bad = [each for each in reasons if each.limit == "outlook" and each.state is LimitState.NEAR]
    if all(each.by_trend for each in bad):
        return "GO waits until the trend no longer leads past the limit"
    if any(each.by_trend for each in bad):
        return "GO waits until neither trend nor outlook leads past a limit"
    return "GO waits for an outlook in which the limit holds"


def _stop_until(first: Reason, re_entry: Reason | None, theme: Theme, spec: Spec | None) -> str:
    if re_entry is not None:
        return _timer_left(re_entry, "HOLD")
    if first.state is LimitState.UNKNOWN:
        return "STOP stays until this is known"
    name = limit_of(first)
    if name is None and first.state is LimitState.BROKEN:
        return ""  # the closed recoat window: its own words say what to do
    if spec is None:
        return "STOP ends once it is well inside again"
    time = duration_text(spec.re_entry_s)
    if name is None or first.bound is None or first.state is not LimitState.BROKEN:
        return f"STOP ends after {time} well inside every limit"
    inside = spec.re_entry_band.of(name)
    value = figure(name, first.bound + (-inside if is_upper(name) else inside), theme)
    return f"STOP ends after {time} at {value} or {'less' if is_upper(name) else 'more'}"


def _timer_left(reason: Reason, call: str) -> str:
    left_s = max(0.0, (reason.bound or 0.0) - (reason.value or 0.0))
    return f"{call} in {duration_text(left_s)} if it stays so"
