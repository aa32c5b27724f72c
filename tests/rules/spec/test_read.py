"""Each fault that a spec can have, by key, line and words; and what a sound one becomes."""

from __future__ import annotations

import json
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.errors import SpecFault
from rules.spec.model import Limit, PotSize, ThinnerBand, TimeRow, TimeTable
from rules.spec.read import FAMILIES, check_notes, check_spec, load_spec, new_spec_text, spec_dict
from rules.vocabulary import ClockName, LimitName, Method, Stage, Step

# An invented coating; its figures serve the tests and no paint.
SOUND = """\
name = "creek-primer"
title = "Creek primer"
family = "two-pack-epoxy"
[source]
sheet = "An invented sheet"
revision = "3"
date = 2026-03-31
[limits.apply]
dew_margin_min = { bound = "5 degF", until = "handle" }
humidity_max = { bound = "85 %", until = "handle" }
surface_temp_min = { bound = "50 degF", until = "cured", guard = false }
surface_temp_max = { bound = "35 degC", until = "touch-dry" }
[limits.cure]
surface_temp_min = { bound = "5 degC", until = "cured" }
[wet_film_cooling]
gun = "1 K"
[times]
induction = { "20 degC" = "15 min" }
pot_life = { "30 degC" = "2 h", "20 degC" = "4 h", "50 degF" = "8 h" }
flash = { "20 degC" = "20 min" }
touch_dry = { "20 degC" = "5 h" }
recoat_opens = { "10 degC" = "16 h", "20 degC" = "8 h" }
recoat_closes = { "10 degC" = "5 days", "20 degC" = "5 days" }
tape_not_before = { "10 degC" = "10 h", "20 degC" = "5 h" }
tape_not_after = { "20 degC" = "24 h" }
handle = { "20 degC" = "24 h" }
cured = { "20 degC" = "7 days" }
[recoat_before.two-pack-polyurethane]
recoat_closes = { "20 degC" = "3 days" }
[pot_sizes]
"1 l" = "80 %"
"3 l" = "60 %"
[tape]
not_after = "5 days"
[mix]
by = "volume"
ratio = "3:1"
base_density = "1.4 kg/l"
solids_by_volume = "50 %"
thinner_max = "10 %"
max_batch = "4 l"
[[mix.thinner]]
method = "gun"
from = "10 degC"
to = "20 degC"
min = "5 %"
max = "10 %"
[[mix.thinner]]
from = "20 degC"
to = "30 degC"
min = "0 %"
max = "5 %"
[call]
dwell = "5 min"
re_entry_band = { humidity = "3 %" }
[[measure]]
what = "wood-moisture"
high = "16 %"
[advice]
reminder = "Wash."
"""


def changed(old: str, new: str) -> str:
    """Return the sound text with one thing changed."""
    assert SOUND.count(old) == 1, old
    return SOUND.replace(old, new)


def test_a_sound_spec_has_no_fault_and_every_figure_in_si() -> None:
    assert check_spec(SOUND, "creek-primer") == ()
    spec = load_spec(SOUND, "creek-primer")
    assert (spec.name, spec.title, spec.family) == (
        "creek-primer",
        "Creek primer",
        "two-pack-epoxy",
    )
    assert spec.provenance.date == "2026-03-31"
    assert not spec.provenance.generic
    apply = spec.limits[Stage.APPLY]
    # A margin of 5 degF is a difference, 5/1.8 K; 50 degF is a point, 10 degC (NIST SP 811).
    assert apply[LimitName.DEW_MARGIN_MIN].bound == pytest.approx(2.7778, abs=5e-5)
    assert apply[LimitName.SURFACE_TEMP_MIN] == Limit(
        LimitName.SURFACE_TEMP_MIN, 10.0, Step.CURED, guard=False
    )
    assert spec.limits_for(Stage.CURE)[LimitName.SURFACE_TEMP_MIN].bound == 5.0
    assert spec.limits_for(Stage.CURE)[LimitName.HUMIDITY_MAX].bound == 85.0
    assert spec.times[ClockName.POT_LIFE] == TimeTable(
        (TimeRow(10.0, 28800.0), TimeRow(20.0, 14400.0), TimeRow(30.0, 7200.0))
    )
    assert spec.recoat_by_next == {
        "two-pack-polyurethane": {
            ClockName.RECOAT_CLOSES: TimeTable((TimeRow(20.0, 259200.0),), 10.0),
        }
    }
    assert spec.pot_sizes == (PotSize(1000.0, 0.8), PotSize(3000.0, 0.6))
    assert spec.tape_not_after_s == 432000.0
    assert spec.wet_film_cooling_k == {Method.GUN: 1.0}
    assert spec.mix is not None
    assert (spec.mix.base_parts, spec.mix.hardener_parts) == (3.0, 1.0)
    assert (spec.mix.base_density_g_per_ml, spec.mix.thinner_density_g_per_ml) == (1.4, None)
    assert spec.mix.thinner_bands == (
        ThinnerBand(Method.GUN, 10.0, 20.0, 5.0, 10.0),
        ThinnerBand(None, 20.0, 30.0, 0.0, 5.0),
    )
    assert spec.mix.max_batch_ml == 4000.0
    assert (spec.dwell_s, spec.re_entry_s, spec.coating_time_s) == (300.0, 900.0, 3600.0)
    assert (spec.re_entry_band.humidity_pct, spec.re_entry_band.temp_k) == (3.0, 0.5)
    assert [(m.what, m.unit, m.low, m.high) for m in spec.measurements] == [
        ("wood-moisture", "pct", None, 16.0)
    ]
    assert (spec.reminder, spec.after_closes) == ("Wash.", "")


