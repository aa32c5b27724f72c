"""Causes ranked on invented jobs with a planted mistake, and on cases written out by hand.

`planted` was written and committed before the list of defects, without sight of it. While the
rules were made they were tried on seeds below 20. A first run on seeds 1000 to 1024 put the damp
air before the dew that came out of it in 4 of 25 nights of one plant; the rule that the same water
does not accuse twice came of that. These tests use seeds that no rule was made by.
"""

from __future__ import annotations

import dataclasses
import math

import pytest
from hand_case import HOUR, PRIMER, START, TOPCOAT, event, find_defect, hand_case, one_coat
from planted import CLEAN, PLANTS
from planted_log import asked, asked_blind, looked_back, shipped

from monitor.review.defects import shipped_defects
from rules.events import Event
from rules.review.causes import Finding, verdict_of, verdicts_of
from rules.review.climate_arrays import temperature_history
from rules.review.coats import CoatRecord, coats_of
from rules.review.defects import Sign
from rules.review.exposure import ClimateSeries
from rules.review.windows import WindowName, WindowOutcome
from rules.vocabulary import EventKind, Method

SEEDS = range(2000, 2025)
HEAT = frozenset((Sign.HIGH_SURFACE, Sign.HIGH_AIR))

# What was planted, what is seen afterwards, and what must come first. The oven of hot-brushing is
# hot in its air and on its hull.
EXPECTED = [
    ("dew-on-epoxy", "amine-bloom", {Sign.LOW_MARGIN}),
    ("damp-over-epoxy", "amine-bloom", {Sign.HIGH_HUMIDITY}),
    ("cold-dry-epoxy", "amine-bloom", {Sign.LOW_SURFACE}),
    ("fuel-heater-epoxy", "amine-bloom", {Sign.HIGH_CO2}),
    ("dew-on-topcoat", "moisture-blush", {Sign.LOW_MARGIN}),
    ("damp-over-topcoat", "moisture-blush", {Sign.HIGH_HUMIDITY}),
    ("damp-over-topcoat", "bubbles", {Sign.HIGH_HUMIDITY}),
    ("heated-too-soon", "solvent-pop", {Sign.SURFACE_RISE}),
    ("coated-too-soon", "solvent-pop", {Sign.RECOAT_EARLY}),
    ("hot-brushing", "brush-marks", HEAT),
    ("stale-pot", "brush-marks", {Sign.POT_OVER}),
    ("cold-cure", "soft-cure", {Sign.LOW_SURFACE}),
    ("coated-too-soon", "soft-cure", {Sign.RECOAT_EARLY}),
    ("late-recoat", "poor-adhesion", {Sign.RECOAT_LATE}),
    ("dew-under-second-coat", "poor-adhesion", {Sign.WET_BEFORE}),
    ("old-tape", "tape-residue", {Sign.TAPE_LATE}),
]


@pytest.mark.parametrize(("plant", "defect", "signs"), EXPECTED)
def test_the_planted_cause_comes_first(plant: str, defect: str, signs: set[Sign]) -> None:
    verdicts = [asked(PLANTS[plant](seed), defect) for seed in SEEDS]
    first = [v.ranked[0].cause.sign if v.ranked else None for v in verdicts]
    right = sum(sign in signs for sign in first)
    assert right >= 0.95 * len(SEEDS), first
    assert all(v.answer is Finding.SUPPORTED for v in verdicts if v.ranked)


@pytest.mark.parametrize("name", CLEAN)
def test_clean_jobs_are_accused_of_nothing(name: str) -> None:
    accused = asked_of = 0
    for seed in SEEDS:
        for verdict in asked_blind(CLEAN[name](seed)):
            if verdict.answer is Finding.NOT_SHOWN:
                continue
            asked_of += 1
            accused += bool(verdict.ranked)
    assert asked_of >= 7 * len(SEEDS)
    assert accused <= 0.02 * asked_of


@pytest.mark.parametrize("defect", ["dust-nibs", "tape-bleed"])
@pytest.mark.parametrize("plant", [*PLANTS, *CLEAN])
def test_what_a_log_of_air_cannot_show_it_says_it_cannot_show(plant: str, defect: str) -> None:
    verdict = asked((PLANTS | CLEAN)[plant](2000), defect)
    assert verdict.answer is Finding.NOT_SHOWN
    assert verdict.ranked == ()


