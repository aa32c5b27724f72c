"""The README's screens are what the program draws today."""

from __future__ import annotations

from pathlib import Path

import pytest

from examples.screens.draw import PICTURES, main

FOLDER = Path(__file__).parents[1] / "examples" / "screens"


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_is_what_the_screen_shows(name: str, tmp_path: Path) -> None:
    main(tmp_path)
    drawn = (tmp_path / f"{name}.svg").read_text(encoding="utf-8")
    kept = (FOLDER / f"{name}.svg").read_text(encoding="utf-8")
    assert kept == drawn, "draw it again: python examples/screens/draw.py"
