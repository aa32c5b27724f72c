"""Whether a channel is believed by its own record and beside its neighbours.

The names of the tests are those of the QARTOD manuals (US IOOS, In-situ Temperature and Salinity,
DOI 10.7289/V5V40SD4); the tents here are made of plain curves and noise with a fixed seed, and of
no code of the rule. What is expected: `doubted` in DEVELOPERS.md, "The calls".
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from itertools import pairwise

import pytest

from sensors.believe import checks
from sensors.believe.flat_line import flat_line
from sensors.believe.repeated_record import repeated_record
from sensors.believe.verdict import Verdict
from sensors.faults import DEFAULT_RULES, FaultJudge
from sensors.reading import Quality, Quantity, Reading

AIR, RH, HULL = Quantity.AIR_TEMP, Quantity.HUMIDITY, Quantity.SURFACE_TEMP
HOUR_S = 3600.0
EVERY_S = 30.0
Value = Callable[[float], float]
Key = tuple[str, Quantity]


class Tent:
    """A tent of curves: what each channel shows at a time, and what was made of it."""

    def __init__(self, seed: int = 1, *, stern: bool = True, starboard: bool = True) -> None:
        self._random = random.Random(seed)
        self.shown: dict[Key, Value] = {
            ("bow", AIR): lambda t: self._read(self.air_c(t), 0.05, 0.01),
            ("bow", RH): lambda t: self._read(self.rh_pct(t), 0.2, 0.1),
            ("port", HULL): lambda t: self._read(self.hull_c(t), 0.04, 0.0625),
        }
        if stern:
            self.shown["stern", AIR] = lambda t: self._read(self.air_c(t) - 0.3, 0.05, 0.01)
            self.shown["stern", RH] = lambda t: self._read(self.rh_pct(t) + 1.5, 0.2, 0.1)
        if starboard:
            self.shown["starboard", HULL] = lambda t: self._read(self.hull_c(t) + 0.2, 0.04, 0.0625)
        self.judge = FaultJudge({key: DEFAULT_RULES[key[1]] for key in self.shown})
        self.time_s = 0.0

    def _read(self, truth: float, noise: float, digit: float) -> float:
        return round(round((truth + self._random.gauss(0.0, noise)) / digit) * digit, 6)

    @staticmethod
    def air_c(t: float) -> float:
        """A day of 24 h, and a thermostat that cycles every 40 min [degC]."""
        return 16.0 + 4.0 * math.sin(t / 86400.0 * math.tau) + 0.6 * math.sin(t / 2400.0 * math.tau)

    @staticmethod
    def hull_c(t: float) -> float:
        """The same day two hours later and damped; of the thermostat next to nothing [degC]."""
        late = t - 7200.0
        quick = 0.03 * math.sin((t - 600.0) / 2400.0 * math.tau)
        return 15.0 + 3.2 * math.sin(late / 86400.0 * math.tau) + quick

    def rh_pct(self, t: float) -> float:
        """Of air that holds 11 hPa of vapour [%]; Magnus, WMO-No. 8, annex 4.B."""
        return 100.0 * 11.0 / checks.vapour_pressure_hpa(self.air_c(t), 100.0)

    def run(self, hours: float, watched: Key | None = None) -> list[Quality]:
        """Go on, and return what became of the watched channel's readings."""
        found = []
        end_s = self.time_s + hours * HOUR_S
        while self.time_s < end_s:
            for (point, quantity), value in self.shown.items():
                reading = Reading(
                    "tent", point, quantity, self.time_s, value(self.time_s), Quality.OK, 0.0
                )
                for each in self.judge.judge(reading)[-1:]:
                    if (point, quantity) == watched:
                        found.append(each.quality)
            self.time_s += EVERY_S
        return found

    def why(self, key: Key) -> str:
        """What a painter reads of a channel."""
        return self.judge.why(*key, self.time_s)

    def doubted(self) -> set[Key]:
        """Every channel that is doubted now."""
        return {key for key in self.shown if self.why(key)}