def test_every_supported_cause_is_backed_by_figures_with_times() -> None:
    for plant, defect, _ in EXPECTED:
        job = PLANTS[plant](2000)
        for evidence in asked(job, defect).ranked:
            source = evidence.via or evidence
            if source.beyond is not None:
                found = source.beyond
                assert found.first_s is not None
                assert job.time_s[0] <= found.first_s < (found.last_s or 0.0) <= job.time_s[-1] + 60
                assert found.depth > 0.0
                assert found.beyond_s >= 600.0
            else:
                assert source.window is not None
                assert source.window.missed_s > 0.0


# --- cases written out by hand ----------------------------------------------------------------


def test_four_hours_of_dew_on_a_fresh_primer_by_hand() -> None:
    # 12 °C and 96 %: dew point 11.38 °C (WMO-No. 8 form, by hand). Hull at 10.9 °C: 0.48 K under
    # it, 3.48 K short of the 3 K that ISO 8502-4 guides to; four hours of it are 13.9 K h.
    ln = math.log(0.96) + 17.62 * 12.0 / (243.12 + 12.0)
    dew_c = 243.12 * ln / (17.62 - ln)
    coats, series = hand_case(PRIMER, nights=[(14.0, 18.0, 12.0, 96.0, 10.9)])
    verdict = verdict_of(find_defect("amine-bloom"), coats, series)
    first = verdict.ranked[0]
    assert (first.cause.sign, first.supports) == (Sign.LOW_MARGIN, True)
    assert first.beyond is not None
    assert first.beyond.beyond_s == 4 * HOUR
    assert first.beyond.exposure == pytest.approx(4 * (3.0 - (10.9 - dew_c)), abs=0.2)
    assert first.beyond.first_s == START + 14 * HOUR
    assert first.beyond.last_s == START + 18 * HOUR
    assert verdict.ranked[1].cause.sign is Sign.HIGH_HUMIDITY


def test_the_same_dew_after_the_film_can_be_handled_is_not_blamed() -> None:
    # The generic primer at 20 °C can be handled after 24 h; this dew comes on the third day.
    coats, series = hand_case(PRIMER, nights=[(62.0, 66.0, 12.0, 96.0, 10.9)])
    verdict = verdict_of(find_defect("amine-bloom"), coats, series)
    assert verdict.answer is Finding.AGAINST
    assert {e.cause.sign for e in verdict.cleared} >= {Sign.LOW_MARGIN, Sign.HIGH_HUMIDITY}


def test_the_same_dew_before_the_coat_is_not_blamed_for_bloom() -> None:
    coats, series = hand_case(PRIMER, nights=[(2.0, 6.0, 12.0, 96.0, 10.9)])
    assert verdict_of(find_defect("amine-bloom"), coats, series).answer is Finding.AGAINST


def test_dew_on_a_topcoat_counts_until_it_can_be_handled() -> None:
    # Two-pack polyurethane minds water until it is handled (24 h at 20 °C, generic); after it water
    # only slows its cure: common practice, no source.
    coats, series = hand_case(TOPCOAT, nights=[(14.0, 18.0, 12.0, 96.0, 10.9)])
    verdict = verdict_of(find_defect("moisture-blush"), coats, series)
    assert verdict.ranked[0].cause.sign is Sign.LOW_MARGIN
    coats, series = hand_case(TOPCOAT, nights=[(62.0, 66.0, 12.0, 96.0, 10.9)])
    late = verdict_of(find_defect("moisture-blush"), coats, series)
    assert late.answer is Finding.AGAINST


def test_without_a_coat_there_is_nothing_that_could_have_a_defect() -> None:
    _, series = hand_case(TOPCOAT, nights=[(14.0, 18.0, 12.0, 96.0, 10.9)])
    for name in ("amine-bloom", "poor-adhesion"):
        assert verdict_of(find_defect(name), (), series).answer is Finding.NO_COAT


def test_a_topcoat_does_not_bloom_with_amine() -> None:
    coats, series = hand_case(TOPCOAT, nights=[(14.0, 18.0, 12.0, 96.0, 10.9)])
    verdict = verdict_of(find_defect("amine-bloom"), coats, series)
    assert verdict.answer is Finding.NO_SUCH_FILM


