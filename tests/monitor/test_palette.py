"""The palette's stated contrast is what WCAG 2.2 gives, and its calls stay apart without red-green.

Contrast: Web Content Accessibility Guidelines (WCAG) 2.2, W3C Recommendation 2023, "contrast
ratio" and "relative luminance". Deuteranopia: G. M. Machado, M. M. Oliveira, L. A. F. Fernandes,
"A physiologically-based model for simulation of color vision deficiency", IEEE TVCG 15(6), 2009,
matrix of severity 1.0, on linear RGB, from memory. Distance: CIE 1976 L*a*b* (ISO/CIE 11664-4),
with the sRGB matrix of IEC 61966-2-1 and its white, D65.
"""

from __future__ import annotations

import re
from itertools import combinations

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.palette import COLOURS, PAGE_COLOURS, TEXT, Colour, Scheme
from monitor.screen.theme import Colours, Theme
from rules.call import Call

DEUTERANOPIA = np.array(
    [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ]
)
XYZ_OF_RGB = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)
APART = 20.0
"""Least distance of two calls' colours, in units of L*a*b*. Our own choice, no source; one unit
is about what can just be seen between two large patches that touch."""

Floats = NDArray[np.float64]


def linear(colour: str) -> Floats:
    parts = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255.0
    return np.asarray(np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4))


def contrast(one: str, other: str) -> float:
    bright = [float(linear(each) @ [0.2126, 0.7152, 0.0722]) for each in (one, other)]
    return (max(bright) + 0.05) / (min(bright) + 0.05)


def lab(rgb: Floats) -> Floats:
    ratio = XYZ_OF_RGB @ np.clip(rgb, 0.0, 1.0) / XYZ_OF_RGB.sum(axis=1)
    x, y, z = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / 3 * (29 / 6) ** 2 + 4 / 29)
    return np.array([116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)])


def distance(one: str, other: str, seen: Floats) -> float:
    return float(np.linalg.norm(lab(seen @ linear(one)) - lab(seen @ linear(other))))


def test_the_measures_give_what_is_published_of_them() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)  # WCAG 2.2: 1 to 21
    # The lightest grey that passes on white, by W3C's techniques: 4.54, and 4.48 fails (memory).
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)
    # L*a*b* of the sRGB primary red under D65, from memory.
    assert lab(linear("#ff0000")) == pytest.approx([53.24, 80.09, 67.20], abs=0.05)
    # A grey looks the same to everybody: each row of the matrix adds up to one.
    assert DEUTERANOPIA.sum(axis=1) == pytest.approx([1.0, 1.0, 1.0], abs=1e-5)
    # Red and green that any sighted person tells apart, of one lightness, fall together.
    red, green = "#c84c4c", "#5f8a2f"
    assert distance(red, green, DEUTERANOPIA) < 0.4 * distance(red, green, np.eye(3))


@pytest.mark.parametrize("colour", COLOURS.values(), ids=lambda c: f"{c.role} {c.ink} {c.ground}")
def test_each_colours_contrast_is_as_stated_and_enough(colour: Colour) -> None:
    found = contrast(colour.ink, colour.ground)
    assert colour.contrast == pytest.approx(found, abs=0.051)
    assert found >= colour.least


@pytest.mark.parametrize(
    ("scheme", "roles"),
    [
        (Scheme.SCREEN, ("go-word", "hold-word", "stop-word")),
        (Scheme.DIM, ("go-word", "hold-word", "stop-word")),
        (Scheme.DIM, ("go", "hold", "stop")),
        (Scheme.LIGHT, ("good", "near", "bad")),
        (Scheme.DARK, ("good", "near", "bad")),
        (Scheme.PRINT, ("good", "near", "bad")),
    ],
)
def test_the_three_calls_stay_apart_with_and_without_red_and_green(
    scheme: Scheme, roles: tuple[str, ...]
) -> None:
    for one, other in combinations([COLOURS[scheme, role].ink for role in roles], 2):
        assert min(distance(one, other, seen) for seen in (np.eye(3), DEUTERANOPIA)) >= APART


def test_the_three_bands_stay_apart_by_their_ground() -> None:
    grounds = [COLOURS[Scheme.SCREEN, role].ground for role in ("go", "hold", "stop", "quiet-go")]
    for one, other in combinations(grounds, 2):
        assert min(distance(one, other, seen) for seen in (np.eye(3), DEUTERANOPIA)) >= APART


@pytest.mark.parametrize("scheme", [Scheme.LIGHT, Scheme.DARK, Scheme.PRINT])
def test_the_lines_of_one_drawing_stay_apart(scheme: Scheme) -> None:
    """They have their names beside them; 15 is our own choice, no source."""
    inks = [COLOURS[scheme, role].ink for role in ("air", "surface", "dew")]
    for one, other in combinations(inks, 2):
        assert min(distance(one, other, seen) for seen in (np.eye(3), DEUTERANOPIA)) >= 15.0


@pytest.mark.parametrize("dim", [False, True])
def test_the_screen_takes_its_colours_from_the_palette(dim: bool) -> None:
    scheme = Scheme.DIM if dim else Scheme.SCREEN
    theme = Theme(Colours.FULL, dim=dim)
    known = {colour.ink for (of, _), colour in COLOURS.items() if of is scheme}
    for call in Call:
        band, word = theme.band(call), theme.call_word(call)
        entry = COLOURS[scheme, call.value.lower()]
        assert band.color is not None
        assert band.bgcolor is not None
        assert (band.color.name, band.bgcolor.name) == (entry.ink, entry.ground)
        assert word.color is not None
        assert word.color.name in known


def test_no_ember_is_brighter_than_its_bound() -> None:
    """In a dark tent nothing shines: 0.3 of white's luminance at most. Our choice, no source."""
    for (scheme, _), colour in COLOURS.items():
        if scheme is Scheme.DIM:
            assert float(linear(colour.ink) @ [0.2126, 0.7152, 0.0722]) < 0.3
            assert colour.ground == "#000000"


def test_a_report_takes_every_colour_from_the_palette() -> None:
    from importlib.resources import files

    for name in ("report.html.j2", "daily_sheet.html.j2"):
        text = (files("monitor") / "data" / name).read_text("utf-8")
        assert re.findall(r"#[0-9a-fA-F]{3,6}\b", text) == []
        used = set(re.findall(r"var\(--([a-z]+)\)", text))
        for scheme, listed in PAGE_COLOURS.items():
            given = dict(each[2:].split(":") for each in listed.split(";"))
            assert used <= set(given), scheme


@pytest.mark.parametrize("scheme", [Scheme.LIGHT, Scheme.DARK, Scheme.PRINT])
def test_what_is_written_on_a_reports_paper_and_sheet_can_be_read(scheme: Scheme) -> None:
    given = dict(each[2:].split(":") for each in PAGE_COLOURS[scheme.value].split(";"))
    for ground in ("paper", "sheet"):
        for ink in ("ink", "soft", "bad", "near", "good"):
            assert contrast(given[ink], given[ground]) >= TEXT, (ink, ground)
    for wash in ("goodwash", "nearwash", "badwash"):
        assert contrast(given["ink"], given[wash]) >= TEXT
