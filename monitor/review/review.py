"""The look back at one session: what its log says of every coat, and of a defect where one is told.

Reads the log, hands it to `rules`, and keeps what `text` and `report` then say.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

from monitor.config.model import DEFAULT_ACCURACY, EnclosureConfig
from monitor.log.facts import specs_of, with_former_points
from monitor.log.files import seal_text
from monitor.log.log import Store
from monitor.log.photos import PhotoFault, photo_bytes
from monitor.log.rows import ENDED, LIVE, Calibration, CallRow, Outage, Session
from monitor.review.defects import shipped_defects
from monitor.review.not_known import doubts_of, vouched_late
from monitor.review.origin import LATE_S, CallOrigin, call_origin, withdrawn_events
from monitor.review.read import (
    Columns,
    Progress,
    SensorHealth,
    columns_for,
    last_measured_s,
    read_columns,
)
from monitor.specs import find_spec
from rules.clocks.work import is_about
from rules.errors import FilmcallError, SpecFault
from rules.events import CarriedOut, Event, in_force
from rules.review.causes import Finding, Verdict, verdict_of
from rules.review.climate_arrays import PointColumn, climate_series, temperature_history
from rules.review.coats import CoatRecord, coats_of
from rules.review.defects import Defect, find_defect
from rules.review.evidence import BEFORE_S
from rules.review.exposure import ClimateSeries
from rules.review.seen import (
    Sighting,
    denied_words,
    match_seen,
    named_sections,
    sighting_of,
    when_and_where,
)
from rules.spec.model import GENERAL_GUIDANCE, Spec
from rules.text import counted
from rules.units import DAY_S
from rules.vocabulary import ALL_SECTIONS, EventKind, LimitState, Step
from sensors.reading import Quantity
from sensors.zones import zone_or_utc

MATCHES_LOOKED_AT = 3
EARLIER_COAT_S = 14.0 * DAY_S
"""A coat laid so long before a session may still be open to what came in it; no source [s]."""
ON_ITS_WAY_S = (
    60.0  # what happened at the end may arrive, or be typed in, this much later; no source
)


class NothingToReview(FilmcallError):
    """There is no such session in the log, or nothing in it to look back at."""


@dataclass(frozen=True, slots=True)
class Call:
    """A call that the log kept: when, what, at which stage, its first reason, and how it came.

    `later_s` is how long after its time it was written down [s].
    """

    time_s: float
    call: str
    stage: str
    reason: str
    origin: CallOrigin = CallOrigin.LIVE
    later_s: float = 0.0


class ReviewPhoto(NamedTuple):
    """A photo with the event that it came with."""

    event: Event
    mime: str
    held: bytes


@dataclass(frozen=True, slots=True, eq=False)
class SectionReview:
    """One section of the job.

    Attributes:
        section: its name.
        coats: what became of each.
        series: its climate, cell by cell.
        calls: as the log has them, never reckoned anew; each says whether it was told.
        sighting: when and on which coat a defect was seen here, as far as the words say.
        verdicts: on each defect asked for.
        said: what has to be said of it.
    """

    section: str
    coats: tuple[CoatRecord, ...]
    series: ClimateSeries
    sighting: Sighting
    calls: tuple[Call, ...]
    verdicts: tuple[Verdict, ...]
    said: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Review:
    """One session looked back at.

    Attributes:
        session: as the log has it.
        from_s: begin of what was looked at [s].
        to_s: end of it [s].
        timezone: in which times are shown, IANA.
        step_s: cell of the grid that sums were made on [s].
        sections: of the work.
        events: in force, in order.
        withdrawn: what was taken back, each with what took it back.
        stations: through which the events came.
        photos: that its events brought and that lie beside the log as they were taken in.
        sensors: what each channel gave.
        calibrations: known of its points.
        outages: times of which the log knows less.
        specs: that its coats were laid with.
        asked: defects looked for.
        seen: what was said to be seen, or "".
        seen_says: what that says of when, where and how.
        seen_denies: what it says that the film is not.
        not_known: what the review does not know, in sentences.
        log_uuid: of the file.
        rests_on_s: from when to when its readings were held against their chain [s].
        seal: of the log as it was when this was made, in words.
        chain_problems: where it was changed later.
    """

    session: Session
    from_s: float
    to_s: float
    timezone: str
    step_s: float
    sections: tuple[SectionReview, ...]
    events: tuple[Event, ...]
    withdrawn: tuple[tuple[Event, Event], ...]
    stations: tuple[str, ...]
    photos: tuple[ReviewPhoto, ...]
    sensors: tuple[SensorHealth, ...]
    calibrations: tuple[Calibration, ...]
    outages: tuple[Outage, ...]
    specs: tuple[Spec, ...]
    asked: tuple[Defect, ...]
    seen: str
    seen_says: tuple[str, ...]
    seen_denies: tuple[str, ...]
    not_known: tuple[str, ...]
    log_uuid: str
    rests_on_s: tuple[float, float]
    seal: str
    chain_problems: tuple[str, ...]


def choose_session(sessions: Sequence[Session], wanted: str | None) -> Session:
    """Return the session that a person means.

    Args:
        sessions: of the log.
        wanted: its number, its title or a part of it; None for the newest.

    Raises:
        NothingToReview: none or several fit.
    """
    if not sessions:
        raise NothingToReview(
            "the log holds no session and no recording yet, so there is nothing to review; begin "
            "one with 'filmcall event session-started', with --at TIME for work that has begun "
            "already, or play a recording with --db"
        )
    if wanted is None:
        return sessions[-1]
    by_number = [each for each in sessions if str(each.session) == wanted.strip()]
    exact = [each for each in sessions if each.title.casefold() == wanted.casefold()]
    part = [each for each in sessions if wanted.casefold() in each.title.casefold()]
    for found in (by_number, exact, part):
        if len(found) == 1:
            return found[0]
    fit = by_number or exact or part
    raise NothingToReview(
        f"session {wanted!r} fits {len(fit)} of the log's {counted(len(sessions), 'session')}, so "
        "none is reviewed; 'filmcall sessions' lists them with their numbers"
    )


def review(
    store: Store,
    session: Session,
    *,
    defect: str | None = None,
    seen: str = "",
    section: str | None = None,
    config: EnclosureConfig | None = None,
    spec: str | None = None,
    beside: Path | None = None,
    progress: Progress | None = None,
    known_then: bool = False,
) -> Review:
    """Look back at a session.

    Args:
        store: the log, open to read.
        session: of `choose_session`.
        defect: a trade word for what is wrong, or None.
        seen: what was seen, in free words.
        section: only this one, or None for all.
        config: of the enclosure, for accuracies and which plank belongs where; None for defaults.
        spec: of coats whose events name none; None for the session's or the config's.
        beside: the folder that spec files count from.
        progress: is told the share done, 0 to 1.
        known_then: leave out what was recorded, or arrived, later than a minute after its end.

    Raises:
        FilmcallError: the session is empty, or the defect, the section or the spec is not known.
    """
    asked, says = _asked(defect, seen)
    enclosure = session.enclosure or ""
    source, not_known = _source_of(store, session, enclosure)
    events = store.events(enclosure, source=session.source)
    if not events and session.source != LIVE:
        events = store.events(enclosure)
    end_s = session.ended_s
    if end_s is None:
        end_s = last_measured_s(store, enclosure, source, session.started_s)
        not_known.append("The session goes on: what comes after its last reading is not in it.")
    within = [e for e in events if session.started_s <= e.time_s]
    if end_s is None:
        end_s = max((e.time_s for e in within), default=session.started_s)
    known_s = end_s + ON_ITS_WAY_S if known_then else None
    if known_s is not None:
        events, said = _known_by(events, known_s)
        not_known.append(said)
    from_s = session.started_s - BEFORE_S
    earlier = _coats_before(events, from_s)
    if earlier:
        from_s = min(from_s, earlier[0].time_s)
        not_known.append(
            f"A coat was laid before this session, {counted(len(earlier), 'event')} of it kept; "
            "what the log has of the time in between is looked at too."
        )
    if config is not None:
        config = with_former_points(store, config, source=source)
    standing = in_force(events)
    carried = CarriedOut(standing) if config is None else config.carried_out(standing)
    events = _of_session(events, from_s, end_s, earlier)
    columns = read_columns(store, enclosure, source, from_s, max(end_s, from_s + 60.0), config,
                           progress, known_s, session.started_s, carried)  # fmt: skip
    if not columns.of and not within:
        raise NothingToReview(
            f"session {session.title!r} has neither a reading nor an event of enclosure "
            f"{enclosure!r}, so there is nothing to look back at"
        )
    default, spec_of, unread = _specs(store, session, source, events, config, spec, beside)
    not_known.extend(unread)
    standing = in_force(events)
    names = _sections(standing, columns, section)
    if len(names) > 1 and len(columns.sections) > 1 and config is None:
        not_known.append(
            "Which surface point belongs to which section is not in the log: every section takes "
            "the coldest of all. Give the config with --config."
        )
    named = named_sections(seen, names)
    climates = {name: _climate(name, columns, config) for name in names}
    columns = replace(columns, of={})  # months of every point, of which the climates are made
    sections = tuple(
        _section(store, name, enclosure, source, events, climate, default, spec_of, asked, end_s,
                 session.started_s, config, (seen, named))
        for name, climate in climates.items()
    )  # fmt: skip
    not_known.extend(doubts_of(columns.health, config, sections))
    not_known.extend(vouched_late(store, source, standing, columns.health))
    rests_on_s = _rests_on(sections, from_s, end_s)
    problems = tuple(str(each) for each in store.audit(*rests_on_s).problems)
    photos, said_of_photos = _photos(store, standing)
    problems += tuple(said_of_photos)
    used = {coat.spec.name: coat.spec for each in sections for coat in each.coats}
    used = used or {default.name: default}
    not_known.extend(
        f"The figures of {each.title} are generic and no data sheet's: its limits and times may "
        "differ from your coating's."
        for each in used.values()
        if each.provenance.generic
    )
    return Review(
        session=session,
        from_s=session.started_s,
        to_s=end_s,
        timezone="Etc/UTC" if config is None else config.timezone,
        step_s=columns.step_s,
        sections=sections,
        events=tuple(e for e in standing if session.started_s - 1.0 <= e.time_s <= end_s),
        withdrawn=withdrawn_events(events),
        stations=store.stations(enclosure, from_s, end_s),
        photos=photos,
        sensors=columns.health,
        calibrations=tuple(
            each
            for each in store.calibrations(enclosure)
            if known_s is None or each.made_s <= known_s
        ),
        outages=tuple(
            each
            for each in store.outages(session.started_s, end_s, source=source)
            if each.what != ENDED
        ),
        specs=tuple(used.values()),
        asked=asked,
        seen=seen,
        seen_says=says,
        seen_denies=denied_words(seen, shipped_defects()),
        not_known=tuple(dict.fromkeys(not_known)),
        log_uuid=store.log_uuid,
        rests_on_s=rests_on_s,
        seal=seal_text(store.seal()),
        chain_problems=problems,
    )


def _photos(store: Store, events: Sequence[Event]) -> tuple[tuple[ReviewPhoto, ...], list[str]]:
    """The photos of events, and what is wrong with those that are not shown."""
    by_row = {event.row: event for event in events}
    found, wrong = [], []
    for photo in store.photos():
        if photo.event not in by_row:
            continue
        try:
            held = photo_bytes(store.path, photo)
        except PhotoFault as fault:
            wrong.append(str(fault))
            continue
        if held is not None:
            found.append(ReviewPhoto(by_row[photo.event], photo.mime, held))
    return tuple(found), wrong


def _rests_on(sections: Sequence[SectionReview], from_s: float, to_s: float) -> tuple[float, float]:
    """From when to when the air counts for coats, until they have cured; all where none is."""
    coats = [coat for each in sections for coat in each.coats]
    begun = [coat.started_s for coat in coats if coat.started_s is not None]
    if not begun:
        return from_s, to_s
    cured_s = max(coat.open_until_s(Step.CURED) for coat in coats)
    return max(from_s, min(begun) - BEFORE_S), min(to_s, cured_s)


def _asked(defect: str | None, seen: str) -> tuple[tuple[Defect, ...], tuple[str, ...]]:
    says = when_and_where(seen)
    if defect is not None:
        return (find_defect(defect, shipped_defects()),), says
    matches = match_seen(seen, shipped_defects())
    if seen.strip() and not matches:
        raise NothingToReview(
            f"what was seen ({seen!r}) fits no defect in the list, so no cause can be looked for; "
            "say how it looks and feels (greasy, milky, dull, bubbles, soft, peels), or name it "
            "with --defect"
        )
    return tuple(match.defect for match in matches[:MATCHES_LOOKED_AT]), says


def _source_of(store: Store, session: Session, enclosure: str) -> tuple[int, list[str]]:
    """Where the session's readings are: its own source, else a recording of the same enclosure."""
    having = {each.source for each in store.channels() if each.enclosure == enclosure}
    if session.source in having or not having:
        return session.source, []
    chosen = max(having)
    title = next((each.title for each in store.sources() if each.source == chosen), "")
    said = f"The session has no readings of its own; those of the recording {title!r} are used."
    return chosen, [said]