FAULTS = [
    # what is changed, into what, and the one fault that follows
    ("bound = \"85 %\"", "bound = \"85\"",
     "line 10, limits.apply.humidity_max.bound: '85' has no unit; "
     'write a percentage with its unit, such as "85 %".'),
    ("bound = \"85 %\"", "bound = 85",
     "line 10, limits.apply.humidity_max.bound: 85 has no unit; "
     'write a percentage with its unit, such as "85 %", in quotes.'),
    ("bound = \"85 %\"", "bound = \"85 K\"",
     "line 10, limits.apply.humidity_max.bound: '85 K' does not fit here; "
     'write a percentage with its unit, such as "85 %".'),
    ("bound = \"85 %\"", "bound = \"120 %\"",
     "line 10, limits.apply.humidity_max.bound: '120 %' cannot be right; "
     "give a figure from 1 to 100 %."),
    ("bound = \"85 %\"", "bound = \"0.85 %\"",
     "line 10, limits.apply.humidity_max.bound: '0.85 %' cannot be right; "
     "give a figure from 1 to 100 %."),
    ("bound = \"5 degF\"", "bound = \"-3 K\"",
     "line 9, limits.apply.dew_margin_min.bound: '-3 K' cannot be right; "
     "give a figure from 0 to 20 K."),
    ("bound = \"50 degF\"", "bound = \"283 degC\"",
     "line 11, limits.apply.surface_temp_min.bound: '283 degC' cannot be right; "
     "give a figure from -20 to 60 degC."),
    ("humidity_max =", "humidty_max =",
     "line 8, limits.apply.humidity_max: is missing; "
     'add humidity_max = { bound = "85 %", until = "touch-dry" }.\n'
     "line 10, limits.apply.humidty_max: is no key that belongs here; "
     "did you mean humidity_max."),
    ("[pot_sizes]", "[potsize]",
     "line 30, potsize: is no key that belongs here; did you mean pot_sizes."),
    ("revision = \"3\"", "zzz = 1",
     "line 6, source.zzz: is no key that belongs here; "
     "write sheet, revision, date or generic, or remove it."),
    ("[limits.cure]", "[limits.curing]",
     "line 13, limits.curing: is no key that belongs here; did you mean cure."),
    ("[limits.cure]", "[limits.mix]",
     "line 13, limits.mix: is no key that belongs here; "
     "write apply, flash or cure, or remove it."),
    ("bound = \"85 %\", until = \"handle\"", "bound = \"85 %\", until = \"touch dry\"",
     "line 10, limits.apply.humidity_max.until: 'touch dry' is not one of the words for it; "
     "did you mean touch-dry."),
    ("bound = \"85 %\", until = \"handle\"", "bound = \"85 %\"",
     "line 10, limits.apply.humidity_max.until: is missing; "
     'add until = "touch-dry" (or recoat-opens, handle or cured).'),
    ("{ bound = \"85 %\", until = \"handle\" }", "\"85 %\"",
     "line 10, limits.apply.humidity_max: '85 %' is not a table; "
     "write its keys and figures in { }."),
    ("guard = false", "guard = \"no\"",
     "line 11, limits.apply.surface_temp_min.guard: 'no' is not true or false; "
     "write true or false, no quotes."),
    ("bound = \"35 degC\"", "bound = \"8 degC\"",
     "line 11, limits.apply.surface_temp_min: surface_temp_min 10 is not under "
     "surface_temp_max 8, so nothing would ever be inside; correct one of the two."),
    ("bound = \"5 degC\"", "bound = \"40 degC\"",
     "line 14, limits.cure.surface_temp_min: surface_temp_min 40 is not under "
     "surface_temp_max 35, so nothing would ever be inside; correct one of the two."),
    ("bound = \"5 degC\", until = \"cured\"", "bound = \"5 degC\", until = \"touch-dry\"",
     "line 14, limits.cure.surface_temp_min.until: never counts, since cure begins at touch-dry; "
     "name a later step, or remove the limit."),
    ("handle = { \"20 degC\" = \"24 h\" }\n", "",
     "line 9, limits.apply.dew_margin_min.until: names handle, but [times] does not say when "
     "that is; add handle to [times].\n"
     "line 10, limits.apply.humidity_max.until: names handle, but [times] does not say when "
     "that is; add handle to [times]."),
    ("pot_life = {", "sand = {",
     "line 17, times.pot_life: is missing; add pot_life = { \"20 degC\" = \"8 h\" }."),
    ("gun = \"1 K\"", "spray = \"1 K\"",
     "line 16, wet_film_cooling.spray: is no key that belongs here; "
     "write brush, roller or gun, or remove it."),
    ("gun = \"1 K\"", "gun = \"1 h\"",
     "line 16, wet_film_cooling.gun: '1 h' is not a temperature in K, degC or degF; "
     'write a temperature difference with its unit, such as "3 K".'),
    ("\"30 degC\" = \"2 h\"", "\"30 degC\" = \"5 h\"",
     "line 19, times.pot_life.'30 degC': takes 5 h, longer than the 4 h at 20 degC, "
     "but times fall as it gets warmer; correct one of the two."),
    ("\"30 degC\" = \"2 h\"", "\"68 degF\" = \"2 h\"",
     "line 19, times.pot_life.'20 degC': is the same temperature as '68 degF'; keep one."),
    ("\"30 degC\" = \"2 h\"", "30 = \"2 h\"",
     "line 19, times.pot_life.30: '30' has no unit; "
     'write a temperature with its unit, such as "10 degC".'),
    ("\"30 degC\" = \"2 h\"", "\"30 degC\" = \"-2 h\"",
     "line 19, times.pot_life.'30 degC': '-2 h' is not over zero; "
     'give a time such as "4 h", or leave it out.'),
    ("touch_dry = { \"20 degC\" = \"5 h\" }", "touch_dry = \"5 h\"",
     "line 21, times.touch_dry: '5 h' does not say at what temperature; "
     'write { "20 degC" = "4 h" }, with a row for each temperature of the sheet.'),
    ("touch_dry = { \"20 degC\" = \"5 h\" }", "touch_dry = { }",
     "line 21, times.touch_dry: has no rows; "
     'write { "20 degC" = "4 h" }, with a row for each temperature of the sheet.'),
    ("flash = {", "clearance = {",
     "line 20, times.clearance: is no key that belongs here; "
     "write induction, pot_life, wipe_dry, flash, touch_dry, recoat_opens, recoat_closes, "
     "tape_not_before, tape_not_after, sand, handle or cured, or remove it."),
    ("\"20 degC\" = \"15 min\"", "\"20 degC\" = \"4 h\"",
     "line 19, times.pot_life: is 4 h at 20 degC, and induction 4 h: "
     "the mix would be spent before its first use; correct one of the two."),
    ("\"20 degC\" = \"20 min\"", "\"20 degC\" = \"6 h\"",
     "line 21, times.touch_dry: is 5 h at 20 degC, and flash 6 h: "
     "a film is not dry before it has flashed off; correct one of the two."),
    ("handle = { \"20 degC\" = \"24 h\"", "handle = { \"20 degC\" = \"4 h\"",
     "line 26, times.handle: is 4 h at 20 degC, and touch_dry 5 h: "
     "a film is not handled before it is touch dry; correct one of the two."),
    ("cured = { \"20 degC\" = \"7 days\"", "cured = { \"20 degC\" = \"7 h\"",
     "line 27, times.cured: is 7 h at 20 degC, and handle 24 h: "
     "a film is handled before it is cured; correct one of the two."),
    ("recoat_closes = { \"10 degC\" = \"5 days\", \"20 degC\" = \"5 days\" }",
     "recoat_closes = { \"10 degC\" = \"12 h\", \"20 degC\" = \"9 h\" }",
     "line 23, times.recoat_closes: the window closes at 12 h, no later than it opens at 16 h "
     "(10 degC); correct one of the two."),
    ("recoat_closes = { \"20 degC\" = \"3 days\"", "recoat_closes = { \"20 degC\" = \"6 h\"",
     "line 28, recoat_before.two-pack-polyurethane: the window closes at 6 h, no later than it "
     "opens at 8 h (20 degC); correct one of the two."),
    ("[recoat_before.two-pack-polyurethane]", "[recoat_before.two-pack-polyurethan]",
     "line 28, recoat_before.two-pack-polyurethan: is no family and looks like one; "
     "did you mean two-pack-polyurethane."),
    ("\"20 degC\" = \"24 h\" }\nhandle", "\"20 degC\" = \"4 h\" }\nhandle",
     "line 25, times.tape_not_after: is 4 h at 20 degC, and tape_not_before 5 h: "
     "the tape could never come off; correct one of the two."),
    ("not_after = \"5 days\"", "not_after = \"8 h\"",
     "line 34, tape.not_after: 8 h is no longer than tape_not_before 10 h at 10 degC, "
     "so the tape could never come off; correct one of the two."),
    ("\"3 l\" = \"60 %\"", "\"3 l\" = \"90 %\"",
     "line 32, pot_sizes.'3 l': keeps 90 % of the pot life, more than the 80 % of a smaller pot, "
     "but a bigger pot heats up more; correct one of the two."),
    ("ratio = \"3:1\"", "ratio = \"3:0\"",
     "line 37, mix.ratio: '3:0' has no hardener, without which a two-pack-epoxy never cures; "
     "give its parts, such as 3:1."),
    ("ratio = \"3:1\"", "ratio = \"0:1\"",
     "line 37, mix.ratio: '0:1' has no base; give its parts, such as 3:1."),
    ("ratio = \"3:1\"", "ratio = \"three to one\"",
     "line 37, mix.ratio: 'three to one' is not a ratio; "
     'write parts of base to parts of hardener, such as "3:1".'),
    ("ratio = \"3:1\"\n", "",
     "line 35, mix.ratio: is missing; add ratio = \"3:1\" (base to hardener)."),
    ("by = \"volume\"", "by = \"mass\"",
     "line 36, mix.by: 'mass' is not one of the words for it; write volume or weight."),
    ("by = \"volume\"\n", "",
     "line 35, mix.by: is missing; add by = \"volume\" (or weight)."),
    ("base_density = \"1.4 kg/l\"", "base_density = \"14 kg/l\"",
     "line 38, mix.base_density: '14 kg/l' cannot be right; give a figure from 0.3 to 5 g/ml."),
    ("solids_by_volume = \"50 %\"\n", "",
     "line 35, mix.solids_by_volume: is missing; add solids_by_volume = \"50 %\"."),
    ("min = \"5 %\"\nmax = \"10 %\"", "min = \"5 %\"\nmax = \"12 %\"",
     "line 47, mix.thinner[1].max: 12 % is above thinner_max 10 %; correct one of the two."),
    ("min = \"5 %\"\nmax = \"10 %\"", "min = \"5 %\"\nmax = \"4 %\"",
     "line 46, mix.thinner[1].min: 5 % is over max 4 %; correct min or max."),
    ("to = \"30 degC\"", "to = \"20 degC\"",
     "line 49, mix.thinner[2].from: 20 degC is not under 20 degC; correct from or to."),
    ("from = \"20 degC\"\nto = \"30 degC\"", "from = \"15 degC\"\nto = \"30 degC\"",
     "line 48, mix.thinner[2]: overlaps the band from 10 to 20 degC; "
     "let each temperature, method, coat and grade have one band."),
    ("method = \"gun\"", "method = \"gunn\"",
     "line 43, mix.thinner[1].method: 'gunn' is not one of the words for it; did you mean gun."),
    ("dwell = \"5 min\"", "dwell = \"0 min\"",
     "line 54, call.dwell: '0 min' is not over zero; "
     'give a time such as "4 h", or leave it out.'),
    ("dwell = \"5 min\"", "dwell = \"1e-9 s\"",
     "line 54, call.dwell: '1e-9 s' cannot be right; give a time from 0.1 s to 6 h."),
    ("cured = { \"20 degC\" = \"7 days\" }", "cured = { \"20 degC\" = \"7 min\" }",
     "line 27, times.cured.'20 degC': '7 min' cannot be right; give a time from 10 min to 366 d."),
    ("\"20 degC\" = \"4 h\", \"50", "\"20 degC\" = \"4 hh\", \"50",
     "line 19, times.pot_life.'20 degC': '4 hh' has no unit that is known; "
     "write a time with its unit, such as \"16 h\"."),
    ("high = \"16 %\"", "high = \"1600 %\"",
     "line 58, measure[1].high: '1600 %' cannot be right; give a figure from 0 to 250 %."),
    ("{ humidity = \"3 %\" }", "{ rh = \"3 %\" }",
     "line 55, call.re_entry_band.rh: is no key that belongs here; "
     "write dew_margin, humidity or temp, or remove it."),
    ("[[measure]]", "[measure]",
     "line 56, measure: is not a list of tables; open each entry with [[measure]]."),
    ("high = \"16 %\"", "",
     "line 56, measure[1].high: is missing; add high = \"16 %\"."),
    ("high = \"16 %\"", "high = \"16 %\"\nlow = \"18 %\"",
     "line 59, measure[1].low: '18 %' is not under high '16 %'; correct one of the two."),
    ("high = \"16 %\"", "high = \"16 %\"\nlow = \"8 degC\"",
     "line 58, measure[1].high: is in another kind of unit than low; give both in one unit."),
    ("name = \"creek-primer\"", "name = \"Creek Primer\"",
     "line 1, name: 'Creek Primer' is not a short name; "
     'write small letters, figures and hyphens, such as "my-coating".'),
    ("name = \"creek-primer\"\n", "",
     "line 1, name: is missing; add name = \"my-coating\"."),
    ("title = \"Creek primer\"", "title = \"\\u001b[31mred\"",
     "line 2, title: holds control characters; write plain words."),
    ("family = \"two-pack-epoxy\"", "family = \"two pack epoxy\"",
     "line 3, family: 'two pack epoxy' is not one of the words for it; "
     "did you mean two-pack-epoxy."),
    ("family = \"two-pack-epoxy\"", "family = \"varnish\"",
     "line 37, mix.ratio: '3:1' has a hardener, but the family varnish has none; "
     "remove the ratio, or correct the family."),
    ("sheet = \"An invented sheet\"", "sheet = \"\"",
     'line 5, source.sheet: is empty; write for instance "title of the data sheet".'),
    ("date = 2026-03-31", "date = \"31.3.26\"",
     "line 7, source.date: '31.3.26' is not a date; write it as 2026-03-31."),
    ("reminder = \"Wash.\"", "reminder = 5",
     "line 60, advice.reminder: 5 is not text; put it in quotes."),
    ("bound = \"85 %\"", "bound = \"30-85 %\"",
     "line 10, limits.apply.humidity_max.bound: '30-85 %' is a range; "
     'write humidity_min "30 %" and humidity_max "85 %".'),
    ("until = \"touch-dry\" }", "until = \"soon\" }",
     "line 12, limits.apply.surface_temp_max.until: 'soon' is not one of the words for it; "
     "write touch-dry, recoat-opens, handle or cured."),
    ("until = \"touch-dry\" }", "until = \"24\" }",
     "line 12, limits.apply.surface_temp_max.until: '24' has no unit; "
     'write a time with its unit, such as "16 h".'),
    ("until = \"touch-dry\" }", "until = \"touch-dry\", wait = \"36 degC\" }",
     "line 12, limits.apply.surface_temp_max.wait: 36 is past the bound 35, so there would be "
     "STOP before HOLD; give a figure under the bound, or leave it out."),
    ("by = \"volume\"", "by = \"volume\"\nratio_by_weight = \"3:1\"\nhardener_density = \"1 kg/l\"",
     "line 37, mix.ratio_by_weight: does not agree: by volume the sheet has 3:1, and its "
     "weights with the densities 1.4 and 1 kg/l make 2.14:1; correct the one that is wrong."),
    ("[advice]", "[film]\nlayers_max = 3\n[advice]",
     "line 60, film.layers_max: says 3 coats, but not how thick one of them is; "
     'add wet_max = "120 um" or dry_max = "60 um".'),
    ("[advice]", "[film]\nlayers_max = 1.5\nwet_max = \"1 mm\"\n[advice]",
     "line 60, film.layers_max: 1.5 is no whole number from 1 to 20; give one."),
    ("[advice]", "[[when]]\n[when.times]\nsand = { \"20 degC\" = \"9 h\" }\n[advice]",
     'line 59, when[1]: names no condition; give one, such as method = "gun".'),
    ("[advice]", "[[when]]\nmethod = \"gun\"\n[advice]",
     'line 59, when[1]: has no times; add [when.times] with { "20 degC" = "4 h" }.'),
    ("[advice]", "[[when]]\nmethod = \"gun\"\n[when.times]\n"
     "pot_life = { \"20 degC\" = \"9 min\" }\n[advice]",
     "line 62, when[1].times.pot_life: is 9 min at 20 degC, and induction 15 min: the mix would "
     "be spent before its first use; correct one of the two."),
    ("[advice]", "[overcoat]\nsanded_key = \"3 days\"\n[advice]",
     "line 60, overcoat.sanded_key: '3 days' is over 48 h, after which a sanded ground is dirty "
     'and dead again; give at most "48 h".'),
    ("[advice]", "[overcoat]\nabraded = \"4 days\"\n[advice]",
     "line 60, overcoat.abraded: 4 d is no longer than times.recoat_closes 5 d at 10 degC, so it "
     "would come off before it need be sanded; correct one of the two."),
    ("[advice]", "[post_cure]\nhold = \"60 degC\"\n[advice]",
     'line 59, post_cure.takes: is missing; add takes = "8 h".'),
    ("max_batch = \"4 l\"", "max_batch = \"4,5 l\"",
     "line 41, mix.max_batch: '4,5 l' has a comma; "
     'use a decimal point, and write a volume with its unit, such as "500 ml".'),
    ('high = "16 %"', 'high = "16 um"',
     "line 58, measure[1].high: '16 um' is no wood-moisture; give it in %."),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "expected"), FAULTS, ids=lambda text: text[:40])
