"""A hull's probe that shows one value for longer than a hull: GO lasts while the margin is wide.

That no sound hull in half degrees showed one value for over 6.2 h was seen on 32 invented sheds;
how fast a hull can move unseen, 6 K an hour, is common practice, no source.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.config.load import load_config
from monitor.enclosure import Enclosure, constant_film
from rules.call import Call
from rules.section import Film
from rules.spec.model import GENERAL_GUIDANCE
from sensors.reading import Quality, Quantity, Reading

HOUR_S = 3600.0
BEGINS_S = datetime(2026, 10, 13, 8, tzinfo=UTC).timestamp()
EVERY_S = 60.0
CONFIG = """
[[enclosure]]
name = "tent"
[[enclosure.point]]
name = "air-bow"
quantity = "air_temp"
unit = "degC"
column = "a"
[[enclosure.point]]
name = "air-bow"
quantity = "humidity"
unit = "%"
column = "b"
[[enclosure.point]]
name = "plank-port"
quantity = "surface_temp"
unit = "degC"
column = "c"
"""


class Tent:
    """An air that a thermostat holds at 20 °C and 60 %, dew point 12.0, and a hull beside it."""

    def __init__(self, folder: Path) -> None:
        config = load_config(CONFIG, folder).enclosures[0]
        self.enclosure = Enclosure(config, constant_film(Film(GENERAL_GUIDANCE)), BEGINS_S)
        self.now_s = BEGINS_S

    def show(self, hull_c: float, hours: float) -> Call:
        """Let the hull's probe show one value for so long; return the call at the end."""
        until_s = self.now_s + hours * HOUR_S
        while self.now_s < until_s:
            self.now_s += EVERY_S
            turn = int(self.now_s / EVERY_S) % 2
            values = (
                ("air-bow", Quantity.AIR_TEMP, 20.0 + 0.1 * turn),
                ("air-bow", Quantity.HUMIDITY, 60.0 + 0.1 * turn),
                ("plank-port", Quantity.SURFACE_TEMP, hull_c),
            )
            readings = [
                Reading("tent", point, quantity, self.now_s, value, Quality.OK, self.now_s)
                for point, quantity, value in values
            ]
            self.enclosure.take(readings, self.now_s)
        return self.enclosure.call

    def told(self) -> list[str]:
        return [each.text for each in self.enclosure.explain()[0].reasons]


@pytest.fixture
def tent(tmp_path: Path) -> Tent:
    made = Tent(tmp_path)
    for half in range(10):  # a hull that moves teaches its last digit
        made.show(16.0 + 0.5 * (half % 3), 0.5)
    return made


def test_a_hull_that_stands_for_six_hours_may_be_a_hull(tent: Tent) -> None:
    assert tent.show(18.0, 6.0) is Call.GO
    assert not any("longer than hulls do" in text for text in tent.told())


def test_go_ends_by_itself_once_a_probe_has_stood_for_longer_than_a_hull(tent: Tent) -> None:
    # 18.0 is 6.0 K over the dew point, 3.0 over the bound, 2.1 K over its guard of 0.9: at 6 K an
    # hour that is gone 21 min after 6.2 h.
    assert tent.show(18.0, 6.2) is Call.GO
    assert tent.show(18.0, 0.2) is Call.GO
    assert tent.show(18.0, 0.4) is Call.HOLD
    margin = tent.told()[0]
    assert margin.startswith("Hull 6.0 K above dew point; wants 3.0 K, or ")
    assert margin.endswith(" while its probe stands")
    said = next(text for text in tent.told() if "longer than hulls do" in text)
    assert said.startswith("plank-port has shown 18.0 °C for 6 h ")
    assert said.endswith("filmcall event vouched --point plank-port")
    assert tent.show(17.5, 0.5) is Call.GO  # it moves: it is a hull
    assert not any("longer than hulls do" in text for text in tent.told())


def test_a_wide_margin_outlasts_it_and_a_persons_word_ends_it(tent: Tent) -> None:
    for warmer_c in (17.5, 19.0, 20.5):
        tent.show(warmer_c, 0.5)
    assert tent.show(22.0, 7.0) is Call.GO  # 6.1 K over the guard, 4.8 of which are asked for
    assert any("longer than hulls do" in text for text in tent.told())
    assert tent.show(22.0, 1.0) is Call.HOLD
    tent.enclosure.vouch("plank-port")
    assert tent.show(22.0, 1.0) is Call.GO


def test_hours_in_which_nobody_listened_do_not_count_as_standing(tent: Tent) -> None:
    tent.show(18.0, 3.0)
    tent.now_s += 3.0 * HOUR_S
    assert tent.show(18.0, 3.0) is Call.GO
