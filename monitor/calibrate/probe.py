"""`filmcall calibrate`: holds a probe against something better and keeps what was found."""

from __future__ import annotations

import json
import math
import time
from collections.abc import Sequence

from monitor.calibrate import target as live
from monitor.calibrate.list import (
    as_dict,
    correction_text,
    listing,
    local_unit,
    refuse_wrong_clock,
    undo,
)
from monitor.calibrate.target import (
    CalibrateFault,
    ConfiguredTarget,
    Surroundings,
    Target,
    find,
    heard,
    listener_of,
    temperature_named,
    temperature_quantity,
)
from monitor.calibrations import CalibrationBook, CalibrationRecord, body_of, read_row
from monitor.config.model import DEFAULT_ACCURACY
from monitor.log.log import Store, log_path
from monitor.log.rows import Calibration
from monitor.named import named_as_typed
from rules.air.state import pressure_at_altitude_pa, rh_from_wet_bulb_pct
from rules.air.uncertainty import wet_bulb_accuracy
from rules.text import counted, iso_utc
from rules.units import DAY_S, amount, temperature_c
from sensors.calibrate.fit import (
    CalibrationFault,
    CalibrationMethod,
    Correction,
    Reference,
    fit,
    salt_reference,
    solvent_warning,
    untried_warning,
)
from sensors.calibrate.salts import salt_of
from sensors.calibrate.settling import REST, RestCriteria
from sensors.reading import Quantity, Reading
from sensors.recording.words import meaning

# Points of a calibration older than this are not joined with new ones: the probe has lived since.
JOIN_WITHIN_S = 7.0 * DAY_S


def book_of(target: Target, found: ConfiguredTarget) -> CalibrationBook:
    path = log_path(target.db)
    if not path.exists():
        return CalibrationBook()
    with Store.open(path, now_s=time.time, read_only=True) as store:
        rows = store.calibrations()
    return CalibrationBook(rows) if found.config is None else CalibrationBook.of(rows, found.config)


def conclude(
    target: Target,
    found: ConfiguredTarget,
    method: CalibrationMethod,
    points: list[Reference],
    world: Surroundings,
    air: str | None = None,
) -> tuple[str, int]:
    """Fit, keep and tell; `air` names the reference where a hull is held against the air."""
    now_s = world.now_s()
    book = book_of(target, found)
    before = book.in_force(found.enclosure, found.point, found.quantity, now_s)
    if target.add:
        points = _joined(before, method, points, now_s)
    correction = fit(
        found.quantity,
        method,
        points,
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
        body=body_of(correction, note=target.note, warnings=warnings, heard=found.heard),
    )
    if target.keep and air is not None:
        world.say(_beside_air(found.point, air, correction, before))
    kept = _keep(target, row, book, world) if target.keep else row
    applied = read_row(kept)
    if not isinstance(applied, CalibrationRecord):
        raise CalibrateFault("what was recorded is no calibration; look at the log")
    if target.as_json:
        state = "in force" if target.keep else "not kept"
        told = as_dict(applied, state, now_s, found.accuracy)
        told["replaces"] = None if before is None or not target.keep else before.row
        return json.dumps(told, indent=2), 0
    if not target.keep:
        allowed = found.accuracy
        if before is not None:
            raw = max(each.reading for each in points)
            allowed = before.correction.accuracy(raw, now_s - before.made_s, allowed)
        return _checked(applied, before, allowed), 0
    return _told(applied, before, correction, found.accuracy), 0


