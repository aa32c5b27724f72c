"""Sentences in US units, each figure held against the factors of pint, a general library."""

from __future__ import annotations

import re

import pint
import pytest

from rules.us_units import in_us_units

FIGURE = re.compile(r"-?[\d,]+(?:\.\d+)?")


def by_pint(value: float, unit: str, to: str) -> float:
    return float(pint.application_registry.Quantity(value, unit).to(to).magnitude)


@pytest.mark.parametrize(
    ("text", "unit", "to", "says"),
    [
        ("18.2 °C", "degC", "degF", "°F"),
        ("-4.0 °C", "degC", "degF", "°F"),
        ("3.0 K", "delta_degC", "delta_degF", "°F"),
        ("-0.5 K", "delta_degC", "delta_degF", "°F"),
        ("50 µm", "um", "thou", "mil"),
        ("125 um", "um", "thou", "mil"),
        ("6.5 m²", "m**2", "ft**2", "sq ft"),
        ("12 m2/h", "m**2/h", "ft**2/h", "sq ft/h"),
        ("722 ml", "ml", "US_fluid_ounce", "fl oz"),
        ("5.24 l", "l", "US_liquid_gallon", "US gal"),
        ("10.0 m2 a litre", "m**2/l", "ft**2/US_liquid_gallon", "sq ft a US gal"),
        ("15 m of tape", "m", "ft", "ft of tape"),
    ],
)
def test_a_figure_is_what_the_units_library_makes_of_it(
    text: str, unit: str, to: str, says: str
) -> None:
    value = float(text.split()[0])
    said = in_us_units(text)
    figure = FIGURE.match(said)
    assert figure is not None
    assert said.endswith(f" {says}")
    # Three figures, or the tenth of a degree that the sentence had.
    assert float(figure[0].replace(",", "")) == pytest.approx(
        by_pint(value, unit, to), rel=0.03, abs=0.051
    )


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("wants 10 to 35 °C", "wants 50 to 95 °F"),
        ("18.2 ± 0.5 °C", "64.8 ± 0.9 °F"),
        ("dew margin 5.8 ± 1.1 K", "dew margin 10.4 ± 2.0 °F"),
        ("17.8 °C (64F)", "64 °F"),
        ("9.9 °C (49.9 degF)", "49.9 °F"),
        ("the spec's 10\n°C", "the spec's 50\n°F"),
        ("GO at 14:30, 18 °C", "GO at 14:30, 64 °F"),
        ("at least 5 K", "at least 9 °F"),
        ("3.0 K h past; K h and % h: how far", "5.4 °F h past; °F h and % h: how far"),
        # What is none of these stays as it is.
        ("chloride 30 mg/m²", "chloride 30 mg/m²"),
        ("absolute humidity 9.4 g/m³", "absolute humidity 9.4 g/m³"),
        ("cures in 3 h 30 min at 60 %", "cures in 3 h 30 min at 60 %"),
        ("row 12 of 2026-11-12T10:00Z", "row 12 of 2026-11-12T10:00Z"),
        ("plank 5, hull-port", "plank 5, hull-port"),
        ("0.79 kg/l", "0.79 kg/l"),
        ("K2CO3 at 43 %", "K2CO3 at 43 %"),
    ],
)
def test_sentences(text: str, says: str) -> None:
    assert in_us_units(text) == says


@pytest.mark.parametrize("kelvin", [0.04, -0.04])
def test_no_minus_zero(kelvin: float) -> None:
    assert in_us_units(f"{kelvin:.2f} K").lstrip("-") in ("0.1 °F",)
    assert in_us_units("-17.8 °C") == "0.0 °F"


@pytest.mark.parametrize("typed_f", [45.8, 46.3, 49.9, 66.1, 66.3])
def test_a_figure_that_stands_rounded_is_rounded_once_only(typed_f: float) -> None:
    exact_c = by_pint(typed_f, "degF", "degC")
    assert in_us_units(f"hull {exact_c:.1f} °C", [exact_c]) == f"hull {typed_f} °F"
    # 4.44 K are 7.992 °F, and 4.4 K are 7.92.
    assert in_us_units("4.4 ± 1.1 K", (), [4.44]) == "8.0 ± 2.0 °F"
    # Of two that it can be it is taken as it is written.
    assert in_us_units("7.7 °C", [7.66, 7.74]) == "45.9 °F"
