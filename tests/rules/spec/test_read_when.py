"""Columns of a sheet that restate more than times: limits, mix, pots and what cures it.

Expected figures are those of the invented sheet beside them, by hand; no source beyond it.
"""

from __future__ import annotations

import math

import pytest

from rules.rate import SafeSide, rate_law
from rules.spec.read import check_notes, check_spec, load_spec
from rules.vocabulary import ClockName, LimitName, Stage

SHEET = """
name = "x"
title = "x"
family = "two-pack-epoxy"
hardener_class = "polyamide"
[source]
sheet = "invented"
[limits.apply]
dew_margin_min = { bound = "3 K", until = "handle" }
humidity_max = { bound = "85 %", until = "touch-dry" }
surface_temp_min = { bound = "10 degC", until = "cured" }
surface_temp_max = { bound = "35 degC", until = "touch-dry" }
[times]
pot_life = { "20 degC" = "4 h" }
induction = { "20 degC" = "15 min" }
touch_dry = { "20 degC" = "5 h" }
handle = { "20 degC" = "24 h" }
recoat_closes = { "20 degC" = "5 days" }
cured = { "20 degC" = "7 days" }
[pot_sizes]
"1 l" = "80 %"
[mix]
by = "volume"
ratio_by_volume = "4:1"
ratio_by_weight = "6:1"
base_density = "1.5 kg/l"
hardener_density = "1.0 kg/l"
solids_by_volume = "60 %"
thinner_max = "5 %"
[[when]]
hardener = "W 2"
hardener_class = "fast-amine"
[when.limits.apply]
surface_temp_min = { bound = "-5 degC", until = "cured" }
[when.times]
induction = "none"
recoat_closes = "unlimited"
touch_dry = { "10 degC" = "6 h" }
[when.pot_sizes]
"1 l" = "50 %"
[when.mix]
ratio = "3:1"
"""


def test_another_hardener_brings_its_own_figures_and_leaves_the_rest() -> None:
    assert check_spec(SHEET, "x") == ()
    spec = load_spec(SHEET, "x")
    assert spec.hardeners == ("W 2",)
    plain, winter = spec.under(), spec.under(hardener="W 2")
    mixes = [each.mix for each in (plain, winter)]
    assert [(m.base_parts, m.hardener_parts, m.other_parts) for m in mixes if m] == [
        (4.0, 1.0, (6.0, 1.0)),
        (3.0, 1.0, None),
    ]
    assert [m.solids_by_volume_pct for m in mixes if m] == [60.0, 60.0]
    assert [each.hardener_class for each in (plain, winter)] == ["polyamide", "fast-amine"]
    assert [each.pot_sizes[0].factor for each in (plain, winter)] == [0.8, 0.5]
    cold = [each.limits_for(Stage.CURE)[LimitName.SURFACE_TEMP_MIN] for each in (plain, winter)]
    assert [limit.bound for limit in cold] == [10.0, -5.0]
    assert winter.limits_for(Stage.APPLY)[LimitName.HUMIDITY_MAX].bound == 85.0
    assert ClockName.INDUCTION in plain.times
    assert not {ClockName.INDUCTION, ClockName.RECOAT_CLOSES} & winter.times.keys()
    # One row is reckoned down to this hardener's own application minimum.
    assert winter.times[ClockName.TOUCH_DRY].reckoned_to_c == -5.0
    assert plain.times[ClockName.TOUCH_DRY].reckoned_to_c == 10.0


def test_spec_check_notes_a_humidity_that_stands_alone_and_says_what_counts_elsewhere() -> None:
    damp = """
[[when]]
humidity = "75 %"
[when.times]
touch_dry = { "10 degC" = "8 h", "20 degC" = "3 h" }
recoat_opens = { "10 degC" = "9 h", "20 degC" = "4 h" }
recoat_closes = { "10 degC" = "4 days", "20 degC" = "3 days" }
"""
    dry = """
[[when]]
humidity = "40 %"
[when.times]
touch_dry = { "10 degC" = "9 h", "20 degC" = "6 h" }
"""

    def noted(text: str) -> dict[str, str]:
        found = {n.key: n.problem for n in check_notes(text) if "humidity" in n.problem}
        return {key.removeprefix("when[2].times."): said for key, said in found.items()}

    elsewhere = "stands at 75 % humidity only, so at every other humidity the {} of it and"
    said = noted(SHEET + damp)
    assert said.keys() == {"touch_dry", "recoat_opens", "recoat_closes"}
    assert said["touch_dry"].startswith(elsewhere.format("slower"))
    assert said["recoat_closes"].startswith(elsewhere.format("faster"))
    assert said["recoat_opens"].endswith("so it counts at every humidity")  # none in [times]
    assert noted(SHEET + damp + dry).keys() == {"recoat_opens", "recoat_closes"}


