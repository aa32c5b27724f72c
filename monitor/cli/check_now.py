"""`filmcall check --now`: the call that the log's last readings make, and until when to start."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from itertools import groupby
from pathlib import Path

from monitor.calibrations import CalibrationBook
from monitor.cli.call_text import lines
from monitor.clock import insane_clock
from monitor.config.load import load_config_file
from monitor.config.model import Config, EnclosureConfig
from monitor.enclosure import Enclosure
from monitor.films import FilmKeeper
from monitor.live.restart import (
    last_calls,
    newest_sane_s,
    recall_readings,
    recent_readings,
    sections_of,
)
from monitor.live.section_ends import ended_sections
from monitor.log.facts import begun_s, with_former_points
from monitor.log.files import reading_log
from monitor.log.log import Store
from monitor.log.rows import LIVE
from monitor.logged_samples import history_rows
from monitor.outlook.keeper import look_ahead
from monitor.outlook.read import choose_source
from monitor.replay.play import ReplayJob, keeper_of
from monitor.specs import find_spec
from monitor.wire import Json, enclosure_dict
from rules.air.uncertainty import SHOW_FACTOR
from rules.call import Call
from rules.clocks.all_clocks import history_wanted_from_s
from rules.errors import FilmcallError
from rules.events import of_probes, taken_until
from rules.reasons import MAY_I_START, Doubt, Reason, advice_of
from rules.section import SectionCall
from rules.text import date_hour_text, printable
from rules.vocabulary import LimitState
from sensors.forecast import ForecastHours
from sensors.zones import zone_or_utc

_OF_NOW_S = 60.0


def run(
    config_file: Path, *, enclosure: str | None, db: Path | None, as_json: bool
) -> tuple[str, str]:
    """Return what is to be printed, and the call.

    Args:
        config_file: describes the enclosure.
        enclosure: which, or None for the only one.
        db: the log.
        as_json: JSON in place of lines.

    Raises:
        FilmcallError: the config, the log or the enclosure cannot be used.
    """
    config = load_config_file(config_file)
    chosen = _chosen(config, enclosure)
    forecast = None
    if config.forecast.file is not None:
        from monitor.cli.outlook import own_forecast

        forecast = own_forecast(config)
    with reading_log(db) as store:
        tent = _tent_now(store, chosen, config_file.parent, forecast)
    calls, of_now, now_s = tent.explain(), "", time.time()
    told: Json = enclosure_dict(chosen.name, calls)  # at its own time, which it names
    if abs(now_s - calls[0].time_s) > _OF_NOW_S:
        end = date_hour_text(calls[0].time_s, zone_or_utc(chosen.timezone))
        of_now = f"By readings that end {end}; of now nothing is known"
        told |= {"of_now": f"{of_now}."}
        if any(now_s > each.expires_s for each in tent.channels() if each.config.required):
            calls = [_of_then(each, f"{of_now}. By them it was GO") for each in calls]
    if as_json:
        return json.dumps(told, indent=2), calls[0].call.value
    said = [f"{of_now}."] if of_now else []
    for each in calls:
        u_k = each.climate.dew_margin_u_k
        text = lines(each, None if u_k is None else SHOW_FACTOR * u_k)
        said.append(f"{printable(each.section)}: {text}" if len(calls) > 1 else text)
    return "\n".join(said), calls[0].call.value


def _of_then(call: SectionCall, text: str) -> SectionCall:
    """A call whose GO is none of now, since what it rests on is too old to count."""
    if call.call is not Call.GO:
        return call
    why = Reason("log", LimitState.UNKNOWN, None, None, None, "", text)
    advice = advice_of(Call.HOLD, call.stage, start=call.question == MAY_I_START)
    return replace(call, call=Call.HOLD, advice=advice, reasons=(why, *call.reasons))


def _chosen(config: Config, wanted: str | None) -> EnclosureConfig:
    names = [each.name for each in config.enclosures]
    found = [each for each in config.enclosures if wanted in (None, each.name)]
    if len(found) == 1:
        return found[0]
    wrong = f"enclosure {wanted!r} is not one of the config's"
    if wanted is None:
        wrong = f"the config has {len(names)} enclosures, and none was named"
    raise FilmcallError(
        f"{wrong}, so there is no call; give one with --enclosure: {', '.join(names)}"
    )


def calls_now(
    store: Store, config: EnclosureConfig, beside: Path, forecast: ForecastHours | None = None
) -> list[SectionCall]:
    """Return every section's call by the log's last hours, the worst first; see `_tent_now`."""
    return _tent_now(store, config, beside, forecast).explain()


def _tent_now(
    store: Store, config: EnclosureConfig, beside: Path, forecast: ForecastHours | None
) -> Enclosure:
    """Return an enclosure as its log's last hours leave it.

    Args:
        store: the log.
        config: of the enclosure.
        beside: the folder that spec files count from.
        forecast: outdoor hours, or None.

    Raises:
        FilmcallError: the log has no reading of the enclosure.
    """
    source, name = choose_source(store, config.name)
    events = store.events(name)
    spec, text = find_spec(config.spec, beside)
    keeper = keeper_of(ReplayJob(config, spec, "", text), events, beside, store.spec_text)
    keeper.outside_c = None if forecast is None else forecast.temp_at_c
    now_s = time.time()
    clock_fault = ""
    if source == LIVE:
        clock_fault = insane_clock(now_s, newest_sane_s(store, now_s))
        keeper.all_happened, keeper.clock_wrong = True, bool(clock_fault)
    else:  # a recording's present is its own end
        now_s = _newest_s(store, config, source)
    rows = recent_readings(store, config, now_s, source, raw=True)
    begin_s = rows[0].time_s if rows else now_s
    keeper.counted = with_former_points(store, config, source=source)
    keeper.set_events(events)
    sections, _ = sections_of(config, events)
    began_s = begun_s(store, name, begin_s) if source == LIVE else None
    late_s = {} if source != LIVE else _named_later(store, name, sections, began_s or begin_s)
    last = last_calls(store, name, sections - late_s.keys(), began_s) if source == LIVE else {}
    _take_temperatures(store, config, keeper, sections, now_s, source)
    tent = Enclosure(
        config,
        keeper.film_of,
        begin_s if began_s is None else began_s,
        last,
        keeper.evaluated,
        carried_out=keeper.carried_out,
        films_due_s=keeper.due_s,
    )
    tent.calibrate(CalibrationBook.of(store.calibrations(), Config(enclosures=(config,))))
    if clock_fault:
        tent.doubts = (Doubt("clock", clock_fault),)
    for each in sections - late_s.keys():
        tent.ensure_section(each)
    waiting = of_probes(events)
    if began_s is not None:  # as the watch took it up, and from then on
        recall_readings(store, tent, events, began_s)
        list(taken_until(waiting, began_s))
        rows = [each for each in rows if each.time_s >= began_s]
    instants = [(time_s, list(some)) for time_s, some in groupby(rows, lambda each: each.time_s)]
    for place, (time_s, some) in enumerate(instants):
        if place == len(instants) - 1:
            _look(store, config, tent, beside, now_s, forecast)
        for event in taken_until(waiting, time_s):
            tent.heed(event)
            tent.evaluate_now(event.time_s)  # as the watch does
        for each, named_s in late_s.items():
            if named_s <= time_s:
                tent.ensure_section(each)
        tent.take(some, time_s)
    for event in taken_until(waiting, now_s):
        tent.heed(event)
    for each in late_s:
        tent.ensure_section(each)
    tent.evaluate_now(now_s)  # though there was nothing to take in
    for each, _ in list(ended_sections(tent, keeper, now_s)) if source == LIVE else ():
        tent.end_section(each)
    return tent


def _named_later(
    store: Store, enclosure: str, sections: set[str], from_s: float
) -> dict[str, float]:
    """Which sections an event named while the program ran, and since when each is watched [s]."""
    stood = {each.section for each in store.calls_standing(enclosure, from_s, source=LIVE)}
    found: dict[str, float] = {}
    for call in store.calls(enclosure, from_s):
        if call.section in sections - stood:
            found.setdefault(call.section, call.time_s)
    return found


def _newest_s(store: Store, config: EnclosureConfig, source: int) -> float:
    ends_s = [
        float(times[-1])
        for each in config.points
        for times, _, _ in [store.readings(config.name, each.name, each.quantity, source=source)]
        if times.size
    ]
    return max(ends_s, default=time.time())


def _look(
    store: Store,
    config: EnclosureConfig,
    tent: Enclosure,
    beside: Path,
    now_s: float,
    forecast: ForecastHours | None,
) -> None:
    """Give each section its outlook, where the log determines one."""
    for name, section in tent.sections.items():
        try:
            made = look_ahead(store, config, name, beside, now_s, forecast=forecast)
        except FilmcallError:
            continue  # the call says that there is none
        section.ahead = made.ahead


def _take_temperatures(
    store: Store,
    config: EnclosureConfig,
    keeper: FilmKeeper,
    sections: set[str],
    now_s: float,
    source: int,
) -> None:
    for section in sections:
        wanted_s = history_wanted_from_s(section, keeper.events, now_s)
        if wanted_s is not None:
            samples = keeper.samples(section)
            whose = store, config.name, samples.channels
            samples.take_from_log(history_rows(*whose, wanted_s, now_s, source=source))
