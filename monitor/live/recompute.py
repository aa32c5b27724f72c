"""Whether the log's calls follow from its readings, events and specs: they are made once more.

The live program itself runs again over a scratch log, by the clock of the old one, and a recording
is played again; there is no second set of rules. What the log does not hold (a time whose readings
were thinned, a disk that was full, a clock that was set) is counted and said, never passed over.
"""

from __future__ import annotations

import json
import math
import tempfile
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from heapq import merge
from itertools import groupby, pairwise
from operator import itemgetter
from pathlib import Path
from typing import NamedTuple

from monitor import __version__
from monitor.calibrations import CalibrationBook
from monitor.clock import SteadyClock
from monitor.config.model import Config, EnclosureConfig
from monitor.enclosure import Enclosure, Intake
from monitor.live.loop import Watch
from monitor.live.restart import LINK_LOST, STOPPED
from monitor.live.witness import RECORD_LOST
from monitor.log.facts import BEGUN, config_of
from monitor.log.facts import KEY as FACTS
from monitor.log.files import Recomputed
from monitor.log.log import Store
from monitor.log.rows import ENDED, LIVE, QUALITY_OF_CODE, CallRow, LogSource
from monitor.replay.play import CLOCK_SET, ReplayJob, keeper_of, play
from monitor.tell import BESIDE
from monitor.wire import Json
from rules.errors import FilmcallError
from rules.events import Event
from rules.outlook.draws import OutlookBreak
from rules.reasons import OUTLOOK
from rules.section import SectionCall
from rules.spec.model import GENERAL_GUIDANCE, Spec
from rules.text import iso_utc
from rules.trend import EarlierOutlook
from rules.units import DAY_S
from rules.vocabulary import LimitName
from sensors.mqtt.intake import Arrival
from sensors.reading import Quality, Quantity, Reading

SETTLED_S = 7200.0
"""After a time that is not known, dwell, trend and clocks are the log's own again [s]."""
LEARNED_S = 12 * 3600.0
"""A channel's own record, by which it is believed, reaches so far back [s]."""
FILM_S = 30.0 * DAY_S
"""Films and their clocks reach so far back (judgement, no source) [s]."""
_QUIET_S = 60.0
_QUIET_STEPS = 60
_AS_IT_CAME = (Quality.MISSING, Quality.STALE, Quality.RETAINED, Quality.CLOCK)
_LOG, _CLOCK = "log", "clock"  # doubts while which the log lacks what the program had


class Kept(NamedTuple):
    """One call of the log with what it says of itself."""

    row: CallRow
    body: Json

    @property
    def time_s(self) -> float:
        """When it was made [s]."""
        return self.row.time_s

    @property
    def facts(self) -> Json:
        """Of its enclosure, or nothing."""
        found = self.body.get(FACTS)
        return found if isinstance(found, dict) else {}

    @property
    def beside(self) -> frozenset[str]:
        """What forbade GO beside readings and events."""
        return frozenset(str(each) for each in self.body.get(BESIDE, ()))


class Unsure(NamedTuple):
    """A time of which the log does not hold all that its calls rest on."""

    from_s: float
    to_s: float
    why: str


class State(NamedTuple):
    """What a section's call is from a time on; None where the section is not watched."""

    time_s: float
    call: str | None
    work: str | None  # the stage, and the question that the call answers


def _work(stage: str, question: str) -> str:
    return f"{question} in {stage}"


class _Aspect(NamedTuple):
    """What of two calls is held against each other, and how far apart in time it may change."""

    of: Callable[[State], str | None]
    near_s: float


CALL = _Aspect(lambda state: state.call, 15.0)
"""A call may come so much later than what it follows from: the loop looks around [s]."""
WORK = _Aspect(lambda state: state.work, 180.0)
"""Far from an end clocks are reckoned now and then, at times of its own in either run [s]."""


