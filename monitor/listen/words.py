"""How a listener words a row: why there is no word, why there is one, and what rings.

Page and yard take these from here, so that both say the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo

from monitor.display import shown
from monitor.listen.message import CallMessage
from monitor.listen.yard import NO_WORD, WORDS_WORST_FIRST, Row, Shown, Silence
from rules.text import duration_text, hour_and_day_text, printable
from rules.vocabulary import LimitState

LABELS = {NO_WORD: "NO CALL"}
"""What stands in big letters where it is not the word itself."""
_SENTENCES = 3


def silence_text(shown: Shown, station: str, zone: tzinfo, now_s: float) -> str:
    """Return why there is no word, as somebody would say it, or "" where there is one.

    Args:
        shown: the word.
        station: whose.
        zone: in which times are shown.
        now_s: which day is today [s].

    >>> from datetime import UTC
    >>> silence_text(Shown(NO_WORD, Silence.RUN_OUT, 78_000.0), "shed-pi", UTC, 80_000.0)
    'No word from shed-pi since 21:40.'
    """
    if shown.silence is None:
        return ""
    who = printable(station, 60) or "the watch"
    when = "" if shown.since_s is None else hour_and_day_text(shown.since_s, zone, now_s)
    since = f" since {when}" if when else ""
    apart = duration_text(shown.apart_s)
    return {
        Silence.NO_LINK: f"No link to the broker{since or ' yet'}.",
        Silence.NEVER: f"No word from {who} yet.",
        Silence.NO_STATUS: f"{who} has not said that it is online: its word is not used.",
        Silence.OFFLINE: f"No word from {who}{since}: it is offline.",
        Silence.ENDED: f"No word from {who}{since}: its watch was ended.",
        Silence.RUN_OUT: f"No word from {who}{since}.",
        Silence.CLOCK_AHEAD: (
            f"Clocks differ: {who} is {apart} ahead. Its kept word is not used; set the clocks."
        ),
        Silence.CLOCK_BEHIND: (
            f"Clocks differ: {who} is {apart} behind. Its word is not used; set the clocks."
        ),
    }[shown.silence]


def sentences(call: CallMessage) -> list[str]:
    """Return why a call is so: what its screen says, or of an older watch its first reasons."""
    if call.lines:
        return list(call.lines)
    telling = [each for each in call.reasons if each.state != LimitState.OK and each.text]
    known = [each for each in telling if each.state != LimitState.UNKNOWN] or telling
    chosen = known if call.call != "GO" else []
    chosen = chosen or [each for each in call.reasons if each.limit == "limits"] or telling
    return [sentence(each.text) for each in chosen[:_SENTENCES]]


def sentence(text: str) -> str:
    """Return a text with its stop."""
    return text if not text or text[-1] in ".!?" else f"{text}."


def brief(row: Row, zone: tzinfo, now_s: float) -> str:
    """Return why a row's word is as it is, in few words and in SI.

    Args:
        row: to word.
        zone: in which times are shown.
        now_s: which day is today [s].
    """
    if row.shown.word == NO_WORD or row.call is None:
        return silence_text(row.shown, row.key.station, zone, now_s)
    lines = sentences(row.call)
    return sentence(lines[0].partition(";")[0]) if lines else ""


def brief_here(row: Row, zone: tzinfo, now_s: float) -> str:
    """Return the same in the units of people here; arguments as for `brief`."""
    text = brief(row, zone, now_s)
    return text if row.call is None else in_units(text, row.call)


def in_units(text: str, call: CallMessage) -> str:
    """Return what a call says, which is in SI, in the units of people here.

    Args:
        text: of the call.
        call: whose exact figures are rounded once only.
    """

    def exact(unit: str, ending: str) -> list[float]:
        found: list[float | None] = [v for key, v in call.climate.items() if key.endswith(ending)]
        found += [v for each in call.reasons if each.unit == unit for v in (each.value, each.bound)]
        return [value for value in found if value is not None]

    return shown(text, exact("degC", "_c"), exact("K", "_k"))


def alarm_text(row: Row) -> str:
    """Return how many alarms nobody has seen, else who saw those that are open, else ""."""
    if row.ringing:
        return "alarm" if row.ringing == 1 else f"{row.ringing} alarms"
    seen = [alarm for alarm in row.call.alarms if alarm.seen_s] if row.call is not None else []
    if not seen:
        return ""
    by = " and ".join(dict.fromkeys(alarm.seen_by for alarm in seen if alarm.seen_by))
    return f"alarm seen by {by}" if by else "alarm seen"


def counts_text(rows: Sequence[Row]) -> str:
    """Return how many rows have which word, worst first."""
    found = {label: sum(row.shown.word == word for row in rows) for word, label in _COUNTED.items()}
    return ", ".join(f"{count} {label}" for label, count in found.items() if count)


_COUNTED = {word: {NO_WORD: "no call"}.get(word, word) for word in WORDS_WORST_FIRST}
