"""Which calibration is in force for each quantity at each point, from the log's rows; the pipeline
passes raw readings through it before they are judged."""

from __future__ import annotations

import json
from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import isfinite
from typing import Any, Self

from monitor.config.model import DEFAULT_ACCURACY, Config
from monitor.log.rows import Calibration
from rules.text import counted
from rules.units import DAY_S
from sensors.calibrate.fit import CALIBRATED, CalibrationMethod, Correction, Reference
from sensors.reading import Quantity, Reading

Key = tuple[str, str, Quantity]

# A check at or above this shows lost sensitivity, so that the widening for solvent may end.
SOLVENT_CHECK_PCT = 75.0 - 1.0  # NaCl has 74.7 to 75.7 between 0 and 40 degC [%]
SOON_S = 14.0 * DAY_S
_FORM = 1


@dataclass(frozen=True, slots=True)
class CalibrationRecord:
    """A calibration of the log, read.

    Attributes:
        enclosure: where.
        point: which sensor body.
        made_s: from when it counts [s].
        row: in the log.
        correction: what it does.
        note: what a person wrote beside it.
        warnings: what was said when it was made.
    """

    enclosure: str
    point: str
    made_s: float
    row: int
    correction: Correction
    note: str
    warnings: tuple[str, ...]

    @property
    def key(self) -> Key:
        """What it is for."""
        return self.enclosure, self.point, self.correction.quantity

    @property
    def expires_s(self) -> float:
        """When it is older than it is good for [s]."""
        return self.made_s + self.correction.valid_s


@dataclass(frozen=True, slots=True)
class Withdrawal:
    """A row of the log that takes another back from its own time on."""

    made_s: float
    row: int
    undoes: int
    note: str


class ChannelCalibrations:
    """The calibrations of one quantity at one point."""

    __slots__ = ("_from_s", "_in_force", "applied", "undone")

    def __init__(self, applied: Iterable[CalibrationRecord], undone: Iterable[Withdrawal]) -> None:
        self.applied = tuple(sorted(applied, key=lambda each: (each.made_s, each.row)))
        own = {each.row for each in self.applied}
        self.undone = {each.undoes: each for each in undone if each.undoes in own}
        times = {each.made_s for each in self.applied}
        times |= {each.made_s for each in self.undone.values()}
        self._from_s = sorted(times)
        self._in_force = [self._latest(time_s) for time_s in self._from_s]

    def _latest(self, time_s: float) -> CalibrationRecord | None:
        for each in reversed(self.applied):
            taken_back = self.undone.get(each.row)
            if each.made_s <= time_s and (taken_back is None or taken_back.made_s > time_s):
                return each
        return None

    def in_force(self, time_s: float) -> CalibrationRecord | None:
        """Return the one that counts at a time, expired or not, or None."""
        place = bisect_right(self._from_s, time_s) - 1
        return self._in_force[place] if place >= 0 else None


