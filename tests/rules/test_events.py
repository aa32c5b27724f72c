"""What stands in the log has happened, and in what order: our own choice, no source."""

from __future__ import annotations

from rules.events import Event, happened, in_force
from rules.vocabulary import EventKind as K

T0 = 1_800_000_000.0


def event(kind: K, minute: float, row: int, written: float | None = None, **more: object) -> Event:
    recorded_s = T0 + 60.0 * (minute if written is None else written)
    time_s = T0 + 60.0 * minute
    return Event(kind, time_s, "tent", recorded_s=recorded_s, row=row, **more)  # type: ignore[arg-type]


def minutes(events: tuple[Event, ...]) -> list[float]:
    return [(each.time_s - T0) / 60.0 for each in events]


def test_events_of_a_clock_that_was_set_back_lie_before_what_was_written_after_them() -> None:
    laid = (event(K.COAT_STARTED, 100.0, 1), event(K.COAT_ENDED, 120.0, 2))
    assert happened(laid, T0 + 7200.0) is laid
    assert minutes(happened(laid, T0 + 600.0)) == [10.0, 10.0]
    # Two hours back, then sanded: before the sanding, whatever it says, and now still.
    sanded = (*laid, event(K.SANDED, 5.0, 3))
    assert minutes(happened(sanded, T0 + 600.0)) == [5.0, 5.0, 5.0]
    assert [each.kind for each in in_force(happened(sanded, T0 + 600.0))] == [
        K.COAT_STARTED,
        K.COAT_ENDED,
        K.SANDED,
    ]


def test_a_start_corrected_without_a_time_keeps_its_place_before_the_end() -> None:
    first = event(K.COAT_STARTED, 0.0, 1)
    ended = event(K.COAT_ENDED, 20.0, 2)
    typed = event(K.COAT_STARTED, 25.0, 3, corrects=1, spec="primer")
    assert minutes(in_force((first, ended, typed))) == [0.0, 20.0]
    again = event(K.COAT_STARTED, 26.0, 4, corrects=3, spec="enamel")
    assert [each.spec for each in in_force((first, ended, typed, again))] == ["enamel", None]
    # Who gives a time means it; who corrects before the end moves it.
    meant = event(K.COAT_STARTED, 25.0, 3, 90.0, corrects=1)
    assert minutes(in_force((first, ended, meant))) == [20.0, 25.0]
    assert minutes(in_force((first, event(K.COAT_STARTED, 5.0, 2, corrects=1)))) == [5.0]