def _beside_air(
    hull: str, air: str, correction: Correction, before: CalibrationRecord | None
) -> str:
    """What a hull probe's comparison with the air asks for, and what it does to the margins."""
    raw = correction.points[-1].reading
    was = raw if before is None else before.correction.value(raw)
    more_k = correction.value(raw) - was
    warmer, larger = ("warmer", "larger") if more_k >= 0.0 else ("colder", "smaller")
    other = f"{air} an air probe" if air != hull else "the other one its air"
    return (
        f"{hull} lies on the hull, and {other}: both must have been together in one bag, away from "
        "the hull, until neither moved. Left in place a hull is rightly colder than the air, and "
        f"this would hide it. From now on the hull counts {abs(more_k):.2f} K {warmer} there, and "
        f"every dew margin of {hull} {abs(more_k):.2f} K {larger}. If they were not together, take "
        "it back: filmcall calibrate undo --row N, with the row told below."
    )


def _is_air(target: Target, found: ConfiguredTarget, reference: str) -> bool:
    """Whether a hull probe is held against the air: by config, else by the log, else by name."""
    if found.quantity is not Quantity.SURFACE_TEMP:
        return False
    if reference == found.point:
        return True
    if found.place is not None:
        kinds = {each.quantity for each in found.place.points if each.name == reference}
    else:
        kinds = _logged_kinds(target, found.enclosure, reference)
    if not kinds:
        return "air" in meaning(reference).kinds
    return Quantity.AIR_TEMP in kinds and Quantity.SURFACE_TEMP not in kinds


def _logged_kinds(target: Target, enclosure: str, point: str) -> set[Quantity]:
    path = log_path(target.db)
    if not path.exists():
        return set()
    with Store.open(path, now_s=time.time, read_only=True) as store:
        return {
            each.quantity
            for each in store.channels()
            if (each.enclosure, each.point) == (enclosure, point)
        }


