"""What to mix: volume-solids arithmetic, batches within their pot life, and what is refused."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.batch.amount import (
    Film,
    coverage_m2_per_l,
    dry_film_um,
    learned_rate_m2_per_h,
    mix_for_area_ml,
    own_rate,
    parts_of,
)
from rules.batch.plan import RESERVE, BatchFault, MixJob, plan_batches
from rules.events import Event
from rules.spec.model import FilmThickness, Mix, ThinnerBand
from rules.vocabulary import ClockName, EventKind, Method
from tests.support.clock_material import MIX, PRIMER, T0, H, event, table
from tests.tables_reader import rows

BANDS = (
    ThinnerBand(Method.ROLLER, 10.0, 20.0, 0.0, 5.0),
    ThinnerBand(Method.ROLLER, 20.0, 35.0, 5.0, 10.0),
    ThinnerBand(None, 10.0, 35.0, 10.0, 15.0),
)
SPEC = replace(PRIMER, mix=replace(MIX, thinner_bands=BANDS), pot_sizes=())
DRY = Film(50.0, wet=False)


def job(**more: Any) -> MixJob:
    given_: dict[str, Any] = {
        "spec": SPEC,
        "film": DRY,
        "sections": (("all", 10.0),),
        "loss_pct": 0.0,
        "rate_m2_per_h": 5.0,
    }
    return MixJob(**{**given_, **more})


@pytest.mark.parametrize("row", rows("film_amount"), ids=lambda r: r["case"])
def test_paint_for_an_area(row: dict[str, str]) -> None:
    film = Film(float(row["thickness_um"]), row["wet"] == "yes")
    got = mix_for_area_ml(
        film,
        float(row["solids_pct"]),
        float(row["thinner_pct"]),
        float(row["area_m2"]),
        float(row["loss_pct"]),
    )
    assert got == pytest.approx(float(row["mix_ml"]), abs=float(row["tolerance"]))


def test_us_coverage_rule_agrees() -> None:
    # 1604 ft2 a US gallon at 1 mil and 100 % solids: coating-inspection texts, from memory,
    # printed to 4 digits. 1 ft2 = 0.09290304 m2 and 1 US gal = 3.785411784 L by definition.
    m2_per_l = 1604.0 * 0.09290304 / 3.785411784
    assert coverage_m2_per_l(100.0, 25.4) == pytest.approx(m2_per_l, rel=5e-4)
    assert dry_film_um(120.0, 50.0, 20.0) == pytest.approx(50.0)


def test_parts_by_volume_and_by_weight() -> None:
    got = parts_of(MIX, 1000.0, 10.0)
    assert got is not None
    assert (got.base_ml, got.hardener_ml, got.thinner_ml) == pytest.approx((750.0, 250.0, 100.0))
    assert (got.base_g, got.hardener_g, got.thinner_g) == pytest.approx((1050.0, 250.0, 87.0))
    # By hand: 5:1 by weight at 1.5 and 1.0 g/mL is 500/1.5 = 333.33 mL to 100 mL; of 1300 mL that
    # is 1000 mL and 300 mL, 1500 g and 300 g.
    heavy = replace(MIX, by="weight", base_parts=5.0, base_density_g_per_ml=1.5)
    got = parts_of(heavy, 1300.0, 0.0)
    assert got is not None
    assert (got.base_ml, got.hardener_ml) == pytest.approx((1000.0, 300.0))
    assert (got.base_g, got.hardener_g) == pytest.approx((1500.0, 300.0))
    one_pack = parts_of(replace(MIX, hardener_parts=0.0, base_parts=1.0), 500.0, 0.0)
    assert one_pack is not None
    assert (one_pack.base_ml, one_pack.hardener_ml, one_pack.hardener_g) == (500.0, 0.0, 0.0)


def test_a_job_worked_by_hand() -> None:
    """10 m2 of 50 um dry at 50 %: 1 L a coat. At 20 degC the pot lives 4 h and stands 15 min, so
    3.75 h less a tenth, 3.375 h, are for use: 16.9 m2 at 5 m2/h, so one batch does."""
    plan = plan_batches(job(coats=2), 20.0)
    at = plan.present
    assert at.thinner_pct == 5.0  # the least of the warmer band, where two meet at 20 degC
    assert at.total.mix_ml == pytest.approx(1000.0)
    assert at.total.thinner_ml == pytest.approx(50.0)
    assert at.pot_life_s == pytest.approx(4 * H)
    assert at.induction_s == pytest.approx(0.25 * H)
    assert at.usable_s == pytest.approx(3.375 * H)
    assert len(at.batches) == 1
    assert at.batches[0].use_s == pytest.approx(2 * H)
    # 50 um dry of 50 % solids with 5 % thinner are 105 um wet, more than a roller's 100 um.
    (warning,) = at.warnings
    assert "105 µm wet by roller" in warning
    assert plan.forecast is None


def test_hotter_takes_more_and_smaller_batches() -> None:
    """At 30 degC: 2 h less 15 min less a tenth is 1.575 h, 7.875 m2; two batches of 5 m2."""
    plan = plan_batches(job(), 15.0, 30.0)
    assert plan.forecast is not None
    assert len(plan.present.batches) == 1
    assert [b.area_m2 for b in plan.forecast.batches] == pytest.approx([5.0, 5.0])
    assert plan.forecast.batches[0].parts.mix_ml == pytest.approx(500.0)
    assert [b.clean_stop for b in plan.forecast.batches] == [False, True]
    assert any("end inside a section" in w for w in plan.forecast.warnings)


def test_stopping_lines_fall_between_sections_where_they_can() -> None:
    sections = (("port", 4.0), ("transom", 1.5), ("stbd", 4.0), ("deck", 12.0))
    batches = plan_batches(job(sections=sections), 30.0).present.batches  # 7.875 m2 at most
    assert [b.covers for b in batches] == [
        ("port", "transom"),
        ("stbd",),
        ("deck (1 of 2)",),
        ("deck (2 of 2)",),
    ]
    assert [b.clean_stop for b in batches] == [True, True, False, True]
    assert math.fsum(b.area_m2 for b in batches) == pytest.approx(21.5)


def test_a_bigger_pot_that_dies_sooner_is_made_smaller() -> None:
    """At 30 degC and 10 m2/h a small pot has 15.75 m2 or 1654 mL with 5 % thinner in time, but
    from 1 L on the pot lives 0.8 x 2 h: 1.35 h x 0.9 = 1.215 h, 12.15 m2, 1276 mL."""
    spec = replace(SPEC, pot_sizes=PRIMER.pot_sizes)
    at = plan_batches(job(spec=spec, sections=(("all", 24.0),), rate_m2_per_h=10.0), 30.0).present
    assert [b.parts.total_ml for b in at.batches] == pytest.approx([1260.0, 1260.0])
    assert at.pot_life_s == pytest.approx(1.6 * H)
    slow = plan_batches(job(spec=spec, rate_m2_per_h=5.0), 30.0).present
    assert slow.pot_life_s == pytest.approx(2 * H)  # 500 mL pots stay under the first size


def test_the_pot_and_the_sheets_largest_batch_bound_a_batch() -> None:
    at = plan_batches(job(pot_ml=400.0), 15.0).present
    assert len(at.batches) == 3
    assert max(b.parts.total_ml for b in at.batches) <= 400.0
    spec = replace(SPEC, mix=replace(SPEC.mix or MIX, max_batch_ml=250.0))
    assert len(plan_batches(job(spec=spec), 15.0).present.batches) == 4


def test_an_asked_batch_size_is_kept_or_refused() -> None:
    at = plan_batches(job(batch_ml=500.0), 15.0).present
    assert [b.parts.total_ml for b in at.batches] == pytest.approx([500.0, 500.0])
    with pytest.raises(BatchFault, match=r"more than the 827 mL that you use within its pot life"):
        plan_batches(job(batch_ml=900.0), 30.0)  # 7.875 m2 x 105 mL


def test_an_unknown_rate_is_said_and_the_specs_coating_time_counts() -> None:
    at = plan_batches(job(rate_m2_per_h=None), 15.0).present
    assert at.batches[0].use_s == pytest.approx(PRIMER.coating_time_s)
    assert at.warnings[0].startswith("your own pace is not known: taken as one coat in 1 h")


@pytest.mark.parametrize(
    ("thinner", "temp_c", "words"),
    [
        (3.0, 25.0, "5 to 10 % at 20 to 35 °C; 3 % is too little: it sets before it levels"),
        (12.0, 25.0, "5 to 10 % at 20 to 35 °C; 12 % is too much: it sags and runs"),
        (5.0, 37.0, "no figure at 37 °C for this method; never above 15 %"),
    ],
)
def test_outside_the_thinner_band_is_warned(thinner: float, temp_c: float, words: str) -> None:
    at = plan_batches(job(thinner_pct=thinner), temp_c).present
    assert f"thinner: {words}" in at.warnings
    assert at.band_words == words


def test_a_band_for_all_methods_counts_where_the_method_has_none() -> None:
    assert plan_batches(job(method=Method.GUN), 15.0).present.thinner_pct == 10.0


@pytest.mark.parametrize(
    ("more", "temp_c", "words"),
    [
        ({"ratio": (1.0, 3.0)}, 20.0, "ratio 1:3 is reversed against spec 'primer', which has 3:1"),
        ({"ratio": (4.0, 1.0)}, 20.0, "ratio 4:1 is not that of spec 'primer', 3:1 by volume"),
        ({"ratio": (0.0, 1.0)}, 20.0, "is no ratio"),
        ({"thinner_pct": 16.0}, 20.0, "thinner 16 % is above the sheet's 15 %"),
        ({"thinner_pct": -1.0}, 20.0, "below 0 %"),
        ({"thinner_pct": math.nan}, 20.0, "below 0 %"),
        ({"batch_ml": 900.0, "pot_ml": 750.0}, 20.0, "batch 900 mL is larger than your pot, 750"),
        ({"batch_ml": 4500.0}, 20.0, "larger than the sheet's largest, 4000 mL"),
        ({"sections": ()}, 20.0, "no area was given"),
        ({"sections": (("port", -1.0),)}, 20.0, "area of 'port' -1 m2 is outside"),
        ({"sections": (("port", math.nan),)}, 20.0, "area of 'port' nan m2 is outside"),
        ({"coats": 0}, 20.0, "coats 0 coats is outside 1 to 20"),
        ({"loss_pct": 100.0}, 20.0, "loss 100 % is outside 0 to 80 %"),
        ({"film": Film(1.0, wet=True)}, 20.0, "film 1 µm is outside 5 to 5000 µm"),
        ({"rate_m2_per_h": 0.0}, 20.0, "rate 0 m2 an hour is outside"),
        ({}, 80.0, "temperature 80 °C is outside -20 to 60 °C"),
        ({"spec": replace(PRIMER, mix=None)}, 20.0, "does not say how the parts go together"),
    ],
)
def test_impossible_or_dangerous_input_is_refused_by_name(
    more: dict[str, Any], temp_c: float, words: str
) -> None:
    with pytest.raises(BatchFault) as told:
        plan_batches(job(**more), temp_c)
    assert words in str(told.value)


def test_a_ratio_by_weight_needs_densities() -> None:
    spec = replace(SPEC, mix=replace(MIX, by="weight", base_density_g_per_ml=None))
    with pytest.raises(BatchFault, match="gives no densities"):
        plan_batches(job(spec=spec), 20.0)


def test_the_right_ratio_in_other_numbers_is_taken() -> None:
    assert plan_batches(job(ratio=(6.0, 2.0)), 20.0).present.batches


def test_a_pot_that_dies_before_it_may_be_used_is_refused() -> None:
    times = {**SPEC.times, ClockName.INDUCTION: table((10, 5), (30, 5))}
    with pytest.raises(BatchFault, match="lives 4 h in the pot but must stand 5 h first"):
        plan_batches(job(spec=replace(SPEC, times=times)), 20.0)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(0.5, 40.0), min_size=1, max_size=6),
    st.floats(8.0, 35.0),
    st.floats(1.0, 30.0),
    st.floats(300.0, 5000.0),
)
def test_every_batch_fits_its_pot_and_its_life_and_all_of_the_work_is_covered(
    areas: list[float], temp_c: float, rate: float, pot_ml: float
) -> None:
    spec = replace(SPEC, pot_sizes=PRIMER.pot_sizes)
    sections = tuple((f"s{n}", area) for n, area in enumerate(areas))
    at = plan_batches(
        job(spec=spec, sections=sections, rate_m2_per_h=rate, pot_ml=pot_ml), temp_c
    ).present
    assert math.fsum(b.area_m2 for b in at.batches) == pytest.approx(math.fsum(areas))
    assert math.fsum(b.parts.mix_ml for b in at.batches) == pytest.approx(at.total.mix_ml)
    assert at.usable_s is not None
    for batch in at.batches:
        assert batch.parts.total_ml <= pot_ml * (1 + 1e-6)
        assert batch.use_s is not None
        # `usable_s` is that of the biggest pot planned: the shortest of them.
        assert batch.use_s <= at.usable_s * (1 + 1e-6)
    assert pytest.approx(0.1) == RESERVE


K = EventKind


def coats(*times: tuple[float, float, str | None]) -> tuple[Event, ...]:
    told = []
    for start, end, section in times:
        told.append(event(K.COAT_STARTED, start, section=section, method=Method.ROLLER))
        told.append(event(K.COAT_ENDED, end, section=section))
    return tuple(told)


def test_the_rate_is_learned_from_earlier_coats() -> None:
    areas = {"port": 9.0, "stbd": 6.0}
    events = coats((0.0, 2.0, "port"), (3.0, 5.0, "stbd"), (30.0, 31.0, "port"))
    rate = own_rate(events, areas, T0 + 99 * H)
    assert rate is not None
    assert (rate.m2_per_h, rate.coats) == (4.5, 3)  # 4.5, 3 and 9 m2/h
    assert (rate.slowest_m2_per_h, rate.fastest_m2_per_h) == (3.0, 9.0)
    assert learned_rate_m2_per_h(events, areas, T0 + 99 * H) == 4.5
    assert learned_rate_m2_per_h(events, areas, T0 + 99 * H, Method.GUN) is None
    assert learned_rate_m2_per_h(coats((0.0, 3.0, None)), areas, T0 + 9 * H) == 5.0
    assert learned_rate_m2_per_h((), areas, T0) is None


def test_a_coat_that_cannot_have_taken_so_long_is_set_aside_and_counted() -> None:
    events = coats((0.0, 2.0, "port"), (20.0, 44.0, "port"))
    rate = own_rate(events, {"port": 8.0}, T0 + 99 * H)
    assert rate is not None
    assert (rate.m2_per_h, rate.set_aside) == (4.0, 1)


def test_a_mix_without_pot_life_is_bound_by_the_pot_alone() -> None:
    enamel = replace(
        SPEC,
        times={},
        mix=Mix("volume", 1.0, 0.0, None, None, None, 50.0, 10.0, (), None),
    )
    at = plan_batches(job(spec=enamel, pot_ml=600.0), 20.0).present
    assert (at.pot_life_s, at.usable_s, len(at.batches)) == (None, None, 2)
    assert at.batches[0].parts.base_g is None


@pytest.mark.parametrize(
    ("coats", "dry_um", "said"),
    [
        (1, 50.0, "film: the sheet asks for at least 2 coats; count what lies beneath"),
        (2, 50.0, "film: 2 coats make 100 µm dry; the sheet asks for at least 120 in all"),
        (3, 50.0, None),
        (4, 60.0, "film: 4 coats make 240 µm dry; the sheet has at most 200 in all"),
    ],
)
def test_all_coats_together_are_held_against_the_sheet(
    coats: int, dry_um: float, said: str | None
) -> None:
    """Sums by hand: 2 x 50, 3 x 50 and 4 x 60 against 120 to 200 µm and two coats at least."""
    film = FilmThickness(layers_min=2, total_dry_min_um=120.0, total_dry_max_um=200.0)
    plan = plan_batches(
        job(spec=replace(SPEC, film=film), coats=coats, film=Film(dry_um, wet=False)), 20.0
    )
    told = [each for each in plan.present.warnings if "in all" in each or "at least 2" in each]
    assert told == ([] if said is None else [said])


def test_a_sheet_that_allows_no_thinner_is_told_of_as_such() -> None:
    plan = plan_batches(job(spec=replace(SPEC, mix=replace(MIX, thinner_max_pct=0.0))), 20.0)
    assert plan.present.band_words == "none may be added"
    assert not [each for each in plan.present.warnings if "thinner" in each]