def test_a_fault_is_named_with_key_line_and_fix(old: str, new: str, expected: str) -> None:
    assert "\n".join(map(str, check_spec(changed(old, new), "x"))) == expected


def test_a_table_with_a_fault_is_not_said_to_be_left_out() -> None:
    steps = '[overcoat]\nwet_on_wet = "2 h"\nabraded = "6 months"\n[advice]'
    text = changed("[advice]", steps).replace('"16 h", "20', '"16 h", "50 degF" = "16 h", "20')
    text = text.replace('"5 days", "20', '"5 days", "50 degF" = "5 days", "20')
    assert [fault.key for fault in check_spec(text, "x")] == [
        "times.recoat_opens.'50 degF'",
        "times.recoat_closes.'50 degF'",
    ]


@pytest.mark.parametrize("key", ["dry_min", "dry_max"])
@pytest.mark.parametrize(("dry", "is_noted"), [("110 um", False), ("120 um", True)])
def test_a_dry_film_thicker_than_the_wet_one_leaves_is_noted(
    key: str, dry: str, is_noted: bool
) -> None:
    # Of 200 um wet at 50 % solids 100 um stay; sheets round by a tenth (judgement, no source).
    film = f'[film]\nwet_max = "200 um"\n{key} = "{dry}"\n[advice]'
    keys = [note.key for note in check_notes(changed("[advice]", film))]
    assert (f"film.{key}" in keys) is is_noted