@dataclass(slots=True)
class _Again:
    """One enclosure's calls, made again.

    Attributes:
        states: by section, in the order of time.
        unsure: times that cannot be compared.
        spans: from when to when a program lived [s].
    """

    states: dict[str, list[State]] = field(default_factory=lambda: defaultdict(list))
    unsure: list[Unsure] = field(default_factory=list)
    spans: list[tuple[float, float]] = field(default_factory=list)

    def tell(self, _enclosure: Enclosure, calls: list[SectionCall], _told: Json) -> None:
        """Take what is told."""
        for call in calls:
            work = _work(call.stage.value, call.question)
            self._put(call.section, State(call.time_s, call.call.value, work))
        gone = self.states.keys() - {call.section for call in calls}
        for name in gone:
            self._put(name, State(calls[0].time_s, None, None))

    def _put(self, section: str, state: State) -> None:
        told = self.states[section]
        if not told or told[-1][1:] != state[1:]:
            told.append(state)


def recompute(store: Store) -> Recomputed:
    """Make every call of a log once more from what it holds.

    Args:
        store: the log, open to read.

    Returns:
        How many follow, which do not, and how many could not be made again.
    """
    found = Recomputed()
    at: list[tuple[float, str]] = []
    for source in store.sources():
        by_enclosure: dict[str, list[Kept]] = defaultdict(list)
        for row in store.calls(source=source.source):
            by_enclosure[row.enclosure].append(Kept(row, _body(row)))
        for enclosure, kept in sorted(by_enclosure.items()):
            try:
                if source.source == LIVE:
                    again = _Lived(store, enclosure, kept).run()
                else:
                    again = _played(store, source, enclosure, kept)
            except (FilmcallError, KeyError, TypeError, ValueError) as fault:
                # What a forger or an older program wrote there is no config or spec.
                found.left_out[f"what they rest on cannot be read ({fault})"] += len(kept)
                continue
            at += _compare(kept, again, found)
    found.problems = [text for _, text in sorted(at)]
    return found


def _body(row: CallRow) -> Json:
    try:
        body = json.loads(row.body)
    except ValueError:
        return {}
    return body if isinstance(body, dict) else {}


def _why_not(facts: Json) -> str:
    """Why calls with these facts cannot be made again, or ""."""
    made_by = facts.get("made_by")
    if made_by is None:
        return "an older filmcall made them, which did not write down what they rest on"
    if made_by != __version__:
        return f"filmcall {made_by} made them, and this is {__version__}"
    return ""


def _spec_of(store: Store, facts: Json) -> tuple[Spec, str]:
    sha256 = facts.get("spec_sha256")
    text = store.spec_text(sha256) if isinstance(sha256, str) else None
    if text is None:
        if facts["spec"] == GENERAL_GUIDANCE.name:
            return GENERAL_GUIDANCE, ""
        raise FilmcallError(f"the text of spec {facts['spec']!r} is not in the log")
    from rules.spec.read import load_spec

    return load_spec(text, str(facts["spec"])), text


def _job(store: Store, enclosure: str, facts: Json) -> ReplayJob:
    spec, text = _spec_of(store, facts)
    return ReplayJob(config_of(enclosure, facts), spec, "", text)


# What was live -------------------------------------------------------------------------------


