"""`filmcall replay` and `demo`: plays recordings and a simulated night, and prints."""

from __future__ import annotations

import contextlib
import json
import math
import os
import sys
import textwrap
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Any

import typer

from monitor.cli.options import (
    DbOption,
    DemoDbOption,
    GlanceOption,
    JsonlOption,
    PlainOption,
    SeedOption,
    SpecOption,
    config_option,
    say,
)
from monitor.config.load import EnclosureConfig, load_config_file
from monitor.config.model import DEFAULT_ACCURACY, PointConfig
from monitor.display import shown
from monitor.enclosure import Enclosure
from monitor.films import FilmKeeper
from monitor.log.facts import with_spec_text
from monitor.log.log import Store
from monitor.replay.play import ReplayFault, ReplayJob, Result, keeper_of, play, prepare
from monitor.screen.keys import KeyDesk
from monitor.screen.terminal import RIGHT, LiveScreen, is_screen
from monitor.screen.theme import theme_of
from monitor.snapshot import OutlookBands
from monitor.snapshots import SnapshotMaker
from monitor.specs import find_spec
from monitor.tell import Tell
from monitor.wire import Json, plain_line
from rules.call import Call
from rules.errors import FilmcallError
from rules.events import Event
from rules.numbers import number
from rules.section import SectionCall
from rules.text import counted, date_hour_text, date_text, duration_text, iso_utc
from rules.units import amount
from rules.vocabulary import EventKind, Method
from sensors.faults import DEFAULT_RULES
from sensors.reading import Quantity
from sensors.recording.layout import RecordingFault
from sensors.simulate.tent import Action, Tent, TentSettings, demo_night
from sensors.zones import zone_or_utc

LOOK_EVERY_S = 0.1
AT_THE_END = "the recording has ended; q leaves"
DEMO_S = 60.0  # that the invented night takes on the screen [s]
SKIP_S = 3600.0  # that the right arrow leaves out [s]
DEMO_KEYS = "an invented night in a minute: space pauses, right arrow skips an hour, q ends"
PAUSED = "paused; space goes on"
NEXT = (
    "What you could try next:",
    "  filmcall check --air 21 --rh 60 --surface 19    three figures of your own",
    "  filmcall setup logger.csv                       your logger's file",
    "  filmcall setup --broker 192.168.1.5             your live sensors",
)
_CALLS = (Call.GO, Call.HOLD, Call.STOP)  # the worst last


class ScreenClosed(Exception):
    """Somebody left the screen before the recording had ended."""


@dataclass(slots=True)
class Happened:
    """What a replay's calls were, for the paragraph at its end."""

    _told: list[tuple[float, SectionCall]] = field(default_factory=list)
    _calls: dict[str, SectionCall] = field(default_factory=dict)
    _enclosure: Enclosure | None = None

    def take(self, enclosure: Enclosure, calls: Sequence[SectionCall]) -> None:
        """Take the calls that have changed."""
        self._enclosure = enclosure
        for call in calls:
            self._calls[call.section] = call
        worst = max(self._calls.values(), key=lambda each: _CALLS.index(each.call))
        self._told.append((calls[0].time_s, worst))

    def text(self) -> str:
        """Return one paragraph: how long each call stood, and what brought each STOP."""
        if self._enclosure is None:
            return "Nothing was played."
        zone = zone_or_utc(self._enclosure.config.timezone)
        first_s, end_s = self._told[0][0], self._enclosure.now_s
        stood = dict.fromkeys(_CALLS, 0.0)
        stops: list[str] = []
        ends = [time_s for time_s, _ in self._told[1:]] + [end_s]
        before: Call | None = None
        for (time_s, call), until_s in zip(self._told, ends, strict=True):
            stood[call.call] += max(0.0, until_s - time_s)
            if call.call is Call.STOP and before is not Call.STOP and call.reasons:
                stops.append(f"{date_hour_text(time_s, zone)}, {call.reasons[0].text}")
            before = call.call
        times = ", ".join(
            f"{call.value} {duration_text(seconds)}" for call, seconds in stood.items() if seconds
        )
        text = (
            f"{date_hour_text(first_s, zone)} to {date_hour_text(end_s, zone)}: {times or before}."
        )
        if stops:
            more = f"; and {len(stops) - 3} more" if len(stops) > 3 else ""
            text += f" STOP from {'; from '.join(stops[:3])}{more}."
        return f"{text} {CAUTION}"


