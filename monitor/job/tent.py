"""What a log says of a job's tents: their air beside the air outside, where both are known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from monitor.config.model import EnclosureConfig
from monitor.log.facts import config_in
from monitor.log.files import reading_log
from monitor.log.log import Store
from monitor.outlook.forecast import beside, kept
from monitor.outlook.make import outside_of
from monitor.outlook.read import choose_source, columns_of, last_humidity_s
from rules.air.arrays import Floats, dew_points_c
from rules.errors import FilmcallError
from rules.events import in_force
from rules.heat import heater_shares
from rules.job.model import Job
from rules.job.tent import KINDS, Tent, TentUnknown, fit_tent
from rules.known import HUMIDITY, TEMPERATURE
from rules.outlook.track import CELL_S, CELLS_A_DAY, TooLittleLog, bridged
from rules.outlook.weather import Outside
from sensors.forecast import ForecastHours
from sensors.reading import Quantity

_DAYS = 14


def tents_of(
    job: Job,
    log: Path,
    hours: ForecastHours | None,
    *,
    sun_ahead: bool,
    to_s: float | None = None,
) -> dict[str, Tent]:
    """Return what is known of each enclosure: from the log, else as the job file has it.

    Args:
        job: whose enclosures.
        log: its file; it may not be there.
        hours: of weather outside, past ones among them, or None.
        sun_ahead: whether the hours to be planned tell of the sun.
        to_s: no reading after it counts; None for all of them [s since 1970].
    """
    names = {section.enclosure for section in job.sections}
    stated = {name: job.tents.get(name, KINDS["open"]) for name in names}
    if not log.exists():
        return stated
    past = [outside_of(each) for each in (hours, kept(beside(log), None)) if each is not None]
    with reading_log(log) as store:
        return {
            name: _known(store, name, tent, past, sun_ahead, to_s) for name, tent in stated.items()
        }


def _known(
    store: Store,
    name: str,
    stated: Tent,
    past: list[Outside],
    sun_ahead: bool,
    to_s: float | None,
) -> Tent:
    try:
        return _tent(store, name, past, sun_ahead, to_s)
    except TooLittleLog:
        return stated  # a log that holds nothing of this tent is not worth a word
    except FilmcallError as why:
        return replace(stated, basis=f"{stated.basis}; {why}")


def _tent(
    store: Store, name: str, past: list[Outside], sun_ahead: bool, to_s: float | None
) -> Tent:
    source, _ = choose_source(store, name)
    config = config_in(store, name)
    bodies = _bodies(store, name, source, config)
    end_s = last_humidity_s(store, name, bodies["inside"], source, to_s)
    count = _DAYS * CELLS_A_DAY
    times = end_s - CELL_S * np.arange(count - 1, -1, -1, dtype=np.float64)

    column = columns_of(store, name, source, config)

    def air(place: str) -> tuple[Floats, Floats]:
        temps, dews = [], []
        for body in bodies[place]:
            temp, rh = (
                bridged(column(body, quantity, count, end_s), pace)
                for quantity, pace in (
                    (Quantity.AIR_TEMP, TEMPERATURE),
                    (Quantity.HUMIDITY, HUMIDITY),
                )
            )
            temps.append(temp)
            dews.append(dew_points_c(temp, rh, missing_ok=True))
        return _mean(temps), _mean(dews)

    inside = air("inside")
    heater = heater_shares(in_force(tuple(store.events(name))), times)
    # Cells end at their times: an hour's value between two hours is read at their middle.
    ways = [(*each.at(times - CELL_S / 2.0), each.sun_w_m2 is not None) for each in past]
    if bodies["outside"]:
        sun = next((way[2] for way in ways if way[3]), np.zeros(0))
        ways.insert(0, (*air("outside"), sun, bool(sun.size)))
    why = TentUnknown(
        "its log has no point outside (inside = false) and no past hours of a forecast beside it"
    )
    for temp_c, dew_c, sun, shines in ways:
        try:
            return fit_tent(
                temp_c,
                dew_c,
                *inside,
                sun=sun if shines and sun_ahead else None,
                heater=heater,
            )
        except TentUnknown as fault:
            why = fault
    raise why


def _mean(rows: Sequence[Floats]) -> Floats:
    """The mean of the bodies that speak, by cells; NaN where none does."""
    stack = np.stack(rows)
    known = np.isfinite(stack)
    count = known.sum(axis=0)
    return np.where(count, np.where(known, stack, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)


def _bodies(
    store: Store, name: str, source: int, config: EnclosureConfig | None
) -> Mapping[str, list[str]]:
    """Bodies with temperature and humidity, inside and outside."""
    known: dict[Quantity, set[str]] = {Quantity.AIR_TEMP: set(), Quantity.HUMIDITY: set()}
    for channel in store.channels(source=source):
        if channel.enclosure == name and channel.quantity in known:
            known[channel.quantity].add(channel.point)
    outside = {p.name for p in (config.points if config else ()) if not p.inside}
    both = sorted(known[Quantity.AIR_TEMP] & known[Quantity.HUMIDITY])
    found = {
        "inside": [body for body in both if body not in outside],
        "outside": [body for body in both if body in outside],
    }
    if not found["inside"]:
        raise TooLittleLog(f"no point in {name} has both air temperature and humidity")
    return found