SYNTAX = [
    ("bound = \"85 %\"", "bound = 85 %", 10, "quotes, such as"),
    ("[pot_sizes]", "[pot_sizes", 30, "a line is [table]"),
    ("revision = \"3\"", "sheet = \"3\"", 6, "twice"),
    ("reminder = \"Wash.\"", "reminder = \"Wash.", 60, "a line is [table]"),
]  # fmt: skip


def test_a_band_of_thinner_without_temperatures_holds_at_every_one() -> None:
    spec = load_spec(
        changed('from = "20 degC"\nto = "30 degC"\n', 'coat = 2\nmethod = "brush"\n'), "x"
    )
    assert spec.mix is not None
    band = spec.mix.thinner_bands[1]
    assert (band.from_c, band.to_c, band.coat) == (-20.0, 60.0, 2)


def test_a_step_that_only_columns_by_humidity_time_is_timed() -> None:
    column = '[[when]]\nhumidity = "{} %"\n[when.times]\ntouch_dry = {{ "20 degC" = "{} h" }}\n'
    more = column.format(30, 4) + column.format(80, 5) + "[advice]"
    text = changed('touch_dry = { "20 degC" = "5 h" }\n', "")
    assert any("touch_dry" in str(fault) for fault in check_spec(text, "x"))
    assert check_spec(text.replace("[advice]", more), "x") == ()