class CalibrationBook:
    """Every calibration of a log, ready to pass readings through."""

    def __init__(
        self,
        rows: Iterable[Calibration] = (),
        accuracies: Mapping[Key, float] | None = None,
    ) -> None:
        """Read the rows.

        Args:
            rows: of `Store.calibrations`.
            accuracies: half-width that each sensor has by itself; a default where it is missing
                [the quantity's unit].
        """
        self._accuracies = accuracies or {}
        self.unreadable: list[int] = []
        applied: dict[Key, list[CalibrationRecord]] = {}
        undone: list[Withdrawal] = []
        for row in rows:
            try:
                read = read_row(row)
            except (ValueError, KeyError, TypeError):
                self.unreadable.append(row.row or 0)
                continue
            if isinstance(read, Withdrawal):
                undone.append(read)
            else:
                applied.setdefault(read.key, []).append(read)
        self._channels = {key: ChannelCalibrations(each, undone) for key, each in applied.items()}

    @classmethod
    def of(cls, rows: Iterable[Calibration], config: Config) -> Self:
        """Return the book with the accuracies that a config states."""
        return cls(
            rows,
            {
                (enclosure.name, point.name, point.quantity): point.accuracy
                for enclosure in config.enclosures
                for point in enclosure.points
            },
        )

    @property
    def empty(self) -> bool:
        """Whether no reading would be changed."""
        return not self._channels

    def correct(self, reading: Reading) -> tuple[float, float | None]:
        """Return the corrected value of a raw reading, and what accuracy is proved for it.

        Give the judge of readings a copy with this value, and the log the reading as it came.

        Args:
            reading: raw, before it is judged; its own time says which calibration counts.

        Returns:
            Value, and the half-width of its error [both in the quantity's unit]; a reading
            without a calibration comes back as it is, with None: the config's accuracy counts.
        """
        channel = self._channels.get((reading.enclosure, reading.point, reading.quantity))
        if channel is None:
            return reading.value, None
        found = channel.in_force(reading.time_s)
        if found is None or reading.value != reading.value:
            return reading.value, None
        correction, age_s = found.correction, reading.time_s - found.made_s
        value = correction.value(reading.value)
        return value, correction.accuracy(reading.value, age_s, self.accuracy(found.key))

    def accuracy(self, key: Key) -> float:
        """Return the half-width that a sensor has by itself [the quantity's unit]."""
        return self._accuracies.get(key, DEFAULT_ACCURACY[key[2]])

    def in_force(
        self, enclosure: str, point: str, quantity: Quantity, time_s: float
    ) -> CalibrationRecord | None:
        """Return the calibration that counts at a time, expired or not, or None."""
        channel = self._channels.get((enclosure, point, quantity))
        return None if channel is None else channel.in_force(time_s)

    def age_s(self, enclosure: str, point: str, quantity: Quantity, time_s: float) -> float | None:
        """Return the age of the calibration in force, or None where there is none [s]."""
        found = self.in_force(enclosure, point, quantity, time_s)
        return None if found is None else time_s - found.made_s

    def salt_checked_s(self, enclosure: str, point: str, time_s: float) -> float | None:
        """Return when a humidity point was last held against a salt that shows lost sensitivity.

        The widening of accuracy for wipes and coats counts from then on; a check in the middle of
        the range does not end it.

        Args:
            enclosure: where.
            point: which sensor body.
            time_s: what is not yet made by then does not count [s].

        Returns:
            Time [s], or None where there was no such check.
        """
        channel = self._channels.get((enclosure, point, Quantity.HUMIDITY))
        if channel is None:
            return None
        times = [
            each.made_s
            for each in channel.applied
            if each.made_s <= time_s
            and each.correction.method is CalibrationMethod.SALT
            and any(p.reference >= SOLVENT_CHECK_PCT for p in each.correction.points)
            and (each.row not in channel.undone or channel.undone[each.row].made_s > time_s)
        ]
        return max(times, default=None)

    def all(self) -> list[tuple[CalibrationRecord, Withdrawal | None]]:
        """Return every calibration by its time, each with what took it back."""
        found = [
            (each, channel.undone.get(each.row))
            for channel in self._channels.values()
            for each in channel.applied
        ]
        return sorted(found, key=lambda pair: (pair[0].made_s, pair[0].row))

    def state(self, applied: CalibrationRecord, time_s: float) -> str:
        """Return in a word what has become of a calibration: `in force`, `expired`, `replaced`,
        `undone` or `to come`."""
        if applied.made_s > time_s:
            return "to come"
        channel = self._channels[applied.key]
        taken_back = channel.undone.get(applied.row)
        if taken_back is not None and taken_back.made_s <= time_s:
            return "undone"
        if channel.in_force(time_s) is not applied:
            return "replaced"
        return "expired" if time_s > applied.expires_s else "in force"

    def notices(
        self, time_s: float, enclosure: str | None = None, soon_s: float = SOON_S
    ) -> list[str]:
        """Return what has to be said of the calibrations at a time, for a screen or doctor.

        Args:
            time_s: that time [s].
            enclosure: whose, or None for all.
            soon_s: how long before it runs out that is said [s].

        >>> CalibrationBook().notices(0.0)
        []
        """
        said = []
        for key, channel in sorted(self._channels.items()):
            found = channel.in_force(time_s)
            if found is None or enclosure not in (None, key[0]):
                continue
            left_s = found.expires_s - time_s
            where = f"{key[0]}/{key[1]} {key[2].value}"
            if left_s < 0.0:
                said.append(
                    f"calibration of {where} ran out {counted(round(-left_s / DAY_S), 'day')} ago; "
                    f"it still corrects, and its accuracy is widened by the whole correction. "
                    f"Calibrate again, or undo row {found.row}."
                )
            elif left_s < soon_s:
                said.append(
                    f"calibration of {where} runs out in {counted(round(left_s / DAY_S), 'day')}. "
                    f"Calibrate again."
                )
        if self.unreadable:
            rows = ", ".join(str(row) for row in self.unreadable[:5])
            said.append(
                f"{counted(len(self.unreadable), 'calibration')} in the log cannot be read "
                f"(row {rows}), and what they say is not used. A newer version may have written "
                f"them."
            )
        return said


