"""`filmcall ship`: follows a log and brings whatever it gains or changes into the database.

It only reads the log, so nothing that happens here or there holds up the watch. Where it stands is
asked of the database each time it connects, since a commit whose answer was lost may have happened.
"""

from __future__ import annotations

import random
import sqlite3
import sys
import time
from collections.abc import Callable
from pathlib import Path

from monitor.log import chain, outbox
from monitor.log.open import LogFile
from monitor.log.rows import LogMissing, LogRefused
from monitor.log.schema import SCHEMA_VERSION
from monitor.ship.batch import Batch, Stand, read_batch
from monitor.ship.database import DatabaseAway, place
from monitor.ship.send import Copy
from rules.errors import FilmcallError
from rules.text import counted, duration_text

# How often the log is looked at [s].
LOOK_S = 0.25
# How long is waited at most for a database that is away, so that the copy is caught up 15 s after
# it is back [s]; each waits a little otherwise, since a yard's stations shall not all come at once.
LONGEST_S = 5.0
_APART = 0.3
# A trouble that stays is said again [s], and so is how far a long catching up has come.
SAY_AGAIN_S = 600.0
SAY_PROGRESS_S = 30.0
_BUSY_S = 5.0


class Shipper:
    """Brings one log into the database. Door: `step`.

    Attributes:
        file: the open log, or None.
        copy: its copy in the database, or None.
    """

    def __init__(self, url: str, path: Path, now_s: Callable[[], float] = time.time) -> None:
        """Prepare; nothing is opened yet."""
        self.file: LogFile | None = None
        self.copy: Copy | None = None
        self._url = url
        self._path = path
        self._now_s = now_s
        self._inode = 0
        self._version = -1
        # What the database last said, which holds while it is away.
        self._stand: Stand | None = None

    def step(self) -> Batch | None:
        """Ship one batch, and return it; None where the database holds all.

        Raises:
            DatabaseAway: the database does not answer; the next step asks it anew.
            DatabaseRefused: it will not have it.
            LogForked: the log and its copy hold different histories.
            LogRefused: the log cannot be read.
        """
        try:
            file = self._open()
            ((version,),) = file.rows("PRAGMA data_version")
            if self.copy is None:
                self.copy = Copy.open(self._url, file.uuid, SCHEMA_VERSION)
            elif version == self._version:
                return None
            self._stand = self.copy.stand
            with file.asking():
                batch = read_batch(file.connection, self.copy.stand)
            if batch is None:
                self._version = version
                return None
            self.copy.apply(batch)
            self._stand = batch.stand
            if not batch.more:
                self._version = version
        except BaseException:
            self.close()
            raise
        return batch

    def behind(self) -> tuple[int, float | None]:
        """Return how many changes the database lacks, and the time of the first of them [s].

        Where it was never heard these are all of the log, which is the most that it can lack.

        Raises:
            LogRefused: the log cannot be read.
        """
        number = 0 if self._stand is None else self._stand.number
        file = self._open()
        with file.asking():
            lacks = outbox.newest(file.connection) - number
            return lacks, _time_of_next(file.connection, number)

    @property
    def heard(self) -> bool:
        """Whether the database ever said how far the copy is."""
        return self._stand is not None

    def close(self) -> None:
        """Close the log and end the connection."""
        if self.copy is not None:
            self.copy.close()
        if self.file is not None:
            self.file.close()
        self.copy = self.file = None
        self._version = -1

    def _open(self) -> LogFile:
        """Open the log, anew where a damaged one was set aside for another."""
        try:
            inode = self._path.stat().st_ino
        except OSError:
            inode = 0
        if self.file is not None and inode == self._inode:
            return self.file
        self.close()
        if self._inode not in (0, inode):
            self._stand = None
        self._inode = inode
        self.file = LogFile.open(
            self._path, self._now_s, read_only=True, busy_s=_BUSY_S, go_on=False
        )
        return self.file


def _time_of_next(connection: sqlite3.Connection, number: int) -> float | None:
    found = connection.execute(
        "SELECT what, row, first FROM outbox WHERE number > ? AND what IN (?, ?) "
        "ORDER BY number LIMIT 1",
        (number, outbox.LINK, outbox.OPEN),
    ).fetchone()
    if found is None:
        return None
    what, row, first = found
    at_us = first if what == outbox.OPEN else chain.written_us(connection, row)
    return None if at_us is None else at_us / 1e6