@pytest.mark.parametrize(
    ("what", "example"),
    [("dust-class", "2 class"), ("chloride", "30 mg/m2"), ("blast-hours", "4 h"),
     ("paint-temp", "10 degC"), ("profile", "120 um"), ("wood-moisture", "85 %")],
)  # fmt: skip
def test_a_measure_without_a_unit_is_told_its_own(what: str, example: str) -> None:
    text = changed('what = "wood-moisture"\nhigh = "16 %"', f'what = "{what}"\nhigh = "3"')
    (fault,) = check_spec(text, "x")
    assert f'such as "{example}"' in fault.fix


@pytest.mark.parametrize(("old", "new", "line", "fix"), SYNTAX, ids=range(len(SYNTAX)))
def test_text_that_is_not_toml_is_named_by_its_line(
    old: str, new: str, line: int, fix: str
) -> None:
    (fault,) = check_spec(changed(old, new), "x")
    assert fault.line == line
    assert fault.problem.startswith("is not TOML: ")
    assert fix in fault.fix


def test_a_text_nested_without_end_is_refused() -> None:
    (fault,) = check_spec("x = " + "[" * 100_000, "x")
    assert str(fault) == "line 1: is nested too deeply; write plain tables, as in the examples."


def test_a_number_of_thousands_of_digits_is_refused() -> None:
    (fault,) = check_spec(changed('reminder = "Wash."', "x = " + "1" * 5000), "x")
    assert str(fault) == (
        "line 60: holds a number too long to be read; "
        'write each figure with its unit in quotes, such as "3 K".'
    )