def _known_by(events: tuple[Event, ...], known_s: float) -> tuple[tuple[Event, ...], str]:
    """What had been recorded by then, and what has to be said of the rest."""
    kept = tuple(e for e in events if e.recorded_s is None or e.recorded_s <= known_s)
    left = len(events) - len(kept)
    late = f"what was recorded later is left out (events: {left})" if left else "no event is later"
    return kept, f"Judged by what was known a minute after the session's end: {late}."


def _coats_before(events: tuple[Event, ...], from_s: float) -> tuple[Event, ...]:
    """Begin and end of each section's last coat before a time, where it may not have cured yet."""
    found: dict[str | None, list[Event]] = {}
    for event in in_force(events):
        if not from_s - EARLIER_COAT_S <= event.time_s < from_s:
            continue
        if event.kind is EventKind.BACK_IN_SERVICE:
            found.clear()
        elif event.kind is EventKind.COAT_STARTED:
            found[event.section] = [event]
        elif event.kind is EventKind.COAT_ENDED:
            begun = found.get(event.section, [])[:1]
            found[event.section] = [*begun, event]
    return tuple(sorted((e for each in found.values() for e in each), key=lambda e: e.time_s))


def _of_session(
    events: tuple[Event, ...], from_s: float, end_s: float, earlier: tuple[Event, ...]
) -> tuple[Event, ...]:
    """Events of the session, with the corrections of them, whenever those were written."""
    kept = {id(event) for event in earlier}
    begin_s = from_s - BEFORE_S if earlier else from_s
    return tuple(
        e
        for e in events
        if id(e) in kept
        or e.corrects is not None
        # Of what went before an earlier coat, its pots and its ground, but no other coat.
        or (begin_s <= e.time_s <= end_s and (e.time_s >= from_s or e.kind not in _OF_A_COAT))
    )


