"""Which pots a coat had, told event by event; what the review says of each.

Which pot goes into a coat is common practice, no source: the one that its event names, what is
mixed while it is laid, else what stands ready. The generic topcoat's pot lives 3.5 h at 20 °C, the
generic primer stands 20 min (the shipped specs' own figures).
"""

from __future__ import annotations

import pytest
from hand_case import PRIMER, START, TOPCOAT, event, find_defect, hand_case
from planted_log import shipped

from monitor.review.figures import TimeStamp, window_words
from monitor.review.verdict_text import verdict_lines
from rules.clocks.all_clocks import clocks_of
from rules.clocks.at_event import coat_warnings
from rules.clocks.history import TemperatureHistory
from rules.clocks.work import pots_used, work_of
from rules.events import Event
from rules.review.causes import Finding, Verdict, verdict_of
from rules.review.climate_arrays import temperature_history
from rules.review.coats import CoatRecord
from rules.review.windows import WindowName, WindowOutcome
from rules.vocabulary import EventKind

K = EventKind
HOUR = 3600.0
STAMP = TimeStamp("Etc/UTC")


def mixed(hour: float, batch: str | None = None, spec: str = TOPCOAT, ml: float = 500.0) -> Event:
    return event(K.MIXED, hour, spec=spec, amount_ml=ml, batch=batch)


def laid(
    from_h: float, to_h: float, batch: str | None = None, spec: str | None = TOPCOAT
) -> tuple[Event, ...]:
    begun = event(K.COAT_STARTED, from_h, spec=spec, coat=1, batch=batch)
    return begun, event(K.COAT_ENDED, to_h, coat=1)


def looked_at(*told: Event) -> tuple[CoatRecord, Verdict]:
    events = sorted(told, key=lambda each: each.time_s)
    coats, series = hand_case(TOPCOAT, events=events)
    return coats[-1], verdict_of(find_defect("brush-marks"), coats, series)


def lives(coat: CoatRecord) -> list[WindowOutcome]:
    return [w.kept for w in coat.windows if w.name is WindowName.POT_LIFE]


KEPT, LATE, UNKNOWN = WindowOutcome.KEPT, WindowOutcome.LATE, WindowOutcome.UNKNOWN
NAMED_NEW = laid(15.0, 16.0, "NEW")
NO_NAME = laid(15.0, 16.0)


@pytest.mark.parametrize(
    ("told", "kept", "answer"),
    [
        # The coat names its pot: the morning's, past its life, was not used.
        ((mixed(8.0, "OLD"), mixed(14.75, "NEW"), *NAMED_NEW), [KEPT], Finding.AGAINST),
        ((mixed(8.0, "OLD"), mixed(14.75, "NEW"), *laid(15.0, 16.0, "OLD")), [LATE],
         Finding.SUPPORTED),
        # It names none, and the morning's was thrown away before the first stroke.
        ((mixed(8.0, "OLD"), event(K.POT_ENDED, 12.0, batch="OLD"), mixed(14.75, "NEW"), *NO_NAME),
         [KEPT], Finding.AGAINST),
        # It names none, and both stood there: not known, so neither accused nor acquitted.
        ((mixed(8.0, "OLD"), mixed(14.75, "NEW"), *NO_NAME), [KEPT, UNKNOWN], Finding.NOT_KNOWN),
        # Both stood there past their lives: whichever it was.
        ((mixed(8.0), mixed(9.0), *NO_NAME), [LATE], Finding.SUPPORTED),
        # Of two that stayed alive to the end it does not matter which.
        ((mixed(14.0, "A"), mixed(14.75, "B"), *NO_NAME), [KEPT], Finding.AGAINST),
        # Mixed in the morning alone, so it was that one.
        ((mixed(10.0), *NO_NAME), [LATE], Finding.SUPPORTED),
        # A pot of another paint was mixed later, for somewhere else.
        ((mixed(14.0), mixed(14.75, spec=PRIMER), *NO_NAME), [KEPT], Finding.AGAINST),
        # A large coat: the second pot was mixed while it was laid, the first used until then.
        ((mixed(14.75, "A"), mixed(18.0, "B"), *laid(15.0, 19.5, "A")), [KEPT, KEPT],
         Finding.AGAINST),
        ((mixed(14.75, "A"), mixed(19.25, "B"), *laid(15.0, 19.5, "A")), [LATE, KEPT],
         Finding.SUPPORTED),
        # Used up at 18:00, says the log; the rest was laid from what stood beside it.
        ((mixed(14.75, "A"), event(K.POT_ENDED, 18.0, batch="A"), *laid(15.0, 19.5, "A")), [KEPT],
         Finding.AGAINST),
        # A pause: the first pot rests from 16:00, and the second begins at 19:00.
        ((mixed(14.75, "A"), *laid(15.0, 16.0, "A"), mixed(18.75, "B"), *laid(19.0, 20.0, "B")),
         [KEPT, KEPT], Finding.AGAINST),
        # After the pause it goes on from the same pot.
        ((mixed(14.75, "A"), *laid(15.0, 16.0, "A"), *laid(19.0, 20.0)), [LATE],
         Finding.SUPPORTED),
        # A batch that nobody mixed: nothing is known of its life.
        ((mixed(8.0, "OLD"), *laid(15.0, 16.0, "GHOST")), [], Finding.NOT_KNOWN),
    ],
)  # fmt: skip
def test_only_the_pots_of_the_coat_are_judged(
    told: tuple[Event, ...], kept: list[WindowOutcome], answer: Finding
) -> None:
    coat, verdict = looked_at(*told)
    assert lives(coat) == kept
    assert verdict.answer is answer
    # No pot is used before the brush is wet, and none after it has dried.
    for window in coat.windows:
        if window.name is WindowName.POT_LIFE:
            assert START + 15.0 * HOUR <= (window.done_s or 0.0) <= (coat.ended_s or 0.0)


