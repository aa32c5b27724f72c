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
from rules.text import shown
from rules.units import _METRIC, BadAmount, amount, temperature_c
from tests.tables_reader import rows


@pytest.mark.parametrize("row", rows("units"), ids=lambda row: f"{row['text']} in {row['to']}")
def test_a_figure_agrees_with_the_published_definition(row: dict[str, str]) -> None:
    value = amount(row["text"], row["to"], difference=row["difference"] == "yes")
    assert value == pytest.approx(float(row["expected"]), abs=float(row["tolerance"]), rel=0)


@pytest.mark.parametrize(
    ("to", "unit"), [(to, unit) for to, units in _METRIC.items() for unit in units if to != "%"]
)
def test_the_metric_table_agrees_with_pint(to: str, unit: str) -> None:
    registry = pint.UnitRegistry()
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


MENDS = {
    "s": 'write a time with its unit, such as "16 h"',
    "K": 'write a temperature difference with its unit, such as "3 K"',
    "degC": 'write a temperature with its unit, such as "10 degC"',
    "%": 'write a percentage with its unit, such as "85 %"',
}
SAFE = "choose the figure on the safe side, and "


@pytest.mark.parametrize(
    ("text", "to", "sentence"),
    [
        ("8", "s", "'8' has no unit; {mend}"),
        (8, "s", "8 has no unit; {mend}, in quotes"),
        (0.85, "%", "0.85 has no unit; {mend}, in quotes"),
        (True, "s", "true is not a figure; {mend}"),
        ([], "K", "a list is not a figure; {mend}"),
        ("8 m", "s", "'8 m' does not fit here; {mend}"),
        ("8 hurs", "s", "'8 hurs' has no unit that is known; {mend}"),
        ("3 h", "degC", "'3 h' is not a temperature in K, degC or degF; {mend}"),
        ("1 deg", "%", "'1 deg' does not fit here; {mend}"),
        ("85 %", "s", "'85 %' does not fit here; {mend}"),
        ("0,5 h", "s", "'0,5 h' has a comma; use a decimal point, and {mend}"),
        ("500 ML", "ml", "'500 ML' would be megalitres; write \"ml\""),
        ("10-12 h", "s", "'10-12 h' is a range; " + SAFE + "{mend}"),
        ("10 h – 12 h", "s", "'10 h – 12 h' is a range; " + SAFE + "{mend}"),
        ("10 C to 20 C", "degC", "'10 C to 20 C' is a range; " + SAFE + "{mend}"),
        ("nan K", "K", "'nan K' does not start with a number; {mend}"),
        ("1e400 h", "s", "'1e400 h' is too large; {mend}"),
        ("1e308 d", "s", "'1e308 d' is too large to be a time; {mend}"),
        ("-500 degF", "degC", "'-500 degF' is below absolute zero; {mend}"),
        ("9 h**9**9", "s", "'9 h**9**9' has no unit that is known; {mend}"),
    ],
)
def test_what_cannot_be_read_is_refused_in_one_sentence(
    text: object, to: str, sentence: str
) -> None:
    with pytest.raises(BadAmount) as caught:
        amount(text, to, difference=to == "K")
    assert str(caught.value) == sentence.format(mend=MENDS.get(to, ""))
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


def test_metric_figures_load_no_units_library() -> None:
    code = (
        "import sys, rules.units as u; u.amount('16 h', 's'); u.amount('5 degF', 'K');"
        "u.temperature_c('70F');"
        "print([m for m in ('pint', 'numpy', 'pandas') if m in sys.modules])"
    )
    root = Path(__file__).parent.parent.parent
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
