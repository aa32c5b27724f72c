"""Limits at and around their bounds: 3 K over the dew point (ISO 8502-4:2017 guidance) and 85 %
(common practice, no source), with guards by JCGM 100:2008 worked by hand."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.climate import AssumedSurface, PointValue, climate_of
from rules.limits import (
    RecentMedian,
    Witness,
    deciding,
    judge,
    kept_of,
    limits_in_force,
    own_limits,
    wet_film_allowance_k,
    worst_first,
)
from rules.spec.model import GENERAL_GUIDANCE, Spec
from rules.vocabulary import Effect, LimitName, LimitState, Method, Stage, Step


def sensed(
    air_c: float = 20.0, rh_pct: float = 60.0, surface_c: float | None = 18.0, **kinds: str
) -> list[PointValue]:
    found = [
        PointValue("bow", "air_temp", None, air_c, kinds.get("air", "ok"), 0.3),
        PointValue("bow", "humidity", None, rh_pct, kinds.get("rh", "ok"), 3.0),
    ]
    if surface_c is not None:
        found.append(
            PointValue("plank", "surface_temp", None, surface_c, kinds.get("surface", "ok"), 0.5)
        )
    return found


def states(entries: list[PointValue], spec: Spec = GENERAL_GUIDANCE) -> dict[LimitName, LimitState]:
    climate = climate_of(entries, "all", 0.0)
    judged = judge(climate, limits_in_force(spec, Stage.PREP), RecentMedian())
    return {entry.name: entry.state for entry in judged}


# Guard of a humidity of half-width 3 %: 1.645 x 3 / sqrt 3 = 2.849 %, by hand.
@pytest.mark.parametrize(
    ("rh_pct", "state"),
    [
        (85.01, LimitState.BROKEN),
        (85.0, LimitState.NEAR),
        (82.16, LimitState.NEAR),
        (82.14, LimitState.OK),
    ],
)
def test_humidity_around_85_per_cent(rh_pct: float, state: LimitState) -> None:
    assert states(sensed(rh_pct=rh_pct, surface_c=30.0))[LimitName.HUMIDITY_MAX] is state


# At 20 degC and 60 % the dew point is 12.007 degC (ASHRAE eq. 6 inverted; CoolProp 12.009);
# guard 1.645 x sqrt((0.5^2 + (0.94 x 0.3)^2 + (0.252 x 3)^2) / 3) = 0.90 K, slopes from Magnus.
@pytest.mark.parametrize(
    ("surface_c", "state"),
    [
        (14.99, LimitState.BROKEN),
        (15.03, LimitState.NEAR),
        (15.88, LimitState.NEAR),
        (15.95, LimitState.OK),
    ],
)
def test_margin_around_3_kelvin(surface_c: float, state: LimitState) -> None:
    assert states(sensed(surface_c=surface_c))[LimitName.DEW_MARGIN_MIN] is state


@pytest.mark.parametrize(
    ("air_c", "name", "state"),
    [
        (9.99, LimitName.AIR_TEMP_MIN, LimitState.BROKEN),
        (10.28, LimitName.AIR_TEMP_MIN, LimitState.NEAR),
        (10.29, LimitName.AIR_TEMP_MIN, LimitState.OK),  # guard 1.645 x 0.3 / sqrt 3 = 0.285 K
        (35.01, LimitName.AIR_TEMP_MAX, LimitState.BROKEN),
        (34.72, LimitName.AIR_TEMP_MAX, LimitState.NEAR),
        (34.71, LimitName.AIR_TEMP_MAX, LimitState.OK),
    ],
)
def test_air_around_10_and_35_degrees(air_c: float, name: LimitName, state: LimitState) -> None:
    assert states(sensed(air_c=air_c, rh_pct=30.0))[name] is state


def test_a_required_point_that_is_not_ok_makes_its_limits_unknown() -> None:
    found = states(sensed(surface="stale"))
    assert found[LimitName.DEW_MARGIN_MIN] is LimitState.UNKNOWN
    assert found[LimitName.SURFACE_TEMP_MIN] is LimitState.UNKNOWN
    assert found[LimitName.HUMIDITY_MAX] is LimitState.OK
    assert states(sensed(rh="wet"))[LimitName.HUMIDITY_MAX] is LimitState.UNKNOWN


def test_a_second_good_surface_does_not_stand_in_for_a_silent_one() -> None:
    entries = [*sensed(), PointValue("keel", "surface_temp", None, math.nan, "missing", 0.5)]
    assert states(entries)[LimitName.DEW_MARGIN_MIN] is LimitState.UNKNOWN


def test_what_a_good_point_shows_to_be_broken_is_broken_though_another_is_silent() -> None:
    entries = [*sensed(surface_c=13.0), PointValue("keel", "surface_temp", None, 0.0, "stale", 0.5)]
    assert states(entries)[LimitName.DEW_MARGIN_MIN] is LimitState.BROKEN


def test_without_a_surface_the_margin_is_unknown_and_an_assumed_one_is_wide() -> None:
    assert states(sensed(surface_c=None))[LimitName.DEW_MARGIN_MIN] is LimitState.UNKNOWN
    assumed = climate_of(sensed(surface_c=None), "all", 0.0, AssumedSurface(-0.5, 2.0))
    assert assumed.surface_temp_c == 19.5
    assert assumed.assumed_offset_k == -0.5
    # u = sqrt((2/sqrt 3)^2 + ((1 - 0.94) x 0.3/sqrt 3)^2 + (0.252 x 3/sqrt 3)^2) = 1.235 K by hand
    assert assumed.dew_margin_u_k == pytest.approx(1.235, abs=0.01)


def test_an_assumed_surface_never_stands_in_for_a_probe_that_died() -> None:
    dead = climate_of(sensed(surface="stale"), "all", 0.0, AssumedSurface(-0.5, 2.0))
    assert LimitName.DEW_MARGIN_MIN in dead.unknown
    assert dead.surface_temp_c is None


def test_below_freezing_the_margin_stands_over_the_frost_point() -> None:
    # REFERENCES: at -5 degC and 80 % over water the dew point is -7.91, the frost point -7.03 degC
    climate = climate_of(sensed(air_c=-5.0, rh_pct=80.0, surface_c=-4.0), "all", 0.0)
    assert climate.dew_point_c == pytest.approx(-7.91, abs=0.01)
    assert climate.frost_point_c == pytest.approx(-7.03, abs=0.01)
    assert climate.dew_margin_k == pytest.approx(3.03, abs=0.01)


def test_the_median_of_a_minute_decides_near_and_the_moment_decides_broken() -> None:
    medians = RecentMedian()
    limits = limits_in_force(GENERAL_GUIDANCE, Stage.PREP)
    seen = []
    for k, rh_pct in enumerate([60.0, 60.0, 60.0, 84.0, 86.0, 60.0]):
        climate = climate_of(sensed(rh_pct=rh_pct, surface_c=34.0), "all", 10.0 * k)
        judged = judge(climate, limits, medians)
        seen.append(next(e.state for e in judged if e.name is LimitName.HUMIDITY_MAX))
    assert seen == ["ok", "ok", "ok", "ok", "broken", "ok"]


def test_values_older_than_a_minute_leave_the_median() -> None:
    medians = RecentMedian()
    assert medians.take(LimitName.HUMIDITY_MAX, 0.0, 10.0) == 10.0
    assert medians.take(LimitName.HUMIDITY_MAX, 59.0, 20.0) == 15.0
    assert medians.take(LimitName.HUMIDITY_MAX, 60.0, 30.0) == 25.0


def test_a_limit_ends_with_its_step() -> None:
    names = limits_in_force(GENERAL_GUIDANCE, Stage.CURE, {Step.TOUCH_DRY})
    assert LimitName.AIR_TEMP_MAX not in names
    assert LimitName.DEW_MARGIN_MIN in names


def test_an_unknown_method_takes_the_largest_wet_film_allowance() -> None:
    from dataclasses import replace

    spec = replace(GENERAL_GUIDANCE, wet_film_cooling_k={Method.BRUSH: 0.5, Method.GUN: 2.0})
    assert wet_film_allowance_k(spec, Stage.PREP, None) == 2.0
    assert wet_film_allowance_k(spec, Stage.APPLY, Method.BRUSH) == 0.5
    assert wet_film_allowance_k(spec, Stage.CURE, Method.GUN) == 0.0
    climate = climate_of(sensed(), "all", 0.0)
    judged = judge(climate, own_limits(spec, Stage.PREP, None), RecentMedian())
    margin = next(entry for entry in judged if entry.name is LimitName.DEW_MARGIN_MIN)
    assert (margin.bound, margin.state) == (5.0, LimitState.OK)


def test_the_worst_limit_comes_first() -> None:
    climate = climate_of(sensed(rh_pct=86.0, surface="stale"), "all", 0.0)
    judged = judge(climate, limits_in_force(GENERAL_GUIDANCE, Stage.PREP), RecentMedian())
    ordered = [entry.state for entry in worst_first(judged)]
    assert ordered[0] is LimitState.BROKEN
    assert ordered[1] is LimitState.UNKNOWN
    assert ordered[-1] is LimitState.OK


def test_a_cabled_surface_probe_on_the_airs_node_is_independent_and_a_shared_element_is_not() -> (
    None
):
    apart = climate_of(sensed(), "all", 0.0).dew_margin_u_k
    found = []
    for shared in (False, True):
        entries = sensed(surface_c=None)
        surface = PointValue("bow", "surface_temp", None, 18.0, "ok", 0.5, shared_element=shared)
        found.append(climate_of([*entries, surface], "all", 0.0).dew_margin_u_k)
    assert apart is not None
    assert found[0] == apart
    assert found[1] is not None
    assert 0.8 * apart < found[1] < apart


def hull_pair(contact_c: float | None) -> list[PointValue]:
    """An infrared point of 2 K, and beside it a contact point of 0.2 K."""
    # 20 degC and 45 %: dew point 7.7 degC; margin 4.3 K.
    found = sensed(rh_pct=45.0, surface_c=None)
    found.append(PointValue("ir", "surface_temp", None, 12.0, "ok", 2.0))
    if contact_c is not None:
        found.append(PointValue("contact", "surface_temp", None, contact_c, "ok", 0.2))
    return found


def test_a_probe_added_never_turns_near_into_ok() -> None:
    alone = states(hull_pair(None))
    assert alone[LimitName.DEW_MARGIN_MIN] is LimitState.NEAR
    assert alone[LimitName.SURFACE_TEMP_MIN] is LimitState.OK
    for contact_c in (11.9, 12.0, 14.0):
        assert states(hull_pair(contact_c))[LimitName.DEW_MARGIN_MIN] is LimitState.NEAR
    assert states(hull_pair(10.0))[LimitName.DEW_MARGIN_MIN] is LimitState.BROKEN


def test_the_figures_shown_are_those_of_the_probe_that_decides() -> None:
    limits = limits_in_force(GENERAL_GUIDANCE, Stage.PREP)
    for contact_c, source, accuracy in ((11.9, "ir", 2.0), (10.0, "contact", 0.2)):
        climate = climate_of(hull_pair(contact_c), "all", 0.0)
        (margin,) = (
            each
            for each in judge(climate, limits, RecentMedian())
            if each.name is LimitName.DEW_MARGIN_MIN
        )
        shown = climate.decided_by(margin.source, margin.beside)
        assert (margin.source, shown.surface_point) == (source, source)
        assert shown.dew_margin_k == margin.value
        assert shown.dew_margin_u_k is not None
        # JCGM 100:2008, 5.1.2: the surface's own share of the guard.
        assert shown.dew_margin_u_k > accuracy / math.sqrt(3.0)


_STEPS_S = st.lists(st.sampled_from([0.0, 0.1, 0.4, 0.5, 0.9999, 1.0, 1.1, 10.0, 59.5, 60.0, 90.0]))


@given(before=_STEPS_S, steps_s=_STEPS_S.filter(bool), values=st.randoms())
def test_medians_told_of_what_they_keep_are_those_told_of_all(
    before: list[float], steps_s: list[float], values: random.Random
) -> None:
    # The reference is `take`, told of one value after the other.
    one, all_at_once, time_s = RecentMedian(), RecentMedian(), 1_800_000_000.0
    for step_s in [0.0, *before]:
        time_s += step_s
        value = values.choice([1.0, 2.0, 3.5])
        one.take("k", time_s, value)
        all_at_once.take("k", time_s, value)
    times_s, told = [], []
    for step_s in steps_s:
        time_s += step_s
        times_s.append(time_s)
        told.append(values.choice([1.0, 2.0, 3.5]))
    kept = kept_of(all_at_once.last_two_s("k"), times_s)
    all_at_once.note_kept("k", [times_s[k] for k in kept], [told[k] for k in kept])
    for at_s, value in zip(times_s, told, strict=True):
        one.take("k", at_s, value)
    assert all_at_once.last_two_s("k") == one.last_two_s("k")
    assert all_at_once.ends("k") == one.ends("k")
    later_s = time_s + values.choice([0.0, 0.7, 1.0, 30.0])
    expected = all_at_once.with_one_more("k", later_s, 9.0)
    assert expected == one.take("k", later_s, 9.0) == all_at_once.take("k", later_s, 9.0)


@given(
    surfaces=st.lists(
        st.floats(13.0, 20.0).map(lambda value: round(value, 1)), min_size=1, max_size=3
    ),
    rh_pct=st.floats(50.0, 90.0).map(lambda value: round(value, 1)),
    moved=st.sampled_from([0.0, 0.05, 0.5]),
    effect=st.sampled_from(list(Effect)),
    guard=st.booleans(),
)
def test_who_decides_without_a_guard_reckoned_anew_is_who_would(
    surfaces: list[float], rh_pct: float, moved: float, effect: Effect, guard: bool
) -> None:
    entries = sensed(rh_pct=rh_pct, surface_c=None)
    entries += [
        PointValue(f"plank-{at}", "surface_temp", None, value, "ok", 0.5)
        for at, value in enumerate(surfaces)
    ]
    climate = climate_of(entries, "all", 0.0)
    for name, limit in own_limits(GENERAL_GUIDANCE, Stage.APPLY, None).items():
        wait = None if effect is Effect.SLOW else limit.wait
        asked = replace(limit, effect=effect, guard=guard, wait=wait)
        said = climate.estimates[name]
        expected = judge(climate, {name: asked}, RecentMedian())[0].inside_median
        witnesses = [Witness(each.value, each.value, each.guard, moved) for each in said]
        found = deciding(asked, witnesses, unknown=False)
        assert found == expected or (found is None and moved and len(said) > 1)
        assert moved or found is not None
