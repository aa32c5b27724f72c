"""How much wider a humidity probe counts after solvent: 1 % each, 5 at most (no source)."""

from __future__ import annotations

import math

import pytest

from rules.events import Event
from rules.harm import solvent_widening_pct
from rules.vocabulary import EventKind

T0 = 1_800_000_000.0
NEVER = -math.inf


def event(kind: EventKind, at_s: float, **more: object) -> Event:
    return Event(kind, T0 + at_s, "tent", **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(("wipes", "wider_pct"), [(0, 0.0), (1, 1.0), (4, 4.0), (5, 5.0), (9, 5.0)])
def test_one_per_cent_each_and_five_at_most(wipes: int, wider_pct: float) -> None:
    events = [event(EventKind.WIPED, float(k)) for k in range(wipes)]
    assert solvent_widening_pct(events, NEVER, T0 + 100.0) == wider_pct


def test_wipes_and_coats_count_and_nothing_else_does() -> None:
    events = [event(kind, 1.0) for kind in EventKind]
    assert solvent_widening_pct(events, NEVER, T0 + 100.0) == 2.0


def test_only_what_came_after_the_check_and_not_after_now_counts() -> None:
    events = [event(EventKind.WIPED, at_s) for at_s in (10.0, 20.0, 30.0)]
    assert solvent_widening_pct(events, T0 + 10.0, T0 + 20.0) == 1.0
    assert solvent_widening_pct(events, T0 + 30.0, T0 + 60.0) == 0.0


def test_a_wipe_that_was_taken_back_does_not_count_and_a_corrected_one_counts_once() -> None:
    wiped = event(EventKind.WIPED, 10.0, row=1)
    moved = event(EventKind.WIPED, 40.0, row=2, corrects=1)
    taken_back = event(EventKind.WIPED, 40.0, row=3, corrects=2, withdrawn=True)
    assert solvent_widening_pct([wiped, moved], NEVER, T0 + 100.0) == 1.0
    assert solvent_widening_pct([wiped, moved], T0 + 20.0, T0 + 100.0) == 1.0
    assert solvent_widening_pct([wiped, moved, taken_back], NEVER, T0 + 100.0) == 0.0
