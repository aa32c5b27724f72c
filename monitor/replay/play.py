"""Plays a recording through the whole program: rows in, calls out, all of it into the log."""

from __future__ import annotations

import gc
import hashlib
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from monitor.calibrations import CalibrationBook
from monitor.config.load import Config, EnclosureConfig, default_config, load_config_file
from monitor.config.model import worst_accuracy
from monitor.enclosure import Enclosure, Intake
from monitor.films import FilmKeeper
from monitor.log.facts import TextOf, keep_facts, specs_of
from monitor.log.log import Store
from monitor.log.rows import Outage
from monitor.log.write import COMMIT_ROWS_REPLAY
from monitor.replay.arrivals import Arrivals, Placed
from monitor.specs import find_spec
from monitor.tell import Tell, Teller
from rules.air.state import pressure_at_altitude_pa
from rules.air.worked_out import worked_out_pct
from rules.errors import FilmcallError
from rules.events import Event, of_probes, taken_until
from rules.spec.model import Spec
from rules.text import duration_text
from sensors.reading import Quantity, Reading
from sensors.zones import zone_or_utc

if TYPE_CHECKING:
    from sensors.recording.rows import Recording, WorkOut


class Playback:
    """Drives an enclosure by a recording's rows, each with when it came.

    Attributes:
        enclosure: that the rows are about.
    """

    def __init__(self, enclosure: Enclosure) -> None:
        self.enclosure = enclosure

    def take(self, row: Placed) -> Intake:
        """Take one row in, as live a message is taken.

        Args:
            row: the next one.

        Returns:
            What is to be kept in the log.
        """
        if row.clock_set:
            self.enclosure.clock_jumped(row.now_s)
        if not row.readings:
            self.enclosure.advance(row.now_s)
            return Intake([], [], [])
        return self.enclosure.take(row.readings, row.time_s, row.now_s)


class LooksAhead(Protocol):
    """What says of each section what the next hours will do; see `replay.outlook`."""

    def take(self, taken: Intake) -> None:
        """Take note of what became of a row."""
        ...

    def look(self, enclosure: Enclosure) -> None:
        """Give each section its outlook, where it is time to."""
        ...

    def clock_jumped(self) -> None:
        """Forget what is of another clock."""
        ...


RECORDING = "recording"  # name of the enclosure where no config gives one


class ReplayFault(FilmcallError):
    """A recording cannot be played as asked."""


@dataclass(frozen=True, slots=True)
class ReplayJob:
    """What is to be played, and by which rules.

    Attributes:
        config: of the enclosure that the recording is about.
        spec: of its coats.
        digest: of everything that the calls follow from, the recording included.
        spec_text: that the spec was read from, or "" for the general guidance.
    """

    config: EnclosureConfig
    spec: Spec
    digest: str
    spec_text: str = ""


@dataclass(slots=True)
class Result:
    """What came of a replay, for its last line.

    Attributes:
        rows: played.
        changes: calls told.
        clock_sets: how often the recording's clock was set back.
        late: readings behind the newest.
        repeated: readings for a time that their point had already.
        known_before: True where the log already had all of it.
        notices: what is to be said of the calibrations at its end.
    """

    rows: int = 0
    changes: int = 0
    clock_sets: int = 0
    late: int = 0
    repeated: int = 0
    known_before: bool = False
    notices: list[str] = field(default_factory=list)


def choose_enclosure(config: Config, wanted: str | None, header: Iterable[str]) -> EnclosureConfig:
    """Return the enclosure of a config that a recording is about.

    Args:
        config: with one enclosure or more.
        wanted: its name, or None to find the one whose columns the recording has.
        header: the recording's column names.

    Raises:
        ReplayFault: none fits, or more than one.
    """
    names = ", ".join(each.name for each in config.enclosures)
    if wanted is not None:
        for each in config.enclosures:
            if each.name == wanted:
                return each
        raise ReplayFault(f"enclosure {wanted!r} is not in the config; it has: {names}")
    if len(config.enclosures) == 1:
        return config.enclosures[0]
    present = set(header)
    fitting = [
        each
        for each in config.enclosures
        if each.columns() and all(column.column in present for column in each.columns())
    ]
    if len(fitting) == 1:
        return fitting[0]
    raise ReplayFault(
        f"{len(fitting)} of the config's enclosures fit this recording, so none is played; "
        f"say which with --enclosure: {names}"
    )