class ReplayScreen:
    """Draws what a replay is at; its methods are what `play` calls."""

    def __init__(
        self,
        screen: LiveScreen,
        keeper: FilmKeeper,
        notices: Sequence[str],
        bands: Mapping[str, OutlookBands],
    ) -> None:
        self._screen = screen
        self._keeper = keeper
        self._notices = list(notices)
        self._bands = bands
        self._enclosure: Enclosure | None = None
        self._maker: SnapshotMaker | None = None
        self._desk: KeyDesk | None = None
        self._looked_s = 0.0
        self.happened = Happened()

    def tell(self, enclosure: Enclosure, calls: list[SectionCall], _told: Json) -> None:
        """Take note of the enclosure; the screen draws the present and no list of calls."""
        self.happened.take(enclosure, calls)
        if self._enclosure is None:
            self._enclosure = enclosure
            self._maker = SnapshotMaker(enclosure, self._keeper, recorded=True)
            self._desk = KeyDesk(enclosure.name, self._screen.theme, records=False)

    def before_row(self, _time_s: float) -> None:
        """Sample the trends, and draw where it is time to."""
        if self._maker is not None:
            self._maker.sample()
        if time.monotonic() - self._looked_s >= LOOK_EVERY_S:
            self._look(0.0)

    def sleep(self, wait_s: float) -> None:
        """Wait between two rows, with an eye on the keys."""
        until_s = time.monotonic() + wait_s
        while (left_s := until_s - time.monotonic()) > 0.0:
            self._look(min(left_s, LOOK_EVERY_S))

    def stay(self) -> None:
        """Show the recording's end until somebody leaves."""
        self._notices.append(AT_THE_END)
        while True:
            self._look(LOOK_EVERY_S)

    def _own_key(self, _key: str) -> bool:
        """Take a key that is none of the desk's; return whether it was one."""
        return False

    def _look(self, wait_s: float) -> None:
        screen = self._screen
        self._looked_s = time.monotonic()
        enclosure, maker, desk = self._enclosure, self._maker, self._desk
        if screen.gone or screen.stopped_by is not None:
            raise ScreenClosed
        if enclosure is None or maker is None or desk is None:
            return
        snapshot = maker.make(enclosure.now_s, notices=self._notices, outlook=self._bands)
        desk.look(snapshot)
        # Whoever presses keys lives by no recording's time.
        screen.show(snapshot, desk.view(time.monotonic()))
        for key in screen.keys(wait_s):
            if not desk.busy and self._own_key(key):
                continue
            outcome = desk.press(key, time.monotonic())
            if outcome.quit:
                raise ScreenClosed
            if outcome.dim:
                screen.set_dim(not screen.theme.dim)
            if outcome.glance:
                screen.set_glance(not screen.glance)


class DemoScreen(ReplayScreen):
    """Draws the invented night at its own pace: space pauses, the right arrow skips, q ends."""

    def __init__(
        self,
        screen: LiveScreen,
        keeper: FilmKeeper,
        notices: Sequence[str],
        bands: Mapping[str, OutlookBands],
    ) -> None:
        super().__init__(screen, keeper, notices, bands)
        screen.arrows = True
        self._owed_s = 0.0
        self._now_s = 0.0
        self._skip_until_s = 0.0
        self.paused = False

    def before_row(self, time_s: float) -> None:
        """Keep the night's time, sample the trends, and draw where it is time to."""
        self._now_s = time_s
        super().before_row(time_s)

    def sleep(self, wait_s: float) -> None:
        """Wait, in pieces long enough to draw in; a skip waits for nothing."""
        if self._now_s < self._skip_until_s:
            return
        self._owed_s += wait_s
        if self._owed_s >= LOOK_EVERY_S:
            owed_s, self._owed_s = self._owed_s, 0.0
            super().sleep(owed_s)
        while self.paused:
            self._look(LOOK_EVERY_S)

    def _pause(self, paused: bool) -> None:
        self.paused = paused
        self._notices[:] = [each for each in self._notices if each != PAUSED]
        if paused:
            self._notices.insert(0, PAUSED)

    def _own_key(self, key: str) -> bool:
        if key == " ":
            self._pause(not self.paused)
        elif key == RIGHT:
            self._skip_until_s = self._now_s + SKIP_S
            self._pause(False)
        elif key == "q":
            raise ScreenClosed
        else:
            return False
        return True


