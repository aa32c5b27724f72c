"""What the page shows of an enclosure, as words and figures for template and script alike.

Pure. All that is text stays text; the two fill it in without reading it. Where there is no word
nothing of the present is said either.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any
from urllib.parse import quote

from monitor import display
from monitor.contract import GO_ASKED
from monitor.listen.message import Alarm, CallMessage, Clock, Figure, Outlook
from monitor.listen.words import LABELS, alarm_text, brief_here, in_units, sentence, sentences
from monitor.listen.yard import NO_WORD, Key, Row
from monitor.screen.phrases import DO_NOT_TRUST, VAPOUR, clock_words, event_word
from monitor.screen.sentence import lead
from rules.call import Call
from rules.limits import is_upper
from rules.reasons import LIMIT_WORDS
from rules.text import duration_text, hour_and_day_text, hour_text
from rules.units import HOUR_S
from rules.vocabulary import (
    ALL_SECTIONS,
    FILM_STAGES,
    ClockName,
    EventKind,
    LimitName,
)

Json = dict[str, Any]

SIGNS = {"degC": "°C"}
_CHART_W, _CHART_H = 320.0, 96.0
_LEAST_SPAN_K = 4.0
_ENDED_SHOWN_S = 12.0 * HOUR_S

BUTTONS = (
    EventKind.MIXED,
    EventKind.COAT_STARTED,
    EventKind.COAT_ENDED,
    EventKind.WIPED,
    EventKind.WASHED,
    EventKind.SANDED,
    EventKind.TAPE_ON,
    EventKind.TAPE_OFF,
    EventKind.POT_ENDED,
    EventKind.INSPECTED,
    EventKind.NOTE,
    EventKind.ACKNOWLEDGED,
)
"""What a gloved hand records, the most frequent first."""
_BUTTON_WORDS = {EventKind.ACKNOWLEDGED: "alarm seen", EventKind.POT_ENDED: "pot thrown away"}


@dataclass(frozen=True, slots=True)
class Zones:
    """In which zone an enclosure's times are shown: its own, or else the first one's.

    Attributes:
        first: of an enclosure that the config does not name.
        named: by the enclosure's name.
    """

    first: tzinfo
    named: dict[str, tzinfo]

    def of(self, enclosure: str) -> tzinfo:
        """Return an enclosure's zone."""
        return self.named.get(enclosure, self.first)


def key_text(key: Key) -> str:
    """Return an enclosure's key as one word that nothing in it can break."""
    return f"{quote(key.station, safe='')}/{quote(key.enclosure, safe='')}"


def address(row: Row) -> str:
    """Return where an enclosure's own page is."""
    path = f"/enclosure/{quote(row.key.enclosure, safe='')}"
    return f"{path}?station={quote(row.key.station, safe='')}" if row.clash else path


def card(row: Row, zones: Zones, now_s: float) -> Json:
    """Return what the overview shows of an enclosure."""
    call, word = row.call, row.shown.word
    zone = zones.of(row.key.enclosure)
    silent = word == NO_WORD or call is None
    return {
        "key": key_text(row.key),
        "title": row.title,
        "href": address(row),
        "enclosure": row.key.enclosure,
        "station": row.key.station,
        "word": word,
        "label": LABELS.get(word, word),
        "advice": "" if silent or call is None else _advice(call),
        "why": brief_here(row, zone, now_s),
        "since": "" if silent or call is None else _since(call, zone, now_s),
        "ringing": alarm_text(row),
        "unseen": row.ringing > 0,
        "left_s": round(row.shown.left_s, 1),
    }


def whole(row: Row, zones: Zones, now_s: float) -> Json:
    """Return all that the page of one enclosure shows."""
    shown, call = card(row, zones, now_s), row.call
    zone = zones.of(row.key.enclosure)
    clash = ""
    if row.clash:
        named = " and ".join(row.clash)
        clash = f"{named} both publish {row.key.enclosure}: give one of them another name."
    shown |= {
        "clash": clash,
        "lines": [],
        "number": "",
        "number_text": "",
        "vapour": "",
        "clocks": [],
        **_NO_OUTLOOK,
        "alarms": [],
        "sections": [],
        "figures": [],
        "events": [],
        "proof": "",
    }
    if call is None:
        return shown
    # An alarm that nobody has seen and what was done stay true in silence.
    shown["alarms"] = [_alarm(each, call, zone, now_s) for each in call.alarms]
    shown["events"] = [
        [
            _moment(each.time_s, zone, now_s),
            _event(each.kind),
            _joined(_of(each.section), each.note),
        ]
        for each in call.events
    ]
    if row.shown.word == NO_WORD:
        return shown
    deciding = _deciding(call)
    lines = [line for line in sentences(call) if line.rstrip(".") != call.advice.rstrip(".")]
    shown |= {
        "why": "",
        "lines": [[in_units(line, call)] for line in lines],
        "number": "" if deciding is None else _figure(deciding.value, deciding.unit),
        "number_text": "" if deciding is None else _wanted(deciding),
        "vapour": VAPOUR if call.stage in FILM_STAGES else "",
        "since": _standing(call, shown["since"]),
        "clocks": [_clock(clock, zone, now_s) for clock in _counting(call, now_s)],
        **_outlook(call, zone, now_s),
        "sections": [
            [
                each.name,
                each.word or LABELS[NO_WORD],
                in_units(each.reason or each.advice, call),
            ]
            for each in call.sections
        ]
        if len(call.sections) > 1
        else [],
        "figures": _figures(call),
        "proof": _proof(call),
    }
    return shown