def minutes_until_doubted(found: list[Quality]) -> float:
    assert Quality.DOUBTED in found
    return found.index(Quality.DOUBTED) * EVERY_S / 60.0


@pytest.mark.parametrize("bodies", [True, False], ids=["two of each", "one of each"])
def test_a_clean_tent_is_never_doubted_in_two_days(bodies: bool) -> None:
    tent = Tent(stern=bodies, starboard=bodies)
    for key in [("port", HULL), ("bow", RH)]:
        assert Quality.DOUBTED not in tent.run(24.0, key)
        assert not tent.judge.standing
    assert tent.doubted() == set()


def test_flat_line_after_two_good_hours_is_doubted_within_the_hour() -> None:
    tent = Tent(starboard=False)
    tent.run(2.0)
    frozen = tent.shown["port", HULL](tent.time_s)
    tent.shown["port", HULL] = lambda _t: frozen
    found = tent.run(10.0, ("port", HULL))
    assert 20.0 <= minutes_until_doubted(found) <= 60.0
    assert found[-1] is Quality.DOUBTED
    assert tent.why(("port", HULL)).startswith(f"port has shown {frozen:g} °C for 10 h")
    assert tent.why(("port", HULL)).endswith("filmcall event vouched --point port")


def test_both_channels_of_the_only_air_body_frozen_are_noticed() -> None:
    tent = Tent(stern=False)
    tent.run(6.0)
    for key in (("bow", AIR), ("bow", RH)):
        value = tent.shown[key](tent.time_s)
        tent.shown[key] = lambda _t, value=value: value  # type: ignore[misc]
    tent.run(1.0)
    assert tent.doubted() >= {("bow", AIR), ("bow", RH)}


def test_humidity_pinned_at_100_is_no_flat_line() -> None:
    tent = Tent()
    tent.run(6.0)
    for body in ("bow", "stern"):
        tent.shown[body, RH] = lambda _t: 100.0
    assert Quality.DOUBTED not in tent.run(6.0, ("bow", RH))


def test_a_flat_line_that_moves_again_is_believed_at_its_third_change() -> None:
    tent = Tent(starboard=False)
    tent.run(6.0)
    good = tent.shown["port", HULL]
    frozen = good(tent.time_s)
    tent.shown["port", HULL] = lambda _t: frozen
    assert tent.run(1.0, ("port", HULL))[-1] is Quality.DOUBTED
    tent.shown["port", HULL] = good
    assert tent.run(0.5, ("port", HULL))[-1] is Quality.OK


def test_attenuated_signal_a_moving_last_digit_around_a_mean_that_no_longer_follows() -> None:
    tent = Tent()
    tent.run(24.0)
    stands = tent.shown["port", HULL](tent.time_s)
    flicker = random.Random(3)
    tent.shown["port", HULL] = lambda _t: stands + 0.0625 * flicker.choice((-1, 0, 0, 1))
    found = tent.run(4.0, ("port", HULL))
    assert minutes_until_doubted(found) <= 240.0  # measured: 206
    assert found[-1] is Quality.DOUBTED
    assert "port has not moved for" in tent.why(("port", HULL))
    assert "starboard rose" in tent.why(("port", HULL))
    assert tent.doubted() == {("port", HULL)}


@pytest.mark.parametrize("length_s", [600.0, 7200.0])
def test_a_record_that_repeats_itself_is_doubted(length_s: float) -> None:
    tent = Tent()
    tent.run(5.0)
    good = tent.shown["bow", AIR]
    tape = []

    def recorded(t: float) -> float:
        tape.append(good(t))
        return tape[-1]

    tent.shown["bow", AIR] = recorded
    tent.run(length_s / HOUR_S)
    begun_s = tent.time_s
    tent.shown["bow", AIR] = lambda t: tape[int((t - begun_s) / EVERY_S) % len(tape)]
    found = tent.run(2.0, ("bow", AIR))
    assert minutes_until_doubted(found) <= 20.0
    assert "repeats, to the last digit" in tent.why(("bow", AIR))
    tent.shown["bow", AIR] = good
    assert tent.run(0.5, ("bow", AIR))[-1] is Quality.OK


