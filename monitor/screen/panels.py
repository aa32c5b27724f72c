"""What each panel of the screen holds, as short pieces of text; `layout` arranges them."""

from __future__ import annotations

from rich.text import Text

from monitor.screen.freshness import is_renewed
from monitor.screen.phrases import (
    COUNT_WORDS,
    QUANTITY_WORDS,
    SURFACE_ASSUMED,
    quality_word,
    state_word,
)
from monitor.screen.pieces import Piece, event_text, join
from monitor.screen.sentence import TIMERS, change, lead, limit_of, why
from monitor.screen.view import ROLE, View
from monitor.snapshot import PointHealth, Snapshot
from rules.air.uncertainty import GUARD_FACTOR, SHOW_FACTOR, standard_uncertainty
from rules.call import Call
from rules.reasons import LIMIT_WORDS
from rules.section import SectionCall
from rules.text import clean, counted, duration_text
from rules.vocabulary import LimitName, LimitState
from sensors.reading import Quality, Quantity

_MARK = {Call.GO: "▶", Call.HOLD: "‖", Call.STOP: "X"}
_FEW_MARK = {Call.GO: ">", Call.HOLD: "=", Call.STOP: "X"}
_WORTH_SAYING_K = 0.2


def sentence(view: View, call: SectionCall, clauses_wanted: int = 3) -> str:
    """Return why a call is so and what would change it, as `clauses` has it, in one line."""
    return " ".join(f"{clause}." for clause in clauses(view, call, clauses_wanted))


def clauses(view: View, call: SectionCall, clauses_wanted: int = 3) -> list[str]:
    """Return why a call is so and what would change it, without full stops.

    Args:
        view: that it stands in.
        call: to put in words.
        clauses_wanted: 3 for all; 2 without what would change it; 1 without the trend too.
            That the surface is only assumed is never left out.
    """
    trends = view.snapshot.trends if call is view.worst and clauses_wanted > 1 else None
    found = [why(call, view.theme, trends)]
    if call.reasons and call.reasons[0].limit in TIMERS:
        # The timer says in each clause what is asked for; while nothing comes it stands still.
        if not is_renewed(view.snapshot, call.section):
            found = [f"{found[0].split(';')[0]} when last heard"]
        elif clauses_wanted > 2:
            found = [found[0].split(";")[0], change(call, view.theme, None)]
    elif clauses_wanted > 2:
        end = change(call, view.theme, view.snapshot.specs.get(call.spec))
        first = lead(call.reasons)
        broken = [each for each in call.reasons if each.state is LimitState.BROKEN]
        names = [limit_of(each) for each in broken if each is not first]
        words = [LIMIT_WORDS[name] for name in names if name and LIMIT_WORDS[name] not in end]
        found += [f"Also past: {', '.join(words)}"] if words else []
        found.append(end)
    if call.climate.assumed_offset_k is not None:
        found.append(SURFACE_ASSUMED[:1].upper() + SURFACE_ASSUMED[1:])
    return [clause for clause in found if clause]


def notices(snapshot: Snapshot) -> list[str]:
    """Return what has to be said beside the call and is not its own reason already."""
    reasons = snapshot.calls[0].reasons[:1] if snapshot.calls else ()
    said = {clean(each.text).rstrip(".") for each in reasons}
    return [each for each in map(clean, snapshot.notices) if each.rstrip(".") not in said]


def section_items(view: View) -> list[Text]:
    """One piece a section: mark, call and name; nothing where there is but one."""
    calls = view.snapshot.calls
    if len(calls) < 2:
        return []
    return [
        join(
            (f"{_mark(view, call)} {call.call.value}", view.theme.call_word(call.call)),
            " ",
            view.section_word(call.section),
        )
        for call in calls
    ]


