"""`filmcall yard`: the table on a terminal, or one line a change, as text or JSON."""

from __future__ import annotations

import json
import logging
import math
import os
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, tzinfo
from functools import partial
from pathlib import Path

import typer
from rich.text import Text

from monitor.clock import SWITCH_S
from monitor.config.load import load_config_file
from monitor.config.model import BrokerConfig, PublishConfig
from monitor.listen.listener import Listener, listener_broker
from monitor.listen.words import LABELS, alarm_text, brief, brief_here
from monitor.listen.yard import NO_WORD, Key, Row
from monitor.screen.layout import Size
from monitor.screen.terminal import LiveScreen, is_screen
from monitor.screen.theme import Theme, theme_of
from monitor.yard.table import Desk, filtered, pages, table
from rules.errors import FilmcallError
from rules.text import iso_local, iso_utc, printable
from sensors.mqtt.broker import BrokerFault, host_and_port
from sensors.zones import zone_or_utc

_TURN_S = 0.5
_LINK_WAIT_S = 2.0  # what is kept at the broker comes before the first line is said
_KEPT_WAIT_S = 0.3


def run(
    *,
    broker: str | None,
    config_file: Path | None,
    wanted: str,
    plain: bool,
    as_json: bool,
) -> None:
    """Show the yard until asked to end.

    Args:
        broker: HOST or HOST:PORT, or None for the config's.
        config_file: whose broker, base and zone, or None.
        wanted: a filter, or "".
        plain: one line a change.
        as_json: one JSON object a change.

    Raises:
        FilmcallError: neither broker nor config is given, or one that cannot be used.
    """
    sys.setswitchinterval(SWITCH_S)
    listener, zone = _listener(broker, config_file)
    on_screen = not (plain or as_json) and is_screen(sys.stdout, sys.stdin, os.environ)
    listener.start()
    try:
        if on_screen:
            _show(listener, zone, wanted)
        else:
            _say(listener, wanted, _json_line if as_json else partial(_plain_line, zone=zone))
    finally:
        listener.stop()


def _listener(broker: str | None, config_file: Path | None) -> tuple[Listener, tzinfo]:
    if broker is None and config_file is None:
        raise FilmcallError(
            "neither --broker nor --config is given, so nothing can be heard; as in: filmcall yard "
            "--broker 127.0.0.1"
        )
    settings, publish, expected = BrokerConfig(), PublishConfig(), []
    zone: tzinfo = datetime.now().astimezone().tzinfo or UTC
    if config_file is not None:
        config = load_config_file(config_file, points=False)
        settings, publish = config.broker or settings, config.publish
        zone = zone_or_utc(config.enclosures[0].timezone)
        expected = [Key(publish.station, each.name) for each in config.enclosures]
    if broker is not None:
        try:
            host, port = host_and_port(broker)
        except BrokerFault as fault:
            raise FilmcallError(str(fault)) from None
        settings = replace(settings, host=host, port=port)
    reached = listener_broker(settings, "yard", os.environ)
    return Listener(reached, publish.base, expected), zone


def _show(listener: Listener, zone: tzinfo, wanted: str) -> None:
    """Draw the table; it turns at each message, and by the clock."""
    # Without a handler Python would write the link's sentences across it.
    logging.getLogger("filmcall").addHandler(logging.NullHandler())
    desk = Desk(filter=wanted)
    theme = theme_of(os.environ)
    with LiveScreen(theme) as screen:
        screen.arrows = True
        listener.on_change.append(screen.wake)
        while not (desk.quit or screen.gone or screen.stopped_by is not None):
            rows, now_s, link = listener.rows(), time.time(), listener.link_text()
            unread = listener.faults().count

            screen.show_picture(
                partial(
                    _picture,
                    rows,
                    desk=desk,
                    zone=zone,
                    now_s=now_s,
                    link=link,
                    unread=unread,
                )
            )
            for key in screen.keys(_TURN_S):
                desk = desk.pressed(key)
            desk = desk.within(pages(len(filtered(rows, desk.filter)), screen.size))
            if desk.dim != screen.theme.dim:
                screen.set_dim(desk.dim)


def _picture(
    rows: Sequence[Row],
    size: Size,
    theme: Theme,
    *,
    desk: Desk,
    zone: tzinfo,
    now_s: float,
    link: str,
    unread: int,
) -> list[Text]:
    return table(rows, size, theme, desk, zone=zone, now_s=now_s, link=link, unread=unread)


def _say(listener: Listener, wanted: str, line: Callable[[Row], str]) -> None:
    """Say one line a change of word or alarms, and of every enclosure at the start."""
    news = threading.Event()
    listener.on_change.append(news.set)
    until_s = time.monotonic() + _LINK_WAIT_S
    while not listener.up and time.monotonic() < until_s:
        news.wait(0.05)
        news.clear()
    time.sleep(_KEPT_WAIT_S)
    said: dict[Key, tuple[object, ...]] = {}
    whole_s = -math.inf
    while True:
        news.clear()
        now_s = time.monotonic()
        rows, whole = listener.news(whole=now_s - whole_s >= _TURN_S)
        whole_s = now_s if whole else whole_s
        for row in filtered(rows, wanted):
            alarms = () if row.call is None else row.call.alarms
            state = (row.shown.word, row.shown.silence, row.title, alarms)
            if said.get(row.key) != state:
                said[row.key] = state
                typer.echo(line(row))
        sys.stdout.flush()
        news.wait(_TURN_S)


def _json_line(row: Row) -> str:
    call = row.call
    known = row.shown.word != NO_WORD and call is not None
    since_s = call.since_s if known and call is not None else row.shown.since_s
    said = {
        "station": row.key.station,
        "enclosure": row.key.enclosure,
        "word": row.shown.word,
        "reason": brief(row, UTC, time.time()),
        "since": _iso(since_s),
        "valid_until": _iso(call.valid_until_s) if known and call is not None else None,
        "alarms": [
            {
                "section": alarm.section,
                "fact": alarm.fact,
                "text": alarm.text,
                "since": _iso(alarm.since_s),
                "rang_at": _iso(alarm.rang_s),
                "acknowledged_at": _iso(alarm.seen_s),
                "acknowledged_by": alarm.seen_by or None,
            }
            for alarm in (() if call is None else call.alarms)
        ],
    }
    return json.dumps(said)


def _plain_line(row: Row, zone: tzinfo) -> str:
    now_s = time.time()
    word = LABELS.get(row.shown.word, row.shown.word)
    alarm = alarm_text(row)
    ending = f" [{alarm}]" if alarm else ""
    text = (
        f"{iso_local(now_s, zone)}  {word:<7}  {row.title}: {brief_here(row, zone, now_s)}{ending}"
    )
    return printable(text, None)


def _iso(time_s: float | None) -> str | None:
    return None if time_s is None else iso_utc(time_s)
