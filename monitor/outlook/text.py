"""How an outlook is told: in lines for people and as JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from monitor.display import Units, display_units
from rules.outlook.draws import Outlook, OutlookBreak
from rules.outlook.suggestions import Suggestion
from rules.outlook.windows import LastStart, TwoCoats, Window
from rules.reasons import break_text
from rules.spec.model import Spec
from rules.text import date_hour_text, duration_text, hour_and_day_text, iso_utc
from rules.units import difference_in, from_celsius, without_minus_zero
from rules.vocabulary import LimitName, Stage
from sensors.zones import zone_named

OLD_AFTER_S = 900.0
_SHOWN_HOURS = (0.5, 1.0, 2.0, 3.0, 6.0, 9.0, 12.0, 18.0, 24.0)
Clock = Callable[[float], str]


@dataclass(frozen=True, slots=True, eq=False)
class OutlookReport:
    """An outlook with all that it says of one section.

    Attributes:
        enclosure: where.
        section: whose surface, or None for the coldest of all.
        spec: of the next coat.
        stage: of the section.
        outlook: what the hours will probably bring.
        limits: the bounds that were judged: of the film that is open, else of the next coat.
        breaks: what would hold GO back, soonest first.
        windows: starts of the next coat that hold.
        last_start: the latest start that holds, where one holds now and its end is seen.
        pair: two coats with the recoat window between, or None.
        helps: what would help.
        gives_off_vapour: then nothing but waiting is suggested.
        notes: what the reader should know.
        timezone: for showing times.
        by_forecast: whether a forecast counts in it.
    """

    enclosure: str
    section: str | None
    spec: Spec
    stage: Stage
    outlook: Outlook
    limits: Mapping[LimitName, float]
    breaks: tuple[OutlookBreak, ...]
    windows: tuple[Window, ...]
    last_start: LastStart | None
    pair: TwoCoats | None
    helps: tuple[Suggestion, ...]
    gives_off_vapour: bool
    notes: tuple[str, ...]
    timezone: str
    by_forecast: bool = False


def _break_line(each: OutlookBreak, made_s: float, clock: Clock) -> str:
    """What would break and when; the break's times count from `made_s`."""
    if each.late_s <= 0.0:
        return break_text(each.name, "")
    at, early, late = (clock(made_s + s) for s in (each.median_s, each.early_s, each.late_s))
    return break_text(each.name, f"from {at}" + ("" if early == late else f" ({early} to {late})"))


def clock_of(timezone: str, made_s: float) -> Clock:
    """Return what shows a time of day in a zone, with the weekday where it is another day."""
    zone = zone_named(timezone)

    def shown(time_s: float) -> str:
        return hour_and_day_text(time_s, zone, made_s)

    return shown


def as_text(made: OutlookReport, hours: float, now_s: float) -> str:
    """Return an outlook in lines.

    Args:
        made: the outlook.
        hours: how far to show the bands [h].
        now_s: for saying how old the log's last datum is [s].
    """
    outlook, made_s = made.outlook, made.outlook.made_s
    clock = clock_of(made.timezone, made_s)
    whose = made.enclosure if made.section is None else f"{made.enclosure}, {made.section}"
    made_at = date_hour_text(made_s, zone_named(made.timezone))
    lines = [
        f"Outlook for {whose}, made {made_at} {made.timezone} from {outlook.source}",
        f"Looks {duration_text(outlook.looked_ahead_s)} ahead. 8 times in 10 it comes out inside "
        "the range shown.",
    ]
    age_s = now_s - made_s
    if age_s > OLD_AFTER_S:
        lines.append(
            f"The log's last reading is {duration_text(age_s)} old: the outlook is from there."
        )
    lines += ["", *_table(made, hours, clock), ""]
    if made.breaks:
        lines += [
            _break_line(each, made_s, clock)
            + ("" if each.late_s <= 0.0 else f"; {100 * each.probability:.0f} % likely")
            for each in made.breaks
        ]
    else:
        ahead = duration_text(outlook.looked_ahead_s)
        lines.append(f"Should stay inside every limit that matters to the film for {ahead}")
    lines += ["", *_windows_text(made, clock)]
    if made.gives_off_vapour:
        lines.append(
            "A film gives off vapour: wait. Switch nothing inside, leave the ventilation as it "
            "is, send nobody in unprotected."
        )
    for each in made.helps:
        lines.append(f"Would help: {each.text}; then {_window_text(each.window, made_s, clock)}")
    lines += [f"Note: {note}" for note in made.notes]
    return "\n".join(lines)


