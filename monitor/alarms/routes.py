"""Sends alarms by mail, push or chat from threads of its own, and says what did not go.

The watching never waits for it. Each way has its thread, so that a mail server which hangs holds
up no push, and a bounded queue; what fails is tried again after a growing delay.
"""

from __future__ import annotations

import os
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from monitor.alarms.board import Ring
from monitor.alarms.urls import AlarmAddress, AlarmFault, load_ways, read_urls
from monitor.config.load import load_config_file
from monitor.config.model import URLS_VARIABLE, Config
from monitor.display import shown
from monitor.screen.phrases import REMINDER
from rules.call import Call
from rules.errors import FilmcallError
from rules.text import duration_text
from rules.vocabulary import ALL_SECTIONS

WAITING = 16  # alarms; at most one a cause rings in 10 min
# Common practice, no source: soon enough for a lost packet, seldom enough for a night without net.
DELAYS_S = (5.0, 15.0, 45.0, 135.0, 300.0)
GIVE_UP_S = 12.0 * 3600.0  # an alarm of last night is no news the day after
LATE_S = 60.0  # from here on a message says that it is late

_KINDS = {Call.STOP: "failure", Call.HOLD: "warning"}


@dataclass(frozen=True, slots=True)
class RouteState:
    """How one way is doing.

    Attributes:
        name: of the way.
        sent: alarms that it took.
        failed: tries that it did not take.
        failed_in_a_row: of these, since it last took one.
        waiting: alarms still to be sent.
        lost: alarms that were never sent: the queue was full, or it was too late for them.
    """

    name: str
    sent: int
    failed: int
    failed_in_a_row: int
    waiting: int
    lost: int


@dataclass(slots=True, eq=False)
class _Message:
    title: str
    text: str
    kind: str
    put_s: float = field(default=0.0)


