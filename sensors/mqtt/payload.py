"""What a message says: plain numbers, JSON and SenML decoded to readings, or refused by name.

Nothing here trusts the sender: a message that is odd in any way is refused whole, never repaired.
What it should have told is missing from then on, as by a cell of a recording that holds no number:
the value before it no longer stands.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any, NamedTuple

from rules.text import printable
from rules.units import BadAmount, converted, known_unit, senml_unit, units_for
from sensors.mqtt import senml
from sensors.mqtt.json_strict import is_number, look_up, parse_gaps, parse_json, plain_number
from sensors.reading import Quality, Quantity, Reading
from sensors.wire import FaultKind, PayloadFault, TimeNote

EARLIEST_S = 1_577_836_800.0  # 2020-01-01 UTC: a clock that says less was never set [s]
# Two clocks kept by NTP agree within this, so a sensor's time further ahead is not believed; common
# practice, no source [s].
CLOCKS_AGREE_S = 2.0
# No default age limit is longer than 35 min, so a retained value older than that is history.
RETAINED_LIMIT_S = 2100.0

_ISO_TIME = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d(:\d\d([.,]\d{1,9})?)?(Z|z|[+-]\d\d:?\d\d)")
# Where a sender usually puts the time; common practice, no source. The first that is there counts.
_USUAL_NAMES = ("time", "timestamp", "ts")
# Seconds since 1970 until the year 5138 are below this; greater ones are in ms, us or ns.
_MS_FROM = 1e11


def judge_time(
    own_s: float | None, *, received_s: float, retained: bool
) -> tuple[float, Quality, TimeNote | None]:
    """Return when a value counts as measured, its quality so far, and what was odd.

    Args:
        own_s: the sensor's own time since 1970-01-01 UTC, or None [s].
        received_s: when the message came, same scale [s].
        retained: whether the broker had kept it from before.

    Returns:
        Time [s], quality, and a note where the sensor's own time was set aside. A retained value
        counts only by a believable time of its own: without one it is `retained`, and past
        the longest default age it is `stale`.

    >>> judge_time(None, received_s=1.8e9, retained=True)[1]
    <Quality.RETAINED: 'retained'>
    """
    unsure = Quality.RETAINED if retained else Quality.OK
    if own_s is None:
        return received_s, unsure, None
    if own_s < EARLIEST_S:
        return received_s, unsure, TimeNote.TOO_OLD
    ahead_s = own_s - received_s
    if ahead_s > 0.0:
        # A reading never lies in the future: the clocks would run on time that has not been.
        if ahead_s <= CLOCKS_AGREE_S:
            return received_s, Quality.OK, None
        return received_s, unsure, TimeNote.AHEAD
    if retained and -ahead_s > RETAINED_LIMIT_S:
        return own_s, Quality.STALE, None
    return own_s, Quality.OK, None


def own_time(document: Any, path: str) -> tuple[float | None, TimeNote | None]:
    """Return the time at a path of a JSON document, or None and why it is not used.

    Args:
        document: what `sensors.mqtt.json_strict` made of a message.
        path: dotted, to ISO 8601 with a zone, or to s, ms, us or ns since 1970-01-01 UTC.

    Returns:
        Seconds since 1970-01-01 UTC [s], not yet judged, and a note where there are none.

    >>> own_time({"t": "2027-01-15T08:00:00Z"}, "t")
    (1800000000.0, None)
    """
    try:
        found = look_up(document, path)
    except PayloadFault:
        return None, TimeNote.ABSENT
    if isinstance(found, str) and _ISO_TIME.fullmatch(found):
        try:
            return datetime.fromisoformat(found.upper().replace(",", ".")).timestamp(), None
        except (ValueError, OverflowError):
            return None, TimeNote.UNREADABLE
    # Text without a zone may mean any of 26 hours, so it is not read.
    if isinstance(found, bool) or not isinstance(found, (int, float)):
        return None, TimeNote.UNREADABLE
    seconds = float(found)
    if math.isnan(seconds):
        return None, TimeNote.UNREADABLE
    for _ in range(3):
        if seconds >= _MS_FROM:
            seconds /= 1000.0
    return seconds, None


def usual_time(document: Any) -> tuple[float | None, TimeNote | None]:
    """Return the time that stands at the top level of a JSON document under a usual name.

    For messages that the broker had kept, of which nobody knows when they were sent.

    Args:
        document: what `sensors.mqtt.json_strict` made of a message.

    Returns:
        As `own_time`, but no note where there is none.

    >>> usual_time({"v": 20, "ts": 1800000000000}), usual_time({"v": 20})
    ((1800000000.0, None), (None, None))
    """
    for name in _USUAL_NAMES:
        if isinstance(document, dict) and name in document:
            return own_time(document, name)
    return None, None


MAX_BYTES = 64 * 1024  # a day of minutes in SenML; common practice, no source


class PayloadFormat(StrEnum):
    """How a source's messages are written; `auto` looks at the first character."""

    AUTO = "auto"
    PLAIN = "plain"
    JSON = "json"
    SENML = "senml"


