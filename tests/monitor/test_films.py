"""What follows a section's film: stage and spec by its events, samples, and wider probes.

Temperatures and times: the shipped topcoat's touch-dry row, 5 h at 20 degC (generic, no source).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from monitor.calibrations import CalibrationBook, body_of
from monitor.config.load import EnclosureConfig, PointConfig
from monitor.enclosure import Enclosure
from monitor.films import RECKON_EVERY_S, FilmKeeper
from monitor.log.facts import TextOf
from monitor.log.rows import Calibration
from monitor.samples import ROOM_ROWS, TemperatureChannel, Temperatures
from monitor.specs import find_spec
from rules.clocks.clock import ClockState
from rules.events import Event
from rules.spec.model import GENERAL_GUIDANCE, Measurement, Spec
from rules.vocabulary import ClockName, EventKind, LimitName, Stage
from sensors.calibrate.fit import CalibrationMethod, Reference, fit
from sensors.faults import DEFAULT_RULES
from sensors.reading import Quality, Quantity, Reading

T0 = 1_800_000_000.0
TOPCOAT = find_spec("polyurethane-topcoat")[0]
PRIMER = find_spec("two-pack-epoxy-primer")[0]
NAN = math.nan


def event(kind: EventKind, after_s: float = 0.0, **more: object) -> Event:
    return Event(kind, T0 + after_s, "tent", **more)  # type: ignore[arg-type]


def point(quantity: Quantity, name: str = "air", section: str | None = None) -> PointConfig:
    accuracy = {Quantity.HUMIDITY: 3.0}.get(quantity, 0.5)
    return PointConfig(
        name, quantity, quantity.unit, accuracy, DEFAULT_RULES[quantity], section=section
    )


def config_of(*sections: str) -> EnclosureConfig:
    planks = [point(Quantity.SURFACE_TEMP, f"plank-{name}", name) for name in sections]
    return EnclosureConfig("tent", (point(Quantity.AIR_TEMP), point(Quantity.HUMIDITY), *planks))


def kept_beside(*sections: str) -> tuple[FilmKeeper, Enclosure]:
    """Return a tent with a plank's probe in each section, and what follows its films."""
    config = config_of(*sections)
    keeper = FilmKeeper(TOPCOAT, {}, counted=config)
    return keeper, Enclosure(config, keeper.film_of, T0, on_evaluated=keeper.evaluated)


TWO_PLANKS = tuple(
    TemperatureChannel(name, quantity)
    for name, quantity in (
        ("plank-a", Quantity.SURFACE_TEMP),
        ("plank-b", Quantity.SURFACE_TEMP),
        ("air-bow", Quantity.AIR_TEMP),
        ("air-stern", Quantity.AIR_TEMP),
    )
)


HULL_AND_AIR = (TWO_PLANKS[0], TWO_PLANKS[2])
HULL_AND_AIR_POINTS = EnclosureConfig(
    "tent", (point(Quantity.SURFACE_TEMP, "plank-a"), point(Quantity.AIR_TEMP, "air-bow"))
)


def samples_of(channels: Sequence[TemperatureChannel] = HULL_AND_AIR) -> Temperatures:
    return Temperatures(0.5, 0.3, None, channels)


def take(samples: Temperatures, after_s: float, *values: float) -> None:
    at_s = T0 + after_s
    samples.take(at_s, [(value, at_s) for value in values])


def hear(tent: Enclosure, after_s: float, **values: float) -> None:
    tent.take(
        [
            Reading("tent", name.replace("_", "-"), quantity, T0 + after_s, value, Quality.OK, T0)
            for name, value in values.items()
            for quantity in [Quantity.SURFACE_TEMP if "plank" in name else Quantity.AIR_TEMP]
        ],
        T0 + after_s,
    )


# Samples ------------------------------------------------------------------------------------


def test_samples_are_kept_every_half_minute_with_their_ends() -> None:
    samples = samples_of(TWO_PLANKS)
    for second in range(0, 61, 10):
        take(samples, second, 18.0, 16.5, 21.0, NAN)
    take(samples, 90.0, NAN, NAN, 20.0, 22.0)
    history = samples.history()
    assert (history.time_s - T0).tolist() == [0.0, 30.0, 60.0, 90.0]
    assert history.coldest_c.tolist()[:3] == [16.5] * 3
    assert history.warmest_c.tolist()[:3] == [18.0] * 3
    assert math.isnan(history.coldest_c[3])
    assert history.air_coldest_c is not None
    assert history.air_warmest_c is not None
    assert (history.air_coldest_c[3], history.air_warmest_c[3]) == (20.0, 22.0)
    assert (history.accuracy_k, history.air_accuracy_k) == (0.5, 0.3)


