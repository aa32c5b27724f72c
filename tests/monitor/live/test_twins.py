"""Two stations with one enclosure name are noticed, and nothing else passes for one."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import pytest

from monitor.live.twins import LASTS_S, Twins
from rules.text import iso_utc
from sensors.mqtt.heartbeat import Heartbeat

NOW_S = 1_800_000_000.0


@dataclass
class Hand:
    now_s: float

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def steady() -> Hand:
    return Hand(50.0)


@pytest.fixture
def twins(steady: Hand) -> Twins:
    return Twins("shed-pi", "log-a", lambda: NOW_S, steady)


def call(station: str, log: str, valid_s: float = 60.0, **more: Any) -> bytes:
    until = iso_utc(NOW_S + valid_s)
    return json.dumps({"station": station, "log": log, "valid_until": until, **more}).encode()


def test_another_station_is_said_until_it_falls_silent(twins: Twins, steady: Hand) -> None:
    twins.heard("tent", call("barn-pi", "log-b"))
    said = twins.sentence("tent")
    assert said.startswith("station 'barn-pi' tells calls of an enclosure 'tent' too")
    assert twins.sentence("booth") == ""
    assert twins.news(["tent", "booth"]) == [said]
    assert twins.news(["tent", "booth"]) == [], "said once"
    steady.now_s += LASTS_S + 1.0
    assert twins.sentence("tent") == ""


@pytest.mark.parametrize(
    "payload",
    [
        call("shed-pi", "log-a"),
        call("old-name", "log-a"),  # our own, before the station was renamed
        call("barn-pi", "log-b", valid_s=-1.0),  # a dead program's, kept for ever by MQTT 3.1.1
        b"",
        b"[1]",
        b"{}",
        b"\xff",
        b"[" * 100_000,
        json.dumps({"station": 1, "log": [], "valid_until": {}}).encode(),
        json.dumps({"station": "x", "log": "y", "valid_until": "soon"}).encode(),
    ],
)
def test_what_is_no_living_other_is_none(twins: Twins, payload: bytes) -> None:
    twins.heard("tent", payload)
    assert twins.sentence("tent") == ""


def test_a_station_of_our_own_name_is_believed_once_it_lives(twins: Twins) -> None:
    twins.heard("tent", call("shed-pi", "log-b"))
    assert twins.sentence("tent") == "", "may be our own, from before the log was exchanged"
    twins.heard("tent", call("shed-pi", "log-b", valid_s=75.0))
    said = twins.sentence("tent")
    assert "another program that calls itself 'shed-pi' (log log-b)" in said
    assert said.endswith("under [publish] station.")


def test_a_program_of_our_station_name_is_named_though_it_has_other_enclosures(
    steady: Hand,
) -> None:
    ours = Heartbeat("filmcall/shed-pi/heartbeat", steady)
    other = Heartbeat("filmcall/shed-pi/heartbeat", steady)
    twins = Twins("shed-pi", "log-a", lambda: NOW_S, steady, shared=ours.is_shared)
    ours.begin()
    other.begin()
    for _ in range(3):
        assert twins.sentence("tent") == "", "one beat may be our own run's of before"
        for each in (ours.due(), other.due()):
            assert each is not None
            ours.hear(each)
        steady.now_s += 1.0
    said = (
        "another program calls itself station 'shed-pi' too, so where one ends it still passes "
        "for online: rename one of the two in its config, under [publish] station."
    )
    assert twins.news(["tent"]) == [said]
    steady.now_s += 31.0
    assert twins.sentence("tent") == ""