def test_a_coarse_record_of_few_changes_that_repeats_itself_is_doubted() -> None:
    tent = Tent(stern=False, starboard=False)
    coarse = {at: tent._read(tent.hull_c(at), 0.12, 0.5) for at in range(0, 30_000, int(EVERY_S))}
    tent.shown["port", HULL] = lambda t: coarse[int(t)]
    tent.run(5.0)
    begun_s = int(tent.time_s)
    tape = [coarse[at] for at in range(begun_s - 2400, begun_s, int(EVERY_S))]
    assert 6 <= sum(a != b for a, b in pairwise(tape)) < 16
    tent.shown["port", HULL] = lambda t: tape[int((t - begun_s) / EVERY_S) % len(tape)]
    tent.run(6.0)
    assert "repeats, to the last digit" in tent.why(("port", HULL))


@pytest.mark.parametrize("jump_k", [5.0, -5.0])
def test_rate_of_change_a_hull_that_jumps_beside_still_air_stays_doubted(jump_k: float) -> None:
    tent = Tent(starboard=False)
    tent.run(8.0)
    good = tent.shown["port", HULL]
    tent.shown["port", HULL] = lambda t: good(t) + jump_k
    found = tent.run(4.0, ("port", HULL))
    assert found[0] is Quality.SPIKE
    assert set(found[1:]) == {Quality.DOUBTED}, "the next like value confirms nothing"
    way = "up" if jump_k > 0.0 else "down"
    assert f"jumped 5.0 K {way}" in tent.why(("port", HULL)).replace("4.9", "5.0").replace(
        "5.1", "5.0"
    )


def test_a_hull_that_jumped_and_agrees_with_the_other_hull_again_is_believed() -> None:
    tent = Tent()
    tent.run(8.0)
    good = tent.shown["port", HULL]
    tent.shown["port", HULL] = lambda t: good(t) + 5.0
    assert tent.run(3.0, ("port", HULL))[-1] is Quality.DOUBTED
    tent.shown["port", HULL] = good
    assert tent.run(0.5, ("port", HULL))[-1] is Quality.OK


def test_neighbour_a_probe_that_fell_off_the_hull_takes_on_the_airs_own_movement() -> None:
    tent = Tent()
    tent.run(8.0)
    tent.shown["port", HULL] = lambda t: tent._read(tent.air_c(t - 45.0), 0.04, 0.0625)
    found = tent.run(3.0, ("port", HULL))
    assert minutes_until_doubted(found) <= 60.0
    assert found[-1] is Quality.DOUBTED
    assert tent.doubted() == {("port", HULL)}


def turbulent(tent: Tent) -> None:
    """Let the air move by a tenth of a kelvin within minutes, and the humidity answer it."""
    gust = random.Random(5)
    moved = 0.0
    at = math.nan

    def gusts(t: float) -> float:
        nonlocal moved, at
        if t != at:
            at, moved = t, 0.82 * moved + gust.gauss(0.0, 0.07)
        return moved

    def humid(t: float) -> float:
        return 1100.0 / checks.vapour_pressure_hpa(tent.air_c(t) + gusts(t), 100.0)

    tent.shown["bow", AIR] = lambda t: tent._read(tent.air_c(t) + gusts(t), 0.03, 0.01)
    tent.shown["bow", RH] = lambda t: tent._read(humid(t), 0.1, 0.1)


