"""Keeps the forecast that the config names: a file that is read again as it changes, a topic heard.

`take` runs in the broker's thread and only keeps the last payload; `look` reads it beside the
watch, in the outlook's thread.
"""

from __future__ import annotations

import json
import logging
import math
import os
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from monitor.config.model import Config, EnclosureConfig, ForecastConfig
from rules.text import counted, duration_text, printable
from rules.units import DAY_S, HOUR_S
from sensors.forecast import (
    ForecastFault,
    ForecastHours,
    forecast_of_json,
    joined,
    laid_over,
    read_forecast,
    within_time,
)
from sensors.recording.layout import RecordingFault
from sensors.whole_file import Unreadable, whole_bytes

_FORM = 1
_MOST_ISSUES = 16  # that wait to be kept
_ISSUE_REACH_S = 30 * HOUR_S  # no outlook looks further
_MOST_BYTES = 4_000_000
_COLUMNS = 5


def beside(log: Path) -> Path:
    """Return where a log's hours are kept.

    >>> beside(Path("log.db")).name
    'log.db.forecast'
    """
    return log.with_name(log.name + ".forecast")


def keep(path: Path, topic: str, hours: ForecastHours) -> None:
    """Write hours to their file, so that it is whole whenever the power goes.

    Args:
        path: of the file.
        topic: that told of them.
        hours: all that are known.

    Raises:
        OSError: it cannot be written; what was there before stays.
    """
    sun = np.full(hours.time_s.size, math.nan) if hours.sun_w_m2 is None else hours.sun_w_m2
    table = np.column_stack([hours.time_s, hours.temp_c, hours.dew_point_c, hours.rh_pct, sun])
    rows = [[None if math.isnan(cell) else cell for cell in row] for row in table.tolist()]
    text = json.dumps({"form": _FORM, "topic": topic, "made_s": hours.made_s, "hours": rows})
    part = path.with_name(path.name + ".part")
    with part.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)


def kept(path: Path, topic: str | None) -> ForecastHours | None:
    """Read hours that were kept.

    Args:
        path: of the file.
        topic: that must have told of them, or None for whichever did.

    Returns:
        The hours, or None where there is no file or another topic's.

    Raises:
        ForecastFault: the file cannot be used.
    """
    try:
        content = whole_bytes(path, _MOST_BYTES)
    except Unreadable as why:
        if not path.exists():
            return None
        raise _unusable(path, str(why)) from None
    try:
        told = json.loads(content)
        if told["form"] != _FORM or topic not in (None, told["topic"]):
            return None
        table = np.array(told["hours"], dtype=float)
        made_s = None if told["made_s"] is None else float(told["made_s"])
    except (ValueError, KeyError, TypeError, RecursionError) as fault:
        raise _unusable(path, f"{type(fault).__name__} in it") from None
    if table.ndim != 2 or table.shape[0] < 2 or table.shape[1] != _COLUMNS:
        raise _unusable(path, "it holds no table of hours")
    time_s, temp_c, dew_point_c, rh_pct, sun_w_m2 = table.T
    humid = np.isfinite(dew_point_c) | np.isfinite(rh_pct)
    if not (np.isfinite(temp_c).all() and humid.all() and (np.diff(time_s) > 0.0).all()):
        raise _unusable(path, "its hours are out of order or not whole")
    sun = sun_w_m2 if bool(np.isfinite(sun_w_m2).all()) else None
    return ForecastHours(time_s, temp_c, dew_point_c, rh_pct, sun, made_s, (), 0)


def _unusable(path: Path, why: str) -> ForecastFault:
    return ForecastFault(
        f"{path}: the forecast's past hours cannot be read ({why}), so the outlook begins without "
        "them; the next message writes the file anew"
    )


_LOG = logging.getLogger("filmcall.forecast")

# The model learns from eight days; what a message told of them stays.
KEPT_BEFORE_S = 9 * DAY_S
KEPT_AHEAD_S = 30 * DAY_S
_LETTERS = 240


def forecast_zone(config: ForecastConfig, enclosures: Sequence[EnclosureConfig]) -> str | None:
    """Return the zone of times that carry none: the forecast's own, or the one all enclosures name.

    Args:
        config: of the forecast.
        enclosures: of the same file.

    Returns:
        An IANA name, or None for UTC, which is then said.
    """
    zones = {each.timezone for each in enclosures}
    shared = zones.pop() if len(zones) == 1 else "Etc/UTC"
    return config.timezone or (shared if shared != "Etc/UTC" else None)


def read_file(path: Path, config: ForecastConfig, zone: str | None) -> ForecastHours:
    """Read the config's forecast file by its mapping.

    Raises:
        ForecastFault: it cannot be used at all.
    """
    try:
        return read_forecast(
            path, columns=dict(config.columns), units=dict(config.units), timezone=zone
        )
    except ForecastFault:
        raise
    except RecordingFault as fault:
        raise ForecastFault(str(fault)) from None


