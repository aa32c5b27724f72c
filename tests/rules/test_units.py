"""Figures with units against published definitions, pint, and the sentences for what is refused."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.errors import FilmcallError
from rules.numbers import number
from rules.text import shown
from rules.units import _FACTORS, BadAmount, UnitAsked, amount, range_ends, temperature_c
from tests.tables_reader import rows


@pytest.mark.parametrize("row", rows("units"), ids=lambda row: f"{row['text']} in {row['to']}")
def test_a_figure_agrees_with_the_published_definition(row: dict[str, str]) -> None:
    value = amount(row["text"], row["to"], difference=row["difference"] == "yes")
    assert value == pytest.approx(float(row["expected"]), abs=float(row["tolerance"]), rel=0)


# pint has no class of dust and takes a bare ratio for a percentage.
_NOT_BY_PINT = ("%", "ppm", "class", "1/h")


@pytest.mark.parametrize(
    ("to", "unit"),
    [(to, unit) for to, units in _FACTORS.items() if to not in _NOT_BY_PINT for unit in units],
)
def test_every_unit_agrees_with_pint(to: str, unit: str) -> None:
    registry = pint.application_registry
    by_pint = registry.Quantity(1.0, unit).to(to).magnitude
    # 1e-12: pint multiplies several factors, this table one.
    assert amount(f"1 {unit}", to) == pytest.approx(by_pint, rel=1e-12)


@given(st.floats(-200, 2000))
def test_temperatures_and_differences_agree_with_pint(value: float) -> None:
    registry = pint.application_registry
    text = f"{value!r} degF"
    # 1e-9 K: pint goes by way of kelvin, which costs about 1e-13 of 300 K.
    assert amount(text, "degC") == pytest.approx(
        registry.Quantity(value, "degF").to("degC").magnitude, abs=1e-9
    )
    assert amount(text, "K") == pytest.approx(
        registry.Quantity(value, "degF").to("K").magnitude, abs=1e-9
    )
    assert amount(text, "K", difference=True) == pytest.approx(
        registry.Quantity(value, "delta_degF").to("K").magnitude, abs=1e-9
    )


FIXES = {
    "s": 'write a time with its unit, such as "16 h"',
    "K": 'write a temperature difference with its unit, such as "3 K"',
    "degC": 'write a temperature with its unit, such as "10 degC"',
    "%": 'write a percentage with its unit, such as "85 %"',
}
SAFE = "choose the figure on the safe side, and "


@pytest.mark.parametrize(
    ("text", "to", "sentence"),
    [
        ("8", "s", "'8' has no unit; {fix}"),
        (8, "s", "8 has no unit; {fix}, in quotes"),
        (0.85, "%", "0.85 has no unit; {fix}, in quotes"),
        (True, "s", "true is not a figure; {fix}"),
        ([], "K", "a list is not a figure; {fix}"),
        ("8 m", "s", "'8 m' does not fit here; {fix}"),
        ("8 hurs", "s", "'8 hurs' has no unit that is known; {fix}"),
        ("3 h", "degC", "'3 h' is not a temperature in K, degC or degF; {fix}"),
        ("1 deg", "%", "'1 deg' has no unit that is known; {fix}"),
        # A library that knows prefixes takes these for hecto-hours, deci-days and milli-hours.
        ("3.5 hh", "s", "'3.5 hh' has no unit that is known; {fix}"),
        ("2 dd", "s", "'2 dd' has no unit that is known; {fix}"),
        ("3 mh", "s", "'3 mh' has no unit that is known; {fix}"),
        ("2 Ms", "s", "'2 Ms' has no unit that is known; {fix}"),
        ("6 nan", "s", "'6 nan' has no unit that is known; {fix}"),
        ("3 " + "a" * 60_000, "s", "'3 " + "a" * 57 + "…' is longer than 80 letters; {fix}"),
        ("3" * 60_000 + " h", "s", "'" + "3" * 59 + "…' is longer than 80 letters; {fix}"),
        ("85 %", "s", "'85 %' does not fit here; {fix}"),
        ("0,5 h", "s", "'0,5 h' has a comma; use a decimal point, and {fix}"),
        ("10-12 h", "s", "'10-12 h' is a range; " + SAFE + "{fix}"),
        ("10 h – 12 h", "s", "'10 h – 12 h' is a range; " + SAFE + "{fix}"),
        ("10 C to 20 C", "degC", "'10 C to 20 C' is a range; " + SAFE + "{fix}"),
        ("nan K", "K", "'nan K' does not start with a number; {fix}"),
        ("1e400 h", "s", "'1e400 h' is too large; {fix}"),
        ("1e308 d", "s", "'1e308 d' is too large to be a time; {fix}"),
        ("-500 degF", "degC", "'-500 degF' is below absolute zero; {fix}"),
        ("30 min 4 h", "s", "'30 min 4 h' has no unit that is known; {fix}"),
        ("9 h**9**9", "s", "'9 h**9**9' has no unit that is known; {fix}"),
    ],
)
def test_what_cannot_be_read_is_refused_in_one_sentence(
    text: object, to: str, sentence: str
) -> None:
    with pytest.raises(BadAmount) as caught:
        amount(text, to, difference=to == "K")
    assert str(caught.value) == sentence.format(fix=FIXES.get(to, ""))
    assert isinstance(caught.value, FilmcallError)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("21", 21.0),
        ("21C", 21.0),
        ("21 °C", 21.0),
        ("21 c", 21.0),
        ("21 ℃", 21.0),
        ("70F", 21.11111111111111),  # 38/1.8, NIST SP 811 from memory
        ("70 degF", 21.11111111111111),
        ("-5", -5.0),
        ("−5 °C", -5.0),
        ("0", 0.0),
        ("300 K", 26.85),
    ],
)
def test_a_typed_temperature_is_read(text: str, expected: float) -> None:
    assert temperature_c(text) == pytest.approx(expected, abs=1e-9)


TYPED = "write a temperature such as 21, 21C or 70F"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("21,5", f"'21,5' has a comma; use a decimal point, and {TYPED}"),
        ("warm", f"'warm' does not start with a number; {TYPED}"),
        ("", f"'' does not start with a number; {TYPED}"),
        ("21 %", f"'21 %' is not a temperature in K, degC or degF; {TYPED}"),
        ("-300", f"'-300' is below absolute zero; {TYPED}"),
    ],
)
def test_a_mistyped_temperature_is_refused(text: str, sentence: str) -> None:
    with pytest.raises(BadAmount) as caught:
        temperature_c(text)
    assert str(caught.value) == sentence


def test_a_number_that_python_will_not_write_is_refused_in_words() -> None:
    with pytest.raises(BadAmount, match="a number of thousands of digits has no unit"):
        amount(16**4000, "s")


@given(st.text(max_size=30), st.sampled_from(["K", "degC", "%", "s", "ml", "um", "g/ml"]))
def test_any_text_is_read_or_refused_and_never_shown_raw(text: str, to: str) -> None:
    try:
        outcome = f"{amount(text, to):g}"
    except BadAmount as refused:
        outcome = str(refused)
    assert outcome.isprintable()
    assert outcome not in ("nan", "inf", "-inf")


def test_a_users_text_is_shown_without_control_characters() -> None:
    assert shown("3 \x1b[31mK\n") == r"'3 \x1b[31mK\x0a'"
    assert shown("x" * 100) == "'" + "x" * 59 + "…'"


def test_figures_load_no_library() -> None:
    code = (
        "import sys, rules.units as u; u.amount('16 h', 's'); u.amount('5 US gal', 'ml');"
        "u.temperature_c('70F');"
        "print([m for m in ('pint', 'numpy', 'pandas') if m in sys.modules])"
    )
    root = Path(__file__).parent.parent.parent
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("text", "to", "value"),
    [
        # NIST SP 811, B.8: 1 ft2 = 0.09290304 m2; 1 mil = 25.4 um; 1 US gallon = 3.785412 l; 1 US
        # fluid ounce = 29.57353 ml; from memory.
        ("140 sqft", "m**2", 13.0064256), ("140 sq ft", "m**2", 13.0064256),
        ("2 mil", "um", 50.8), ("1 US gal", "ml", 3785.412), ("8 fl oz", "ml", 236.5882),
        ("16 h 30 min", "s", 59_400.0), ("1 d 4 h 5 min", "s", 100_800.0 + 300.0),
    ],
)  # fmt: skip
def test_a_person_may_type_the_units_of_either_shore(text: str, to: str, value: float) -> None:
    assert amount(text, to) == pytest.approx(value, rel=1e-6)


def test_a_bare_number_too_warm_for_an_enclosure_is_asked_for_its_unit() -> None:
    assert temperature_c("45") == 45.0
    with pytest.raises(UnitAsked, match=r"68 °F, which is 20 °C, or 68 °C.*write 68F or 68C"):
        temperature_c("68")
    assert temperature_c("68F") == pytest.approx(20.0)
    assert temperature_c("68C") == 68.0


def test_a_cell_full_of_figures_is_no_number_and_no_range_at_once() -> None:
    """Where a pattern parts a run of figures in every way, 64 KiB of them take two minutes."""
    for text in ("9" * 65_000 + "x", "9" * 65_000 + "-", "-" + "9" * 65_000 + "e"):
        assert number(text) is None
        assert number(text, ",") is None
        assert range_ends(text) is None
