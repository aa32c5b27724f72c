"""The log's seal at the broker: handed out with the calls, and held against the log at the start.

`<base>/<station>/seal` holds it, retained: {"log": UUID, "count": rows of the chain, "time": when
the last was written, "seal": its hash, "station"}. A topic on one's own broker is a weak witness:
who may write to the log may often write there too. It shows a log that was lost, cut short or laid
back, not a careful forger; mailed alarms, reports and exports carry the seal further away.
"""

from __future__ import annotations

import json

from monitor.log.chain import Seal
from monitor.log.files import seal_digits
from monitor.log.log import Store
from monitor.log.rows import LogRefused, Outage
from monitor.times import moment_s
from monitor.wire import Json
from rules.errors import FilmcallError
from rules.text import counted, iso_utc, printable

WAIT_S = 5.0
"""A broker hands out what it keeps at once; after this it keeps none [s]."""
RECORD_LOST = "record-lost"


class Witness:
    """Follows the seal at the broker. Door: `look`, once a second.

    Attributes:
        topic: where the seal is kept.
        trouble: what the broker's seal shows to be missing, in a sentence, or "".
    """

    def __init__(self, store: Store, topic: str, station: str) -> None:
        self.topic = topic
        self.trouble = ""
        self._store = store
        self._station = station
        self._heard: bytes | None = None
        self._linked_s: float | None = None
        self._settled = False
        self._told = ""
        self._said = ""

    def heard(self, payload: bytes) -> None:
        """Take what the broker keeps; the network's thread calls this, with our own words too."""
        if self._heard is None and not self._settled:
            self._heard = payload

    def look(self, now_s: float, *, linked: bool) -> Outage | None:
        """Hold the broker's seal against the log, once.

        Args:
            now_s: now [s].
            linked: whether there is a link to the broker.

        Returns:
            The time of which the log has lost its record, or None.
        """
        if self._settled or not linked:
            self._linked_s = None
            return None
        if self._linked_s is None or self._linked_s > now_s:
            self._linked_s = now_s
        if self._heard is None and now_s - self._linked_s < WAIT_S:
            return None
        try:
            found = self._held_against(self._heard or b"", now_s)
        except LogRefused:
            return None  # tried again when the log can be read
        self._settled = True
        return found

    def _held_against(self, payload: bytes, now_s: float) -> Outage | None:
        told = _read(payload)
        if told is None:
            return None
        uuid, seal = told
        held, own = self._store.sealed_as(seal.sha256), self._store.seal()
        if uuid == self._store.log_uuid and held is not None and held.count == seal.count:
            return None
        from_s = now_s if seal.time_us is None else min(seal.time_us / 1e6, now_s)
        rows = f"{counted(seal.count, 'row')}, the last of {iso_utc(from_s, 0)}"
        if uuid != self._store.log_uuid:
            text = (
                f"the broker's seal is of another log ({uuid}: {rows}): that one was moved aside, "
                "lost or exchanged, and this one knows nothing of its time"
            )
        else:
            text = (
                f"the broker's seal is of {rows}, and this log, of "
                f"{counted(own.count, 'row')}, does not hold it: its end was cut off, it is an "
                "older copy, or its chain was made anew"
            )
        self.trouble = f"{text[0].upper()}{text[1:]}. Look for the other file before you go on."
        return Outage(RECORD_LOST, from_s, now_s, text)

    def news(self) -> list[str]:
        """Return what has come to be said since this was asked last, for lines that scroll away."""
        said, self._said = self._said, self.trouble
        return [self.trouble] if self.trouble != said else []

    def message(self) -> bytes | None:
        """Return the seal to be kept at the broker; None where it has it, or until it was read."""
        if not self._settled:
            return None
        try:
            seal = self._store.seal()
        except LogRefused:
            return None
        if seal.sha256 == self._told or not seal.count:
            return None
        self._told = seal.sha256
        return json.dumps(self._dict(seal)).encode()

    def forget(self) -> None:
        """Tell it again: a broker that was started anew may keep nothing."""
        self._told = ""

    def told(self) -> Json | None:
        """Return the log's seal for a message, or None where the log cannot be read."""
        try:
            return self._dict(self._store.seal())
        except LogRefused:
            return None

    def _dict(self, seal: Seal) -> Json:
        return {
            "log": self._store.log_uuid,
            "count": seal.count,
            "time": None if seal.time_us is None else iso_utc(seal.time_us / 1e6),
            "seal": seal.sha256,
            "station": self._station,
        }


def _read(payload: bytes) -> tuple[str, Seal] | None:
    """The log and the seal that a broker's message names, or None where it is no such message."""
    try:
        told = json.loads(payload)
        count, uuid, time = told["count"], str(told["log"]), told.get("time")
        sha256 = seal_digits(str(told["seal"]))
        time_us = None if time is None else round(moment_s(str(time), 0.0) * 1e6)
    except (ValueError, TypeError, KeyError, AttributeError, FilmcallError):
        return None
    if not isinstance(count, int):
        return None
    return printable(uuid, 40), Seal(count, sha256, time_us)
