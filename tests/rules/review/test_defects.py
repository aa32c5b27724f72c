"""The list of defects: whole, sourced, and read with every fault named."""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

from monitor.review.defects import shipped_defects
from rules.review.defects import (
    AGES,
    DefectsFault,
    Sign,
    UnknownDefect,
    find_defect,
    read_defects,
)

TEXT = (files("rules.review") / "defects.toml").read_text("utf-8")
DEFECTS = shipped_defects()
CAUSES = {cause.name: cause for defect in DEFECTS for cause in defect.causes}

# The thirteen of the first issue and, of their own, the blisters that hold fluid; and which of
# them a log of the air cannot show.
LISTED = {
    "amine-bloom", "moisture-blush", "bubbles", "solvent-pop", "sags", "brush-marks",
    "dry-patches", "dust-nibs", "soft-cure", "wrinkling", "poor-adhesion", "tape-bleed",
    "tape-residue", "blisters",
}  # fmt: skip
NOT_SHOWN = {"dust-nibs", "tape-bleed"}


def test_all_are_there_and_those_of_the_hand_have_no_cause_to_show() -> None:
    assert {defect.name for defect in DEFECTS} == LISTED
    assert {defect.name for defect in DEFECTS if not defect.causes} == NOT_SHOWN


@pytest.mark.parametrize("defect", DEFECTS, ids=lambda defect: defect.name)
def test_every_entry_says_all_that_it_must_and_names_its_source(defect) -> None:
    for text in (defect.looks, defect.mechanism, defect.tell_apart, defect.first_aid, defect.ask):
        assert len(text) > 10
    assert "data sheet" in defect.first_aid
    # Bloom is washed off all over, the rest is tried on a patch first.
    assert ("patch" in defect.first_aid) == (defect.name != "amine-bloom")
    assert len(defect.unseen) >= 3
    assert defect.words


@pytest.mark.parametrize("cause", CAUSES.values(), ids=lambda cause: cause.name)
def test_every_mechanism_says_what_speaks_for_it_and_against_it(cause) -> None:
    assert len(cause.why) > 10
    assert len(cause.shows) > 10
    assert len(cause.clears) > 10
    assert cause.shows != cause.clears
    assert cause.scale > 0.0
    assert cause.stages
    assert len(cause.would_show) > 10
    assert cause.harm > 0.0


@pytest.mark.parametrize("cause", CAUSES.values(), ids=lambda cause: cause.name)
def test_no_film_is_more_open_to_a_harm_when_it_is_older(cause) -> None:
    assert len(cause.age) == len(AGES)
    assert list(cause.age) == sorted(cause.age, reverse=True)
    assert "judgement" in cause.age_source


@pytest.mark.parametrize("each", [*DEFECTS, *CAUSES.values()], ids=lambda each: each.name)
def test_no_word_is_claimed_as_sourced_without_a_source(each) -> None:
    known = ("common practice, no source", "ISO", "AMPP", "technical", "ASTM")
    assert any(word in each.source for word in known), each.source


def test_every_mechanism_of_the_list_is_named_by_a_defect() -> None:
    listed = set(re.findall(r"^\[mechanism\.([a-z-]+)\]", TEXT, re.MULTILINE))
    assert set(CAUSES) == listed