def test_the_same_water_does_not_accuse_twice() -> None:
    # Six hours of dew; the air round it is over 80 % for as long, saturated in part.
    night = [(14.0, 20.0, 12.0, 99.0, 11.9)]
    coats, series = hand_case(TOPCOAT, nights=night)
    ranked = verdict_of(find_defect("moisture-blush"), coats, series).ranked
    assert [e.cause.sign for e in ranked] == [Sign.LOW_MARGIN, Sign.HIGH_HUMIDITY]
    # One hour of dew, and a day of damp air over a hull warm enough: its own case.
    night = [(14.0, 15.0, 12.0, 99.0, 11.9), (15.0, 34.0, 18.0, 96.0, 22.0)]
    coats, series = hand_case(TOPCOAT, nights=night)
    ranked = verdict_of(find_defect("moisture-blush"), coats, series).ranked
    assert ranked[0].cause.sign is Sign.HIGH_HUMIDITY
    assert ranked[0].own_weight > ranked[1].weight


def test_bubbles_in_damp_air_belong_to_isocyanate_alone() -> None:
    night = [(11.0, 15.0, 18.0, 92.0, 22.0)]
    coats, series = hand_case(TOPCOAT, nights=night)
    assert verdict_of(find_defect("bubbles"), coats, series).ranked[0].cause.sign is (
        Sign.HIGH_HUMIDITY
    )
    coats, series = hand_case(PRIMER, nights=night)
    assert verdict_of(find_defect("bubbles"), coats, series).answer is Finding.AGAINST


def test_carbon_dioxide_is_asked_for_only_where_it_was_measured() -> None:
    coats, series = hand_case(PRIMER)
    verdict = verdict_of(find_defect("amine-bloom"), coats, series)
    assert [(c.sign, why) for c, why in verdict.not_looked] == [
        (Sign.HIGH_CO2, "it was not measured")
    ]
    coats, series = hand_case(PRIMER, co2_ppm=4000.0)
    assert verdict_of(find_defect("amine-bloom"), coats, series).ranked[0].cause.sign is (
        Sign.HIGH_CO2
    )


def test_within_the_sensors_uncertainty_is_open_and_accuses_nothing() -> None:
    # 0.3 K short of the margin; accuracies 0.3 K, 3 % and 0.5 K give a guard near 0.8 K.
    ln = math.log(0.60) + 17.62 * 20.0 / (243.12 + 20.0)
    dew_c = 243.12 * ln / (17.62 - ln)
    coats, series = hand_case(PRIMER, nights=[(14.0, 18.0, 20.0, 60.0, dew_c + 2.7)])
    verdict = verdict_of(find_defect("amine-bloom"), coats, series)
    assert verdict.answer is Finding.NOT_KNOWN
    assert verdict.ranked == ()
    assert Sign.LOW_MARGIN in {e.cause.sign for e in verdict.still_open}


def test_damp_measured_twice_with_silence_between_is_open_with_its_minutes() -> None:
    # The topcoat's bound is 80 %, one hour of saturated air counts as one, and 3 % of a probe is
    # 1.645 * 3 / sqrt(3) = 2.85 % to be sure. 88 % for 50 min within 2.5 h of laying, while the
    # film is open to it by 0.7 to 0.53 (0.35 when touch dry, after 5 h): the least is no more than
    # 0.83 * (8 / 20)^1.5 * 0.7 = 0.148 h, the most no less than 0.83 * (10.85 / 20)^1.5 * 0.53 =
    # 0.176 h; 0.15 h is harmless. DESIGN, the law of what is known: neither acquitted nor accused,
    # and which minutes were not known. A hull at 25 °C keeps the dew away.
    nan = math.nan
    silent = [(11.2, 12.0), (12.417, 13.0), (13.417, 15.0)]
    nights = [(12.0, 13.42, 20.0, 88.0, 25.0), *((a, b, nan, nan, nan) for a, b in silent)]
    coats, series = hand_case(TOPCOAT, nights=nights)
    verdict = verdict_of(find_defect("moisture-blush"), coats, series)
    damp = next(e for e in verdict.still_open if e.cause.sign is Sign.HIGH_HUMIDITY)
    assert verdict.answer is Finding.NOT_KNOWN
    assert damp.lowest < 0.148 < 0.15 < 0.176 < damp.highest_known < damp.highest
    minutes = [round((at - START) / 60.0) for span in damp.open_s for at in span]
    assert minutes == [672, 720, 746, 780, 806, 900]