def body_of(correction: Correction, *, note: str = "", warnings: Iterable[str] = ()) -> str:
    """Return a correction as the log keeps it."""
    return json.dumps(
        {
            "form": _FORM,
            "action": "apply",
            "method": correction.method.value,
            "gain": correction.gain,
            "offset": correction.offset,
            "unit": correction.quantity.unit,
            "points": [
                {
                    "reading": each.reading,
                    "reference": each.reference,
                    "half_width": each.half_width,
                    "what": each.what,
                }
                for each in correction.points
            ],
            "residual": correction.residual,
            "half_width": correction.half_width,
            "valid_s": correction.valid_s,
            "note": note,
            "warnings": list(warnings),
        }
    )


def undoing_body(row: int, *, note: str = "") -> str:
    """Return what the log keeps of taking a calibration back."""
    return json.dumps({"form": _FORM, "action": "undo", "undoes": row, "note": note})


def read_row(row: Calibration) -> CalibrationRecord | Withdrawal:
    """Read a calibration of the log.

    Raises:
        ValueError: it is not of a form that this version knows.
        KeyError: a part is missing.
        TypeError: a part is of another kind.
    """
    body: Any = json.loads(row.body)
    if not isinstance(body, dict) or body.get("form") != _FORM:
        raise ValueError(f"calibration row {row.row} has a form that is not known")
    if body["action"] == "undo":
        return Withdrawal(row.made_s, row.row or 0, int(body["undoes"]), str(body["note"]))
    if body["action"] != "apply":
        raise ValueError(f"calibration row {row.row} has an action that is not known")
    correction = Correction(
        quantity=row.quantity,
        method=CalibrationMethod(body["method"]),
        gain=float(body["gain"]),
        offset=float(body["offset"]),
        points=tuple(
            Reference(
                float(each["reading"]),
                float(each["reference"]),
                float(each["half_width"]),
                str(each["what"]),
            )
            for each in body["points"]
        ),
        residual=float(body["residual"]),
        half_width=float(body["half_width"]),
        valid_s=float(body["valid_s"]),
    )
    figures = (correction.gain, correction.offset, correction.residual, correction.half_width)
    if not correction.points or row.quantity not in CALIBRATED or not all(map(isfinite, figures)):
        raise ValueError(f"calibration row {row.row} is none that can be used")
    return CalibrationRecord(
        enclosure=row.enclosure,
        point=row.point,
        made_s=row.made_s,
        row=row.row or 0,
        correction=correction,
        note=str(body["note"]),
        warnings=tuple(str(each) for each in body["warnings"]),
    )
