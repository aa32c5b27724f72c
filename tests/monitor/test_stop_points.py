"""A STOP is ended by the points that brought it, needed or not, live and after a restart.

Silence never clears STOP; a point taken out of the config ends what it alone caused: our own
choice.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from live import GOOD, HOUR_S, ONE_PLANK, TENT, Live, Values

from sensors.reading import Quantity

OPTIONAL = "".join(
    f"""
[[enclosure.point]]
name = "air-stern"
quantity = "{quantity}"
unit = "{unit}"
topic = "shed/stern"
value = "{value}"
required = false
"""
    for quantity, unit, value in (("air_temp", "degC", "t"), ("humidity", "%", "rh"))
)
ASSUMED = (TENT + OPTIONAL).replace(
    'spec = "general-guidance"', 'spec = "general-guidance"\nassumed_surface_offset = "-3 K"'
)


def stern(air_c: float, rh_pct: float) -> Values:
    return {"air-stern": {Quantity.AIR_TEMP: air_c, Quantity.HUMIDITY: rh_pct}}


# 20 °C at 75 % has its dew point at 15.4 °C (ASHRAE Fundamentals, psychrometric chart), above a
# plank at 15 °C, which stands well over that of 20 °C and 50 %, 9.3 °C.
@pytest.mark.parametrize(
    ("text", "good", "bad"),
    [
        (
            ONE_PLANK + OPTIONAL,
            {**GOOD, "plank-port": {Quantity.SURFACE_TEMP: 15.0}},
            stern(20.0, 75.0),
        ),
        (ASSUMED, GOOD, stern(10.0, 50.0)),
    ],
    ids=["damp air by an optional body", "an assumed surface by an optional body"],
)
def test_a_stop_stays_while_an_optional_point_that_brought_it_is_silent(
    text: str, good: Values, bad: Values, tmp_path: Path
) -> None:
    first = Live(tmp_path, text)
    assert first.run(60.0, {**good, **bad}) == "STOP"
    assert first.run(HOUR_S, good) == "STOP"
    first.kill()
    second = Live(tmp_path, text, first.machine)
    assert second.run(HOUR_S, good) == "STOP"
    # The bow's probe stood where it was while the stern's moved by 25 % or 10 K: it is doubted.
    second.run(600.0, {**good, **stern(20.0, 50.0)})
    second.watch.rooms["tent"].enclosure.vouch("air-bow")
    assert second.run(HOUR_S, {**good, **stern(20.0, 50.0)}) == "GO"
    second.end()


def test_an_optional_point_taken_out_ends_the_stop_that_it_brought_by_the_margin(
    tmp_path: Path,
) -> None:
    good = {**GOOD, "plank-port": {Quantity.SURFACE_TEMP: 15.0}}
    first = Live(tmp_path, ONE_PLANK + OPTIONAL)
    assert first.run(60.0, {**good, **stern(20.0, 75.0)}) == "STOP"
    assert first.told[-1]["cause"] == ["dew_margin_min@plank-port + air-stern"]
    first.kill()
    second = Live(tmp_path, ONE_PLANK, first.machine)
    assert second.run(60.0, good) == "HOLD"
    second.end()