def test_neighbour_a_probe_off_the_hull_is_doubted_in_air_that_hardly_moves() -> None:
    tent = Tent(stern=False, starboard=False)
    turbulent(tent)
    tent.run(8.0)
    air = tent.shown["bow", AIR]
    assert tent.doubted() == set()
    tent.shown["port", HULL] = lambda t: round(air(t) / 0.0625) * 0.0625
    found = tent.run(5.0, ("port", HULL))
    assert minutes_until_doubted(found) <= 180.0
    assert "may have come off the hull" in tent.why(("port", HULL))


def test_neighbour_a_probe_in_half_degrees_off_the_hull_turns_with_the_air() -> None:
    tent = Tent(stern=False, starboard=False)
    tent.shown["port", HULL] = lambda t: tent._read(tent.hull_c(t), 0.04, 0.5)
    assert Quality.DOUBTED not in tent.run(14.0, ("port", HULL))
    tent.shown["port", HULL] = lambda t: tent._read(tent.air_c(t - 45.0) + 0.2, 0.04, 0.5)
    found = tent.run(8.0, ("port", HULL))
    assert minutes_until_doubted(found) <= 200.0
    assert "may have come off the hull" in tent.why(("port", HULL))
    tent.shown["port", HULL] = lambda t: tent._read(tent.hull_c(t), 0.04, 0.5)
    assert tent.run(4.0, ("port", HULL))[-1] is Quality.OK


@pytest.mark.parametrize("digit", [0.5, 0.0625])
def test_thin_sheet_in_the_sun_that_is_at_the_airs_temperature_at_night_is_sound(
    digit: float,
) -> None:
    """Steel of 0.6 mm: 2.2 kJ/(m2 K) over some 20 W/(m2 K) for both sides in still air, 2 min."""
    tent = Tent(stern=False, starboard=False)
    sheet_c, at_s = tent.air_c(0.0), 0.0

    def sheet(t: float) -> float:
        nonlocal sheet_c, at_s
        sun_k = 5.0 * max(0.0, math.cos(t / 86400.0 * math.tau)) * (1.2 + math.sin(t / 900.0))
        share = 1.0 - math.exp(-(t - at_s) / 120.0)
        sheet_c, at_s = sheet_c + share * (tent.air_c(t) + sun_k - sheet_c), t
        return tent._read(sheet_c, 0.04, digit)

    tent.shown["port", HULL] = sheet
    tent.run(8.0)
    found = tent.run(16.0, ("port", HULL))
    assert "shown what the air does" not in tent.why(("port", HULL))
    assert Quality.DOUBTED not in found


@pytest.mark.parametrize("lags", [True, False], ids=["a hull", "a thin sheet"])
def test_neighbour_the_sun_on_a_hull_probe_in_half_degrees(lags: bool) -> None:
    tent = Tent(stern=False, starboard=False)
    on = tent.hull_c if lags else tent.air_c
    tent.shown["port", HULL] = lambda t: tent._read(on(t), 0.04, 0.5)
    assert Quality.DOUBTED not in tent.run(14.0, ("port", HULL))
    begun_s = tent.time_s

    def sun_k(t: float) -> float:
        """Rises in two hours; clouds every 20 min [K]."""
        rises = 3.0 * min(1.0, (t - begun_s) / 7200.0)
        return rises * (1.0 + 0.6 * math.sin(t / 1200.0 * math.tau))

    tent.shown["port", HULL] = lambda t: tent._read(on(t) + sun_k(t), 0.04, 0.5)
    found = tent.run(4.0, ("port", HULL))
    assert (Quality.DOUBTED in found) is lags
    if lags:
        assert "more quickly than the air" in tent.why(("port", HULL))
        tent.shown["port", HULL] = lambda t: tent._read(on(t), 0.04, 0.5)
        assert tent.run(3.0, ("port", HULL))[-1] is Quality.OK


