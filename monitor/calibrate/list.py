"""`filmcall calibrate list` and `undo`: what the log holds of calibrations, and taking one back."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path

from monitor.calibrations import CalibrationBook, CalibrationRecord, days_text, undoing_body
from monitor.clock import RELEASED_S
from monitor.log.log import Store, log_path
from monitor.log.rows import Calibration, micros
from monitor.wire import Json
from rules.errors import FilmcallError
from rules.text import iso_utc
from sensors.calibrate.fit import CALIBRATED, Correction
from sensors.reading import Quantity

_CLOCK_SLACK_S = 60.0


def refuse_wrong_clock(store: Store, book: CalibrationBook, now_s: float) -> None:
    """Refuse to date a calibration by a clock that has not been set.

    Raises:
        FilmcallError: it stands before this program's release, or before something in the log.
    """
    if now_s < RELEASED_S:
        raise FilmcallError(
            f"the clock says {iso_utc(now_s)}, before this program was made, and a calibration "
            f"counts by its date; nothing was stored. Set the clock."
        )
    newest_s = max(
        (applied.made_s for applied, _ in book.all()), default=store.newest_time_s() or now_s
    )
    newest_s = max(newest_s, store.newest_time_s() or newest_s)
    if now_s < newest_s - _CLOCK_SLACK_S:
        raise FilmcallError(
            f"the clock says {iso_utc(now_s)}, before the log's newest row of "
            f"{iso_utc(newest_s)}, and a calibration counts by its date; nothing was stored. Set "
            f"the clock."
        )


def local_unit(quantity: Quantity) -> str:
    """Return the unit of a quantity's differences."""
    return CALIBRATED[quantity].unit


def correction_text(correction: Correction) -> str:
    """Return in words what a correction does.

    >>> from sensors.calibrate.fit import CalibrationMethod, Reference, fit
    >>> point = Reference(20, 20.4, 0.1, "")
    >>> correction_text(fit(Quantity.AIR_TEMP, CalibrationMethod.SIDE_BY_SIDE, [point]))
    'raw + 0.40 K'
    """
    unit = local_unit(correction.quantity)
    if correction.gain == 1.0 and correction.offset == 0.0:
        return "readings stay as they are"
    sign = "-" if correction.offset < 0.0 else "+"
    gain = "" if correction.gain == 1.0 else f" × {correction.gain:.4f}"
    return f"raw{gain} {sign} {abs(correction.offset):.2f} {unit}"


def as_dict(applied: CalibrationRecord, state: str, now_s: float, accuracy: float) -> Json:
    """Return a calibration with its fixed keys.

    Args:
        applied: the calibration.
        state: `in force`, `expired`, `replaced`, `undone`, `to come` or `not kept`.
        now_s: for its age [s].
        accuracy: half-width that the sensor has by itself [the quantity's unit].
    """
    correction = applied.correction
    age_s = max(now_s - applied.made_s, 0.0)
    return {
        "row": applied.row or None,
        "enclosure": applied.enclosure,
        "point": applied.point,
        "quantity": correction.quantity.value,
        "method": correction.method.value,
        "state": state,
        "made": iso_utc(applied.made_s),
        "expires": iso_utc(applied.expires_s),
        "age_s": round(age_s, 3),
        "gain": correction.gain,
        "offset": correction.offset,
        "residual": correction.residual,
        "half_width": correction.half_width,
        "accuracy": correction.accuracy(correction.points[-1].reading, age_s, accuracy),
        "unit": local_unit(correction.quantity),
        "points": [
            {
                "reading": each.reading,
                "reference": each.reference,
                "half_width": each.half_width,
                "what": each.what,
            }
            for each in correction.points
        ],
        "warnings": list(applied.warnings),
        "note": applied.note,
    }