_OF_A_COAT = (EventKind.COAT_STARTED, EventKind.COAT_ENDED)


def _specs(
    store: Store,
    session: Session,
    source: int,
    events: tuple[Event, ...],
    config: EnclosureConfig | None,
    wanted: str | None,
    beside: Path | None,
) -> tuple[Spec, dict[str, Spec], list[str]]:
    """The default spec and every named one, as they stand now, and what could not be read."""
    unread: list[str] = []
    name = wanted or session.spec or (None if config is None else config.spec)
    try:
        found = name or _spec_of_calls(store, session, source)
        default = GENERAL_GUIDANCE if found is None else find_spec(found, beside)[0]
    except SpecFault:
        if wanted is not None:
            raise
        default = GENERAL_GUIDANCE
        unread.append(
            f"Spec {found!r} could not be read, so what names no other is judged by the general "
            "guidance; give it with --spec."
        )
    spec_of: dict[str, Spec] = {default.name: default}
    found_specs, lost = specs_of(store.spec_text, events, beside)
    spec_of |= found_specs
    unread += [
        f"Spec {each!r} could not be read; its coats are judged by the default." for each in lost
    ]
    return default, spec_of, unread


def _spec_of_calls(store: Store, session: Session, source: int) -> str | None:
    for row in store.calls(session.enclosure, session.started_s, session.ended_s, source=source):
        found = _body(row).get("spec")
        if isinstance(found, str):
            return found
    return None