def test_neighbour_hull_and_air_exchanged_are_doubted_at_once_where_they_stood_apart() -> None:
    tent = Tent(stern=False, starboard=False)
    tent.run(4.0)
    hull, air = tent.shown["port", HULL], tent.shown["bow", AIR]
    assert abs(tent.air_c(tent.time_s) - tent.hull_c(tent.time_s)) > 1.0
    tent.shown["port", HULL], tent.shown["bow", AIR] = air, hull
    found = tent.run(4.0, ("port", HULL))
    assert minutes_until_doubted(found) <= 15.0
    assert found[-1] is Quality.DOUBTED
    assert "exchanged" in tent.why(("port", HULL))


def test_neighbour_hull_and_air_exchanged_while_they_were_alike_are_doubted_later() -> None:
    tent = Tent(stern=False, starboard=False)
    turbulent(tent)
    while abs(tent.air_c(tent.time_s) - tent.hull_c(tent.time_s)) > 0.1 or tent.time_s < 6 * HOUR_S:
        tent.run(0.1)
    hull, air = tent.shown["port", HULL], tent.shown["bow", AIR]
    tent.shown["port", HULL], tent.shown["bow", AIR] = air, hull
    found = tent.run(4.0, ("port", HULL))
    assert minutes_until_doubted(found) <= 180.0
    assert "more quickly than the air" in tent.why(("port", HULL))


def test_attenuated_signal_a_humidity_that_no_longer_answers_its_own_air() -> None:
    tent = Tent(stern=False, starboard=False)
    turbulent(tent)
    tent.run(8.0)
    assert tent.doubted() == set()
    assert not tent.judge.standing
    stands = tent.shown["bow", RH](tent.time_s)
    tent.shown["bow", RH] = lambda _t: tent._read(stands, 0.12, 0.1)
    found = tent.run(1.75, ("bow", RH))
    assert found[-1] is Quality.DOUBTED or ("bow", RH) in tent.judge.standing
    found += tent.run(2.25, ("bow", RH))
    assert minutes_until_doubted(found) <= 150.0
    assert "no longer answers" in tent.why(("bow", RH))


def test_noise_alone_of_a_body_whose_air_moved_is_no_doubt_but_widens_what_it_says() -> None:
    tent = Tent(stern=False, starboard=False)
    turbulent(tent)
    tent.run(8.0)
    for key, noise, digit in ((("bow", AIR), 0.03, 0.01), (("bow", RH), 0.12, 0.1)):
        value = tent.shown[key](tent.time_s)
        tent.shown[key] = lambda _t, value=value, noise=noise, digit=digit: tent._read(  # type: ignore[misc]
            value, noise, digit
        )
    begun_s = tent.time_s
    while ("bow", RH) not in tent.judge.standing:
        tent.run(1.0 / 12.0)
        assert tent.time_s - begun_s <= HOUR_S
    assert tent.judge.standing["bow", RH].noise
    assert tent.doubted() == set()
    turbulent(tent)
    tent.run(1.0)
    assert not tent.judge.standing


def smooth(tent: Tent, noise_pct: float, digit_pct: float) -> Callable[[float], float]:
    """Let the air be a day's plain curve that turns after nine hours, and return its humidity."""

    def turn(t: float) -> float:
        return math.cos((t - 9.0 * HOUR_S) / 86400.0 * math.tau)

    def rh_pct(t: float) -> float:
        return 55.0 - 5.0 * turn(t)

    tent.shown["bow", AIR] = lambda t: tent._read(19.0 + 2.5 * turn(t), 0.03, 0.01)
    tent.shown["bow", RH] = lambda t: tent._read(rh_pct(t), noise_pct, digit_pct)
    return rh_pct


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(("noise_pct", "digit_pct"), [(0.15, 0.1), (0.15, 0.01), (0.05, 0.1)])
def test_a_humidity_that_stands_still_where_a_smooth_day_turns_is_sound(
    noise_pct: float, digit_pct: float, seed: int
) -> None:
    tent = Tent(seed, stern=False, starboard=False)
    smooth(tent, noise_pct, digit_pct)
    tent.run(6.0)
    while tent.time_s < 14.0 * HOUR_S:
        tent.run(1.0 / 12.0)
        assert not tent.judge.standing
    assert tent.doubted() == set()