def test_every_sign_is_used_by_some_cause() -> None:
    assert {cause.sign for cause in CAUSES.values()} == set(Sign)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('causes = ["dew", "damp"]', 'causes = ["dew", "gremlins"]',
         r"defect moisture-blush: cause 'gremlins' is no mechanism of the list"),
        ('sign = "low_margin"', 'sign = "moon"', r"mechanism dew: sign 'moon' is none that a log"),
        ("bound = 3.0", 'bound = "3 K"', r"mechanism dew: bound is not a figure"),
        ("scale = 3.0", "scal = 3.0", r"mechanism dew: 'scal' is no key that belongs here"),
        ('stages = ["apply", "flash", "cure"]', 'stages = ["bake"]',
         r"mechanism dew: 'bake' is none of prep, mix, apply, flash, cure"),
        ('why = "water settles on a film that has not set"', 'why = " "',
         r"mechanism dew: why is missing or empty"),
        ('below = "amine-bloom"\n', "", r"mechanism bloom-below: 'below' belongs to bloom_below"),
        ('below = "amine-bloom"', 'below = "lost"', r"below 'lost' is no defect of the list"),
        ("[[defect]]", "[[defects", r"is not TOML"),
        ("age = [1.0, 0.5, 0.15, 0.05]", "age = [1.0, 0.5]", r"mechanism dew: age is not four"),
        ("likelihood = { overnight", "likelihood = { moonlit", r"'moonlit' is nothing that can"),
    ],
)  # fmt: skip
def test_a_fault_in_the_list_is_one_sentence_that_names_it(old: str, new: str, said: str) -> None:
    assert old in TEXT
    with pytest.raises(DefectsFault, match=said):
        read_defects(TEXT.replace(old, new, 1))


# --- first aid and safety: what a painter may do with a spoiled film ---------------------------


def first_aid(name: str) -> str:
    return find_defect(name, DEFECTS).first_aid


@pytest.mark.parametrize("defect", DEFECTS, ids=lambda defect: defect.name)
def test_no_first_aid_heats_what_gives_off_vapour_before_the_safety_data_sheet_allows(
    defect,
) -> None:
    text = defect.first_aid.replace("warm water", "").replace("names for the heat", "")
    heats = re.search(r"\bwarm(?!s\b)|\bheat\b|\bheater|\blamp|\bfan\b|ventilat|switch", text)
    if heats:
        assert text.index("Once the safety data sheet allows") < heats.start()
        assert "from outside" in text
        assert re.search(r"flued or electric", text)


def test_bloom_is_washed_off_all_of_it_in_gloves_and_goggles() -> None:
    text = first_aid("amine-bloom")
    assert "Wash all of it: warm water, a pad, gloves and goggles; then look." in text
    assert "small patch" not in text


def test_a_soft_film_is_neither_sanded_nor_coated_over() -> None:
    text = first_aid("soft-cure")
    assert "Do not coat over it, do not sand it: uncured two-pack dust sensitises." in text
    assert "milder days" not in text


def test_a_sag_is_brushed_out_only_while_it_flows_and_shaved_when_hard_through() -> None:
    text = first_aid("sags")
    assert "While it still flows, brush it out; once it drags, leave it." in text
    assert "Once hard through (a sag stays soft for days), shave with a sharp scraper" in text


def test_blush_is_told_by_how_bad_it_is() -> None:
    text = first_aid("moisture-blush")
    assert "Slight dulling can be cut and polished once cured; bad clouding does not" in text
    assert "not undone" not in text


def test_blisters_are_an_entry_of_their_own_with_fluid_and_months_of_drying() -> None:
    blisters = find_defect("blisters", DEFECTS)
    assert "fluid" in blisters.looks
    assert "vinegar" in blisters.tell_apart
    assert "months" in blisters.first_aid
    assert "coat again" not in blisters.first_aid
    assert "blisters" not in find_defect("bubbles", DEFECTS).other_names


def test_tape_off_while_the_film_still_flows_is_no_fault() -> None:
    tape = next(c for c in find_defect("tape-residue", DEFECTS).causes if c.sign is Sign.TAPE_EARLY)
    assert "first hour or two, while the film still flows, is common practice" in tape.source
    assert "string" in tape.why


# --- names -------------------------------------------------------------------------------------


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
        ("osmosis", "blisters"),
        ("POOR_ADHESION", "poor-adhesion"),
    ],
)
def test_trade_words_find_their_defect(word: str, name: str) -> None:
    assert find_defect(word, DEFECTS).name == name


def test_an_unknown_word_names_the_list_and_the_way_out() -> None:
    with pytest.raises(UnknownDefect, match=r"defect 'gremlins' is not in the list.*--seen"):
        find_defect("gremlins", DEFECTS)
    with pytest.raises(UnknownDefect):
        find_defect("", DEFECTS)
