"""The list of defects: whole, sourced, and found by trade words and by what was seen."""

from __future__ import annotations

import re

import pytest

from rules.review.defects import (
    Sign,
    UnknownDefect,
    all_defects,
    find_defect,
    match_seen,
    when_and_where,
)

# The thirteen of the issue, and which of them a log of the air cannot show.
THIRTEEN = {
    "amine-bloom", "moisture-blush", "bubbles", "solvent-pop", "sags", "brush-marks",
    "dry-patches", "dust-nibs", "soft-cure", "wrinkling", "poor-adhesion", "tape-bleed",
    "tape-residue",
}  # fmt: skip
NOT_SHOWN = {"sags", "wrinkling", "dust-nibs", "dry-patches", "tape-bleed"}


def test_all_thirteen_are_there_and_those_of_the_hand_have_no_cause_to_show() -> None:
    assert {defect.name for defect in all_defects()} == THIRTEEN
    assert {defect.name for defect in all_defects() if not defect.causes} == NOT_SHOWN


@pytest.mark.parametrize("defect", all_defects(), ids=lambda defect: defect.name)
def test_every_entry_says_all_that_it_must_and_names_its_source(defect) -> None:
    for text in (
        defect.looks,
        defect.mechanism,
        defect.tell_apart,
        defect.first_aid,
        defect.ask,
        defect.source,
    ):
        assert len(text) > 10
    assert "patch" in defect.first_aid
    assert "data sheet" in defect.first_aid
    assert len(defect.unseen) >= 3
    assert defect.words
    for cause in defect.causes:
        assert cause.why
        assert cause.source
        assert cause.scale > 0.0
        assert cause.stages


@pytest.mark.parametrize("defect", all_defects(), ids=lambda defect: defect.name)
def test_no_first_aid_warms_or_airs_what_still_gives_off_vapour(defect) -> None:
    # Nothing is suggested that switches equipment in the enclosure, or changes its air.
    assert not re.search(
        r"\bwarm|\bheat (it|up|the)|\bheater|\blamp|\bfan\b|ventilat|switch", defect.first_aid
    )


def test_no_word_is_claimed_as_sourced_without_a_source() -> None:
    said = [defect.source for defect in all_defects()]
    said += [cause.source for defect in all_defects() for cause in defect.causes]
    assert all(
        "no source" in source
        or "ISO" in source
        or "AMPP" in source
        or "technical" in source
        or "ASTM" in source
        for source in said
    )


# Trade words from memory of yards and glossaries; common practice, no source.
@pytest.mark.parametrize(
    ("word", "name"),
    [
        ("amine blush", "amine-bloom"),
        ("Blushing", "moisture-blush"),
        ("loss of gloss", "moisture-blush"),
        ("pinholes", "bubbles"),
        ("solvent boil", "solvent-pop"),
        ("curtains", "sags"),
        ("lap marks", "brush-marks"),
        ("holidays", "dry-patches"),
        ("nibs", "dust-nibs"),
        ("tacky", "soft-cure"),
        ("crinkling", "wrinkling"),
        ("delamination", "poor-adhesion"),
        ("tape bleed", "tape-bleed"),
        ("tape marks", "tape-residue"),
        ("POOR_ADHESION", "poor-adhesion"),
    ],
)
def test_trade_words_find_their_defect(word: str, name: str) -> None:
    assert find_defect(word).name == name


def test_an_unknown_word_names_the_list_and_the_way_out() -> None:
    with pytest.raises(UnknownDefect, match=r"defect 'gremlins' is not in the list.*--seen"):
        find_defect("gremlins")
    with pytest.raises(UnknownDefect):
        find_defect("")


# Written out by hand as a painter would say it.
@pytest.mark.parametrize(
    ("seen", "name"),
    [
        ("greasy film, milky, washes off", "amine-bloom"),
        ("waxy to the finger on the primer", "amine-bloom"),
        ("the gloss is gone, dull and cloudy in the morning", "moisture-blush"),
        ("water spots all over", "moisture-blush"),
        ("tiny bubbles and pinholes all over", "bubbles"),
        ("little craters with burst tops, it popped", "solvent-pop"),
        ("brush strokes stayed, the brush dragged", "brush-marks"),
        ("still soft after a week, tacky", "soft-cure"),
        ("peels off in sheets", "poor-adhesion"),
        ("drips and curtains on the topsides", "sags"),
        ("dust and bits in it", "dust-nibs"),
        ("fine wrinkles like leather", "wrinkling"),
        ("paint crept under the tape, ragged line", "tape-bleed"),
        ("glue residue all along, tape stuck", "tape-residue"),
        ("rough dry patches", "dry-patches"),
    ],
)
def test_what_was_seen_finds_the_defect(seen: str, name: str) -> None:
    assert match_seen(seen)[0].defect.name == name


def test_what_fits_nothing_matches_nothing() -> None:
    assert match_seen("it is blue") == ()
    assert match_seen("") == ()


def test_a_word_matches_from_its_own_start_only() -> None:
    # "unthinned" must not be read as "thin", nor "soap" found in "no soapstone"'s middle.
    assert all("thin" not in match.words for match in match_seen("unthinned"))


def test_when_and_where_are_read_too() -> None:
    assert when_and_where("milky in the morning, lower planks") == (
        "in the morning",
        "low down, where the hull is coldest",
    )


def test_every_sign_is_used_by_some_cause() -> None:
    used = {cause.sign for defect in all_defects() for cause in defect.causes}
    assert used == set(Sign)