class _Now:
    """A clock that the log's own times move on, and the arrivals of now."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.arrivals: list[Arrival] = []

    def __call__(self) -> float:
        return self.now_s

    def drain(self, timeout_s: float = 0.0) -> list[Arrival]:
        """Return what has come."""
        del timeout_s  # nothing is waited for
        found, self.arrivals = self.arrivals, []
        return found


class _Begin(NamedTuple):
    """A start of the program, and the row of its first call."""

    facts: Json
    row: int


class _Lived:
    """Lets the live program go through one enclosure's log again. Door: `run`."""

    def __init__(self, store: Store, enclosure: str, kept: Sequence[Kept]) -> None:
        self._store = store
        self._enclosure = enclosure
        self._kept = kept
        self._again = _Again(unsure=list(_unsure(store, enclosure, kept)))
        self._now = _Now()
        self._watch: Watch | None = None
        self._rows: dict[int, int] = {}
        self._beside: dict[str, frozenset[str]] = {}
        self._waiting: list[Event] = []

    def run(self) -> _Again:
        """Return what came of it."""
        with tempfile.TemporaryDirectory() as folder:
            scratch = Store.open(Path(folder) / "scratch.db", now_s=self._now)
            try:
                # Nothing is to be kept: only the speed counts.
                scratch.file.connection.execute("PRAGMA synchronous = OFF")
                # Nobody else looks into it: readings wait for a call, an event or a start.
                scratch.tick = lambda: None
                for (text,) in self._store.file.rows("SELECT text FROM specs"):
                    scratch.keep_spec(text)
                self._scratch = scratch
                self._walk()
            finally:
                scratch.close()
        return self._again

    def _walk(self) -> None:
        for time_s, _, what in merge(
            self._readings(), sorted(self._others(), key=itemgetter(0, 1)), key=itemgetter(0, 1)
        ):
            if isinstance(what, Event):
                self._waiting.append(what)  # another shell may write where no program lives
            elif isinstance(what, _Begin):
                self._begin(what, max(time_s, self._now.now_s))
            elif self._watch is not None:
                self._live_until(time_s)
                if isinstance(what, Kept):
                    self._set_beside(what)
                elif isinstance(what, list):
                    self._now.arrivals += what
                self._turn(self._now.now_s)
        self._see_it_through(math.inf)

    def _others(self) -> Iterator[tuple[float, int, object]]:
        store = self._store
        for begun, of_one in groupby(self._kept, key=lambda each: bool(each.body.get(BEGUN))):
            for time_s, together in groupby(of_one, key=lambda each: each.time_s):
                first = next(together)
                if begun:
                    yield time_s, 0, _Begin(first.facts, first.row.row or 0)
        for each in self._kept:
            yield each.time_s, 3, each
        for event in store.events():
            yield event.recorded_s or event.time_s, 1, event
        for outage in store.outages():
            if outage.what == CLOCK_SET and outage.to_s is not None:
                before = [each for each in self._kept if each.time_s <= outage.to_s]
                if before:
                    row = max(each.row.row or 0 for each in before)
                    yield outage.to_s, 0, _Begin(before[-1].facts, row)

    def _readings(self) -> Iterator[tuple[float, int, list[Arrival]]]:
        """Each moment's arrivals, in the order in which they came."""
        enclosure = self._enclosure
        channels = {
            each.channel: (each.point, each.quantity)
            for each in self._store.channels(source=LIVE)
            if each.enclosure == enclosure
        }
        listed = ",".join(str(each) for each in channels)
        with self._store.file.asking():
            rows = self._store.file.connection.execute(
                f"SELECT coalesce(received_us, time_us) AS came_us, time_us, channel, raw, quality "
                f"FROM readings WHERE channel IN ({listed}) ORDER BY came_us, time_us, channel"
            )
            for came_us, moment in groupby(rows, key=itemgetter(0)):
                came_s = came_us / 1e6
                yield (
                    came_s,
                    2,
                    [
                        Arrival(_reading(enclosure, *channels[row[2]], row, came_s), came_s)
                        for row in moment
                    ],
                )

    def _begin(self, begin: _Begin, now_s: float) -> None:
        """Start the program, as it was started."""
        self._see_it_through(now_s)
        self._watch = None
        self._put_waiting(now_s)
        self._scratch.flush()
        self._now.now_s = now_s
        self._beside.clear()
        if _why_not(begin.facts):
            return
        last: dict[str, CallRow] = {}
        for each in self._kept:
            if (each.row.row or 0) < begin.row:
                last[each.row.section] = each.row
        if last:
            self._scratch.add_calls([replace(each, row=None) for each in last.values()])
        job = _job(self._store, self._enclosure, begin.facts)
        keeper = keeper_of(job)
        self._again.spans.append((now_s, now_s))
        self._watch = Watch(
            Config(enclosures=(job.config,)),
            {self._enclosure: keeper},
            self._scratch,
            self._now,
            SteadyClock(self._now, self._now),
            tell=self._again.tell,
        )

    def _live_until(self, to_s: float) -> None:
        """Let time pass, with what people wrote meanwhile."""
        while self._waiting and self._recorded_s(self._waiting[0]) <= to_s:
            self._pass_to(self._recorded_s(self._waiting[0]))
            self._put_waiting(self._now.now_s)
            self._turn(self._now.now_s)
        self._pass_to(to_s)

    def _pass_to(self, to_s: float) -> None:
        for _ in range(_QUIET_STEPS):
            if to_s - self._now.now_s <= _QUIET_S:
                break
            self._turn(self._now.now_s + _QUIET_S)
        self._now.now_s = max(to_s, self._now.now_s)

    def _turn(self, now_s: float) -> None:
        self._now.now_s = now_s
        watch = self._watch
        if watch is None:
            return
        self._again.spans[-1] = (self._again.spans[-1][0], now_s)
        watch.turn(0.0)
        _give(watch.rooms[self._enclosure].enclosure, self._beside)

    def _see_it_through(self, to_s: float) -> None:
        """Let come what the program's last look may have seen a moment sooner than is logged.

        A reading's age has the delay of its way in it, which the log has not: it ran out sooner.
        """
        if self._watch is not None:
            lived = self._again.spans[-1]
            self._turn(min(self._now.now_s + CALL.near_s, to_s))
            self._again.spans[-1] = lived

    def _set_beside(self, kept: Kept) -> None:
        section = kept.row.section
        if self._beside.get(section, frozenset()) != kept.beside and self._watch is not None:
            self._beside[section] = kept.beside
            enclosure = self._watch.rooms[self._enclosure].enclosure
            _give(enclosure, self._beside)
            enclosure.evaluate_now(self._now.now_s)

    @staticmethod
    def _recorded_s(event: Event) -> float:
        return event.time_s if event.recorded_s is None else event.recorded_s

    def _put_waiting(self, now_s: float) -> None:
        while self._waiting and self._recorded_s(self._waiting[0]) <= now_s:
            event = self._waiting.pop(0)
            corrects = None if event.corrects is None else self._rows.get(event.corrects)
            put = self._scratch.add_event(replace(event, row=None, corrects=corrects))
            self._rows[event.row or 0] = put.row or 0
        self._put_calibrations(now_s)

    def _put_calibrations(self, now_s: float) -> None:
        had = len(self._scratch.calibrations())
        logged = self._store.file.rows("SELECT logged_us FROM calibrations ORDER BY id")
        for calibration, (logged_us,) in list(zip(self._store.calibrations(), logged, strict=True))[
            had:
        ]:
            if logged_us / 1e6 <= now_s:
                self._scratch.add_calibration(replace(calibration, row=None))


