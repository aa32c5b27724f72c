"""`filmcall outlook`: from the log, and a forecast where there is one, to the hours that hold."""

from __future__ import annotations

import json
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from monitor.config.model import EnclosureConfig
from monitor.log.facts import config_in, spec_in, specs_of
from monitor.log.log import Store, log_path
from monitor.outlook.forecast import about, issue_of
from monitor.outlook.prior import shipped_priors
from monitor.outlook.read import SectionRecord, choose_source, read_track
from monitor.outlook.text import OutlookReport, as_json, as_text
from monitor.specs import find_spec
from rules.air.arrays import dew_points_c
from rules.clocks.all_clocks import clocks_of, history_ends_s, history_wanted_from_s, settled
from rules.clocks.clock import Clock, ClockState
from rules.clocks.history import TemperatureHistory
from rules.clocks.stages import FilmState, stage_of
from rules.errors import FilmcallError
from rules.events import Event, in_force
from rules.harm import harm_time_s
from rules.limits import own_limits
from rules.outlook.draws import Outlook, OutlookBreak, outlook_breaks
from rules.outlook.members import outlook_of_log
from rules.outlook.suggestions import suggestions
from rules.outlook.weather import ForecastUnfit, Outside
from rules.outlook.windows import (
    Window,
    bounds_of,
    judge_starts,
    last_start,
    limit_spans_s,
    two_coats,
    windows_of,
)
from rules.spec.model import Spec
from rules.text import duration_text
from rules.units import DAY_S
from rules.vocabulary import (
    ALL_SECTIONS,
    CLOCK_OF_STEP,
    FILM_STAGES,
    ClockName,
    EventKind,
    LimitName,
    Step,
)
from sensors.forecast import ForecastHours, read_forecast
from sensors.recording.layout import RecordingFault


class ForecastRefused(FilmcallError):
    """A forecast file cannot be read."""


def run(
    db: Path | None,
    *,
    enclosure: str | None = None,
    section: str | None = None,
    hours: float = 24.0,
    json_wanted: bool = False,
    forecast: Path | ForecastHours | None = None,
    config: EnclosureConfig | None = None,
    spec: str | None = None,
    beside: Path | None = None,
) -> str:
    """Return what `filmcall outlook` prints.

    Args:
        db: the log's file, or None for the platform's.
        enclosure: which, or None for the only one.
        section: whose surface, or None for the coldest of all.
        hours: how far the windows and bands are shown, up to 24 [h].
        json_wanted: JSON in place of text.
        forecast: outdoor hours, the past days' among them, or a CSV or JSON file of them, or None.
        config: of the enclosure, or None for what the log alone tells.
        spec: of the next coat, or None for the config's or the general guidance.
        beside: the folder that spec files count from.

    Raises:
        FilmcallError: no log, too little of it, or a file that cannot be used.
    """
    if not 0.25 <= hours <= 24.0:
        raise FilmcallError(
            f"hours {hours:g} is outside 0.25 to 24, which an outlook covers; give --hours 24"
        )
    with Store.open(log_path(db), now_s=time.time, read_only=True) as store:
        _, name = choose_source(store, enclosure or (None if config is None else config.name))
        own = config or config_in(store, name)
        wanted: list[str | None] = [section]
        if section is None:
            wanted = [*sections_in(own, store.events(name))] or [None]
        made = [
            make(
                store,
                enclosure=name,
                section=each,
                forecast=forecast_hours(forecast, own) if isinstance(forecast, Path) else forecast,
                config=config,
                spec=spec,
                beside=beside,
            )
            for each in wanted
        ]
    # First the section whose limits will break soonest.
    made.sort(key=lambda each: min((b.median_s for b in each.breaks), default=np.inf))
    shown = [
        replace(each, windows=tuple(w for w in each.windows if w.start_from_s <= hours * 3600))
        for each in made
    ]
    if not json_wanted:
        return "\n\n".join(as_text(each, hours, time.time()) for each in shown)
    told = [json.loads(as_json(each, hours)) for each in shown]
    return json.dumps({**told[0], "sections": told} if len(told) > 1 else told[0], indent=2)