def test_five_minutes_beyond_support_nothing() -> None:
    coats, series = hand_case(PRIMER, nights=[(14.0, 14.08, 12.0, 96.0, 10.9)])
    assert verdict_of(find_defect("amine-bloom"), coats, series).answer is Finding.AGAINST


def test_a_night_without_readings_cannot_clear_the_air() -> None:
    nan = math.nan
    coats, series = hand_case(PRIMER, nights=[(12.0, 24.0, nan, nan, nan)])
    verdict = verdict_of(find_defect("amine-bloom"), coats, series)
    assert verdict.answer is Finding.NOT_KNOWN
    assert max(e.unknown for e in verdict.cleared) > 0.3


def test_recoating_within_the_window_is_kept_and_after_abrading_forgiven() -> None:
    # Generic primer at 20 °C before a polyurethane: opens at 12 h, closes at 3 days.
    def recoat(at_h: float, *more: Event) -> tuple[WindowOutcome, Sign | None]:
        told = [*one_coat(PRIMER), *more, *one_coat(TOPCOAT, 2, at_h)]
        coats, series = hand_case(PRIMER, events=told, days=16.0)
        window = next(w for w in coats[0].windows if w.name is WindowName.RECOAT)
        ranked = verdict_of(find_defect("poor-adhesion"), coats, series).ranked
        return window.kept, ranked[0].cause.sign if ranked else None

    assert recoat(36.0) == (WindowOutcome.KEPT, None)
    assert recoat(18.0) == (WindowOutcome.EARLY, None)
    assert recoat(130.0) == (WindowOutcome.LATE, Sign.RECOAT_LATE)
    assert recoat(130.0, event(EventKind.SANDED, 128.0)) == (WindowOutcome.LATE_BUT_SANDED, None)
    # Abrading while the window was still open does not help: the film went on hardening.
    assert recoat(130.0, event(EventKind.SANDED, 40.0)) == (WindowOutcome.LATE, Sign.RECOAT_LATE)
    # 72 h after the start at 20 °C closes it; the sensors' half kelvin decides at 71 h.
    assert recoat(81.5)[0] is WindowOutcome.CLOSE


def test_bloom_under_a_coat_is_forgiven_where_it_was_washed_off() -> None:
    told = [*one_coat(PRIMER), *one_coat(PRIMER, 2, 34.0)]
    night = [(14.0, 18.0, 12.0, 96.0, 10.9)]
    coats, series = hand_case(PRIMER, events=told, nights=night)
    defect = find_defect("poor-adhesion")
    assert verdict_of(defect, coats, series).ranked[0].cause.sign is Sign.BLOOM_BELOW
    assert verdict_of(defect, coats, series, [START + 32 * HOUR]).ranked == ()
    assert verdict_of(defect, coats, series, [START + 5 * HOUR]).ranked != ()


def test_a_pot_that_only_the_heat_made_old_stands_behind_the_heat() -> None:
    # Generic topcoat: 3.5 h at 20 °C; a pot of 2 h would have been good, but the tent was at 42.
    told = [
        event(EventKind.MIXED, 9.8, spec=TOPCOAT, amount_ml=500.0),
        event(EventKind.COAT_STARTED, 10.0, spec=TOPCOAT, coat=1, method=Method.BRUSH),
        event(EventKind.COAT_ENDED, 11.8, coat=1),
    ]
    coats, series = hand_case(TOPCOAT, events=told, nights=[(9.0, 12.0, 42.0, 20.0, 42.0)])
    ranked = verdict_of(find_defect("brush-marks"), coats, series).ranked
    assert {e.cause.sign for e in ranked[:2]} == HEAT
    assert ranked[2].cause.sign is Sign.POT_OVER
    assert ranked[2].window is not None
    assert ranked[2].window.kept_at_20_c


def test_a_mix_used_before_it_had_stood_is_seen() -> None:
    # Generic primer: stands 20 min at 20 °C; used after 6.
    told = [
        event(EventKind.MIXED, 9.9, spec=PRIMER, amount_ml=500.0),
        event(EventKind.COAT_STARTED, 10.0, spec=PRIMER, coat=1),
        event(EventKind.COAT_ENDED, 11.0, coat=1),
    ]
    coats, series = hand_case(PRIMER, events=told)
    ranked = verdict_of(find_defect("amine-bloom"), coats, series).ranked
    assert [e.cause.sign for e in ranked] == [Sign.INDUCTION_SHORT]
    assert ranked[0].window is not None
    assert ranked[0].window.missed_s == pytest.approx(14 * 60.0, abs=30.0)