# As good as the humidity's stated accuracy is usually (3 %): judgement, no source.
@pytest.mark.parametrize("stands_from_h", [7.0, 8.0, 9.0])
def test_noise_alone_of_a_humidity_in_smooth_air_is_told_before_it_is_much_off(
    stands_from_h: float,
) -> None:
    tent = Tent(stern=False, starboard=False)
    rh_pct = smooth(tent, 0.15, 0.1)
    tent.run(stands_from_h)
    value = rh_pct(tent.time_s)
    tent.shown["bow", RH] = lambda _t: tent._read(value, 0.15, 0.1)
    while ("bow", RH) not in tent.judge.standing and not tent.doubted():
        tent.run(1.0 / 12.0)
        assert abs(rh_pct(tent.time_s) - value) <= 3.0


def test_a_thermostat_that_holds_the_air_while_the_hull_cools_is_no_attenuated_signal() -> None:
    tent = Tent(stern=False)
    cools = tent.hull_c
    tent.run(8.0)
    held = tent.air_c(tent.time_s)
    tent.shown["bow", AIR] = lambda _t: tent._read(held, 0.05, 0.01)
    for name, more in (("port", 0.0), ("starboard", 0.2)):
        begun_s = tent.time_s
        tent.shown[name, HULL] = lambda t, more=more, from_s=begun_s: tent._read(
            cools(from_s) + more - 0.7 * (t - from_s) / HOUR_S, 0.04, 0.0625
        )
    tent.run(6.0)
    assert ("bow", AIR) not in tent.doubted()


def test_neighbour_the_sun_on_one_air_probe_dries_its_air_in_exact_inverse() -> None:
    tent = Tent()
    tent.run(12.0)
    begun_s = tent.time_s

    def sun_k(t: float) -> float:
        return 5.0 * (1.0 - math.exp(-(t - begun_s) / 600.0))

    tent.shown["bow", AIR] = lambda t: tent._read(tent.air_c(t) + sun_k(t), 0.05, 0.01)
    tent.shown["bow", RH] = lambda t: tent._read(
        1100.0 / checks.vapour_pressure_hpa(tent.air_c(t) + sun_k(t), 100.0), 0.2, 0.1
    )
    found = tent.run(1.0, ("bow", AIR))
    assert minutes_until_doubted(found) <= 30.0
    assert {("bow", AIR), ("bow", RH)} <= tent.doubted()
    assert "over the other air probes" in tent.why(("bow", AIR))


def test_multi_variate_bodies_of_one_tent_whose_vapour_pressures_part() -> None:
    tent = Tent()
    tent.run(12.0)
    good = tent.shown["stern", RH]
    tent.shown["stern", RH] = lambda t: 0.8 * good(t)
    tent.run(0.5)
    assert ("stern", RH) in tent.doubted()
    assert "hPa of moisture" in tent.why(("stern", RH))


def test_a_vouched_point_is_believed_until_there_is_new_evidence() -> None:
    tent = Tent(starboard=False)
    tent.run(8.0)
    good = tent.shown["port", HULL]
    tent.shown["port", HULL] = lambda t: good(t) + 5.0
    assert tent.run(1.0, ("port", HULL))[-1] is Quality.DOUBTED
    tent.judge.vouch("port")
    assert set(tent.run(4.0, ("port", HULL))) == {Quality.OK}
    tent.shown["port", HULL] = lambda t: good(t) - 5.0
    assert tent.run(1.0, ("port", HULL))[-1] is Quality.DOUBTED


def test_the_same_readings_give_the_same_doubts_again() -> None:
    def qualities() -> list[Quality]:
        tent = Tent(seed=9)
        tent.run(6.0)
        frozen = tent.shown["bow", AIR](tent.time_s)
        tent.shown["bow", AIR] = lambda _t: frozen
        return tent.run(2.0, ("bow", AIR))

    assert qualities() == qualities()


