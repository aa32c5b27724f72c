"""Takes in what a person did, for command, keys, page and buttons alike.

Checks an event, keeps it in the log, and says what it means at its moment.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, NamedTuple, TypeVar

from monitor.log.facts import specs_of, with_spec_text
from monitor.log.log import Store
from monitor.log.photos import take_photo
from monitor.log.rows import EventId
from monitor.times import AHEAD_S
from rules.call import Call
from rules.clocks.at_event import (
    RUBS,
    asks_whose,
    coat_warnings,
    ended_before_begun,
    heater_remark,
    launch_warning,
    mix_warnings,
    no_such_pot,
    said_of_coats_behind,
    sanding_remark,
    soft_film_warnings,
    thinner_warnings,
    touched,
)
from rules.clocks.missing import missing_before
from rules.clocks.work import laid_with, work_of
from rules.errors import FilmcallError
from rules.events import (
    OF_PAINT,
    PROBES_MOVED,
    CarriedOut,
    Event,
    in_force,
    without_corrected,
)
from rules.spec.model import Spec
from rules.text import duration_text, hour_and_day_text, iso_utc, printable
from rules.vocabulary import (
    ALL_SECTIONS,
    ClockName,
    EventKind,
    LimitName,
    LimitState,
    Step,
    Until,
)

if TYPE_CHECKING:
    # Most events ask neither clock nor config, and both load for longer than an event takes.
    from monitor.config.model import EnclosureConfig
    from monitor.wire import Json
    from rules.clocks.clock import Clock

EARLIEST_S = 631_152_000.0
"""1990-01-01 UTC: older than any recording that an event could belong to; our own choice [s]."""
AIR_S = 1800.0
"""How old the air's temperature may be by which a sheet's thinner is looked up; judgement [s]."""
MOST_ML = 1_000_000.0
MOST_COATS = 1000

Number = TypeVar("Number", int, float)


class Answers(NamedTuple):
    """What was said of a section at a time.

    Attributes:
        start: whether to start, as JSON; None where that is not known or nobody asks.
        films: of its wet films, likewise.
        logged_s: when it was said, where it is a log's last word by then, else None [s].
        silent_s: since when nothing was read that counts at that time, else None [s].
    """

    start: Json | None
    films: Json | None
    logged_s: float | None = None
    silent_s: float | None = None


@dataclass(frozen=True, slots=True)
class Scene:
    """An enclosure at the moment of an event, as its log or a running watch knows it.

    Attributes:
        events: as kept so far.
        config: as much of it as is known, or None.
        zone: of the times of day that are said; None is the machine's own.
        clocks: gives all of the enclosure's clocks at a time; those of recoating under the coat
            that an event begins, or for what comes next for None.
        memory: gives what of a section's newest film holds the next coat at a time.
        answers: gives a section's answers at a time.
    """

    events: Sequence[Event]
    config: EnclosureConfig | None
    zone: tzinfo | None
    clocks: Callable[[float, Event | None], Sequence[Clock]]
    memory: Callable[[str | None, float], Sequence[str]]
    answers: Callable[[str, float], Answers]

    def sections(self) -> frozenset[str]:
        """Return the sections: those with a surface point, and those that events name."""
        points = () if self.config is None else self.config.points
        found = {event.section for event in in_force(tuple(self.events))}
        found |= {point.section for point in points}
        return frozenset(name for name in found if name not in (None, ALL_SECTIONS))


class Recorded(NamedTuple):
    """An event that was kept.

    Attributes:
        event: as kept, with its row.
        touches: sections whose work it changes.
        warnings: of the moment, a clause each.
    """

    event: Event
    touches: tuple[str, ...]
    warnings: tuple[str, ...]


def record(
    store: Store,
    event: Event,
    scene: Scene,
    *,
    station: str = "",
    photo: Path | None = None,
    own_sha256: str | None = None,
    event_id: EventId | None = None,
) -> Recorded:
    """Keep an event, and return it with the warnings of its moment; on disk on return.

    Args:
        store: the log.
        event: checked by `check`.
        scene: the enclosure before it.
        station: through which it came.
        photo: a picture of it, to be copied beside the log, or None.
        own_sha256: of the enclosure's own spec, where the caller knows it better than the log.
        event_id: how its sender called it; the warnings are added here.

    Raises:
        FilmcallError: it cannot be, or the log refuses; nothing was written.
    """
    # What is refused writes nothing, not even its spec's text.
    event = with_spec_text(store, _respecced(store, event, scene), None, own_sha256)
    spec = spec_of(store, event)
    _refuse_hardener(event, spec)
    touches = touched(event, scene.events, scene.sections())
    # The clocks first: once the coat is in the log, they tell of it.
    warnings = (
        *_asks_less(store, event, scene, spec),
        *_warnings(event, scene, touches),
        *_thinned(store, event, scene, touches),
    )
    if event_id is not None:
        event_id = replace(event_id, warnings=warnings)
    taken = None if photo is None else take_photo(photo, store.path)
    kept = store.add_event(event, station=station, photo=taken, event_id=event_id)
    return Recorded(kept, touches, warnings)


def warnings_of(store: Store, event: Event, scene: Scene) -> tuple[str, ...]:
    """Return what speaks against an event at its moment, a clause each, before it is kept.

    Args:
        store: the log, for the texts of specs.
        event: about to be kept, or only being asked for.
        scene: the enclosure before it.
    """
    touches = touched(event, scene.events, scene.sections())
    return (*_warnings(event, scene, touches), *_thinned(store, event, scene, touches))


def check(event: Event, now_s: float, time_shown: str | None = None) -> None:
    """Refuse an event that cannot have been, or that lacks what its kind needs.

    Args:
        event: as somebody typed or sent it.
        now_s: now [s].
        time_shown: its time as it was given, or None.

    Raises:
        FilmcallError: says what to do.
    """
    shown = printable(time_shown or iso_utc(event.time_s), 40)
    if event.time_s > now_s + AHEAD_S:
        raise FilmcallError(
            f"time {shown} is ahead of the clock, so the event was not recorded; events are what "
            "has been done"
        )
    if event.time_s < EARLIEST_S:
        raise FilmcallError(
            f"time {shown} is before 1990, older than any recording that it could belong to, so "
            "the event was not recorded; check the year"
        )
    at_least("coat", event.coat, 1, MOST_COATS)
    at_least("amount", event.amount_ml, 0.0, MOST_ML)
    thinner_pct = at_least("thinner", event.thinner_pct, 0.0)
    if thinner_pct is not None and thinner_pct > 100.0:
        raise FilmcallError(
            f"thinner {thinner_pct:g} % is above 100 %, so nothing was recorded; give its share of "
            "the mix"
        )
    measures = event.kind is EventKind.MEASURED and not event.withdrawn
    if measures and None in (event.what, event.value, event.unit):
        raise FilmcallError(
            "a measurement needs what was measured, its value and its unit, so it was not "
            "recorded; give "
            "--what wood-moisture --value 14 --unit pct"
        )
    vouches = event.kind is EventKind.VOUCHED
    if vouches and event.what is None and not event.withdrawn:
        raise FilmcallError(NEEDS_POINT)
    if event.withdrawn and event.corrects is None:
        raise FilmcallError("nothing was withdrawn: say which row with --corrects")


NEEDS_POINT = (
    "vouching needs the probe that is right as it is, and nothing else does, so nothing "
    "was recorded; give: filmcall event vouched --point plank-port"
)


def at_least(
    name: str, value: Number | None, least: Number, most: float = math.inf
) -> Number | None:
    """Return a figure that lies within its bounds, or None where none was given.

    Raises:
        FilmcallError: it does not.
    """
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


def _thinned(store: Store, event: Event, scene: Scene, touches: Sequence[str]) -> list[str]:
    """What a sheet says against a mix, and against the thinner of the pot that a coat is from."""
    if event.withdrawn or event.kind not in OF_PAINT:
        return []
    if event.kind is EventKind.MIXED:
        temp_c = None if event.thinner_pct is None else _air_c(store, event)
        return mix_warnings(event, spec_of(store, event), temp_c)
    before = without_corrected(tuple(scene.events), event)
    if all(each.thinner_pct is None for each in before):
        return []
    specs, _ = specs_of(store.spec_text, (*before, event), None)
    temp_c = _air_c(store, event)
    found = []
    for name in touches or (None,):
        spec = specs.get(laid_with(name, before, event) or event.spec_key or "")
        said = thinner_warnings(event, before, name, spec, temp_c)
        found += [text if name is None else f"{name}: {text}" for text in said]
    return found


def _air_c(store: Store, event: Event) -> float | None:
    """The middle of the air's temperature in the half hour before an event, or None [°C]."""
    from sensors.reading import Quantity

    found: list[float] = []
    for channel in store.channels():
        if (channel.enclosure, channel.quantity) != (event.enclosure, Quantity.AIR_TEMP):
            continue
        _, values_c, qualities = store.readings(
            channel.enclosure, channel.point, channel.quantity, event.time_s - AIR_S, event.time_s,
            source=channel.source,
        )  # fmt: skip
        found += values_c[qualities == 0].tolist()
    return median(found) if found else None