def test_the_air_no_longer_reaches_a_coat_under_the_next_one() -> None:
    told = [*one_coat(PRIMER), *one_coat(PRIMER, 2, 22.0)]
    coats, series = hand_case(PRIMER, events=told, nights=[(26.0, 30.0, 12.0, 96.0, 10.9)])
    assert coats[0].until_why == "next coat"
    verdict = verdict_of(find_defect("amine-bloom"), coats, series)
    assert {e.coat for e in verdict.ranked} == {2}


@pytest.mark.parametrize("washed_h", [None, 60.0])
def test_a_coat_over_a_film_that_was_wet_while_soft_and_not_washed_is_said(
    washed_h: float | None,
) -> None:
    told = [*one_coat(PRIMER), *one_coat(PRIMER, 2, 70.0)]
    if washed_h is not None:
        told.append(event(EventKind.WASHED, washed_h))
    said: list[str] = []
    night = [(13.0, 15.0, 20.0, 99.0, 18.0)]  # a dew point of 19.8 °C on 18
    hand_case(PRIMER, events=told, nights=night, said=said)
    told_so = [each for each in said if "coat 1 was wet for 2 h while soft" in each]
    assert len(told_so) == (1 if washed_h is None else 0)


def test_stages_follow_the_generic_primers_times_at_20_degrees() -> None:
    coats, _ = hand_case(PRIMER)
    spans = [(stage.value, (b - START) / HOUR, (e - START) / HOUR) for stage, b, e in
             coats[0].stages()]  # fmt: skip
    # Leaning by the surface's 0.5 K, 4 h at 20 °C become a little more: 4 * 1.0415 h.
    assert [s for s, _, _ in spans] == ["apply", "flash", "cure"]
    assert spans[0][1:] == (10.0, 11.0)
    assert spans[1][2] == pytest.approx(11.0 + 4.0 * (9.0 / 4.0) ** 0.05, abs=0.05)
    assert spans[2][2] == pytest.approx(11.0 + 168.0 * (16.0 / 7.0) ** 0.05, rel=0.01)


def test_a_coat_whose_spec_is_not_known_is_judged_by_the_default_and_that_is_said() -> None:
    told = [dataclasses.replace(e, spec="lost-spec") if e.spec else e for e in one_coat(PRIMER)]
    series = looked_back(CLEAN["good-primer"](2000))[1]
    history = temperature_history(series, 0.5, 0.3, 600.0)
    coats, said = coats_of("hull", told, shipped(), shipped()[PRIMER], history, START + 9e5, series)
    assert coats[0].spec.name == PRIMER
    assert said == (
        "spec 'lost-spec' is not known here, so its coat is judged by "
        "'two-pack-epoxy-primer'; give its file with --spec",
    )


def test_a_session_without_a_coat_accuses_nobody() -> None:
    coats, series = hand_case(PRIMER, events=[event(EventKind.NOTE, 1.0)])
    assert coats == ()
    assert all(not verdict.ranked for verdict in verdicts_of(shipped_defects(), coats, series))


# --- mechanisms that were missing, and no cliffs -------------------------------------------------


def causes_of(defect: str, coats: tuple[CoatRecord, ...], series: ClimateSeries) -> list[str]:
    return [e.cause.name for e in verdict_of(find_defect(defect), coats, series).ranked]


def test_a_hull_far_over_its_limit_minutes_after_laying_boils_the_solvent() -> None:
    # Laid from 10 to 11 h at 20 °C; the sun stands on it from 11.3 h. 45 °C against 35 °C.
    hot = [(11.3, 12.0, 26.0, 40.0, 45.0)]
    for defect in ("solvent-pop", "bubbles", "wrinkling"):
        found = causes_of(defect, *hand_case(TOPCOAT, nights=hot))
        assert {"sun-boil", "skin-over-soft"} & set(found), defect
    # The same sun on a film that is touch dry boils nothing.
    late = [(30.0, 31.0, 26.0, 40.0, 45.0)]
    assert "sun-boil" not in causes_of("solvent-pop", *hand_case(TOPCOAT, nights=late))