def digest_of(path: Path, config: EnclosureConfig, spec_source: str) -> str:
    """Return the SHA-256 of a recording together with the config and spec it is judged by."""
    found = hashlib.sha256()
    for each in sorted(path.iterdir()) if path.is_dir() else [path]:
        if not each.is_file():
            continue
        with each.open("rb") as file:
            for block in iter(lambda: file.read(1 << 20), b""):
                found.update(block)
    found.update(repr(config).encode())
    found.update(spec_source.encode())
    return found.hexdigest()


_NEW_OBJECTS = 2 * COMMIT_ROWS_REPLAY
"""So many before a search for circles of objects begins: more than ever wait for the log."""


@contextmanager
def _few_searches() -> Iterator[None]:
    """Let circles of objects be searched for seldom; what rows leave behind is in none.

    The readings that wait for the log would set the interpreter off again and again.
    """
    before = gc.get_threshold()
    gc.set_threshold(_NEW_OBJECTS, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)


@_few_searches()
def play(
    rows: Iterable[Sequence[Reading]],
    job: ReplayJob,
    tell: Tell,
    *,
    keeper: FilmKeeper,
    store: Store | None = None,
    title: str = "",
    kind: str = "replay",
    every_evaluation: bool = False,
    speed: float | None = None,
    sleep: Callable[[float], None] = time.sleep,
    before_row: Callable[[float], None] | None = None,
    outlook: LooksAhead | None = None,
    book: CalibrationBook | None = None,
) -> Result:
    """Play rows of readings through one enclosure.

    Args:
        rows: of a recording or the simulated tent, in file order.
        job: what is played, and by which rules.
        tell: is given every call change, once it is in the log.
        keeper: what events say of each section's film.
        store: the log, or None to keep nothing.
        title: what the log calls the recording.
        kind: `replay` or `simulate`.
        every_evaluation: tell every evaluation and not only the changes.
        speed: how many times faster than it was recorded; None is as fast as it goes.
        sleep: waits [s].
        before_row: is called with each row's time, for what goes beside the rows.
        outlook: looks ahead every ten minutes of the recording, or None.
        book: of calibrations; None for the log's.

    Returns:
        What came of it. The same job played again into the same log adds nothing.
    """
    result = Result()
    source = None
    keeping = store
    if store is not None:
        source, complete = store.begin_source(kind, job.digest, title)
        if complete:
            result.known_before, keeping = True, None
    if store is not None and book is None:
        config = Config(enclosures=(job.config,))
        book = CalibrationBook.of(store.calibrations(), config)
    teller = Teller(
        tell,
        store=keeping,
        source=source or 0,
        every_evaluation=every_evaluation,
        recorded=True,
        facts=None if keeping is None else keep_facts(keeping, job.config, job.spec, job.spec_text),
    )

    def evaluated(enclosure: Enclosure) -> None:
        keeper.evaluated(enclosure)
        teller.evaluated(enclosure)

    waiting = of_probes(keeper.events)
    playback: Playback | None = None
    newest_s: float | None = None
    finished = False
    arrivals = Arrivals(rows)
    try:
        for row in arrivals:
            time_s = row.now_s
            if playback is None:
                enclosure = Enclosure(
                    job.config,
                    keeper.film_of,
                    time_s,
                    on_evaluated=evaluated,
                    carried_out=keeper.carried_out,
                    films_due_s=keeper.due_s,
                )
                for event in keeper.events:
                    enclosure.ensure_section(event.section)
                if book is not None:
                    enclosure.calibrate(book)
                playback = Playback(enclosure)
            before_s = time_s if newest_s is None else newest_s
            if speed is not None and newest_s is not None and time_s > newest_s:
                sleep((time_s - newest_s) / speed)
            newest_s = time_s
            if before_row is not None:
                before_row(time_s)
            for event in taken_until(waiting, time_s):
                playback.enclosure.heed(event)
            taken = playback.take(row)
            if row.clock_set:
                keeper.clock_jumped(time_s)
                if keeping is not None and source is not None:
                    keeping.add_outage(_set_back(before_s, time_s, source))
                if outlook is not None:
                    outlook.clock_jumped()
            if outlook is not None:
                outlook.take(taken)
                outlook.look(playback.enclosure)
            if keeping is not None and source is not None:
                kept = taken.kept
                if row.time_s < row.now_s:  # late: the log says when it came
                    kept = [replace(each, received_s=row.now_s) for each in kept]
                keeping.add_readings(kept, taken.used, source=source)
                for confirmed in taken.confirmed:
                    keeping.note_quality(confirmed, confirmed.quality, source=source)
            result.rows += 1
        finished = True
    finally:
        if store is not None and source is not None:
            store.end_source(source, complete=finished)
    result.changes = teller.changes
    result.clock_sets = arrivals.clock_sets
    if book is not None and newest_s is not None:
        result.notices = book.notices(newest_s, job.config.name, soon_s=0.0)
    if playback is not None:
        result.late = playback.enclosure.counts.late
        result.repeated = playback.enclosure.counts.duplicates
    return result


