"""`filmcall calibrate` by hand and by ear: what is told, kept, refused and taken back.

Salt values: Greenspan 1977 as in tests/tables/salt_points.csv. The psychrometer is checked with the
ASHRAE Handbook's own example.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from CoolProp.CoolProp import HAPropsSI

from monitor.calibrate.probe import (
    Surroundings,
    Target,
    listing,
    psychrometer,
    salt,
    side_by_side,
    undo,
)
from monitor.calibrations import CalibrationBook
from monitor.log.log import Store
from rules.errors import FilmcallError
from sensors.mqtt.broker import Broker
from sensors.mqtt.connection import ConnectionStatus
from sensors.mqtt.intake import Arrival, IntakeStatus
from sensors.mqtt.payload import PayloadSource
from sensors.reading import Quality, Quantity, Reading
from tests.support.command import filmcall

T0 = 1_798_761_600.0  # 2027-01-01T00:00:00Z
CONFIG = """
[broker]
port = 1884

[[enclosure]]
name = "tent"
altitude = "0 m"
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
[[enclosure.point]]
name = "plank-port"
quantity = "surface_temp"
unit = "degC"
topic = "shed/plank"
[[enclosure.point]]
name = "logger"
quantity = "surface_temp"
unit = "degC"
column = "t"
"""


class Clock:
    """Wall and monotonic clock at once."""

    def __init__(self) -> None:
        self.now = T0

    def __call__(self) -> float:
        return self.now


class Shed:
    """Stands in for the intake: every 10 s one reading of each source, as `show` has it."""

    def __init__(self, clock: Clock, show: Callable[[PayloadSource, float], float | None]) -> None:
        self.clock, self.show = clock, show
        self.broker: Broker | None = None
        self.sources: Sequence[PayloadSource] = ()
        self.running = False
        self.troubles: tuple[str, ...] = ()

    def __call__(self, broker: Broker, sources: Sequence[PayloadSource]) -> Shed:
        self.broker, self.sources = broker, sources
        return self

    def start(self) -> None:
        self.running = True

    def stop(self) -> None:
        self.running = False

    def drain(self, timeout_s: float = 0.0) -> list[Arrival]:  # noqa: ARG002
        self.clock.now += 10.0
        found = []
        for source in self.sources:
            value = self.show(source, self.clock.now - T0)
            if value is not None:
                quality = Quality.OK if value < 1000.0 else Quality.RETAINED
                found.append(
                    Arrival(
                        Reading(
                            source.enclosure, source.point, source.quantity, self.clock.now,
                            value, quality, self.clock.now,
                        ),
                        self.clock.now,
                    )
                )  # fmt: skip
        return found

    def status(self) -> IntakeStatus:
        link = ConnectionStatus(True, T0, 1, 0, 1, (), None, None, None, 0)
        return IntakeStatus(
            link, 0, 0, 0, {}, {}, 0, {}, 0, {}, 0, 0, {}, 0, {}, 0.0, 0, (), self.troubles
        )  # fmt: skip


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def target(tmp_path: Path) -> Target:
    config = tmp_path / "shed.toml"
    config.write_text(CONFIG)
    return Target("air-bow", config_file=config, db=tmp_path / "log.db")


@pytest.fixture
def by_hand(clock: Clock) -> Surroundings:
    def none(broker: Broker, sources: Sequence[PayloadSource]) -> Shed:
        raise AssertionError("nothing was to be listened to")

    return Surroundings(now_s=clock, ear_of=none, environment={})


def ear(
    clock: Clock, show: Callable[[PayloadSource, float], float | None]
) -> tuple[Surroundings, Shed, list[str]]:
    said: list[str] = []
    shed = Shed(clock, show)
    world = Surroundings(now_s=clock, say=said.append, environment={}, ear_of=shed, monotonic=clock)
    return world, shed, said


def book(target: Target) -> CalibrationBook:
    assert target.db is not None
    with Store.open(target.db, now_s=lambda: T0, read_only=True) as store:
        return CalibrationBook(store.calibrations())


@pytest.fixture(autouse=True)
def _home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


# By hand ------------------------------------------------------------------------------------------


def test_a_jar_by_hand_is_told_kept_and_in_force(target: Target, by_hand: Surroundings) -> None:
    text, code = salt(target, ["NaCl"], [73.9], ["20"], world=by_hand)
    assert code == 0
    assert text.splitlines() == [
        "air-bow, humidity, in tent",
        "  NaCl at 20.0 degC: reads 73.90 for 75.47 ± 0.52 %, 1.57 % low",
        "  raw + 1.57 %; leaves 0.00 % at the points and makes the accuracy 1.13 % there today, "
        "in place of 3",
        "  in force from 2027-01-01T00:00:00Z until 2027-06-30T00:00:00Z; taken back by: filmcall "
        "calibrate undo --row 1",
    ]
    applied = book(target).in_force("tent", "air-bow", Quantity.HUMIDITY, T0)
    assert applied is not None
    assert applied.correction.value(60.0) == pytest.approx(61.57)


def test_two_jars_give_a_gain_and_the_solvent_warning(
    target: Target, by_hand: Surroundings
) -> None:
    text, _ = salt(target, ["MgCl2", "K2SO4"], [33.0, 92.8], ["68F"], world=by_hand)
    assert "raw × 1.0789 - 2.53 %" in text
    assert "warning: reads 4.8 % low at 97.6 %, and only -0.1 % off at 33 %" in text
    assert "solvent" in text


def test_jars_one_after_another_are_joined(
    target: Target, by_hand: Surroundings, clock: Clock
) -> None:
    salt(target, ["NaCl"], [74.0], ["20"], world=by_hand)
    clock.now += 6.0 * 86_400.0
    text, _ = salt(replace(target, add=True), ["MgCl2"], [33.6], ["20"], world=by_hand)
    assert "NaCl at 20.0" in text
    assert "MgCl2 at 20.0" in text
    assert "replaces row 1" in text
    clock.now += 8.0 * 86_400.0
    with pytest.raises(FilmcallError, match="is 8 days old, over 7"):
        salt(replace(target, add=True), ["KCl"], [84.0], ["20"], world=by_hand)
    with pytest.raises(FilmcallError, match="no psychrometer calibration in force"):
        psychrometer(replace(target, add=True), "40", "20", 15.0, world=by_hand)


def test_without_keeping_the_log_is_not_even_made(target: Target, by_hand: Surroundings) -> None:
    text, _ = salt(replace(target, keep=False), ["NaCl"], [73.9], ["20"], world=by_hand)
    assert "nothing was recorded" in text
    assert target.db is not None
    assert not target.db.exists()


def test_a_check_ends_no_correction_that_is_in_force(
    target: Target, by_hand: Surroundings, clock: Clock
) -> None:
    # By hand: NaCl at 20 degC has 75.47 %; 70.00 is 5.47 low, and 73.00 with 5.47 added 3.00 high.
    salt(target, ["NaCl"], [70.0], ["20"], world=by_hand)
    before = listing(target.db, as_json=True, now_s=clock)
    check = replace(target, keep=False)
    text, _ = salt(check, ["NaCl"], [70.0], ["20"], world=by_hand)
    assert "with row 1 in force it is 0.00 % off" in text
    assert "calibrate without --check" not in text
    text, _ = salt(check, ["NaCl"], [73.0], ["20"], world=by_hand)
    assert "with row 1 in force it is 3.00 % off" in text
    assert "calibrate without --check" in text
    told = json.loads(
        salt(replace(check, as_json=True), ["NaCl"], [73.0], ["20"], world=by_hand)[0]
    )
    assert (told["state"], told["row"], told["replaces"]) == ("not kept", None, None)
    assert listing(target.db, as_json=True, now_s=clock) == before


def test_a_name_that_nothing_vouches_for_is_told(tmp_path: Path) -> None:
    words = ("--salt", "NaCl", "--reading", "74", "--temp", "20", "--db", str(tmp_path / "log.db"))
    ran = filmcall("calibrate", "salt", "--point", "air-bow", "--enclosure", "polytunel", *words)
    assert "warning: the log has no humidity of polytunel/air-bow; a calibration of a" in ran.err


def test_only_what_can_be_held_side_by_side_is_offered() -> None:
    told = " ".join(filmcall("calibrate", "side-by-side", "--help").out.split())
    assert "air_temp or surface_temp." in told
    assert "or humidity" not in told


def test_a_psychrometers_refusal_speaks_of_no_salt(tmp_path: Path) -> None:
    words = ("--point", "air-bow", "--enclosure", "tent", "--dry", "20", "--wet", "15")
    ran = filmcall(
        "calibrate", "psychrometer", *words, "--reading", "90", "--db", str(tmp_path / "log.db")
    )
    assert ran.code == 2
    assert "Check unit, reference and that it has come to rest" in ran.err


def test_bulbs_that_are_exchanged_are_told_by_what_was_typed() -> None:
    words = ("--point", "air-bow", "--enclosure", "tent", "--dry", "15", "--wet", "20")
    ran = filmcall("calibrate", "psychrometer", *words, "--reading", "60")
    assert "--wet 20 is above --dry 15" in ran.err
    assert ran.code == 2


def test_a_check_from_the_command_line_is_not_kept(tmp_path: Path) -> None:
    log = tmp_path / "log.db"
    words = ("--point", "air-bow", "--enclosure", "tent", "--salt", "NaCl", "--temp", "20")
    ran = filmcall("calibrate", "salt", *words, "--reading", "75.5", "--check", "--db", str(log))
    # 75.50 for 75.47, by hand; 3 % is the design's usual accuracy of humidity.
    assert "uncorrected it is 0.03 % off, where calls reckon with 3.00" in ran.out
    assert (ran.code, log.exists()) == (0, False)


def test_json_has_what_the_log_has(target: Target, by_hand: Surroundings) -> None:
    text, _ = salt(
        replace(target, as_json=True, valid="30 d", note="spring"),
        ["NaCl"], [73.9], ["20"], world=by_hand,
    )  # fmt: skip
    told = json.loads(text)
    listed = json.loads(listing(target.db, as_json=True, now_s=by_hand.now_s)[0])
    assert listed == [{k: v for k, v in told.items() if k != "replaces"} | {"undone": None}]
    assert (told["row"], told["state"], told["note"]) == (1, "in force", "spring")
    assert told["expires"] == "2027-01-31T00:00:00Z"


def test_the_handbooks_psychrometer_example(target: Target, by_hand: Surroundings) -> None:
    # ASHRAE Handbook Fundamentals 2017, ch. 1, Example 1: 40 degC dry, 20 degC wet, 101.325 kPa
    # is 14 % (read off a chart).
    text, _ = psychrometer(replace(target, as_json=True), "40", "20", 17.0, world=by_hand)
    (point,) = json.loads(text)["points"]
    assert point["reference"] == pytest.approx(14.0, abs=0.5)
    # 0.2 K on either bulb and 25 hPa, worked out with CoolProp, which knows real moist air; and a
    # tenth of the coefficient in e = e_w(t_w) - A p (t - t_w), WMO-No. 8, annex 4.B, A = 6.53e-4
    # (1 + 0.000944 t_w) / K, over the 73.85 hPa that saturated air of 40 degC holds.
    rh_pct = [
        100.0 * HAPropsSI("R", "T", 313.15 + dry_k, "Twb", 293.15 + wet_k, "P", 101_325.0 + more_pa)
        for dry_k, wet_k, more_pa in ((0, 0, 0), (0.2, 0, 0), (0, -0.2, 0), (0, 0, 2500.0))
    ]
    coefficient = 6.53e-4 * (1.0 + 0.000944 * 20.0)
    by_coefficient = 100.0 * 0.1 * coefficient * 1013.25 * 20.0 / 73.85
    by_bulbs = (each - rh_pct[0] for each in rh_pct[1:])
    assert point["half_width"] == pytest.approx(
        math.hypot(*by_bulbs, by_coefficient, 0.1), abs=0.05
    )


def test_two_temperatures_by_hand(target: Target, by_hand: Surroundings) -> None:
    text, _ = side_by_side(
        replace(target, point="plank-port"), "ice bath", "0.6C", "0", reference_accuracy="0.05 K",
        world=by_hand,
    )  # fmt: skip
    assert "beside ice bath: reads 0.60 degC for 0.00 degC ± 0.10 K, 0.60 K high" in text
    assert "raw - 0.60 K" in text


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda t, w: salt(t, ["NaCl"], [0.739], ["20"], world=w), "looks like a fraction"),
        (lambda t, w: salt(t, ["sugar"], [73.9], ["20"], world=w), "has no fixed point here"),
        (lambda t, w: salt(t, ["NaCl"], [73.9, 80.0], ["20"], world=w), "do not pair"),
        (lambda t, w: salt(t, ["NaCl"], [73.9], ["55"], world=w), "outside 0 to 40 degC"),
        (lambda t, w: salt(t, [], [73.9], ["20"], world=w), "no salt is named"),
        (lambda t, w: salt(t, ["NaCl", "KCl"], world=w), "one jar at a time"),
        (lambda t, w: salt(replace(t, point="bow"), ["NaCl"], [7.0], ["20"], world=w),
         "point 'bow' has no humidity in the config, so nothing was calibrated; one of: air-bow"),
        (lambda t, w: salt(replace(t, enclosure="x"), ["NaCl"], [7.0], ["20"], world=w),
         "enclosure 'x' is not in the config"),
        (lambda t, w: salt(replace(t, config_file=None), ["NaCl"], [74.0], ["20"], world=w),
         "give --config FILE, or --enclosure NAME"),
        (lambda t, w: salt(replace(t, config_file=None, enclosure="tent"), ["NaCl"], world=w),
         "neither a reading nor a config"),
        (lambda t, w: psychrometer(t, "20", "21", 50.0, world=w), "is above --dry"),
        (lambda t, w: psychrometer(t, "20", "15", 50.0, thermometer_accuracy="9 K", world=w),
         "not between 0 and 2 K"),
        (lambda t, w: side_by_side(t, "plank-port", "20", world=w), "one of two temperatures"),
        (lambda t, w: side_by_side(t, "x", "20", "20", quantity="humidity", world=w),
         "quantity 'humidity' is no temperature"),
        (lambda t, w: side_by_side(replace(t, point="logger"), "plank-port", world=w),
         "point 'logger' has no topic for surface_temp"),
        (lambda t, w: side_by_side(replace(t, point="plank-port"), "plank-port", world=w),
         "point 'plank-port' is its own reference"),
        (lambda t, w: side_by_side(replace(t, point="plank-port"), "plank-port", "18", "18.5",
                                   world=w),
         "point 'plank-port' is its own reference"),
        (lambda t, w: salt(replace(t, valid="1 h"), ["NaCl"], [74.0], ["20"], world=w),
         "valid for 0.0416667 days"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_one_sentence_and_nothing_is_kept(
    target: Target, by_hand: Surroundings, call: Callable[[Target, Surroundings], object], said: str
) -> None:
    with pytest.raises(FilmcallError) as fault:
        call(target, by_hand)
    assert said in str(fault.value)
    assert "\n" not in str(fault.value)
    assert target.db is not None
    assert not target.db.exists()


def test_a_clock_that_was_not_set_dates_nothing(
    target: Target, by_hand: Surroundings, clock: Clock
) -> None:
    assert target.db is not None
    salt(target, ["NaCl"], [73.9], ["20"], world=by_hand)
    clock.now -= 3600.0
    with pytest.raises(FilmcallError, match="before the log's newest row of 2027-01-01T00:00:00Z"):
        salt(target, ["NaCl"], [73.9], ["20"], world=by_hand)
    with pytest.raises(FilmcallError, match="Set the clock"):
        undo(1, target.db, now_s=clock)
    clock.now = 1000.0
    with pytest.raises(FilmcallError, match="says 1970-01-01T00:16:40Z, before this program was"):
        salt(replace(target, db=target.db.with_name("new.db")), ["NaCl"], [74.0], ["20"],
             world=by_hand)  # fmt: skip


# Listing and undoing ------------------------------------------------------------------------------


def test_applying_running_out_and_undoing_are_seen(
    target: Target, by_hand: Surroundings, clock: Clock
) -> None:
    salt(target, ["NaCl"], [73.9], ["20"], world=by_hand)
    clock.now += 86_400.0
    salt(target, ["NaCl"], [73.4], ["20"], world=by_hand)
    first, second = listing(target.db, as_json=False, now_s=clock)[0].splitlines()
    assert first.endswith("raw + 1.57 % (NaCl at 20.0 degC); leaves 0.00 %; replaced")
    assert second.endswith("in force, 180 days left")
    clock.now += 180.0 * 86_400.0 - 7200.0
    told = listing(target.db, as_json=False, now_s=clock)[0]
    assert "in force, 2 h left" in told
    assert "runs out in 2 h." in told
    clock.now -= 180.0 * 86_400.0 - 7200.0
    clock.now += 181.0 * 86_400.0
    assert "ran out 1 day ago" in listing(target.db, as_json=False, now_s=clock)[0]
    text, code = undo(2, target.db, point="air-bow", note="broken", now_s=clock)
    assert code == 0
    assert "row 2 (raw + 2.07 %) is taken back from 2027-07-02T00:00:00Z on" in text
    assert "row 1 of 2027-01-01T00:00:00Z is in force again (raw + 1.57 %), and has run" in text
    lines = listing(target.db, as_json=False, now_s=clock)[0].splitlines()
    assert lines[1].endswith("undone 2027-07-02T00:00:00Z by row 3: broken")
    with pytest.raises(FilmcallError, match="row 2 is undone already"):
        undo(2, target.db, now_s=clock)
    # What was taken back by mistake counts again once that is taken back.
    clock.now += 60.0
    text, _ = undo(3, target.db, now_s=clock)
    assert "row 3 is taken back" in text
    assert "row 2 of 2027-01-02T00:00:00Z is in force again (raw + 2.07 %), and has run" in text
    with pytest.raises(FilmcallError, match="row 3 takes nothing back any more"):
        undo(3, target.db, now_s=clock)
    clock.now += 60.0
    undo(2, target.db, now_s=clock)
    assert "readings are taken as they come" in undo(1, target.db, now_s=clock)[0]


def test_what_is_to_be_undone_must_be_clear(
    target: Target, by_hand: Surroundings, clock: Clock
) -> None:
    with pytest.raises(FilmcallError, match="there is no such file"):
        undo(1, target.db, now_s=clock)
    salt(target, ["NaCl"], [73.9], ["20"], world=by_hand)
    side_by_side(target, "glass", "20.0", "20.3", world=by_hand)
    with pytest.raises(FilmcallError, match="no calibration row 9"):
        undo(9, target.db, now_s=clock)
    before = listing(target.db, as_json=True, now_s=clock)
    for other, said in (
        ({"point": "air-stern"}, "row 2 is of 'air-bow' and not of 'air-stern'"),
        ({"quantity": "humidity"}, "row 2 is of 'air_temp' and not of 'humidity'"),
        ({"enclosure": "shed"}, "row 2 is of 'tent' and not of 'shed'"),
    ):
        with pytest.raises(FilmcallError, match=said):
            undo(2, target.db, **other, now_s=clock)
    assert listing(target.db, as_json=True, now_s=clock) == before
    text, _ = undo(
        2, target.db, point="air-bow", quantity="air_temp", enclosure="tent", now_s=clock
    )
    assert "tent/air-bow air_temp: row 2 (raw + 0.30 K)" in text


def test_what_is_undone_counts_no_more_at_whatever_fraction_of_a_second(
    target: Target, by_hand: Surroundings, clock: Clock
) -> None:
    salt(target, ["NaCl"], [73.9], ["20"], world=by_hand)
    clock.now += 3600.0 + 0.0000007  # the log keeps the microsecond after it
    text, _ = undo(1, target.db, now_s=clock)
    assert text.endswith("readings are taken as they come")


def test_undoing_one_that_was_replaced_brings_nothing_back(
    target: Target, by_hand: Surroundings, clock: Clock
) -> None:
    salt(target, ["NaCl"], [73.9], ["20"], world=by_hand)
    clock.now += 86_400.0
    salt(target, ["NaCl"], [73.4], ["20"], world=by_hand)
    text, _ = undo(1, target.db, now_s=clock)
    assert text.endswith("row 2 of 2027-01-02T00:00:00Z is in force (raw + 2.07 %)")


def test_a_log_without_calibrations_says_so(target: Target, clock: Clock) -> None:
    assert target.db is not None
    Store.open(target.db, now_s=clock).close()
    assert listing(target.db, as_json=False, now_s=clock)[0].startswith("the log holds no cal")
    assert listing(target.db, as_json=True, now_s=clock) == ("[]", 0)


# By ear -------------------------------------------------------------------------------------------


def in_a_jar(source: PayloadSource, at_s: float) -> float:
    """A probe that reads 1.5 % low and nears 75.47 % with a time constant of half an hour."""
    if source.quantity is Quantity.AIR_TEMP:
        return 20.0
    return 73.97 - 20.0 * math.exp(-at_s / 1800.0)


def test_listens_until_the_probe_rests_by_its_own_temperature(target: Target, clock: Clock) -> None:
    world, shed, said = ear(clock, in_a_jar)
    text, _ = salt(replace(target, as_json=True), ["NaCl"], world=world)
    told = json.loads(text)
    (point,) = told["points"]
    assert point["what"] == "NaCl at 20.0 degC"
    assert abs(point["reading"] - 73.97) <= point["half_width"] < 1.0
    assert 1.3 < told["offset"] < 2.0
    assert shed.broker is not None
    assert shed.broker.client_id.startswith("filmcall-station-1-calibrate-")
    assert not shed.running
    assert any("still drifting by +" in line for line in said)
    assert "waiting for rest: watched 40 s of 30 min" in said[1]


def test_what_the_broker_had_kept_is_not_listened_to(target: Target, clock: Clock) -> None:
    def show(source: PayloadSource, at_s: float) -> float:
        return 2000.0  # passed on as `retained`

    world, _, _ = ear(clock, show)
    with pytest.raises(FilmcallError, match=r"not come to rest within 1 h \(no reading yet\)"):
        salt(target, ["NaCl"], most_wait_s=3600.0, world=world)


def test_a_probe_that_does_not_rest_ends_with_the_brokers_trouble(
    target: Target, clock: Clock
) -> None:
    world, shed, said = ear(clock, lambda *_: None)
    shed.troubles = ("broker 127.0.0.1:1884 refuses the connection; no readings come in.",)
    with pytest.raises(FilmcallError, match=r"nothing was calibrated\. broker 127"):
        salt(target, ["NaCl"], most_wait_s=600.0, world=world)
    assert said.count(shed.troubles[0]) == 1
    assert not shed.running


def test_a_probe_that_falls_silent_in_the_jar_is_named_when_it_does(
    target: Target, clock: Clock
) -> None:
    """It sends every 10 s until the 24th minute; live, a value counts for 90 s (README)."""

    def show(source: PayloadSource, at_s: float) -> float | None:
        return in_a_jar(source, at_s) if at_s <= 1440.0 else None

    world, _, said = ear(clock, show)
    with pytest.raises(FilmcallError) as fault:
        salt(target, ["NaCl"], most_wait_s=2400.0, world=world)
    minutes = said[1:]  # the first tells where is listened
    silent = [line for line in minutes if line.startswith("nothing heard of point 'air-bow'")]
    assert minutes[-len(silent) :] == silent, "from then on, and not before"
    # It is told each full minute: at 1560 s the last reading is 120 s old, and the last is at 2400.
    assert len(silent) == (2400 - 1560) / 60 + 1
    assert "for 2 min" in silent[0]
    assert "Nothing heard of point 'air-bow'" in str(fault.value)
    assert "Close the jar" not in str(fault.value)


def test_a_probe_that_sends_every_ten_minutes_is_not_silent(target: Target, clock: Clock) -> None:
    def show(source: PayloadSource, at_s: float) -> float | None:
        return in_a_jar(source, at_s) if at_s % 600.0 == 0.0 else None

    world, _, said = ear(clock, show)
    salt(target, ["NaCl"], world=world)
    assert not [line for line in said if "nothing heard" in line]


def test_the_drift_is_told_before_the_time_of_rest_is_full(target: Target, clock: Clock) -> None:
    world, _, said = ear(clock, in_a_jar)
    salt(target, ["NaCl"], world=world)
    # 20 exp(-t / 1800 s): over the first 15 to 30 min it rises by some 20 to 30 an hour.
    (told,) = [line for line in said if "watched 20 min of 30 min" in line]
    drift = float(told.split("drifts by ")[1].split()[0])
    assert 20.0 < drift < 30.0
    assert "drifts" not in next(line for line in said if "watched 10 min" in line)


def test_a_fraction_is_refused_at_once(target: Target, clock: Clock) -> None:
    world, _, _ = ear(clock, lambda *_: 0.74)
    with pytest.raises(FilmcallError, match='Set its unit to "1"'):
        salt(target, ["NaCl"], world=world)
    assert clock.now == T0 + 10.0


def test_two_probes_in_a_bag_rest_by_their_distance(target: Target, clock: Clock) -> None:
    def show(source: PayloadSource, at_s: float) -> float:
        room_c = 18.0 + at_s / 3600.0  # warming by 1 K an hour: neither rests by itself
        return room_c + (0.4 if source.point == "plank-port" else 0.0)

    world, _, _ = ear(clock, show)
    text, _ = side_by_side(
        replace(target, point="plank-port", as_json=True), "air-bow", world=world
    )
    told = json.loads(text)
    assert told["offset"] == pytest.approx(-0.4, abs=0.02)
    (point,) = told["points"]
    assert 0.3 <= point["half_width"] < 0.35  # the reference's own accuracy counts


def test_the_references_own_calibration_counts(
    target: Target, clock: Clock, by_hand: Surroundings
) -> None:
    side_by_side(target, "glass", "20.0", "20.5", world=by_hand)
    world, _, _ = ear(clock, lambda *_: 20.0)
    text, _ = side_by_side(
        replace(target, point="plank-port", as_json=True), "air-bow", world=world
    )
    assert json.loads(text)["offset"] == pytest.approx(0.5, abs=1e-9)


@pytest.mark.parametrize(
    ("reference", "read", "moved"),
    [
        ("air-bow", "16.8", "counts 1.20 K warmer there, and every dew margin of plank-port 1.20 K "
         "larger"),
        ("air-bow", "18.5", "counts 0.50 K colder there, and every dew margin of plank-port 0.50 K "
         "smaller"),
        ("logger", "16.8", ""),  # a surface
        ("glass", "16.8", ""),  # no probe of the config's
    ],
)  # fmt: skip
def test_a_hull_probe_is_held_against_the_air_with_a_word_before_it_is_written(
    reference: str, read: str, moved: str, target: Target, by_hand: Surroundings
) -> None:
    """A hull that is rightly 1.2 K under its air would be lifted into dew that is not seen."""
    hull, said = replace(target, point="plank-port"), list[str]()

    def say(text: str) -> None:
        with Store.open(target.db, now_s=by_hand.now_s) as store:
            assert not store.calibrations()
        said.append(text)

    side_by_side(hull, reference, read, "18.0", world=replace(by_hand, say=say))
    told = " ".join(text for text in said if "dew margin" in text)
    assert bool(told) == bool(moved)
    if moved:
        assert moved in told
        assert "both must have been together in one bag, away from the hull" in told
        assert "filmcall calibrate undo --row N" in told


def test_a_second_comparison_with_the_air_tells_only_what_it_moves_further(
    target: Target, by_hand: Surroundings
) -> None:
    hull, said = replace(target, point="plank-port"), list[str]()
    world = replace(by_hand, say=said.append)
    side_by_side(hull, "air-bow", "16.8", "18.0", world=world)
    side_by_side(hull, "air-bow", "16.8", "17.7", world=world)
    assert "every dew margin of plank-port 0.30 K smaller" in said[-1]
    side_by_side(replace(hull, keep=False), "air-bow", "16.8", "17.7", world=world)
    assert "0.30 K smaller" in said[-1]  # a check writes nothing, and says nothing
    assert len([each for each in said if "dew margin" in each]) == 2


@pytest.mark.parametrize(("reference", "warned"), [("air-bow", True), ("glass", False)])
def test_without_a_config_a_name_of_the_air_is_enough(
    reference: str, warned: bool, tmp_path: Path
) -> None:
    ran = filmcall(
        *("calibrate", "side-by-side", "--point", "plank-port", "--enclosure", "polytunnel"),
        *("--reference", reference, "--reading", "18.4", "--reference-reading", "18.1"),
        *("--quantity", "surface_temp", "--db", str(tmp_path / "log.db")),
    )
    assert ran.code == 0, ran.err
    assert ("0.30 K smaller" in ran.err) == warned


def test_a_psychrometer_takes_a_minute_of_readings(target: Target, clock: Clock) -> None:
    world, _, _ = ear(clock, lambda _, at_s: 60.0 + 0.1 * (at_s % 20.0))
    text, _ = psychrometer(replace(target, as_json=True), "20", "15", world=world)
    (point,) = json.loads(text)["points"]
    assert point["reading"] == pytest.approx(60.5, abs=0.6)
    assert clock.now - T0 < 200.0
