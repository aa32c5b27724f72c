"""Which column of a forecast holds what, and what one of its cells says; `forecast` reads by it."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from sensors.reading import Quantity
from sensors.recording.columns import header_unit
from sensors.recording.layout import RecordingFault
from sensors.units import known_unit, to_own
from sensors.wire import PayloadFault

KINDS = ("time", "temp", "dew_point", "rh", "sun", "made")

_LAST_S = 4_102_444_800.0  # 2100-01-01 UTC; a later time is a number of something else
_WORD = re.compile(r"[^\W_\d]+|\d+")
_SUN = frozenset(["sun", "solar", "radiation", "irradiance", "shortwave", "ghi"])
_TIME = frozenset(["time", "date", "datetime", "timestamp", "valid", "hour", "when", "epoch"])
_MADE = frozenset(["made", "issued", "run", "reference", "created"])
_TEMP = frozenset(["temperature", "temp", "t", "air"])
_DEW = frozenset(["dew", "dewpoint", "dewp"])
_HUMIDITY = frozenset(["rh", "humidity", "hum", "humid", "relhum"])
_NOT = frozenset(
    [
        "min",
        "max",
        "apparent",
        "feels",
        "soil",
        "wind",
        "gust",
        "chance",
        "probability",
        "ground",
        "sea",
        "water",
        "wet",
        "bulb",
        "ratio",
        "surface",
        "absolute",
        "specific",
        "inside",
        "indoor",
    ]
)


class ForecastFault(RecordingFault):
    """A forecast file that cannot be used at all; the text is one sentence for the user."""


def choose(
    table: Mapping[str, Sequence[object]],
    source: str,
    wanted: Mapping[str, str],
    notices: list[str],
) -> dict[str, str]:
    """Return which column holds what: by the mapping first, then by the names.

    Args:
        table: columns by name.
        source: where they are from, for errors.
        wanted: column by kind, see `KINDS`.
        notices: told of each column that was guessed.

    Raises:
        ForecastFault: a mapped column is not there, or what is needed is not found.
    """
    for kind, name in wanted.items():
        if kind not in KINDS:
            raise ForecastFault(
                f"{source}: {kind!r} is nothing that a forecast is read for, so it is not used; "
                f"map {', '.join(KINDS)}"
            )
        if name not in table and kind != "made":
            raise ForecastFault(
                f"{source}: column {name!r} is not there, so the forecast is not used; "
                f"it has {', '.join(table)}"
            )
    chosen = {kind: name for kind, name in wanted.items() if name in table}
    for name in table:
        guess = kind_of(name)
        if guess is not None and guess not in chosen and name not in chosen.values():
            chosen[guess] = name
            notices.append(f"Column {name!r} is taken for {guess.replace('_', ' ')}.")
    if "time" not in chosen or "temp" not in chosen or not {"dew_point", "rh"} & set(chosen):
        have = ", ".join(str(name) for name in table)
        raise ForecastFault(
            f"{source}: time, outdoor temperature and dew point or humidity are not all found "
            f"among {have}, so the forecast is not used; name them in a mapping"
        )
    return chosen


def kind_of(name: str) -> str | None:
    """Return what a column is by its name, or None.

    >>> kind_of("dewPoint"), kind_of("Temperature (°F)"), kind_of("apparent temperature")
    ('dew_point', 'temp', None)
    """
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", str(name))
    words = {word.casefold() for word in _WORD.findall(spaced)}
    for kind, signs in (("made", _MADE), ("sun", _SUN)):
        if words & signs:
            return kind
    if words & _NOT:
        return None
    for kind, signs in (
        ("dew_point", _DEW),
        ("rh", _HUMIDITY),
        ("temp", _TEMP),
        ("time", _TIME),
    ):
        if words & signs:
            return kind
    return None


def unit_of(name: str, given: str | None, source: str) -> str:
    """Return a temperature column's unit: the one given, the one in its name, or degC."""
    unit = known_unit(given) if given is not None else header_unit(name) or "degC"
    if unit is None or unit not in ("degC", "degF", "K"):
        raise ForecastFault(
            f"{source}: unit {given!r} is no temperature's, so the forecast is not used; "
            "give degC, degF or K"
        )
    return unit


def temp_c(value: float, unit: str) -> float:
    """Return a temperature in °C; NaN stays NaN."""
    if math.isnan(value):
        return math.nan
    try:
        return to_own(value, unit, Quantity.AIR_TEMP)
    except PayloadFault:
        return math.nan


def number_of(cell: object) -> float:
    """Return the number in a cell, or NaN."""
    if isinstance(cell, bool) or cell is None:
        return math.nan
    try:
        value = float(cell) if isinstance(cell, int | float) else float(str(cell))
    except (ValueError, OverflowError):
        return math.nan
    return value if math.isfinite(value) else math.nan


def zone_of(timezone: str | None, source: str) -> ZoneInfo:
    """Return a zone by name, UTC for None, or raise ForecastFault."""
    try:
        return ZoneInfo(timezone or "Etc/UTC")
    except (KeyError, ValueError, OSError):
        raise ForecastFault(
            f"{source}: timezone {timezone!r} is not known, so its times cannot be told; "
            'give a name like "Europe/Brussels"'
        ) from None


def is_unzoned(cell: object) -> bool:
    """Return whether a time carries no zone."""
    text = str(cell)
    return not (
        re.fullmatch(r"[\d.]+", text) or re.search(r"(Z|UTC|GMT|[+-]\d{2}:?\d{2})$", text, re.I)
    )


def time_of(cell: object, zone: ZoneInfo) -> float | None:
    """Return seconds since 1970 of a cell, or None where it is no time."""
    text = str(cell).strip()
    number = number_of(cell)
    if math.isfinite(number):
        for least, per_second in ((1e17, 1e9), (1e14, 1e6), (1e11, 1e3), (1e8, 1.0)):
            if number >= least:
                return number / per_second if number / per_second < _LAST_S else None
        return None
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        from sensors.recording.times import (  # pandas: only for odd forms
            looks_like_time,
            parse_time,
        )

        if not looks_like_time(text):
            return None
        try:
            when, _ = parse_time(text, True)
        except ValueError:
            return None
    if when.tzinfo is None:
        when = when.replace(tzinfo=zone)
    try:
        return when.astimezone(UTC).timestamp()
    except OverflowError:  # the first or last day that a calendar has, in another zone
        return None
