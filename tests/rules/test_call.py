"""The state machine: its table, and what holds for every series of climates."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.call import (
    TRANSITIONS,
    Call,
    Finding,
    Memory,
    first_memory,
    release,
    restart_timers,
    step,
)
from rules.limits import LimitJudgement
from rules.spec.model import GENERAL_GUIDANCE
from rules.vocabulary import LimitName, LimitState

ROOT = Path(__file__).parents[2]


def judged(inside: float | None, guard: float = 1.0) -> tuple[LimitJudgement, ...]:
    """One dew margin that is inside its bound by so much; None is unknown."""
    if inside is None:
        state = LimitState.UNKNOWN
    elif inside < 0:
        state = LimitState.BROKEN
    elif inside < guard:
        state = LimitState.NEAR
    else:
        state = LimitState.OK
    value = None if inside is None else 3.0 + inside
    name = LimitName.DEW_MARGIN_MIN
    return (LimitJudgement(name, state, value, 3.0, guard, inside, inside, "plank", ""),)


def run(
    series: list[float | None], start: Memory | None = None, every_s: float = 60.0
) -> list[Call]:
    memory = start or first_memory(0.0)
    calls = []
    for k, inside in enumerate(series):
        memory = step(memory, judged(inside), GENERAL_GUIDANCE, k * every_s)
        calls.append(memory.call)
    return calls


def test_the_table_is_total_and_says_each_thing_once() -> None:
    keys = [(row.before, row.finding, row.re_entered) for row in TRANSITIONS]
    assert len(keys) == len(set(keys))
    plain = {(row.before, row.finding) for row in TRANSITIONS if not row.re_entered}
    assert plain == {(call, finding) for call in Call for finding in Finding}
    again = {(row.before, row.finding) for row in TRANSITIONS if row.re_entered}
    assert again == {(Call.STOP, each) for each in Finding if each is not Finding.BROKEN}


def test_no_row_leads_from_stop_to_go_and_broken_always_leads_to_stop() -> None:
    for row in TRANSITIONS:
        assert not (row.before is Call.STOP and row.after is Call.GO)
        assert (row.finding is Finding.BROKEN) <= (row.after is Call.STOP)
        assert (row.finding is Finding.DOUBT) <= (row.after is not Call.GO)


def test_the_table_in_the_developers_page_is_this_one() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text()
    rows = re.findall(
        r"^\| (GO|HOLD|STOP) \| (\w+) \| (yes|no) \| (GO|HOLD|STOP) \| (.+?) \|$", page, re.M
    )
    printed = [(b, f, r == "yes", a, m) for b, f, r, a, m in rows]
    table = [
        (row.before.value, row.finding.value, row.re_entered, row.after.value, row.meaning)
        for row in TRANSITIONS
    ]
    assert printed == table


def test_a_stop_that_the_recoat_window_forces_comes_at_once_and_ends_by_re_entry() -> None:
    memory = first_memory(0.0)
    memory = step(memory, judged(5.0), GENERAL_GUIDANCE, 0.0, stop_forced="recoat closes")
    assert memory.call is Call.STOP
    assert memory.cause == {"recoat closes"}
    for minute in range(1, 17):
        memory = step(memory, judged(5.0), GENERAL_GUIDANCE, 60.0 * minute)
        assert (memory.call is Call.HOLD) == (minute == 16)


def test_what_forbids_go_begins_the_dwell_anew() -> None:
    memory = first_memory(0.0)
    calls = []
    for minute in range(25):
        memory = step(
            memory, judged(5.0), GENERAL_GUIDANCE, 60.0 * minute, go_forbidden=minute == 12
        )
        calls.append(memory.call)
    assert calls == [Call.HOLD] * 10 + [Call.GO] * 2 + [Call.HOLD] * 11 + [Call.GO] * 2


def test_a_stop_ends_when_the_point_that_alone_caused_it_is_taken_out() -> None:
    memory = step(first_memory(0.0), judged(-1.0), GENERAL_GUIDANCE, 0.0)
    assert memory.cause == {"dew_margin_min@plank"}
    assert release(memory, frozenset({"bow"}), 60.0).call is Call.STOP
    assert release(memory, frozenset({"plank"}), 60.0).call is Call.HOLD


def test_after_a_jump_of_the_clock_stop_stays_and_go_is_hold() -> None:
    assert restart_timers(Memory(Call.STOP, 0.0), 9.0).call is Call.STOP
    assert restart_timers(Memory(Call.GO, 0.0, 1.0, 1.0), 9.0) == Memory(Call.HOLD, 9.0)


@pytest.mark.parametrize("last", [None, Call.GO, Call.HOLD, Call.STOP])
def test_a_restart_never_begins_with_go(last: Call | None) -> None:
    expected = Call.STOP if last is Call.STOP else Call.HOLD
    assert first_memory(0.0, last).call is expected


insides = st.lists(
    st.one_of(st.none(), st.floats(-3, 8).map(lambda x: round(x, 2))), min_size=1, max_size=80
)


@given(insides)
def test_properties_of_every_series(series: list[float | None]) -> None:
    calls = run(series)
    for k, (inside, call) in enumerate(zip(series, calls, strict=True)):
        before = calls[k - 1] if k else Call.HOLD
        if inside is not None and inside < 0.0:
            assert call is Call.STOP
        if call is Call.GO:
            assert inside is not None
            assert inside >= 1.0
        if call is Call.GO and before is not Call.GO:
            last = series[k - 10 : k + 1]
            assert k >= 10
            assert all(each is not None and each >= 1.3 for each in last)
        if before is Call.STOP and call is not Call.STOP:
            assert call is Call.HOLD
            last = series[k - 15 : k + 1]
            assert k >= 15
            assert all(each is not None and each >= 0.5 for each in last)
        if before is not Call.STOP and call is Call.STOP:
            assert inside is not None
            assert inside < 0.0
