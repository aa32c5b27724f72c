"""`filmcall event`: writes down what a person did, beside a running `watch` or without one."""

from __future__ import annotations

import difflib
import math
import sys
import time
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, TypeVar

import typer

from monitor.cli.options import (
    DbOption,
    HardenerOption,
    MethodOption,
    SpecOption,
    figure,
    method_named,
)
from monitor.log.facts import config_in, specs_of, with_spec_text
from monitor.log.files import reading_log
from monitor.log.log import Store, log_path
from monitor.log.photos import take_photo
from monitor.specs import shipped_names, spec_path, spec_text
from monitor.times import AHEAD_S, carries_zone, moment_s, zone_in_log, zone_or_local
from rules.clocks.at_event import asks_whose, coat_warnings, heater_remark, sanding_remark, touched
from rules.clocks.work import missing_before, work_of
from rules.errors import FilmcallError
from rules.events import OF_PAINT, Event, in_force
from rules.spec.model import GENERAL_GUIDANCE
from rules.text import duration_text, hour_and_day_text, hour_text, iso_utc, printable
from rules.units import DAY_S
from rules.vocabulary import ALL_SECTIONS, EventKind, Service

LATE_S = 60.0
EARLIEST_S = 631_152_000.0
"""1990-01-01 UTC: older than any recording that an event could belong to; our own choice [s]."""
_MOST_ML = 1_000_000.0
MOST_OUT_S = 31 * DAY_S
"""Probes that stay out for longer are lost; our own choice [s]."""

Number = TypeVar("Number", int, float)