def _warnings(event: Event, scene: Scene, touches: Sequence[str]) -> list[str]:
    """What speaks against an event at its moment, a clause each; the worst first."""
    found = _call_against(event, scene, touches)
    found += _said_of_a_coat(event, scene, touches, found)
    found += [_strange_section(event, scene), heater_remark(event)]
    if event.kind in RUBS and not event.withdrawn:
        clocks = scene.clocks(event.time_s - 1.0, None)  # a coat of the same moment came after
        found += soft_film_warnings(event, touches, clocks, _hours(event, scene))
        found.append(sanding_remark(event, touches, clocks))
    sections = scene.sections()
    of = event, scene.events, sections, _hours(event, scene)
    asked = "" if event.withdrawn else asks_whose(event, sections, touches)
    found.append(ended_before_begun(*of) or asked or missing_before(event, scene.events))
    found.append(no_such_pot(*of))
    found += said_of_coats_behind(
        event, scene.events, touches or sorted(sections), _hours(event, scene)
    )
    if event.kind is EventKind.BACK_IN_SERVICE and not event.withdrawn:
        found.append(launch_warning(scene.clocks(event.time_s - 1.0, None)))
    return [each for each in found if each]


def _call_against(event: Event, scene: Scene, touches: Sequence[str]) -> list[str]:
    """What the call says against a coat that is begun, or carried on, then: in its own words."""
    if event.kind is not EventKind.COAT_STARTED or event.corrects is not None:
        return []
    from rules.reasons import MEMORY, OUTLOOK

    before, hour, found = tuple(scene.events), _hours(event, scene), []
    work = {MEMORY, *ClockName}
    for name in touches or (ALL_SECTIONS,):
        told = scene.answers(name, event.time_s)
        was = work_of(name, before, event.time_s)
        goes_on = len(work_of(name, (*before, event), event.time_s).coats) == len(was.coats)
        answer = told.films if goes_on else told.start
        on = f" on {name}" if len(touches) > 1 else ""
        silent = "" if told.silent_s is None else f"no reading since {hour(told.silent_s)}"
        reasons = [] if answer is None or answer["call"] == Call.GO else answer["reasons"]
        if told.logged_s is not None and not work.isdisjoint(each["limit"] for each in reasons):
            # Told anew by `_said_of_a_coat`, of this coat's paint and with what was answered since.
            reasons = [each for each in reasons if each["limit"] not in (*work, OUTLOOK)]
            reasons = [each for each in reasons if each["state"] != LimitState.OK]
        if answer is not None and reasons:
            at = "" if told.logged_s is None else f" at {hour(told.logged_s)}, by the log"
            text = reasons[0]["text"].rstrip(".")
            found.append(f"{answer['call']}{on}{at}: {text}{silent and f'; {silent}'}")
        elif silent:
            found.append(f"no call{on}: nothing is known of {hour(event.time_s)}, {silent}")
    return found


