"""What the yard's calls were, from the database that stations ship to: a line a call."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator

from monitor.ship.history import ShippedCall
from rules.text import clean, iso_utc
from rules.vocabulary import ALL_SECTIONS


def history_lines(calls: Iterable[ShippedCall], *, as_json: bool) -> Iterator[str]:
    """Yield each call as a line for people, or as one JSON object.

    Args:
        calls: by station, enclosure and section, each in the order of its time.
        as_json: JSON in place of lines.
    """
    for call in calls:
        if as_json:
            yield json.dumps(
                {
                    "station": call.station,
                    "enclosure": call.enclosure,
                    "section": call.section,
                    "time": iso_utc(call.time_s),
                    "word": call.call,
                    "stage": call.stage,
                    "question": call.question,
                    "reason": call.reason,
                    "log": call.log,
                    "row": call.row,
                },
                ensure_ascii=False,
            )
            continue
        section = "" if call.section == ALL_SECTIONS else f"/{clean(call.section)}"
        where = f"{clean(call.enclosure)}{section} ({clean(call.station)})"
        yield f"{iso_utc(call.time_s)}  {call.call:<4}  {where}: {clean(call.reason)}"
