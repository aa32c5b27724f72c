"""`filmcall watch`: the live program with its broker, log, listeners and service manager."""

from __future__ import annotations

import json
import logging
import os
import signal
import sys
import time
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from types import FrameType

import typer

from monitor.alarms.routes import AlarmRoutes
from monitor.clock import SWITCH_S, SteadyClock, boot_time_s
from monitor.config.load import Config, load_config_file
from monitor.contract import HEARTBEAT
from monitor.display import shown
from monitor.enclosure import Enclosure
from monitor.films import FilmKeeper
from monitor.job.beside import JobKeeper
from monitor.live.alarms import Alarms, link_words
from monitor.live.buttons import Buttons
from monitor.live.loop import Watch
from monitor.live.plain_lines import PlainLines, standard_lines
from monitor.live.publish import Publisher
from monitor.live.restart import LinkLog
from monitor.live.service import Notifier
from monitor.live.twins import Twins
from monitor.live.witness import Witness
from monitor.log.log import Store, log_path
from monitor.log.retention import Retention
from monitor.outlook.forecast import ForecastKeeper
from monitor.outlook.keeper import OutlookKeeper
from monitor.replay.play import ReplayJob, keeper_of
from monitor.screen.freshness import QuietLines
from monitor.screen.terminal import is_screen
from monitor.specs import find_spec
from monitor.tell import Tell
from monitor.wire import Json, plain_line
from rules.errors import FilmcallError
from rules.section import SectionCall
from sensors.mqtt.broker import BrokerFault
from sensors.mqtt.events import EventEar
from sensors.mqtt.heartbeat import Heartbeat
from sensors.mqtt.intake import Intake
from sensors.mqtt.payload import SourceFault

TURN_S = 0.2
WATCHING = "watching"
LOG_TAKEN = "The log is written again."
BUSY_S = 0.5  # a call is told within 1 s though another process holds the log
_SIGNALS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)


class Stopper:
    """Remembers that a signal asked the program to end."""

    def __init__(self) -> None:
        self.asked = False
        for each in _SIGNALS:
            signal.signal(each, self._ask)

    def _ask(self, _number: int, _frame: FrameType | None) -> None:
        self.asked = True


def run(
    config_file: Path, *, plain: bool, as_jsonl: bool, db: Path | None, glance: bool = False
) -> None:
    """Watch until asked to end.

    Raises:
        FilmcallError: the config, a spec, the log or the broker's settings cannot be used.
    """
    config = load_config_file(config_file)
    sys.setswitchinterval(SWITCH_S)
    keepers = keepers_of(config, config_file.parent)
    notifier = Notifier.from_environment(os.environ, pid=os.getpid())
    with Store.open(log_path(db), now_s=time.time, busy_s=BUSY_S, go_on=True) as store:
        store.lock_for_watch()
        for notice in store.notices:
            typer.echo(notice, err=True)
        clock = SteadyClock(time.time, boot_time_s)
        forecast = ForecastKeeper.of(config, clock.now_s, store.path)
        station = config.publish.station
        witness = Witness(store, f"{config.publish.base}/{station}/seal", station)
        heard = {witness.topic: witness.heard, **({} if forecast is None else forecast.topics)}
        names = [each.name for each in config.enclosures]
        beats = Heartbeat(f"{config.publish.base}/{station}/{HEARTBEAT}")
        twins = Twins(station, store.log_uuid, clock.now_s, boot_time_s, shared=beats.is_shared)
        for name in names:
            heard[f"{config.publish.base}/{name}/call"] = partial(twins.heard, name)
        ear = EventEar(config.publish.base, names, boot_time_s)
        intake = intake_of(config, config_file, heard, ear, beats)
        publisher = Publisher(intake, base=config.publish.base, station=station)
        publisher.witness = witness
        stopper = Stopper()
        out, err = standard_lines()
        on_screen = not (plain or as_jsonl) and is_screen(sys.stdout, sys.stdin, os.environ)
        configs = {each.name: each for each in config.enclosures}
        job = JobKeeper.of(config, config_file, store.path, clock.now_s)
        outlooks = OutlookKeeper(store.path, configs, config_file.parent, clock.now_s, forecast)
        watch = Watch(
            config,
            keepers,
            store,
            intake,
            clock,
            tell=_tell_nobody if on_screen else _tell_json(out) if as_jsonl else _tell_line(out),
            publisher=publisher,
            station=station,
            outlooks=outlooks,
        )
        for notice in watch.notices():
            typer.echo(notice, err=True)
        watch.intake_age = intake
        watch.job = job if on_screen else None
        watch.witness = witness
        watch.twins = twins
        watch.presses = Buttons(watch, ear, publisher.answer, config_file.parent)
        watch.link = LinkLog(lambda: intake.status().connection.connected)
        watch.retention = Retention(store, config.log.keep_raw_days)
        outlooks.start()
        routes = AlarmRoutes.of(config, os.environ)
        intake.start()
        notifier.ready(WATCHING)
        try:
            if on_screen:
                from monitor.live.screen import show

                _keep_off_the_screen()
                show(watch, intake, stopper, notifier, store, routes, glance=glance)
            else:
                logging.basicConfig(level=logging.WARNING, format="%(message)s", stream=err)
                alarms = Alarms(watch, publisher, routes)
                quiet = QuietLines()
                refused = False
                while not stopper.asked:
                    watch.turn(TURN_S)
                    if bool(watch.log_fault) is not refused:
                        refused = not refused
                        err.say(watch.log_fault or LOG_TAKEN)
                        notifier.status(watch.log_fault or WATCHING)
                    if alarms.due():
                        status = intake.status()
                        connected = status.connection.connected
                        alarms.look(link=link_words(status), link_ok=connected)
                        for text in quiet.news(alarms.snapshots):
                            (err if as_jsonl else out).say(text)
                    for text in (*routes.news(), *witness.news(), *twins.news(names)):
                        err.say(text)
                    out.check()
                    notifier.alive()
        finally:
            notifier.stopping()
            watch.end()
            for text in routes.close():
                err.say(text)
            outlooks.stop()
            if job is not None:
                job.stop()
            publisher.close()
            intake.stop()
            notifier.close()
            out.close()
            err.close()


