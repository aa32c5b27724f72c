"""Takes up an enclosure where the log left it: last calls, temperatures, and what has gone."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from heapq import merge
from typing import TYPE_CHECKING

from monitor.calibrations import CalibrationBook, of_other_probes, undoing_body
from monitor.clock import SLACK_S
from monitor.config.model import Config, EnclosureConfig
from monitor.enclosure import Enclosure, LastCall
from monitor.films import FilmKeeper
from monitor.log.facts import facts_in, with_former_points
from monitor.log.log import Store
from monitor.log.rows import (
    ENDED,
    LIVE,
    QUALITY_CODES,
    QUALITY_OF_CODE,
    Calibration,
    LogRefused,
    Outage,
)
from monitor.logged_samples import history_rows
from monitor.replay.play import CLOCK_SET
from monitor.wire import Json
from rules.call import Call
from rules.clocks.all_clocks import history_wanted_from_s
from rules.events import Event, in_force, of_probes, taken_until
from rules.reasons import IS_THE_FILM_SAFE, MAY_I_START
from rules.section import LastAnswer
from rules.text import duration_text
from rules.units import DAY_S
from rules.vocabulary import ALL_SECTIONS, EventKind
from sensors.reading import Quality, Quantity, Reading

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

LOST = "section {} is watched no more: its STOP has ended"


def sections_of(config: EnclosureConfig, events: Sequence[Event]) -> tuple[set[str], set[str]]:
    """Return every section of an enclosure, and those that events name."""
    named = {each.section for each in in_force(tuple(events)) if each.section is not None} - {
        ALL_SECTIONS
    }
    stated = {point.section for point in config.points if point.section is not None}
    return (stated or {ALL_SECTIONS}) | named, named


def last_calls(
    store: Store, enclosure: str, sections: Iterable[str], by_s: float | None = None
) -> dict[str, LastCall]:
    """Return each section's last call in the log.

    The STOP of a work that was one until now goes on in each of its sections.

    Args:
        store: the log.
        enclosure: its name.
        sections: of it.
        by_s: made by then, or None for the last of all [s].
    """
    found = {}
    then = [] if by_s is None else store.calls_standing(enclosure, by_s, source=LIVE)
    stood = {each.section: each for each in then}
    for name in sections:
        if by_s is None:
            row = store.last_call(enclosure, name) or store.last_call(enclosure, ALL_SECTIONS)
        else:
            row = stood.get(name, stood.get(ALL_SECTIONS))
        if row is None:
            continue
        body = json.loads(row.body)
        since_s = store.stands_since_s(enclosure, row.section)
        if by_s is not None:
            since_s = min(row.time_s, since_s or row.time_s)
        whole = LastAnswer(Call(row.call), _causes(body), since_s)
        if "start" not in body:  # a version that had one answer
            wet = row.question == IS_THE_FILM_SAFE
            found[name] = LastCall(None if wet else whole, whole if wet else None)
            continue
        answers = [
            None
            if said is None
            else whole
            if decides
            else LastAnswer(Call(said["call"]), _causes(said), row.time_s)
            for said, decides in (
                (body["start"], row.question == MAY_I_START),
                (body["films"], row.question != MAY_I_START),
            )
        ]
        found[name] = LastCall(*answers)
    return found


def _causes(said: Json) -> frozenset[str]:
    return frozenset(str(each) for each in said.get("cause", []))


LATE_EVENT_S = 2 * DAY_S
"""As late as an event may come that a former point still counts for; our own choice [s]."""


def counted_points(
    store: Store,
    config: EnclosureConfig,
    events: Sequence[Event],
    sections: Iterable[str],
    now_s: float,
) -> EnclosureConfig:
    """Return a config with the former points that clocks still need; see `with_former_points`.

    Args:
        store: the log.
        config: as it is now.
        events: of the enclosure.
        sections: of it.
        now_s: now [s].
    """
    wanted = (history_wanted_from_s(each, events, now_s) for each in sections)
    from_s = min(
        [
            now_s - LATE_EVENT_S,
            _out_since_s(in_force(tuple(events))),
            *(each for each in wanted if each is not None),
        ]
    )
    return with_former_points(store, config, now_s=now_s, from_s=from_s, source=LIVE)


def _out_since_s(standing: Iterable[Event]) -> float:
    """Since when probes may be out: what was meant then follows from the points of then [s]."""
    since_s = math.inf
    for each in standing:
        if each.kind is EventKind.PROBES_OUT:
            since_s = min(since_s, each.time_s)
        elif each.kind is EventKind.PROBES_IN and each.section in (None, ALL_SECTIONS):
            since_s = math.inf
    return since_s


def load_temperatures(
    store: Store,
    enclosure: str,
    keeper: FilmKeeper,
    sections: Iterable[str],
    now_s: float,
    late_from_s: float = math.inf,
) -> None:
    """Take in what the log knows of the temperatures that clocks still need, and memory does not.

    Ten days are half a second's work, in which no call would be told: they are read once, not at
    each event.

    Args:
        store: the log.
        enclosure: its name.
        keeper: of its films.
        sections: whose temperatures.
        now_s: now [s].
        late_from_s: the earliest reading that came late, which only the log has [s].

    Raises:
        LogRefused: the log cannot be read; what was read before is kept.
    """
    for section in sections:
        wanted_s = history_wanted_from_s(section, keeper.events, now_s)
        if wanted_s is None:
            continue
        samples = keeper.samples(section)
        spans = [(wanted_s, min(samples.whole_from_s, now_s)), (max(wanted_s, late_from_s), now_s)]
        for from_s, to_s in spans:
            samples.take_from_log(history_rows(store, enclosure, samples.channels, from_s, to_s))
        samples.whole_from_s = min(samples.whole_from_s, wanted_s)


DOUBTS_S = 12 * 3600.0
"""As far back as a channel's record reaches that it is judged by [s]."""
LONGEST_DOUBT_S = 8 * DAY_S
"""A doubt that has lasted for longer is looked for no further back [s]."""
_READINGS_A_CHANNEL = 2000
_APART_S = 60.0  # between two readings of the time before these
_QUALITY_OK = QUALITY_CODES[Quality.OK]
_JUDGED_ANEW = frozenset(
    {Quality.OK, Quality.DOUBTED, Quality.STUCK, Quality.SPIKE, Quality.WET, Quality.IMPLAUSIBLE}
)


