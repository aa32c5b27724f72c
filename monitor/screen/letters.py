"""The call and a figure in letters that read across a tent: drawn here stroke by stroke.

Each letter is a few bars in a box of square dots; two dots, one over the other, make a terminal
cell. Beside the word stands the call's own shape, so that neither colour nor reading is needed.
"""

from __future__ import annotations

from functools import cache

from monitor.contract import GO_ASKED
from rules.call import Call

Grid = list[list[bool]]

# Bars of a letter: top, middle and bottom run across; the others run down, whole or half.
_TOP, _MIDDLE, _BOTTOM = "top", "middle", "bottom"
_LEFT, _LEFT_UPPER, _LEFT_LOWER = "left", "left-upper", "left-lower"
_RIGHT, _RIGHT_UPPER, _RIGHT_LOWER = "right", "right-upper", "right-lower"
_STEM, _SPUR = "stem", "spur"
_HOOK, _HALF, _NECK, _DOT = "hook", "half", "neck", "dot"

# Corners that are cut: upper left, upper right, lower left, lower right.
_UL, _UR, _LL, _LR = "ul", "ur", "ll", "lr"

_LETTERS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "G": ((_TOP, _LEFT, _BOTTOM, _RIGHT_LOWER, _SPUR), (_UL, _UR, _LL, _LR)),
    "O": ((_TOP, _LEFT, _BOTTOM, _RIGHT), (_UL, _UR, _LL, _LR)),
    "H": ((_LEFT, _RIGHT, _MIDDLE), ()),
    "L": ((_LEFT, _BOTTOM), ()),
    "D": ((_TOP, _LEFT, _BOTTOM, _RIGHT), (_UR, _LR)),
    "S": ((_TOP, _LEFT_UPPER, _MIDDLE, _RIGHT_LOWER, _BOTTOM), (_UL, _UR, _LL, _LR)),
    "T": ((_TOP, _STEM), ()),
    "?": ((_TOP, _HOOK, _RIGHT_UPPER, _HALF, _NECK, _DOT), (_UL, _UR)),
    "P": ((_TOP, _LEFT, _RIGHT_UPPER, _MIDDLE), (_UR,)),
    "0": ((_TOP, _LEFT, _BOTTOM, _RIGHT), (_UL, _UR, _LL, _LR)),
    "1": ((_STEM,), ()),
    "2": ((_TOP, _RIGHT_UPPER, _MIDDLE, _LEFT_LOWER, _BOTTOM), ()),
    "3": ((_TOP, _RIGHT, _MIDDLE, _BOTTOM), ()),
    "4": ((_LEFT_UPPER, _MIDDLE, _RIGHT), ()),
    "5": ((_TOP, _LEFT_UPPER, _MIDDLE, _RIGHT_LOWER, _BOTTOM), ()),
    "6": ((_TOP, _LEFT, _MIDDLE, _RIGHT_LOWER, _BOTTOM), ()),
    "7": ((_TOP, _RIGHT), ()),
    "8": ((_TOP, _LEFT, _MIDDLE, _RIGHT, _BOTTOM), ()),
    "9": ((_TOP, _LEFT_UPPER, _MIDDLE, _RIGHT, _BOTTOM), ()),
    "-": ((_MIDDLE,), ()),
}
LEAST_DIGIT = 4  # columns of a digit that can still be told from the others
_DOTS = {".": (1.0,), ":": (0.25, 0.7)}
"""Signs one stroke wide: where each of their dots ends, as a share of the height."""