def with_screen(
    keeper: FilmKeeper,
    notices: Sequence[str],
    run: Callable[[ReplayScreen], None],
    bands: Mapping[str, OutlookBands],
    *,
    glance: bool = False,
    kind: type[ReplayScreen] = ReplayScreen,
) -> list[str]:
    """Play on the terminal's screen and give the terminal back, however it ends.

    Args:
        keeper: what follows the recording's films.
        notices: what was sniffed or assumed.
        run: plays, by the screen's own `tell`, `before_row` and `sleep`.
        bands: the next hours of each section, as the replay goes on; empty without an outlook.
        glance: begin with the big figures.
        kind: of the screen.

    Returns:
        The lines of the last picture.
    """
    with LiveScreen(theme_of(os.environ), glance=glance) as screen:
        shown = kind(screen, keeper, notices, bands)
        with contextlib.suppress(ScreenClosed):
            run(shown)
            shown.stay()
        told = textwrap.wrap(shown.happened.text(), 79)
        return [*screen.last_picture(), "", *told]


CAUTION = (
    "The call is about the film. It says nothing about the air that people breathe: follow the "
    "safety data sheet."
)
NO_SURFACE = (
    "No surface was measured, so there is no dew margin and no GO. Where you know how far the "
    "coldest part of the hull stands under the air at its worst, at dawn or after the heater came "
    'on, give it: --assumed-surface-offset "-3 K"; 2 K of doubt are added.'
)
LEAST_OFFSET_K = -15.0
DEMO_SPEC = "polyurethane-topcoat"
SIMULATE_STEP_S = 10.0


