"""`filmcall clocks`: every countdown, reckoned from the log's events and temperatures."""

from __future__ import annotations

import json
import math
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.options import DbOption, JsonOption, config_option, known_option, known_then_of
from monitor.config.model import EnclosureConfig
from monitor.log.facts import specs_of
from monitor.log.files import reading_log
from monitor.log.log import Store
from monitor.logged_films import (
    FilmBasis,
    film_basis,
    films_in_log,
    load_temperatures,
    temperatures_of,
)
from monitor.screen.phrases import clock_words, pot_name
from monitor.times import is_of_day, moment_s, zone_in_log, zone_or_local
from monitor.wire import clock_dict
from rules.clocks.all_clocks import (
    clocks_of,
    history_ends_s,
    history_wanted_from_s,
    merge_clocks,
    settled,
)
from rules.clocks.clock import Clock, ClockState, with_held
from rules.clocks.work import laid_with
from rules.errors import FilmcallError
from rules.events import Event, happened, without_corrected
from rules.spec.model import Spec
from rules.text import duration_text, iso_utc, printable, with_zone_text
from rules.units import DAY_S
from rules.vocabulary import ClockName

if TYPE_CHECKING:
    from sensors.forecast import ForecastHours

MOST_OUTLOOKS = 3  # each takes a few tenths of a second
OLD_AFTER_S = DAY_S


def run(
    *,
    enclosure: Annotated[str | None, typer.Option(help="Whose; all if left out.")] = None,
    at: Annotated[
        str | None, typer.Option(help="For this time: 14:30, the nearest, or ISO 8601.")
    ] = None,
    config_file: Annotated[
        Path | None, config_option("Which surface belongs to which section.")
    ] = None,
    known: Annotated[str, known_option("by --at")] = "now",
    as_json: JsonOption = False,
    db: DbOption = None,
) -> str:
    """Return every clock of the log's enclosures, or of one, as JSON or lines.

    Without a config the coldest and the warmest of all surfaces count for each section.

    Raises:
        FilmcallError: the log or the enclosure cannot be used.
    """
    now_s, known_then = time.time(), known_then_of(known)
    configs, forecast = _configs(config_file)
    beside = config_file.parent if config_file is not None else None
    with reading_log(db) as store:
        in_log = enclosures_in(store)
        if enclosure is not None and enclosure not in in_log:
            had = ", ".join(in_log) or "none"
            raise FilmcallError(
                f"enclosure {printable(enclosure)!r} is not in the log, so it has no clocks; the "
                f"log has: {had}"
            )
        names = [enclosure] if enclosure is not None else in_log
        zone = _zone(store, names)
        time_s = now_s if at is None else moment_s(at, now_s, zone, nearest=True)
        known_s = time_s if known_then else None
        bases = {name: film_basis(store, name, configs.get(name), beside) for name in names}
        found = {
            name: clocks_in_log(
                store,
                name,
                time_s,
                bases[name],
                known_s=known_s,
                all_happened=at is None,
                look_ahead=not known_then,
                forecast=forecast,
            )
            for name in names
        }
        found = {
            name: _with_gates(store, name, time_s, clocks, bases[name], known_s)
            for name, clocks in found.items()
        }
        hint = _long_over(store, names, now_s) if at is None else ""
        zones = {name: zone_or_local(zone_in_log(store, name)) for name in names}
    if as_json:
        listed = [
            {"enclosure": name, **clock_dict(clock)}
            for name, clocks in found.items()
            for clock in clocks
        ]
        return json.dumps({"time": iso_utc(time_s), "clocks": listed}, indent=2)
    usual = _usual_basis([clock.basis for clocks in found.values() for clock in clocks])
    lines = [
        clock_line(
            clock if clock.basis != usual else replace(clock, basis=""),
            name if len(found) > 1 else "",
            zones[name],
            time_s,
        )
        for name, clocks in found.items()
        for clock in clocks
    ]
    then = "" if at is None else printable(at)
    if at is not None and is_of_day(at):
        then = with_zone_text(time_s, zone_or_local(zone), now_s)
        lines = [f"At {then}:", *lines] if lines else []
    if not lines:
        return f"No clock runs{' at ' if then else ''}{then}: no mix and no coat is recorded"
    if usual:
        lines.append(f"Where nothing else is said, by {usual}.")
    return "\n".join([*lines, *filter(None, [hint])])