def test_an_empty_text_lacks_everything_that_is_needed() -> None:
    assert [fault.key for fault in check_spec("", "x")] == [
        "name",
        "title",
        "family",
        "source.sheet",
        "limits.apply.dew_margin_min",
        "limits.apply.humidity_max",
        "limits.apply.surface_temp_min",
        "times.touch_dry",
        "times.cured",
    ]


def test_every_fault_comes_at_once_and_in_the_order_of_the_lines() -> None:
    text = changed('bound = "85 %"', 'bound = "85"').replace("[tape]", "[tap]")
    text = text.replace('ratio = "3:1"', 'ratio = "3"')
    faults = check_spec(text, "x")
    assert [(f.line, f.key) for f in faults] == [
        (10, "limits.apply.humidity_max.bound"),
        (33, "tap"),
        (37, "mix.ratio"),
    ]
    with pytest.raises(SpecFault) as caught:
        load_spec(text, "creek-primer")
    lines = str(caught.value).splitlines()
    assert lines[0] == "spec 'creek-primer' has 3 faults and is not used:"
    assert lines[1:] == [f"  {fault}" for fault in faults]


def test_a_window_that_crosses_only_between_the_rows_of_one_table_is_found() -> None:
    # Opens 16 h at 10 and 8 h at 20 degC. At 15 degC by Arrhenius, worked by hand: 1/T is
    # 3.53170e-3, 3.47041e-3 and 3.41122e-3 1/K, so 0.5087 of the way: 16 h / 2**0.5087 = 11.25 h.
    text = changed(
        'recoat_closes = { "10 degC" = "5 days", "20 degC" = "5 days" }',
        'recoat_closes = { "15 degC" = "11.2 h" }',
    )
    (fault,) = check_spec(text, "x")
    assert fault.problem == (
        "the window closes at 11 h 12 min, no later than it opens at 11 h 14 min (15 degC)"
    )
    assert check_spec(text.replace("11.2 h", "11.3 h"), "x") == ()


