"""The screen's own phrases that stand in more than one place, and what it calls the rules' names.

What a probe, a clock or the log says in its own words (a reason's detail, a clock's advice) comes
from `rules` as it is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rules.text import clean
from rules.vocabulary import ClockName, EventKind, LimitState
from sensors.reading import Quality, Quantity

if TYPE_CHECKING:
    from rules.clocks.clock import Clock

FILM_IS_NOT_AIR = "GO is about the film, never about the air you breathe."
DO_NOT_TRUST = "Do not trust this GO."
VAPOUR = (
    "The film gives off vapour: switch nothing inside, leave the ventilation on, go in only with "
    "the breathing protection that the safety data sheet asks for."
)
REMINDER = f"First: {VAPOUR}"
VAPOUR_BRIEF = "Nobody in without the mask the safety sheet asks for; switch nothing inside."
NOTHING_INSIDE = "Switch nothing inside."
BREATHING = "No vapour is measured here: wear what the safety data sheet asks for."
SPARK = "Screen, computer and chargers stay outside: they can light vapour."
SURFACE_ASSUMED = "surface assumed, no probe"
NO_CALL = "no call yet: nothing has been evaluated"

QUANTITY_WORDS = {
    Quantity.AIR_TEMP: "air",
    Quantity.HUMIDITY: "humidity",
    Quantity.SURFACE_TEMP: "surface",
    Quantity.CO2: "CO2",
    Quantity.DUST: "dust",
}
"""What a sensor measures."""

COUNT_WORDS = {
    "spike": ("odd reading ignored", "odd readings ignored"),
    "stale": ("reading too old", "readings too old"),
    "missing": ("message without a value", "messages without a value"),
    "implausible": ("impossible reading ignored", "impossible readings ignored"),
    "stuck": ("reading that never changes", "readings that never change"),
    "wet": ("reading of a wet probe", "readings of a wet probe"),
    "retained": ("old message ignored", "old messages ignored"),
    "clock": ("reading with a wrong time", "readings with a wrong time"),
    "late": ("reading came late", "readings came late"),
    "repeated": ("reading came twice", "readings came twice"),
    "refused": ("message could not be read", "messages could not be read"),
    "unmapped": ("message from no sensor of ours", "messages from no sensor of ours"),
    "dropped": ("message lost", "messages lost"),
    "events refused": ("press refused", "presses refused"),
    "events dropped": ("press lost", "presses lost"),
}
"""What came in and does not count, by the name that it is counted under: one, and many."""

SHORT_WORDS = {
    "session started": "start job",
    "session ended": "end job",
    "coat started": "coat start",
    "coat ended": "coat end",
    "heater on": "heat on",
    "heater off": "heat off",
    "floor wetted": "floor wet",
    "back in service": "in service",
    "acknowledged": "seen",
    "overruled": "overrule",
    "take back": "undo",
    "next enclosure": "next",
    "big figures": "big",
    "this list": "keys",
}
"""What a key records, where there is no room for more than ten letters."""

FIELD_WORDS = {
    "section": "section",
    "spec": "spec",
    "method": "method",
    "batch": "batch",
    "amount": "amount",
    "thinner": "thinner",
    "what": "what",
    "point": "probe",
    "value": "value",
    "note": "words",
    "ago": "minutes ago",
}
"""What the key desk asks for."""


CLOCK_WORDS = {
    ClockName.INDUCTION: ("induction until", "induction over since"),
    ClockName.POT_LIFE: ("use by", "life OVER since"),
    ClockName.WIPE_DRY: ("wiped, dry at", "wiped, dry since"),
    ClockName.FLASH: ("flash until", "flashed off since"),
    ClockName.TOUCH_DRY: ("touch dry from", "touch dry since"),
    ClockName.RECOAT_OPENS: ("recoat from", "recoat open since"),
    ClockName.RECOAT_CLOSES: ("recoat by", "recoat OVER since"),
    ClockName.WET_ON_WET: ("wet on wet until", "wet on wet OVER since"),
    ClockName.TAPE_NOT_BEFORE: ("tape off from", "tape may come off since"),
    ClockName.TAPE_NOT_AFTER: ("tape off by", "tape OVERDUE since"),
    ClockName.SAND: ("sandable from", "sandable since"),
    ClockName.HANDLE: ("handle from", "handle since"),
    ClockName.CURED: ("cured from", "cured since"),
    ClockName.LAUNCH_NOT_BEFORE: ("launch from", "may be launched since"),
    ClockName.LAUNCH_NOT_AFTER: ("launch by", "launch OVERDUE since"),
    ClockName.CLEARANCE: ("clearance until", "clearance over since"),
}
"""A clock that runs and one that has ended, each before its time."""


def clock_words(name: ClockName, next_spec: str) -> tuple[str, str]:
    """Return what stands before the time of a clock that runs, and of one that has ended.

    Args:
        name: which clock.
        next_spec: the paint that a recoat window is for, or "".
    """
    running, ended = CLOCK_WORDS[name]
    if not next_spec:
        return running, ended
    for_paint = f" for {clean(next_spec)} "
    return for_paint.join(running.rsplit(" ", 1)), for_paint.join(ended.rsplit(" ", 1))


def event_word(kind: EventKind) -> str:
    """Return what a person did, in plain words."""
    return kind.value.replace("-", " ")


def quality_word(quality: Quality) -> str:
    """Return a quality: in capitals where the value is not believed."""
    return quality.value if quality is Quality.OK else quality.value.upper()


def state_word(state: LimitState) -> str:
    """Return a limit's state: in capitals where it is not ok."""
    return state.value if state is LimitState.OK else state.value.upper()


def pot_name(clock: Clock) -> str:
    """Return which pot a clock is of: `pot A`, or `pot` where it has no name."""
    return f"pot {clean(clock.batch or '')}".rstrip()