class ForecastKeeper:
    """Holds the hours of outdoor weather that are known now.

    Attributes:
        hours: file and topic laid over each other, or None where neither gave any.
        refused: files and messages that could not be used.
    """

    def __init__(
        self,
        config: ForecastConfig,
        zone: str | None,
        now_s: Callable[[], float],
        kept_in: Path | None = None,
    ):
        """Prepare; files are read by `look`.

        Args:
            config: of the forecast.
            zone: of times that carry none, or None for UTC.
            now_s: the clock [s].
            kept_in: file that holds what the topic told of over a restart, or None.
        """
        self.hours: ForecastHours | None = None
        self.refused = 0
        self._config = config
        self._zone = zone
        self._now_s = now_s
        self._lock = threading.Lock()
        self._waiting: bytes | None = None
        self._stamp: tuple[int, int, int] | None = None
        self._from_file: ForecastHours | None = None
        self._from_topic: ForecastHours | None = None
        self._file_fault = ""
        self._topic_fault = ""
        self._kept_in = None if config.topic is None else kept_in
        self._kept_fault = ""
        self._begun = False
        self._issues: deque[tuple[float, str]] = deque(maxlen=_MOST_ISSUES)

    @classmethod
    def of(cls, config: Config, now_s: Callable[[], float], log: Path) -> ForecastKeeper | None:
        """Return the keeper of a config's forecast, or None where it names none.

        Args:
            config: the whole file.
            now_s: the clock [s].
            log: beside which what a topic told of is kept.
        """
        if not config.forecast.wanted:
            return None
        zone = forecast_zone(config.forecast, config.enclosures)
        return cls(config.forecast, zone, now_s, beside(log))

    @property
    def topics(self) -> dict[str, Callable[[bytes], None]]:
        """What the intake is to hand on, and to whom."""
        return {} if self._config.topic is None else {self._config.topic: self.take}

    @property
    def troubles(self) -> tuple[str, ...]:
        """Why file, topic or what was kept cannot be used now, one sentence each."""
        return tuple(
            each for each in (self._file_fault, self._topic_fault, self._kept_fault) if each
        )

    def take(self, payload: bytes) -> None:
        """Keep a message until the next look; of several the last."""
        with self._lock:
            self._waiting = payload

    def look(self) -> bool:
        """Read what has changed; what cannot be used is counted, and the hours before it stay.

        Returns:
            Whether other hours are known now, or are no longer known.
        """
        changed = self._look_at_kept()
        if self._look_at_file():
            changed = True
            self._note_issue(self._from_file)
        if self._look_at_topic():
            changed = True
            self._note_issue(self._from_topic)
        if changed:
            parts = [each for each in (self._from_file, self._from_topic) if each is not None]
            self.hours = joined(parts) if parts else None
        return changed

    def issues(self) -> list[tuple[float, str]]:
        """Return, once, what came in since: when it was issued [s], and its hours as text."""
        return [self._issues.popleft() for _ in range(len(self._issues))]

    def _note_issue(self, hours: ForecastHours | None) -> None:
        """Have what has just come in kept as it is, before later hours are laid over it."""
        if hours is not None:
            issued_s = self._now_s() if hours.made_s is None else hours.made_s
            self._issues.append((issued_s, issue_text(hours, issued_s)))

    @property
    def waiting(self) -> bool:
        """Whether a message waits for the next look."""
        with self._lock:
            return self._waiting is not None

    def heard_on_topic(self) -> tuple[ForecastHours | None, float]:
        """Return what the topic has brought so far, or None, and the time now [s]."""
        self.look()
        return self._from_topic, self._now_s()

    def about(self, now_s: float) -> str:
        """Return age, reach and gaps of the forecast in a few words, or ""."""
        return "" if self.hours is None else about(self.hours, now_s)

    def _look_at_file(self) -> bool:
        path = self._config.file
        if path is None:
            return False
        try:
            found = path.stat()
        except OSError:
            stamp = (0, 0, 0)
        else:
            stamp = (found.st_mtime_ns, found.st_size, found.st_ino)
        if stamp == self._stamp:
            return False
        self._stamp = stamp
        try:
            self._from_file = _plain(read_file(path, self._config, self._zone))
        except Exception as fault:  # noqa: BLE001 (counted and told; anybody may have written it)
            self._file_fault = self._refuse(str(path), fault)
            return False
        self._file_fault = ""
        return True

    def _look_at_kept(self) -> bool:
        """Take up, once, what the topic told of before a restart."""
        if self._begun or self._kept_in is None or self._config.topic is None:
            return False
        self._begun = True
        try:
            found = kept(self._kept_in, self._config.topic)
        except ForecastFault as fault:
            self._kept_fault = self._refuse(str(self._kept_in), fault)
            return False
        self._from_topic = None if found is None else self._in_reach(found)
        return self._from_topic is not None

    def _keep(self) -> None:
        if self._kept_in is None or self._config.topic is None or self._from_topic is None:
            return
        try:
            keep(self._kept_in, self._config.topic, self._from_topic)
        except OSError as error:
            why = (error.strerror or type(error).__name__).lower()
            text = (
                f"{self._kept_in} cannot be written ({why}), so the forecast's past hours are lost "
                "at a restart; fix the disk or who owns the folder"
            )
            if text != self._kept_fault:
                _LOG.warning("%s", text)
            self._kept_fault = text
        else:
            self._kept_fault = ""

    def _in_reach(self, hours: ForecastHours) -> ForecastHours | None:
        now_s = self._now_s()
        return within_time(hours, now_s - KEPT_BEFORE_S, now_s + KEPT_AHEAD_S)

    def _look_at_topic(self) -> bool:
        with self._lock:
            payload, self._waiting = self._waiting, None
        if payload is None:
            return False
        topic = f"forecast on topic {self._config.topic}"
        try:
            self._from_topic = self._heard(payload, topic)
        except Exception as fault:  # noqa: BLE001 (counted and told; anybody may have sent it)
            self._topic_fault = self._refuse(topic, fault)
            return False
        self._topic_fault = ""
        self._keep()
        return True

    def _heard(self, payload: bytes, topic: str) -> ForecastHours:
        try:
            text = payload.decode("utf-8-sig")
        except UnicodeDecodeError as fault:
            raise ForecastFault(
                f"{topic}: it is not UTF-8 from byte {fault.start}, so it is not used; check who "
                "sends it"
            ) from None
        config = self._config
        told = forecast_of_json(
            text,
            topic,
            columns=dict(config.columns),
            units=dict(config.units),
            timezone=self._zone,
        )
        hours = self._in_reach(_plain(told))
        if hours is None:
            raise ForecastFault(
                f"{topic}: none of its {counted(told.time_s.size, 'hour')} is of the last nine or "
                "the next 30 days, so it is not used; check its times"
            )
        before = self._from_topic
        if before is None:
            return hours
        if hours.made_s is not None and before.made_s is not None and hours.made_s < before.made_s:
            hours, before = before, hours
        whole = self._in_reach(laid_over(before, hours))
        # Counts and notices are of the last message; the hours are all that are known.
        return (
            hours if whole is None else replace(whole, notices=hours.notices, skipped=hours.skipped)
        )

    def _refuse(self, where: str, fault: Exception) -> str:
        self.refused += 1
        text = str(fault)
        if not isinstance(fault, ForecastFault):
            text = f"{where}: {type(fault).__name__}: {fault}, so it is not used"
        text = printable(text, _LETTERS)
        _LOG.warning("%s", text)
        return text


