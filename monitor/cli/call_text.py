"""A call as lines for people, for `filmcall check` by hand and by the log."""

from __future__ import annotations

from rules.section import SectionCall
from rules.units import without_minus_zero


def lines(call: SectionCall, dew_margin_u95_k: float | None) -> str:
    """Return a call as people read it."""
    climate = call.climate
    shown = [f"{call.call.value}: {call.advice}   ({call.question} by {call.spec})"]
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
        shown.append("  " + ", ".join(figures))
    shown += [f"  {reason.state.value:<8}{reason.text}" for reason in call.reasons]
    shown.append("  This is about the film. It says nothing about the air that people breathe.")
    return "\n".join(shown)