def run(
    kind: Annotated[str, typer.Argument(help="What was done: coat-started, mixed, wiped, ...")],
    *,
    enclosure: Annotated[
        str | None, typer.Option(help="Where; the log's only one if left out.")
    ] = None,
    section: Annotated[str | None, typer.Option(help="Which part of the work.")] = None,
    at: Annotated[
        str | None, typer.Option(help="When: 14:30 or ISO 8601; now if left out.")
    ] = None,
    timezone: Annotated[
        str | None, typer.Option(help="Zone of --at where it has none; else the enclosure's.")
    ] = None,
    note: Annotated[str, typer.Option(help="Free words.")] = "",
    spec: SpecOption = None,
    coat: Annotated[int | None, figure("--coat", "Number of the coat, from 1.", whole=True)] = None,
    batch: Annotated[str | None, typer.Option(help="The mix's own name.")] = None,
    amount_ml: Annotated[
        float | None, figure("--amount", "Volume mixed [mL, or with its unit].", "mL")
    ] = None,
    thinner_pct: Annotated[
        float | None, figure("--thinner", "Thinner, of the mix [%].", "%")
    ] = None,
    method: MethodOption = None,
    hardener: HardenerOption = None,
    service: Annotated[
        str | None, typer.Option(help="Where the film will serve: immersed or atmospheric.")
    ] = None,
    what: Annotated[str | None, typer.Option(help="With measured: wood-moisture, ...")] = None,
    value: Annotated[
        float | None, figure("--value", "With measured: the figure.", least=-1e6, most=1e6)
    ] = None,
    unit: Annotated[str | None, typer.Option(help="With measured: its unit.")] = None,
    point: Annotated[
        str | None, typer.Option(help="With vouched: the probe that is right as it is.")
    ] = None,
    until: Annotated[
        str | None,
        typer.Option(help="With probes-out: when they are back; touch dry if left out."),
    ] = None,
    photo: Annotated[
        Path | None,
        typer.Option(help="A picture of it, at most 10 MB: copied beside the log.", dir_okay=False),
    ] = None,
    corrects: Annotated[
        int | None, figure("--corrects", "Row that this takes the place of.", least=1, whole=True)
    ] = None,
    withdraw: Annotated[bool, typer.Option("--withdraw", help="Take that row back.")] = False,
    db: DbOption = None,
) -> str:
    """Append one event to the log and return what was recorded.

    Raises:
        FilmcallError: what was given cannot be, or the log refuses.
    """
    now_s = time.time()
    enclosure = _enclosure(enclosure, db)
    zone = _zone(at, timezone, enclosure, db, now_s)
    time_s = now_s if at is None else moment_s(at, now_s, zone)
    if at is None and corrects is not None:
        time_s = _time_of(corrects, enclosure, db, now_s)
    if time_s > now_s + AHEAD_S:
        raise FilmcallError(
            f"time {at} is ahead of the clock, so the event was not recorded; events are what has "
            "been done"
        )
    if time_s < EARLIEST_S:
        raise FilmcallError(
            f"time {at} is before 1990, older than any recording that it could belong to, so the "
            "event was not recorded; check the year"
        )
    until_s = None if until is None else _until_s(until, time_s, timezone, enclosure, db)
    event = Event(
        kind=_kind(kind),
        time_s=time_s,
        enclosure=enclosure,
        section=section,
        note=note,
        spec=None if spec is None else _spec(spec),
        coat=_at_least("coat", coat, 1, 1000),
        batch=batch,
        amount_ml=_at_least("amount", amount_ml, 0.0, _MOST_ML),
        thinner_pct=_thinner(thinner_pct),
        method=method_named(method),
        what=hardener or (what if point is None else point),
        value=value if until_s is None else until_s,
        unit=_service(service) or (unit if until_s is None else "s"),
        recorded_s=now_s,
        corrects=corrects,
        withdrawn=withdraw,
    )
    if event.kind is EventKind.MEASURED and (what is None or value is None or unit is None):
        raise FilmcallError(
            "a measurement needs what was measured, its value and its unit, so it was not "
            "recorded; give "
            "--what wood-moisture --value 14 --unit pct"
        )
    if (hardener or service) and event.kind not in OF_PAINT:
        raise FilmcallError(
            "only mixed and coat-started have a hardener and a service, so nothing was recorded; "
            "leave --hardener and --service out"
        )
    if until is not None and event.kind is not EventKind.PROBES_OUT:
        raise FilmcallError(
            "only probes-out has an end in time, so nothing was recorded; leave --until out"
        )
    if (event.kind is EventKind.VOUCHED) != (point is not None) and not withdraw:
        raise FilmcallError(
            "vouching needs the probe that is right as it is, and nothing else does, so nothing "
            "was recorded; give: filmcall event vouched --point plank-port"
        )
    if withdraw and corrects is None:
        raise FilmcallError("nothing was withdrawn: say which row with --corrects")
    with Store.open(log_path(db), now_s=time.time) as store:
        for notice in store.notices:
            print(notice, file=sys.stderr)
        event = _respecced(store, with_spec_text(store, event))
        _refuse_hardener(store, event)
        # The clocks first: once the coat is in the log, they tell of it.
        before = store.events(enclosure)
        sections = _sections(store, enclosure, before)
        touches = touched(event, before, sections)
        warnings = _said_of_a_coat(store, event, before, touches, zone)
        taken = None if photo is None else take_photo(photo, store.path)
        kept = store.add_event(event, photo=taken)
        warnings += [_stranger(store, enclosure), _strange_section(store, enclosure, section)]
        warnings += [_strange_point(store, enclosure, point), heater_remark(event)]
        if event.kind is EventKind.SANDED:
            from monitor.cli.clocks import clocks_in_log

            warnings.append(sanding_remark(event, clocks_in_log(store, enclosure, time_s)))
        asked = "" if withdraw else asks_whose(event, sections, touches)
        warnings.append(asked or missing_before(kept, store.events(enclosure)))
        if event.kind is EventKind.BACK_IN_SERVICE and not withdraw:
            from monitor.cli.clocks import clocks_in_log
            from rules.clocks.all_clocks import launch_warning

            warnings.append(launch_warning(clocks_in_log(store, enclosure, time_s - 1.0)))
    late = now_s - time_s
    said = f"recorded {kept.kind.value} at {iso_utc(kept.time_s)}"
    if zone is not None:
        said += f" ({hour_text(kept.time_s, zone_or_local(zone))} in {zone})"
    said += f" in {printable(enclosure)}"
    if section is not None:
        said += f"/{printable(section)}"
    elif touches:
        said += f", for {printable(', '.join(touches))}"
    said += f", row {kept.row}"
    if taken is not None:
        said += ", with its photo"
    if late > LATE_S:
        said += f" (written down {duration_text(late)} later)"
    return "\n".join([said, *(f"warning: {each}" for each in warnings if each)])


def _sections(store: Store, enclosure: str, events: Sequence[Event]) -> frozenset[str]:
    """The sections of an enclosure: those with a surface point, and those that events name."""
    config = config_in(store, enclosure)
    stated = set() if config is None else {point.section for point in config.points}
    named = {event.section for event in in_force(tuple(events))} - {ALL_SECTIONS}
    return frozenset(name for name in stated | named if name is not None)