class SourceFault(ValueError):
    """A source in the config cannot be used; the text is one sentence."""


@dataclass(frozen=True, slots=True)
class PayloadSource:
    """One configured quantity at one point, and where in which message it stands.

    Attributes:
        enclosure: name of the enclosure.
        point: name of the sensor body.
        quantity: what is measured.
        unit: unit of the value where the message names none, as `rules.units` spells it.
        topic: MQTT filter; may hold `+` and `#`, and a level `{point}` for the point's own name.
        value_path: dotted path in JSON (`a.0.b`), or record name in SenML; None for neither.
        time_path: dotted path to the sensor's own time in JSON; None is the time of receipt, and
            for a retained message what stands under a usual name.
        unit_path: dotted path to the unit in JSON, or None.
        payload: how the message is written.
    """

    enclosure: str
    point: str
    quantity: Quantity
    unit: str
    topic: str
    value_path: str | None = None
    time_path: str | None = None
    unit_path: str | None = None
    payload: PayloadFormat = PayloadFormat.AUTO

    def __post_init__(self) -> None:
        """Refuse a unit that the quantity cannot have.

        Raises:
            SourceFault: the unit is not known, or not one of the quantity's.
        """
        unit = known_unit(self.unit)
        if unit is None or unit not in units_for(self.quantity.unit):
            raise SourceFault(
                f"point '{printable(self.point, 60)}': unit '{printable(self.unit, 20)}' cannot be "
                f"a {self.quantity.value}; the point is not read. "
                f"Set unit to one of {', '.join(units_for(self.quantity.unit))}."
            )
        object.__setattr__(self, "unit", unit)


class Decoded(NamedTuple):
    """The readings that one message holds for one source, oldest first.

    Attributes:
        readings: one, or several where a SenML pack holds a series.
        notes: why the sensor's own time was not used, one for each reading that it befell.
        fault: why the message is refused all the same, where all it says is that a value is
            missing; else None.
    """

    readings: tuple[Reading, ...]
    notes: tuple[TimeNote, ...]
    fault: PayloadFault | None = None


class _Value(NamedTuple):
    """A value in the quantity's own unit, its own time [s], what was odd of that, and a refusal.

    With a refusal the value is NaN.
    """

    value: float
    own_s: float | None = None
    note: TimeNote | None = None
    fault: PayloadFault | None = None