def forecast_hours(path: Path, config: EnclosureConfig | None = None) -> ForecastHours:
    """Read a forecast file, or raise ForecastRefused with one sentence."""
    try:
        return read_forecast(path, timezone=None if config is None else config.timezone)
    except RecordingFault as fault:
        raise ForecastRefused(str(fault)) from None


def outside_of(hours: ForecastHours) -> Outside:
    """Return a forecast's hours as the outlook reads them."""
    dew = hours.dew_point_c.copy()
    lacking = np.isnan(dew)
    if lacking.any():
        # Outside it may be colder than any probe's range: such hours are beyond use here.
        temps = np.clip(hours.temp_c[lacking], -40.0, 60.0)
        dew[lacking] = dew_points_c(temps, np.clip(hours.rh_pct[lacking], 1.5, 100.0))
    return Outside(hours.time_s, hours.temp_c, dew, hours.sun_w_m2, hours.made_s)


def make(
    store: Store,
    *,
    enclosure: str | None = None,
    section: str | None = None,
    forecast: ForecastHours | None = None,
    config: EnclosureConfig | None = None,
    spec: str | None = None,
    beside: Path | None = None,
    now_s: float | None = None,
) -> OutlookReport:
    """Make the outlook of one section from its log.

    Args:
        store: the log.
        enclosure: which, or None for the only one.
        section: whose surface, or None for the coldest of all.
        forecast: outdoor hours, or None.
        config: of the enclosure, or None.
        spec: of the next coat, or None for the config's or the general guidance.
        beside: the folder that spec files count from.
        now_s: look back from here; None for the last reading [s].

    Raises:
        TooLittleLog: under a day of log, or nothing now.
        SpecFault: the spec is not known.
    """
    source, name = choose_source(store, enclosure)
    events = store.events(name)
    if spec is not None:
        default = find_spec(spec, beside)[0]
    elif config is not None:
        default = find_spec(config.spec, beside)[0]
    else:
        default = spec_in(store, name, beside)
    config = config or config_in(store, name)
    _check_section(section, config, events)
    specs, notes = _specs(store, events, default, beside)
    newest_s = now_s if now_s is not None else _newest_event_s(events)
    wanted_s = history_wanted_from_s(section, events, newest_s) if events else None
    told = read_track(
        store,
        name,
        section,
        source=source,
        config=config,
        now_s=now_s,
        history_from_s=wanted_s,
        settled_by=lambda end_s: history_ends_s(section, events, end_s),
        settled=lambda history, end_s: _all_settled(
            section, events, specs, default, history, end_s
        ),
    )
    notes.extend(told.notes)
    track = told.track
    outlook, by_forecast = outlook_of(told, forecast, store, notes)
    clocks = clocks_of(section, events, specs, default, told.history, track.end_s)
    state = stage_of(section, events, default, clocks, track.end_s)
    next_spec = state.next_spec(specs, default)
    vapour = _gives_off_vapour(section, events, specs, default, told, clocks, state)
    limits, breaks = breaks_of(outlook, state, specs, default, clocks, config)
    last = None
    threshold = 0.2 if config is None else config.break_probability
    coating_s = None if config is None else config.coating_time_s
    starts = judge_starts(outlook, next_spec, coating_time_s=coating_s)
    windows = _open_for_coat(windows_of(outlook, starts, threshold=threshold), clocks, track.end_s)
    if state.coating_forbidden:
        windows = []
        notes.append(state.coating_forbidden)
    elif LimitName.DEW_MARGIN_MIN in bounds_of(next_spec) and outlook.surface_temp_c is None:
        notes.append("no surface probe, so no dew margin and no window for a coat")
    if windows and windows[0].start_from_s <= outlook.horizons_s[0]:
        last = last_start(starts, threshold)
    helps = suggestions(
        outlook,
        next_spec,
        track,
        gives_off_vapour=vapour,
        coating_time_s=coating_s,
        threshold=threshold,
    )
    if state.stage in FILM_STAGES or state.coating_forbidden:
        helps = []
    present = outlook.centre[0 if outlook.surface_temp_c is None else 2, 0]
    minds_s = harm_time_s(next_spec, float(present), coating_s)
    if windows and minds_s is not None and minds_s > outlook.looked_ahead_s:
        notes.append(
            f"the air matters to a film of {next_spec.name} for {duration_text(minds_s)}, and the "
            f"outlook looks {duration_text(outlook.looked_ahead_s)} ahead: less of a later start "
            "is seen, so it looks better than it may be"
        )
    return OutlookReport(
        enclosure=name,
        section=section,
        spec=next_spec,
        stage=state.stage,
        outlook=outlook,
        limits=limits,
        breaks=breaks,
        windows=tuple(windows),
        last_start=last,
        pair=two_coats(outlook, next_spec, windows, coating_time_s=coating_s),
        helps=tuple(helps),
        gives_off_vapour=vapour,
        notes=tuple(dict.fromkeys((*outlook.notes, *notes))),
        timezone="Etc/UTC" if config is None else config.timezone,
        by_forecast=by_forecast,
    )