def buttons(sections: Sequence[str]) -> Json:
    """Return the buttons and the sections that they can mean."""
    return {
        "sections": [name for name in sections if name != ALL_SECTIONS],
        "kinds": [
            {"kind": kind.value, "text": _capital(_BUTTON_WORDS.get(kind, event_word(kind)))}
            for kind in BUTTONS
        ],
    }


def clock_text(now_s: float, zones: Zones) -> str:
    """Return the time of day, which the page shows to move while it hears from its server."""
    return hour_text(now_s, zones.first) + f":{int(now_s) % 60:02d}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _joined(*parts: str) -> str:
    return " ".join(filter(None, parts))


def _advice(call: CallMessage) -> str:
    return DO_NOT_TRUST if call.word == GO_ASKED else in_units(sentence(call.advice), call)


def _since(call: CallMessage, zone: tzinfo, now_s: float) -> str:
    return "" if call.since_s is None else f"since {hour_and_day_text(call.since_s, zone, now_s)}"


def _moment(time_s: float | None, zone: tzinfo, now_s: float) -> str:
    return "" if time_s is None else hour_and_day_text(time_s, zone, now_s)


def _of(section: str) -> str:
    return "" if section == ALL_SECTIONS else section


def _standing(call: CallMessage, since: str) -> str:
    """Since when the enclosure's word stands, and which section and question it is about now."""
    about = ": ".join(filter(None, [_of(call.section), call.question]))
    return " · ".join(filter(None, [since, about, call.stage]))


def _event(kind: str) -> str:
    try:
        return event_word(EventKind(kind))
    except ValueError:
        return kind


def _alarm(alarm: Alarm, call: CallMessage, zone: tzinfo, now_s: float) -> list[str]:
    seen = ""
    if alarm.seen_s is not None:
        by = f" by {alarm.seen_by}" if alarm.seen_by else ""
        seen = f"Seen{by} at {hour_and_day_text(alarm.seen_s, zone, now_s)}"
    elif alarm.rang_s is not None:
        seen = f"Rang at {hour_and_day_text(alarm.rang_s, zone, now_s)}; nobody has seen it"
    elif alarm.since_s is not None:
        seen = f"Since {hour_and_day_text(alarm.since_s, zone, now_s)}"
    where, text = _of(alarm.section), in_units(alarm.text, call)
    return [f"{where}: {text}" if where and where not in text else text, seen]


def _limit(figure: Figure) -> LimitName | None:
    try:
        return LimitName(figure.limit)
    except ValueError:
        return None


def _deciding(call: CallMessage) -> Figure | None:
    """The number that decides: of a GO the nearest limit's, else only what comes first."""
    limits = [each for each in call.reasons if _limit(each) is not None]
    first = next(iter(limits), None) if call.call is Call.GO else lead(call.reasons)
    known = first is not None and _limit(first) is not None
    return first if first is not None and known and None not in (first.value, first.bound) else None


def _figure(value: float | None, unit: str, places: int = 1, spread: float | None = None) -> str:
    """A figure with its unit and its ± where there is one, in the units of people here."""
    value = value or 0.0
    text = f"{round(value, places) + 0.0:.{places}f}"  # no minus zero
    text += "" if spread is None else f" ± {spread:.1f}"
    exact = [value] if spread is None else [value, spread]
    return display.shown(f"{text} {SIGNS.get(unit, unit)}".rstrip(), exact, exact)


def _wanted(figure: Figure) -> str:
    """What the number is of, and what is wanted of it."""
    name = _limit(figure)
    if name is None:
        return ""
    what = _capital(LIMIT_WORDS[name])
    if figure.bound is None:
        return what
    side = "at most" if is_upper(name) else "at least"
    return f"{what}; wants {side} {_figure(figure.bound, figure.unit)}"


def _counting(call: CallMessage, now_s: float) -> list[Clock]:
    """Clocks that count, soonest first, then those that ended lately."""
    known = [each for each in call.clocks if each.state in ("running", "waiting", "ended")]
    recent = [
        each
        for each in known
        if each.state != "ended" or each.ends_s is None or now_s - each.ends_s < _ENDED_SHOWN_S
    ]
    return sorted(recent, key=lambda c: (c.state == "ended", c.ends_s is None, c.ends_s or 0.0))