def _reading(
    enclosure: str,
    point: str,
    quantity: Quantity,
    row: tuple[int, int, int, float | None, int],
    came_s: float,
) -> Reading:
    """A reading as it came, before anything judged it."""
    value = float("nan") if row[3] is None else row[3]
    quality = QUALITY_OF_CODE.get(row[4], Quality.OK)
    if quality not in _AS_IT_CAME:
        quality = Quality.OK
    return Reading(enclosure, point, quantity, row[1] / 1e6, value, quality, came_s)


def _give(enclosure: Enclosure, beside: dict[str, frozenset[str]]) -> None:
    """Forbid GO where the log says that something beside readings and events did."""
    for name, section in enclosure.sections.items():
        section.ahead = None
        if beside.get(name):
            now_s, stage = enclosure.now_s, section.film.stage
            found = OutlookBreak(LimitName.DEW_MARGIN_MIN, 1.0, 0.0, 0.0, 0.0, 0.0)
            section.ahead = EarlierOutlook(now_s, stage, 0.0, (found,), OUTLOOK)


def _unsure(store: Store, enclosure: str, kept: Sequence[Kept]) -> Iterator[Unsure]:
    """The times of which a live log does not hold all that its calls rest on."""
    for each, after in pairwise([*kept, None]):
        if each is None:
            continue
        end_s = float("inf") if after is None else after.time_s
        why = _why_not(each.facts)
        if why:
            yield Unsure(each.time_s, end_s, why)
        if each.beside & {_LOG, _CLOCK}:
            why = "the disk was full or the clock wrong about then"
            yield Unsure(each.time_s - _QUIET_S, end_s + SETTLED_S, why)
        if after is not None and after.time_s < each.time_s:
            yield Unsure(after.time_s, each.time_s + SETTLED_S, "the clock was set back")
    begun = [each.time_s for each in kept if each.body.get(BEGUN)]
    if not begun or kept[0].time_s < begun[0]:
        end_s = begun[0] if begun else float("inf")
        yield Unsure(-float("inf"), end_s, "the start of the program is not in the log")
    for outage in store.outages():
        if outage.what not in (STOPPED, ENDED, LINK_LOST, RECORD_LOST):
            end_s = outage.from_s if outage.to_s is None else outage.to_s
            yield Unsure(outage.from_s - CALL.near_s, end_s + SETTLED_S, outage.text)
    yield from _given_up(store)
    for (to_us,) in store.file.rows(
        "SELECT max(to_us) FROM thinnings t JOIN channels c ON c.id = t.channel "
        "WHERE source = ? AND enclosure = ? AND t.minutes > 0",
        LIVE,
        enclosure,
    ):
        if to_us is not None:
            why = "their readings were thinned to minute means"
            yield Unsure(-float("inf"), to_us / 1e6 + LEARNED_S, why)