def test_a_needed_probe_that_falls_silent_still_bounds_the_coldest_and_the_warmest() -> None:
    spare = tuple(each._replace(required=False) for each in TWO_PLANKS)
    needed, left_out = samples_of(TWO_PLANKS), samples_of(spare)
    for minute in range(36 * 60):
        colder_c = NAN if minute > 26 * 60 else 12.0
        for samples in (needed, left_out):
            take(samples, 60.0 * minute, 15.0, colder_c, 20.0, 20.0)
    history = needed.history()
    assert 11.0 < history.coldest_c[-1] < 12.0, "no colder than it stood beside the other"
    assert history.warmest_c[-1] == 15.0
    assert history.said is not None
    assert history.said.coldest_c[-1] == 15.0, "what is most likely goes by those that speak"
    assert left_out.history().coldest_c[-1] == 15.0


def test_a_value_stands_for_no_time_after_which_nobody_measured() -> None:
    samples = samples_of()
    for minute in range(0, 30, 10):
        samples.take(T0 + 60.0 * minute, [(15.0, T0), (20.0, T0 + 60.0 * minute)])
    assert samples.history().coldest_c.tolist() == [15.0] * 3, "young enough to count"
    samples.take(T0 + 1800.0, [(NAN, NAN), (20.0, T0 + 1800.0)])
    known = np.isfinite(samples.history().coldest_c)
    assert known.tolist() == [True, False, False, False]
    assert samples.history().air_coldest_c is not None
    assert np.isfinite(samples.history().air_coldest_c).all()


def test_the_log_has_the_last_word_for_the_time_that_it_tells_of() -> None:
    samples = samples_of()
    for second in (0.0, 30.0, 60.0, 90.0):
        take(samples, second, NAN, 20.0)
    samples.take_from_log([(T0 + at, 15.0, 15.0, 20.0, 20.0) for at in (30.0, 60.0)])
    known = samples.history().coldest_c
    assert [math.isnan(value) for value in known] == [True, False, False, True]
    samples.take_from_log([])
    assert samples.history().coldest_c.size == 4


def test_a_clock_set_back_leaves_no_sample_in_the_future() -> None:
    samples = samples_of()
    samples.put_before([(T0 + 60.0, 15.0, 15.0, NAN, NAN), (T0, 14.0, 14.0, NAN, NAN)])
    samples.drop_after(T0 + 30.0)
    assert samples.history().time_s.tolist() == [T0]


def test_samples_know_from_when_on_they_are_whole() -> None:
    samples = samples_of()
    assert samples.whole_from_s == math.inf
    for day in range(10):
        take(samples, day * 86_400.0, 15.0, 15.0)
    assert samples.whole_from_s == T0
    samples.drop_before(T0 + 5 * 86_400.0)
    assert samples.whole_from_s == T0 + 5 * 86_400.0, "what was forgotten is read again"
    samples.drop_after(T0 + 7 * 86_400.0)
    assert samples.whole_from_s == T0 + 5 * 86_400.0
    samples.drop_after(T0)
    assert samples.whole_from_s == math.inf


def test_what_no_clock_needs_is_forgotten() -> None:
    samples = samples_of()
    samples.put_before((T0 + day * 86_400.0, 15.0, 15.0, NAN, NAN) for day in range(10))
    samples.drop_before(T0 + 5 * 86_400.0)
    assert samples.history().time_s[0] == T0 + 5 * 86_400.0


# Films --------------------------------------------------------------------------------------


def test_without_events_every_section_is_the_same_film_in_prep() -> None:
    keeper = FilmKeeper(TOPCOAT, {})
    assert keeper.film_of("a", T0) is keeper.film_of("b", T0 + 1e6)
    assert keeper.film_of("a", T0).stage is Stage.PREP
    assert keeper.clocks("a", T0) == ()