def test_tables_without_a_common_temperature_are_not_compared() -> None:
    text = changed('touch_dry = { "20 degC" = "5 h" }', 'touch_dry = { "30 degC" = "30 h" }')
    assert check_spec(text, "x") == ()


# A family that needs water from the air: invented figures, minimum as practice has it (30-50 %).
MOISTURE_CURING = """\
name = "creek-sealer"
title = "Creek sealer"
family = "moisture-curing-polyurethane"
[source]
sheet = "An invented sheet"
[limits.apply]
dew_margin_min = { bound = "3 K", until = "touch-dry" }
humidity_min = { bound = "40 %", until = "cured" }
humidity_max = { bound = "80 %", until = "touch-dry" }
surface_temp_min = { bound = "5 degC", until = "cured" }
[times]
touch_dry = { "20 degC" = "4 h" }
cured = { "20 degC" = "5 days" }
"""


def test_a_coating_that_needs_humidity_keeps_both_bounds() -> None:
    spec = load_spec(MOISTURE_CURING, "creek-sealer")
    apply = spec.limits_for(Stage.APPLY)
    assert apply[LimitName.HUMIDITY_MIN] == Limit(LimitName.HUMIDITY_MIN, 40.0, Step.CURED)
    assert apply[LimitName.HUMIDITY_MAX].bound == 80.0
    assert spec.mix is None
    (fault,) = check_spec(MOISTURE_CURING.replace('"40 %"', '"80 %"'), "x")
    assert str(fault) == (
        "line 8, limits.apply.humidity_min: humidity_min 80 is not under humidity_max 80, "
        "so nothing would ever be inside; correct one of the two."
    )


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm() -> None:
    text = "\ufeff" + SOUND.replace("\n", "\r\n")
    assert load_spec(text, "x") == load_spec(SOUND, "x")
    (fault,) = check_spec(text.replace("3:1", "3"), "x")
    assert fault.line == 37