def _all_settled(
    section: str | None,
    events: tuple[Event, ...],
    specs: Mapping[str, Spec],
    default: Spec,
    history: TemperatureHistory,
    now_s: float,
) -> bool:
    """Whether nothing after a history changes a clock of a section, or of any other beside it."""
    whose = {section, *(event.section for event in in_force(events))}
    return all(
        settled(clocks_of(each, events, specs, default, history, now_s), history) for each in whose
    )


def sections_in(config: EnclosureConfig | None, events: Sequence[Event]) -> list[str]:
    """Return the sections of an enclosure by its points and events; none for one without."""
    named = {event.section for event in in_force(tuple(events)) if event.section is not None}
    if config is not None:
        named |= {point.section for point in config.points if point.section is not None}
    return sorted(named - {ALL_SECTIONS})


def _check_section(
    section: str | None, config: EnclosureConfig | None, events: Sequence[Event]
) -> None:
    known = sections_in(config, events)
    if section is not None and config is not None and section not in known:
        had = ", ".join(known) or "none"
        raise FilmcallError(
            f"section {section!r} is not known, so nothing was looked at; the enclosure has: {had}"
        )


def outlook_of(
    told: SectionRecord, forecast: ForecastHours | None, store: Store, notes: list[str]
) -> tuple[Outlook, bool]:
    """Return the outlook, and whether it rests on the forecast too.

    Args:
        told: the log.
        forecast: outdoor hours, or None.
        store: for the forecasts of the past days as they were issued.
        notes: is told what the reader should know.

    Raises:
        TooLittleLog: under a day of log, or nothing now.
    """
    if forecast is None:
        return outlook_of_log(told.track, shipped_priors()), False
    notes.append(about(forecast, told.track.end_s))
    notes.extend(forecast.notices)
    ahead = [g for g in forecast.gaps_s() if g[1] > told.track.end_s - 8 * DAY_S]
    notes.extend(f"forecast has a gap of {duration_text(b - a)}" for a, b in ahead)
    try:
        issued = store.forecasts(told.track.times_s()[0] - DAY_S)
        issues = [outside_of(issue_of(each)) for each in issued]
        return outlook_of_log(told.track, shipped_priors(), outside_of(forecast), issues), True
    except ForecastUnfit as fault:
        return replace(outlook_of_log(told.track, shipped_priors()), notes=(str(fault),)), False


def _specs(
    store: Store, events: Sequence[Event], default: Spec, beside: Path | None
) -> tuple[dict[str, Spec], list[str]]:
    found, notes = {default.name: default}, []
    named, lost = specs_of(store.spec_text, events, beside)
    notes += [
        f"spec {each!r} could not be read; its coats are judged by {default.name}" for each in lost
    ]
    return {**found, **named}, notes