def test_a_film_follows_its_events_at_once() -> None:
    keeper = FilmKeeper(TOPCOAT, {})
    keeper.set_events([event(EventKind.MIXED, 10.0)])
    assert keeper.film_of("all", T0).stage is Stage.PREP, "not yet mixed"
    assert keeper.film_of("all", T0 + 9.0).stage is Stage.PREP
    assert keeper.film_of("all", T0 + 10.0).stage is Stage.MIX, "as in a replay of a whole night"
    keeper.set_events([*keeper.events, event(EventKind.COAT_STARTED, 61.0)])
    assert keeper.film_of("all", T0 + 62.0).stage is Stage.APPLY
    same = keeper.film_of("all", T0 + 63.0)
    assert keeper.film_of("all", T0 + 200.0) is same, "an unchanged film stays the same object"


def test_clocks_are_never_older_than_a_minute() -> None:
    keeper = FilmKeeper(TOPCOAT, {})
    keeper.set_events([event(EventKind.MIXED)])

    def left_s(after_s: float) -> float:
        (pot,) = keeper.clocks("all", T0 + after_s)
        assert pot.left_s is not None
        return pot.left_s

    first = left_s(0.0)
    assert first - left_s(RECKON_EVERY_S - 1.0) == RECKON_EVERY_S - 1.0, "it goes on between"
    assert first - left_s(RECKON_EVERY_S) == pytest.approx(RECKON_EVERY_S, rel=0.5)


@pytest.mark.parametrize("begins_s", [0.0, 7.0, 31.0, 59.0])
def test_an_end_is_seen_in_the_second_after_it_whoever_looks_besides(begins_s: float) -> None:
    """Induction of the primer at 20 degC: 20 min (generic); at 23, warmed since, less."""
    ends = []
    for look_every_s in (math.inf, 2.0, 45.0):
        config = config_of()
        keeper = FilmKeeper(PRIMER, {}, counted=config)
        tent = Enclosure(config, keeper.film_of, T0 - 600.0, on_evaluated=keeper.evaluated)
        keeper.set_events([event(EventKind.MIXED, begins_s)])
        for minute in range(-10, 0):
            hear(tent, 60.0 * minute, air=20.0)
        second, held = begins_s, True
        while held and second < 1500.0:
            second += 1.0
            hear(tent, second, air=20.0 + 3.0 * second / 1500.0)
            held = any(each.name == "induction" for each in tent.sections["all"].film.start_doubts)
            if held and second % look_every_s == 0.0:
                clocks = {each.name: each for each in keeper.clocks("all", T0 + second)}
                assert clocks[ClockName.INDUCTION].state is ClockState.RUNNING
        clocks = {each.name: each for each in keeper.clocks("all", T0 + 1500.0)}
        ended_s = clocks[ClockName.INDUCTION].ended_at_s
        assert ended_s is not None
        assert 0.0 <= T0 + second - ended_s <= 1.5
        ends.append(second)
    assert max(ends) - min(ends) <= 1.0


def test_a_film_keeps_the_spec_that_it_was_laid_with() -> None:
    asked: list[str] = []

    def specs_of(events: Sequence[Event], _text_of: TextOf | None) -> dict[str, Spec]:
        asked.extend(each.spec or "" for each in events)
        return {TOPCOAT.name: TOPCOAT}

    keeper = FilmKeeper(GENERAL_GUIDANCE, {}, specs_of=specs_of)
    keeper.set_events([event(EventKind.COAT_STARTED, spec=TOPCOAT.name)])
    assert keeper.film_of("all", T0 + 1.0).spec is TOPCOAT
    keeper.set_events([*keeper.events, event(EventKind.MIXED, 5.0, spec="nobodys-paint")])
    assert asked == [TOPCOAT.name, "nobodys-paint"], "one that is known is not looked for again"
    (pot,) = [c for c in keeper.clocks("all", T0 + 6.0) if c.name.value == "pot life"]
    assert pot.state.value == "unknown"


def test_a_mix_over_a_curing_film_leaves_two_answers_each_by_its_own_limits() -> None:
    keeper = FilmKeeper(TOPCOAT, {}, counted=HULL_AND_AIR_POINTS)
    keeper.set_events(
        [
            event(EventKind.COAT_STARTED),
            event(EventKind.COAT_ENDED, 1800.0),
            event(EventKind.MIXED, 20 * 3600.0),
        ]
    )
    # 20.5 degC less 0.5 K: recoat opens after 16 h at 20 degC.
    keeper.samples("all").put_before(
        (T0 + 60.0 * k, 20.5, 20.5, 20.5, 20.5) for k in range(20 * 60)
    )
    film = keeper.film_of("all", T0 + 20 * 3600.0 + 60.0)
    assert (film.stage, film.pot_in_hand) == (Stage.CURE, True)
    assert LimitName.DEW_MARGIN_MIN in film.film_limits()
    assert LimitName.SURFACE_TEMP_MAX not in film.film_limits(), "over once touch dry"
    assert LimitName.SURFACE_TEMP_MAX in film.start_limits()
    assert film.start_limits()[LimitName.HUMIDITY_MAX].bound == 80.0


