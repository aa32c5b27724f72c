"""Damp near saturation: a hyperbola by its own geometry, and outlooks that never pass saturation.

A hyperbola's points lie so that the product of their distances from its two asymptotes is the same:
any textbook of analytic geometry (from memory). Here the asymptotes are saturation and the even
course.
"""

from __future__ import annotations

import numpy as np
import pytest
from tent_weeks import tent_week

from monitor.outlook.prior import shipped_priors
from rules.outlook.members import outlook_of_log
from rules.outlook.near_saturation import NEAR_AT_ONCE_K, NEAR_K, SETTLED_S, evened, slowed
from rules.outlook.track import CELLS_A_DAY, Track

TOLD_K = np.linspace(-6.0, 12.0, 73)
LEADS = [
    (0.0, NEAR_AT_ONCE_K),
    (SETTLED_S / 2.0, 0.5 * (NEAR_AT_ONCE_K + NEAR_K)),
    (86_400.0, NEAR_K),
]


@pytest.mark.parametrize(("ahead_s", "near_k"), LEADS)
@pytest.mark.parametrize("begun_k", [0.2, 1.0, 1.4, 3.0, 12.0])
def test_courses_lie_on_a_hyperbola_between_saturation_and_the_even_course(
    begun_k: float, ahead_s: float, near_k: float
) -> None:
    begun, ahead = np.array(begun_k), np.array(ahead_s)
    came = slowed(begun + TOLD_K, begun, ahead)
    near = min(near_k, begun_k / 2.0)
    even = begun_k + TOLD_K - near**2 / begun_k
    assert (came > 0.0).all()
    assert came * (came - even) == pytest.approx(near**2)
    assert slowed(begun, begun, ahead) == pytest.approx(begun_k)
    # Damping is slowed; drying goes as told but for what was held back.
    assert (came - begun > TOLD_K)[TOLD_K < 0.0].all()
    assert came[-1] - begun == pytest.approx(TOLD_K[-1], abs=near)


@pytest.mark.parametrize("begun_k", [0.2, 1.0, 3.0, 12.0])
def test_what_came_and_the_even_course_of_it_are_each_other_turned_round(begun_k: float) -> None:
    begun, ahead = np.array(begun_k), np.linspace(0.0, 86_400.0, 50)
    came = np.linspace(0.25 * begun_k, 20.0, 50)
    assert slowed(evened(came, begun, ahead), begun, ahead) == pytest.approx(came)
    assert np.isnan(evened(np.array([np.nan]), begun, ahead[:1])).all()


def test_air_far_from_saturation_goes_as_told() -> None:
    begun, ahead = np.array(10.0), np.array(SETTLED_S)
    assert slowed(begun + TOLD_K, begun, ahead) - begun == pytest.approx(TOLD_K, abs=0.1)
    came = evened(np.array([10.0, 9.0, 7.0]), begun, ahead)
    assert came == pytest.approx([10.0, 9.0, 7.0], abs=0.03)


def test_saturated_air_is_told_of_and_no_draw_passes_saturation() -> None:
    track = tent_week(2101, 4).track()
    dew = np.where(np.arange(track.count) >= track.count - 6, track.air_temp_c, track.dew_point_c)
    wet = Track(track.end_s, track.air_temp_c, dew, track.surface_temp_c)
    assert wet.count >= 3 * CELLS_A_DAY
    for each in (track, wet):
        outlook = outlook_of_log(each, shipped_priors())
        assert np.isfinite(outlook.dew_point_c).all()
        assert (outlook.dew_point_c <= outlook.air_temp_c).all()
        assert outlook.centre[1, 0] == pytest.approx(float(each.dew_point_c[-1]), abs=1e-6)
        assert outlook.dew_point_c[:, 0] == pytest.approx(float(each.dew_point_c[-1]), abs=1e-6)