def recall_readings(
    store: Store, enclosure: Enclosure, events: Sequence[Event], now_s: float
) -> None:
    """Let an enclosure's judge see its last hours again, so that a restart ends no doubt.

    Args:
        store: the log.
        enclosure: that has just begun.
        events: of it; what a person said of the probes is heard again in its place.
        now_s: now [s].

    Raises:
        LogRefused: the log cannot be read.
    """
    waiting = of_probes(events)
    for reading in recent_readings(store, enclosure.config, now_s):
        for event in taken_until(waiting, reading.time_s):
            enclosure.heed(event)
        enclosure.learn((reading,))
    for event in taken_until(waiting, now_s):
        enclosure.heed(event)


def recent_readings(
    store: Store, config: EnclosureConfig, now_s: float, source: int = LIVE, *, raw: bool = False
) -> list[Reading]:
    """Return what an enclosure's channels said in the last hours, in the order of time.

    Args:
        store: the log.
        config: of the enclosure.
        now_s: now [s].
        source: where the readings came from.
        raw: as they came, and not calibrated.
    """
    from_s = _learned_from_s(store, config, now_s, source)
    streams = [
        _recent(store, config.name, each.name, each.quantity, (from_s, now_s), source, raw=raw)
        for each in config.points
    ]
    return list(merge(*streams, key=lambda each: each.time_s))


def _learned_from_s(store: Store, config: EnclosureConfig, now_s: float, source: int) -> float:
    """From when on to read, so that a doubt that lasts still has before it what it rests on [s]."""
    usual_s, earliest_s = now_s - DOUBTS_S, now_s - DOUBTS_S - LONGEST_DOUBT_S
    from_s = usual_s
    for each in config.points:
        channel = config.name, each.name, each.quantity
        codes = store.readings(*channel, usual_s, now_s, source=source)[2]
        if not codes.size or _QUALITY_OK in codes[:1]:
            continue
        times, _, codes = store.readings(*channel, earliest_s, usual_s, source=source)
        believed = times[codes == _QUALITY_OK]
        from_s = min(from_s, float(believed[-1]) - DOUBTS_S if believed.size else earliest_s)
    return from_s