def _said_of_a_coat(
    store: Store,
    event: Event,
    before: Sequence[Event],
    touches: Sequence[str],
    zone: str | None,
) -> list[str]:
    """What the clocks say against a coat that is begun, for each section that it touches."""
    if event.kind is not EventKind.COAT_STARTED or event.withdrawn or event.corrects is not None:
        return []
    from monitor.cli.clocks import clocks_in_log, memory_in_log

    clocks = clocks_in_log(store, event.enclosure, event.time_s)
    shown_in = zone_or_local(zone) or datetime.now().astimezone().tzinfo or UTC

    def hour(time_s: float) -> str:
        return hour_and_day_text(time_s, shown_in, event.time_s)

    found: list[str] = []
    for name in touches or (None,):
        own = [clock for clock in clocks if clock.section in (None, ALL_SECTIONS, name)]
        found += coat_warnings(event, before, name, own, hour)
        where = "" if name is None else f"{name}: "
        told = memory_in_log(store, event.enclosure, name, event.time_s, shown_in)
        found += [f"{where}{text[:1].lower()}{text[1:]}" for text in told]
    return found


def _enclosure(wanted: str | None, db: Path | None) -> str:
    """The enclosure that is meant: the named one, else the only one of which the log has readings.

    Raises:
        FilmcallError: the name is empty, or left out where the log does not make it plain.
    """
    if wanted is not None:
        if not wanted.strip():
            raise FilmcallError(
                "enclosure is empty, so nothing was recorded; give its name with --enclosure"
            )
        return wanted
    known: list[str] = []
    path = log_path(db)
    if path.is_file():
        with reading_log(path) as store:
            known = sorted({channel.enclosure for channel in store.channels()})
    if len(known) == 1:
        return known[0]
    names = ", ".join(printable(name) for name in known)
    has = f"has readings from {names}" if known else "has no reading yet"
    raise FilmcallError(
        f"enclosure is left out and the log {path} {has}, so nothing was recorded; give "
        "--enclosure NAME"
    )


def _zone(
    at: str | None, timezone: str | None, enclosure: str, db: Path | None, now_s: float
) -> str | None:
    """The zone that a typed time is read in, or None where it is the machine's own or its own."""
    zone_or_local(timezone)  # a misspelt one is refused even where the time carries its own
    if at is None or carries_zone(at, now_s):
        return None
    if timezone is not None:
        return timezone
    path = log_path(db)
    if not path.is_file():
        return None
    with reading_log(path) as store:
        return zone_in_log(store, enclosure)


def _time_of(row: int, enclosure: str, db: Path | None, now_s: float) -> float:
    """When the event was done that is corrected: who gives no other time means the same."""
    path = log_path(db)
    if not path.is_file():
        return now_s
    with reading_log(path) as store:
        times = {event.row: event.time_s for event in store.events(enclosure)}
    return min(times.get(row, now_s), now_s)


def _until_s(
    until: str, time_s: float, timezone: str | None, enclosure: str, db: Path | None
) -> float:
    """When probes are to be back: after they went out, and within a month.

    Raises:
        FilmcallError: it is no such time.
    """
    found_s = moment_s(until, time_s, _zone(until, timezone, enclosure, db, time_s))
    if found_s <= time_s and len(until) <= len("23:59:59"):
        found_s += DAY_S  # 14:30 is the next time that a clock shows it
    if not time_s < found_s <= time_s + MOST_OUT_S:
        raise FilmcallError(
            f"until {until} is not within 31 days after the probes went out, so nothing was "
            "recorded; give the time when they are to be back"
        )
    return found_s


def _stranger(store: Store, enclosure: str) -> str:
    """What to say of an enclosure from which the log has no reading, though it has others."""
    known = sorted({channel.enclosure for channel in store.channels()})
    if not known or enclosure in known:
        return ""
    names = ", ".join(printable(name) for name in known)
    return (
        f"the log has no reading from {printable(enclosure)!r}, only from {names}; take the event "
        "back with --corrects and --withdraw if the name is wrong"
    )