def _said_of_a_coat(
    event: Event, scene: Scene, touches: Sequence[str], against: Sequence[str]
) -> list[str]:
    """What clocks and memory say against a coat that is begun, where the call did not say it."""
    if event.kind is not EventKind.COAT_STARTED or event.withdrawn:
        return []
    before = without_corrected(tuple(scene.events), event)
    clocks = scene.clocks(event.time_s, event)
    hour = _hours(event, scene)
    found: list[str] = []
    for name in touches or (None,):
        own = [clock for clock in clocks if clock.section in (None, ALL_SECTIONS, name)]
        found += coat_warnings(event, before, name, own, hour)
        where = "" if name is None else f"{name}: "
        told = scene.memory(name, event.time_s) if event.corrects is None else []
        told = [text for text in told if not any(text.rstrip(".") in each for each in against)]
        found += [f"{where}{text[:1].lower()}{text[1:]}" for text in told]
    return found


def out_now(scene: Scene, event: Event) -> str:
    """Return which probes count as out once an event is kept, or "" where none does.

    Args:
        scene: the enclosure before it.
        event: as kept.
    """
    standing = in_force((*scene.events, event))
    now_s = max((each.time_s for each in standing), default=0.0)
    if scene.config is None:
        named = {each.section for each in standing if each.kind in PROBES_MOVED}
        names = sorted(each for each in named if each not in (None, ALL_SECTIONS))
        carried = CarriedOut(standing, dict.fromkeys(names, math.inf))
        surfaces = {each: carried.is_out(each, now_s, surface=True) for each in names}
        out = [f"surface of {each}" for each, is_out in surfaces.items() if is_out]
        every = carried.is_out(None, now_s, surface=False)
        if every and not all(surfaces.values()):
            back = ", ".join(printable(each) for each, is_out in surfaces.items() if not is_out)
            return f"every probe inside but the surface of {back}"
    else:
        carried = scene.config.carried_out(standing)
        points = [each for each in scene.config.points if each.inside and now_s < each.left_s]
        out = [str(each) for each in points if each.is_out(carried, now_s)]
        every = len(out) == len(points)
    return "every probe inside" if every else ", ".join(map(printable, out))