def _table(made: OutlookReport, hours: float, clock: Clock) -> list[str]:
    bands = made.outlook.bands()
    us = display_units() is Units.US
    temp, apart, unit = ("°F", "°F", "degF") if us else ("°C", "K", "degC")
    columns = [
        (f"air {temp}", from_celsius(bands.air_temp_c, unit)),
        ("humidity %", bands.rh_pct),
    ]
    if bands.surface_temp_c is not None and bands.dew_margin_k is not None:
        columns += [
            (f"hull {temp}", from_celsius(bands.surface_temp_c, unit)),
            (f"dew margin {apart}", difference_in(bands.dew_margin_k, unit)),
        ]
    lines = [f"{'at':<11}" + "".join(f"{title:<22}" for title, _ in columns)]
    for ahead_h in _SHOWN_HOURS:
        if ahead_h > hours or ahead_h * 3600.0 > made.outlook.looked_ahead_s:
            break
        at = int(np.argmin(np.abs(bands.horizons_s - ahead_h * 3600.0)))
        cells = [
            "{1} ({0} to {2})".format(*(without_minus_zero(float(v), 1) for v in values[:, at]))
            for _, values in columns
        ]
        when = clock(made.outlook.made_s + float(bands.horizons_s[at]))
        lines.append(f"{when:<11}" + "".join(f"{cell:<22}" for cell in cells))
    return [line.rstrip() for line in lines]


def _window_text(window: Window, made_s: float, clock: Clock) -> str:
    begin, until = clock(made_s + window.start_from_s), clock(made_s + window.start_until_s)
    start = f"start at {begin}" if begin == until else f"start between {begin} and {until}"
    return f"{start}; stays inside every limit until {clock(made_s + window.holds_until_s)}"


def _windows_text(made: OutlookReport, clock: Clock) -> list[str]:
    made_s = made.outlook.made_s
    if not made.windows:
        return [f"No hours ahead suit a coat of {made.spec.name}"]
    lines = [
        f"Hours for a coat of {made.spec.name}: {_window_text(window, made_s, clock)}"
        for window in made.windows
    ]
    pair = made.pair
    if pair is None:
        return lines
    first = clock(made_s + pair.first_s)
    if not math.isfinite(pair.recoat_opens_s):
        lines.append(
            f"Two coats: the first at {first}; then it stays too cold for the recoat time to run"
        )
        return lines
    opens = clock(made_s + pair.recoat_opens_s)
    closes = ""
    if math.isfinite(pair.recoat_closes_s):
        closes = f" to {clock(made_s + pair.recoat_closes_s)}"
    recoat = f"Two coats: the first at {first}, recoat from {opens}{closes}"
    if pair.second is not None:
        lines.append(f"{recoat}; the second: {_window_text(pair.second, made_s, clock)}")
    elif pair.beyond:
        lines.append(f"{recoat}; the outlook does not reach far enough for the second")
    else:
        lines.append(f"{recoat}; no hours ahead suit the second")
    return lines


def as_json(made: OutlookReport, hours: float) -> str:
    """Return an outlook as JSON; times in ISO 8601 UTC."""
    outlook, made_s = made.outlook, made.outlook.made_s
    bands = outlook.bands()
    shown = bands.horizons_s <= hours * 3600.0

    def band(values: Any) -> Any:
        return None if values is None else [[_round(v) for v in row[shown]] for row in values]

    def window(each: Window | None) -> Any:
        if each is None:
            return None
        return {
            "start_from": iso_utc(made_s + each.start_from_s),
            "start_until": iso_utc(made_s + each.start_until_s),
            "holds_until": iso_utc(made_s + each.holds_until_s),
            "break_probability": _round(each.worst),
            "limit": None if each.limit is None else each.limit.value,
        }

    def moment(ahead_s: float) -> str | None:
        return iso_utc(made_s + ahead_s) if math.isfinite(ahead_s) else None

    pair = made.pair
    told = {
        "enclosure": made.enclosure,
        "section": made.section,
        "time": iso_utc(made_s),
        "spec": made.spec.name,
        "stage": made.stage.value,
        "source": outlook.source,
        "looked_ahead_s": outlook.looked_ahead_s,
        "quantiles": [0.1, 0.5, 0.9],
        "ahead_s": bands.horizons_s[shown].tolist(),
        "air_temp_c": band(bands.air_temp_c),
        "rh_pct": band(bands.rh_pct),
        "dew_point_c": band(bands.dew_point_c),
        "surface_temp_c": band(bands.surface_temp_c),
        "dew_margin_k": band(bands.dew_margin_k),
        "breaks": [
            {
                "limit": each.name.value,
                "bound": made.limits[each.name],
                "probability": _round(each.probability),
                "at": iso_utc(made_s + each.median_s),
                "at_range": [iso_utc(made_s + each.early_s), iso_utc(made_s + each.late_s)],
                "text": _break_line(each, made_s, clock_of(made.timezone, made_s)),
            }
            for each in made.breaks
        ],
        "windows": [window(each) for each in made.windows],
        "two_coats": None
        if pair is None
        else {
            "first": iso_utc(made_s + pair.first_s),
            "recoat_opens": moment(pair.recoat_opens_s),
            "recoat_closes": moment(pair.recoat_closes_s),
            "second": window(pair.second),
            "beyond_outlook": pair.beyond,
        },
        "gives_off_vapour": made.gives_off_vapour,
        "would_help": [
            {"what": each.help.value, "text": each.text, "window": window(each.window)}
            for each in made.helps
        ],
        "notes": list(made.notes),
    }
    return json.dumps(told, indent=2, ensure_ascii=False)


def _round(value: float) -> float | None:
    return round(float(value), 3) if math.isfinite(value) else None
