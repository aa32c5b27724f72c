"""How `filmcall doctor` looks at the log: may it be written, will it fit, is it whole."""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from statistics import median

from monitor.calibrations import CalibrationBook
from monitor.config.load import Config
from monitor.doctor.checks import Check, CheckResult
from monitor.log.files import STAND_AS_WRITTEN
from monitor.log.log import Store
from monitor.log.open import CHECKED_BYTES
from monitor.log.rows import LIVE, LogMissing
from rules.errors import FilmcallError
from rules.text import counted, iso_utc
from rules.units import DAY_S
from sensors.reading import Quantity

# Measured: a log of 200,000 readings at random times grew by 39 bytes a reading.
BYTES_A_READING = 40.0
GUESSED_INTERVAL_S = 10.0
# Above this a whole check would take minutes on a memory card.
MOST_CHECKED_BYTES = 512 * 1024 * 1024
_COUNTED_S = 600.0
_RECENT_S = 2100.0  # no default age limit is longer
_INTERVALS = 9  # as many as a watch goes by
_INTERVALS_WITHIN_S = _INTERVALS * _RECENT_S
LEAST_FREE_BYTES = 200e6
_FEW_DAYS, _TOO_FEW_DAYS = 90.0, 7.0


@dataclass(slots=True)
class LogLook:
    """What was found in a log.

    Attributes:
        checks: the looks.
        newest_s: time of its newest row, or None [s].
        heard_s: newest live reading of each quantity at each point, where it is recent [s].
        usual_s: the usual time between two of them, where there are two [s].
        calibrations: that it holds.
    """

    checks: list[Check] = field(default_factory=list)
    newest_s: float | None = None
    heard_s: dict[tuple[str, str, Quantity], float] = field(default_factory=dict)
    usual_s: dict[tuple[str, str, Quantity], float] = field(default_factory=dict)
    calibrations: CalibrationBook = field(default_factory=CalibrationBook)

    def add(self, name: str, health: CheckResult, text: str) -> None:
        """Keep a look."""
        self.checks.append(Check("log", name, health, text))


def check_log(path: Path, config: Config | None, now_s: float) -> LogLook:
    """Look at the log and its disk; nothing in it is changed.

    Args:
        path: the log's file.
        config: for a forecast where the log holds nothing recent.
        now_s: the time now [s].
    """
    look = LogLook()
    folder = next((each for each in path.absolute().parents if each.exists()), Path("/"))
    _writable(look, path, folder)
    a_second = 0.0
    try:
        with Store.open(path, now_s=lambda: now_s, read_only=True) as store:
            a_second = _contents(look, store, path, now_s)
    except LogMissing:
        look.add("file", CheckResult.OK, f"{path} is not there yet; watch makes it")
    except FilmcallError as fault:
        look.add("file", CheckResult.BAD, str(fault))
    if a_second == 0.0 and config is not None:
        heard = sum(p.topic is not None for e in config.enclosures for p in e.points)
        a_second = heard / GUESSED_INTERVAL_S
    _space(look, folder, a_second)
    aside = sorted(each.name for each in path.parent.glob(path.name + ".damaged-*"))
    aside = [name for name in aside if not name.endswith(("-wal", "-shm"))]
    if aside:
        text = (
            f"{counted(len(aside), 'damaged log was', 'damaged logs were')} moved aside "
            f"({aside[-1]} the last). Copy what was moved before any repair, and check the "
            "disk or memory card."
        )
        look.add("moved aside", CheckResult.LOOK, text)
    return look


def _writable(look: LogLook, path: Path, folder: Path) -> None:
    try:
        with tempfile.TemporaryFile(dir=folder) as file:
            file.write(b"filmcall")
            file.flush()
    except OSError as error:
        why = (error.strerror or type(error).__name__).lower()
        text = (
            f"nothing can be written in {folder} ({why}), so nothing would be recorded. Fix the "
            f"disk or who owns the folder, or give another file with --db."
        )
        look.add("writable", CheckResult.BAD, text)
        return
    if path.exists() and not os.access(path, os.W_OK):
        text = f"{path} cannot be written by this account. Give it to the one that runs filmcall."
        look.add("writable", CheckResult.BAD, text)
        return
    look.add("writable", CheckResult.OK, f"{path} can be written")