CLOCK_SET = "clock-set"


def _set_back(before_s: float, after_s: float, source: int) -> Outage:
    text = f"the recording's clock was set back by {duration_text(before_s - after_s)}"
    return Outage(CLOCK_SET, after_s, before_s, text, source=source)


def keeper_of(
    job: ReplayJob,
    events: Iterable[Event] = (),
    beside: Path | None = None,
    text_of: TextOf | None = None,
) -> FilmKeeper:
    """Return what follows an enclosure's films.

    Args:
        job: for its spec and its sensors' accuracy.
        events: that are known of the enclosure.
        beside: the folder that spec files named by events count from.
        text_of: gives the text of a spec that the log keeps by its hash; None without a log.
    """
    keeper = FilmKeeper(
        job.spec,
        {},
        surface_accuracy_k=worst_accuracy(job.config, Quantity.SURFACE_TEMP),
        air_accuracy_k=worst_accuracy(job.config, Quantity.AIR_TEMP),
        assumed_surface=job.config.assumed_surface,
        counted=job.config,
        specs_of=lambda found, text_of: specs_of(text_of, found, beside)[0],
    )
    keeper.spec_text, keeper.text_of = job.spec_text, text_of
    keeper.zone = zone_or_utc(job.config.timezone)
    keeper.set_events(events)
    return keeper


def prepare(
    path: Path,
    *,
    config_file: Path | None,
    enclosure: str | None,
    spec_name: str | None,
    timezone: str | None,
    assumed_surface_offset_k: float | None,
) -> tuple[Recording, ReplayJob]:
    """Open a recording and find out what it is about and which spec judges it.

    Args:
        path: the CSV, or a folder with one file a sensor.
        config_file: maps its columns, or None to guess them from the header.
        enclosure: which of the config's enclosures, or None to find it.
        spec_name: a shipped spec's name or a file, or None for the config's.
        timezone: zone of times that carry none, or None for the config's.
        assumed_surface_offset_k: stands in for a surface probe, or None for the config's.

    Returns:
        (the recording, the job).

    Raises:
        FilmcallError: any of it cannot be used.
    """
    if path.exists() and not path.is_file() and not path.is_dir():
        raise ReplayFault(
            f"{path} is a pipe, and a recording is read more than once; save it as a file first"
        )
    from sensors.recording.open import open_recording, open_survey
    from sensors.recording.survey import look

    if config_file is not None:
        config = load_config_file(config_file)
        survey = look(path, config.replay.time)
        chosen = choose_enclosure(config, enclosure, survey.names)
        recording = open_survey(
            survey,
            chosen.columns(),
            enclosure=chosen.name,
            time_column=config.replay.time,
            timezone=timezone or config.replay.timezone,
            else_zone=_zone_said(chosen),
            order=config.replay.date_order,
            work_out=_work_out(chosen.altitude_m),
        )
        beside = config_file.parent
    else:
        recording = open_recording(
            path,
            None,
            enclosure=enclosure or RECORDING,
            timezone=timezone,
            work_out=_work_out(0.0),
        )
        made = default_config(
            recording.columns,
            name=enclosure or RECORDING,
            timezone=timezone or "Etc/UTC",
            unconfirmed=recording.unconfirmed,
        )
        chosen, beside = made.enclosures[0], Path()
    if timezone is not None:
        chosen = replace(chosen, timezone=timezone)
    if assumed_surface_offset_k is not None:
        chosen = replace(chosen, assumed_surface_offset_k=assumed_surface_offset_k)
    if spec_name is not None:
        chosen, beside = replace(chosen, spec=spec_name), Path()
    spec, text = find_spec(chosen.spec, beside)
    return recording, ReplayJob(chosen, spec, digest_of(path, chosen, text), text)


def _work_out(altitude_m: float) -> WorkOut:
    """What works a recording's humidity out from a dew point or a wet bulb."""
    pressure_pa = pressure_at_altitude_pa(altitude_m)
    return lambda source, air_c, told_c: worked_out_pct(source, air_c, told_c, pressure_pa)


def _zone_said(config: EnclosureConfig) -> str | None:
    """The enclosure's own zone, where the config names one other than the default."""
    return config.timezone if config.timezone != "Etc/UTC" else None