class Message:
    """One message as it came, decoded once however many sources it serves."""

    __slots__ = ("_document", "_fault", "_gappy", "_text", "payload", "received_s", "retained")

    def __init__(self, payload: bytes, *, received_s: float, retained: bool) -> None:
        self.payload = payload
        self.received_s = received_s
        self.retained = retained
        self._text: str | None = None
        self._document: Any = None
        self._gappy: Any = None
        self._fault: PayloadFault | None = None

    def readings(self, source: PayloadSource) -> Decoded:
        """Return what the message says about a source.

        Args:
            source: the quantity at the point, and where in the message it stands.

        Returns:
            One reading or more, in the quantity's own unit; of quality `missing` where the
            message says null, NaN or an infinity, and then with its refusal.

        Raises:
            PayloadFault: refused, and nothing is known by it; the kind says why.
        """
        text = self._as_text()
        form = source.payload
        if form is PayloadFormat.AUTO:
            form = _guess(text, source)
        if form is PayloadFormat.PLAIN:
            return self._decoded(source, [_from_plain(text, source)])
        try:
            document = self._as_document(text)
        except PayloadFault as fault:
            return self._decoded(source, self._gaps(text, form, source, fault))
        return self._decoded(source, self._values(document, form, source))

    def missing(self, source: PayloadSource, fault: PayloadFault) -> tuple[Reading, ...]:
        """Return what a refused message says of a source all the same: that it is missing.

        Args:
            source: the quantity that it should have carried.
            fault: why it was refused.

        Returns:
            One reading of the time of receipt; none where the broker had kept the message from who
            knows when, or where a SenML pack is sound and speaks of other quantities.
        """
        if self.retained or fault.elsewhere:
            return ()
        at_s = self.received_s
        missing = Quality.MISSING
        return (
            Reading(source.enclosure, source.point, source.quantity, at_s, math.nan, missing, at_s),
        )

    def _values(self, document: Any, form: PayloadFormat, source: PayloadSource) -> list[_Value]:
        if form is PayloadFormat.SENML:
            return _from_senml(document, source, self)
        return [_from_json(document, source, self)]

    def _gaps(
        self, text: str, form: PayloadFormat, source: PayloadSource, fault: PayloadFault
    ) -> list[_Value]:
        """Return only what a refused document does not know; raise its fault where that is nothing.

        What else it says stays refused.
        """
        found: list[_Value] = []
        if fault.kind in (FaultKind.NOT_FINITE, FaultKind.NOT_JSON):
            try:
                found = self._values(self._as_gaps(text, fault), form, source)
            except PayloadFault:
                raise fault from None
        gaps = [each._replace(fault=fault) for each in found if each.fault is not None]
        if not gaps:
            raise fault
        return gaps

    def _as_text(self) -> str:
        if self._text is None:
            size = len(self.payload)
            if size > MAX_BYTES:
                raise PayloadFault(
                    FaultKind.TOO_LARGE,
                    f"message of {size} bytes is longer than {MAX_BYTES}; refused. "
                    "Send less at a time.",
                )
            try:
                text = self.payload.decode("utf-8")
            except UnicodeDecodeError as fault:
                raise PayloadFault(
                    FaultKind.NOT_UTF8,
                    f"message is not UTF-8 from byte {fault.start}; refused. Check the sender.",
                ) from None
            self._text = text.strip(" \t\r\n")
        if not self._text:
            raise PayloadFault(FaultKind.EMPTY, "message is empty; refused.")
        return self._text

    def _as_document(self, text: str) -> Any:
        # A fault is kept as well: a message for ten sources is parsed and refused once.
        if self._fault is not None:
            raise self._fault
        if self._document is None:
            try:
                self._document = (parse_json(text),)
            except PayloadFault as fault:
                self._fault = fault
                raise
        return self._document[0]

    def _as_gaps(self, text: str, fault: PayloadFault) -> Any:
        if self._gappy is None:
            try:
                self._gappy = (parse_gaps(text),)
            except PayloadFault:
                self._gappy = ()
        if not self._gappy:
            raise fault
        return self._gappy[0]

    def _decoded(self, source: PayloadSource, values: list[_Value]) -> Decoded:
        readings: list[Reading] = []
        notes: list[TimeNote] = []
        refused: PayloadFault | None = None
        for value, own_s, early_note, fault in values:
            time_s, quality, note = judge_time(
                own_s, received_s=self.received_s, retained=self.retained
            )
            note = early_note or note
            if fault is not None:
                refused = fault
                if quality is not Quality.OK:
                    continue  # what the broker had kept from who knows when says nothing of now
                quality = Quality.MISSING
            if note is not None:
                notes.append(note)
            readings.append(
                Reading(
                    source.enclosure,
                    source.point,
                    source.quantity,
                    time_s,
                    value,
                    quality,
                    self.received_s,
                )
            )
        if refused is not None and not readings:
            raise refused
        readings.sort(key=lambda reading: reading.time_s)
        return Decoded(tuple(readings), tuple(notes), refused)