def _mark(view: View, call: SectionCall) -> str:
    """A call's mark; a GO whose own points are not all heard is asked."""
    if call.call is Call.GO and not is_renewed(view.snapshot, call.section):
        return "?"
    return (_FEW_MARK if view.theme.few_glyphs else _MARK)[call.call]


def section_lines(view: View) -> list[Text]:
    """One line a section, with its reason; for large screens."""
    return [
        join(piece, ": ", sentence(view, call))
        for piece, call in zip(section_items(view), view.snapshot.calls, strict=False)
    ]


def limit_lines(view: View) -> list[Text]:
    """Every limit and every other ground of the worst call, worst first."""
    if view.worst is None:
        return []
    lines = []
    for reason in view.worst.reasons:
        if reason.limit == "outlook":
            continue
        mark = view.piece(f"{state_word(reason.state):<8}", ROLE[reason.state])
        lines.append(join(mark, " ", why(view.worst, view.theme, None, reason)))
    return lines


# --- climate


def _spread(view: View, point: str, quantity: Quantity) -> float | None:
    """95 % half-width of a point's value, from its accuracy [unit]."""
    for health in view.snapshot.points:
        if health.point == point and health.quantity is quantity:
            if health.accuracy is None:
                return None
            return SHOW_FACTOR * standard_uncertainty(health.accuracy)
    return None


def climate_items(view: View) -> list[Text]:
    """Air, humidity, dew or frost point, coldest surface and margin, each with its ±."""
    call = view.worst
    if call is None:
        return []
    climate, theme = call.climate, view.theme
    unknown = view.piece("not known", "unknown")
    air: Piece = unknown
    if climate.air_temp_c is not None:
        spread = _spread(view, climate.air_point, Quantity.AIR_TEMP)
        air = view.piece(theme.temp(climate.air_temp_c, spread), "strong")
    humidity: Piece = unknown
    if climate.rh_pct is not None:
        spread = _spread(view, climate.air_point, Quantity.HUMIDITY)
        humidity = view.piece(theme.percent(climate.rh_pct, spread), "strong")
        dampest = view.reason_of(LimitName.HUMIDITY_MAX)
        if dampest is not None and (dampest.value or 0.0) >= climate.rh_pct + 0.5:
            humidity = join(humidity, f", {theme.percent(dampest.value or 0.0)} at its dampest")
    surface: Piece = unknown
    if climate.surface_temp_c is not None:
        spread = _spread(view, climate.surface_point, Quantity.SURFACE_TEMP)
        if climate.assumed_offset_k is not None:
            said = climate.estimates.get(LimitName.SURFACE_TEMP_MIN, ())
            guards = [each.guard for each in said if each.source == climate.surface_point]
            spread = SHOW_FACTOR / GUARD_FACTOR * max(guards) if guards else None
        surface = view.piece(theme.temp(climate.surface_temp_c, spread), "strong")
    where = ""
    if climate.assumed_offset_k is not None:
        where = "(assumed, no probe)"
    elif climate.surface_point:
        where = f"({clean(climate.surface_point)}, the coldest)"
    dew_c, frost_c = climate.dew_point_c, climate.frost_point_c
    frost = dew_c is not None and frost_c is not None and frost_c > dew_c
    wetting = frost_c if frost else dew_c
    point = unknown if wetting is None else view.piece(theme.temp(wetting), "strong")
    margin: Piece = unknown
    if climate.dew_margin_k is not None:
        u_k = climate.dew_margin_u_k
        spread = None if u_k is None else SHOW_FACTOR * u_k
        role = view.role_of(LimitName.DEW_MARGIN_MIN) or "strong"
        margin = view.piece(theme.difference(climate.dew_margin_k, spread), role)
        likely_k = climate.likely_margin_k()
        if likely_k is not None and likely_k - climate.dew_margin_k >= _WORTH_SAYING_K:
            many = f", the lowest of {len(climate.pairs)}; likely {theme.difference(likely_k)}"
            margin = join(margin, view.piece(many, "label"))
    at = [view.piece(f" at {clean(climate.air_point)}", "label")] if climate.air_point else []
    which = [view.piece(f" {where}", "label")] if where else []
    return [
        join(view.label("air"), air),
        join(view.label("humidity"), humidity),
        join(view.label("frost point" if frost else "dew point"), point, *at),
        join(view.label("surface"), surface, *which),
        join(view.label("margin"), margin),
    ]