def _body(row: CallRow) -> dict[str, object]:
    try:
        found = json.loads(row.body)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def _sections(standing: tuple[Event, ...], columns: Columns, wanted: str | None) -> tuple[str, ...]:
    named = {event.section for event in standing if event.section not in (None, ALL_SECTIONS)}
    named |= {name for stood in columns.sections.values() for name in stood if name is not None}
    names = tuple(sorted(name for name in named if name is not None)) or (ALL_SECTIONS,)
    if wanted is None:
        return names
    if wanted not in names:
        raise NothingToReview(
            f"section {wanted!r} is not in this session; it has: {', '.join(names)}"
        )
    return (wanted,)


class _Climate(NamedTuple):
    """A section's climate, and the largest errors and the longest gap of its probes."""

    series: ClimateSeries
    surface_accuracy_k: float
    air_accuracy_k: float
    max_gap_s: float


def _climate(name: str, columns: Columns, config: EnclosureConfig | None) -> _Climate:
    of = columns.of
    surfaces = columns_for(columns, name)
    airs = of.get(Quantity.AIR_TEMP, ())
    series = climate_series(
        columns.time_s,
        columns.step_s,
        airs,
        of.get(Quantity.HUMIDITY, ()),
        surfaces,
        of.get(Quantity.CO2, ()),
        None if config is None else config.assumed_surface_offset_k,
        2.0 if config is None else config.assumed_surface_accuracy_k,
    )
    return _Climate(
        series,
        _surface_accuracy_k(surfaces, airs, config),
        max((c.accuracy for c in airs), default=DEFAULT_ACCURACY[Quantity.AIR_TEMP]),
        max(columns.max_age_s, 2.0 * columns.step_s),
    )