def _keep_off_the_screen() -> None:
    """Let no line of the intake be written across the screen, which shows link and counts itself.

    Without a handler Python writes warnings to standard error by itself. Where that goes into a
    file they are written there.
    """
    root = logging.getLogger()
    if sys.stderr.isatty():
        root.addHandler(logging.NullHandler())
    else:
        logging.basicConfig(level=logging.WARNING, format="%(message)s")


def intake_of(
    config: Config,
    config_file: Path,
    plain: Mapping[str, Callable[[bytes], None]] | None = None,
    events: EventEar | None = None,
    beats: Heartbeat | None = None,
) -> Intake:
    """Return the intake for a config's points; nothing is sent yet.

    Args:
        config: with a broker.
        config_file: for messages.
        plain: topics that bring no readings, and what takes their payload.
        events: hears what is pressed elsewhere, or None.
        beats: tells how old what is heard is, or None.

    Raises:
        FilmcallError: there is no broker, no topic, or settings that cannot work.
    """
    sources = [source for each in config.enclosures for source in each.sources()]
    if config.broker is None:
        raise FilmcallError(
            f"config {config_file} has no [broker], so nothing can be heard; say where it is: "
            'host = "127.0.0.1", port = 1883'
        )
    if not sources:
        raise FilmcallError(
            f"config {config_file} maps no point to a topic, so nothing can be heard; give each "
            'point its topic = "..."'
        )
    try:
        broker = config.broker.broker(config.publish.station, os.environ)
        return Intake(
            broker,
            sources,
            monotonic=boot_time_s,
            plain=plain,
            heartbeat=beats,
            events=events,
        )
    except (BrokerFault, SourceFault) as fault:
        raise FilmcallError(str(fault)) from fault


def keepers_of(config: Config, beside: Path) -> dict[str, FilmKeeper]:
    """Return what follows each enclosure's films, by the specs that the config names."""
    keepers = {}
    for each in config.enclosures:
        spec, text = find_spec(each.spec, beside)
        keepers[each.name] = keeper_of(ReplayJob(each, spec, "", text), (), beside)
    return keepers


def _tell_nobody(_enclosure: Enclosure, _calls: list[SectionCall], _told: Json) -> None:
    """The screen shows snapshots."""


def _tell_line(out: PlainLines) -> Tell:
    def tell(enclosure: Enclosure, calls: list[SectionCall], told: Json) -> None:
        unlogged = " (unlogged)" if told.get("unlogged") else ""
        for call in calls:
            line = plain_line(enclosure.name, call, enclosure.config.timezone)
            out.say(shown(line) + unlogged)

    return tell


def _tell_json(out: PlainLines) -> Tell:
    def tell(_enclosure: Enclosure, _calls: list[SectionCall], told: Json) -> None:
        out.say(json.dumps(told))

    return tell
