"""SenML JSON packs (RFC 8428) resolved to plain records: names whole, base values added."""

from __future__ import annotations

import math
import re
from typing import Any, NamedTuple

from rules.text import printable
from sensors.wire import FaultKind, PayloadFault

# RFC 8428, 4.5.1: names hold these characters only and start with a letter or a digit.
MAX_NAME = 512  # characters of a whole name; common practice, no source [-]
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*", re.ASCII)
_VALUE_FIELDS = ("v", "vs", "vb", "vd")
_TEXT_FIELDS = ("bn", "bu", "n", "u")
_NUMBER_FIELDS = ("bt", "bv", "bs", "t", "ut", "s", "v")
# RFC 8428, 4.4: a version above the one that is understood, 10, must not be used. Above it only
# 26 is known: 10 with the feature bit of secondary units (RFC 9100, from memory).
VERSIONS = (*range(1, 11), 26)
# RFC 8428, 4.5.3: a time below this is counted from now, from it on it is seconds since 1970.
RELATIVE_BELOW_S = float(2**28)
LABELS = frozenset(
    ("bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut")
)


class SenmlRecord(NamedTuple):
    """One resolved record: base fields joined, its time still as sent.

    Attributes:
        name: base name and name joined.
        own_name: the record's own `n`, without the base.
        unit: SenML unit, or None where none is given.
        value: the number with its base value, NaN where `v` is null or no finite number, or None
            where the record holds something else.
        other: which field stands in place of a number: `vs`, `vb`, `vd`, or `s` for a sum only.
        time: base time and time added; relative below 2**28, else since 1970-01-01 UTC [s].
    """

    name: str
    own_name: str
    unit: str | None
    value: float | None
    other: str
    time: float

    @property
    def relative(self) -> bool:
        """Whether the time counts from the moment of sending, not from 1970."""
        return self.time < RELATIVE_BELOW_S


def resolve(pack: Any) -> list[SenmlRecord]:
    """Return the records of a pack, in its order, with the base fields worked in.

    Args:
        pack: what the JSON decoder gave; numbers finite or NaN, no duplicate keys.

    Returns:
        One `SenmlRecord` for each that has a value or a sum.

    Raises:
        PayloadFault: not a pack, an unknown version, or an unknown mandatory field.

    Source:
        RFC 8428 (2018), 4 and 4.6: base fields hold from their record on until replaced;
        an unknown field is ignored unless it ends in `_`; exactly one value a record.

    >>> resolve([{"bn": "urn:dev:ow:1:", "bu": "Cel", "n": "air", "v": 21.5}])[0].name
    'urn:dev:ow:1:air'
    """
    if not isinstance(pack, list) or not pack:
        raise _broken("the pack is not a list of records")
    base_name, base_unit, base_time, base_value = "", None, 0.0, 0.0
    version: int | None = None
    records: list[SenmlRecord] = []
    for raw in pack:
        if not isinstance(raw, dict):
            raise _broken("a record is not an object")
        _check_fields(raw)
        if "bver" in raw:
            version = _version(raw["bver"], version)
        base_name = raw.get("bn", base_name)
        base_unit = raw.get("bu", base_unit)
        base_time = float(raw.get("bt", base_time))
        base_value = float(raw.get("bv", base_value))
        present = [field for field in _VALUE_FIELDS if field in raw]
        if len(present) > 1:
            raise _broken(f"a record holds both {present[0]} and {present[1]}")
        if not present and "s" not in raw:
            # A record of base fields alone sets them; strictly it wants a value, harmless here.
            if raw.keys() & {"n", "u", "t"}:
                raise _broken("a record has no value")
            continue
        other = "" if present == ["v"] else (present[0] if present else "s")
        value = None if other else _number_or_nan(raw["v"]) + base_value
        time = base_time + float(raw.get("t", 0.0))
        if not math.isfinite(time) or (value is not None and math.isinf(value)):
            raise PayloadFault(
                FaultKind.OUT_OF_RANGE,
                "SenML base and value add up too large; pack refused. Check the sender.",
            )
        own_name = raw.get("n", "")
        records.append(
            SenmlRecord(
                name=_checked_name(base_name[: MAX_NAME + 1] + own_name),
                own_name=own_name,
                unit=raw.get("u", base_unit),
                value=value,
                other=other,
                time=time,
            )
        )
    return records


def looks_like_pack(document: Any) -> bool:
    """Return whether a JSON document is a list of objects that carry SenML labels."""
    return (
        isinstance(document, list)
        and bool(document)
        and all(isinstance(record, dict) and record.keys() & LABELS for record in document)
    )


def _check_fields(raw: dict[str, Any]) -> None:
    for key, value in raw.items():
        if key.endswith("_"):
            raise PayloadFault(
                FaultKind.SENML_MANDATORY,
                f"SenML field '{printable(key, 40)}' must be understood and is not; pack refused. "
                "Send the pack without it.",
            )
        if key in _TEXT_FIELDS and not isinstance(value, str):
            raise _broken(f"field {key} is not text")
        if key in _NUMBER_FIELDS and not _is_number(value):
            if key == "v" and value is None:
                continue  # which value is missing is told by the whole name only
            if key == "v":
                raise _wrong_value(value)
            raise _broken(f"field {key} is not a number")
        if key in ("vs", "vd") and not isinstance(value, str):
            raise _broken(f"field {key} is not text")
        if key == "vb" and not isinstance(value, bool):
            raise _broken("field vb is not true or false")


def no_number() -> PayloadFault:
    """Return the refusal of a pack in which a value is null or no finite number."""
    return _wrong_value(None)


def _number_or_nan(value: float | None) -> float:
    return math.nan if value is None else float(value)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _version(value: Any, before: int | None) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or value not in VERSIONS:
        raise PayloadFault(
            FaultKind.SENML_VERSION,
            f"SenML version {printable(repr(value), 24)} is not 1 to 10 or 26; pack refused. "
            "Send RFC 8428.",
        )
    if before is not None and value != before:
        raise PayloadFault(
            FaultKind.SENML_VERSION,
            f"SenML versions {before} and {value} stand in one pack; pack refused. Send one.",
        )
    return value


def _checked_name(name: str) -> str:
    if len(name) > MAX_NAME:  # a long base name before each record takes the square of the length
        raise _broken(f"name '{printable(name, 40)}' is longer than {MAX_NAME} characters")
    if not name.isprintable():
        raise PayloadFault(
            FaultKind.CONTROL_CHARACTER,
            f"SenML name '{printable(name, 40)}' holds a control character; pack refused.",
        )
    if not _NAME.fullmatch(name):
        raise _broken(f"name '{printable(name, 40)}' is empty or breaks RFC 8428, 4.5.1")
    return name


def _broken(what: str) -> PayloadFault:
    return PayloadFault(FaultKind.SENML, f"SenML: {what}; pack refused. Check the sender.")


def _wrong_value(value: Any) -> PayloadFault:
    if isinstance(value, bool):
        return PayloadFault(FaultKind.BOOLEAN, "SenML field v is a boolean; pack refused.")
    if isinstance(value, str):
        return PayloadFault(FaultKind.NUMBER_AS_TEXT, "SenML field v is text; pack refused.")
    return PayloadFault(FaultKind.NOT_A_NUMBER, "SenML field v is not a number; pack refused.")
