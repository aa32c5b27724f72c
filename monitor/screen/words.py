"""Every text of the screen, its keys and its alarms, in one table that can be translated.

What a probe, a clock or the log says in its own words (a reason's detail, a clock's advice) comes
from `rules` as it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, tzinfo

ENGLISH: dict[str, str] = {
    # --- the call's line
    "recording": "REPLAY of a RECORDING",
    "recording-short": "REPLAY RECORDING",
    "recording-when": "{what} · {date} {hour} {zone}",
    "now": "{day} {hour} {zone}",
    "question may I start?": "may I start?",
    "question is the film safe?": "is the film safe?",
    "stage prep": "prep",
    "stage mix": "mix",
    "stage apply": "apply",
    "stage flash": "flash",
    "stage cure": "cure",
    "since": "since {when}",
    "all": "all",
    # --- what is asked of the painter
    "advice-line": "{section}: {advice}",
    "film-is-not-air": "GO is about the film, never about the air you breathe.",
    "caution-air": "No vapour is measured here: wear what the safety data sheet asks for.",
    "caution-spark": "Screen, computer and chargers stay outside: they can light vapour.",
    "caution-vapour": "The film gives off vapour: switch nothing inside, leave the ventilation "
    "on, go in only with the breathing protection that the safety data sheet asks for.",
    # --- whether the call still rests on readings that come
    "quiet": "{what}: newest reading {age} old",
    "quiet-long": "{what}: newest reading {age} old, nothing renews this {call}",
    "quiet-never": "{what}: no reading yet",
    "quiet-link": "NO LINK",
    "quiet-points": "NOTHING NEW",
    "quiet-some": "NOTHING NEW from {point}",
    "quiet-several": "NOTHING NEW from {point} and {count} more",
    "quiet-over": "readings come again",
    # --- why, limit by limit
    "quantity dew_margin_min": "dew margin",
    "quantity humidity_max": "humidity",
    "quantity humidity_min": "humidity",
    "quantity surface_temp_min": "coldest surface",
    "quantity surface_temp_max": "warmest surface",
    "quantity air_temp_min": "coldest air",
    "quantity air_temp_max": "warmest air",
    "to-be-sure": "{bound} ({sure} to be sure)",
    "dew-over": "surface {value} over the dew point, needs {needs}",
    "dew-under": "surface {value} under the dew point, water forms on it, needs {needs}",
    "frost-over": "surface {value} over the frost point, needs {needs}",
    "frost-under": "surface {value} under the frost point, frost forms on it, needs {needs}",
    "at-least": "{what} {value}, at least {needs}",
    "at-most": "{what} {value}, at most {needs}",
    "rising": "rising {rate} an hour",
    "falling": "falling {rate} an hour",
    "no-limit": "no limit is in force",
    "no-call": "no call yet: nothing has been evaluated",
    "also-broken": "Also broken: {limits}",
    # --- what would change it
    "go-until-under": "It turns HOLD under {value}",
    "go-until-over": "It turns HOLD over {value}",
    "go-at-least": "GO after {time} at {value} or more",
    "go-at-most": "GO after {time} at {value} or less",
    "go-no-spec-least": "GO needs {value} or more",
    "go-no-spec-most": "GO needs {value} or less",
    "go-when-known": "No GO until this is known",
    "go-when-trend-eases": "GO waits until the trend no longer leads past the limit",
    "go-when-outlook-eases": "GO waits for an outlook in which the limit holds",
    "go-when-both-ease": "GO waits until neither trend nor outlook leads past a limit",
    "go-in": "GO in {time} if it stays so",
    "stop-in": "HOLD in {time} if it stays so",
    "stop-at-least": "STOP ends after {time} at {value} or more",
    "stop-at-most": "STOP ends after {time} at {value} or less",
    "stop-no-spec": "STOP ends once it is well inside again",
    "stop-when-known": "STOP stays until this is known",
    "stop-until-inside": "STOP ends after {time} well inside every limit",
    # --- rooms
    "state ok": "ok",
    "state near": "NEAR",
    "state broken": "BROKEN",
    "state unknown": "UNKNOWN",
    "coat": "coat",
    "method brush": "brush",
    "method roller": "roller",
    "method gun": "gun",
    "room climate": "CLIMATE",
    "room trend": "TREND",
    "room ahead": "AHEAD",
    "room clocks": "CLOCKS",
    "room outlook": "OUTLOOK",
    "room sensors": "SENSORS",
    "room events": "EVENTS",
    "room limits": "LIMITS",
    "room keys": "KEYS",
    "sections": "sections",
    "air": "air",
    "humidity": "humidity",
    "surface": "surface",
    "coldest": "{point}, coldest",
    "dew-point": "dew point",
    "frost-point": "frost point",
    "margin": "margin",
    "at": "at {point}",
    "not-known": "not known",
    "assumed-surface": "assumed, no probe",
    "surface-assumed": "surface assumed, no probe",
    "trend-span": "last {span}",
    "trend-both": "-{past}, +{ahead}",
    "ahead-title": "{quantity}, next {span}: {shades}",
    "ahead-shades": "what 90, 50, 10 % keep",
    "no-trend": "no trend yet",
    "no-clocks": "no clock runs",
    "clock-at": "({when})",
    "clock-outlook-at": "{left} by the outlook ({when})",
    "clock-between": "between {early} and {late}",
    "clock-forecast": "{left} by the outlook",
    "clocks-waiting": "{count} not started",
    "clock-waiting": "not started",
    "clock-waiting-left": "{left} once started",
    "clock-over": "OVER",
    "clock-done": "done",
    "clock-standing": "stands still",
    "clock-unknown": "not known",
    "more": "+{count} more",
    "clock-buried": "{clock} of coat {coat} below",
    "induction": "induction",
    "pot life": "pot life",
    "wipe dry": "wipe dry",
    "flash": "flash",
    "touch dry": "touch dry",
    "recoat opens": "recoat opens",
    "recoat closes": "recoat closes",
    "tape not before": "tape not before",
    "tape not after": "tape not after",
    "sand": "sand",
    "handle": "handle",
    "cured": "cured",
    "clearance": "clearance",
    "outlook-nothing": "nothing breaks in the next {time}",
    "outlook-trend": "by the recent trend nothing breaks in the next {time}; no forecast",
    "outlook-trend-only": "by the recent trend nothing breaks in the next {time}",
    "outlook-none-yet": "not known yet: too little has been seen for a trend",
    "outlook-no-band": "no band: {why}",
    "outlook-by-trend": "by the trend alone: {why}",
    "outlook-past": "past a limit already",
    "outlook-none": "not known yet: too little has been seen for a trend, and no forecast",
    "sensor-never": "never heard",
    "sensor-calibrated": "checked {age} ago",
    "sensor-well-one": "1 value ok, {age}",
    "sensor-well": "{count} values ok, oldest {age}",
    "sensor-none": "no sensor is configured",
    "sensor-fault": "{point} {quantity} {quality}",
    "quality ok": "ok",
    "quality stale": "STALE",
    "quality missing": "MISSING",
    "quality implausible": "IMPLAUSIBLE",
    "quality stuck": "STUCK",
    "quality spike": "SPIKE",
    "quality wet": "WET",
    "quality retained": "RETAINED",
    "quality clock": "CLOCK",
    "quantity air_temp": "air",
    "quantity humidity": "humidity",
    "quantity surface_temp": "surface",
    "quantity co2": "CO2",
    "quantity dust": "dust",
    "set-aside": "set aside: {counts}",
    "link-down": "NO LINK",
    "link": "link",
    "no-events": "nothing recorded yet",
    "event-late": "late",
    "event-withdrawn": "taken back",
    "alarm": "ALARM",
    "alarm-how": "a acknowledges",
    "alarm-small": "nobody in without breathing protection, switch nothing inside",
    "notice": "MIND",
    "too-small": "{call} {section}: {advice}.",
    "too-small-all": "{call}: {advice}.",
    # --- durations
    "seconds": "{n} s",
    "minutes": "{n} min",
    "hours": "{n} h",
    "hours-minutes": "{h} h {m} min",
    "days": "{n} d",
    "days-hours": "{d} d {h} h",
    # --- days
    "day 0": "Mon",
    "day 1": "Tue",
    "day 2": "Wed",
    "day 3": "Thu",
    "day 4": "Fri",
    "day 5": "Sat",
    "day 6": "Sun",
    # --- what a person did
    "event session-started": "session started",
    "event session-ended": "session ended",
    "event washed": "washed",
    "event wiped": "wiped",
    "event sanded": "sanded",
    "event measured": "measured",
    "event mixed": "mixed",
    "event coat-started": "coat started",
    "event coat-ended": "coat ended",
    "event tape-on": "tape on",
    "event tape-off": "tape off",
    "event heater-on": "heater on",
    "event heater-off": "heater off",
    "event floor-wetted": "floor wetted",
    "event back-in-service": "back in service",
    "event acknowledged": "acknowledged",
    "event overruled": "overruled",
    "event note": "note",
    # --- keys
    "keys-line": "c coat started  f coat ended  x mixed  i wiped  a alarm seen  ? all keys",
    "keys-line-short": "c f coat  x mixed  a seen  ? keys",
    "keys-page": "one key, then Enter records and Esc drops",
    "key-undo": "take back",
    "key-dim": "dim",
    "key-help": "this list",
    "key-quit": "quit",
    "ask-confirm": "{event}{details}?  Enter records, Esc drops",
    "ask-change": "change: {choices}",
    "ask-choice": "{field}: {choices}",
    "ask-offered": "Enter {offered}",
    "ask-text": "{field}: {typed}_  Enter takes it, Esc drops",
    "ask-number": "{field} [{unit}]: {typed}_  Enter takes it, Esc drops",
    "ask-undo": "take back {event}?  Enter takes it back, Esc leaves it",
    "ask-quit": "quit the screen?  Enter quits, Esc stays",
    "recorded": "recorded: {event}{details} at {when}",
    "recorded-late": "recorded late: {event}{details} at {when}",
    "recorded-undo": "u takes it back ({left} s)",
    "taken-back": "taken back: {event}{details}",
    "dropped": "dropped, nothing recorded",
    "timed-out": "dropped after {time} without an answer, nothing recorded",
    "nothing-to-undo": "nothing of the last minute to take back",
    "unknown-key": "no event has the key {key}; ? lists all keys",
    "bad-number": "'{typed}' is no number over zero; type it again",
    "bad-number-max": "{field} {typed} is over {most}; type it again",
    "empty": "{field} is empty; type it or press Esc",
    "not-recorded": "NOT recorded: {why}",
    "field section": "section",
    "field spec": "spec",
    "field method": "method",
    "field batch": "batch",
    "field amount": "amount",
    "field thinner": "thinner",
    "field what": "what",
    "field value": "value",
    "field note": "words",
    "field ago": "minutes ago",
    "whole": "all of it",
    # --- alarms
    "alarm-opens": "First: {reminder}",
    "alarm-text": "{call} {sections} since {when}: {why}. {advice}.",
    "alarm-short": "{call} {sections} since {when}: {why}",
    "alarm-over": "{call} {sections} from {when} to {until}: {why}; over, nobody has seen it",
    "alarm-again": "again ({count}), {text}",
}


class Words:
    """The screen's texts in one language.

    A translation is a table with the same keys; a key that it lacks falls back to English.
    """

    __slots__ = ("_table",)

    def __init__(self, table: Mapping[str, str] | None = None) -> None:
        self._table = {**ENGLISH, **(table or {})}

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Words) and self._table == other._table

    def __hash__(self) -> int:
        return hash(tuple(sorted(self._table.items())))

    def say(self, key: str, /, **figures: object) -> str:
        """Return a text with its figures filled in.

        Args:
            key: of the table; one that does not exist is a KeyError.
            figures: for the places in braces.

        >>> Words().say("since", when="14:32")
        'since 14:32'
        """
        return self._table[key].format(**figures) if figures else self._table[key]

    def day(self, weekday: int) -> str:
        """Return the short name of a day of the week, Monday 0."""
        return self._table[f"day {weekday}"]

    def hour_day(self, time_s: float, zone: tzinfo) -> str:
        """Return the short name of the day at a time in a zone."""
        return self.day(datetime.fromtimestamp(time_s, zone).weekday())

    def duration(self, duration_s: float) -> str:
        """Return a duration as people say it.

        >>> [Words().duration(s) for s in (40.0, 750.0, 12_000.0, 187_200.0)]
        ['40 s', '12 min', '3 h 20 min', '2 d 4 h']
        """
        seconds = max(0.0, duration_s)
        if seconds < 60.0:
            return self.say("seconds", n=f"{seconds:.0f}")
        minutes = int(seconds // 60.0)
        if minutes < 60:
            return self.say("minutes", n=minutes)
        hours, minutes = divmod(minutes, 60)
        if hours < 48:
            if minutes:
                return self.say("hours-minutes", h=hours, m=minutes)
            return self.say("hours", n=hours)
        days, hours = divmod(hours, 24)
        return self.say("days-hours", d=days, h=hours) if hours else self.say("days", n=days)