def _newest_event_s(events: Sequence[Event]) -> float:
    return max((event.time_s for event in events), default=0.0)


def _gives_off_vapour(
    section: str | None,
    events: tuple[Event, ...],
    specs: Mapping[str, Spec],
    default: Spec,
    told: SectionRecord,
    clocks: Sequence[Clock],
    state: FilmState,
) -> bool:
    """Whether any film of the enclosure is in its harm time, or its clearance clock runs."""
    if state.stage in FILM_STAGES or _clears(clocks):
        return True
    others = {event.section for event in in_force(events) if event.kind is EventKind.COAT_STARTED}
    for other in others - {section, None}:
        other_clocks = clocks_of(other, events, specs, default, told.history, told.track.end_s)
        film = stage_of(other, events, default, other_clocks, told.track.end_s)
        if film.film_stage is not None or _clears(other_clocks):
            return True
    return False


def _clears(clocks: Sequence[Clock]) -> bool:
    running = (ClockState.RUNNING, ClockState.WAITING)
    return any(c.name is ClockName.CLEARANCE and c.state in running for c in clocks)


def breaks_of(
    outlook: Outlook,
    state: FilmState,
    specs: Mapping[str, Spec],
    default: Spec,
    clocks: Sequence[Clock],
    config: EnclosureConfig | None,
) -> tuple[dict[LimitName, float], tuple[OutlookBreak, ...]]:
    """Return the bounds in force, and what would probably break while the film minds it.

    Args:
        outlook: of the section.
        state: of its film.
        specs: by name.
        default: of films whose spec is not known.
        clocks: of the section.
        config: for the least probability that counts and the coating time, or None.
    """
    threshold = 0.2 if config is None else config.break_probability
    if state.stage in FILM_STAGES:
        film_spec = state.spec(specs, default)
        own = own_limits(film_spec, state.stage, state.method, state.ended(film_spec))
        in_force_now = {name: limit for name, limit in own.items() if limit.harms}
        bounds = {name: limit.bound + limit.film_below_k for name, limit in in_force_now.items()}
        spans = {}
        for name, limit in in_force_now.items():
            last = limit.until
            if not isinstance(last, Step):
                spans[name] = state.left_s(film_spec)[last] or 0.0
                continue
            left = [c.left_s for c in clocks if c.name is CLOCK_OF_STEP[last] and not c.buried]
            if left and left[0] is not None:
                spans[name] = left[0]
    else:
        coming = state.next_spec(specs, default)
        bounds = bounds_of(coming)
        coating_s = coming.coating_time_s
        if config is not None and config.coating_time_s is not None:
            coating_s = config.coating_time_s
        until = limit_spans_s(outlook, coming, coating_s, np.zeros(1))
        spans = {name: float(at[0]) for name, at in until.items()}
    return bounds, tuple(outlook_breaks(outlook, bounds, spans, threshold=threshold))


def _open_for_coat(
    windows: Sequence[Window], clocks: Sequence[Clock], now_s: float
) -> list[Window]:
    """Windows inside the recoat window of the film that is there."""
    opens_s, closes_s = 0.0, np.inf
    for clock in clocks:
        if clock.buried or clock.state is ClockState.ENDED:
            continue
        ends_s = clock.ends_at_s
        if clock.name is ClockName.RECOAT_OPENS:
            opens_s = np.inf if ends_s is None else max(opens_s, ends_s - now_s)
        elif clock.name is ClockName.RECOAT_CLOSES and ends_s is not None:
            closes_s = min(closes_s, ends_s - now_s)
    kept = []
    for window in windows:
        begin, end = max(window.start_from_s, opens_s), min(window.start_until_s, closes_s)
        if begin <= end:
            kept.append(window._replace(start_from_s=begin, start_until_s=end))
    return kept