def _given_up(store: Store) -> Iterator[Unsure]:
    """The time that a copy no longer has, and that in which films still reach into it."""
    given_up = store.file.given_up
    if given_up is not None:
        why = "the readings that they rest on were given up in the database"
        yield Unsure(-float("inf"), given_up.before_s + FILM_S, why)


# What was recorded ---------------------------------------------------------------------------


class _Beside:
    """Stands in a replay for the outlook that forbade GO then."""

    def __init__(self, kept: Iterable[Kept]) -> None:
        self._kept = list(kept)
        self._enclosure: Enclosure | None = None
        self._beside: dict[str, frozenset[str]] = {}

    def take(self, taken: Intake) -> None:
        """Need nothing of it."""

    def look(self, enclosure: Enclosure) -> None:
        """Remember whose it is."""
        self._enclosure = enclosure

    def clock_jumped(self) -> None:
        """Need nothing of it."""

    def before_row(self, time_s: float) -> None:
        """Forbid what was forbidden at a row's time [s]."""
        while self._kept and self._kept[0].time_s <= time_s:
            kept = self._kept.pop(0)
            self._beside[kept.row.section] = kept.beside
        if self._enclosure is not None:
            self._enclosure.advance(time_s)
            _give(self._enclosure, self._beside)


def _played(store: Store, source: LogSource, enclosure: str, kept: Sequence[Kept]) -> _Again:
    """Play a recording again as the log has it."""
    again = _Again(spans=[(-float("inf"), float("inf"))])
    why = _why_not(kept[0].facts)
    if not why and any(each.facts != kept[0].facts for each in kept):
        why = "they were made by more than one config"
    started_s, last_s = source.started_s, max(each.row.logged_s or 0.0 for each in kept)
    events = store.events(enclosure)
    if any(started_s < (each.recorded_s or 0.0) <= last_s for each in events):
        why = why or "events were recorded while the recording was played"
    if why:
        again.unsure.append(Unsure(-float("inf"), float("inf"), why))
        return again
    again.unsure += _given_up(store)
    for outage in store.outages(source=source.source):
        again.unsure.append(Unsure(outage.from_s, float("inf"), outage.text))
    job = _job(store, enclosure, kept[0].facts)
    known = [each for each in events if (each.recorded_s or 0.0) <= started_s]
    keeper = keeper_of(job, known, None, store.spec_text)
    logged = store.file.rows("SELECT logged_us FROM calibrations ORDER BY id")
    calibrations = [
        each
        for each, (logged_us,) in zip(store.calibrations(), logged, strict=True)
        if logged_us / 1e6 <= started_s
    ]
    beside = _Beside(kept)
    play(
        _rows(store, source.source, job.config),
        job,
        again.tell,
        keeper=keeper,
        before_row=beside.before_row,
        outlook=beside,
        book=CalibrationBook.of(calibrations, Config(enclosures=(job.config,))),
    )
    return again


def _rows(store: Store, source: int, config: EnclosureConfig) -> Iterator[list[Reading]]:
    channels = {
        each.channel: (each.point, each.quantity)
        for each in store.channels(source=source)
        if each.enclosure == config.name
    }
    listed = ",".join(str(each) for each in channels)
    with store.file.asking():
        rows = store.file.connection.execute(
            f"SELECT coalesce(received_us, time_us) AS came_us, time_us, channel, raw, quality "
            f"FROM readings WHERE channel IN ({listed}) "
            # What is late came after the row that made it so.
            f"ORDER BY came_us, time_us < came_us, time_us, channel"
        )
        for _, moment in groupby(rows, key=itemgetter(0, 1)):
            yield [_reading(config.name, *channels[row[2]], row, row[1] / 1e6) for row in moment]


