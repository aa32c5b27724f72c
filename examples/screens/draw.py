"""Draws screens of the invented workboat job as SVG, for the README.

    python examples/screens/draw.py [FOLDER]

Block characters become rectangles, so that a picture looks the same in every font.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from html import escape
from itertools import groupby
from pathlib import Path

from rich.color import Color
from rich.console import Console
from rich.style import Style
from rich.text import Text

ROOT = Path(__file__).resolve().parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from examples.screens.scenes import SCENES  # noqa: E402
from monitor.screen.layout import Size, render  # noqa: E402
from monitor.screen.theme import Theme  # noqa: E402

PICTURES = {"go": Theme(), "stop": Theme(), "night": Theme(dim=True)}
SIZE = Size(80, 24)
CELL_W, CELL_H, FONT = 10.0, 20.0, 16.6  # whole dots, so that no seam shows
INK, PAPER = "#e8e6df", "#14181c"

# Part of the cell's height that a block character fills: from the top, and how much.
BLOCKS = {
    "█": (0.0, 1.0),
    "▀": (0.0, 0.5),
    **{mark: (1.0 - n / 8.0, n / 8.0) for n, mark in enumerate("▁▂▃▄▅▆▇", 1)},
    "─": (0.4375, 0.125),
    **dict.fromkeys("░▒", (0.0, 1.0)),
}
SHADES = {"░": 0.3, "▒": 0.6}


def svg_of(lines: list[Text], size: Size, paper: str = PAPER) -> str:
    """Return a screen's lines as one SVG picture.

    Args:
        lines: as `render` gives them.
        size: of the terminal.
        paper: colour of the ground.
    """
    width, height = size.columns * CELL_W, size.rows * CELL_H
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width + 16:g} {height + 16:g}" '
        f'font-family="DejaVu Sans Mono, Menlo, Consolas, monospace" font-size="{FONT:g}px" '
        'shape-rendering="crispEdges">',
        f'<rect width="100%" height="100%" rx="6" fill="{paper}"/>',
        '<g transform="translate(8 8)">',
    ]
    console = Console(width=size.columns, color_system="truecolor", force_terminal=True)
    for row, line in enumerate(lines):
        column = 0
        for segment in line.render(console):
            style = segment.style or Style()
            parts.extend(_run(segment.text, style, column, row))
            column += segment.cell_length
    return "\n".join([*parts, "</g>", "</svg>", ""])


def _run(text: str, style: Style, column: int, row: int) -> Iterator[str]:
    ink, ground = _hex(style.color, INK), _hex(style.bgcolor, "")
    if style.reverse:
        ink, ground = ground or PAPER, ink
    y = row * CELL_H
    if ground:
        yield _rect(column, y, len(text), CELL_H, ground)
    for mark, group in groupby(text, key=lambda each: each if each in BLOCKS else ""):
        marks = "".join(group)
        if mark:
            top, high = BLOCKS[mark]
            shade = SHADES.get(mark, 1.0)
            yield _rect(column, y + top * CELL_H, len(marks), high * CELL_H, ink, shade)
        elif marks.strip():
            yield _words(marks, style, column, y, ink)
        column += len(marks)


def _rect(column: int, y: float, cells: int, height: float, colour: str, shade: float = 1.0) -> str:
    faint = f' fill-opacity="{shade:g}"' if shade < 1.0 else ""
    return (
        f'<rect x="{column * CELL_W:g}" y="{y:g}" width="{cells * CELL_W:g}" height="{height:g}" '
        f'fill="{colour}"{faint}/>'
    )


def _words(words: str, style: Style, column: int, y: float, ink: str) -> str:
    lead = len(words) - len(words.lstrip())
    shown = words.strip()
    weight = ' font-weight="bold"' if style.bold else ""
    line = ' text-decoration="underline"' if style.underline else ""
    return (
        f'<text x="{(column + lead) * CELL_W:g}" y="{y + 0.75 * CELL_H:g}" fill="{ink}"{weight}'
        f'{line} textLength="{len(shown) * CELL_W:g}" xml:space="preserve">{escape(shown)}</text>'
    )


def _hex(colour: Color | None, default: str) -> str:
    if colour is None or colour.is_default:
        return default
    red, green, blue = colour.get_truecolor()
    return f"#{red:02x}{green:02x}{blue:02x}"


def main(folder: Path) -> None:
    """Write every picture into a folder."""
    for name, theme in PICTURES.items():
        paper = "#000000" if theme.dim else PAPER
        picture = svg_of(render(SCENES[name](), SIZE, theme), SIZE, paper)
        (folder / f"{name}.svg").write_text(picture, encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