def _clock(clock: Clock, zone: tzinfo, now_s: float) -> Json:
    """One clock: what, where, when, and how long it still counts; the script counts it down."""
    try:
        running, over = clock_words(ClockName(clock.name), clock.next_spec)
    except ValueError:
        running, over = clock.name, f"{clock.name}, over since"
    ended = clock.state == "ended" or (clock.ends_s is not None and clock.ends_s <= now_s)
    when = _moment(clock.ends_s, zone, now_s)
    counts = not ended and clock.ends_s is not None
    left_s = max(0.0, (clock.ends_s or 0.0) - now_s) if counts else None
    left = "" if left_s is None else duration_text(left_s)
    if not when:
        left = "not counting" if clock.state == "running" else clock.state
    what = _capital(over if ended else running)
    where = _joined(clock.batch and f"pot {clock.batch}", _of(clock.section))
    return {
        "cells": [what, when, left, _joined(where, "" if when else display.shown(clock.basis))],
        "left_s": left_s,
        "kind": "over" if ended else "",
    }


def _figures(call: CallMessage) -> list[list[str]]:
    found = call.climate
    rows = [
        ("Air", found.get("air_temp_c"), "°C", 1),
        ("Humidity", found.get("rh_pct"), "%", 0),
        ("Hull", found.get("surface_temp_c"), "°C", 1),
        ("Dew point", found.get("dew_point_c"), "°C", 1),
        ("Margin", found.get("dew_margin_k"), "K", 1),
    ]
    spread = found.get("dew_margin_u95_k")
    shown = []
    for name, value, unit, places in rows:
        if value is None:
            continue
        beside = spread if name == "Margin" else None
        shown.append([name, _figure(value, unit, places, beside)])
    return shown


def _proof(call: CallMessage) -> str:
    parts = [f"log {call.log[:8]}" if call.log else "", f"row {call.row}" if call.row else ""]
    parts.append(f"seal {call.seal[:12]}" if call.seal else "")
    return ", ".join(filter(None, parts))


_NO_OUTLOOK: Json = {
    "outlook_text": "",
    "outlook_band": "",
    "outlook_middle": "",
    "outlook_limit": "",
    "outlook_hours": [],
    "outlook_says": "",
}


def _outlook(call: CallMessage, zone: tzinfo, now_s: float) -> Json:
    """The outlook in words, and its band as the paths of a drawing."""
    outlook = call.outlook
    if outlook is None:
        return _NO_OUTLOOK
    text = in_units(sentence(outlook.text), call)
    if outlook.breaks_s is not None and hour_text(outlook.breaks_s, zone) not in text:
        at = hour_and_day_text(outlook.breaks_s, zone, now_s)
        text = _joined(text, f"A limit probably breaks at {at}.")
    said = _NO_OUTLOOK | {"outlook_text": text}
    if len(outlook.bands) < 2:
        return said
    bound = next((f.bound for f in call.reasons if f.limit == LimitName.DEW_MARGIN_MIN), None)
    return said | _drawing(outlook, bound, call.said_s or now_s, zone, now_s)


def _drawing(
    outlook: Outlook, bound_k: float | None, from_s: float, zone: tzinfo, now_s: float
) -> Json:
    bands = sorted(outlook.bands)
    begin_s, end_s = bands[0].ahead_s, bands[-1].ahead_s
    values = [k for band in bands for k in (band.low_k, band.high_k)]
    values += [0.0] if bound_k is None else [0.0, bound_k]
    low_k, high_k = min(values), max(values)
    span_k = max(_LEAST_SPAN_K, high_k - low_k)

    def x(ahead_s: float) -> float:
        return _CHART_W * (ahead_s - begin_s) / max(1.0, end_s - begin_s)

    def y(margin_k: float) -> float:
        return _CHART_H - 2.0 - (_CHART_H - 4.0) * (margin_k - low_k) / span_k

    def path(points: Sequence[tuple[float, float]]) -> str:
        return "M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in points)

    upper = [(x(band.ahead_s), y(band.high_k)) for band in bands]
    lower = [(x(band.ahead_s), y(band.low_k)) for band in bands]

    def at(ahead_s: float) -> str:
        return hour_and_day_text(from_s + ahead_s, zone, now_s)

    limit = path([(0.0, y(bound_k)), (_CHART_W, y(bound_k))]) if bound_k is not None else ""
    least = min(bands, key=lambda band: band.mid_k)
    return {
        "outlook_band": path([*upper, *reversed(lower)]) + "Z",
        "outlook_middle": path([(x(band.ahead_s), y(band.mid_k)) for band in bands]),
        "outlook_limit": limit,
        "outlook_hours": [[at(begin_s)], [at((begin_s + end_s) / 2.0)], [at(end_s)]],
        "outlook_says": display.shown(
            f"Dew margin: likely {least.mid_k:.1f} K at its lowest, {at(least.ahead_s)}, between "
            f"{least.low_k:.1f} and {least.high_k:.1f} K"
            + (f"; wants {bound_k:.1f} K." if bound_k is not None else "."),
            differences_k=least[1:],
        ),
    }
