"""Thinner beyond the sheet's: a fact of the coat and a possible cause of what it does.

The generic topcoat asks for 5 to 12 % by brush at 20 to 35 °C (rules/specs), and for up to 8 % at
10 to 20 °C; that too much sags, dries thin and cures late, and too little sets before it levels, is
common practice, no source.
"""

from __future__ import annotations

import pytest
from hand_case import TOPCOAT, event, find_defect, hand_case

from monitor.review.figures import TimeStamp
from monitor.review.verdict_text import verdict_lines
from rules.events import Event
from rules.review.causes import Finding, Verdict, verdict_of
from rules.review.coats import CoatRecord
from rules.review.defects import Sign
from rules.vocabulary import EventKind, Method

STAMP = TimeStamp("Etc/UTC")
Night = tuple[float, float, float, float, float]
WARM: Night = (8.0, 20.0, 25.0, 45.0, 25.0)


def mixed(hour: float, thinner_pct: float | None, batch: str | None = None) -> Event:
    return event(
        EventKind.MIXED, hour, spec=TOPCOAT, amount_ml=500.0, thinner_pct=thinner_pct, batch=batch
    )


def coat(batch: str | None = None) -> tuple[Event, Event]:
    begun = event(
        EventKind.COAT_STARTED, 10.0, spec=TOPCOAT, coat=1, method=Method.BRUSH, batch=batch
    )
    return begun, event(EventKind.COAT_ENDED, 11.0, coat=1)


def looked_at(
    defect: str, *told: Event, nights: tuple[Night, ...] = (WARM,)
) -> tuple[CoatRecord, Verdict]:
    coats, series = hand_case(TOPCOAT, events=list(told), nights=list(nights))
    return coats[0], verdict_of(find_defect(defect), coats, series)


@pytest.mark.parametrize(
    ("defect", "thinner_pct", "sign"),
    [
        ("sags", 20.0, Sign.THINNER_OVER),
        ("soft", 20.0, Sign.THINNER_OVER),
        ("dry-patches", 20.0, Sign.THINNER_OVER),
        ("orange peel", 0.0, Sign.THINNER_UNDER),
        ("sags", 12.0, None),
        ("sags", 0.0, None),
        ("orange peel", 5.0, None),
        ("orange peel", 20.0, None),
    ],
)
def test_thinner_beyond_the_sheet_is_a_cause_of_what_it_does(
    defect: str, thinner_pct: float, sign: Sign | None
) -> None:
    defect = {"soft": "soft-cure"}.get(defect, defect)
    _, verdict = looked_at(defect, mixed(9.5, thinner_pct), *coat())
    assert [e.cause.sign for e in verdict.ranked] == ([] if sign is None else [sign])
    if sign is not None:
        assert verdict.answer is Finding.SUPPORTED


def test_it_stands_among_the_causes_with_its_figures() -> None:
    _, verdict = looked_at("sags", mixed(9.5, 20.0, "A"), *coat("A"))
    lines = "\n".join(verdict_lines(verdict, STAMP))
    assert (
        "1. more thinner than the sheet allows: coat 1: thinner: 20 % in pot A (sheet: 5 to 12 % "
        "by brush at 20 to 35 °C): too much" in lines
    )
    assert "Thinned as the sheet says, nothing would point to this cause." in lines


def test_the_range_is_that_of_the_temperature_at_which_it_was_used() -> None:
    told = (mixed(9.5, 10.0), *coat())
    assert looked_at("sags", *told)[1].ranked == ()
    cool: Night = (8.0, 20.0, 15.0, 50.0, 15.0)
    assert looked_at("sags", *told, nights=(cool,))[1].ranked != ()


def test_which_of_two_pots_it_was_is_open() -> None:
    two = (mixed(9.4, 20.0, "A"), mixed(9.5, 8.0, "B"))
    record, verdict = looked_at("sags", *two, *coat())
    assert [(each.batch, each.is_sure) for each in record.thinned] == [("B", False), ("A", False)]
    assert verdict.answer is Finding.NOT_KNOWN
    assert looked_at("sags", *two, *coat("A"))[1].answer is Finding.SUPPORTED
    assert looked_at("sags", *two, *coat("B"))[1].answer is Finding.AGAINST


def test_what_nobody_recorded_is_not_looked_at_and_accuses_nobody() -> None:
    _, verdict = looked_at("sags", mixed(9.5, None), *coat())
    assert verdict.answer is Finding.AGAINST
    assert ("more thinner than the sheet allows", "no thinner is recorded for it") in [
        (str(cause.sign), why) for cause, why in verdict.not_looked
    ]