@cache
def big_call(call: Call, rows: int, columns: int, *, renewed: bool = True) -> tuple[str, ...]:
    """Return a call's shape and word in block characters.

    Args:
        call: to draw.
        rows: height in terminal cells, at least 3.
        columns: width at most, in terminal cells.
        renewed: whether readings come. A GO that nothing renews loses its shape and gets a
            question mark; HOLD and STOP can be followed on old readings too.

    Returns:
        `rows` strings of one length, at most `columns`; empty where there is no room to draw
        letters that can be told apart.

    >>> print("\\n".join(line.rstrip() for line in big_call(Call.GO, 3, 40)))
    █▄▄     ▄▀▀▀▀  ▄▀▀▀▀▄
    █████   █  ▀▀█ █    █
    █▀▀     ▀▄▄▄▄▀ ▀▄▄▄▄▀
    """
    asked = call is Call.GO and not renewed
    word = GO_ASKED if asked else call.value
    height = 2 * rows
    gap = max(1, round(height / 7))
    # The width is shared by the shape, which is as wide as a letter and one gap, and the letters.
    places = len(word) if asked else len(word) + 1
    width = min(round(0.95 * height), (columns - gap * (places + 1)) // places)
    if rows < 3 or width < 5:
        width = (columns - places) // places
        gap = 1
        if rows < 3 or width < 5:
            return ()
    thick = max(1, round(min(width, height) / 4.6))
    grid: Grid = [[] for _ in range(height)] if asked else _shape(call, width, height)
    spare = columns - places * width - (places - 2) * gap
    space = 0 if asked else min(2 * gap, spare)  # the shape stands a little off the word
    for letter in word:
        piece = _letter(letter, width, height, thick)
        for row, more in zip(grid, piece, strict=True):
            row.extend([False] * space + more)
        space = gap
    return tuple(_cells(grid))


@cache
def big_figure(text: str, rows: int, columns: int) -> tuple[str, ...]:
    """Return a figure or an hour in block characters.

    Args:
        text: of digits, `.`, `:`, `-` and `?`; blanks part two figures.
        rows: height in terminal cells, at least 3.
        columns: width at most, in terminal cells.

    Returns:
        `rows` strings of one length, at most `columns`; empty where there is no room to draw
        digits that can be told apart.

    >>> print("\\n".join(line.rstrip() for line in big_figure("7.5", 3, 40)))
    ▀▀▀█   █▀▀▀
       █   ▀▀▀█
       █ ▄ ▄▄▄█
    """
    height = 2 * rows
    if rows < 3 or not text:
        return ()
    for width in range(max(LEAST_DIGIT, round(0.62 * height)), LEAST_DIGIT - 1, -1):
        thick = max(1, round(width / 4.0))
        gap = max(1, round(width / 7.0))
        grid: Grid = [[] for _ in range(height)]
        for place, sign in enumerate(text):
            piece = _sign(sign, width, height, thick)
            for row, more in zip(grid, piece, strict=True):
                row.extend([False] * (gap if place else 0) + more)
        if len(grid[0]) <= columns:
            return tuple(_cells(grid))
    return ()


def least_width(text: str) -> int:
    """Return how many cells a figure needs at least to be drawn in big digits."""
    return sum(1 if sign in (*_DOTS, "1", " ") else LEAST_DIGIT for sign in text) + len(text) - 1


def _sign(sign: str, width: int, height: int, thick: int) -> Grid:
    if sign == " ":
        return _blank(thick, height)
    if sign == "1":
        grid = _blank(thick, height)
        _fill(grid, 0, 0, thick, height)
        return grid
    if sign not in _DOTS:
        return _letter(sign, width, height, thick)
    grid = _blank(thick, height)
    for share in _DOTS[sign]:
        bottom = max(thick, round(share * height))
        _fill(grid, 0, bottom - thick, thick, bottom)
    return grid


def _blank(width: int, height: int) -> Grid:
    return [[False] * width for _ in range(height)]


def _fill(grid: Grid, left: int, top: int, right: int, bottom: int) -> None:
    for row in grid[max(0, top) : bottom]:
        for x in range(max(0, left), min(right, len(row))):
            row[x] = True


def _letter(letter: str, width: int, height: int, thick: int) -> Grid:
    bars, corners = _LETTERS[letter]
    grid = _blank(width, height)
    middle = (height - thick) // 2
    stem = (width - thick) // 2
    boxes = {
        _TOP: (0, 0, width, thick),
        _MIDDLE: (0, middle, width, middle + thick),
        _BOTTOM: (0, height - thick, width, height),
        _LEFT: (0, 0, thick, height),
        _LEFT_UPPER: (0, 0, thick, middle + thick),
        _LEFT_LOWER: (0, middle, thick, height),
        _RIGHT: (width - thick, 0, width, height),
        _RIGHT_UPPER: (width - thick, 0, width, middle + thick),
        _RIGHT_LOWER: (width - thick, middle, width, height),
        _STEM: (stem, 0, stem + thick + (width - thick) % 2, height),
        _SPUR: (width - max(thick + 1, width // 2), middle, width, middle + thick),
        _HOOK: (0, 0, thick, max(thick + 1, height // 3)),
        _HALF: (stem, middle, width, middle + thick),
        _NECK: (stem, middle, stem + thick, height - 2 * thick),
        _DOT: (stem, height - thick, stem + thick, height),
    }
    for bar in bars:
        _fill(grid, *boxes[bar])
    cut = max(1, thick // 2 + thick // 4)
    for step in range(cut):
        reach = cut - step
        for corner in corners:
            y = step if corner in (_UL, _UR) else height - 1 - step
            xs = range(reach) if corner in (_UL, _LL) else range(width - reach, width)
            for x in xs:
                grid[y][x] = False
    if letter in "P?":
        # The bowl's lower corner is cut like its upper one.
        for step in range(cut):
            for x in range(width - (cut - step), width):
                grid[middle + thick - 1 - step][x] = False
    return grid


def _shape(call: Call, width: int, height: int) -> Grid:
    """GO: a wedge that points on. HOLD: two posts. STOP: a cross."""
    grid = _blank(width, height)
    for y in range(height):
        for x in range(width):
            across, down = (x + 0.5) / width, (y + 0.5) / height
            if call is Call.GO:
                inside = across <= 1.0 - abs(2.0 * down - 1.0)
            elif call is Call.HOLD:
                inside = 0.08 <= across < 0.38 or 0.62 <= across < 0.92
            else:
                inside = min(abs(across - down), abs(across + down - 1.0)) < 0.17
            grid[y][x] = inside
    return grid


def _cells(grid: Grid) -> list[str]:
    marks = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}
    return [
        "".join(marks[pair] for pair in zip(upper, lower, strict=True))
        for upper, lower in zip(grid[::2], grid[1::2], strict=True)
    ]