def test_how_long_a_film_will_mind_is_known_from_its_clocks() -> None:
    keeper = FilmKeeper(TOPCOAT, {}, counted=HULL_AND_AIR_POINTS)
    keeper.set_events([event(EventKind.COAT_STARTED), event(EventKind.COAT_ENDED, 0.0)])
    keeper.samples("all").put_before((T0 + 60.0 * k, 20.5, 20.5, 20.5, 20.5) for k in range(60))
    film = keeper.film_of("all", T0 + 3540.0)
    assert film.stage is Stage.FLASH
    # Handled after 24 h at 20 degC, of which 59 min are over; past it water only slows its cure.
    assert film.harm_left_s == pytest.approx(86_400.0 - 3540.0, abs=120.0)


def test_what_the_coat_beneath_said_is_kept_for_the_newest_coat_only() -> None:
    keeper = FilmKeeper(TOPCOAT, {})
    told = [event(EventKind.COAT_STARTED, coat=1), event(EventKind.COAT_ENDED, 600.0, coat=1)]
    for number in range(20):
        told.append(event(EventKind.NOTE, 1200.0 + number))
        keeper.set_events([*told, event(EventKind.COAT_STARTED, 1200.0, coat=2)])
        film = keeper.film_of("all", T0 + 1300.0 + number)
        assert "recoat window opened" in film.doubts[0].text
    assert len(keeper._overcoats) == 1
    keeper.set_events([*told, event(EventKind.BACK_IN_SERVICE, 1250.0)])
    keeper.film_of("all", T0 + 1400.0)
    assert keeper._overcoats == {}, "no film is laid or wet"


# What an enclosure tells it -----------------------------------------------------------------


def test_each_section_samples_its_own_surfaces_and_the_common_air() -> None:
    keeper, tent = kept_beside("port", "stbd")
    hear(tent, 1.0, air=20.0, plank_port=18.0, plank_stbd=15.0)
    assert keeper.samples("port").history().time_s.size == 0, "nothing to reckon with yet"
    keeper.set_events([event(EventKind.MIXED)])
    hear(tent, 31.0, air=20.0, plank_port=18.0, plank_stbd=15.0)
    port, stbd = (keeper.samples(name).history() for name in ("port", "stbd"))
    assert (port.coldest_c.tolist(), stbd.coldest_c.tolist()) == ([18.0], [15.0])
    assert port.air_coldest_c is not None
    assert port.air_coldest_c.tolist() == [20.0]


def test_humidity_probes_widen_after_each_wipe_until_checked() -> None:
    keeper, tent = kept_beside()
    humidity = next(c for c in tent.channels() if c.config.quantity is Quantity.HUMIDITY)
    keeper.set_events([event(EventKind.WIPED), event(EventKind.COAT_STARTED, 10.0)])
    hear(tent, 20.0, air=20.0)
    assert humidity.sensed.accuracy == 5.0
    jar = fit(Quantity.HUMIDITY, CalibrationMethod.SALT, [Reference(75.0, 75.5, 0.5, "NaCl")])
    salt = Calibration("tent", "air", Quantity.HUMIDITY, T0 + 5.0, body_of(jar), 1)
    tent.calibrate(CalibrationBook([salt]))
    hear(tent, 90.0, air=20.0)
    assert humidity.sensed.accuracy == 4.0


def test_old_samples_are_joined_and_lean_to_the_safe_side() -> None:
    samples = samples_of(TWO_PLANKS)
    days = 30
    for k in range(days * 2880):
        # In the first half minute of each ten it is 5 K colder and warmer at the two surfaces.
        odd = 5.0 if k % 20 == 0 else 0.0
        take(samples, 30.0 * k, 15.0 - odd, 20.0 + odd, NAN, NAN)
    history = samples.history()
    old = history.time_s < T0 + 20 * 86_400.0
    assert history.time_s.size < days * 144 + 3 * 2880
    assert history.coldest_c[old].tolist() == [10.0] * int(old.sum())
    assert history.warmest_c[old].tolist() == [25.0] * int(old.sum())
    recent = history.time_s > T0 + (days - 2) * 86_400.0
    assert int(recent.sum()) == pytest.approx(2 * 2880, abs=2)
    assert float(max(b - a for a, b in zip(history.time_s, history.time_s[1:], strict=False))) <= (
        1200.0
    ), "no gap that a clock would see"


