"""The daily environment sheet of a session: what an inspector asks to see, as HTML or CSV.

Source: MIL-HDBK-1110, 9.6.6, has the surface and the dew point taken about every four hours and
near the work; date, time and who signed are common practice, no source. The layout is our own.
"""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from monitor.html_page import html_page
from monitor.review.figures import TimeStamp, figure
from monitor.review.report import ReportNotInstalled
from monitor.review.review import Review, SectionReview
from monitor.review.text import CAUTION
from rules.climate import assumed_words
from rules.clocks.work import is_about
from rules.events import Event
from rules.text import csv_cell
from rules.vocabulary import ALL_SECTIONS, EventKind, LimitName

EVERY_S = 4 * 3600.0
_MARKED = (EventKind.COAT_STARTED, EventKind.COAT_ENDED, EventKind.MIXED, EventKind.WIPED)


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One line of the sheet; a figure is None where it is not known.

    Attributes:
        time_s: when [s].
        section: whose surface.
        air_c: coldest air [°C].
        rh_pct: most humid point [%].
        surface_c: coldest surface [°C].
        dew_point_c: highest dew or frost point [°C].
        margin_k: surface less that [K].
        what: an event at that time, or "".
        short: whether the margin was under the asked-for one.
        assumed_offset_k: surface less coldest air where no surface was measured, else None [K].
    """

    time_s: float
    section: str
    air_c: float | None
    rh_pct: float | None
    surface_c: float | None
    dew_point_c: float | None
    margin_k: float | None
    what: str
    short: bool
    assumed_offset_k: float | None


def sheet_rows(review: Review, every_s: float = EVERY_S) -> tuple[SheetRow, ...]:
    """Return the sheet's lines: every four hours by the clock, and at each coat, mix and wipe.

    Args:
        review: of the session.
        every_s: between two lines [s].
    """
    stamp = TimeStamp(review.timezone)
    rows: list[SheetRow] = []
    for each in review.sections:
        where = None if each.section == ALL_SECTIONS else each.section
        marked = [e for e in review.events if e.kind in _MARKED and is_about(e, where)]
        times = dict.fromkeys(_hours(review.from_s, review.to_s, every_s, stamp), "")
        for event in marked:
            times[event.time_s] = _what(event)
        bounds = [limit for coat in each.coats for limit in coat.limits]
        asked = [b.beyond.bound for b in bounds if b.name is LimitName.DEW_MARGIN_MIN]
        rows += [_row(each, at, what, max(asked, default=-math.inf))
                 for at, what in sorted(times.items())]  # fmt: skip
    return tuple(rows)


def sheet_csv(review: Review, every_s: float = EVERY_S) -> str:
    """Return the sheet as CSV, times in the review's zone with their offset."""
    stamp = TimeStamp(review.timezone)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["date", "time", "section", "air_temp_c", "rh_pct", "surface_temp_c",
                     "dew_point_c", "dew_margin_k", "what", "who", "surface_is"])  # fmt: skip
    for row in sheet_rows(review, every_s):
        moment = datetime.fromtimestamp(row.time_s, stamp.zone)
        writer.writerow([
            stamp.day(row.time_s), f"{stamp.minute(row.time_s)}{moment:%z}",
            csv_cell(row.section),
            *(("" if v is None else f"{v:.1f}") for v in
              (row.air_c, row.rh_pct, row.surface_c, row.dew_point_c, row.margin_k)),
            csv_cell(row.what), "", _surface_is(row),
        ])  # fmt: skip
    return out.getvalue()


def sheet_html(review: Review, every_s: float = EVERY_S) -> str:
    """Return the sheet as one HTML page, a table a day, with room for a signature.

    Raises:
        ReportNotInstalled: jinja2 is missing.
    """
    stamp = TimeStamp(review.timezone)
    rows = sheet_rows(review, every_s)
    days = [
        {
            "date": date,
            "section": "whole work" if section == ALL_SECTIONS else section,
            "assumed": _assumed_text(offset_k),
            "rows": [
                {
                    "time": stamp.minute(row.time_s),
                    "air": figure(row.air_c, "°C"),
                    "humidity": figure(row.rh_pct, "%"),
                    "surface": figure(row.surface_c, "°C"),
                    "dew_point": figure(row.dew_point_c, "°C"),
                    "margin": figure(row.margin_k, "K"),
                    "short": row.short,
                    "what": row.what,
                }
                for row in group
            ],
        }
        for (section, date, offset_k), group in groupby(
            rows, key=lambda row: (row.section, stamp.day(row.time_s), row.assumed_offset_k)
        )
    ]
    try:
        return html_page(
            "daily_sheet.html.j2",
            title=review.session.title or "untitled session",
            enclosure=review.session.enclosure or "",
            zone=stamp.name,
            caution=CAUTION,
            days=days,
        )
    except ImportError:
        raise ReportNotInstalled(
            "the HTML sheet needs jinja2, which is not installed, so no page was written; "
            "install filmcall with its 'report' extra, or write the sheet as .csv"
        ) from None


def _hours(from_s: float, to_s: float, every_s: float, stamp: TimeStamp) -> list[float]:
    """Whole spans by the local clock's midnight, from the first in the session to the last."""
    moment = datetime.fromtimestamp(from_s, stamp.zone)
    midnight_s = moment.replace(hour=0, minute=0, second=0, microsecond=0).timestamp()
    first = midnight_s + math.ceil((from_s - midnight_s) / every_s) * every_s
    return [first + k * every_s for k in range(int((to_s - first) // every_s) + 1)]


def _row(section: SectionReview, time_s: float, what: str, asked_k: float) -> SheetRow:
    series = section.series
    cells, _ = series.span(time_s, time_s + series.step_s)
    at = cells.start if cells.stop > cells.start else None

    def value(name: LimitName) -> float | None:
        column = series.values.get(name)
        if at is None or column is None or not math.isfinite(column[at]):
            return None
        return float(column[at])

    surface = value(LimitName.SURFACE_TEMP_MIN)
    margin = value(LimitName.DEW_MARGIN_MIN)
    return SheetRow(
        time_s=time_s,
        section=section.section,
        air_c=value(LimitName.AIR_TEMP_MIN),
        rh_pct=value(LimitName.HUMIDITY_MAX),
        surface_c=surface,
        dew_point_c=None if surface is None or margin is None else surface - margin,
        margin_k=margin,
        what=what,
        short=margin is not None and margin < asked_k,
        assumed_offset_k=series.assumed_offset_k,
    )


def _surface_is(row: SheetRow) -> str:
    if row.surface_c is None:
        return ""
    return "measured" if row.assumed_offset_k is None else "assumed"


def _assumed_text(offset_k: float | None) -> str:
    """What stands over a table whose surfaces nobody measured."""
    if offset_k is None:
        return ""
    stands = assumed_words(offset_k)
    return f"No surface was measured: it is assumed {stands}, and the margin rests on that."


def _what(event: Event) -> str:
    parts = [event.kind.value, "" if event.coat is None else f"coat {event.coat}", event.note]
    return " ".join(part for part in parts if part)