def test_a_cold_hull_lets_a_fresh_film_sag() -> None:
    # 5 °C against the generic 10 °C from an hour after laying, 40 %: no dew.
    cold = [(11.5, 16.0, 5.5, 40.0, 5.0)]
    assert causes_of("sags", *hand_case(TOPCOAT, nights=cold)) == ["cold-sag"]
    assert causes_of("sags", *hand_case(TOPCOAT)) == []


def test_hot_air_dries_paint_before_it_lands() -> None:
    hot = [(9.0, 11.5, 40.0, 20.0, 30.0)]
    assert causes_of("dry-patches", *hand_case(TOPCOAT, nights=hot)) == ["dry-landing"]


def test_damp_air_keeps_an_oil_varnish_soft_and_no_epoxy() -> None:
    damp = [(12.0, 36.0, 18.0, 96.0, 22.0)]
    assert "damp-oil" in causes_of("soft-cure", *hand_case("varnish", nights=damp))
    assert "damp-oil" not in causes_of("soft-cure", *hand_case(PRIMER, nights=damp))


def test_dew_on_a_ten_minute_film_weighs_more_than_damp_air_over_a_touch_dry_one() -> None:
    # The coat ends at 11 h: dew at once for half an hour; 87 % for four hours on the next day.
    told = [*one_coat(PRIMER), *one_coat(PRIMER, 2, 60.0)]
    nights = [(11.2, 11.7, 12.0, 96.0, 10.9), (30.0, 34.0, 18.0, 87.0, 22.0)]
    coats, series = hand_case(PRIMER, events=told, nights=nights)
    ranked = verdict_of(find_defect("amine-bloom"), coats, series).ranked
    assert ranked[0].cause.sign is Sign.LOW_MARGIN


def test_six_minutes_more_of_damp_turn_no_verdict_round() -> None:
    weights = []
    for minutes in (6.0, 12.0):
        nights = [(12.0, 12.0 + minutes / 60.0, 18.0, 84.0, 22.0)]
        verdict = verdict_of(find_defect("moisture-blush"), *hand_case(TOPCOAT, nights=nights))
        assert verdict.answer is Finding.AGAINST
        damp = next(e for e in verdict.cleared if e.cause.sign is Sign.HIGH_HUMIDITY)
        weights.append(damp.weight)
    assert weights[1] == pytest.approx(2.0 * weights[0], rel=0.05)


def test_tape_off_in_the_first_hours_is_kept_and_when_it_strings_is_not() -> None:
    # The generic topcoat is touch dry in 5 h at 20 °C, and its tape comes off from then.
    def tape_off(at_h: float) -> WindowOutcome:
        told = [event(EventKind.TAPE_ON, 9.0), *one_coat(TOPCOAT), event(EventKind.TAPE_OFF, at_h)]
        coats, _ = hand_case(TOPCOAT, events=told)
        return next(w.kept for w in coats[0].windows if w.name is WindowName.TAPE)

    assert [tape_off(h) for h in (11.5, 12.5, 14.0, 17.0)] == [
        WindowOutcome.KEPT, WindowOutcome.KEPT, WindowOutcome.EARLY, WindowOutcome.KEPT,
    ]  # fmt: skip


def test_a_key_sanded_the_day_before_keeps_a_coat_open() -> None:
    # Closes 72 h after 10 h, at 82 h; coated at 100 h over a key sanded at 76 h, before it closed.
    told = [*one_coat(PRIMER), event(EventKind.SANDED, 76.0), *one_coat(TOPCOAT, 2, 100.0)]
    coats, series = hand_case(PRIMER, events=told, days=20.0)
    assert coats[0].windows[-1].kept is WindowOutcome.LATE_BUT_SANDED
    assert causes_of("poor-adhesion", coats, series) == []


@pytest.mark.parametrize("gap_h", [0.2, 1.0, 3.0, 9.0])
def test_lowest_best_and_highest_stand_in_order(gap_h: float) -> None:
    nan = math.nan
    nights = [(13.0, 14.0, 12.0, 96.0, 10.9), (14.0, 14.0 + gap_h, nan, nan, nan)]
    coats, series = hand_case(TOPCOAT, nights=nights)
    for defect in shipped_defects():
        verdict = verdict_of(defect, coats, series)
        for each in (*verdict.ranked, *verdict.cleared):
            assert each.lowest <= each.weight + 1e-9
            assert each.weight <= each.highest + 1e-9