def test_the_dict_has_the_whole_spec_in_si_units() -> None:
    shown = json.loads(json.dumps(spec_dict(load_spec(SOUND, "x")), allow_nan=False))
    assert shown["limits"]["cure"] == {
        "surface_temp_min": {
            "bound": 5.0,
            "wait": None,
            "unit": "degC",
            "effect": "harm",
            "then": None,
            "until": "cured",
            "until_s": None,
            "guard": True,
        }
    }
    assert shown["limits"]["apply"]["surface_temp_min"]["guard"] is False
    assert shown["times"]["recoat_opens"] == [
        {"temp_c": 10.0, "duration_s": 57600.0},
        {"temp_c": 20.0, "duration_s": 28800.0},
    ]
    assert shown["recoat_before"]["two-pack-polyurethane"]["recoat_closes"] == [
        {"temp_c": 20.0, "duration_s": 259200.0}
    ]
    assert shown["pot_sizes"][1] == {"from_ml": 3000.0, "from_g": None, "factor": 0.6}
    assert shown["tape_not_after_s"] == 432000.0
    assert shown["wet_film_cooling_k"] == {"gun": 1.0}
    assert shown["mix"]["thinner"][1]["method"] is None
    assert shown["mix"]["hardener_parts"] == 1.0
    assert shown["call"]["dwell_s"] == 300.0
    (measure,) = shown["measure"]
    assert {key: measure[key] for key in ("what", "unit", "low", "high", "max_age_s")} == {
        "what": "wood-moisture",
        "unit": "pct",
        "low": None,
        "high": 16.0,
        "max_age_s": 86_400.0,
    }
    assert shown["source"]["date"] == "2026-03-31"
    assert (shown["advice"]["reminder"], shown["advice"]["after_closes"]) == ("Wash.", "")


@pytest.mark.parametrize("family", FAMILIES)
def test_a_new_spec_lacks_only_what_it_asks_the_user_to_enter(family: str) -> None:
    text = new_spec_text("creek-primer", family)
    assert "Enter your data sheet's figures" in text
    faults = check_spec(text, "creek-primer")
    assert {fault.problem for fault in faults} == {"is still to be entered"}
    asked = [line for line in text.splitlines() if not line.startswith("#") and '"?' in line]
    assert len(faults) == len(asked)
    filled = _filled(text)
    assert check_spec(filled, "creek-primer") == ()
    assert load_spec(filled, "creek-primer").family == family


@pytest.mark.parametrize("family", FAMILIES)
def test_a_new_spec_with_every_suggestion_taken_up_passes_too(family: str) -> None:
    text = new_spec_text("creek-primer", family)
    # Take the # from every line that is TOML and not prose.
    opened = re.sub(r"(?m)^# (?=\[|[a-z_]+ = )", "", text)
    assert len(check_spec(opened, "x")) > len(check_spec(text, "x")) + 10
    assert check_spec(_filled(opened), "creek-primer") == ()


# What a user might enter for each ?, where 10 of whatever unit is asked for would not do.
ENTERED = {
    "humidity_max": 85,
    "humidity_min": 30,
    "surface_temp_max": 35,
    "air_temp_max": 35,
    "handle": 24,
    "recoat_closes": 5,
    "wet_on_wet": 4,
    "to": 30,
    "min": 0,
    "thinner_max": 20,
    "base_density": 1.4,
    "hardener_density": 1,
    "thinner_density": 0.9,
    "wet_max": 120,
    "dry_max": 60,
    "total_dry_max": 200,
    "hold": 60,
}


def _filled(text: str) -> str:
    lines = []
    for line in text.splitlines():
        if not line.startswith("#"):
            key = line.split(" = ")[0]
            line = line.replace('"?:?"', '"3:1"').replace('"?"', '"An invented sheet"')
            line = line.replace('"? ', f'"{ENTERED.get(key, 10)} ')
        lines.append(line)
    return "\n".join(lines)


def test_a_new_spec_of_no_known_family_or_name_is_refused() -> None:
    with pytest.raises(SpecFault, match="family 'gloss' is not known, so no spec can be started"):
        new_spec_text("x", "gloss")
    with pytest.raises(SpecFault, match="name 'a\"b' cannot name a spec, so none is started"):
        new_spec_text('a"b', "varnish")


FIGURE_SPANS = [match.span(1) for match in re.finditer(r'= "([^"]*)"', SOUND)]


@given(
    st.sampled_from(FIGURE_SPANS),
    st.text(st.characters(exclude_categories=["Cs"], exclude_characters='"\\'), max_size=20),
)
def test_whatever_stands_for_a_figure_is_used_or_named(span: tuple[int, int], text: str) -> None:
    changed_text = SOUND[: span[0]] + text + SOUND[span[1] :]
    faults = check_spec(changed_text, "x")
    assert all(str(fault).isprintable() for fault in faults)
    if faults:
        with pytest.raises(SpecFault):
            load_spec(changed_text, "x")
    else:
        load_spec(changed_text, "x")


@given(st.text(max_size=200))
def test_any_text_at_all_is_answered_with_faults(text: str) -> None:
    faults = check_spec(text, "x")
    assert faults
    assert all(str(fault).isprintable() for fault in faults)
