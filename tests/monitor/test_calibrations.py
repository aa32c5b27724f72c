"""Which calibration is in force when, and what it makes of a reading; rules of the house, no
source but where one is named."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.calibrations import CalibrationBook, body_of, undoing_body
from monitor.config.load import load_config
from monitor.log.log import Store
from monitor.log.rows import Calibration
from rules.units import DAY_S
from sensors.calibrate.fit import CalibrationMethod, Reference, fit
from sensors.reading import Quality, Quantity, Reading

T0 = 1_770_000_000.0
HUMIDITY = Quantity.HUMIDITY
KEY = ("tent", "air-bow", HUMIDITY)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "log.db", now_s=lambda: T0) as opened:
        yield opened


def salted(
    offset: float, made_s: float, *, at: float = 75.5, row: int | None = None
) -> Calibration:
    points = [Reference(at - offset, at, 0.5, "a jar")]
    body = body_of(fit(HUMIDITY, CalibrationMethod.SALT, points), note="spring", warnings=["look"])
    return Calibration("tent", "air-bow", HUMIDITY, made_s, body, row)


def undoing(row: int, made_s: float) -> Calibration:
    return Calibration("tent", "air-bow", HUMIDITY, made_s, undoing_body(row))


def reading(value: float, time_s: float, point: str = "air-bow") -> Reading:
    return Reading("tent", point, HUMIDITY, time_s, value, Quality.OK, time_s)


def value(book: CalibrationBook, time_s: float, raw: float = 60.0) -> float:
    return book.correct(reading(raw, time_s))[0]


def test_an_empty_book_leaves_every_reading_as_it_is() -> None:
    book = CalibrationBook()
    assert book.empty
    assert book.correct(reading(60.0, T0)) == (60.0, None)
    assert book.in_force(*KEY, T0) is None
    assert book.age_s(*KEY, T0) is None
    assert book.salt_checked_s("tent", "air-bow", T0) is None


def test_a_calibration_counts_from_its_date_on_and_for_its_point_only(store: Store) -> None:
    store.add_calibration(salted(1.5, T0))
    book = CalibrationBook(store.calibrations())
    assert value(book, T0 - 1.0) == 60.0
    assert value(book, T0) == pytest.approx(61.5)
    assert book.correct(reading(60.0, T0, "air-stern")) == (60.0, None)
    assert book.correct(replace(reading(60.0, T0), quantity=Quantity.AIR_TEMP)) == (60.0, None)
    assert book.correct(replace(reading(60.0, T0), enclosure="shed")) == (60.0, None)


def test_what_the_log_gives_back_is_what_was_found(store: Store) -> None:
    points = [Reference(34.1, 33.07, 0.3, "MgCl2"), Reference(73.2, 75.47, 0.4, "NaCl")]
    found = fit(HUMIDITY, CalibrationMethod.SALT, points, valid_s=90.0 * DAY_S)
    body = body_of(found, note="spring", warnings=["look"])
    store.add_calibration(Calibration(*KEY, T0, body))
    applied = CalibrationBook(store.calibrations()).in_force(*KEY, T0)
    assert applied is not None
    assert applied.correction == found
    assert (applied.note, applied.warnings, applied.row) == ("spring", ("look",), 1)


def test_the_newest_counts_and_undoing_brings_the_one_before_back() -> None:
    rows = [salted(1.0, T0, row=1), salted(3.0, T0 + 100.0, row=2)]
    rows.append(replace(undoing(2, T0 + 200.0), row=3))
    book = CalibrationBook(rows)
    assert [value(book, T0 + s) for s in (0.0, 99.0, 100.0, 199.0, 200.0, 1e6)] == pytest.approx(
        [61.0, 61.0, 63.0, 63.0, 61.0, 61.0]
    )
    states = [[book.state(each, T0 + s) for each, _ in book.all()] for s in (50.0, 150.0, 250.0)]
    assert states == [["in force", "to come"], ["replaced", "in force"], ["in force", "undone"]]


def test_undoing_the_only_one_leaves_readings_as_they_come() -> None:
    book = CalibrationBook([salted(1.0, T0, row=1), replace(undoing(1, T0 + 60.0), row=2)])
    assert value(book, T0 + 59.0) == pytest.approx(61.0)
    assert value(book, T0 + 60.0) == 60.0
    assert book.salt_checked_s("tent", "air-bow", T0 + 59.0) == T0
    assert book.salt_checked_s("tent", "air-bow", T0 + 60.0) is None


def test_what_took_one_back_can_be_taken_back() -> None:
    book = CalibrationBook(
        [salted(1.0, T0, row=1)]
        + [replace(undoing(at, T0 + 60.0 * at), row=at + 1) for at in (1, 2)]
    )
    assert [value(book, T0 + s) for s in (59.0, 60.0, 119.0, 120.0)] == [61.0, 60.0, 60.0, 61.0]
    (applied,) = (each for each, _ in book.all())
    assert [book.state(applied, T0 + s) for s in (90.0, 130.0)] == ["undone", "in force"]
    assert book.taken_back_by(2) is applied
    assert book.taken_back_by(9) is None


def test_a_calibration_given_again_by_hand_is_still_of_its_own_probe() -> None:
    """Only a taking back that named another probe tells, undone, that the two are one."""

    def row(number: int, made_s: float, body: str) -> Calibration:
        return Calibration("tent", "air-bow", HUMIDITY, made_s, body, number)

    points = [Reference(74.5, 75.5, 0.5, "a jar")]
    made = body_of(fit(HUMIDITY, CalibrationMethod.SALT, points), heard={"topic": "shed/bow"})
    other = {"topic": "shed/other"}
    for heard, known in ((None, [{"topic": "shed/bow"}]), (other, [{"topic": "shed/bow"}, other])):
        taken_back = undoing_body(1, heard=heard)
        book = CalibrationBook(
            [row(1, T0, made), row(2, T0 + 1.0, taken_back), row(3, T0 + 2.0, undoing_body(2))]
        )
        applied = book.in_force(*KEY, T0 + 3.0)
        assert applied is not None
        assert book.heard(applied, T0 + 3.0) == known


def test_rows_kept_out_of_order_count_by_their_date() -> None:
    book = CalibrationBook([salted(3.0, T0 + 100.0, row=1), salted(1.0, T0, row=2)])
    assert value(book, T0 + 50.0) == pytest.approx(61.0)
    assert value(book, T0 + 150.0) == pytest.approx(63.0)


def test_what_the_salt_proved_takes_the_place_of_the_configs_accuracy() -> None:
    config = load_config(
        """
        [[enclosure]]
        name = "tent"
        [[enclosure.point]]
        name = "air-bow"
        quantity = "air_temp"
        unit = "degC"
        topic = "shed/bow/t"
        [[enclosure.point]]
        name = "air-bow"
        quantity = "humidity"
        unit = "%"
        topic = "shed/bow/rh"
        accuracy = "1.2 %"
        """,
        Path(),
    )
    row = salted(1.5, T0, row=1)
    # JCGM 100:2008, 5.1.2: hysteresis of 1 % and 0.5 of the salt, by squares, whether the sheet
    # promises 1.2 or 3.
    _, proved = CalibrationBook.of([row], config).correct(reading(74.0, T0))
    assert proved == pytest.approx(math.hypot(1.0, 0.5))
    _, proved = CalibrationBook([row]).correct(reading(74.0, T0))
    assert proved == pytest.approx(math.hypot(1.0, 0.5))


def test_it_widens_with_age_and_by_the_whole_correction_once_it_has_run_out() -> None:
    book = CalibrationBook([salted(2.0, T0, row=1)])
    extras = [
        book.correct(reading(73.5, T0 + d * DAY_S))[1] or 0.0 for d in (0.0, 90.0, 179.0, 181.0)
    ]
    assert extras == sorted(extras)
    assert extras[3] - extras[2] > 2.0
    assert value(book, T0 + 181.0 * DAY_S) == pytest.approx(62.0)  # it goes on correcting
    applied = book.in_force(*KEY, T0 + 181.0 * DAY_S)
    assert applied is not None
    assert book.state(applied, T0 + 181.0 * DAY_S) == "expired"


def test_running_out_is_said_before_and_after() -> None:
    book = CalibrationBook([salted(2.0, T0, row=7)])
    assert book.notices(T0 + 100.0 * DAY_S) == []
    (soon,) = book.notices(T0 + 170.0 * DAY_S)
    assert soon == "calibration of tent/air-bow humidity runs out in 10 days. Calibrate again."
    (late,) = book.notices(T0 + 200.0 * DAY_S)
    assert late.startswith("calibration of tent/air-bow humidity ran out 20 days ago; it still")
    assert "undo row 7" in late


def test_only_a_salt_that_shows_lost_sensitivity_ends_the_widening_for_solvent() -> None:
    low = salted(1.0, T0 + 10.0, at=33.07, row=2)
    book = CalibrationBook([salted(1.0, T0, row=1), low])
    assert book.salt_checked_s("tent", "air-bow", T0 + 20.0) == T0
    assert book.salt_checked_s("tent", "air-bow", T0 - 1.0) is None


@pytest.mark.parametrize(
    "body",
    [
        "[]",
        "no json",
        '{"form": 2}',
        '{"form": 1, "action": "melt"}',
        '{"form": 1, "action": "apply"}',
        salted(1.0, T0).body.replace('"gain": 1.0', '"gain": NaN'),
        json.dumps(json.loads(salted(1.0, T0).body) | {"points": []}),
    ],
)
def test_a_row_that_cannot_be_read_is_counted_and_said(body: str) -> None:
    book = CalibrationBook([Calibration(*KEY, T0, body, 4)])
    assert book.unreadable == [4]
    assert book.correct(reading(60.0, T0)) == (60.0, None)
    assert "1 calibration in the log cannot be read (row 4)" in book.notices(T0)[0]


def test_a_calibration_of_what_is_not_calibrated_is_not_used() -> None:
    row = replace(salted(1.0, T0, row=4), quantity=Quantity.CO2)
    assert CalibrationBook([row]).unreadable == [4]