def _with_gates(
    store: Store,
    enclosure: str,
    time_s: float,
    clocks: tuple[Clock, ...],
    basis: FilmBasis,
    known_s: float | None,
) -> tuple[Clock, ...]:
    """The clocks, where an open window says what of its film holds the next coat."""
    zone = zone_or_local(zone_in_log(store, enclosure))
    held: dict[str | None, tuple[str, ...]] = {}
    for section in {clock.section for clock in clocks if clock.is_open_window}:
        films = films_in_log(store, enclosure, section, time_s, zone, basis, known_s)
        held[section] = () if films is None else films.held
    return tuple(with_held(clock, held.get(clock.section, ())) for clock in clocks)


def _usual_basis(each: Sequence[str]) -> str:
    """What most clocks rest on, where at least three do, to be said once; else ""."""
    basis, count = Counter(filter(None, each)).most_common(1)[0] if any(each) else ("", 0)
    return basis if count >= 3 else ""


def _long_over(store: Store, names: Sequence[str], now_s: float) -> str:
    """What to say of now where the log holds recordings alone, and they ended long ago."""
    if store.newest_time_s(by_people=False) is not None:
        return ""
    ends_s = [
        session.ended_s
        for session in store.sessions()
        if session.kind != "live" and session.enclosure in names and session.ended_s is not None
    ]
    last_s = max(ends_s, default=now_s)
    if now_s - last_s < OLD_AFTER_S:
        return ""
    return (
        f"The recording ended {duration_text(now_s - last_s)} ago, and this is now. For a time in "
        f"it: filmcall clocks --at {iso_utc(last_s)}"
    )


def _zone(store: Store, names: Sequence[str]) -> str | None:
    """The zone that the enclosures share, or None, which is the machine's own."""
    zones = {zone_in_log(store, name) for name in names}
    return zones.pop() if len(zones) == 1 else None


def _configs(
    config_file: Path | None,
) -> tuple[dict[str, EnclosureConfig], ForecastHours | None]:
    """The enclosures by name, and the hours of the forecast file, where it can be used."""
    if config_file is None:
        return {}, None
    from monitor.config.load import load_config_file

    config = load_config_file(config_file)
    forecast = None
    if config.forecast.file is not None:
        from monitor.cli.outlook import own_forecast

        try:
            forecast = own_forecast(config)
        except FilmcallError:
            forecast = None  # `outlook` tells; the clocks' outlook goes by the log alone
    return {each.name: each for each in config.enclosures}, forecast


def enclosures_in(store: Store) -> list[str]:
    """Return the enclosures of which the log has an event or a reading."""
    told = {event.enclosure for event in store.events()}
    return sorted(told | {channel.enclosure for channel in store.channels()})