def issue_text(hours: ForecastHours, issued_s: float) -> str:
    """Return a forecast's coming hours as the log keeps them, sun among them where it is told.

    Args:
        hours: the forecast.
        issued_s: when it was made [s].
    """
    coming = (hours.time_s > issued_s - HOUR_S) & (hours.time_s < issued_s + _ISSUE_REACH_S)
    columns = [hours.time_s, hours.temp_c, hours.dew_point_c, hours.rh_pct]
    if hours.sun_w_m2 is not None:
        columns.append(hours.sun_w_m2)
    rows = [[None if math.isnan(v) else v for v in row]
            for row in np.column_stack(columns)[coming].tolist()]  # fmt: skip
    return json.dumps({"issued_s": issued_s, "hours": rows})


def issue_of(text: str) -> ForecastHours:
    """Return what `issue_text` wrote."""
    told = json.loads(text)
    columns = np.array(told["hours"], dtype=float).T
    sun = columns[4] if len(columns) > 4 else None
    time_s, temp_c, dew_point_c, rh_pct = columns[:4]
    return ForecastHours(time_s, temp_c, dew_point_c, rh_pct, sun, told["issued_s"], (), 0)


def about(hours: ForecastHours, now_s: float) -> str:
    """Return age, reach and gaps of a forecast in a few words.

    Args:
        hours: the forecast.
        now_s: [s].

    >>> import numpy as np
    >>> flat = np.full(2, 10.0)
    >>> about(ForecastHours(np.array([0.0, 9e4]), flat, flat, flat, None, 0.0, (), 0), 7200.0)
    'forecast 2 h old, to 23 h ahead, 1 gap over 3 h'
    """
    age_s = hours.age_s(now_s)
    parts = ["forecast of unknown age" if age_s is None else f"forecast {duration_text(age_s)} old"]
    reach_s = float(hours.time_s[-1]) - now_s
    parts.append(f"to {duration_text(reach_s)} ahead" if reach_s > 0.0 else "over already")
    gaps = [end_s for _, end_s in hours.gaps_s() if end_s > now_s - KEPT_BEFORE_S]
    if gaps:
        parts.append(f"{counted(len(gaps), 'gap')} over 3 h")
    return ", ".join(parts)


def _plain(hours: ForecastHours) -> ForecastHours:
    """The hours with notices that no terminal acts upon, whatever names the sender chose."""
    return replace(hours, notices=tuple(printable(each, _LETTERS) for each in hours.notices))