def _hours(event: Event, scene: Scene) -> Callable[[float], str]:
    """Return what shows a time of day beside an event [s]."""
    zone = scene.zone or datetime.now().astimezone().tzinfo or UTC
    return lambda time_s: hour_and_day_text(time_s, zone, event.time_s)


def _strange_section(event: Event, scene: Scene) -> str:
    """What to say of a section that has no surface point, though others have."""
    if event.section in (None, ALL_SECTIONS) or scene.config is None:
        return ""
    known = sorted({point.section for point in scene.config.points if point.section is not None})
    if not known or event.section in known:
        return ""
    return (
        f"no point belongs to section {printable(str(event.section))!r}, only to "
        f"{', '.join(known)}, so it "
        "can have no GO; take the event back with --corrects and --withdraw if the name is wrong"
    )


def _respecced(store: Store, event: Event, scene: Scene) -> Event:
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
    film = work_of(event.section, scene.events, event.time_s).newest
    if film is None:
        where = "the enclosure" if event.section is None else f"section {event.section!r}"
        raise FilmcallError(
            f"there is no film on {printable(where)}, so no spec was changed; name the section of "
            "the film with --section"
        )
    specs, _ = specs_of(store.spec_text, scene.events, None)
    before = specs[film.spec].name if film.spec in specs else (film.spec or "none")
    said = f"{event.spec} in place of {before}"
    return replace(event, note=f"{said}: {event.note}" if event.note else said)


def _asks_less(store: Store, event: Event, scene: Scene, after: Spec | None) -> list[str]:
    """What a change of a film's spec lets pass from now on that its own did not, in a clause."""
    if event.kind is not EventKind.RESPEC or event.withdrawn or after is None:
        return []
    from rules.limits import is_stricter, unit_of
    from rules.reasons import LIMIT_WORDS

    film = work_of(event.section, scene.events, event.time_s).newest
    key = "" if film is None else film.spec or ""
    before = specs_of(store.spec_text, scene.events, None)[0].get(key)
    found = dict[LimitName, str]()
    for stage, limits in () if before is None else before.limits.items():
        for name, old in limits.items():
            new = after.limits.get(stage, {}).get(name)
            if new is None or is_stricter(old, new) or _ends_sooner(new.until, old.until):
                was, now = (
                    f"{each.bound:g} {unit_of(name)} {_until_text(each.until)} ({each.effect})"
                    if each is not None
                    else "no limit"
                    for each in (old, new)
                )
                found.setdefault(name, f"{LIMIT_WORDS[name]} {now} in place of {was}")
    if not found:
        return []
    return [f"this asks less of a film that lies already: {'; '.join(found.values())}"]


def _ends_sooner(one: Until, other: Until) -> bool:
    """Whether a limit matters for less long than another; a step and a time tell nothing."""
    if isinstance(one, Step) and isinstance(other, Step):
        return list(Step).index(one) < list(Step).index(other)
    return not isinstance(one, Step) and not isinstance(other, Step) and one < other


def _until_text(until: Until) -> str:
    return f"until {until}" if isinstance(until, Step) else f"for {duration_text(until)}"


def spec_of(store: Store, event: Event) -> Spec | None:
    """Return the spec that an event goes by, or None where the log has none for it."""
    return specs_of(store.spec_text, [event], None)[0].get(event.spec_key or "")


def _refuse_hardener(event: Event, spec: Spec | None) -> None:
    """Refuse a hardener that the spec does not have.

    Raises:
        FilmcallError: the spec that the event goes by has no times for it.
    """
    if event.hardener is None or event.kind not in OF_PAINT:
        return
    lacks = "" if spec is None else spec.lacks(event.hardener)
    if lacks:
        raise FilmcallError(f"{lacks}, so nothing was recorded; leave it out for the standard one")