def _section(
    store: Store,
    name: str,
    enclosure: str,
    source: int,
    events: tuple[Event, ...],
    climate: _Climate,
    default: Spec,
    spec_of: dict[str, Spec],
    asked: tuple[Defect, ...],
    end_s: float,
    start_s: float,
    config: EnclosureConfig | None,
    saw: tuple[str, tuple[str, ...]],
) -> SectionReview:
    series = climate.series
    history = temperature_history(
        series, climate.surface_accuracy_k, climate.air_accuracy_k, climate.max_gap_s
    )
    where = None if name == ALL_SECTIONS else name
    coats, said = coats_of(where, events, spec_of, default, history, end_s, series)
    washed = [
        e.time_s for e in in_force(events) if e.kind is EventKind.WASHED and is_about(e, where)
    ]
    seen, named = saw
    sighting = sighting_of(
        seen,
        [(coat.number, coat.ended_s) for coat in coats if coat.ended_s is not None],
        zone_or_utc("Etc/UTC" if config is None else config.timezone),
        "" if not named or name in named else " and ".join(named),
    )
    return SectionReview(
        section=name,
        coats=coats,
        series=series,
        sighting=sighting,
        calls=_calls(store, enclosure, source, name, (start_s, end_s), events)
        or _calls(store, enclosure, source, ALL_SECTIONS, (start_s, end_s), events),
        verdicts=_fitting([verdict_of(each, coats, series, washed, sighting) for each in asked]),
        said=said,
    )


def _surface_accuracy_k(
    surfaces: Sequence[PointColumn], airs: Sequence[PointColumn], config: EnclosureConfig | None
) -> float:
    if not surfaces and config is not None and config.assumed_surface_offset_k is not None:
        air_k = max((c.accuracy for c in airs), default=DEFAULT_ACCURACY[Quantity.AIR_TEMP])
        return math.hypot(air_k, config.assumed_surface_accuracy_k)
    return max((c.accuracy for c in surfaces), default=DEFAULT_ACCURACY[Quantity.SURFACE_TEMP])


def _fitting(verdicts: list[Verdict]) -> tuple[Verdict, ...]:
    """Leave out, of several, those on defects that no coat here can have."""
    fitting = tuple(v for v in verdicts if v.answer is not Finding.NO_SUCH_FILM)
    return fitting or tuple(verdicts)


def _calls(
    store: Store,
    enclosure: str,
    source: int,
    section: str,
    span_s: tuple[float, float],
    events: Sequence[Event],
) -> tuple[Call, ...]:
    kind = next((each.kind for each in store.sources() if each.source == source), "")
    # What could have come late to a call; a long log has few of those.
    late = [e for e in events if e.recorded_s is not None and e.recorded_s - e.time_s > LATE_S]
    found: list[Call] = []
    rows = store.calls(enclosure, *span_s, source=source, section=section)
    for row in sorted(rows, key=lambda each: each.time_s):
        if found and (found[-1].call, found[-1].stage) == (row.call, row.stage):
            continue  # what it rests on changed, and not the call
        later_s = max(0.0, (row.logged_s or row.time_s) - row.time_s)
        reason = _first_text(_body(row))
        origin = call_origin(row, kind, late)
        found.append(Call(row.time_s, row.call, row.stage, reason, origin, later_s))
    return tuple(found)


def _first_text(body: Mapping[str, object]) -> str:
    """The reason that people were shown first: never that there is no outlook, if another is."""
    listed = body.get("reasons")
    told = [each for each in listed if isinstance(each, dict)] if isinstance(listed, list) else []
    idle = ("outlook", LimitState.UNKNOWN)
    shown = [each for each in told if (each.get("limit"), each.get("state")) != idle] or told
    return str(shown[0].get("text", "")) if shown else ""