def test_a_launch_of_one_row_is_reckoned_down_as_every_other_table() -> None:
    # Arrhenius by hand: 48 h x exp(65,000 / 8.3145 x (1 / 283.15 - 1 / 293.15)) = 123.1 h.
    sheet = SHEET + '[launch]\nnot_before = { "20 degC" = "48 h" }\n'
    table = load_spec(sheet, "x").launch.not_before
    assert table is not None
    law = rate_law(table, SafeSide.OPENS)
    assert law.time_s(10.0) / 3600.0 == pytest.approx(123.1, abs=0.1)
    assert math.isinf(law.time_s(9.9))  # under the application minimum of 10 degC


def test_spec_check_notes_one_row_and_equal_rows_wherever_a_table_stands() -> None:
    recoat = """
[recoat_before.varnish]
recoat_opens = { "20 degC" = "10 h" }
recoat_closes = { "10 degC" = "3 days", "20 degC" = "2 days" }
[launch]
not_before = { "20 degC" = "48 h" }
"""
    sheet = SHEET.replace('"24 h" }', '"24 h", "30 degC" = "24 h" }') + recoat
    said = {note.key: note.problem for note in check_notes(sheet)}
    assert said["recoat_before.varnish.recoat_opens"].startswith("gives 20 °C only")
    assert said["launch.not_before"].startswith("gives 20 °C only")
    assert "recoat_before.varnish.recoat_closes" not in said
    assert said["times.handle"] == (
        "gives 24 h from 20 to 30 °C whatever the temperature, so it counts alike there, "
        "no shorter in more heat, and under 20 °C not at all"
    )


def test_what_spec_check_notes_passes_over_a_clock_without_rows() -> None:
    assert any(note.key.startswith("when[1].times.touch_dry") for note in check_notes(SHEET))


@pytest.mark.parametrize(
    ("old", "new", "key", "problem"),
    [
        ('hardener = "W 2"', "", "when[1]", "names no condition"),
        ('hardener = "W 2"', "hardener = 2", "when[1].hardener", "2 is not text"),
        ('hardener = "W 2"', 'hardener = "?"', "when[1].hardener", "still to be entered"),
        ('hardener = "W 2"', 'hardener = "W 2"\nhumidity = "80 %"', "when[1].mix",
         "cannot go by the air's humidity"),
        ('ratio = "3:1"', 'ratio = "3:0"', "when[1].mix.ratio", "has no hardener"),
        ('ratio = "3:1"', 'ratios = "3:1"', "when[1].mix.ratios", "is no key that belongs"),
        ('bound = "-5 degC"', 'bound = "40 degC"',
         "when[1].limits.apply.surface_temp_min", "is not under surface_temp_max 35"),
        ('touch_dry = { "10 degC" = "6 h" }', 'touch_dry = "none"', "when[1].times.touch_dry",
         "does not say at what temperature"),
        ('ratio = "3:1"', 'ratio = "3:1"\n[[when]]\nhardener = "W 2"\n[when.mix]\nratio = "5:1"',
         "when[2].mix", "stands under the same conditions in when[1]"),
    ],
)  # fmt: skip
def test_a_fault_in_a_column_is_named_where_it_stands(
    old: str, new: str, key: str, problem: str
) -> None:
    assert SHEET.count(old) == 1, old
    faults = check_spec(SHEET.replace(old, new), "x")
    assert any(each.key == key and problem in each.problem for each in faults), faults


def test_a_hardener_that_cannot_be_read_brings_no_other_fault() -> None:
    text = SHEET.replace('hardener = "W 2"', "hardener = 2") + '[[when]]\nhardener = "T"\n'
    text += '[when.times]\ntouch_dry = { "20 degC" = "4 h" }\n'
    assert [each.key for each in check_spec(text, "x")] == ["when[1].hardener"]


def test_a_fault_of_the_sheets_own_mix_is_named_once() -> None:
    faults = check_spec(SHEET.replace('thinner_max = "5 %"', 'thinner_max = "5 K"'), "x")
    assert [each.key for each in faults] == ["mix.thinner_max"]