def clocks_in_log(
    store: Store,
    enclosure: str,
    time_s: float,
    basis: FilmBasis,
    *,
    known_s: float | None = None,
    all_happened: bool = False,
    look_ahead: bool = False,
    forecast: ForecastHours | None = None,
    over: Event | None = None,
) -> tuple[Clock, ...]:
    """Return an enclosure's clocks, reckoned from what the log holds.

    Args:
        store: the log.
        enclosure: whose.
        time_s: the time to reckon for [s].
        basis: by what its films are reckoned.
        known_s: leave out what was recorded or arrived later; None leaves out nothing [s].
        all_happened: the time is now, whatever the clock says: what stands in the log has happened.
        look_ahead: reckon what is left by the outlook too, where the log determines one; for the
            three sections whose clocks end next.
        forecast: outdoor hours that the outlook may rest on, or None.
        over: begins the coat under which recoat windows are asked for, with the text of its spec
            in the log; None is the mix in hand, else the enclosure's own.
    """
    events = store.events(enclosure)
    if all_happened:
        events = happened(events, time_s)
    if over is not None:
        events = without_corrected(events, over)
    if known_s is not None:
        events = tuple(e for e in events if e.recorded_s is None or e.recorded_s <= known_s)
    config, default = basis.config, basis.default
    asked = (*events, over) if over is not None else events
    specs = {default.name: default, **specs_of(store.spec_text, asked, basis.beside)[0]}
    named = {event.section for event in events if event.section is not None}
    if config is not None:
        # A pot stands beside every section's surface, whichever the events name.
        named |= {point.section for point in config.points if point.section is not None}
    sections: list[str | None] = [*sorted(named)] if named else [None]
    next_specs: list[Spec | None] = [None for _ in sections]
    if over is not None:
        laid = (laid_with(section, events, over) for section in sections)
        next_specs = [specs.get(key or "", default) for key in laid]
    merged: list[tuple[Clock, ...]] = []
    histories = []
    for section, next_spec in zip(sections, next_specs, strict=True):
        temperatures = temperatures_of(store, enclosure, basis.counted, section, events)
        from_s = history_wanted_from_s(section, events, time_s)
        for to_s in history_ends_s(section, events, time_s):
            if from_s is not None:
                load_temperatures(store, enclosure, temperatures, (from_s, to_s), known_s)
            history = temperatures.history()
            clocks = clocks_of(section, events, specs, default, history, time_s, over=next_spec)
            if settled(clocks, history):
                break
        histories.append(history)
        merged.append(clocks)
    next_ends = sorted((_next_end_s(clocks), place) for place, clocks in enumerate(merged))
    for end_s, place in next_ends[:MOST_OUTLOOKS] if look_ahead else ():
        if math.isinf(end_s):
            break
        from monitor.outlook.clocks import surface_ahead

        section, given = sections[place], config if basis.is_given else None
        ahead = surface_ahead(store, enclosure, section, time_s, config=given, forecast=forecast)
        merged[place] = clocks_of(
            section, events, specs, default, histories[place], time_s, ahead, next_specs[place]
        )
    return merge_clocks(merged)


def _next_end_s(clocks: Sequence[Clock]) -> float:
    """When the next clock that runs will end, infinite where none does [s]."""
    ends = (c.ends_at_s for c in clocks if c.state is ClockState.RUNNING)
    return min((end_s for end_s in ends if end_s is not None), default=math.inf)


def clock_line(clock: Clock, enclosure: str, zone: tzinfo | None, now_s: float) -> str:
    """Return one clock as people read it.

    Args:
        clock: the clock.
        enclosure: to be named, or "".
        zone: of the place; None is the machine's own.
        now_s: the time that it was reckoned for [s].
    """
    coat = f"coat {clock.coat} below" if clock.buried and clock.coat is not None else ""
    pot = pot_name(clock) if clock.batch or clock.name is ClockName.POT_LIFE else ""
    whose = "/".join(part for part in (enclosure, clock.section, coat, pot) if part)
    running, ended = clock_words(clock.name, clock.next_spec)
    if clock.state is ClockState.ENDED:
        left = "not known when"
        if clock.ended_at_s is not None:
            left = with_zone_text(clock.ended_at_s, zone, now_s)
    elif clock.left_s is None:
        left = clock.state.value if clock.state is not ClockState.RUNNING else "not counting"
    else:
        left = f"{duration_text(clock.left_s)} left"
        if clock.left_outlook_s is not None and clock.state is ClockState.RUNNING:
            left += f", {duration_text(clock.left_outlook_s)} by the outlook"
        if clock.ends_at_s is not None:
            left += f", until {with_zone_text(clock.ends_at_s, zone, now_s)}"
    name = ended if clock.state is ClockState.ENDED else running
    line = f"{name:<{max(23, len(name) + 1)}} {whose:<20} {left}"
    for more in (clock.basis, clock.advice):
        if more:
            line += f"\n{'':<24}{more}"
    return line