def _joined(
    before: CalibrationRecord | None,
    method: CalibrationMethod,
    points: list[Reference],
    now_s: float,
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


def _keep(
    target: Target, row: Calibration, book: CalibrationBook, world: Surroundings
) -> Calibration:
    with Store.open(log_path(target.db), now_s=world.now_s) as store:
        for notice in store.notices:
            world.say(notice)
        refuse_wrong_clock(store, book, row.made_s)
        known = {(each.enclosure, each.point, each.quantity) for each in store.channels()}
        if (row.enclosure, row.point, row.quantity) not in known and (
            known or target.config_file is None
        ):
            names = ", ".join(sorted({f"{at}/{point} {what}" for at, point, what in known}))
            only = f", only of {names}" if names else ""
            world.say(
                f"warning: the log has no {row.quantity} of {row.enclosure}/{row.point}{only}; a "
                "calibration of a name that nothing has corrects nothing. Take it back with "
                "calibrate undo if the name is wrong."
            )
        return store.add_calibration(row)


def _found(applied: CalibrationRecord) -> list[str]:
    """What is told first: the probe, and what it read at each point."""
    correction = applied.correction
    unit = local_unit(correction.quantity)
    at = " degC" if unit == "K" else ""
    lines = [f"{applied.point}, {correction.quantity.value}, in {applied.enclosure}"]
    for point in correction.points:
        way = "high" if point.error > 0.0 else "low"
        lines.append(
            f"  {point.what}: reads {point.reading:.2f}{at} for {point.reference:.2f}{at} "
            f"± {point.half_width:.2f} {unit}, {abs(point.error):.2f} {unit} {way}"
        )
    return lines


def _checked(applied: CalibrationRecord, before: CalibrationRecord | None, allowed: float) -> str:
    """What is told of a check, against the correction in force and the accuracy reckoned with."""
    points, unit = applied.correction.points, local_unit(applied.correction.quantity)
    as_used = [
        each.reading if before is None else before.correction.value(each.reading) for each in points
    ]
    off = max(abs(used - each.reference) for used, each in zip(as_used, points, strict=True))
    now = "uncorrected" if before is None else f"with row {before.row} in force"
    line = f"  {now} it is {off:.2f} {unit} off, where calls reckon with {allowed:.2f}"
    if off > allowed:
        line += ": calibrate without --check"
    lines = [*_found(applied), line, "  nothing was recorded, and nothing is changed"]
    return "\n".join([*lines, *(f"  warning: {warning}" for warning in applied.warnings)])


def _told(
    applied: CalibrationRecord,
    before: CalibrationRecord | None,
    correction: Correction,
    accuracy: float,
) -> str:
    unit = local_unit(correction.quantity)
    lines = _found(applied)
    middle = correction.points[-1].reading
    proved = correction.accuracy(middle, 0.0, accuracy)
    lines.append(
        f"  {correction_text(correction)}; leaves {correction.residual:.2f} {unit} at the points "
        f"and makes the accuracy {proved:.2f} {unit} there today, in place of {accuracy:g}"
    )
    lines.append(
        f"  in force from {iso_utc(applied.made_s)} until {iso_utc(applied.expires_s)}; taken "
        f"back by: filmcall calibrate undo --row {applied.row}"
    )
    if before is not None:
        lines.append(f"  replaces row {before.row} of {iso_utc(before.made_s)}")
    lines += [f"  warning: {warning}" for warning in applied.warnings]
    return "\n".join(lines)


__all__ = ["Surroundings", "Target", "listing", "psychrometer", "salt", "side_by_side", "undo"]

MOST_WAIT_S = 12.0 * 3600.0
# Two probes in one bag drift together, so their distance rests sooner than either of them; and a
# psychrometer is read within a minute. Common practice, no source.
PAIR_REST = RestCriteria(0.2, 0.3, 900.0, temp_within_k=3.0)
MINUTE_REST = RestCriteria(60.0, 2.0, 60.0, temp_within_k=1.0, least=3)
THERMOMETER_K = 0.2  # half-width of a hand-read thermometer: common practice, no source
_HAND_HALF_WIDTH = {Quantity.HUMIDITY: 0.1, Quantity.AIR_TEMP: 0.05, Quantity.SURFACE_TEMP: 0.05}


def salt(
    target: Target,
    salts: Sequence[str],
    readings: Sequence[float] = (),
    temps: Sequence[str] = (),
    *,
    rest: RestCriteria | None = None,
    most_wait_s: float = MOST_WAIT_S,
    world: Surroundings | None = None,
) -> tuple[str, int]:
    """Hold a humidity probe against saturated salts.

    Args:
        target: the probe.
        salts: LiCl, MgCl2, K2CO3, NaCl, KCl or K2SO4; several only with readings by hand.
        readings: by hand, raw, one for each salt; empty to listen until the probe rests [%].
        temps: of the jars, as typed: one for each reading, or one for all; when listening the
            probe's own air temperature counts where it is left out.
        rest: when the probe counts as at rest, or None for the usual.
        most_wait_s: longest wait for that [s].
        world: what is touched outside.

    Returns:
        What is to be printed, and the exit status.

    Raises:
        FilmcallError: anything given cannot be, or the probe does not come to rest.
    """
    world = world or Surroundings()
    found = find(target, Quantity.HUMIDITY)
    try:
        kinds = [salt_of(each) for each in salts]
        if not kinds:
            raise CalibrateFault("no salt is named, so nothing was calibrated; give --salt NaCl")
        temps_c = [temperature_c(each) for each in temps]
        if readings:
            temps_c = temps_c * len(readings) if len(temps_c) == 1 else temps_c
            if not len(kinds) == len(readings) == len(temps_c):
                raise CalibrateFault(
                    f"{counted(len(kinds), 'salt')}, {counted(len(readings), 'reading')} and "
                    f"{counted(len(temps_c), 'jar temperature')} do not pair, so nothing was "
                    f"calibrated. Give --salt, --reading and --temp once for each jar, in the same "
                    f"order."
                )
            spread = _HAND_HALF_WIDTH[Quantity.HUMIDITY]
            points = [
                salt_reference(kind, temp_c, reading, spread)
                for kind, temp_c, reading in zip(kinds, temps_c, readings, strict=True)
            ]
        else:
            if len(kinds) != 1 or len(temps_c) > 1:
                raise CalibrateFault(
                    "one probe rests in one jar at a time: give one --salt, and when it is done "
                    "the next with --add; nothing was calibrated"
                )
            wanted = heard(found, Quantity.HUMIDITY)
            beside = None
            if not temps_c:
                beside = heard(found, Quantity.AIR_TEMP)
            listener = listener_of(found, [wanted, *([beside] if beside else [])], world)
            rested = live.rest_of_one(
                listener, wanted, beside, rest or REST[Quantity.HUMIDITY], most_wait_s
            )
            temp_c = temps_c[0] if temps_c else rested.temp_c
            if temp_c is None:
                raise CalibrateFault("the jar's temperature is not known; give it with --temp")
            points = [salt_reference(kinds[0], temp_c, rested.value, rested.half_width)]
            if not rested.moved:
                world.say(
                    "the probe has not moved by a digit since the watch began: make sure that "
                    "it is alive"
                )
        return conclude(target, found, CalibrationMethod.SALT, points, world)
    except CalibrationFault as fault:
        raise CalibrateFault(str(fault)) from None


def side_by_side(
    target: Target,
    reference: str,
    reading: str | None = None,
    reference_reading: str | None = None,
    *,
    quantity: str | None = None,
    reference_accuracy: str | None = None,
    rest: RestCriteria = PAIR_REST,
    most_wait_s: float = MOST_WAIT_S,
    world: Surroundings | None = None,
) -> tuple[str, int]:
    """Hold a temperature probe against another one, both in one bag.

    Args:
        target: the probe.
        reference: point name of the other one, or any words for one that is read by hand.
        reading: raw, as typed, or None to listen to both.
        reference_reading: as typed, or None to listen to both.
        quantity: air_temp or surface_temp, where the config does not tell.
        reference_accuracy: half-width that the reference is known to, such as `0.1 K`; None for
            the config's, else the usual.
        rest: when the distance between both counts as at rest.
        most_wait_s: longest wait for that [s].
        world: what is touched outside.

    Returns:
        What is to be printed, and the exit status.

    Raises:
        FilmcallError: anything given cannot be, or the probes do not come to rest.
    """
    world = world or Surroundings()
    found = find(target, None if quantity is None else temperature_named(quantity))
    _refuse_itself(found, reference)
    half_width = (
        None if reference_accuracy is None else amount(reference_accuracy, "K", difference=True)
    )
    try:
        if reading is not None and reference_reading is not None:
            known = DEFAULT_ACCURACY[found.quantity] if half_width is None else half_width
            point = Reference(
                reading=temperature_c(reading),
                reference=temperature_c(reference_reading),
                half_width=known + _HAND_HALF_WIDTH[found.quantity],
                what=f"beside {reference}",
            )
        elif reading is None and reference_reading is None:
            point = _pair(target, found, reference, half_width, rest, most_wait_s, world)
        else:
            raise CalibrateFault(
                "one of two temperatures is given, so nothing was calibrated; give both --reading "
                "and --reference-reading, or neither to listen to both probes"
            )
        air = reference if _is_air(target, found, reference) else None
        return conclude(target, found, CalibrationMethod.SIDE_BY_SIDE, [point], world, air)
    except CalibrationFault as fault:
        raise CalibrateFault(str(fault)) from None


def _refuse_itself(found: ConfiguredTarget, reference: str) -> None:
    """Refuse a probe as its own reference; a body's surface may be held against its own air."""
    points = () if found.place is None else found.place.points
    own_air = (found.point, Quantity.AIR_TEMP) in {(each.name, each.quantity) for each in points}
    if reference == found.point and not (own_air and found.quantity is Quantity.SURFACE_TEMP):
        raise CalibrateFault(
            f"point '{reference}' is its own reference, so nothing was calibrated; give another "
            "with --reference"
        )


def _pair(
    target: Target,
    found: ConfiguredTarget,
    reference: str,
    half_width: float | None,
    rest: RestCriteria,
    most_wait_s: float,
    world: Surroundings,
) -> Reference:
    if reference == found.point and found.quantity is Quantity.SURFACE_TEMP:
        other_quantity = Quantity.AIR_TEMP
    else:
        other_quantity = temperature_quantity(found.place, reference)
    wanted, other = heard(found, found.quantity), heard(found, other_quantity, reference)
    book = book_of(target, found)
    key = (found.enclosure, reference, other_quantity)
    own = book.accuracy(key)

    def correct(reading: Reading) -> float:
        nonlocal own
        value, proved = book.correct(reading)
        own = own if proved is None else proved
        return value

    listener = listener_of(found, [wanted, other], world)
    rested = live.rest_of_pair(listener, wanted, other, correct, rest, most_wait_s)
    mean_c = rested.temp_c or 0.0
    return Reference(
        reading=mean_c,
        reference=mean_c + rested.value,
        half_width=(own if half_width is None else half_width) + rested.half_width,
        what=f"beside {reference} at {mean_c:.1f} degC",
    )


def psychrometer(
    target: Target,
    dry: str,
    wet: str,
    reading: float | None = None,
    *,
    altitude_m: float | None = None,
    thermometer_accuracy: str = f"{THERMOMETER_K} K",
    rest: RestCriteria = MINUTE_REST,
    most_wait_s: float = 600.0,
    world: Surroundings | None = None,
) -> tuple[str, int]:
    """Hold a humidity probe against a psychrometer read by hand beside it.

    Args:
        target: the probe.
        dry: dry bulb, as typed.
        wet: wet bulb, as typed.
        reading: raw, or None to listen for a minute [%].
        altitude_m: above the sea, or None for the config's [m].
        thermometer_accuracy: half-width of each thermometer.
        rest: how steady the probe must be meanwhile.
        most_wait_s: longest wait for that [s].
        world: what is touched outside.

    Returns:
        What is to be printed, and the exit status.

    Raises:
        FilmcallError: anything given cannot be.
    """
    world = world or Surroundings()
    found = find(target, Quantity.HUMIDITY)
    if altitude_m is None:
        altitude_m = 0.0 if found.place is None else found.place.altitude_m
    pressure_pa = pressure_at_altitude_pa(altitude_m)
    dry_c, wet_c = temperature_c(dry), temperature_c(wet)
    thermometer_k = amount(thermometer_accuracy, "K", difference=True)
    if not 0.0 < thermometer_k <= 2.0:
        raise CalibrateFault(
            f"thermometers known to {thermometer_k:g} K are not between 0 and 2 K, so nothing was "
            f"calibrated. Give what is printed on them, such as 0.2 K."
        )
    with named_as_typed({"air_temp_c": "--dry", "wet_bulb_c": "--wet"}):
        rh_pct = rh_from_wet_bulb_pct(dry_c, wet_c, pressure_pa)
    known_pct, _ = wet_bulb_accuracy(dry_c, wet_c, pressure_pa, thermometer_k)
    try:
        if reading is None:
            wanted = heard(found, Quantity.HUMIDITY)
            listener = listener_of(found, [wanted], world)
            rested = live.rest_of_one(listener, wanted, None, rest, most_wait_s)
            raw_pct, spread_pct = rested.value, min(rested.half_width, rest.range_within)
        else:
            raw_pct, spread_pct = reading, _HAND_HALF_WIDTH[Quantity.HUMIDITY]
        point = Reference(
            reading=raw_pct,
            reference=rh_pct,
            half_width=math.hypot(known_pct, spread_pct),
            what=f"psychrometer {dry_c:.1f}/{wet_c:.1f} degC",
        )
        return conclude(target, found, CalibrationMethod.PSYCHROMETER, [point], world)
    except CalibrationFault as fault:
        raise CalibrateFault(str(fault)) from None