def _recent(
    store: Store,
    enclosure: str,
    point: str,
    quantity: Quantity,
    span_s: tuple[float, float],
    source: int,
    *,
    raw: bool,
) -> list[Reading]:
    times, values, codes = store.readings(
        enclosure, point, quantity, *span_s, source=source, raw=raw
    )
    late = max(times.size - _READINGS_A_CHANNEL, 0)
    early = _spread(times[:late]) if span_s[1] - span_s[0] > DOUBTS_S else []
    found = ((times[at], values[at], codes[at]) for at in (*early, *range(late, times.size)))
    return [
        Reading(enclosure, point, quantity, time_s, value, Quality.OK, time_s)
        for time_s, value, code in ((float(t), float(v), int(c)) for t, v, c in found)
        if value == value and QUALITY_OF_CODE.get(code) in _JUDGED_ANEW
    ]


def _spread(times_s: NDArray[np.float64]) -> list[int]:
    """The places of readings that are a minute apart or more."""
    found: list[int] = []
    next_s = -math.inf
    for at, time_s in enumerate(times_s.tolist()):
        if time_s >= next_s:
            found.append(at)
            next_s = time_s + _APART_S
    return found


def release_points(
    enclosure: Enclosure, config: EnclosureConfig, now_s: float
) -> Iterator[tuple[str, str]]:
    """End STOPs that only points caused which the config no longer has.

    Yields:
        (section, the note that says so).
    """
    present = {point.name for point in config.points}
    for section in enclosure.sections.values():
        gone = section.points() - present
        if gone and section.release(gone, now_s):
            names = ", ".join(sorted(gone))
            yield (
                section.name,
                f"{names} taken out of the config: the STOP that it alone caused has ended",
            )


def renamed_points(store: Store, config: EnclosureConfig) -> Iterator[str]:
    """Yield a note for each probe that the log's last call knew by another name.

    It is the same where topic, value and column are; the next call has it by the new name, so that
    each is told of once.
    """
    facts = facts_in(store, config.name) or {"points": []}
    names = {point.name for point in config.points}
    said = set()
    for before in facts["points"]:
        for point in config.points if before["point"] not in names else ():
            heard = point.heard
            told = {key: before[key] for key in ("topic", "value", "column") if key in before}
            if heard and told == heard and before["quantity"] == point.quantity.value:
                said.add((before["point"], point.name))
    calibrated = {each.point for each, undone in CalibrationBook(store.calibrations()).all()
                  if undone is None and each.enclosure == config.name}  # fmt: skip
    for before, now in sorted(said):
        lost = f"; its calibration does not go with it: calibrate {now}"
        yield (
            f"{before} is called {now} now: what it measured stays with the films"
            f"{lost if before in calibrated else ''}"
        )


def lost_sections(store: Store, enclosure: Enclosure, events: Sequence[Event]) -> Iterator[str]:
    """Yield a note, once, for each STOP that ended with a section which nothing names any more."""
    for name in store.sections_called(enclosure.name):
        row = store.last_call(enclosure.name, name)
        if row is None or row.call != Call.STOP or name in (ALL_SECTIONS, *enclosure.sections):
            continue
        note = LOST.format(name)
        logged_s = row.logged_s or 0.0
        if not any(e.note == note and (e.recorded_s or 0.0) >= logged_s for e in events):
            yield note


def newest_sane_s(store: Store, now_s: float) -> float | None:
    """Return the time of the log's newest row, less what a clock wrote that was then set back.

    A clock that ran ahead and was fixed leaves rows in the future; the log tells of the change.
    """
    newest_s = store.newest_time_s()
    if newest_s is None or newest_s <= now_s:
        return newest_s
    for outage in store.outages():
        set_back = outage.what == CLOCK_SET and " by -" in outage.text
        if not set_back or outage.to_s is None:
            continue
        if outage.from_s - SLACK_S <= now_s and newest_s <= outage.to_s + SLACK_S:
            return outage.from_s
    return newest_s


STOPPED = "program-stopped"
STOPPED_S = 300.0
"""A restart within this is none: slow sensors leave such gaps anyway [s]."""
LINK_LOST = "broker-lost"
LINK_LOST_S = 10.0
"""A link that is back within this has lost nothing that its sensors do not say again [s]."""
NO_LINK = "no link to the broker; start it, or what leads to it"


def outages_before(store: Store, now_s: float) -> Iterator[Outage]:
    """Yield the time in which no program watched before this start, and what it left untold.

    It ran at least until the newest row that it wrote; what people recorded meanwhile, another
    shell wrote.
    """
    newest_s = store.newest_time_s(by_people=False)
    if newest_s is None:
        return
    lost_s = _link_lost_s(store)
    if lost_s is not None and newest_s - lost_s >= LINK_LOST_S:
        lost = duration_text(newest_s - lost_s)
        text = f"no link to the broker for at least {lost}, until the program ended"
        yield Outage(LINK_LOST, lost_s, newest_s, text)
    if now_s - newest_s >= STOPPED_S:
        long = duration_text(now_s - newest_s)
        text = f"no program watched for up to {long}, until it was started"
        yield Outage(STOPPED, newest_s, now_s, text)


