"""`filmcall event`: writes down what a person did, beside a running `watch` or without one."""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.cli.options import (
    DbOption,
    HardenerOption,
    MethodOption,
    SpecOption,
    figure,
)
from monitor.log.facts import config_in, with_former_points
from monitor.log.files import reading_log
from monitor.log.log import Store, log_path
from monitor.named import kind_named, method_named
from monitor.record import NEEDS_POINT, Answers, Scene, check, out_now, record
from monitor.specs import shipped_names, spec_path, spec_text
from monitor.times import carries_zone, is_of_day, moment_s, zone_in_log, zone_or_local
from rules.errors import FilmcallError
from rules.events import OF_PAINT, PROBES_MOVED, Event, happened
from rules.spec.model import GENERAL_GUIDANCE
from rules.text import duration_text, hour_text, iso_utc, printable, with_zone_text
from rules.units import DAY_S
from rules.vocabulary import EventKind, Service

if TYPE_CHECKING:
    from monitor.logged_films import FilmBasis
    from rules.clocks.clock import Clock

LATE_S = 60.0
MOST_OUT_S = 31 * DAY_S
"""Probes that stay out for longer are lost; our own choice [s]."""


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
    before = _row_of(corrects, db)
    enclosure = before.enclosure if before and enclosure is None else _enclosure(enclosure, db)
    zone = _zone(at, timezone, enclosure, db, now_s)
    time_s = now_s if at is None else moment_s(at, now_s, zone)
    if at is None and before is not None:
        time_s = min(before.time_s, now_s)  # who gives no other time means the same
    until_zone, until_s = None, None
    if until is not None:
        until_zone = _zone(until, timezone, enclosure, db, time_s)
        until_s = _until_s(until, time_s, until_zone)
    event = Event(
        kind=kind_named(kind),
        time_s=time_s,
        enclosure=enclosure,
        section=section,
        note=note,
        spec=None if spec is None else _spec(spec),
        coat=coat,
        batch=batch,
        amount_ml=amount_ml,
        thinner_pct=thinner_pct,
        method=method_named(method),
        what=hardener or (what if point is None else point),
        value=value if until_s is None else until_s,
        unit=_service(service) or (unit if until_s is None else "s"),
        recorded_s=now_s,
        corrects=corrects,
        withdrawn=withdraw,
    )
    as_it_was: list[str] = []
    if before is not None and before.enclosure == enclosure:
        event, as_it_was = _in_place_of(before, event)
    check(event, now_s, at)
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
        raise FilmcallError(NEEDS_POINT)
    with Store.open(log_path(db), now_s=time.time) as store:
        for notice in store.notices:
            print(notice, file=sys.stderr)
        scene = _scene(store, event, zone)
        found = record(store, event, scene, photo=photo)
        if event.kind in PROBES_MOVED and scene.config is not None:
            scene = replace(scene, config=with_former_points(store, scene.config))
        strange = (_stranger(store, enclosure), _strange_point(store, enclosure, point))
    kept, touches, warnings = found.event, found.touches, (*found.warnings, *strange)
    late = now_s - time_s
    done = f"withdrew row {corrects}," if withdraw else "recorded"
    said = f"{done} {kept.kind.value} at {iso_utc(kept.time_s)}"
    if zone is not None:
        said += f" ({hour_text(kept.time_s, zone_or_local(zone))} in {zone})"
    said += f" in {printable(enclosure)}"
    if kept.section is not None:
        said += f"/{printable(kept.section)}"
    elif touches and not withdraw:
        said += f", for {printable(', '.join(touches))}"
    if kept.kind is EventKind.PROBES_OUT and not withdraw:
        back = "touch dry"
        if until_s is not None:
            back = with_zone_text(until_s, zone_or_local(until_zone), now_s)
        said += f", until {back}"
    said += f", row {kept.row}"
    if corrects is not None and not withdraw:
        said += f" in place of row {corrects}"
        said += f", with its {_listed(as_it_was)}" if as_it_was else ""
    if photo is not None:
        said += ", with its photo"
    if kept.kind in PROBES_MOVED:
        said += f"; out now: {out_now(scene, kept) or 'no probe'}"
    if late > LATE_S:
        said += f" (written down {duration_text(late)} later)"
    return "\n".join([said, *(f"warning: {each}" for each in warnings if each)])


def _scene(store: Store, event: Event, zone: str | None) -> Scene:
    """The enclosure before an event, as the log knows it."""
    name, shown_in, events = event.enclosure, zone_or_local(zone), store.events(event.enclosure)
    typed_now = event.recorded_s is not None and event.recorded_s - event.time_s < LATE_S
    if typed_now:  # by a clock that may have been set back
        events = happened(events, event.time_s)

    # What reckons clocks is loaded only where an event asks for one.
    @cache
    def basis() -> FilmBasis:
        from monitor.logged_films import film_basis

        return film_basis(store, name)

    def clocks(time_s: float, over: Event | None) -> tuple[Clock, ...]:
        from monitor.cli.clocks import clocks_in_log

        ahead = over is not None
        return clocks_in_log(
            store, name, time_s, basis(), over=over, look_ahead=ahead, all_happened=typed_now
        )

    def memory(section: str | None, time_s: float) -> list[str]:
        from monitor.logged_films import films_in_log

        films = films_in_log(store, name, section, time_s, shown_in, basis())
        return [] if films is None else list(films.held)

    def answers(section: str, time_s: float) -> Answers:
        from monitor.job.standing import answers_at

        return answers_at(store, name, section, time_s)

    return Scene(events, config_in(store, name), shown_in, clocks, memory, answers)


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


def _row_of(row: int | None, db: Path | None) -> Event | None:
    """The event of a row; None where none is asked for, or the log has none such."""
    path = log_path(db)
    if row is None or not path.is_file():
        return None
    with reading_log(path) as store:
        return next((event for event in store.events() if event.row == row), None)


_AS_IT_WAS = {
    "section": "section", "note": "note", "spec": "spec", "coat": "coat", "batch": "batch",
    "amount_ml": "amount", "thinner_pct": "thinner", "method": "method", "what": "what",
    "value": "value", "unit": "unit",
}  # fmt: skip
"""What a correction of the same kind leaves as it was where it gives nothing else, by its word."""


def _in_place_of(before: Event, event: Event) -> tuple[Event, list[str]]:
    """Return a correction or withdrawal with what it leaves as it was, and the words for that.

    Raises:
        FilmcallError: it would take back an event of another kind.
    """
    same = event.kind is before.kind
    if event.withdrawn and not same:
        raise FilmcallError(
            f"row {event.corrects} is {before.kind.value} and not {event.kind.value}, so nothing "
            "was withdrawn; filmcall export events shows the events with their rows"
        )
    left: dict[str, Any] = {
        name: getattr(before, name)
        for name in (_AS_IT_WAS if same else ("section",))
        if getattr(event, name) in (None, "") and getattr(before, name) not in (None, "")
    }
    words = [_AS_IT_WAS[name] for name in left]
    if "spec" in left or (same and event.spec is None):
        left["spec_sha256"] = before.spec_sha256
    return replace(event, **left), words


def _listed(words: list[str]) -> str:
    *first, last = words
    return f"{', '.join(first)} and {last}" if first else last


def _until_s(until: str, time_s: float, zone: str | None) -> float:
    """When probes are to be back: after they went out, and within a month.

    Raises:
        FilmcallError: it is no such time.
    """
    found_s = moment_s(until, time_s, zone)
    if found_s <= time_s and is_of_day(until):
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