def decode(payload: bytes, source: PayloadSource, *, received_s: float, retained: bool) -> Decoded:
    """Return the readings that a payload holds for a source.

    Args:
        payload: the message as received.
        source: the quantity at the point, and where in the message it stands.
        received_s: when it came, seconds since 1970-01-01 UTC [s].
        retained: whether the broker had kept it from before.

    Returns:
        The readings, notes on times that were not believed, and the refusal of what is missing.

    Raises:
        PayloadFault: refused, and nothing is known by it; the kind says why.

    >>> bow = PayloadSource("tent", "air-bow", Quantity.AIR_TEMP, "degF", "shed/bow", "t.0")
    >>> decode(b'{"t": [68]}', bow, received_s=1.8e9, retained=False).readings[0].value
    20.0
    """
    return Message(payload, received_s=received_s, retained=retained).readings(source)


def _guess(text: str, source: PayloadSource) -> PayloadFormat:
    if text[0] == "{":
        return PayloadFormat.JSON
    if text[0] == "[":
        # A path that starts with a place in a list is meant for plain JSON.
        indexed = source.value_path is not None and source.value_path[:1].isdigit()
        return PayloadFormat.JSON if indexed else PayloadFormat.SENML
    return PayloadFormat.PLAIN if source.value_path is None else PayloadFormat.JSON


def _to_own(value: float, unit: str, quantity: Quantity) -> float:
    """The value in the quantity's own unit, or a refusal."""
    try:
        own = value if unit == quantity.unit else converted(value, unit, quantity.unit)
    except BadAmount:
        raise PayloadFault(
            FaultKind.UNIT,
            f"unit '{printable(unit, 16)}' cannot be a {quantity.value}; value refused. "
            f"Send one of {', '.join(units_for(quantity.unit))}.",
        ) from None
    if not math.isfinite(own):
        raise PayloadFault(
            FaultKind.OUT_OF_RANGE,
            f"{quantity.value} {value:g} {unit} is too large a number; refused. Check the sensor.",
        )
    return own


def _from_plain(text: str, source: PayloadSource) -> _Value:
    try:
        return _Value(_to_own(plain_number(text), source.unit, source.quantity))
    except PayloadFault as fault:
        if fault.kind not in (FaultKind.NOT_FINITE, FaultKind.NO_VALUE):
            raise
        return _Value(math.nan, fault=fault)


def _from_json(document: Any, source: PayloadSource, message: Message) -> _Value:
    found = document if source.value_path is None else look_up(document, source.value_path)
    where = source.value_path or "message"
    own_s, note = _json_time(document, source, message)
    if found is None or (isinstance(found, float) and math.isnan(found)):
        return _Value(math.nan, own_s, note, _no_number(found, where))
    value = _as_number(found, where)
    unit = source.unit
    if source.unit_path is not None:
        said = look_up(document, source.unit_path)
        known = known_unit(said) if isinstance(said, str) else None
        if known is None:
            raise PayloadFault(
                FaultKind.UNIT,
                f"unit '{printable(str(said), 20)}' at '{printable(source.unit_path, 40)}' is not "
                f"known; value refused. Send one of {', '.join(units_for(source.quantity.unit))}.",
            )
        unit = known
    return _Value(_to_own(value, unit, source.quantity), own_s, note)


