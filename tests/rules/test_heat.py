"""Whether a heater heats and a cover drips, against courses made by hand.

Cooling after Newton's law with invented constants; no outside source tells when to ring.
"""

from __future__ import annotations

import numpy as np
import pytest

from rules.events import Event
from rules.heat import drip_notices, heat_doubts, heater_on_s
from rules.vocabulary import EventKind, LimitState

HOUR = 3600.0
TIMES = np.arange(0.0, 6 * HOUR, 300.0)
NOW = 5 * HOUR


def cooling(from_h: float, outside_c: float, tau_h: float = 8.0) -> np.ndarray:
    gone_h = np.maximum(0.0, TIMES / HOUR - from_h)
    return outside_c + (18.0 - outside_c) * np.exp(-gone_h / tau_h)


@pytest.mark.parametrize(
    ("air_c", "on_s", "outside_c", "says"),
    [
        (cooling(3.0, 5.0), 0.0, 5.0, True),  # 2.9 K in two hours, towards 5
        (cooling(4.9, 5.0), 0.0, 5.0, False),  # six minutes: 0.2 K
        (cooling(9.0, 5.0), 0.0, 5.0, False),  # it heats
        (cooling(3.0, 5.0), None, 5.0, False),  # it is off
        (cooling(3.0, 5.0), NOW - 600.0, 5.0, False),  # lit ten minutes ago
        (cooling(3.0, 5.0), 0.0, None, False),  # nobody knows what it is outside
        (cooling(3.0, 5.0), 0.0, 20.0, False),  # warmer outside: it is no loss of heat
        (np.minimum(18.0, cooling(3.0, 5.0, 1.0) + 11.0), 0.0, 5.0, False),  # set lower, and held
    ],
)
def test_a_heater_has_failed_where_the_air_falls_towards_outside(
    air_c: np.ndarray, on_s: float | None, outside_c: float | None, says: bool
) -> None:
    found = heat_doubts(TIMES, air_c, on_s, outside_c, NOW)
    assert bool(found) is says
    assert all(each.state is LimitState.NEAR for each in found)


def test_a_heater_is_on_from_its_last_switch() -> None:
    switched = [
        Event(EventKind.HEATER_ON, 1.0, "tent"),
        Event(EventKind.HEATER_OFF, 2.0, "tent"),
        Event(EventKind.HEATER_ON, 3.0, "tent"),
    ]
    assert [heater_on_s(switched, at) for at in (0.5, 1.5, 2.5, 3.5)] == [None, 1.0, None, 3.0]


def test_a_cover_drips_only_under_the_airs_dew_point() -> None:
    assert [bool(drip_notices(11.0, outside_c)) for outside_c in (5.0, 11.0, 15.0, None)] == [
        True, False, False, False,
    ]  # fmt: skip
    assert drip_notices(float("nan"), 5.0) == ()
