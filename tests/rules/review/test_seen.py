"""A painter's own words: heard whole, with what they deny, and when and where."""

from __future__ import annotations

from datetime import UTC

import pytest

from monitor.review.defects import shipped_defects
from rules.review.defects import FEATURES
from rules.review.seen import (
    FEATURE_WORDS,
    denied_words,
    features_of,
    match_seen,
    named_sections,
    sighting_of,
    when_and_where,
)

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


@pytest.mark.parametrize("seen", ["orange peel", "no gloss, orange-peel texture"])
def test_a_rough_look_named_after_a_fruit_is_no_film_that_peels(seen: str) -> None:
    found = {match.defect.name for match in match_seen(seen, DEFECTS)}
    assert "brush-marks" in found
    assert "poor-adhesion" not in found


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


def test_every_feature_can_be_heard_or_is_the_opposite_of_one() -> None:
    assert set(FEATURE_WORDS) | {"not-greasy"} == set(FEATURES)


UTC_MIDNIGHT = 1_790_380_800.0
COATS = ((1, UTC_MIDNIGHT - 30 * 3600.0), (2, UTC_MIDNIGHT + 9 * 3600.0))


@pytest.mark.parametrize(
    ("seen", "hour", "day_said"),
    [
        ("milky at ten in the morning", 10.0, False),
        ("milky at 7 in the morning", 31.0, False),  # 9:00 has passed: the next day's
        ("dull at 15:30", 15.5, False),
        ("dull by 8 pm", 20.0, False),
        ("dull at seven in the evening", 19.0, False),
        ("dull on 2026-09-27 at 06:00", 30.0, True),
        ("dull on 2026-09-27", 48.0, True),
        ("dull in the morning", None, False),
        ("soft at two days later", None, False),
        ("milky on the third coat", None, False),
    ],
)
def test_the_time_of_a_sighting_is_read(seen: str, hour: float | None, day_said: bool) -> None:
    found = sighting_of(seen, COATS, UTC)
    assert found.at_s == (None if hour is None else UTC_MIDNIGHT + hour * 3600.0)
    assert found.day_said == day_said


@pytest.mark.parametrize(
    ("seen", "coats"),
    [
        ("dull on the third coat", (3,)),
        ("coat 2 is milky", (2,)),
        ("the last coat is dull", (2,)),
        ("dull", ()),
        ("second day, dull", ()),
    ],
)
def test_the_coat_of_a_sighting_is_read(seen: str, coats: tuple[int, ...]) -> None:
    assert sighting_of(seen, COATS, UTC).coats == coats


@pytest.mark.parametrize(
    ("seen", "named"),
    [
        ("milky to starboard", ("hull-stbd",)),
        ("milky to port and starboard", ("hull-port", "hull-stbd")),
        ("milky, both sides", ()),
        ("the hull-port planks are dull", ("hull-port",)),
        ("milky, support is sound", ()),
    ],
)
def test_the_section_of_a_sighting_is_read(seen: str, named: tuple[str, ...]) -> None:
    assert named_sections(seen, ("hull-port", "hull-stbd")) == named


def test_a_hand_that_does_not_wash_it_off_says_so() -> None:
    assert "stays" in features_of("milky, it does not wash off")
    assert "washes-off" in features_of("milky, it washes off with warm water")
    assert "not-greasy" in features_of("dull but not greasy")
