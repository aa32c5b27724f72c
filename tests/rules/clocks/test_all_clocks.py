"""Clocks from events: what starts each, to which side it leans, and what it says.

The coating is invented; its figures are worked by hand from its own table, since no published
source tells when a clock of this program starts.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from rules.climate import AssumedSurface
from rules.clocks.all_clocks import (
    clocks_of,
    coating_over_forbidden,
    history_ends_s,
    history_wanted_from_s,
    merge_clocks,
    settled,
)
from rules.clocks.at_event import launch_warning
from rules.clocks.clock import Clock, ClockState
from rules.clocks.history import (
    EMPTY_HISTORY,
    TemperatureHistory,
    TemperatureOutlook,
    with_assumed_surface,
)
from rules.events import Event
from rules.spec.model import GENERAL_GUIDANCE, Spec
from rules.vocabulary import ClockName, EventKind, Method
from tests.support.clock_material import DAY, PRIMER, SPECS, T0, TOP, H, event, steady, table

K = EventKind
COATED = (event(K.COAT_STARTED, 0.0), event(K.COAT_ENDED, 1.0))


def clocks(
    events: tuple[Event, ...],
    history: TemperatureHistory,
    now_h: float,
    section: str | None = None,
    spec: Spec = PRIMER,
    outlook: TemperatureOutlook | None = None,
) -> dict[ClockName, Clock]:
    found = clocks_of(section, events, SPECS, spec, history, T0 + now_h * H, outlook)
    return {c.name: c for c in found if not c.buried}


def test_opens_clocks_start_when_the_coat_ends_and_closes_clocks_when_it_starts() -> None:
    got = clocks(COATED, steady(20.0), 3.0)
    assert got[ClockName.TOUCH_DRY].started_s == T0 + H
    assert got[ClockName.TOUCH_DRY].left_s == pytest.approx(2 * H)
    assert got[ClockName.TOUCH_DRY].ends_at_s == pytest.approx(T0 + 5 * H)
    assert got[ClockName.RECOAT_CLOSES].started_s == T0
    assert got[ClockName.RECOAT_CLOSES].left_s == pytest.approx(45 * H)
    assert got[ClockName.FLASH].state is ClockState.ENDED
    assert got[ClockName.FLASH].ended_at_s == pytest.approx(T0 + 1.5 * H)


def test_clocks_wait_while_the_coat_is_laid() -> None:
    got = clocks(COATED[:1], steady(20.0), 0.5)
    assert got[ClockName.TOUCH_DRY].state is ClockState.WAITING
    assert got[ClockName.TOUCH_DRY].left_s == pytest.approx(4 * H)
    assert got[ClockName.TOUCH_DRY].basis == "starts when the coat is recorded as ended"
    assert got[ClockName.RECOAT_CLOSES].state is ClockState.RUNNING


def test_accuracy_slows_an_opens_clock_and_hastens_a_closes_clock() -> None:
    exact, rough = steady(20.0), steady(20.0, accuracy_k=1.0)
    one, other = clocks(COATED, exact, 2.0), clocks(COATED, rough, 2.0)
    for name in (ClockName.RECOAT_OPENS, ClockName.CURED):
        late, early = other[name].left_s, one[name].left_s
        assert late is not None
        assert early is not None
        assert late > early
    late, early = one[ClockName.RECOAT_CLOSES].left_s, other[ClockName.RECOAT_CLOSES].left_s
    assert late is not None
    assert early is not None
    assert late > early
    span = other[ClockName.RECOAT_OPENS].ends_at_range_s
    ends = other[ClockName.RECOAT_OPENS].ends_at_s
    assert span is not None
    assert ends is not None
    assert span[0] < ends == pytest.approx(span[1])
    span = other[ClockName.RECOAT_CLOSES].ends_at_range_s
    ends = other[ClockName.RECOAT_CLOSES].ends_at_s
    assert span is not None
    assert ends is not None
    assert span[0] == pytest.approx(ends)
    assert ends < span[1]


def test_coldest_surface_opens_and_warmest_closes() -> None:
    got = clocks(COATED, steady(10.0, warmest_c=20.0), 2.0)
    assert got[ClockName.RECOAT_OPENS].left_s == pytest.approx(15 * H)  # 16 h at 10 degC
    assert got[ClockName.RECOAT_CLOSES].left_s == pytest.approx(46 * H)  # 48 h at 20 degC


def test_time_without_a_temperature_is_said_and_counts_at_the_safe_edge() -> None:
    got = clocks(COATED, steady(20.0, 6.0, holes=((2.0, 3.0),)), 5.5)
    # The hole leaves 1 h and the samples at 2 h and 3 h stand at its edges.
    clock = got[ClockName.RECOAT_OPENS]
    assert clock.basis == (
        "3 h 30 min of measured film temperature, 1 h not measured, taken at the coldest it can "
        "have been"
    )
    assert clock.left_s is not None
    assert 3.5 * H < clock.left_s < 3.55 * H, "a calm morning: little can have moved in an hour"
    closes = got[ClockName.RECOAT_CLOSES]
    assert closes.basis.endswith("1 h not measured, taken at the warmest it can have been")
    assert closes.left_s is not None
    assert 42.4 * H < closes.left_s < 42.5 * H


def test_a_long_gap_after_a_calm_morning_costs_a_closes_clock_little() -> None:
    got = clocks(COATED, steady(20.0, 12.0, holes=((2.0, 6.0),)), 8.0)
    # 8 h of 48 h at 20 degC; in the gap half a kelvin an hour up and down again, 21 degC at most.
    left_s = got[ClockName.RECOAT_CLOSES].left_s
    assert left_s is not None
    assert 39.5 * H < left_s < 40.0 * H
    assert "4 h not measured, taken at the warmest it can have been" in (
        got[ClockName.RECOAT_CLOSES].basis
    )


def test_below_the_table_an_opens_clock_stands_still_and_says_so() -> None:
    clock = clocks(COATED, steady(6.0), 5.0)[ClockName.TOUCH_DRY]
    assert clock.state is ClockState.RUNNING
    assert clock.left_s is None
    assert clock.ends_at_s is None
    assert clock.advice == (
        "Not counting: the film may be as cold as 6.0 °C, and the sheet gives no time below 10 °C"
    )
    assert clock.basis == (
        "4 h of measured film temperature, 4 h below 10 °C, the sheet's coldest, not counted"
    )


def test_without_any_temperature_opens_clocks_stand_and_the_window_closes_at_its_hottest() -> None:
    got = clocks(COATED, EMPTY_HISTORY, 30.0)
    assert got[ClockName.CURED].left_s is None
    assert "29 h not measured" in got[ClockName.CURED].basis
    assert got[ClockName.RECOAT_CLOSES].ended_at_s == pytest.approx(T0 + 24 * H)


def test_a_clock_whose_start_was_never_recorded_does_not_run_and_says_so() -> None:
    got = clocks(COATED[1:], steady(20.0), 3.0)
    closes = got[ClockName.RECOAT_CLOSES]
    assert closes.state is ClockState.UNKNOWN
    assert closes.left_s is None
    assert closes.basis == "coat-started was never recorded, so this clock does not run"
    assert got[ClockName.TOUCH_DRY].state is ClockState.RUNNING
    left_open = (COATED[0], event(K.SESSION_ENDED, 2.0))
    got = clocks(left_open, steady(20.0), 3.0)
    assert got[ClockName.TOUCH_DRY].state is ClockState.UNKNOWN
    assert got[ClockName.TOUCH_DRY].basis.startswith("coat-ended was never recorded")
    assert got[ClockName.RECOAT_CLOSES].state is ClockState.RUNNING


def test_past_closes_coating_over_is_stop_unless_a_sanded_key_is_open() -> None:
    warm = steady(20.0, 80.0)
    got = clocks_of(None, COATED, SPECS, PRIMER, warm, T0 + 50 * H)
    text = coating_over_forbidden(got)
    assert text == (
        "Coat 1 is past its recoat window for primer: wash, abrade and wipe before the next coat. "
        "Wash and test a patch before the next coat."
    )
    # A key lasts 24 h, cut before or after the window closed; common practice, no source.
    for at_h, over in ((25.0, True), (40.0, False), (49.0, False)):
        sanded = (*COATED, event(K.SANDED, at_h))
        after = clocks_of(None, sanded, SPECS, PRIMER, warm, T0 + 50 * H)
        assert bool(coating_over_forbidden(after)) is over
        closes = next(c for c in after if c.name is ClockName.RECOAT_CLOSES)
        assert closes.state is ClockState.ENDED
        assert ("its sanded key has been over for 1 h" in closes.basis) is over
        assert ("its key is open for another" in closes.basis) is not over
    assert coating_over_forbidden(clocks_of(None, COATED, SPECS, PRIMER, warm, T0 + 40 * H)) == ""


def test_recoat_goes_by_what_goes_on_next() -> None:
    laid = tuple(replace(e, spec="primer") for e in COATED)
    assert clocks(laid, steady(20.0), 2.0, spec=PRIMER)[
        ClockName.RECOAT_CLOSES
    ].left_s == pytest.approx(46 * H)
    got = clocks(laid, steady(20.0), 2.0, spec=TOP)[ClockName.RECOAT_CLOSES]
    assert got.left_s == pytest.approx(34 * H)
    assert got.spec == "primer"
    assert got.next_spec == "top"
    named = replace(TOP, name="fast-top")  # a spec's own name outranks its family
    assert clocks(laid, steady(20.0), 2.0, spec=named)[
        ClockName.RECOAT_CLOSES
    ].left_s == pytest.approx(18 * H)


def test_recoat_goes_by_the_mix_in_hand_and_names_its_paint() -> None:
    """As for the call's `start`, whose next coat is that of the mix, else the enclosure's."""
    laid = tuple(replace(e, spec="primer") for e in COATED)
    pots = (event(K.MIXED, 1.5, spec="top"), event(K.MIXED, 1.6, section="deck", spec="primer"))
    left_h = {"primer": 46.0, "top": 34.0}  # PRIMER's own rows at 20 degC, begun 2 h ago
    ended = event(K.POT_ENDED, 1.8)
    for events, paint in (
        (laid, "primer"),
        ((*laid, *pots), "top"),
        ((*laid, *pots, ended), "primer"),
        ((event(K.MIXED, -1.0, spec="top"), *laid), "primer"),  # it went into that coat
    ):
        found = clocks(events, steady(20.0), 2.0, section="hull")
        closes = found[ClockName.RECOAT_CLOSES]
        assert closes.next_spec == found[ClockName.RECOAT_OPENS].next_spec == paint
        assert closes.left_s == pytest.approx(left_h[paint] * H)
        assert found[ClockName.TOUCH_DRY].next_spec == ""
    # TOP's pot life is on no sheet, so that it counts for 6 h; KEEP_MIX_S, our own choice.
    later = clocks((*laid, pots[0]), steady(20.0), 7.6, section="hull")
    assert later[ClockName.RECOAT_CLOSES].next_spec == "primer"
    # What is being begun outranks what stands mixed beside it.
    asked = clocks_of("hull", (*laid, *pots), SPECS, PRIMER, steady(20.0), T0 + 2 * H, over=PRIMER)
    (closes,) = [c for c in asked if c.name is ClockName.RECOAT_CLOSES]
    assert closes.next_spec == "primer"


def test_a_sheet_with_one_recoat_window_names_no_paint() -> None:
    laid = tuple(replace(e, spec="top") for e in COATED)
    found = clocks(laid, steady(20.0), 2.0)
    assert found[ClockName.RECOAT_OPENS].next_spec == ""


def test_a_film_keeps_the_spec_that_it_was_laid_with() -> None:
    laid = (replace(COATED[0], spec="primer"), COATED[1])
    got = clocks(laid, steady(20.0), 3.0, spec=TOP)
    assert got[ClockName.TOUCH_DRY].left_s == pytest.approx(2 * H)
    mixed = (event(K.MIXED, -0.5, spec="primer", batch="a"), *COATED)
    assert clocks(mixed, steady(20.0), 3.0, spec=TOP)[ClockName.TOUCH_DRY].spec == "primer"


def test_a_spec_that_nobody_has_runs_no_clock_and_is_named() -> None:
    laid = (replace(COATED[0], spec="lost"), COATED[1])
    got = clocks(laid, steady(20.0), 3.0)
    assert got[ClockName.CURED].state is ClockState.UNKNOWN
    assert got[ClockName.CURED].basis.startswith("spec 'lost' is not among the specs given")


def test_pot_life_runs_at_the_warmest_and_induction_at_the_coldest_together() -> None:
    events = (event(K.MIXED, 0.0, batch="a", amount_ml=500.0),)
    got = clocks(events, steady(10.0, warmest_c=12.0, air_c=20.0), 0.1)
    assert got[ClockName.POT_LIFE].left_s == pytest.approx(3.9 * H)  # 4 h at 20 degC air
    assert got[ClockName.INDUCTION].left_s == pytest.approx(0.4 * H)  # 0.5 h at 10 degC
    assert got[ClockName.POT_LIFE].batch == "a"
    got = clocks(events, steady(20.0), 4.5)
    assert got[ClockName.POT_LIFE].state is ClockState.ENDED
    assert got[ClockName.POT_LIFE].advice == "Pot life over. Do not use or thin what is left."


def test_a_hand_measured_mix_counts_with_its_accuracy() -> None:
    events = (
        event(K.MIXED, 0.0, batch="a", amount_ml=500.0),
        event(K.MEASURED, 0.1, what="mix-temperature", value=29.0, unit="degC", batch="a"),
    )
    got = clocks(events, steady(20.0), 0.5)
    assert got[ClockName.POT_LIFE].left_s == pytest.approx(1.5 * H)  # 2 h at 29 + 1 degC
    assert got[ClockName.INDUCTION].state is ClockState.ENDED  # air-less, at the 20 degC surface
    odd = (events[0], replace(events[1], unit="K"))
    assert "mix temperature in 'K' not understood" in (
        clocks(odd, steady(20.0), 0.5)[ClockName.POT_LIFE].basis
    )


def test_a_bigger_pot_lives_shorter_and_an_unrecorded_amount_runs_by_the_sheets_table() -> None:
    for amount, factor in ((999.0, 1.0), (1000.0, 0.8), (3500.0, 0.6), (None, 1.0)):
        events = (event(K.MIXED, 0.0, amount_ml=amount),)
        clock = clocks(events, steady(20.0), 0.5)[ClockName.POT_LIFE]
        assert clock.left_s == pytest.approx(4 * H * factor - 0.5 * H)
    said = "amount not recorded, so the sheet's own time; from 1000 mL on a pot sets sooner"
    assert said in clock.basis
    told = clocks((event(K.MIXED, 0.0, amount_ml=500.0),), steady(20.0), 0.5)
    assert "pot sets sooner" not in told[ClockName.POT_LIFE].basis


def test_a_film_without_a_surface_probe_goes_by_the_air_as_assumed_and_says_so() -> None:
    nothing = np.full(49, np.nan)
    log = TemperatureHistory(
        time_s=T0 + np.arange(-1.0, 48.0) * 0.5 * H,
        coldest_c=nothing,
        warmest_c=nothing,
        air_coldest_c=np.full(49, 20.0),
        air_warmest_c=np.full(49, 24.0),
    )
    events = (*COATED, event(K.MIXED, 0.0, amount_ml=500.0))
    got = clocks(events, log, 2.0)
    assert got[ClockName.TOUCH_DRY].advice.startswith("Not counting"), "nobody stated an offset"
    # 3 K under an air of 20 and 24 °C: 17 and 21 °C, each known to hypot(0.3, 2) = 2.022 K.
    film = with_assumed_surface(log, AssumedSurface(-3.0, 2.0))
    same = replace(steady(17.0, warmest_c=21.0), accuracy_k=2.0224)
    assumed, measured = clocks(events, film, 2.0), clocks(events, same, 2.0)
    words = "; no surface probe: surface assumed 3 K under the air"
    for name in (ClockName.TOUCH_DRY, ClockName.CURED, ClockName.RECOAT_CLOSES):
        assert assumed[name].left_s == pytest.approx(measured[name].left_s, rel=1e-3)
        assert words in assumed[name].basis
        assert words not in measured[name].basis
    pot = assumed[ClockName.POT_LIFE]
    assert pot == got[ClockName.POT_LIFE], "the pot stands in the air, which is measured"
    waiting = clocks(events[:1], film, 0.2)[ClockName.CURED]
    assert (waiting.state, words in waiting.basis) == (ClockState.WAITING, True)
    warm = clocks(COATED, with_assumed_surface(log, AssumedSurface(0.0, 2.0)), 2.0)
    assert "surface assumed as warm as the air" in warm[ClockName.CURED].basis


def test_a_second_batch_has_its_own_clock_and_a_sessions_end_ends_no_pot() -> None:
    """A pot ends used, thrown away or dead: what is in it goes on setting when a job is over."""
    events = (
        event(K.MIXED, 0.0, batch="a", amount_ml=500.0),
        event(K.MIXED, 2.0, batch="b", amount_ml=500.0),
    )
    found = clocks_of(None, events, SPECS, PRIMER, steady(20.0), T0 + 3 * H)
    left = {c.batch: c.left_s for c in found if c.name is ClockName.POT_LIFE}
    assert left == {"a": pytest.approx(1 * H), "b": pytest.approx(3 * H)}
    over = (*events, event(K.SESSION_ENDED, 2.9))
    assert clocks_of(None, over, SPECS, PRIMER, steady(20.0), T0 + 3 * H) == found
    away = (*over, event(K.POT_ENDED, 2.95))
    assert clocks_of(None, away, SPECS, PRIMER, steady(20.0), T0 + 3 * H) == ()


def test_tape_has_two_bounds_and_days_count_from_tape_on() -> None:
    events = (event(K.TAPE_ON, -115.0), *COATED)
    got = clocks(events, steady(20.0), 2.0)
    assert got[ClockName.TAPE_NOT_BEFORE].left_s == pytest.approx(3 * H)
    # 120 h from tape-on end at +5 h, sooner than the table's 24 h from coat-started.
    assert got[ClockName.TAPE_NOT_AFTER].ends_at_s == pytest.approx(T0 + 5 * H)
    assert "counted from tape-on" in got[ClockName.TAPE_NOT_AFTER].basis
    got = clocks(events, steady(20.0), 6.0)
    assert got[ClockName.TAPE_NOT_AFTER].state is ClockState.ENDED
    assert got[ClockName.TAPE_NOT_AFTER].advice.startswith("Tape past its time")
    fresh = (event(K.TAPE_ON, -1.0), *COATED)
    assert clocks(fresh, steady(20.0), 2.0)[ClockName.TAPE_NOT_AFTER].left_s == pytest.approx(
        22 * H
    )
    off = (*fresh, event(K.TAPE_OFF, 5.5))
    got = clocks(off, steady(20.0), 6.0)
    assert ClockName.TAPE_NOT_AFTER not in got
    assert ClockName.TAPE_NOT_BEFORE not in got


def test_days_of_tape_do_not_run_without_tape_on() -> None:
    clock = clocks(COATED, steady(20.0), 2.0)[ClockName.TAPE_NOT_AFTER]
    assert clock.basis.endswith("not counted: tape-on was never recorded")
    late = clocks(COATED, steady(20.0), 60.0)[ClockName.TAPE_NOT_AFTER]
    assert late.advice.startswith("No tape-on was recorded; if tape is on: tape past its time")
    days_only = replace(
        PRIMER, times={k: v for k, v in PRIMER.times.items() if k is not ClockName.TAPE_NOT_AFTER}
    )
    clock = clocks(COATED, steady(20.0), 2.0, spec=days_only)[ClockName.TAPE_NOT_AFTER]
    assert clock.state is ClockState.UNKNOWN
    before = clocks((event(K.TAPE_ON, 0.0),), steady(20.0), 2.0, spec=days_only)
    assert before[ClockName.TAPE_NOT_AFTER].left_s == pytest.approx(5 * DAY - 2 * H)


def test_wipe_dry_runs_from_the_wipe_until_the_coat() -> None:
    got = clocks((event(K.WIPED, 0.0),), steady(20.0), 0.1)
    assert got[ClockName.WIPE_DRY].left_s == pytest.approx(0.15 * H)
    coated = (event(K.WIPED, 0.0), event(K.COAT_STARTED, 1.0))
    assert ClockName.WIPE_DRY not in clocks(coated, steady(20.0), 1.1)


def test_clearance_is_the_users_own_figure_and_never_computed() -> None:
    own = event(K.MEASURED, -5.0, what="clearance", value=30.0, unit="min")
    got = clocks((own, *COATED), steady(20.0), 1.2)[ClockName.CLEARANCE]
    assert got.section is None
    assert got.left_s == pytest.approx(18 * 60.0)
    assert got.basis == ("30 min, your own figure from your own test")
    # It is as long in the cold: no temperature enters.
    cold = clocks((own, *COATED), steady(5.0), 1.2)[ClockName.CLEARANCE]
    assert cold.left_s == got.left_s
    # Another section's coat fouls the same air.
    elsewhere = tuple(replace(e, section="hull-stbd") for e in COATED)
    assert (
        clocks((own, *elsewhere), steady(20.0), 1.2, "hull-port")[ClockName.CLEARANCE].state
        is ClockState.RUNNING
    )
    assert ClockName.CLEARANCE not in clocks(COATED, steady(20.0), 1.2)
    sprayed = (replace(COATED[0], method=Method.GUN), COATED[1])
    unknown = clocks(sprayed, steady(20.0), 1.2)[ClockName.CLEARANCE]
    assert unknown.state is ClockState.UNKNOWN
    assert "no program can work it out" in unknown.basis
    odd = replace(own, unit="furlong")
    assert "not a length" in clocks((odd, *COATED), steady(20.0), 1.2)[ClockName.CLEARANCE].basis


def test_launch_is_warned_about_while_cured_runs() -> None:
    running = clocks_of(None, COATED, SPECS, PRIMER, steady(20.0), T0 + 24 * H)
    assert launch_warning(running) == (
        "coat 1 has not cured, 6 d 1 h left at this temperature: water or load on it now may "
        "blister, mark or lift it"
    )
    launched = (*COATED, event(K.BACK_IN_SERVICE, 24.0))
    later = clocks(launched, steady(20.0, 300.0), 299.0)[ClockName.CURED]
    assert later.state is ClockState.RUNNING  # the tent's sensors no longer see the film
    assert later.advice.startswith("Back in service before it had cured")
    cured = clocks_of(None, COATED, SPECS, PRIMER, steady(20.0, 200.0), T0 + 180 * H)
    assert launch_warning(cured) == ""
    assert next(c for c in cured if c.name is ClockName.CURED).advice == PRIMER.reminder


def test_another_product_that_cures_under_the_new_coat_keeps_its_clock() -> None:
    events = (
        replace(COATED[0], spec="primer"),
        COATED[1],
        event(K.COAT_STARTED, 10.0, spec="top"),
        event(K.COAT_ENDED, 11.0),
    )
    found = clocks_of(None, events, SPECS, TOP, steady(20.0, 150.0), T0 + 140 * H)
    cured = {c.buried: c for c in found if c.name is ClockName.CURED}
    assert cured[False].state is ClockState.ENDED
    assert cured[False].coat == 2
    assert cured[True].left_s == pytest.approx(29 * H)
    assert cured[True].coat == 1
    same = tuple(replace(e, spec=None) for e in events)
    assert not any(
        c.buried for c in clocks_of(None, same, SPECS, TOP, steady(20.0, 150.0), T0 + 14 * H)
    )


def test_sections_have_their_own_films_and_share_what_is_shared() -> None:
    events = (
        event(K.MIXED, 0.0, batch="a", amount_ml=500.0),
        event(K.COAT_STARTED, 0.5, section="hull-port"),
        event(K.COAT_ENDED, 1.0, section="hull-port"),
    )
    now = T0 + 2 * H
    port = clocks_of("hull-port", events, SPECS, PRIMER, steady(15.0), now)
    stbd = clocks_of("hull-stbd", events, SPECS, PRIMER, steady(20.0), now)
    assert not any(c.name is ClockName.TOUCH_DRY for c in stbd)
    both = merge_clocks((port, stbd))
    pots = [c for c in both if c.name is ClockName.POT_LIFE]
    assert len(pots) == 1
    assert pots[0].left_s == pytest.approx(2 * H)


def test_late_corrected_and_withdrawn_events_count_as_if_told_in_time() -> None:
    told = tuple(replace(e, row=n) for n, e in enumerate(COATED, start=1))
    late = replace(told[1], time_s=T0 + 2 * H, row=3, corrects=2, recorded_s=T0 + 9 * H)
    got = clocks((*told, late), steady(20.0), 3.0)
    assert got[ClockName.TOUCH_DRY].left_s == pytest.approx(3 * H)
    gone = replace(told[0], row=4, corrects=1, withdrawn=True)
    assert clocks((*told, gone), steady(20.0), 3.0)[ClockName.RECOAT_CLOSES].state is (
        ClockState.UNKNOWN
    )
    shuffled = clocks((late, told[1], told[0]), steady(20.0), 3.0)
    assert shuffled == got
    # What is told of later than now has not happened yet.
    assert ClockName.TOUCH_DRY not in clocks(COATED, steady(20.0), -0.5)


def test_late_readings_count_as_if_they_had_come_in_time() -> None:
    whole = steady(20.0, 6.0)
    holed = steady(20.0, 6.0, holes=((2.0, 5.0),))
    order = np.argsort(np.concatenate((holed.time_s, whole.time_s)), kind="stable")
    time = np.concatenate((holed.time_s, whole.time_s))[order]
    fixed = TemperatureHistory(
        time, np.full(time.size, 20.0), np.full(time.size, 20.0), 0.0, 1800.0
    )
    for name, clock in clocks(COATED, fixed, 6.0).items():
        assert clock.left_s == pytest.approx(clocks(COATED, whole, 6.0)[name].left_s)


def test_nan_is_not_known() -> None:
    history = steady(20.0, 6.0)
    cold = history.coldest_c.copy()
    cold[(history.time_s > T0 + 2 * H) & (history.time_s < T0 + 5 * H)] = np.nan
    got = clocks(COATED, replace(history, coldest_c=cold), 6.0)
    assert "3 h not measured" in got[ClockName.CURED].basis
    assert "not measured" not in got[ClockName.RECOAT_CLOSES].basis


def test_the_outlook_gives_its_own_time_left_and_range() -> None:
    ahead = T0 + 2 * H + np.arange(0.0, 48.0) * H
    outlook = TemperatureOutlook(ahead, np.full(48, 10.0), np.full(48, 10.0), np.full(48, 20.0))
    clock = clocks(COATED, steady(20.0, 2.0), 2.0, outlook=outlook)[ClockName.RECOAT_OPENS]
    assert clock.left_s == pytest.approx(7 * H)
    assert clock.left_outlook_s is not None
    # 7/8 of 16 h at 10 degC, less what the step from 20 to 10 degC within the first hour gives.
    assert 13 * H < clock.left_outlook_s <= 14 * H
    span = clock.ends_at_range_s
    assert clock.ends_at_s == pytest.approx(T0 + 2 * H + clock.left_outlook_s)
    assert span is not None
    assert span[0] == pytest.approx(T0 + 9 * H)
    assert span[1] == pytest.approx(clock.ends_at_s)


def test_a_pause_and_a_second_end_stay_in_one_coat() -> None:
    paused = (
        event(K.COAT_STARTED, 0.0),
        event(K.COAT_STARTED, 2.0),
        event(K.COAT_ENDED, 3.0),
        event(K.COAT_ENDED, 3.5),
    )
    got = clocks(paused, steady(20.0), 4.0)
    assert got[ClockName.RECOAT_CLOSES].started_s == T0
    assert got[ClockName.TOUCH_DRY].started_s == T0 + 3.5 * H
    assert got[ClockName.TOUCH_DRY].coat == 1


def test_nothing_done_gives_no_clocks_and_a_spec_without_times_clocks_that_say_so() -> None:
    assert clocks((), steady(20.0), 3.0) == {}
    told = clocks(COATED, steady(20.0), 3.0, spec=GENERAL_GUIDANCE)
    assert {clock.state for clock in told.values()} == {ClockState.UNKNOWN}
    assert {clock.basis for clock in told.values()} == {
        "spec 'general-guidance' gives no times, so this clock does not run"
    }
    assert history_wanted_from_s(None, (), T0) is None
    assert history_wanted_from_s(None, COATED, T0 + DAY) == T0 - 2.0 * DAY


def test_the_next_to_end_comes_first() -> None:
    found = clocks_of(None, COATED, SPECS, PRIMER, steady(20.0), T0 + 3 * H)
    running = [c.ends_at_s for c in found if c.state is ClockState.RUNNING]
    assert running == sorted(running, key=lambda s: s or 0.0)
    assert found[0].name in (ClockName.TOUCH_DRY, ClockName.TAPE_NOT_BEFORE)


def test_touch_dry_uses_a_table_of_one_row() -> None:
    spec = replace(PRIMER, times={ClockName.TOUCH_DRY: table((15, 5))})
    got = clocks(COATED, steady(20.0), 3.0, spec=spec)
    assert got[ClockName.TOUCH_DRY].left_s == pytest.approx(3 * H)  # no faster than its row


def _begin_of(history: TemperatureHistory, count: int) -> TemperatureHistory:
    cut = {name: getattr(history, name)[:count] for name in ("time_s", "coldest_c", "warmest_c")}
    return replace(history, **cut)


@pytest.mark.parametrize("seed", range(4))
def test_no_later_temperature_changes_settled_clocks(seed: int) -> None:
    # No source: that a clock which has ended is not taken back is the program's own rule.
    rng = np.random.default_rng(seed)
    time_s = T0 - 24.0 * H + np.arange(0.0, 720.0 * H, 600.0)
    surface_c = 22.0 + 6.0 * np.sin(time_s / 86_400.0 * 2.0 * np.pi) + rng.normal(0, 1, time_s.size)
    for begin in rng.integers(0, time_s.size, 8):
        surface_c[begin : begin + rng.integers(5, 90)] = np.nan
    whole = TemperatureHistory(time_s, surface_c, surface_c + 0.5)
    wanted = clocks_of(None, COATED, SPECS, PRIMER, whole, float(time_s[-1]))
    sure = []
    for count in range(24, time_s.size, 144):
        part = _begin_of(whole, count)
        found = clocks_of(None, COATED, SPECS, PRIMER, part, float(time_s[-1]))
        if settled(found, part):
            sure.append(count)
            assert found == wanted
    last_end_s = max(clock.ended_at_s or math.inf for clock in wanted)
    early = [count for count in sure if time_s[count - 1] < last_end_s]
    assert (bool(sure), early) == (math.isfinite(last_end_s), [])


def test_the_log_is_read_to_now_where_the_last_coat_is_young() -> None:
    ends = history_ends_s(None, COATED, T0 + 9.0 * DAY)
    assert list(ends) == [T0 + 9.0 * DAY]
    later = history_ends_s(None, COATED, T0 + 50.0 * DAY)
    assert list(later) == [T0 + 10.0 * DAY, T0 + 20.0 * DAY, T0 + 40.0 * DAY, T0 + 50.0 * DAY]
