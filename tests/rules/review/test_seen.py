"""A painter's own words: heard whole, with what they deny, and when and where."""

from __future__ import annotations

import pytest

from monitor.review.defects import shipped_defects
from rules.review.seen import denied_words, match_seen, when_and_where

DEFECTS = shipped_defects()


# Written out by hand as a painter would say it.
@pytest.mark.parametrize(
    ("seen", "name"),
    [
        ("greasy film, milky, washes off", "amine-bloom"),
        ("waxy to the finger on the primer", "amine-bloom"),
        ("the gloss is gone, dull and cloudy in the morning", "moisture-blush"),
        ("no gloss left", "moisture-blush"),
        ("water spots all over", "moisture-blush"),
        ("tiny bubbles and pinholes all over", "bubbles"),
        ("little craters with burst tops, it popped", "solvent-pop"),
        ("brush strokes stayed, the brush dragged", "brush-marks"),
        ("still soft after a week, tacky", "soft-cure"),
        ("it isn't hard yet", "soft-cure"),
        ("peels off in sheets", "poor-adhesion"),
        ("drips and curtains on the topsides", "sags"),
        ("dust and bits in it", "dust-nibs"),
        ("fine wrinkles like leather", "wrinkling"),
        ("paint crept under the tape, ragged line", "tape-bleed"),
        ("glue residue all along, tape stuck", "tape-residue"),
        ("rough dry patches", "dry-patches"),
        ("blisters that weep, a smell of vinegar", "blisters"),
        ("not greasy, not sticky, but dull", "moisture-blush"),
    ],
)
def test_what_was_seen_finds_the_defect(seen: str, name: str) -> None:
    assert match_seen(seen, DEFECTS)[0].defect.name == name


@pytest.mark.parametrize(
    "seen", ["it is blue", "", "hard and glossy, no fault", "no bubbles, no runs, not dull"]
)
def test_what_fits_nothing_matches_nothing(seen: str) -> None:
    assert match_seen(seen, DEFECTS) == ()


@pytest.mark.parametrize("word", ["unthinned", "prune", "happily", "waxwing-blue soapstone"])
def test_a_word_is_heard_whole(word: str) -> None:
    assert "sags" not in {m.defect.name for m in match_seen(word, DEFECTS)}
    assert all("thin" not in match.words for match in match_seen(word, DEFECTS))


def test_what_is_denied_is_not_looked_for_and_is_said_back() -> None:
    seen = "not greasy, not sticky, but dull"
    assert [m.defect.name for m in match_seen(seen, DEFECTS)] == ["moisture-blush"]
    assert denied_words(seen, DEFECTS) == ("greas", "sticky")
    assert denied_words("greasy low down, not greasy above", DEFECTS) == ()


def test_when_and_where_are_read_too() -> None:
    assert when_and_where("milky in the morning, lower planks") == (
        "in the morning",
        "low down, where the hull is coldest",
    )


@pytest.mark.parametrize("seen", ["topcoat", "prune", "the topcoat is dull", "grunge, allowed"])
def test_no_place_is_heard_in_a_piece_of_a_word(seen: str) -> None:
    assert when_and_where(seen) == ()


def test_a_place_that_is_denied_is_not_heard() -> None:
    assert when_and_where("dull, not low down") == ()