def run(
    file: Annotated[Path, typer.Argument(help="A recorded CSV.", metavar="FILE.csv")],
    *,
    spec_name: SpecOption = None,
    config_file: Annotated[Path | None, config_option("Maps columns to points.")] = None,
    enclosure: Annotated[str | None, typer.Option(help="Which of the config's.")] = None,
    timezone: Annotated[
        str | None, typer.Option(help="Zone of times that carry none: Europe/Brussels.")
    ] = None,
    assumed_surface_offset: Annotated[
        str | None,
        typer.Option(help='Without a surface probe: "-0.5 K" from the coldest air.'),
    ] = None,
    speed: Annotated[str, typer.Option(help="Times real time, or max.")] = "max",
    plain: PlainOption = False,
    glance: GlanceOption = False,
    as_jsonl: JsonlOption = False,
    every_evaluation: Annotated[
        bool, typer.Option("--all", help="Every evaluation, not only changes.")
    ] = False,
    outlook: Annotated[
        bool,
        typer.Option(
            "--outlook", help="Look ahead too, after the first day; takes some 30 times as long."
        ),
    ] = False,
    db: DbOption = None,
) -> None:
    """Play a recording; calls go to standard output, what has to be said beside them to error.

    Raises:
        FilmcallError: the recording, config or spec cannot be used.
    """
    factor = _speed(speed)
    offset_k = None
    if assumed_surface_offset is not None:
        offset_k = amount(assumed_surface_offset, "K", difference=True)
        if offset_k > 0.0:
            raise ReplayFault(
                f"assumed surface offset {offset_k:g} K is above 0, so the hull would be taken "
                "for warmer than the air; give zero or less"
            )
        if offset_k < LEAST_OFFSET_K:
            raise ReplayFault(
                f"assumed surface offset {offset_k:g} K is below {LEAST_OFFSET_K:g} K, which no "
                "hull in a tent is under its air; give it again"
            )
    try:
        recording, job = prepare(
            file,
            config_file=config_file,
            enclosure=enclosure,
            spec_name=spec_name,
            timezone=timezone,
            assumed_surface_offset_k=offset_k,
        )
        for notice in recording.notices:
            _say(notice)
        if (
            not any(point.quantity is Quantity.SURFACE_TEMP for point in job.config.points)
            and job.config.assumed_surface_offset_k is None
        ):
            _say(NO_SURFACE)
        said = len(recording.notices)
        with ExitStack() as stack:
            store = _open(stack, db)
            events = store.events(job.config.name) if store is not None else ()
            beside = config_file.parent if config_file is not None else None
            kept = None if store is None else store.spec_text
            keeper = keeper_of(job, events, beside, kept)
            keeper.outside_c = _outside(config_file)
            result = Result()
            ahead = None
            if outlook:
                from monitor.replay.outlook import ReplayOutlook

                # Other calls follow from it, so that it is another replay to the log.
                job = replace(job, digest=f"{job.digest} outlook")
                ahead = ReplayOutlook(job.config, keeper)

            def playing(tell: Tell, **more: Any) -> None:
                nonlocal result
                result = play(
                    recording,
                    job,
                    tell,
                    keeper=keeper,
                    store=store,
                    title=file.name,
                    every_evaluation=every_evaluation,
                    speed=factor,
                    outlook=ahead,
                    **more,
                )

            if plain or as_jsonl or not is_screen(sys.stdout, sys.stdin, os.environ):
                playing(_teller(as_jsonl))
            else:
                picture = with_screen(
                    keeper,
                    recording.notices,
                    lambda shown: playing(
                        shown.tell, before_row=shown.before_row, sleep=shown.sleep
                    ),
                    {} if ahead is None else ahead.bands,
                    glance=glance,
                )
                typer.echo("\n".join(picture))
    except RecordingFault as fault:
        raise ReplayFault(str(fault)) from fault
    for notice in recording.notices[said:]:
        _say(notice)
    for notice in result.notices:
        _say(f"At the recording's end: {notice}")
    for each in recording.skipped:
        _say(f"line {each.line} skipped: {each.why}")
    for each in recording.unreadable:
        _say(f"line {each.line}, one value missing: {each.why}")
    if recording.skipped_count or recording.unreadable_count:
        _say(
            f"in all {counted(recording.skipped_count, 'row was', 'rows were')} skipped, and "
            f"{counted(recording.unreadable_count, 'value')} could not be read"
        )
    _say_result(result)


def run_demo(
    *,
    seed: SeedOption = 1,
    plain: PlainOption = False,
    as_jsonl: JsonlOption = False,
    db: DemoDbOption = None,
) -> None:
    """Play a night of the simulated tent with a coat of topcoat."""
    settings, actions, start_s, duration_s = demo_night(seed=seed)
    spec, text = find_spec(DEMO_SPEC)
    config = _config_of(settings, DEMO_SPEC)
    job = ReplayJob(config, spec, f"demo {seed} {text!r}", text)
    events = tuple(_event(action, config.name) for action in actions)
    tent = Tent(settings, seed, start_s, actions)
    rows = (readings for _, readings in tent.run(duration_s, SIMULATE_STEP_S))
    _say("an invented night: a clinker workboat in a polytunnel, two-pack topcoat, generic figures")
    waiting = sorted(events, key=lambda event: event.time_s)

    def tell_events(time_s: float) -> None:
        while waiting and waiting[0].time_s <= time_s:
            event = waiting.pop(0)
            if not as_jsonl:
                typer.echo(
                    f"       {iso_utc(event.time_s)}  {event.kind.value} {event.note}".rstrip()
                )

    with ExitStack() as stack:
        store = _open(stack, db)
        if store is not None and not store.events(config.name):
            sha256 = store.keep_spec(text)
            for event in (_begun(events[0], config.name), *events):
                store.add_event(with_spec_text(store, event, None, sha256))
        keeper = keeper_of(job, events)
        result = Result()

        def playing(tell: Tell, **more: Any) -> None:
            nonlocal result
            result = play(
                rows, job, tell, keeper=keeper, store=store, title=f"demo night {seed}",
                kind="simulate", **more,
            )  # fmt: skip

        if plain or as_jsonl or not is_screen(sys.stdout, sys.stdin, os.environ):
            playing(_teller(as_jsonl), before_row=tell_events)
            _say_result(result)
            return
        keeper = keeper_of(job)

        def as_they_come(shown: ReplayScreen, time_s: float) -> None:
            known = [event for event in events if event.time_s <= time_s]
            if len(known) != len(keeper.events):
                keeper.set_events(known)
            shown.before_row(time_s)

        picture = with_screen(
            keeper,
            [DEMO_KEYS],
            lambda shown: playing(
                shown.tell, before_row=lambda time_s: as_they_come(shown, time_s),
                sleep=shown.sleep,
                speed=duration_s / DEMO_S,
            ),
            {},
            kind=DemoScreen,
        )  # fmt: skip
    typer.echo("\n".join([*picture, "", *NEXT]))


