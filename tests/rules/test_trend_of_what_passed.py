"""The trend of a section that lets evaluations pass is that of one that judges each whole.

The section that judges whole is the reference. Its rows are an even time apart, so that a value
stands exactly at the end of the minute that a median looks back over.
"""

from __future__ import annotations

import random

import pytest
from hostile_course import BEGAN_S, SECTION
from shortcut_trial import Witness, first_difference

from rules.climate import AIR_TEMP, HUMIDITY, SURFACE_TEMP, PointValue
from rules.section import Film
from rules.spec.model import GENERAL_GUIDANCE

MINUTES = 40


def _sensed(quantity: str, value: float) -> PointValue:
    section = SECTION if quantity == SURFACE_TEMP else None
    return PointValue(quantity, quantity, section, round(value, 3), "ok", 0.3, True)


@pytest.mark.parametrize("pace_s", [0.4, 1.0, 10.0, 20.0, 60.0])
def test_a_trend_rests_on_the_same_minute_whether_evaluations_pass_or_not(pace_s: float) -> None:
    chance = random.Random(7)
    whole, short = (Witness(Film(GENERAL_GUIDANCE), BEGAN_S, whole=each) for each in (True, False))
    for number in range(round(MINUTES * 60.0 / pace_s)):
        time_s = BEGAN_S + number * pace_s
        damp = 0.003 * (time_s - BEGAN_S) + chance.gauss(0.0, 0.2)
        sensed = [
            _sensed(AIR_TEMP, 20.0 + chance.gauss(0.0, 0.02)),
            _sensed(HUMIDITY, 50.0 + damp),
            _sensed(SURFACE_TEMP, 19.0 - 0.05 * damp),
        ]
        for each in (whole, short):
            each.evaluate(sensed, time_s)
    assert short.passed > 0.4 * short.evaluations
    # Words round a course; what it is to the last bit nobody is told.
    courses = whole._start.trend.courses()
    assert courses
    assert short._start.trend.courses() == courses
    assert first_difference(whole.explain(), short.explain()) == ""