class Route:
    """One way with its queue and its thread."""

    def __init__(
        self,
        way: AlarmAddress,
        *,
        delays_s: Sequence[float] = DELAYS_S,
        waiting: int = WAITING,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        """Start the thread; it sleeps until there is an alarm.

        Args:
            way: sends one message.
            delays_s: after the first, second, ... failure in a row; the last one from then on [s].
            waiting: most alarms that wait; a further one takes the place of the oldest.
            monotonic: seconds of a clock that never jumps [s].
        """
        self._way = way
        self._delays_s = delays_s
        self._most = waiting
        self._monotonic = monotonic
        self._waiting: deque[_Message] = deque()
        self._changed = threading.Condition()
        self._fresh = False
        self._ended = False
        self._sent = self._failed = self._in_a_row = self._lost = 0
        # A daemon: a server that hangs must not hold up the program's end.
        self._thread = threading.Thread(target=self._run, name="alarm-route", daemon=True)
        self._thread.start()

    def put(self, title: str, text: str, kind: str) -> None:
        """Take an alarm to be sent; the newest goes first."""
        with self._changed:
            if len(self._waiting) >= self._most:
                self._waiting.remove(min(self._waiting, key=lambda each: each.put_s))
                self._lost += 1
            self._waiting.appendleft(_Message(title, text, kind, self._monotonic()))
            self._fresh = True
            self._changed.notify()

    def state(self) -> RouteState:
        """Return how it is doing now."""
        with self._changed:
            return RouteState(
                self._way.name,
                self._sent,
                self._failed,
                self._in_a_row,
                len(self._waiting),
                self._lost,
            )

    def end(self, until_s: float) -> None:
        """Send what waits if that goes at once, and end.

        Args:
            until_s: by the clock of this route [s].
        """
        with self._changed:
            self._ended = True
            self._changed.notify()
        self._thread.join(max(0.0, until_s - self._monotonic()))

    def _run(self) -> None:
        while (message := self._next()) is not None:
            late_s = self._monotonic() - message.put_s
            went = self._way.send(message.title, _told_late(message.text, late_s), message.kind)
            with self._changed:
                if went:
                    self._sent += 1
                    self._in_a_row = 0
                    self._drop(message)
                    continue
                self._failed += 1
                self._in_a_row += 1
                # Another alarm gets the next try: one that a way always refuses blocks no other.
                if self._waiting and self._waiting[0] is message:
                    self._waiting.rotate(-1)
                delay_s = self._delays_s[min(self._in_a_row, len(self._delays_s)) - 1]
                self._changed.wait_for(lambda: self._fresh or self._ended, delay_s)
                if self._ended:
                    return

    def _next(self) -> _Message | None:
        with self._changed:
            while True:
                now_s = self._monotonic()
                for each in [m for m in self._waiting if now_s - m.put_s > GIVE_UP_S]:
                    self._waiting.remove(each)
                    self._lost += 1
                self._fresh = False
                if self._waiting:
                    return self._waiting[0]
                if self._ended:
                    return None
                self._changed.wait()

    def _drop(self, message: _Message) -> None:
        # It may have had to make room while it was on its way.
        if message in self._waiting:
            self._waiting.remove(message)
        else:
            self._lost -= 1


class AlarmRoutes:
    """Every way that alarms go besides the bell and the broker.

    Attributes:
        troubles: what kept a way from being used, a sentence each.
    """

    def __init__(self, routes: Sequence[Route] = (), troubles: Sequence[str] = ()) -> None:
        self.troubles = tuple(troubles)
        self._routes = tuple(routes)
        self._said: dict[str, tuple[bool, int]] = {}
        self._untold = list(self.troubles)

    @classmethod
    def of(cls, config: Config, environment: Mapping[str, str]) -> AlarmRoutes:
        """Return the ways that a config and the environment name, with their threads running.

        Whatever is wrong with them is a trouble and no fault: the watching goes on.

        Args:
            config: its [alarm] table counts.
            environment: the process's; FILMCALL_ALARM_URLS goes before the file.
        """
        try:
            ways, troubles = load_ways(read_urls(config.alarm, environment))
        except AlarmFault as fault:
            return cls(troubles=(str(fault),))
        return cls([Route(way) for way in ways], troubles)

    def ring(self, ring: Ring) -> None:
        """Hand an alarm to every way, and return at once.

        Args:
            ring: its text opens with the safety reminder.
        """
        within = "" if ring.section == ALL_SECTIONS else f" ({ring.enclosure})"
        title = f"{ring.call.value} {ring.place}{within}"
        for route in self._routes:
            route.put(title, shown(ring.text), _KINDS.get(ring.call, "warning"))

    def states(self) -> tuple[RouteState, ...]:
        """Return how each way is doing."""
        return tuple(route.state() for route in self._routes)

    def notices(self) -> list[str]:
        """Return what has to be said beside the call: what failed, and what never went."""
        return [*self.troubles, *(text for each in self.states() if (text := _trouble(each)))]

    def news(self) -> list[str]:
        """Return what is to be printed now where there is no screen: each thing once.

        That is a way that begins to fail, one that goes again, and each alarm that is lost.
        """
        told, self._untold = self._untold, []
        for each in self.states():
            before = self._said.get(each.name, (False, 0))
            now = (each.failed_in_a_row > 0, each.lost)
            if now != before:
                self._said[each.name] = now
                told.append(_trouble(each) or f"alarms by {each.name} go again.")
        return told

    def close(self, timeout_s: float = 2.0) -> list[str]:
        """End the threads; an alarm that is not sent yet rings anew if it lasts at the next start.

        Args:
            timeout_s: longest wait for alarms that are on their way [s].

        Returns:
            A sentence for each way by which some never went.
        """
        until_s = time.monotonic() + timeout_s
        for route in self._routes:
            route.end(until_s)
        unsent = [(each, each.waiting + each.lost) for each in self.states()]
        return [f"alarms by {each.name}: {count} never went." for each, count in unsent if count]


def run_test(config_file: Path, environment: Mapping[str, str] | None = None) -> tuple[str, bool]:
    """Send one test alarm by every way, and wait for each.

    Args:
        config_file: its [alarm] table counts.
        environment: the process's, if left out.

    Returns:
        A line for each way, by its scheme and line alone, and whether every one went.

    Raises:
        FilmcallError: there is no way to test, or the config cannot be used.
    """
    environment = os.environ if environment is None else environment
    ways, troubles = load_ways(read_urls(load_config_file(config_file).alarm, environment))
    if not ways and not troubles:
        raise FilmcallError(
            f"config {config_file} names no way for alarms, so there is nothing to test; give "
            f'[alarm] urls_file = "FILE" with one URL a line, or set {URLS_VARIABLE}.'
        )
    text = f"{REMINDER} This is a test of the alarm by filmcall, and no film is in danger."
    lines, all_went = [], not troubles
    for way in ways:
        went = way.send("filmcall: a test", text, "info")
        all_went &= went
        lines.append(
            f"{way.name}: sent; look whether it arrived"
            if went
            else f"{way.name}: not sent; check the network, and the URL by its service's own page"
        )
    return "\n".join([*lines, *troubles]), all_went


def _told_late(text: str, late_s: float) -> str:
    if late_s < LATE_S:
        return text
    return f"{text} (Sent {duration_text(late_s)} late: it did not go before.)"


def _trouble(state: RouteState) -> str:
    """What is wrong with a way in one sentence, or ""."""
    said = []
    if state.failed_in_a_row:
        tries = "try" if state.failed_in_a_row == 1 else "tries"
        said.append(f"the last {state.failed_in_a_row} {tries} failed")
    if state.waiting and (state.failed_in_a_row or state.waiting > 1):
        said.append(f"{state.waiting} wait")
    if state.lost:
        said.append(f"{state.lost} never went")
    if not said:
        return ""
    return f"alarms by {state.name}: {', '.join(said)}; check the network and the URL."
