"""The screen of a replay: shows the recording as it is played, and stays at its end until left."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Mapping, Sequence

from monitor.enclosure import Enclosure
from monitor.films import FilmKeeper
from monitor.screen.keys import KeyDesk
from monitor.screen.terminal import LiveScreen
from monitor.screen.theme import theme_of
from monitor.snapshot import OutlookBands
from monitor.snapshots import SnapshotMaker
from monitor.wire import Json
from rules.section import SectionCall

LOOK_EVERY_S = 0.1
AT_THE_END = "the recording has ended; q leaves"


class Left(Exception):
    """Somebody left the screen before the recording had ended."""


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

    def tell(self, enclosure: Enclosure, _calls: list[SectionCall], _told: Json) -> None:
        """Take note of the enclosure; the screen draws the present and no list of calls."""
        if self._enclosure is None:
            self._enclosure = enclosure
            self._maker = SnapshotMaker(enclosure, self._keeper, recorded=True)
            self._desk = KeyDesk(enclosure.name, self._screen.theme)

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

    def _look(self, wait_s: float) -> None:
        screen = self._screen
        self._looked_s = time.monotonic()
        enclosure, maker, desk = self._enclosure, self._maker, self._desk
        if screen.gone or screen.stopped_by is not None:
            raise Left
        if enclosure is None or maker is None or desk is None:
            return
        snapshot = maker.make(enclosure.now_s, notices=self._notices, outlook=self._bands)
        desk.look(snapshot)
        screen.show(snapshot, desk.view(enclosure.now_s))
        for key in screen.keys(wait_s):
            outcome = desk.press(key, enclosure.now_s)
            if outcome.quit:
                raise Left
            if outcome.dim:
                screen.set_dim(not screen.theme.dim)
            for event in (outcome.record, outcome.withdraw):
                if event is not None:
                    desk.refused("a recording is played; nothing is recorded", enclosure.now_s)


def with_screen(
    keeper: FilmKeeper,
    notices: Sequence[str],
    run: Callable[[ReplayScreen], None],
    bands: Mapping[str, OutlookBands],
) -> None:
    """Play on the terminal's screen and give the terminal back, however it ends.

    Args:
        keeper: what follows the recording's films.
        notices: what was sniffed or assumed.
        run: plays, by the screen's own `tell`, `before_row` and `sleep`.
        bands: the next hours of each section, as the replay goes on; empty without an outlook.
    """
    with LiveScreen(theme_of(os.environ)) as screen:
        shown = ReplayScreen(screen, keeper, notices, bands)
        try:
            run(shown)
            shown.stay()
        except Left:
            return
