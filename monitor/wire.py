"""What the program says, as JSON: the one place where calls become dicts with their fixed keys."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from rules.air.state import (
    STANDARD_PRESSURE_PA,
    absolute_humidity_g_per_m3,
    humidity_ratio_g_per_kg,
    wet_bulb_c,
)
from rules.air.uncertainty import SHOW_FACTOR
from rules.call import Call
from rules.text import iso_local, iso_utc
from rules.vocabulary import ALL_SECTIONS, LimitState
from sensors.zones import zone_or_utc

if TYPE_CHECKING:
    # Who asks for clocks need not wait for what makes a call.
    from rules.answer import Answer
    from rules.clocks.clock import Clock
    from rules.reasons import Reason
    from rules.section import SectionCall

Json = dict[str, Any]


def reason_dict(reason: Reason) -> Json:
    """Return one reason with its fixed keys."""
    return {
        "limit": reason.limit,
        "state": reason.state.value,
        "value": _rounded(reason.value),
        "bound": _rounded(reason.bound),
        "guard": _rounded(reason.guard),
        "unit": reason.unit,
        "text": reason.text,
    }


def section_dict(call: SectionCall, pressure_pa: float = STANDARD_PRESSURE_PA) -> Json:
    """Return one section's call with its fixed keys.

    Args:
        call: with its reasons.
        pressure_pa: of the air, for the wet bulb and the humidity ratio [Pa].
    """
    climate = call.climate
    air_temp_c, rh_pct = climate.air_temp_c, climate.rh_pct
    wet_bulb = ratio = absolute = None
    if air_temp_c is not None and rh_pct is not None and climate.dew_point_c is not None:
        wet_bulb = wet_bulb_c(air_temp_c, rh_pct, pressure_pa)
        ratio = humidity_ratio_g_per_kg(air_temp_c, rh_pct, pressure_pa)
        absolute = absolute_humidity_g_per_m3(air_temp_c, rh_pct)
    margin_u_k = climate.dew_margin_u_k
    return {
        "call": call.call.value,
        "question": call.question,
        "stage": call.stage.value,
        "section": call.section,
        "advice": call.advice,
        "reasons": [reason_dict(reason) for reason in _worst_first(call.call, call.reasons)],
        "air_temp_c": _rounded(air_temp_c),
        "rh_pct": _rounded(rh_pct),
        "surface_temp_c": _rounded(climate.surface_temp_c),
        "dew_point_c": _rounded(climate.dew_point_c),
        "frost_point_c": _rounded(climate.frost_point_c),
        "wet_bulb_c": _rounded(wet_bulb),
        "dew_margin_k": _rounded(climate.dew_margin_k),
        "dew_margin_likely_k": _rounded(climate.likely_margin_k()),
        "dew_margin_u95_k": _rounded(None if margin_u_k is None else SHOW_FACTOR * margin_u_k),
        "humidity_ratio_g_per_kg": _rounded(ratio),
        "absolute_humidity_g_per_m3": _rounded(absolute),
        "looked_ahead_s": call.looked_ahead_s,
        "harm_time_s": _rounded(call.harm_time_s),
        "last_start": None if call.last_start_s is None else iso_utc(call.last_start_s),
        "cause": sorted(call.cause),
        "start": None if call.start is None else answer_dict(call.start),
        "films": None if call.films is None else answer_dict(call.films),
        "spec": call.spec,
        "time": iso_utc(call.time_s),
    }


def answer_dict(answer: Answer) -> Json:
    """Return one of a section's two answers with its fixed keys."""
    return {
        "call": answer.call.value,
        "advice": answer.advice,
        "reasons": [reason_dict(reason) for reason in _worst_first(answer.call, answer.reasons)],
        "cause": sorted(answer.cause),
    }


def answers_of(calls: Sequence[SectionCall], section: str) -> tuple[Json | None, Json | None]:
    """Return a section's two answers; one that nothing is known of yet has the whole enclosure's.

    Args:
        calls: of the enclosure's sections.
        section: its name.
    """
    by_name = {call.section: call for call in calls}
    call = by_name.get(section) or by_name.get(ALL_SECTIONS)
    if call is None:
        return None, None
    start = None if call.start is None else answer_dict(call.start)
    return start, None if call.films is None else answer_dict(call.films)


def enclosure_dict(
    name: str, calls: Sequence[SectionCall], pressure_pa: float = STANDARD_PRESSURE_PA
) -> Json:
    """Return an enclosure's call: the worst section's, and every section's beside it.

    Args:
        name: the enclosure's.
        calls: of its sections, worst first; at least one.
        pressure_pa: of the air [Pa].
    """
    sections = [section_dict(call, pressure_pa) for call in calls]
    return {"enclosure": name, **sections[0], "sections": sections}


def clock_dict(clock: Clock) -> Json:
    """Return one clock with its fixed keys; a clock of no section is of "all"."""
    range_s = clock.ends_at_range_s
    return {
        "name": clock.name.value,
        "section": clock.section or ALL_SECTIONS,
        "batch": clock.batch,
        "state": clock.state.value,
        "left_s": clock.left_s,
        "left_outlook_s": clock.left_outlook_s,
        "started_at": iso_second(clock.started_s),
        "ends_at": iso_second(clock.ends_at_s),
        "ends_at_range": None
        if range_s is None
        else [iso_second(range_s[0]), iso_second(range_s[1])],
        "basis": clock.basis,
        "advice": clock.advice,
        "spec": clock.spec,
        "coat": clock.coat,
        "next_spec": clock.next_spec or None,
    }


def iso_second(time_s: float | None) -> str | None:
    """Return a time as ISO 8601 UTC to the second, or None for none."""
    return None if time_s is None else iso_utc(round(time_s))


def time_in(time_s: float, timezone: str) -> str:
    """Return a time as ISO 8601: in UTC with Z, elsewhere in local time with its offset."""
    return iso_utc(time_s) if timezone == "Etc/UTC" else iso_local(time_s, zone_or_utc(timezone))


def plain_line(name: str, call: SectionCall, timezone: str = "Etc/UTC") -> str:
    """Return one line for people: time, call, whose, the first reason and what is asked of them.

    Args:
        name: of the enclosure.
        call: of its worst section.
        timezone: in which the time is shown; other than UTC it stands with its offset.
    """
    time = time_in(round(call.time_s), timezone)
    first = call.reasons[0].text if call.reasons else "no limit is in force"
    if call.climate.assumed_offset_k is not None:
        first += " (no surface probe: surface assumed)"
    advice = call.advice
    if call.call is Call.GO:
        advice += "; about the film, never about the air people breathe"
    return f"{time}  {call.call.value:<4}  {name}/{call.section}: {first} [{advice}]"


def _worst_first(call: Call, reasons: Sequence[Reason]) -> Sequence[Reason]:
    """The reasons by their state, for programs: what is not known goes before what is ok.

    People are told last of an outlook that nobody has, and of guidance, since neither decides; of
    a GO programs are too, whose first reason is what is said of the film.
    """
    if call is Call.GO:
        return reasons
    return sorted(reasons, key=lambda reason: reason.state is LimitState.OK)


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4) + 0.0  # no minus zero
