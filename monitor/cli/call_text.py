"""A call as lines for people, for `filmcall check` by hand and by the log."""

from __future__ import annotations

from monitor.display import shown
from rules.reasons import Reason
from rules.section import SectionCall
from rules.units import without_minus_zero


def lines(call: SectionCall, dew_margin_u95_k: float | None) -> str:
    """Return a call as people read it, in their units."""
    climate = call.climate
    said = [f"{call.call.value}: {call.advice}   ({call.question} by {call.spec})"]
    figures = []
    if climate.dew_point_c is not None:
        figures.append(f"dew point {without_minus_zero(climate.dew_point_c, 1)} °C")
    if climate.frost_point_c is not None:
        figures.append(f"frost point {without_minus_zero(climate.frost_point_c, 1)} °C")
    if climate.dew_margin_k is not None:
        figures.append(
            f"dew margin {without_minus_zero(climate.dew_margin_k, 1)} "
            f"± {dew_margin_u95_k or 0.0:.1f} K"
        )
    if figures:
        points = [each for each in (climate.dew_point_c, climate.frost_point_c) if each is not None]
        margin = [climate.dew_margin_k or 0.0, dew_margin_u95_k or 0.0]
        said.append(shown("  " + ", ".join(figures), points, margin))
    said += [f"  {reason.state.value:<8}{_reason_text(reason)}" for reason in call.reasons]
    said.append("  This is about the film. It says nothing about the air that people breathe.")
    return "\n".join(said)


def _reason_text(reason: Reason) -> str:
    """A reason in people's units, by the figures themselves and not as the sentence rounds them."""
    value, bound, guard = reason.value, reason.bound, reason.guard or 0.0
    exact = [] if value is None else [value, abs(value)]
    exact += [] if bound is None else [bound, bound + guard, bound - guard]
    return shown(reason.text, *(exact if reason.unit == unit else [] for unit in ("degC", "K")))