def _json_time(
    document: Any, source: PayloadSource, message: Message
) -> tuple[float | None, TimeNote | None]:
    if source.time_path is not None:
        return own_time(document, source.time_path)
    # A live message came when it was sent; a kept one is worth nothing without a time.
    return usual_time(document) if message.retained else (None, None)


def _from_senml(document: Any, source: PayloadSource, message: Message) -> list[_Value]:
    records = senml.resolve(document)
    path = source.value_path
    if path is not None:
        chosen = [record for record in records if path in (record.name, record.own_name)]
    else:
        chosen = [
            record
            for record in records
            if record.value is not None and _senml_fits(record.unit, source.quantity)
        ] or [record for record in records if len(records) == 1]
    names = sorted({record.name for record in chosen})
    if len(names) > 1:
        raise PayloadFault(
            FaultKind.AMBIGUOUS,
            f"SenML names '{printable(names[0], 40)}' and '{printable(names[1], 40)}' both fit a "
            f"{source.quantity.value}; value refused. Set value to the one that is meant.",
        )
    if not chosen:
        raise PayloadFault(
            FaultKind.NO_VALUE,
            f"no SenML record fits '{printable(path or source.quantity.value, 60)}'; refused. "
            "Check value in the config.",
            elsewhere=True,
        )
    # A record without a number breaks the standard, and with it the pack: only that it is
    # missing counts.
    if any(record.value is not None and math.isnan(record.value) for record in records):
        fault = senml.no_number()
        gaps = [each for each in chosen if each.value is not None and math.isnan(each.value)]
        if not gaps:
            raise fault
        return [_Value(math.nan, _senml_time(each, message), None, fault) for each in gaps]
    return [_senml_value(record, source, message) for record in chosen]


def _senml_value(record: senml.SenmlRecord, source: PayloadSource, message: Message) -> _Value:
    if record.value is None:
        raise _not_numeric(record.other)
    unit = source.unit if record.unit is None else senml_unit(record.unit)
    if unit is None:
        raise PayloadFault(
            FaultKind.UNIT,
            f"SenML unit '{printable(record.unit or '', 20)}' is not known; value refused. "
            "Send Cel, K, %RH, / or ppm.",
        )
    value = _to_own(record.value, unit, source.quantity)
    return _Value(value, _senml_time(record, message))


def _senml_time(record: senml.SenmlRecord, message: Message) -> float | None:
    if not record.relative:
        return record.time
    # Relative to the moment of sending, which for a retained message nobody knows.
    return None if message.retained else message.received_s + record.time


def _senml_fits(unit: str | None, quantity: Quantity) -> bool:
    known = None if unit is None else senml_unit(unit)
    return unit is None or (known is not None and known in units_for(quantity.unit))


def _not_numeric(field: str) -> PayloadFault:
    kinds = {"vb": FaultKind.BOOLEAN, "vs": FaultKind.NUMBER_AS_TEXT, "s": FaultKind.NO_VALUE}
    return PayloadFault(
        kinds.get(field, FaultKind.NOT_A_NUMBER),
        f"SenML record holds {field} and no v; value refused. Send the number as v.",
    )


def _as_number(found: Any, where: str) -> float:
    if isinstance(found, (int, float)) and not isinstance(found, bool):
        return float(found)
    raise _no_number(found, where)


def _no_number(found: Any, where: str) -> PayloadFault:
    if isinstance(found, bool):
        kind = FaultKind.BOOLEAN
    elif found is None:
        kind = FaultKind.NO_VALUE
    elif isinstance(found, str) and is_number(found.strip()):
        kind = FaultKind.NUMBER_AS_TEXT
    else:
        kind = FaultKind.NOT_A_NUMBER
    return PayloadFault(
        kind,
        f"'{printable(where, 60)}' is {printable(json.dumps(found, ensure_ascii=False), 30)}, "
        "not a number; value refused. Check the path and the sender.",
    )
