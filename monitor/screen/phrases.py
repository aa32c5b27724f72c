"""The screen's own phrases that stand in more than one place, and what it calls the rules' names.

What a probe, a clock or the log says in its own words (a reason's detail, a clock's advice) comes
from `rules` as it is.
"""

from __future__ import annotations

from rules.vocabulary import ClockName, EventKind, LimitName, LimitState
from sensors.reading import Quality, Quantity

FILM_IS_NOT_AIR = "GO is about the film, never about the air you breathe."
VAPOUR = (
    "The film gives off vapour: switch nothing inside, leave the ventilation on, go in only with "
    "the breathing protection that the safety data sheet asks for."
)
REMINDER = f"First: {VAPOUR}"
VAPOUR_BRIEF = "nobody in without breathing protection, switch nothing inside"
BREATHING = "No vapour is measured here: wear what the safety data sheet asks for."
SPARK = "Screen, computer and chargers stay outside: they can light vapour."
SURFACE_ASSUMED = "surface assumed, no probe"
NO_CALL = "no call yet: nothing has been evaluated"

LIMIT_WORDS = {
    LimitName.DEW_MARGIN_MIN: "dew margin",
    LimitName.HUMIDITY_MAX: "humidity",
    LimitName.HUMIDITY_MIN: "humidity",
    LimitName.SURFACE_TEMP_MIN: "coldest surface",
    LimitName.SURFACE_TEMP_MAX: "warmest surface",
    LimitName.AIR_TEMP_MIN: "coldest air",
    LimitName.AIR_TEMP_MAX: "warmest air",
}
"""What a limit is about."""

QUANTITY_WORDS = {
    Quantity.AIR_TEMP: "air",
    Quantity.HUMIDITY: "humidity",
    Quantity.SURFACE_TEMP: "surface",
    Quantity.CO2: "CO2",
    Quantity.DUST: "dust",
}
"""What a sensor measures."""

FIELD_WORDS = {
    "section": "section",
    "spec": "spec",
    "method": "method",
    "batch": "batch",
    "amount": "amount",
    "thinner": "thinner",
    "what": "what",
    "value": "value",
    "note": "words",
    "ago": "minutes ago",
}
"""What the key desk asks for."""


def event_word(kind: EventKind) -> str:
    """Return what a person did, in plain words."""
    return kind.value.replace("-", " ")


def clock_word(name: ClockName) -> str:
    """Return what a clock is called on the screen."""
    return name.value


def quality_word(quality: Quality) -> str:
    """Return a quality: in capitals where the value is not believed."""
    return quality.value if quality is Quality.OK else quality.value.upper()


def state_word(state: LimitState) -> str:
    """Return a limit's state: in capitals where it is not ok."""
    return state.value if state is LimitState.OK else state.value.upper()
