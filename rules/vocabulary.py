"""The words that specs, limits, clocks, calls and the log share; DEVELOPERS.md explains them."""

from __future__ import annotations

from enum import StrEnum


class Stage(StrEnum):
    """Where a section's film is in its life."""

    PREP = "prep"
    MIX = "mix"
    APPLY = "apply"
    FLASH = "flash"
    CURE = "cure"


class Step(StrEnum):
    """A step of curing, up to which a limit can matter to the film."""

    TOUCH_DRY = "touch-dry"
    RECOAT_OPENS = "recoat-opens"
    HANDLE = "handle"
    CURED = "cured"


Until = Step | float
"""How long a limit matters to the film: to a step, or for so long after the coat's end [s]."""


class Effect(StrEnum):
    """What a film suffers past a limit."""

    HARM = "harm"  # it is being spoiled: STOP
    WAIT = "wait"  # it is not, but nothing is to be begun: HOLD
    SLOW = "slow"  # it only cures more slowly: a notice


FILM_STAGES = (Stage.APPLY, Stage.FLASH, Stage.CURE)
"""Stages in which a film is open to harm, in order."""

ALL_SECTIONS = "all"
"""Name of the one section of an enclosure without sections, and of the whole work in an event."""


class LimitName(StrEnum):
    """One bound of a spec, named by its quantity and its side."""

    DEW_MARGIN_MIN = "dew_margin_min"
    HUMIDITY_MAX = "humidity_max"
    HUMIDITY_MIN = "humidity_min"
    SURFACE_TEMP_MIN = "surface_temp_min"
    SURFACE_TEMP_MAX = "surface_temp_max"
    AIR_TEMP_MIN = "air_temp_min"
    AIR_TEMP_MAX = "air_temp_max"


class LimitState(StrEnum):
    """What one bound says of the climate."""

    OK = "ok"
    NEAR = "near"
    BROKEN = "broken"
    UNKNOWN = "unknown"


SEVERITY = {
    LimitState.BROKEN: 0,
    LimitState.UNKNOWN: 1,
    LimitState.NEAR: 2,
    LimitState.OK: 3,
}
"""Rank of a limit's state, worst first."""


class ClockName(StrEnum):
    """A countdown that a coat or a batch starts."""

    INDUCTION = "induction"
    POT_LIFE = "pot life"
    WIPE_DRY = "wipe dry"
    FLASH = "flash"
    TOUCH_DRY = "touch dry"
    RECOAT_OPENS = "recoat opens"
    RECOAT_CLOSES = "recoat closes"
    WET_ON_WET = "wet on wet"
    TAPE_NOT_BEFORE = "tape not before"
    TAPE_NOT_AFTER = "tape not after"
    SAND = "sand"
    HANDLE = "handle"
    CURED = "cured"
    LAUNCH_NOT_BEFORE = "launch not before"
    LAUNCH_NOT_AFTER = "launch not after"
    CLEARANCE = "clearance"


CLOCK_OF_STEP = {
    Step.TOUCH_DRY: ClockName.TOUCH_DRY,
    Step.RECOAT_OPENS: ClockName.RECOAT_OPENS,
    Step.HANDLE: ClockName.HANDLE,
    Step.CURED: ClockName.CURED,
}
"""The clock at whose end a step is reached; steps in the order in which a film takes them."""


class Method(StrEnum):
    """How a coat is put on."""

    BRUSH = "brush"
    ROLLER = "roller"
    GUN = "gun"


class Service(StrEnum):
    """Where a film will serve; a hull's is taken to be under water unless somebody says more."""

    IMMERSED = "immersed"
    ATMOSPHERIC = "atmospheric"


class WorkedOutFrom(StrEnum):
    """What stands in for a humidity beside the air's temperature of the same body."""

    DEW_POINT = "dew-point"
    WET_BULB = "wet-bulb"


class EventKind(StrEnum):
    """What a person did."""

    SESSION_STARTED = "session-started"
    SESSION_ENDED = "session-ended"
    WASHED = "washed"
    WIPED = "wiped"
    SANDED = "sanded"
    INSPECTED = "inspected"
    MEASURED = "measured"
    RESPEC = "respec"
    MIXED = "mixed"
    POT_ENDED = "pot-ended"
    COAT_STARTED = "coat-started"
    COAT_ENDED = "coat-ended"
    TAPE_ON = "tape-on"
    TAPE_OFF = "tape-off"
    HEATER_ON = "heater-on"
    HEATER_OFF = "heater-off"
    DEHUMIDIFIER_ON = "dehumidifier-on"
    DEHUMIDIFIER_OFF = "dehumidifier-off"
    FLOOR_WETTED = "floor-wetted"
    BACK_IN_SERVICE = "back-in-service"
    ACKNOWLEDGED = "acknowledged"
    OVERRULED = "overruled"
    VOUCHED = "vouched"
    PROBES_OUT = "probes-out"
    PROBES_IN = "probes-in"
    NOTE = "note"


# Half-width of the rectangle that a sensor's error lies in, where its owner states none; what
# ordinary digital sensors claim: common practice, no source.
AIR_ACCURACY_K = 0.3
HUMIDITY_ACCURACY_PCT = 3.0
SURFACE_ACCURACY_K = 0.5
ASSUMED_SURFACE_ACCURACY_K = 2.0
"""How far a surface that nobody measures may be from what is assumed; no source."""
