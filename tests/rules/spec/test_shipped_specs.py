"""The specs that come with the program: sound, marked generic, and fit for a fair day."""

from __future__ import annotations

import json
import math
from importlib.resources import files
from itertools import pairwise

import psychrolib
import pytest

from rules.spec.model import Spec, TimeTable
from rules.spec.read import check_spec, load_spec, spec_dict
from rules.vocabulary import ClockName, LimitName, Method, Stage, Step

TEXTS = {
    entry.name.removesuffix(".toml"): entry.read_text(encoding="utf-8")
    for entry in files("rules.specs").iterdir()
    if entry.name.endswith(".toml")
}
SPECS = {name: load_spec(text, name) for name, text in sorted(TEXTS.items())}

each_spec = pytest.mark.parametrize("spec", SPECS.values(), ids=SPECS)


def test_the_five_starters_are_there() -> None:
    assert sorted(TEXTS) == [
        "one-pack-enamel",
        "polyurethane-topcoat",
        "two-pack-epoxy-high-build",
        "two-pack-epoxy-primer",
        "varnish",
    ]


@pytest.mark.parametrize("name", sorted(TEXTS))
def test_a_shipped_spec_passes_its_check(name: str) -> None:
    assert check_spec(TEXTS[name], name) == ()
    assert SPECS[name].name == name


@pytest.mark.parametrize("name", sorted(TEXTS))
def test_a_shipped_spec_says_that_it_is_generic(name: str) -> None:
    assert SPECS[name].provenance.generic
    assert "no source" in SPECS[name].provenance.sheet
    assert "enter your data sheet's figures" in SPECS[name].provenance.sheet
    assert "ENTER YOUR DATA SHEET'S FIGURES" in "".join(TEXTS[name].splitlines(True)[:4])


@each_spec
def test_the_margin_is_the_three_kelvin_of_iso_8502_4(spec: Spec) -> None:
    # ISO 8502-4:2017 guidance: surface at least 3 degC over the dew point (clause from memory).
    limit = spec.limits[Stage.APPLY][LimitName.DEW_MARGIN_MIN]
    assert limit.bound == 3.0
    assert limit.guard
    assert limit.until in (Step.HANDLE, Step.CURED)


@each_spec
def test_humidity_is_the_practice_of_85_percent_or_80_for_polyurethane(spec: Spec) -> None:
    # 85 %: common practice, and critical by ISO 8502-4's informative remark (from memory);
    # 80 % or lower for two-pack polyurethane: common practice, no source.
    expected = 80.0 if spec.family == "two-pack-polyurethane" else 85.0
    assert spec.limits[Stage.APPLY][LimitName.HUMIDITY_MAX].bound == expected


@each_spec
def test_application_temperatures_stand_as_practice_has_them(spec: Spec) -> None:
    # 10 to 35 degC in general, epoxies nearly stop under 10: common practice, no source.
    apply = spec.limits[Stage.APPLY]
    assert apply[LimitName.SURFACE_TEMP_MIN].bound in (8.0, 10.0)
    assert apply[LimitName.SURFACE_TEMP_MAX].bound in (30.0, 35.0)
    if spec.family.startswith("two-pack"):
        assert apply[LimitName.SURFACE_TEMP_MIN].bound == 10.0
        assert apply[LimitName.SURFACE_TEMP_MIN].until is Step.CURED
    assert apply[LimitName.AIR_TEMP_MAX].until is Step.TOUCH_DRY


# Working ranges of activation energy from abstracts on curing [kJ/mol]: primary amine and epoxy
# 55-60 (Thermochimica Acta 447 (2006) 167-177) up to 63-70 with other amines, so 50-65 around
# them; urethane 34.7-48.1 and 46-51 (Polymer 46 (2005) 15-25), so 35-55.
EA_RANGE = {"two-pack-epoxy": (50.0, 65.0), "two-pack-polyurethane": (35.0, 55.0)}
# Solvent sets these, or caution does (a window isn't stretched in the cold), not the reaction.
NOT_BY_REACTION = {ClockName.WIPE_DRY, ClockName.FLASH, ClockName.RECOAT_CLOSES}


@pytest.mark.parametrize(
    ("name", "clock"),
    [
        (name, clock)
        for name, spec in SPECS.items()
        if spec.family in EA_RANGE
        for clock in spec.times
        if clock not in NOT_BY_REACTION
    ],
)
def test_times_fall_with_temperature_as_the_chemistry_does(name: str, clock: ClockName) -> None:
    low, high = EA_RANGE[SPECS[name].family]
    for cold, hot in pairwise(SPECS[name].times[clock].rows):
        per_kelvin = 1 / (cold.temp_c + 273.15) - 1 / (hot.temp_c + 273.15)
        ea = 8.314462618e-3 * math.log(cold.duration_s / hot.duration_s) / per_kelvin
        assert low <= ea <= high


