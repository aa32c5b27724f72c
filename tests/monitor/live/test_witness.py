"""The seal at the broker: what is handed out, and what is said of a log that does not hold it.

A broker here is what it kept of the last run; the real one is in tests/system.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from forgeries import on_file, statements
from live import Live, Machine

from monitor.live.publish import Publisher
from monitor.live.witness import RECORD_LOST, Witness
from monitor.log.files import verify
from monitor.log.log import Store
from monitor.log.rows import CallRow

SEAL = "filmcall/test-bench/seal"


@dataclass
class _Message:
    topic: str
    payload: bytes
    retain: bool
    expiry_s: int | None

    def wait(self, timeout_s: float) -> bool:
        del timeout_s
        return True


class BrokerLine:
    """Writes down what a broker was told."""

    def __init__(self) -> None:
        self.on_connected: list[Callable[[], None]] = []
        self.messages: list[_Message] = []

    def set_will(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = True) -> None:
        """Leave no will."""

    def publish(
        self,
        topic: str,
        payload: bytes,
        *,
        qos: int = 1,
        retain: bool = False,
        expiry_s: int | None = None,
    ) -> _Message:
        """Write a message down."""
        del qos
        self.messages.append(_Message(topic, payload, retain, expiry_s))
        return self.messages[-1]

    def take(self, topic: str) -> list[_Message]:
        """Return what was told on a topic."""
        return [each for each in self.messages if each.topic == topic]


def night(
    folder: Path, kept: bytes | None, machine: Machine | None = None
) -> tuple[Live, BrokerLine]:
    """Run ten minutes with a broker that keeps this; return the program and what it was told."""
    line = BrokerLine()
    publisher = Publisher(line, base="filmcall", station="test-bench")
    live = Live(folder, machine=machine, publisher=publisher)
    live.watch.witness = publisher.witness = Witness(live.store, SEAL, "test-bench")
    if kept is not None:
        live.watch.witness.heard(kept)
    live.run(600.0, live.climate())
    return live, line


def kept_of(line: BrokerLine) -> bytes:
    (*_, last) = line.take(SEAL)
    assert (last.retain, last.expiry_s) == (True, None)
    return last.payload


def outages(live: Live) -> list[str]:
    return [each.text for each in live.store.outages() if each.what == RECORD_LOST]


def test_the_broker_is_handed_the_seal_and_the_log_holds_it(tmp_path: Path) -> None:
    live, line = night(tmp_path, None)
    told = json.loads(kept_of(line))
    assert sorted(told) == ["count", "log", "seal", "station", "time"]
    assert (told["log"], told["station"]) == (live.store.log_uuid, "test-bench")
    live.end()
    text, problems = verify(live.path, as_json=False, seal=told["seal"])
    assert problems == 0
    assert "The log holds the witness's seal." in text


def test_a_log_that_goes_on_says_nothing(tmp_path: Path) -> None:
    live, line = night(tmp_path, None)
    seal = kept_of(line)
    live.end()
    live, line = night(tmp_path, seal, live.machine)
    assert (outages(live), live.watch.witness.trouble) == ([], "")  # type: ignore[union-attr]
    assert json.loads(kept_of(line))["count"] > json.loads(seal)["count"]
    live.end()


def test_an_older_copy_is_said_and_written_down(tmp_path: Path) -> None:
    live, line = night(tmp_path, None)
    live.end()
    shutil.copyfile(live.path, tmp_path / "copy.db")
    live, line = night(tmp_path, None, live.machine)
    seal = kept_of(line)
    live.end()
    for path in tmp_path.glob("log.db*"):
        path.unlink()
    shutil.copyfile(tmp_path / "copy.db", live.path)
    live, line = night(tmp_path, seal, live.machine)
    (text,) = outages(live)
    assert "does not hold it: its end was cut off, it is an older copy" in text
    assert "Look for the other file" in live.watch.witness.trouble  # type: ignore[union-attr]
    live.end()


def test_a_tail_cut_by_who_has_the_program_is_said(tmp_path: Path) -> None:
    live, line = night(tmp_path, None)
    seal = kept_of(line)
    live.end()
    count = json.loads(seal)["count"]
    on_file(live.path, statements(f"DELETE FROM chain WHERE seq >= {count}"))
    live, _ = night(tmp_path, seal, live.machine)
    assert len(outages(live)) == 1
    live.end()


def test_another_log_in_its_place_is_said(tmp_path: Path) -> None:
    live, line = night(tmp_path, None)
    seal = kept_of(line)
    live.end()
    for path in tmp_path.glob("log.db*"):
        path.unlink()
    live, _ = night(tmp_path, seal, live.machine)
    (text,) = outages(live)
    assert "the broker's seal is of another log" in text
    live.end()


@pytest.mark.parametrize(
    "kept", [b"", b"offline", b"{}", b"[1]", b'{"log": 1, "count": "x", "seal": "00"}', b"\xff"]
)
def test_what_is_no_seal_is_as_none(tmp_path: Path, kept: bytes) -> None:
    live, line = night(tmp_path, kept)
    assert outages(live) == []
    assert json.loads(kept_of(line))["count"] > 0
    live.end()


def test_nothing_is_handed_out_before_what_the_broker_keeps_was_read(tmp_path: Path) -> None:
    with Store.open(tmp_path / "log.db", now_s=lambda: 1.8e9) as store:
        store.keep_spec("text")
        witness = Witness(store, SEAL, "test-bench")
        assert witness.message() is None
        assert witness.look(100.0, linked=False) is None
        assert witness.look(200.0, linked=True) is None
        assert witness.message() is None
        assert witness.look(206.0, linked=True) is None
        first = witness.message()
        assert first is not None
        assert witness.message() is None, "once is enough"
        witness.forget()
        assert witness.message() == first


def test_the_seal_goes_out_with_each_call_since_a_lying_card_may_lose_that_very_one(
    tmp_path: Path,
) -> None:
    line = BrokerLine()
    publisher = Publisher(line, base="filmcall", station="test-bench")
    with Store.open(tmp_path / "log.db", now_s=lambda: 1.8e9) as store:
        witness = publisher.witness = Witness(store, SEAL, "test-bench")
        witness.heard(b"none")
        witness.look(1.8e9, linked=True)
        store.add_call(CallRow("tent", "all", 1.8e9, "STOP", "cure", "films", "{}"))
        publisher.tell("tent", {"call": "STOP"}, 1.8e9)
        told = [each.topic for each in line.messages]
        assert told == ["filmcall/tent/call", "filmcall/tent/word", SEAL]
        assert json.loads(kept_of(line))["seal"] == store.seal().sha256
