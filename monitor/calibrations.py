"""Which calibration is in force for each quantity at each point, from the log's rows; the pipeline
passes raw readings through it before they are judged."""

from __future__ import annotations

import json
from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from math import inf, isfinite
from sys import float_info
from typing import Any, Self

from monitor.config.model import DEFAULT_ACCURACY, Config, PointConfig
from monitor.log.rows import Calibration
from rules.text import counted, duration_text
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
        heard: by what the config then told the probe: topic, value and column, as far as known.
    """

    enclosure: str
    point: str
    made_s: float
    row: int
    correction: Correction
    note: str
    warnings: tuple[str, ...]
    heard: Mapping[str, str] = field(default_factory=dict)

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
    """A row of the log that takes another back from its own time on.

    Attributes:
        made_s: from when it counts [s].
        row: in the log.
        undoes: the row that it takes back.
        note: why.
        heard: by what the config then told the probe, where that was why.
        until_s: when it was itself taken back [s].
    """

    made_s: float
    row: int
    undoes: int
    note: str
    heard: Mapping[str, str] = field(default_factory=dict)
    until_s: float = inf

    def counts_at(self, time_s: float) -> bool:
        """Return whether what it undoes is undone at a time [s]."""
        return self.made_s <= time_s < self.until_s


class ChannelCalibrations:
    """The calibrations of one quantity at one point."""

    __slots__ = ("_from_s", "_in_force", "applied", "undone")

    def __init__(self, applied: Iterable[CalibrationRecord], undone: Iterable[Withdrawal]) -> None:
        self.applied = tuple(sorted(applied, key=lambda each: (each.made_s, each.row)))
        undone = tuple(undone)
        again_s = {each.undoes: each.made_s for each in reversed(undone)}
        own = {each.row for each in self.applied}
        self.undone: dict[int, list[Withdrawal]] = {}
        times = {each.made_s for each in self.applied}
        for each in undone:
            if each.undoes in own:
                found = replace(each, until_s=again_s.get(each.row, inf))
                self.undone.setdefault(each.undoes, []).append(found)
                times |= {found.made_s, found.until_s} - {inf}
        self._from_s = sorted(times)
        self._in_force = [self._latest(time_s) for time_s in self._from_s]

    def _latest(self, time_s: float) -> CalibrationRecord | None:
        for each in reversed(self.applied):
            if each.made_s <= time_s and self.taken_back(each.row, time_s) is None:
                return each
        return None

    def taken_back(self, row: int, time_s: float) -> Withdrawal | None:
        """Return what has taken a calibration back at a time, or None [s]."""
        found = (each for each in self.undone.get(row, ()) if each.counts_at(time_s))
        return next(found, None)

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
            and channel.taken_back(each.row, time_s) is None
        ]
        return max(times, default=None)

    def all(
        self, time_s: float = float_info.max
    ) -> list[tuple[CalibrationRecord, Withdrawal | None]]:
        """Return every calibration by its time, each with what has taken it back by then [s]."""
        found = [
            (each, channel.taken_back(each.row, time_s))
            for channel in self._channels.values()
            for each in channel.applied
        ]
        return sorted(found, key=lambda pair: (pair[0].made_s, pair[0].row))

    def taken_back_by(self, row: int) -> CalibrationRecord | None:
        """Return what a row takes back, whether that counts still or not; None for another row."""
        for channel in self._channels.values():
            for each in channel.applied:
                if any(found.row == row for found in channel.undone.get(each.row, ())):
                    return each
        return None

    def heard(self, applied: CalibrationRecord, time_s: float) -> list[Mapping[str, str]]:
        """Return by what its probe was told until a time, with what a person said is the same."""
        undone = self._channels[applied.key].undone.get(applied.row, ())
        same = (each.heard for each in undone if each.heard and each.until_s <= time_s)
        return [applied.heard, *same]

    def state(self, applied: CalibrationRecord, time_s: float) -> str:
        """Return in a word what has become of a calibration: `in force`, `expired`, `replaced`,
        `undone` or `to come`."""
        if applied.made_s > time_s:
            return "to come"
        channel = self._channels[applied.key]
        if channel.taken_back(applied.row, time_s) is not None:
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
                    f"calibration of {where} ran out {days_text(-left_s)} ago; "
                    f"it still corrects, and its accuracy is widened by the whole correction. "
                    f"Calibrate again, or undo row {found.row}."
                )
            elif left_s < soon_s:
                said.append(
                    f"calibration of {where} runs out in {days_text(left_s)}. Calibrate again."
                )
        if self.unreadable:
            rows = ", ".join(str(row) for row in self.unreadable[:5])
            said.append(
                f"{counted(len(self.unreadable), 'calibration')} in the log cannot be read "
                f"(row {rows}), and what they say is not used. A newer version may have written "
                f"them."
            )
        return said


def days_text(length_s: float) -> str:
    """Return a length in whole days, and under one in hours and minutes [s].

    >>> days_text(300_000.0), days_text(5000.0)
    ('3 days', '1 h 23 min')
    """
    if length_s < DAY_S:
        return duration_text(length_s)
    return counted(round(length_s / DAY_S), "day")


def of_other_probes(
    book: CalibrationBook, config: Config, time_s: float
) -> list[tuple[CalibrationRecord, PointConfig, str]]:
    """Return every calibration in force that was made of a probe which the config has no more.

    Args:
        book: of the log.
        config: that now counts.
        time_s: now [s].

    Returns:
        Each with the point as it is now, and why, in words.
    """
    found = []
    for enclosure in config.enclosures:
        for point in enclosure.points:
            applied = book.in_force(enclosure.name, point.name, point.quantity, time_s)
            if applied is None:
                continue
            now, known = point.heard, book.heard(applied, time_s)
            other = [[k for k in now if k in each and each[k] != now[k]] for each in known]
            if all(other):
                key = other[-1][0]
                was = f"made on {key} {known[-1][key]!r}"
                found.append((applied, point, f"{was}, and the config has {now[key]!r} now"))
    return found


def body_of(
    correction: Correction,
    *,
    note: str = "",
    warnings: Iterable[str] = (),
    heard: Mapping[str, str] | None = None,
) -> str:
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
            **({"heard": dict(heard)} if heard else {}),
        }
    )


def undoing_body(row: int, *, note: str = "", heard: Mapping[str, str] | None = None) -> str:
    """Return what the log keeps of taking a calibration back."""
    body = {"form": _FORM, "action": "undo", "undoes": row, "note": note}
    return json.dumps({**body, "heard": dict(heard)} if heard else body)


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
        undoes, note = int(body["undoes"]), str(body["note"])
        return Withdrawal(row.made_s, row.row or 0, undoes, note, _heard_in(body))
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
        heard=_heard_in(body),
    )


def _heard_in(body: Mapping[str, Any]) -> dict[str, str]:
    return {str(key): str(value) for key, value in body.get("heard", {}).items()}
