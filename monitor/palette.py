"""The colours of screen and report: one table, each with its ground and its contrast on it.

The three calls follow IEC 60073:2002 (green normal, yellow abnormal, red emergency; from memory),
the green towards blue and the red towards light or dark, so that they stay apart where red and
green look alike. No meaning rests on colour alone: each call has its word and its shape too.

`contrast` is the ratio of WCAG 2.2; a test computes it anew, and holds the three calls apart as
someone with deuteranopia sees them (Machado, Oliveira and Fernandes 2009, severity 1).
"""

from __future__ import annotations

from collections.abc import Collection
from enum import StrEnum
from typing import NamedTuple

TEXT, SIGN, RULE = 4.5, 3.0, 1.2
"""Least contrast of text and of large text or signs (WCAG 2.2, 1.4.3 and 1.4.11); of hairlines
and washes, which carry nothing that is not written beside them (common practice, no source)."""


class Scheme(StrEnum):
    """Where colours are seen."""

    SCREEN = "screen"
    DIM = "dim"  # the screen in a dark tent: no filled bands, nothing brighter than an ember
    LIGHT = "light"  # the report
    DARK = "dark"  # the report where the reader's system is dark
    PRINT = "print"  # the report on paper


class Colour(NamedTuple):
    """One colour in use.

    Attributes:
        role: what it stands for.
        ink: of the letters or the line.
        ground: that it stands on.
        contrast: between the two [1].
        least: that it has to reach [1].
        filled: whether the ground is its own and not the page's.
    """

    role: str
    ink: str
    ground: str
    contrast: float
    least: float = TEXT
    filled: bool = False


_PAGE, _BLACK, _SHEET, _NIGHT, _WHITE = "#14181c", "#000000", "#fbf9f4", "#1d2427", "#ffffff"