def test_each_check_says_not_evaluated_where_it_has_nothing_to_go_by() -> None:
    assert flat_line(500, 9000.0, math.inf) is Verdict.NOT_EVALUATED
    moving = checks.Together(gain=0.9, correlation=0.99, air=1.0, own=0.9)
    assert checks.follows_air(moving, 0.01, 0.01, None) is Verdict.NOT_EVALUATED
    assert checks.shows_air(moving, 0.01, 0.5, None) is Verdict.NOT_EVALUATED
    assert checks.outruns_air(moving, None, 0.1, 0.5, 0.1) is Verdict.NOT_EVALUATED
    turns = checks.Turns(seen=60, together=6.0, square=0.6, size=6.0)
    assert checks.turns_with_air(turns, math.inf) is Verdict.NOT_EVALUATED
    few = checks.Turns(seen=11, together=1.1, square=0.011, size=1.1)
    assert checks.turns_with_air(few, 0.0) is Verdict.NOT_EVALUATED
    assert checks.deaf_to_air(moving, None) is Verdict.NOT_EVALUATED
    assert checks.exchanged((18.0, 18.2), (18.2, 18.0), 0.1) is Verdict.NOT_EVALUATED
    assert checks.neighbour([]) is Verdict.NOT_EVALUATED
    assert checks.vapour_pressures_part(math.nan, 0.0, None) is Verdict.NOT_EVALUATED
    assert checks.sunlit(math.nan, 0.0, None, 0.0, above_all=True) is Verdict.NOT_EVALUATED


@pytest.mark.parametrize(
    ("equal", "lasted_s", "needed", "verdict"),
    [
        (40, 1200.0, 40.0, Verdict.SUSPECT),
        (40, 1199.0, 40.0, Verdict.PASS),  # never under 20 min: our own choice
        (39, 9000.0, 40.0, Verdict.PASS),
    ],
)
def test_flat_line_bounds(equal: int, lasted_s: float, needed: float, verdict: Verdict) -> None:
    assert flat_line(equal, lasted_s, needed) is verdict


@pytest.mark.parametrize(
    ("above_k", "usual_k", "verdict"),
    [
        (0.0, -10.0, Verdict.PASS),  # was far the coldest, and is now like the rest
        (4.0, 0.0, Verdict.SUSPECT),
        (1.2, -5.0, Verdict.NOT_EVALUATED),
    ],
)
def test_only_what_is_warmer_than_the_rest_is_in_the_sun(
    above_k: float, usual_k: float, verdict: Verdict
) -> None:
    assert checks.sunlit(above_k, usual_k, None, 0.0, above_all=True) is verdict


@pytest.mark.parametrize("course", ["flicker", "steps", "every day", "every two hours"])
def test_a_calculated_course_that_comes_again_is_no_record_played_again(course: str) -> None:
    """Rows of a table by a formula: a pattern of a few values, or a day like the day before."""
    tent = Tent(starboard=False, stern=False)
    shown = {
        "flicker": lambda t: 18.0 + 0.01 * (int(t / EVERY_S) % 7),
        "steps": lambda t: 0.5 * round(36.0 + 1.2 * math.sin(math.tau * t / 2400.0)),
        "every day": lambda t: round(18.0 - 4.0 * math.cos(math.tau * t / 86_400.0), 2),
        "every two hours": lambda t: round(18.0 - 4.0 * math.cos(math.tau * t / 7200.0), 2),
    }[course]
    tent.shown["bow", AIR] = shown
    tent.run(54.0 if course == "every day" else 6.0, ("bow", AIR))
    assert "repeats" not in tent.why(("bow", AIR))


def test_a_repeat_within_chance_is_none() -> None:
    assert repeated_record(29.9) is Verdict.PASS
    assert repeated_record(30.0) is Verdict.SUSPECT
