"""Makes a calibration of what was found, keeps it in the log, and tells it."""

from __future__ import annotations

import json
import time

from monitor.calibrate.calibrate_live import CalibrateFault
from monitor.calibrate.list import as_dict, correction_text, local_unit, refuse_wrong_clock
from monitor.calibrate.target import Found, Target, World
from monitor.calibrations import Applied, CalibrationBook, body_of, read_row
from monitor.log.log import Store
from monitor.log.places import log_path
from monitor.log.rows import Calibration
from monitor.wire import iso_utc
from rules.units import amount
from sensors.calibrate.fit import (
    DAY_S,
    Correction,
    Method,
    Reference,
    fit,
    solvent_warning,
    untried_warning,
)
from sensors.reading import Quantity

# Points of a calibration older than this are not joined with new ones: the probe has lived since.
JOIN_WITHIN_S = 7.0 * DAY_S


def book_of(target: Target, found: Found) -> CalibrationBook:
    path = log_path(target.db)
    if not path.exists():
        return CalibrationBook()
    with Store.open(path, now_s=time.time, read_only=True) as store:
        rows = store.calibrations()
    return CalibrationBook(rows) if found.config is None else CalibrationBook.of(rows, found.config)


def conclude(
    target: Target, found: Found, method: Method, points: list[Reference], world: World
) -> tuple[str, int]:
    now_s = world.now_s()
    book = book_of(target, found)
    before = book.in_force(found.enclosure, found.point, found.quantity, now_s)
    if target.add:
        points = _joined(before, method, points, now_s)
    correction = fit(
        found.quantity,
        method,
        points,
        adjust=not target.check_only,
        valid_s=None if target.valid is None else amount(target.valid, "s"),
    )
    warnings = []
    if found.quantity is Quantity.HUMIDITY:
        # Only one of the two can be due: the first needs a high point, the second its absence.
        warnings = [w for w in (solvent_warning(points), untried_warning(points)) if w is not None]
    row = Calibration(
        enclosure=found.enclosure,
        point=found.point,
        quantity=found.quantity,
        made_s=now_s,
        body=body_of(correction, note=target.note, warnings=warnings),
    )
    kept = _keep(target, row, book, world) if target.keep else row
    applied = read_row(kept)
    if not isinstance(applied, Applied):
        raise CalibrateFault("what was kept is no calibration; look at the log")
    if target.as_json:
        state = "in force" if target.keep else "not kept"
        told = as_dict(applied, state, now_s, found.accuracy)
        told["replaces"] = None if before is None else before.row
        return json.dumps(told, indent=2), 0
    return _told(applied, before, correction, found.accuracy, kept=target.keep), 0


def _joined(
    before: Applied | None, method: Method, points: list[Reference], now_s: float
) -> list[Reference]:
    if before is None or before.correction.method is not method:
        raise CalibrateFault(
            f"there is no {method.value} calibration in force whose points could be joined, so "
            f"nothing was calibrated; leave --add out"
        )
    if now_s - before.made_s > JOIN_WITHIN_S:
        raise CalibrateFault(
            f"the calibration in force is {(now_s - before.made_s) / DAY_S:.0f} days old, over "
            f"{JOIN_WITHIN_S / DAY_S:.0f}, and its points are not joined with new ones; nothing "
            f"was calibrated. Do both jars again, or leave --add out."
        )
    return [*before.correction.points, *points]


def _keep(target: Target, row: Calibration, book: CalibrationBook, world: World) -> Calibration:
    with Store.open(log_path(target.db), now_s=world.now_s) as store:
        for notice in store.notices:
            world.say(notice)
        refuse_wrong_clock(store, book, row.made_s)
        known = {(each.enclosure, each.point, each.quantity) for each in store.channels()}
        if known and (row.enclosure, row.point, row.quantity) not in known:
            names = ", ".join(sorted({f"{at}/{point} {what}" for at, point, what in known}))
            world.say(
                f"warning: the log has no {row.quantity} of {row.enclosure}/{row.point}, "
                f"only of {names}; a calibration of a name that nothing has corrects nothing. Take "
                "it back with calibrate undo if the name is wrong."
            )
        return store.add_calibration(row)


def _told(
    applied: Applied, before: Applied | None, correction: Correction, accuracy: float, *, kept: bool
) -> str:
    unit = local_unit(correction.quantity)
    lines = [f"{applied.point}, {correction.quantity.value}, in {applied.enclosure}"]
    for point in correction.points:
        way = "high" if point.error > 0.0 else "low"
        lines.append(
            f"  {point.what}: reads {point.reading:.2f} for {point.reference:.2f} "
            f"± {point.half_width:.2f} {unit}, {abs(point.error):.2f} {way}"
        )
    middle = correction.points[-1].reading
    extra = correction.extra_accuracy(middle, 0.0, accuracy)
    lines.append(
        f"  {correction_text(correction)}; leaves {correction.residual:.2f} {unit} at the points "
        f"and widens the accuracy of {accuracy:g} {unit} by {extra:.2f} today"
    )
    if not kept:
        lines.append("  nothing was kept")
    else:
        lines.append(
            f"  in force from {iso_utc(applied.made_s)} until {iso_utc(applied.expires_s)}; taken "
            f"back by: filmcall calibrate undo --row {applied.row}"
        )
        if before is not None:
            lines.append(f"  replaces row {before.row} of {iso_utc(before.made_s)}")
    lines += [f"  warning: {warning}" for warning in applied.warnings]
    return "\n".join(lines)
