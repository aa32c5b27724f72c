"""Probes carried out on purpose: a calm HOLD, no alarm until they are due, then one.

The situation: "Alarms" in DEVELOPERS.md; a reading a minute goes through enclosure, films,
snapshot and board.
"""

from __future__ import annotations

import math
from dataclasses import replace

from monitor.alarms.board import AlarmBoard, Ring
from monitor.config.model import EnclosureConfig, PointConfig
from monitor.enclosure import Enclosure
from monitor.films import FilmKeeper
from monitor.screen.freshness import QuietLines
from monitor.snapshots import SnapshotMaker
from monitor.specs import find_spec
from rules.call import Call
from rules.events import CarriedOut, Event, ProbesOut
from rules.vocabulary import EventKind, LimitState
from sensors.faults import DEFAULT_RULES
from sensors.reading import Quality, Quantity, Reading

START_S = 1_796_000_040.0
MIN = 60.0
POINTS = (
    ("bow", Quantity.AIR_TEMP, 20.0),
    ("bow", Quantity.HUMIDITY, 50.0),
    ("plank", Quantity.SURFACE_TEMP, 19.0),
)


def at(kind: EventKind, minute: float, until: float | None = None) -> Event:
    value = None if until is None else START_S + until * MIN
    return Event(kind, START_S + minute * MIN, "tent", value=value)


class Trial:
    """Half an hour of good air, a coat, then silence from minute 40 on."""

    def __init__(self, *more: Event) -> None:
        config = EnclosureConfig(
            name="tent",
            spec="polyurethane-topcoat",
            points=tuple(
                PointConfig(
                    name=point,
                    quantity=quantity,
                    unit=quantity.unit,
                    accuracy=0.3,
                    rules=DEFAULT_RULES[quantity],
                )
                for point, quantity, _ in POINTS
            ),
        )
        coat = (at(EventKind.COAT_STARTED, 20.0), at(EventKind.COAT_ENDED, 30.0))
        keeper = FilmKeeper(
            find_spec("polyurethane-topcoat")[0],
            {},
            surface_accuracy_k=0.5,
            air_accuracy_k=0.3,
            counted=config,
        )
        keeper.set_events((*coat, *more))
        enclosure = Enclosure(
            config,
            keeper.film_of,
            START_S,
            on_evaluated=keeper.evaluated,
            carried_out=keeper.carried_out,
        )
        maker, board = SnapshotMaker(enclosure, keeper, recorded=False), AlarmBoard()
        quiet = QuietLines()
        self.rings: list[tuple[int, Ring]] = []
        self.lines: list[tuple[int, str]] = []
        self.calls: list[Call] = []
        self.first: list[str] = []
        self.due: list[bool] = []
        for minute in range(90):
            now_s = START_S + minute * MIN
            if minute < 40 or minute >= 80:
                readings = [
                    Reading("tent", point, quantity, now_s, value + 0.1 * (minute % 3),
                            Quality.OK, now_s)
                    for point, quantity, value in POINTS
                ]  # fmt: skip
                enclosure.take(readings, now_s)
            for later_s in (0.0, 20.0, 40.0):
                enclosure.evaluate_now(now_s + later_s)
                snapshot = maker.make(now_s + later_s)
                self.rings += [(minute, ring) for ring in board.update(snapshot)]
            self.lines += [(minute, line) for line in quiet.news({"tent": snapshot})]
            self.calls.append(snapshot.calls[0].call)
            self.first.append(snapshot.calls[0].reasons[0].text)
            self.due.append(bool(snapshot.probes_due))
            assert all(
                reason.state is not LimitState.OK or not snapshot.probes_out
                for reason in snapshot.calls[0].reasons[:1]
            )


def test_probes_that_fall_silent_over_a_wet_film_ring() -> None:
    trial = Trial()
    assert any(40 < minute < 50 for minute, _ in trial.rings)
    assert any("NOTHING NEW" in line for _, line in trial.lines)


def test_probes_out_hold_calmly_and_remind_once_when_they_are_due() -> None:
    trial = Trial(at(EventKind.PROBES_OUT, 39.5, 60.0), at(EventKind.PROBES_IN, 79.5))
    assert trial.calls[38] is Call.GO
    assert set(trial.calls[40:80]) == {Call.HOLD}
    assert all(text.startswith("probes are out on purpose until") for text in trial.first[40:60])
    for text in trial.first[60:79]:
        assert text.startswith("probes are out on purpose and were to be back at 2026-11-30 01:54:")
        assert "Bring them back if" in text
    assert [line for minute, line in trial.lines if minute < 79] == []
    assert [minute for minute, _ in trial.rings] == [61]
    assert "safety data sheet allows entry" in trial.rings[0][1].text
    assert trial.due[40:79] == [False] * 20 + [True] * 19
    assert not trial.first[81].startswith("probes are out")


def test_the_newest_word_counts_and_none_of_the_future() -> None:
    events = (
        at(EventKind.PROBES_OUT, 1.0, 9.0),
        at(EventKind.PROBES_IN, 2.0),
        at(EventKind.PROBES_OUT, 5.0),
    )
    carried = CarriedOut(events)
    seen = [carried.of_section("all", START_S + minute * MIN) for minute in (0.0, 1.0, 3.0, 6.0)]
    first = ProbesOut(START_S + MIN, START_S + 9 * MIN)
    assert seen == [None, first, None, ProbesOut(START_S + 5 * MIN, None)]


def test_where_all_are_out_a_word_on_one_section_makes_its_air_no_failed_probe() -> None:
    """Else its alarm would send somebody in to look at probes that lie on the desk."""
    all_out = at(EventKind.PROBES_OUT, 1.0)
    port_out = replace(at(EventKind.PROBES_OUT, 3.0), section="hull-port")
    planks = dict.fromkeys(("hull-port", "hull-stbd"), math.inf)
    carried = CarriedOut((all_out, port_out), planks)
    seen = [
        carried.of_section(section, START_S + 4 * MIN) for section in ("hull-port", "hull-stbd")
    ]
    assert seen == [ProbesOut(START_S + MIN, None)] * 2
    only = CarriedOut((port_out,), planks)
    assert only.of_section("hull-port", START_S + 4 * MIN) == ProbesOut(
        START_S + 3 * MIN, None, "hull-port"
    )
    assert only.of_section("hull-stbd", START_S + 4 * MIN) is None
    no_surface = CarriedOut((port_out,), {})
    assert no_surface.of_section("hull-port", START_S + 4 * MIN) is None, "nothing is out"