def ship_once(url: str, path: Path) -> tuple[str, int]:
    """Ship all that the log holds now.

    Returns:
        What was done in sentences, and the exit status: 1 where rows stand in the database with
        other values.

    Raises:
        FilmcallError: the log cannot be read, or the database does not have it.
    """
    shipper = Shipper(url, path)
    try:
        begun: int | None = None
        rows = differing = 0
        while (batch := shipper.step()) is not None:
            begun = batch.after.number if begun is None else begun
            rows += batch.size
        copy, file = shipper.copy, shipper.file
        if copy is None or file is None:
            raise DatabaseAway(f"database {place(url)} was lost")
        changes = copy.stand.number - (copy.stand.number if begun is None else begun)
        differing = copy.differing
        text = (
            f"Log {file.uuid}: {counted(changes, 'change')} with {counted(rows, 'row')} shipped; "
            f"the database holds all. Seal: place {copy.stand.seq}, {copy.stand.hash or 'none'}."
        )
        return "\n".join([text, *differing_text(copy)]), int(differing > 0)
    finally:
        shipper.close()


def differing_text(copy: Copy) -> list[str]:
    """Say loudly what came with other values than those that stand; nothing where nothing did."""
    if not copy.differing:
        return []
    return [
        f"CONFLICT: {counted(copy.differing, 'row')} came with other values than the database "
        f"holds, and what stood there stands: one of the two was changed. "
        f"The first: {copy.example}. "
        f"See the database's table filmcall.conflicts, and run `filmcall sessions verify` on the "
        f"log and on the copy."
    ]


class Follower:
    """Ships for as long as it runs, and says what changed. Door: `turn`."""

    def __init__(
        self,
        shipper: Shipper,
        say: Callable[[str], None],
        clock_s: Callable[[], float],
        apart: Callable[[], float] = random.random,
    ) -> None:
        """Begin.

        Args:
            shipper: of one log.
            say: takes a sentence for the journal.
            clock_s: of the monotonic clock [s].
            apart: draws by how much a pause is cut, 0 to 1.
        """
        self._apart = apart
        self._shipper = shipper
        self._say = say
        self._clock_s = clock_s
        self._trouble = ""
        self._said_s = -SAY_AGAIN_S
        self._pause_s = 0.0
        self._behind = True
        self._differing = 0

    def turn(self) -> float:
        """Ship a batch, and return how long to wait before the next turn [s].

        Raises:
            FilmcallError: what no waiting fixes.
        """
        try:
            batch = self._shipper.step()
        except (DatabaseAway, LogMissing, LogRefused) as fault:
            return self._troubled(str(fault))
        self._pause_s = 0.0
        if self._trouble:
            self._trouble, self._behind = "", True
            self._say("the database answers again")
        copy = self._shipper.copy
        if copy is not None and copy.differing > self._differing:
            self._differing = copy.differing
            for text in differing_text(copy):
                self._say(text)
        if batch is None or not batch.more:
            if self._behind and copy is not None:
                self._behind = False
                self._say(f"caught up: the database holds all {copy.stand.number} changes")
            return LOOK_S
        if self._clock_s() - self._said_s >= SAY_PROGRESS_S:
            self._said_s = self._clock_s()
            self._say(self._how_far())
        return 0.0

    def _troubled(self, text: str) -> float:
        self._pause_s = min(LONGEST_S, max(0.5, 2.0 * self._pause_s))
        self._differing = 0
        again = self._clock_s() - self._said_s >= SAY_AGAIN_S
        if text != self._trouble or again:
            self._trouble = text
            self._said_s = self._clock_s()
            self._say(
                f"{text.rstrip('.')}. {self._how_far()}; it is tried again for ever, at most "
                f"{duration_text(LONGEST_S)} apart, and the log keeps all meanwhile"
            )
        return self._pause_s * (1.0 - _APART * self._apart())

    def _how_far(self) -> str:
        try:
            lacks, since_s = self._shipper.behind()
        except FilmcallError:
            return "how far the copy is behind is not known"
        if not lacks:
            return "the copy is not behind"
        since = (
            ""
            if since_s is None
            else f", the oldest of them {duration_text(max(0.0, time.time() - since_s))} old"
        )
        most = "" if self._shipper.heard else "at most "
        return f"the copy is {most}{counted(lacks, 'change')} behind{since}"


def follow(url: str, path: Path) -> None:
    """Ship for ever.

    Raises:
        FilmcallError: no such schema, another station's log, another history.
    """
    place(url)
    follower = Follower(Shipper(url, path), _say, time.monotonic)
    while True:
        time.sleep(follower.turn())


def _say(text: str) -> None:
    sys.stderr.write(f"filmcall ship: {text}\n")
    sys.stderr.flush()
