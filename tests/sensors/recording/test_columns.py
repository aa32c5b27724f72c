"""The guess that a value came in another unit: what converts to the usual is worth a word.

Conversions: NIST SP 811 (2008), B.8, and the SI Brochure, from memory; thresholds: common practice,
no source.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.units import converted
from sensors.reading import Quantity
from sensors.recording.columns import unit_guess

AIR, HUMIDITY = Quantity.AIR_TEMP, Quantity.HUMIDITY


@pytest.mark.parametrize(
    ("quantity", "configured", "sent", "others_c", "guess"),
    [
        (HUMIDITY, "%", 0.62, [], "1"),
        (HUMIDITY, "%", 62.0, [], None),
        (HUMIDITY, "%", 0.0, [], None),  # dead, and no unit would help
        (HUMIDITY, "1", 62.0, [], "%"),
        (HUMIDITY, "1", 0.62, [], None),
        (AIR, "degC", 68.0, [], "degF"),  # 20 degC
        (AIR, "degC", 293.0, [], "K"),
        (AIR, "degF", 20.0, [], "degC"),  # -6.7 degC, or 20
        (AIR, "K", 20.0, [], "degC"),
        (AIR, "degC", 41.0, [], None),  # could be either
        (AIR, "degC", 41.0, [5.0, 6.0, 5.5], "degF"),
        (AIR, "degF", 20.0, [-6.0, -7.0], None),  # a cold shed, and the others say so too
        (AIR, "degC", 25.0, [5.0], None),  # far off, but 25 degF is no better
        (Quantity.CO2, "ppm", 0.0004, [], "1"),
        (Quantity.CO2, "ppm", 420.0, [], None),
        (Quantity.DUST, "ug/m3", 0.02, [], None),
    ],
)
def test_a_wrong_unit_is_guessed(
    quantity: Quantity, configured: str, sent: float, others_c: list[float], guess: str | None
) -> None:
    value = converted(sent, configured, quantity.unit)
    assert unit_guess(quantity, configured, value, others_c) == guess


@given(st.floats(0.0, 45.0), st.lists(st.floats(-10.0, 10.0), max_size=4))
def test_probes_that_agree_are_never_doubted(value_c: float, off: list[float]) -> None:
    others_c = [value_c + each for each in off]
    for unit in ("degC", "degF", "K"):
        assert unit_guess(AIR, unit, value_c, others_c) is None