def listing(
    db: Path | None, *, as_json: bool, now_s: Callable[[], float] = time.time
) -> tuple[str, int]:
    """Return every calibration in the log, one line each, and the exit status.

    Raises:
        FilmcallError: there is no log, or it cannot be read.
    """
    with Store.open(log_path(db), now_s=now_s, read_only=True) as store:
        book = CalibrationBook(store.calibrations())
    now = now_s()
    found = book.all(now)
    if as_json:
        listed = [
            as_dict(applied, book.state(applied, now), now, book.accuracy(applied.key))
            | {"undone": None if undone is None else iso_utc(undone.made_s)}
            for applied, undone in found
        ]
        return json.dumps(listed, indent=2), 0
    if not found:
        return "the log holds no calibration: readings are taken as they come", 0
    lines = []
    for applied, undone in found:
        correction = applied.correction
        state = book.state(applied, now)
        if undone is not None and state == "undone":
            state += f" {iso_utc(undone.made_s)} by row {undone.row}"
            state += f": {undone.note}" if undone.note else ""
        elif state == "in force":
            state += f", {days_text(applied.expires_s - now)} left"
        what = ", ".join(point.what for point in correction.points)
        lines.append(
            f"{applied.row:>4}  {iso_utc(applied.made_s)}  {applied.enclosure}/{applied.point} "
            f"{correction.quantity.value}: {correction_text(correction)} ({what}); leaves "
            f"{correction.residual:.2f} {local_unit(correction.quantity)}; {state}"
        )
        lines += [f"      warning: {warning}" for warning in applied.warnings if state[0] == "i"]
    lines += [f"      {notice}" for notice in book.notices(now)]
    return "\n".join(lines), 0


def undo(
    row: int,
    db: Path | None,
    *,
    point: str | None = None,
    quantity: str | None = None,
    enclosure: str | None = None,
    note: str = "",
    now_s: Callable[[], float] = time.time,
) -> tuple[str, int]:
    """Take a calibration back from now on, or what has taken one back; the log keeps both.

    Args:
        row: of the calibration, or of what took it back.
        db: the log's file, or None for the usual one.
        point: whose it must be, or None for any.
        quantity: of what it must be, or None for any.
        enclosure: where it must be, or None for anywhere.
        note: why, in a person's own words.
        now_s: the clock [s].

    Returns:
        What is to be printed, and the exit status.

    Raises:
        FilmcallError: there is no such row, it is of something else, or it is undone.
    """
    path = log_path(db)
    with Store.open(path, now_s=now_s, read_only=True) as store:
        book = CalibrationBook(store.calibrations())
    now = micros(now_s()) / 1e6  # as the log will have it
    applied = _chosen(book, row, point, quantity, enclosure)
    before = book.in_force(*applied.key, now)
    undone = next(taken_back for each, taken_back in book.all(now) if each is applied)
    if row == applied.row and undone is not None:
        raise FilmcallError(f"calibration row {row} is undone already; nothing was changed")
    if row != applied.row and (undone is None or undone.row != row):
        raise FilmcallError(f"row {row} takes nothing back any more; nothing was changed")
    with Store.open(path, now_s=now_s) as store:
        refuse_wrong_clock(store, book, now)
        undoing = Calibration(
            enclosure=applied.enclosure,
            point=applied.point,
            quantity=applied.correction.quantity,
            made_s=now,
            body=undoing_body(row, note=note),
        )
        store.add_calibration(undoing)
        book = CalibrationBook(store.calibrations())
        after = book.in_force(*applied.key, now)
    now_counts = (
        "readings are taken as they come"
        if after is None
        else f"row {after.row} of {iso_utc(after.made_s)} is in force"
        f"{'' if before is not None and before.row == after.row else ' again'} "
        f"({correction_text(after.correction)})"
        f"{', and has run out' if book.state(after, now) == 'expired' else ''}"
    )
    what = f" ({correction_text(applied.correction)})" if row == applied.row else ""
    return (
        f"{applied.enclosure}/{applied.point} {applied.correction.quantity.value}: row "
        f"{row}{what} is taken back from {iso_utc(now)} on; {now_counts}",
        0,
    )


def _chosen(
    book: CalibrationBook,
    row: int,
    point: str | None,
    quantity: str | None,
    enclosure: str | None,
) -> CalibrationRecord:
    found = next((applied for applied, _ in book.all() if applied.row == row), None)
    found = found or book.taken_back_by(row)
    if found is None:
        raise FilmcallError(
            f"the log has no calibration row {row}, so nothing was changed; see: filmcall "
            f"calibrate list"
        )
    held = (found.point, found.correction.quantity.value, found.enclosure)
    for wanted, has in zip((point, quantity, enclosure), held, strict=True):
        if wanted not in (None, has):
            raise FilmcallError(
                f"calibration row {row} is of {has!r} and not of {wanted!r}, so nothing was "
                f"changed; see: filmcall calibrate list"
            )
    return found
