"""How old what is heard is, and how much of one topic is read: by a clock that the test moves."""

from __future__ import annotations

from sensors.mqtt.heartbeat import BEHIND_S, FAR_BEHIND_S, Heartbeat
from sensors.mqtt.intake import Arrival
from sensors.mqtt.topic_rate import A_SECOND, AT_ONCE, STRAINED_A_SECOND, TopicRate
from sensors.reading import Quality, Quantity, Reading


class Hand:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


def opened() -> tuple[Heartbeat, Hand]:
    clock = Hand()
    heartbeat = Heartbeat("filmcall/shed-pi/heartbeat", clock)
    heartbeat.begin()
    return heartbeat, clock


def test_a_beat_that_has_come_says_how_long_it_took() -> None:
    heartbeat, clock = opened()
    beat = heartbeat.due()
    assert beat is not None
    clock.now_s += 0.3
    heartbeat.hear(beat)
    assert round(heartbeat.delay_s(), 6) == 0.3
    assert heartbeat.due() is None, "one a second"


def test_a_beat_that_does_not_come_makes_everything_older_with_each_second() -> None:
    heartbeat, clock = opened()
    first = heartbeat.due()
    for _ in range(20):
        clock.now_s += 1.0
        heartbeat.due()
    assert heartbeat.delay_s() == 20.0 > FAR_BEHIND_S > BEHIND_S
    assert "nothing sent to filmcall/shed-pi/heartbeat comes back" in heartbeat.words()
    assert first is not None
    heartbeat.hear(first)
    assert heartbeat.delay_s() == 20.0, "the next one is 19 s old, and the first took 20"
    assert "over 15 s old" in heartbeat.words()


def test_a_later_beat_answers_for_one_that_the_broker_dropped() -> None:
    heartbeat, clock = opened()
    heartbeat.due()
    clock.now_s += 10.0
    later = heartbeat.due()
    clock.now_s += 0.1
    assert later is not None
    heartbeat.hear(later)
    assert round(heartbeat.delay_s(), 6) == 0.1


def test_another_programs_beats_and_noise_count_for_nothing() -> None:
    heartbeat, clock = opened()
    heartbeat.due()
    clock.now_s += 8.0
    other = Heartbeat("filmcall/shed-pi/heartbeat", clock)
    other.begin()
    for noise in (other.due() or b"", b"", b"\xff 1", b"a b c", b"1" * 100_000):
        heartbeat.hear(noise)
    assert heartbeat.delay_s() == 8.0


def test_a_new_line_owes_nothing_of_the_last() -> None:
    heartbeat, clock = opened()
    heartbeat.due()
    clock.now_s += 30.0
    heartbeat.end()
    assert (heartbeat.delay_s(), heartbeat.words(), heartbeat.due()) == (0.0, "", None)
    heartbeat.begin()
    assert heartbeat.delay_s() == 0.0


def test_a_reading_is_as_old_as_its_way_or_its_own_time_says() -> None:
    def measured(own_age_s: float, delay_s: float) -> float:
        reading = Reading("tent", "a", Quantity.CO2, 500.0 - own_age_s, 1.0, Quality.OK, 500.0)
        return Arrival(reading, 100.0, delay_s).measured_monotonic_s

    assert [measured(0.0, 7.0), measured(9.0, 7.0), measured(-3.0, 0.0)] == [93.0, 91.0, 100.0]


def test_a_topic_brings_so_many_and_no_other_pays_for_it() -> None:
    clock = Hand()
    rate = TopicRate(clock)
    passed = sum(rate.allows("loud") for _ in range(10_000))
    assert passed == AT_ONCE
    assert rate.allows("quiet")
    assert rate.dropped() == {"loud": 10_000 - AT_ONCE}
    assert rate.is_flood("loud") is False
    assert any(rate.is_flood("loud") for _ in range(400))
    clock.now_s += 1.0
    assert sum(rate.allows("loud") for _ in range(10_000)) == A_SECOND
    assert rate.is_flood("loud") is False, "each second anew"
    clock.now_s += 100.0
    assert sum(rate.allows("loud", 3.0) for _ in range(500)) == STRAINED_A_SECOND


def test_a_flood_of_new_names_costs_no_memory() -> None:
    rate = TopicRate(Hand())
    passed = sum(rate.allows(f"name/{number}") for number in range(9000))
    assert passed == 2048 + 10 * AT_ONCE
    assert len(rate.dropped()) <= 101