def test_old_samples_of_a_probe_that_comes_and_goes_are_joined_and_still_tell_of_it() -> None:
    samples = samples_of(TWO_PLANKS)
    days = 30
    for k in range(days * 2880):
        silent = k % 10 == 5 or 4000 <= k < 4050  # now and then, and once for 25 min
        odd = 5.0 if k % 20 == 7 else 0.0  # between two silences of a bin
        hull_c = [NAN, NAN] if silent else [15.0 - odd, 20.0 + odd]
        take(samples, 30.0 * k, *hull_c, 21.0, NAN)
    history = samples.history()
    assert history.time_s.size < days * 3 * 144 + 3 * 2880
    old = history.time_s < T0 + 20 * 86_400.0
    known = np.isfinite(history.coldest_c)
    assert set(history.coldest_c[old & known].tolist()) == {10.0, 15.0}
    assert history.coldest_c[old & known].mean() < 10.1
    assert history.warmest_c[old & known].mean() > 24.9
    assert set(history.air_coldest_c[old].tolist()) == {21.0}, "the air was never silent"
    hole = (history.time_s >= T0 + 30.0 * 4000) & (history.time_s < T0 + 30.0 * 4050)
    assert not known[hole].any()
    assert hole.any()


def test_a_film_without_a_surface_point_is_followed_by_the_air_as_the_config_assumes() -> None:
    config = EnclosureConfig(
        "tent",
        (point(Quantity.AIR_TEMP), point(Quantity.SURFACE_TEMP, "plank-port", "port")),
        assumed_surface_offset_k=-1.0,
    )
    keeper = FilmKeeper(
        TOPCOAT,
        {},
        assumed_surface=config.assumed_surface,
        counted=config,
    )
    tent = Enclosure(config, keeper.film_of, T0, on_evaluated=keeper.evaluated)
    tent.ensure_section("mast")
    keeper.set_events([event(EventKind.COAT_STARTED), event(EventKind.COAT_ENDED, 60.0)])
    for minute in range(61):
        hear(tent, 60.0 * minute, air=21.0)
    cured = {clock.name: clock for clock in keeper.clocks("mast", T0 + 3600.0)}[ClockName.CURED]
    assert "59 min of measured film temperature" in cured.basis
    assert "no surface probe: surface assumed 1 K under the air" in cured.basis
    silent = {clock.name: clock for clock in keeper.clocks("port", T0 + 3600.0)}[ClockName.CURED]
    assert silent.advice.startswith("Not counting"), "a probe that is silent is not assumed away"
    assert "assumed" not in silent.basis


def test_a_spike_that_the_next_reading_confirms_was_not_ignored() -> None:
    tent = Enclosure(config_of(), FilmKeeper(TOPCOAT, {}).film_of, T0)
    for second, air_c in enumerate((20.0, 20.1, 28.0, 20.2, 20.3, 29.0, 29.1)):
        hear(tent, 10.0 * second, air=air_c)
    assert tent.counts.set_aside == {"spike": 1}, "of two that jumped"


def test_a_clock_names_the_probe_that_was_silent_while_it_ran_and_for_how_long() -> None:
    planks = [point(Quantity.SURFACE_TEMP, name) for name in ("plank-bow", "plank-stern")]
    config = EnclosureConfig("tent", (point(Quantity.AIR_TEMP), *planks))
    keeper = FilmKeeper(TOPCOAT, {}, counted=config)
    tent = Enclosure(config, keeper.film_of, T0, on_evaluated=keeper.evaluated)
    tent.ensure_section("port")
    laid_s = 6 * 3600.0
    keeper.set_events(
        [
            event(EventKind.MIXED, laid_s - 600.0, amount_ml=500.0),
            event(EventKind.COAT_STARTED, laid_s - 600.0),
            event(EventKind.COAT_ENDED, laid_s),
        ]
    )
    # Silent for an hour before the coat, for half an hour of it, and at its end.
    for minute in range(9 * 60 + 1):
        spoken = not (180 <= minute < 240 or 390 <= minute < 420 or minute >= 480)
        stern = {"plank_stern": 19.0} if spoken else {}
        hear(tent, 60.0 * minute, air=20.0, plank_bow=20.0, **stern)
    at_s = T0 + 9 * 3600.0
    clocks = {clock.name: clock for clock in keeper.clocks("port", at_s)}
    lowest, highest = clocks[ClockName.RECOAT_OPENS].basis, clocks[ClockName.RECOAT_CLOSES].basis
    assert "plank-stern silent for 1 h 30 min of it, taken at the coldest it can" in lowest
    assert "plank-stern silent for 1 h 30 min of it, taken at the warmest it can" in highest
    assert "plank-bow" not in lowest
    assert "plank-stern silent" in clocks[ClockName.POT_LIFE].basis
    keeper.set_events([event(EventKind.COAT_STARTED, 300.0), event(EventKind.COAT_ENDED, 600.0)])
    early = {clock.name: clock for clock in keeper.clocks("port", T0 + 2 * 3600.0)}
    assert "silent" not in early[ClockName.RECOAT_OPENS].basis, "all of that was after"


