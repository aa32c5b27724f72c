"""One section's films as the log has them: what was done, beside the temperatures that it knows."""

from __future__ import annotations

from datetime import tzinfo
from pathlib import Path
from typing import NamedTuple

from monitor.config.model import EnclosureConfig, worst_accuracy
from monitor.log.facts import config_in, spec_in, specs_of, with_former_points
from monitor.log.log import Store
from monitor.log.rows import LIVE
from monitor.logged_samples import history_rows
from monitor.samples import TemperatureChannel, Temperatures, channels_of
from monitor.specs import find_spec
from rules.clocks.all_clocks import clocks_on, history_wanted_from_s
from rules.clocks.section_work import SectionWork
from rules.clocks.stages import FilmState, stage_of
from rules.clocks.work import work_of
from rules.events import CarriedOut, Event, in_force
from rules.memory import history_told
from rules.spec.model import Spec
from rules.vocabulary import HUMIDITY_ACCURACY_PCT
from sensors.reading import Quantity

_OFF_PCT = {Quantity.HUMIDITY: HUMIDITY_ACCURACY_PCT}


class FilmBasis(NamedTuple):
    """By what the films of an enclosure are reckoned from its log.

    Attributes:
        config: as given, else as much as the log has, or None.
        counted: the same with its former points; the log is read for them once.
        default: spec of a coat that names none.
        beside: the folder that spec files count from.
        is_given: whether somebody gave the config.
    """

    config: EnclosureConfig | None
    counted: EnclosureConfig | None
    default: Spec
    beside: Path | None
    is_given: bool


def film_basis(
    store: Store,
    enclosure: str,
    config: EnclosureConfig | None = None,
    beside: Path | None = None,
) -> FilmBasis:
    """Return by what an enclosure's films are reckoned.

    Args:
        store: the log.
        enclosure: whose.
        config: in place of the log's own, its spec too; None for the log's.
        beside: the folder that spec files count from.
    """
    is_given = config is not None
    default = spec_in(store, enclosure, beside)
    if config is None:
        config = config_in(store, enclosure)
    else:
        default = find_spec(config.spec, beside)[0]
    counted = None if config is None else with_former_points(store, config)
    return FilmBasis(config, counted, default, beside, is_given)


class LoggedFilms(NamedTuple):
    """What the log makes of one section at a time.

    Attributes:
        bench: its work beside its temperatures.
        state: where its newest film is, and which pots wait for it.
        held: what of that film's history holds the next coat, in words.
    """

    bench: SectionWork
    state: FilmState
    held: tuple[str, ...]


def films_in_log(
    store: Store,
    enclosure: str,
    section: str | None,
    time_s: float,
    zone: tzinfo | None,
    basis: FilmBasis,
    known_s: float | None = None,
) -> LoggedFilms | None:
    """Return a section's films, or None where nothing was ever done to it.

    Args:
        store: the log.
        enclosure: whose.
        section: of it, or None.
        time_s: the time to reckon for [s].
        zone: of the times that are named; UTC for None.
        basis: by what they are reckoned.
        known_s: leave out what was recorded or arrived later; None leaves out nothing [s].
    """
    events = store.events(enclosure)
    if known_s is not None:
        events = tuple(e for e in events if e.recorded_s is None or e.recorded_s <= known_s)
    default = basis.default
    specs = {default.name: default, **specs_of(store.spec_text, events, basis.beside)[0]}
    from_s = history_wanted_from_s(section, events, time_s)
    if from_s is None:
        return None
    temperatures = temperatures_of(store, enclosure, basis.counted, section, events)
    load_temperatures(store, enclosure, temperatures, (from_s, time_s), known_s)
    work, history = work_of(section, events, time_s), temperatures.history()
    bench = SectionWork(section, work, specs, default, history, time_s, None)
    state = stage_of(section, events, default, clocks_on(bench), time_s)
    told = history_told(bench, state.steps_ended, in_force(events), zone)
    return LoggedFilms(bench, state, tuple(each.text for each in (*told.held, *told.gates)))


def temperatures_of(
    store: Store,
    enclosure: str,
    config: EnclosureConfig | None,
    section: str | None,
    events: tuple[Event, ...],
) -> Temperatures:
    """Return a store for the channels of a config with its former points, else for all."""
    if config is not None:
        channels = channels_of(config, section or "")
    else:
        known = [
            (each.point, each.quantity)
            for source in store.sources()
            for each in store.channels(source=source.source)
            if each.enclosure == enclosure and each.quantity is not Quantity.DUST
        ]
        channels = tuple(
            TemperatureChannel(point, quantity, None, _OFF_PCT.get(quantity, 0.0))
            for point, quantity in dict.fromkeys(known)
        )
    made = Temperatures(
        worst_accuracy(config, Quantity.SURFACE_TEMP),
        worst_accuracy(config, Quantity.AIR_TEMP),
        None if config is None else config.assumed_surface(section),
        channels,
    )
    standing = in_force(events)
    made.leave_out(CarriedOut(standing) if config is None else config.carried_out(standing))
    return made


def load_temperatures(
    store: Store,
    enclosure: str,
    temperatures: Temperatures,
    span_s: tuple[float, float],
    known_s: float | None,
) -> None:
    """Take in the temperatures of every source that the log has of the enclosure."""
    for source in store.sources():
        # What a recording holds was known when it was made, whenever it was played.
        live_known_s = known_s if source.source == LIVE else None
        rows = history_rows(
            store,
            enclosure,
            temperatures.channels,
            *span_s,
            source=source.source,
            known_s=live_known_s,
        )
        temperatures.put_before(rows)