# Holding the one against the other -----------------------------------------------------------


def _compare(kept: Sequence[Kept], again: _Again, found: Recomputed) -> Iterator[tuple[float, str]]:
    """Hold calls against those made again; yield when and in which words they differ."""
    by_section: dict[str, list[Kept]] = defaultdict(list)
    for each in kept:
        by_section[each.row.section].append(each)
    for section in sorted(by_section.keys() | again.states.keys()):
        states = again.states.get(section, [])
        of_section = by_section.get(section, [])
        told = [_told(each.row) for each in of_section]
        for each, state, after in zip(of_section, told, [*told, None][1:], strict=True):
            # What the loop took up in the same look may have come in another order.
            passing = after is not None and after.time_s - state.time_s < CALL.near_s
            why = _unsure_at(again.unsure, each.time_s)
            differ = [a for a in (CALL, WORK) if a.of(state) not in _near(states, state.time_s, a)]
            if why:
                found.left_out[why] += 1
            elif differ and not passing:
                yield each.time_s, _forged_text(each, _state_at(states, each.time_s), differ[0])
            else:
                found.follow += 1
        for aspect in (CALL, WORK):
            yield from _unsaid(section, told, states, again, aspect)


def _told(row: CallRow) -> State:
    return State(row.time_s, row.call, _work(row.stage, row.question))


def _unsaid(
    section: str, told: Sequence[State], states: Sequence[State], again: _Again, aspect: _Aspect
) -> Iterator[tuple[float, str]]:
    """Calls that follow, and that the log lacks."""
    stretches = [
        (max(state.time_s, low_s), min(after.time_s, high_s), state)
        for state, after in pairwise([*states, State(float("inf"), None, None)])
        for low_s, high_s in again.spans
    ]
    for from_s, to_s, state in stretches:
        if aspect.of(state) is None or not to_s - from_s > 2.0 * aspect.near_s:
            continue
        begin_s, end_s = from_s + aspect.near_s, to_s - aspect.near_s
        standing = _state_at(told, begin_s)
        words = {None if standing is None else aspect.of(standing)}
        words |= {aspect.of(each) for each in told if begin_s < each.time_s < end_s}
        if aspect.of(state) not in words and not _unsure_within(again.unsure, begin_s, end_s):
            says = "none" if standing is None else f"{aspect.of(standing)} still"
            yield (
                begin_s,
                f"{section}, {iso_utc(from_s, 0)}: {aspect.of(state)} follows from the readings, "
                f"events and spec in the log, and the log's own call is {says}.",
            )


def _forged_text(kept: Kept, follows: State | None, aspect: _Aspect) -> str:
    row = kept.row
    follow = None if follows is None else aspect.of(follows)
    instead = f"{follow} follows" if follow is not None else "no call follows"
    return (
        f"Call {row.row} ({row.section}, {iso_utc(row.time_s, 0)}) says {aspect.of(_told(row))}; "
        f"{instead} from the readings, events and spec in the log."
    )


def _state_at(states: Sequence[State], time_s: float) -> State | None:
    place = bisect_right(states, time_s, key=lambda each: each.time_s) - 1
    return states[place] if place >= 0 else None


def _near(states: Sequence[State], time_s: float, aspect: _Aspect) -> set[str | None]:
    """What an aspect was at some time near enough."""
    before = _state_at(states, time_s - aspect.near_s)
    near = {aspect.of(s) for s in states if abs(s.time_s - time_s) <= aspect.near_s}
    return near | {None if before is None else aspect.of(before)}


def _unsure_at(unsure: Iterable[Unsure], time_s: float) -> str:
    return next((each.why for each in unsure if each.from_s <= time_s <= each.to_s), "")


def _unsure_within(unsure: Iterable[Unsure], from_s: float, to_s: float) -> bool:
    return any(each.from_s <= to_s and from_s <= each.to_s for each in unsure)