def _strange_section(store: Store, enclosure: str, section: str | None) -> str:
    """What to say of a section that has no surface point, though others have."""
    config = config_in(store, enclosure)
    if section is None or config is None:
        return ""
    known = sorted({point.section for point in config.points if point.section is not None})
    if not known or section in known:
        return ""
    return (
        f"no point belongs to section {printable(section)!r}, only to {', '.join(known)}, so it "
        "can have no GO; take the event back with --corrects and --withdraw if the name is wrong"
    )


def _respecced(store: Store, event: Event) -> Event:
    """A change of a film's spec, with what it takes the place of; other events as they are.

    Raises:
        FilmcallError: it names no spec, or there is no film whose spec it could change.
    """
    if event.kind is not EventKind.RESPEC or event.withdrawn:
        return event
    if event.spec is None:
        raise FilmcallError(
            "respec names no spec, so nothing was changed; give the film's new one with --spec"
        )
    events = store.events(event.enclosure)
    film = work_of(event.section, events, event.time_s).newest
    if film is None:
        where = "the enclosure" if event.section is None else f"section {event.section!r}"
        raise FilmcallError(
            f"there is no film on {printable(where)}, so no spec was changed; name the section of "
            "the film with --section"
        )
    specs, _ = specs_of(store.spec_text, events, None)
    before = specs[film.spec].name if film.spec in specs else (film.spec or "none")
    said = f"{event.spec} in place of {before}"
    return replace(event, note=f"{said}: {event.note}" if event.note else said)


def _strange_point(store: Store, enclosure: str, point: str | None) -> str:
    """What to say of a probe from which the log has nothing."""
    known = sorted({c.point for c in store.channels() if c.enclosure == enclosure})
    if point is None or not known or point in known:
        return ""
    return (
        f"the log has no reading of probe {printable(point)!r}, only of {', '.join(known)}, so "
        "nothing changes; take the event back with --corrects and --withdraw if the name is wrong"
    )


def _spec(name_or_file: str) -> str:
    """A spec that can be found: a shipped one's name, or a file's whole path."""
    if name_or_file in (*shipped_names(), GENERAL_GUIDANCE.name):
        return name_or_file
    spec_text(name_or_file)  # refuses what is neither
    return str(spec_path(name_or_file))


def _service(word: str | None) -> str | None:
    """Where a film will serve, checked.

    Raises:
        FilmcallError: it is no such word.
    """
    if word is not None and word not in list(Service):
        raise FilmcallError(
            f"service {printable(word)!r} is not known, so nothing was recorded; one of: "
            f"{', '.join(Service)}"
        )
    return word


def _refuse_hardener(store: Store, event: Event) -> None:
    """Refuse a hardener that the spec does not have.

    Raises:
        FilmcallError: the spec that the event goes by has no times for it.
    """
    if event.hardener is None:
        return
    specs, _ = specs_of(store.spec_text, [event], None)
    spec = specs.get(event.spec_key or "")
    if spec is None or event.hardener in spec.hardeners:
        return
    has = ", ".join(spec.hardeners)
    raise FilmcallError(
        f"hardener {printable(event.hardener)!r} is not in spec {printable(spec.name)!r}, so "
        "nothing was recorded; "
        + (f"it has {has}; leave it out for the sheet's standard one" if has else "leave it out")
    )


def _thinner(thinner_pct: float | None) -> float | None:
    found = _at_least("thinner", thinner_pct, 0.0)
    if found is not None and found > 100.0:
        raise FilmcallError(
            f"thinner {found:g} % is above 100 %, so nothing was recorded; give its share of the "
            "mix"
        )
    return found


def _kind(kind: str) -> EventKind:
    try:
        return EventKind(kind)
    except ValueError:
        near = difflib.get_close_matches(kind, list(EventKind), 1)
        hint = f"did you mean {near[0]}?" if near else f"one of: {', '.join(EventKind)}"
        raise FilmcallError(
            f"event {printable(kind)!r} is not known, so nothing was recorded; {hint}"
        ) from None


def _at_least(
    name: str, value: Number | None, least: Number, most: float = math.inf
) -> Number | None:
    if value is not None and not (math.isfinite(value) and value >= least):
        raise FilmcallError(
            f"{name} {value:g} is under {least:g} or no number, so nothing was recorded; give "
            f"{least:g} or more"
        )
    if value is not None and value > most:
        raise FilmcallError(
            f"{name} {value:g} is above {most:g}, which no job needs, so nothing was recorded; "
            "enter it again"
        )
    return value