# --- sensors


def fault_items(view: View) -> list[Text]:
    """What is wrong with the link and with sensors; empty where all is well."""
    items = []
    snapshot = view.snapshot
    if not snapshot.link_ok:
        words = "NO LINK" + (f" {clean(snapshot.link)}" if snapshot.link else "")
        items.append(view.part(words, "broken"))
    for health in snapshot.points:
        if health.quality is Quality.OK:
            continue
        what = f"{clean(health.point)} {QUANTITY_WORDS[health.quantity]}"
        text = f"{what} {quality_word(health.quality)}"
        age = "never heard"
        if health.age_s is not None:
            age = duration_text(health.age_s)
        items.append(join(view.piece(text, "unknown"), f" {age}"))
    return items


def sensor_items(view: View, *, long: bool = False, brief: bool = False) -> list[Text]:
    """Faults first, then every body that is well with its age and its last check.

    Args:
        long: with every value and the link's state.
        brief: how many are well in place of every one.
    """
    snapshot = view.snapshot
    items = fault_items(view)
    bodies: dict[str, list[PointHealth]] = {}
    for health in snapshot.points:
        if health.quality is Quality.OK:
            bodies.setdefault(health.point, []).append(health)
    if brief and bodies:
        ages = [part.age_s or 0.0 for well in bodies.values() for part in well]
        oldest = duration_text(max(ages))
        well_ages = (
            f"1 value ok, {oldest}" if len(ages) == 1 else f"{len(ages)} values ok, oldest {oldest}"
        )
        items.append(Text(well_ages))
        return items
    for point, well in bodies.items():
        age_s = max((part.age_s or 0.0) for part in well)
        parts: list[Piece] = [view.label(clean(point)), duration_text(age_s)]
        checks = [p.calibration_age_s for p in well if p.calibration_age_s is not None]
        if checks:
            parts.append(view.piece(f", checked {duration_text(max(checks))} ago", "label"))
        if long:
            values = ", ".join(_value(view, part) for part in well)
            parts += [": ", view.piece(values, "label")]
        items.append(join(*parts))
    if not snapshot.points:
        items.append(view.part("no sensor is configured", "unknown"))
    counts = {name: count for name, count in snapshot.counts.items() if count}
    if counts:
        listed = ", ".join(_counted(name, count) for name, count in counts.items())
        items.append(view.part(listed, "label"))
    if long and snapshot.link and snapshot.link_ok:
        items.append(view.part(f"link {clean(snapshot.link)}", "label"))
    return items


def _counted(name: str, count: int) -> str:
    if name in COUNT_WORDS:
        return counted(count, *COUNT_WORDS[name])
    return f"{count} {clean(name)}"


def _value(view: View, health: PointHealth) -> str:
    what = QUANTITY_WORDS[health.quantity]
    if health.value is None:
        return what
    if health.quantity is Quantity.HUMIDITY:
        return f"{what} {view.theme.percent(health.value)}"
    if health.quantity in (Quantity.AIR_TEMP, Quantity.SURFACE_TEMP):
        return f"{what} {view.theme.temp(health.value)}"
    return f"{what} {health.value:.0f} {health.quantity.unit}"


# --- events


def event_items(view: View) -> list[Text]:
    """The last events, newest first."""
    events = view.snapshot.events
    if not events:
        return [view.part("nothing recorded yet", "label")]
    return [
        join(
            view.label(view.when(event.time_s)),
            event_text(event),
        )
        for event in events
    ]