def test_which_pot_it_was_is_asked_where_it_matters() -> None:
    coat, verdict = looked_at(mixed(8.0, "OLD"), mixed(14.75, "NEW"), *NO_NAME)
    assert (coat.batches, coat.perhaps) == (("NEW",), ("OLD",))
    (window,) = [w for w in coat.windows if w.kept is UNKNOWN]
    assert window_words(window, STAMP) == (
        "pot life: not known which pot went in; if the other, pot used until 2026-09-26 16:00 "
        "(not after 2026-09-26 11:30): too late by up to 4 h 35 min"
    )
    lines = "\n".join(verdict_lines(verdict, STAMP))
    assert "Open: which pot went in is not known" in lines
    assert "it hangs on which pot it was" in lines
    assert "To settle it: record pot-ended for the pot that was not used" in lines
    assert "check the probe" not in lines


def test_the_mix_that_had_to_stand_is_the_one_that_was_used() -> None:
    told = [
        mixed(9.0, "OLD", PRIMER),
        mixed(9.9, "NEW", PRIMER),
        *laid(10.0, 11.0, "NEW", PRIMER),
    ]
    coats, _ = hand_case(PRIMER, events=told)
    stood = [w for w in coats[0].windows if w.name is WindowName.INDUCTION]
    assert [w.kept for w in stood] == [WindowOutcome.EARLY]
    assert stood[0].missed_s == pytest.approx(14 * 60.0, abs=30.0)


def test_work_and_warning_and_review_take_the_same_pot() -> None:
    begun, _ = NO_NAME
    before = [mixed(8.0, "OLD"), mixed(14.75, "NEW"), mixed(14.8, "P", PRIMER)]
    work = work_of("hull", [*before, begun], begun.time_s)
    (use,) = pots_used(work.coats[0], work, lambda pot: pot.spec == TOPCOAT)
    assert (use.pot.batch, [pot.batch for pot in use.others]) == ("NEW", ["OLD"])
    assert work.coats[0].poured_s == (START + 14.75 * HOUR,)


def warned(*before: Event, begun: Event) -> list[str]:
    history = warm()
    clocks = clocks_of("hull", before, shipped(), shipped()[TOPCOAT], history, begun.time_s)
    return coat_warnings(begun, before, "hull", clocks, STAMP.minute)


def warm() -> TemperatureHistory:
    """20 °C all day."""
    return temperature_history(hand_case(TOPCOAT)[1], 0.5, 0.3, 600.0)


def test_a_dead_pot_beside_a_living_one_is_asked_about_at_the_event() -> None:
    old, new = mixed(8.0, "OLD"), mixed(14.75, "NEW")
    asked = "pot OLD stands mixed too, past its life, and this coat names none"
    assert [each for each in warned(old, new, begun=NO_NAME[0]) if asked in each]
    assert not warned(old, new, begun=NAMED_NEW[0])
    ended = event(K.POT_ENDED, 12.0, batch="OLD")
    assert not warned(old, ended, new, begun=NO_NAME[0])
    over = warned(old, begun=NO_NAME[0])
    assert any("the pot life is over" in each for each in over)


def test_a_coat_carried_on_from_a_dead_pot_is_warned_of() -> None:
    first = (mixed(14.75, "A"), *laid(15.0, 16.0, "A"))
    again = event(K.COAT_STARTED, 19.0, coat=1)
    assert any("the pot life is over" in each for each in warned(*first, begun=again))


def test_a_late_coat_over_a_sanded_key_is_late_by_its_lateness() -> None:
    # Before a polyurethane the generic primer closes at 3 days: 72 h after 10:00.
    told = [
        mixed(9.5, spec=PRIMER), *laid(10.0, 11.0, spec=PRIMER),
        event(K.SANDED, 128.0), mixed(129.0), event(K.COAT_STARTED, 130.0, spec=TOPCOAT, coat=2),
    ]  # fmt: skip
    coats, _ = hand_case(PRIMER, events=told)
    (recoat,) = [w for w in coats[0].windows if w.name is WindowName.RECOAT]
    assert recoat.kept is WindowOutcome.LATE_BUT_SANDED
    assert window_words(recoat, STAMP).endswith("too late by 2 d, but abraded first")


def test_a_coat_that_nobody_ended_takes_no_pot_of_the_days_after() -> None:
    """Nobody lays one coat for twelve hours; common practice, no source."""
    begun = event(K.COAT_STARTED, 15.0, spec=TOPCOAT, coat=1, batch="A")
    told = (mixed(14.75, "A"), begun, mixed(16.0, "B"), mixed(39.0, "C"))
    work = work_of("hull", told, START + 48.0 * HOUR)
    assert [use.pot.batch for use in pots_used(work.coats[0], work)] == ["A", "B"]