def _config_of(settings: TentSettings, spec: str) -> EnclosureConfig:
    points = tuple(
        PointConfig(
            name=probe.point,
            quantity=probe.quantity,
            unit=probe.quantity.unit,
            accuracy=DEFAULT_ACCURACY[probe.quantity],
            rules=DEFAULT_RULES[probe.quantity],
        )
        for probe in settings.probes
    )
    return EnclosureConfig(name=settings.enclosure, points=points, spec=spec)


def _begun(first: Event, enclosure: str) -> Event:
    note = "demo: an invented night"
    return Event(EventKind.SESSION_STARTED, first.time_s, enclosure, note=note, spec=DEMO_SPEC)


def _event(action: Action, enclosure: str) -> Event:
    return Event(
        kind=EventKind(action.kind) if action.kind in set(EventKind) else EventKind.NOTE,
        time_s=action.time_s,
        enclosure=enclosure,
        note="" if action.kind in set(EventKind) else action.kind,
        spec=DEMO_SPEC if action.kind == "coat-started" else None,
        method=Method.BRUSH if action.kind.startswith("coat-") else None,
    )


def _teller(as_jsonl: bool) -> Callable[[Enclosure, list[SectionCall], Json], None]:
    day = ""

    def tell_lines(enclosure: Enclosure, calls: list[SectionCall], _told: Json) -> None:
        nonlocal day
        date = date_text(calls[0].time_s, zone_or_utc(enclosure.config.timezone))
        if date != day:
            day = date
            typer.echo(f"REPLAY of {day}: nothing here is now")
        say(f"REPLAY {plain_line(enclosure.name, calls[0], enclosure.config.timezone)}")

    def tell_json(_enclosure: Enclosure, _calls: list[SectionCall], told: Json) -> None:
        typer.echo(json.dumps(told))

    return tell_json if as_jsonl else tell_lines


def _outside(config_file: Path | None) -> Callable[[float], float | None] | None:
    """The air outside by the config's forecast file, or None where there is none to be read."""
    if config_file is None:
        return None
    from monitor.cli.outlook import own_forecast

    try:
        hours = own_forecast(load_config_file(config_file))
    except FilmcallError:
        return None  # a recording is played all the same
    return None if hours is None else hours.temp_at_c


def _speed(speed: str) -> float | None:
    if speed == "max":
        return None
    factor = number(speed) or math.nan
    if not 0.0 < factor < math.inf:
        raise FilmcallError(
            f"speed {speed!r} is neither a number over 0 nor max, so nothing was played; give "
            "--speed 60 for an hour a minute"
        )
    return factor


def _open(stack: ExitStack, db: Path | None) -> Store | None:
    if db is None:
        return None
    store = stack.enter_context(Store.open(db, now_s=time.time))
    for notice in store.notices:
        _say(notice)
    return store


def _say_result(result: Result) -> None:
    if result.clock_sets:
        _say(f"the recording's clock was set back: {counted(result.clock_sets, 'time')}")
    if result.late or result.repeated:
        _say(
            f"{counted(result.late, 'reading')} came late and "
            f"{counted(result.repeated, 'reading')} again for a time already played: kept out of "
            "the present"
        )
    if result.known_before:
        _say("the log had all of this already; nothing was added")
    changes = counted(result.changes, "call change")
    _say(f"{counted(result.rows, 'row')} played, {changes}. {CAUTION}")


def _say(text: str) -> None:
    typer.echo(shown(text), err=True)
