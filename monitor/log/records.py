"""Events and alarms as rows to export: each that was ever written down, what was corrected too."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from monitor.log.log import Store
from rules.text import iso_utc

TIME, WHOLE, NUMBER, TEXT, YES_NO = "time", "whole number", "number", "text", "yes or no"
"""What a column holds; times stand in the log in microseconds."""


class RecordTable(NamedTuple):
    """One kind of record: the columns as they are exported, and where they come from.

    Attributes:
        columns: what each holds, in the order of the query.
        query: yields the rows in the order in which they were written down.
    """

    columns: Mapping[str, str]
    query: str


RECORDS = {
    "events": RecordTable(
        {
            **{"row": WHOLE, "time": TIME, "recorded": TIME, "source": TEXT, "enclosure": TEXT},
            **{"section": TEXT, "kind": TEXT, "note": TEXT, "spec": TEXT, "coat": WHOLE},
            **{"batch": TEXT, "amount_ml": NUMBER, "thinner_pct": NUMBER, "method": TEXT},
            **{"what": TEXT, "value": NUMBER, "unit": TEXT, "corrects": WHOLE},
            **{"withdrawn": YES_NO, "station": TEXT, "by": TEXT},
        },
        "SELECT e.id, time_us, recorded_us, iif(s.kind = 'live', 'live', s.kind || ' ' || s.id), "
        "e.enclosure, section, e.kind, note, spec, coat, batch, amount_ml, thinner_pct, method, "
        "what, value, unit, corrects, withdrawn, station, coalesce(told_by, '') "
        "FROM events e JOIN sources s ON s.id = e.source LEFT JOIN event_ids i ON i.id = e.id "
        "ORDER BY e.id",
    ),
    "alarms": RecordTable(
        {
            **{"row": WHOLE, "time": TIME, "logged": TIME, "enclosure": TEXT, "section": TEXT},
            **{"fact": TEXT, "cause": TEXT, "step": TEXT, "since": TIME, "count": WHOLE},
            **{"event": WHOLE, "text": TEXT},
        },
        "SELECT id, time_us, logged_us, enclosure, section, fact, cause, step, since_us, count, "
        "event, text FROM alarms ORDER BY id",
    ),
}


def record_rows(store: Store, what: str) -> Iterator[dict[str, object]]:
    """Yield events or alarms by the columns of `RECORDS`, in the order in which they were written.

    Args:
        store: the log.
        what: `events` or `alarms`.

    Raises:
        LogRefused: the log cannot be read.
    """
    columns, query = RECORDS[what]
    for values in store.file.rows(query):
        yield {
            name: _shown(value, kind)
            for (name, kind), value in zip(columns.items(), values, strict=True)
        }


def _shown(value: object, kind: str) -> object:
    if kind == TIME and isinstance(value, int):
        return iso_utc(value / 1e6, 6)
    return bool(value) if kind == YES_NO else value