def _link_lost_s(store: Store) -> float | None:
    """Since when the link was lost, by the last call, as the program ended without a word [s]."""
    calls = (store.newest_calls(name) for name in {each.enclosure for each in store.channels()})
    lost = [
        row.time_s for rows in calls for row in rows if row.source == LIVE and NO_LINK in row.body
    ]
    told = any(
        each.what == LINK_LOST and (each.to_s or math.inf) >= min(lost, default=math.inf)
        for each in store.outages()
    )
    return None if told or not lost else min(lost)


def program_ended(store: Store, now_s: float) -> Outage | None:
    """Return the end of the program as a row, where it would else seem to have ended long ago."""
    try:
        newest_s = store.newest_time_s(by_people=False)
    except LogRefused:
        return None
    if newest_s is None or now_s - newest_s < STOPPED_S:
        return None
    return Outage(ENDED, now_s, now_s, "the program was ended; it had heard nothing new")


def clock_set(before_s: float, after_s: float, step_s: float) -> Outage:
    """Return the time that a step of the clock left out or told twice."""
    low_s, high_s = sorted((before_s, after_s))
    return Outage(CLOCK_SET, low_s, high_s, f"the clock was set by {step_s:+.0f} s")


class LinkLog:
    """Follows the link to the broker, and tells of each time without it once that has ended."""

    def __init__(self, connected: Callable[[], bool]) -> None:
        self.connected = connected
        self._was_linked = False
        self._lost_s: float | None = None

    def look(self, now_s: float) -> Outage | None:
        """Return the time without a link that has just ended, or None.

        Args:
            now_s: now; call this about once a second [s].
        """
        if not self.connected():
            self._lost_s = now_s if self._lost_s is None else self._lost_s
            return None
        self._was_linked = True
        return self._over(now_s)

    def tell(self, enclosures: Iterable[Enclosure], now_s: float) -> None:
        """Let the calls name a link that is lost as why nothing is heard; they stay as they are.

        Args:
            enclosures: all that are heard over it.
            now_s: now; call this after `look` [s].
        """
        lost_s = self._lost_s
        # A link that was never there is given the time to come.
        is_lost = lost_s is not None and (self._was_linked or now_s - lost_s >= LINK_LOST_S)
        for enclosure in enclosures:
            if bool(enclosure.no_link) is not is_lost:
                enclosure.no_link = NO_LINK if is_lost else ""
                enclosure.evaluate_now(now_s)

    def end(self, now_s: float) -> Outage | None:
        """Return the time without a link that goes on as the program ends, or None.

        Args:
            now_s: now; whatever happens to the link later is nobody's to know [s].
        """
        return self.look(now_s) or self._over(now_s, ", until the program ended")

    def _over(self, now_s: float, until: str = "") -> Outage | None:
        lost_s, self._lost_s = self._lost_s, None
        # A clock that was set meanwhile is kept as an outage of its own.
        if lost_s is None or now_s - lost_s < LINK_LOST_S:
            return None
        text = f"no link to the broker for {duration_text(now_s - lost_s)}{until}"
        return Outage(LINK_LOST, lost_s, now_s, text)


def of_gone_probes(
    store: Store, book: CalibrationBook, config: Config, now_s: float
) -> Iterator[tuple[str, str]]:
    """Take back, in the log, what was proved of probes that the config has no more.

    Args:
        store: the log.
        book: of its calibrations.
        config: that now counts.
        now_s: now [s].

    Yields:
        (enclosure, the note that says so).

    Raises:
        LogRefused: the disk refuses.
    """
    for applied, point, why in of_other_probes(book, config, now_s):
        body = undoing_body(applied.row, note=why, heard=point.heard)
        kept = store.add_calibration(Calibration(*applied.key, now_s, body))
        where = f"{applied.point} {applied.correction.quantity.value}"
        yield (
            applied.enclosure,
            f"the calibration of {where} (row {applied.row}) is taken back: it was {why}. "
            "Calibrate the new probe; if it is the same one: filmcall calibrate undo --row "
            f"{kept.row}",
        )