def test_a_clock_names_a_probe_that_has_told_nothing_at_all() -> None:
    planks = [point(Quantity.SURFACE_TEMP, name) for name in ("plank-bow", "plank-stern")]
    config = EnclosureConfig("tent", (point(Quantity.AIR_TEMP), *planks))
    keeper = FilmKeeper(TOPCOAT, {}, counted=config)
    tent = Enclosure(config, keeper.film_of, T0, on_evaluated=keeper.evaluated)
    tent.ensure_section("port")
    keeper.set_events([event(EventKind.COAT_STARTED), event(EventKind.COAT_ENDED, 600.0)])
    for minute in range(131):
        hear(tent, 60.0 * minute, air=20.0, plank_bow=20.0)
    clocks = {clock.name: clock for clock in keeper.clocks("port", T0 + 7800.0)}
    words = "plank-stern silent for 2 h of it and before, so it counts for nothing"
    assert words in clocks[ClockName.RECOAT_OPENS].basis


def test_humidity_is_sampled_with_its_accuracy_beside_the_temperatures() -> None:
    keeper, tent = kept_beside("port")
    keeper.set_events([event(EventKind.COAT_STARTED)])
    told = [
        ("air", Quantity.AIR_TEMP, 20.0),
        ("air", Quantity.HUMIDITY, 62.0),
        ("plank-port", Quantity.SURFACE_TEMP, 19.0),
    ]
    tent.take([Reading("tent", n, q, T0, value, Quality.OK, T0) for n, q, value in told], T0)
    history = keeper.samples("port").history()
    assert history.rh_low_pct is not None
    assert history.rh_high_pct is not None
    assert (history.rh_low_pct.tolist(), history.rh_high_pct.tolist()) == ([59.0], [65.0])


def test_ground_that_its_sheet_asks_for_gives_no_go_without_any_event() -> None:
    asked = replace(TOPCOAT, measurements=(Measurement("wood-moisture", "pct", None, 16.0),))
    keeper = FilmKeeper(asked, {})
    (doubt,) = keeper.film_of("port", T0).start_doubts
    assert doubt.name == "ground"
    keeper.set_events(
        [event(EventKind.MEASURED, what="wood-moisture", value=14.0, unit="pct", section="port")]
    )
    assert keeper.film_of("port", T0 + 60.0).start_doubts == ()
    assert [d.name for d in keeper.film_of("stbd", T0 + 60.0).start_doubts] == ["ground"]
    # A day on it is asked for again, and not ten minutes late.
    assert keeper.film_of("port", T0 + 86_399.0).start_doubts == ()
    assert keeper.film_of("port", T0 + 86_400.0).start_doubts != ()


def test_samples_beyond_the_room_made_at_the_start_are_kept_too() -> None:
    samples = samples_of()
    many = ROOM_ROWS + 5
    samples.put_before((T0 + 60.0 * k, 5.0 + k % 7, 15.0, NAN, NAN) for k in range(many))
    coldest_c = samples.history().coldest_c
    assert coldest_c.size == many
    assert coldest_c[[0, 8, -1]].tolist() == [5.0, 6.0, 5.0 + (many - 1) % 7]
    take(samples, 60.0 * many, 3.0, 20.0)
    assert samples.history().time_s.tolist()[-2:] == [T0 + 60.0 * (many - 1), T0 + 60.0 * many]
    assert samples.history().coldest_c[-1] == 3.0