# fmt: off
_TABLE: dict[Scheme, tuple[Colour, ...]] = {
    Scheme.SCREEN: (
        Colour("page",      "#e8e6df", _PAGE,     14.3, TEXT, True),
        Colour("go",        "#ffffff", "#00735c", 5.8, TEXT, True),
        Colour("hold",      "#17130a", "#f4b400", 10.0, TEXT, True),
        Colour("stop",      "#ffffff", "#c3121f", 6.1, TEXT, True),
        Colour("quiet-go",  "#14181c", "#9aa3ab", 7.0, TEXT, True),
        Colour("quiet",     "#14181c", "#c9a3ff", 8.6, TEXT, True),
        Colour("recording", "#14181c", "#8fb7d9", 8.4, TEXT, True),
        Colour("alarm",     "#ffffff", "#c3121f", 6.1, TEXT, True),
        Colour("prompt",    "#14181c", "#8fb7d9", 8.4, TEXT, True),
        Colour("go-word",   "#5fd6b4", _PAGE,     10.0),
        Colour("hold-word", "#f7c600", _PAGE,     11.1),
        Colour("stop-word", "#ff6054", _PAGE,     6.0),
        Colour("unknown",   "#c9a3ff", _PAGE,     8.6),
        Colour("strong",    "#ffffff", _PAGE,     17.8),
        Colour("head",      "#8fb7d9", _PAGE,     8.4),
        Colour("label",     "#9aa3ab", _PAGE,     7.0),
        Colour("caution",   "#d8c58a", _PAGE,     10.4),
        Colour("trend",     "#58a6c9", _PAGE,     6.6),
    ),
    Scheme.DIM: (
        Colour("page",      "#9a7d66", _BLACK,    5.5, TEXT, True),
        Colour("go",        "#2b9478", _BLACK,    5.6, TEXT, True),
        Colour("hold",      "#bd8600", _BLACK,    6.6, TEXT, True),
        Colour("stop",      "#e0564a", _BLACK,    5.6, TEXT, True),
        Colour("quiet-go",  "#8f735c", _BLACK,    4.8, TEXT, True),
        Colour("quiet",     "#9a74b3", _BLACK,    5.5),
        Colour("recording", "#9a7d66", _BLACK,    5.5),
        Colour("alarm",     "#e0564a", _BLACK,    5.6),
        Colour("prompt",    "#b08a66", _BLACK,    6.7),
        Colour("go-word",   "#2b9478", _BLACK,    5.6),
        Colour("hold-word", "#bd8600", _BLACK,    6.6),
        Colour("stop-word", "#e0564a", _BLACK,    5.6),
        Colour("unknown",   "#9a74b3", _BLACK,    5.5),
        Colour("strong",    "#b08a66", _BLACK,    6.7),
        Colour("head",      "#8f7860", _BLACK,    5.0),
        Colour("label",     "#8f735c", _BLACK,    4.8),
        Colour("caution",   "#94783f", _BLACK,    5.0),
        Colour("trend",     "#8a769c", _BLACK,    5.2),
    ),
    Scheme.LIGHT: (
        Colour("ink",       "#20282b", _SHEET,    14.3),
        Colour("soft",      "#525c5f", _SHEET,    6.5),
        Colour("good",      "#0f7360", _SHEET,    5.5),
        Colour("near",      "#5c4200", _SHEET,    8.9),
        Colour("bad",       "#cf0f1d", _SHEET,    5.3),
        Colour("air",       "#2d6472", _SHEET,    6.3, SIGN),
        Colour("surface",   "#8a4f1d", _SHEET,    6.2, SIGN),
        Colour("dew",       "#5a4a86", _SHEET,    7.2, SIGN),
        Colour("rule",      "#d3cdbf", _SHEET,    1.5, RULE),
        Colour("goodwash",  "#20282b", "#d3ece4", 12.1, TEXT, True),
        Colour("nearwash",  "#20282b", "#f3e7bd", 12.1, TEXT, True),
        Colour("badwash",   "#cf0f1d", "#fbe8e4", 4.8, TEXT, True),
        Colour("apply",     "#525c5f", "#d9e4e6", 5.3, TEXT, True),
        Colour("flash",     "#525c5f", "#e9e1d0", 5.3, TEXT, True),
        Colour("cure",      "#525c5f", "#e6e0ee", 5.3, TEXT, True),
    ),
    Scheme.DARK: (
        Colour("ink",       "#e8e3d8", _NIGHT,    12.3),
        Colour("soft",      "#aab3b3", _NIGHT,    7.4),
        Colour("good",      "#6fd6bd", _NIGHT,    9.0),
        Colour("near",      "#f5cf45", _NIGHT,    10.4),
        Colour("bad",       "#ff7061", _NIGHT,    5.8),
        Colour("air",       "#6fc3cc", _NIGHT,    7.8, SIGN),
        Colour("surface",   "#e0a06a", _NIGHT,    7.1, SIGN),
        Colour("dew",       "#b49cf0", _NIGHT,    6.7, SIGN),
        Colour("rule",      "#3c4648", _NIGHT,    1.6, RULE),
        Colour("goodwash",  "#e8e3d8", "#143b32", 9.6, TEXT, True),
        Colour("nearwash",  "#e8e3d8", "#43370a", 9.2, TEXT, True),
        Colour("badwash",   "#ff7061", "#3a1516", 6.0, TEXT, True),
        Colour("apply",     "#aab3b3", "#26383d", 5.7, TEXT, True),
        Colour("flash",     "#aab3b3", "#3a3324", 5.8, TEXT, True),
        Colour("cure",      "#aab3b3", "#332c42", 6.2, TEXT, True),
    ),
    Scheme.PRINT: (
        Colour("ink",       "#000000", _WHITE,    21.0),
        Colour("soft",      "#333333", _WHITE,    12.6),
        Colour("good",      "#00614d", _WHITE,    7.5),
        Colour("near",      "#5c4200", _WHITE,    9.4),
        Colour("bad",       "#c40015", _WHITE,    6.3),
        Colour("air",       "#1f4b57", _WHITE,    9.5, SIGN),
        Colour("surface",   "#8a4f1d", _WHITE,    6.5, SIGN),
        Colour("dew",       "#43356b", _WHITE,    10.7, SIGN),
        Colour("rule",      "#bbbbbb", _WHITE,    1.9, RULE),
        Colour("goodwash",  "#000000", "#d3ece4", 16.9, TEXT, True),
        Colour("nearwash",  "#000000", "#f3e7bd", 17.0, TEXT, True),
        Colour("badwash",   "#c40015", "#fbe8e4", 5.3, TEXT, True),
        Colour("apply",     "#333333", "#d9e4e6", 9.7, TEXT, True),
        Colour("flash",     "#333333", "#e9e1d0", 9.7, TEXT, True),
        Colour("cure",      "#333333", "#e6e0ee", 9.8, TEXT, True),
    ),
}
# fmt: on

COLOURS = {
    (scheme, colour.role): colour for scheme, colours in _TABLE.items() for colour in colours
}
"""Every colour by where it is seen and what it stands for."""

_PAPER_AND_SHEET = {
    Scheme.LIGHT: (_SHEET, _WHITE),
    Scheme.DARK: ("#161b1d", _NIGHT),
    Scheme.PRINT: (_WHITE, _WHITE),
}


def css_variables(scheme: Scheme) -> str:
    """Return a report's colours as CSS custom properties, one `--role:#rrggbb` behind another.

    Args:
        scheme: light, dark or print.
    """
    paper, sheet = _PAPER_AND_SHEET[scheme]
    shown = {
        colour.role: colour.ground if colour.filled else colour.ink for colour in _TABLE[scheme]
    }
    named = {"paper": paper, "sheet": sheet, **shown}
    return ";".join(f"--{role}:{colour}" for role, colour in named.items())


def css_screen(scheme: Scheme, used: Collection[str]) -> str:
    """Return the screen's colours as CSS custom properties: ink, and ground of what is a band.

    Args:
        scheme: screen or dim.
        used: names that a style asks for; the others are left out.
    """
    pairs = [(colour.role, colour.ink) for colour in _TABLE[scheme]]
    grounds = {each.role for each in _TABLE[Scheme.SCREEN] if each.filled}
    pairs += [(f"{c.role}-ground", c.ground) for c in _TABLE[scheme] if c.role in grounds]
    return ";".join(f"--{name}:{colour}" for name, colour in pairs if name in used)


PAGE_COLOURS = {scheme.value: css_variables(scheme) for scheme in _PAPER_AND_SHEET}
"""What a report's page takes, by `light`, `dark` and `print`."""