@each_spec
def test_the_tables_cover_the_temperatures_at_which_the_coating_may_go_on(spec: Spec) -> None:
    coldest = spec.limits[Stage.APPLY][LimitName.SURFACE_TEMP_MIN].bound
    for clock in (ClockName.TOUCH_DRY, ClockName.RECOAT_OPENS, ClockName.HANDLE, ClockName.CURED):
        assert spec.times[clock].rows[0].temp_c <= coldest


@each_spec
def test_a_window_is_not_stretched_in_the_cold(spec: Spec) -> None:
    # A recoat maximum is not lengthened below 20 degC: common practice made safe, no source.
    tables: list[TimeTable] = [
        times[ClockName.RECOAT_CLOSES]
        for times in (spec.times, *spec.recoat_by_next.values())
        if ClockName.RECOAT_CLOSES in times
    ]
    assert tables
    for table in tables:
        at_20 = next(row.duration_s for row in table.rows if row.temp_c == 20.0)
        assert all(row.duration_s <= at_20 for row in table.rows)


def _dew_point_c(air_c: float, rh_pct: float) -> float:
    psychrolib.SetUnitSystem(psychrolib.SI)
    return float(psychrolib.GetTDewPointFromRelHum(air_c, rh_pct / 100.0))


@each_spec
@pytest.mark.parametrize("method", list(Method))
def test_a_calm_fair_day_is_inside_every_limit_with_default_sensors(
    spec: Spec, method: Method
) -> None:
    # 21 degC, 60 %, surface 19 degC. Default accuracies 0.3 K, 3 %, 0.5 K as half-widths of
    # rectangles (JCGM 100, 4.3.7), guard 1.645 u; the slopes by differences, not by the program.
    u_air, u_rh, u_surface = (a / math.sqrt(3) for a in (0.3, 3.0, 0.5))
    slope_air = (_dew_point_c(21.5, 60) - _dew_point_c(20.5, 60)) / 1.0
    slope_rh = (_dew_point_c(21, 61) - _dew_point_c(21, 59)) / 2.0
    u_margin = math.hypot(u_surface, slope_air * u_air, slope_rh * u_rh)
    margin = 19.0 - spec.wet_film_cooling_k.get(method, 0.0) - _dew_point_c(21.0, 60.0)
    measured = {
        LimitName.DEW_MARGIN_MIN: (margin, u_margin),
        LimitName.HUMIDITY_MAX: (60.0, u_rh),
        LimitName.HUMIDITY_MIN: (60.0, u_rh),
        LimitName.SURFACE_TEMP_MIN: (19.0, u_surface),
        LimitName.SURFACE_TEMP_MAX: (19.0, u_surface),
        LimitName.AIR_TEMP_MIN: (21.0, u_air),
        LimitName.AIR_TEMP_MAX: (21.0, u_air),
    }
    for stage in (Stage.APPLY, Stage.FLASH, Stage.CURE):
        for name, limit in spec.limits_for(stage).items():
            value, u = measured[name]
            inside = value - limit.bound if name.value.endswith("_min") else limit.bound - value
            assert inside >= 1.645 * u + spec.go_band.of(name), (stage, name)


@each_spec
def test_a_shipped_spec_goes_into_json_whole(spec: Spec) -> None:
    shown = json.loads(json.dumps(spec_dict(spec), allow_nan=False))
    assert shown["name"] == spec.name
    assert shown["source"]["generic"] is True
    assert len(shown["times"]) == len(spec.times)
    margin = shown["limits"]["apply"]["dew_margin_min"]
    assert (margin["bound"], margin["unit"], margin["guard"]) == (3.0, "K", True)


def test_a_polyurethane_over_an_epoxy_has_a_window_of_its_own() -> None:
    for name in ("two-pack-epoxy-primer", "two-pack-epoxy-high-build"):
        times = SPECS[name].recoat_by_next[SPECS["polyurethane-topcoat"].family]
        own = SPECS[name].times[ClockName.RECOAT_CLOSES]
        for row, shorter in zip(own.rows, times[ClockName.RECOAT_CLOSES].rows, strict=True):
            assert shorter.duration_s < row.duration_s


def test_only_varnish_asks_for_a_wood_reading() -> None:
    assert [name for name, spec in SPECS.items() if spec.measurements] == ["varnish"]
    (wood,) = SPECS["varnish"].measurements
    assert (wood.what, wood.unit, wood.low, wood.high) == ("wood-moisture", "pct", None, 16.0)