def _contents(look: LogLook, store: Store, path: Path, now_s: float) -> float:
    """Look inside, and return how many readings a second come in now."""
    look.newest_s = store.newest_time_s()
    book = look.calibrations = CalibrationBook(store.calibrations())
    recordings = sum(source.source != LIVE for source in store.sources())
    if look.newest_s is not None:
        newest = f"newest row {iso_utc(round(look.newest_s))}"
    elif recordings or book.all():
        calibrations = counted(len(book.all()), "calibration")
        newest = f"{counted(recordings, 'recording')} and {calibrations}, nothing live"
    else:
        newest = "empty"
    size = path.stat().st_size
    look.add("file", CheckResult.OK, f"{size / 1e6:.1f} MB, {newest}")
    _whole(look, path, size)
    audit = store.audit(readings=size <= CHECKED_BYTES)
    problems = audit.problems
    if problems:
        one, many = "place is not as it was written", "places are not as they were written"
        text = f"{counted(len(problems), one, many)}. {problems[0]} See: filmcall sessions verify"
        look.add("chain", CheckResult.BAD, text)
    else:
        look.add("chain", CheckResult.OK, counted(audit.entries, *STAND_AS_WRITTEN))
    heard = 0
    for channel in store.channels(source=LIVE):
        key = (channel.enclosure, channel.point, channel.quantity)
        # Up to now: a row from a clock that was ahead tells nothing.
        times_s, _, quality = store.readings(*key, now_s - _INTERVALS_WITHIN_S, now_s)
        believed = times_s[quality == 0].tolist()
        if believed and believed[-1] >= now_s - _RECENT_S:
            look.heard_s[key] = believed[-1]
        last = believed[-_INTERVALS - 1 :]
        if len(last) > 1:
            look.usual_s[key] = median(late - early for early, late in pairwise(last))
        heard += int((times_s >= now_s - _COUNTED_S).sum())
    for notice in book.notices(now_s):
        look.checks.append(Check("calibration", "age", CheckResult.LOOK, notice))
    return heard / _COUNTED_S


def _whole(look: LogLook, path: Path, size: int) -> None:
    if size <= CHECKED_BYTES:
        look.add("whole", CheckResult.OK, "checked whole on opening")
        return
    if size > MOST_CHECKED_BYTES:
        text = (
            f"not checked: {size / 1e6:.0f} MB would take long. In a quiet hour: sqlite3 {path} "
            f'"PRAGMA quick_check"'
        )
        look.add("whole", CheckResult.LOOK, text)
        return
    connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=5.0)
    try:
        found = str(connection.execute("PRAGMA quick_check(1)").fetchone()[0])
    except sqlite3.Error as error:
        found = str(error)
    finally:
        connection.close()
    if found == "ok":
        look.add("whole", CheckResult.OK, "checked whole")
    else:
        text = f"it is damaged inside ({found}). Copy it and try `sqlite3 FILE .recover`."
        look.add("whole", CheckResult.BAD, text)


def _space(look: LogLook, folder: Path, a_second: float) -> None:
    free = shutil.disk_usage(folder).free
    a_day = a_second * DAY_S * BYTES_A_READING
    text = f"{free / 1e9:.1f} GB free"
    days = free / a_day if a_day else float("inf")
    if a_day:
        text += f", the log grows by about {a_day / 1e6:.1f} MB a day: room for "
        text += f"{days / 365.0:.0f} years" if days > 1000.0 else counted(round(days), "day")
    if free < LEAST_FREE_BYTES or days < _TOO_FEW_DAYS:
        look.add(
            "space", CheckResult.BAD, f"{text}. Free some, or give a file on another disk: --db."
        )
    elif days < _FEW_DAYS:
        look.add("space", CheckResult.LOOK, f"{text}. Free some before then.")
    else:
        look.add("space", CheckResult.OK, text)
