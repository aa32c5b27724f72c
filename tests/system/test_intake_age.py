"""How old is what is heard: no GO from a queue, and no word that is none is taken for a value.

A real mosquitto with deploy's own config and accounts, and the real program. The bounds are
our own: STOP 5 s and the delay that is shown after the hull fell, `GO?` from 5 s of delay on,
HOLD from 15. Air of 20 degC at 50 % has a dew point of 9.3 degC (ASHRAE Fundamentals,
psychrometric chart), so a hull at 8 is wet and one at 19 or 20.5 is not. Values here count for
60 s, so that no age of theirs explains a HOLD.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from recorded import spec_text
from watched import HEAD, PLANK, Bench, Feed, Flood, SlowLine, wait_for

from tests.system.broker import mosquitto
from tests.system.conftest import need

QUICK = '[call]\ndwell = "1 s"\nre_entry = "2 s"\n'
WET_C = 8.0
OWN_TOPIC = "shed/air-stern/co2"
CO2 = f"""
[[enclosure.point]]
name = "air-stern"
quantity = "co2"
unit = "ppm"
topic = "{OWN_TOPIC}"
required = false
"""
MakeBench = Callable[[bool], Bench]


@pytest.fixture
def make_bench(tmp_path: Path) -> Iterator[MakeBench]:
    need("mosquitto", mosquitto() is not None)
    (tmp_path / "strict.toml").write_text(spec_text("strict", more=QUICK))
    made: list[Bench] = []

    def make(quiet: bool) -> Bench:
        made.append(Bench(tmp_path, max_age="60 s", quiet=quiet))
        return made[-1]

    yield make
    for bench in made:
        bench.close()


BOW, PLANK_TOPIC = "shed/air-bow/state", "shed/plank-port/temp"
NOTHING_USABLE = [
    (PLANK_TOPIC, "ERR"),
    (PLANK_TOPIC, "unavailable"),
    (PLANK_TOPIC, ""),
    (PLANK_TOPIC, "offline"),
    (PLANK_TOPIC, "nan"),
    (BOW, '{"t":20.0}'),
    (BOW, '{"rh":50.0}'),
    (BOW, '{"t":20.0,"rh":null}'),
    (BOW, '{"t":20.0,"rh":"--"}'),
    (BOW, "offline"),
    (BOW, ""),
]


def tents(port: int, count: int) -> str:
    """Return a config of so many tents, each with topics of its own."""
    whole = (HEAD + PLANK).format(port=port, spec="strict.toml", more='max_age = "60 s"')
    head, one = whole.split("[[enclosure]]", 1)
    for topic in (BOW, PLANK_TOPIC):
        assert f'"{topic}"' in one
    return head + "".join(
        "[[enclosure]]"
        + re.sub(r'"(shed/[^"]*)"', rf'"\1/{k}"', one.replace('"tent"', f'"tent-{k}"'))
        for k in range(count)
    )


def test_a_message_that_says_nothing_usable_is_missing_at_once(make_bench: MakeBench) -> None:
    bench = make_bench(False)
    count = len(NOTHING_USABLE) + 1  # the last one hears nothing wrong
    bow, plank = (bench.closing(bench.yard.sensor(each)) for each in ("air-bow", "plank-port"))

    def speak() -> None:
        for k in range(count):
            bow.send(f"{BOW}/{k}", '{"t":20.0,"rh":50.0}')
            plank.send(f"{PLANK_TOPIC}/{k}", "19.0")

    bench.watch_text(tents(bench.yard.port, count))

    def calls() -> list[dict[str, Any]]:
        told = [bench.lamp.topics(f"filmcall/tent-{k}/call") for k in range(count)]
        return [each[-1].json() if each else {} for each in told]

    def all_go() -> bool:
        speak()
        time.sleep(0.25)
        return all(each.get("call") == "GO" for each in calls())

    assert wait_for(all_go), calls()
    for k, (topic, payload) in enumerate(NOTHING_USABLE):
        sensor = plank if topic == PLANK_TOPIC else bow
        sensor.send(f"{topic}/{k}", payload)
    # Sooner than what was said before runs out; the last one's topics come after all others.
    assert wait_for(lambda: {each["call"] for each in calls()[:-1]} == {"HOLD"}), calls()
    heard = calls()
    words = {told: each["call"] for told, each in zip(NOTHING_USABLE, heard, strict=False)}
    assert words == dict.fromkeys(NOTHING_USABLE, "HOLD")
    assert heard[-1]["call"] == "GO"
    for (topic, payload), each in zip(NOTHING_USABLE, heard, strict=False):
        name = "plank" if topic == PLANK_TOPIC else "air-bow"
        texts = " ".join(str(r["text"]) for r in each["reasons"] if r["state"] == "unknown")
        assert "missing" in texts, (topic, payload, texts)
        assert name in texts, (topic, payload, texts)


def shown_delay_s(call: object) -> float:
    """Return the greatest figure that a call gives under a key of a delay, 0 without one."""
    if isinstance(call, dict):
        own = [
            float(value)
            for key, value in call.items()
            if "delay" in key and isinstance(value, int | float)
        ]
        return max([*own, *(shown_delay_s(each) for each in call.values())], default=0.0)
    if isinstance(call, list):
        return max((shown_delay_s(each) for each in call), default=0.0)
    return 0.0


def test_a_flood_on_ones_own_topic_delays_nobody_elses_stop(make_bench: MakeBench) -> None:
    """One account floods, by MQTT 3.1.1 and by 5, while the two others go on by 5 and by 3.1.1."""
    bench = make_bench(True)
    bow = bench.closing(bench.yard.sensor("air-bow", "5"))
    plank = bench.closing(bench.yard.sensor("plank-port", "3.1.1"))
    bench.closing(Feed(bow, BOW, lambda: bench.air))
    bench.closing(Feed(plank, PLANK_TOPIC, lambda: str(bench.hull_c)))
    bench.hull_c = 20.5
    program = bench.watch("strict.toml", more=CO2)
    assert wait_for(lambda: bench.lamp.word() == "GO")
    floods = [
        bench.closing(Flood(bench.yard.port, "air-stern", OWN_TOPIC, version, 30.0))
        for version in ("3.1.1", "5")
    ]
    for flood in floods:
        flood.start()
    time.sleep(2.5)
    assert wait_for(lambda: sum(flood.sent for flood in floods) > 20_000, 10.0), "no flood"
    fell_s = time.monotonic()
    bench.hull_c = WET_C
    wait_for(lambda: "STOP" in bench.lamp.words(fell_s), 12.0)
    told = [(each.at_s - fell_s, each.json()) for each in bench.lamp.calls(fell_s)]
    stops = [at_s for at_s, call in told if call["call"] == "STOP"]
    shown_s = max((shown_delay_s(call) for at_s, call in told), default=0.0)
    assert stops, "no STOP in 12 s"
    assert shown_s <= 15.0 or "GO" not in [call["call"] for _, call in told]
    assert stops[0] <= 5.0 + shown_s
    # The first value under the limit is on its way for 0.2 s at most; from 5 s on GO is false.
    assert [at_s for at_s, call in told if call["call"] == "GO" and at_s > 5.0] == []
    assert program.alive()
    assert wait_for(lambda: OWN_TOPIC in program.said), "what is dropped has its topic named"


def test_a_line_that_is_behind_shows_go_with_a_question_then_hold(make_bench: MakeBench) -> None:
    """The way down to the program stands still; what it says goes up all the same."""
    bench = make_bench(False)
    bench.feeds()
    line = bench.closing(SlowLine(bench.yard.port))
    program = bench.watch("strict.toml", port=line.port)
    assert wait_for(lambda: bench.lamp.word() == "GO")
    time.sleep(2.5)  # some heartbeats
    line.hold()
    held_s = time.monotonic()
    assert not wait_for(lambda: "GO?" in program.said or bench.lamp.word() != "GO", 3.5)
    assert wait_for(lambda: "GO?" in program.said, 8.0), "5 s are gone, and 6 for a busy machine"
    assert bench.lamp.word() == "GO", "5 s of delay are no HOLD yet"
    asked_s = time.monotonic()
    assert wait_for(lambda: bench.lamp.word() == "HOLD", held_s + 21.0 - asked_s)
    told_s = bench.lamp.calls(held_s)[-1].at_s
    assert 13.0 <= told_s - held_s <= 21.0, "15 s, and 6 for a busy machine"
    assert "GO" not in [each.json()["call"] for each in bench.lamp.calls(held_s + 6.5)]
    # A hull that fell meanwhile is heard once the line moves, and what stood in it is old.
    bench.hull_c = WET_C
    time.sleep(0.5)
    free_s = time.monotonic()
    line.release()
    assert wait_for(lambda: "STOP" in bench.lamp.words(free_s))
    assert "GO" not in bench.lamp.words(free_s)


def hostile(size: int) -> str:
    """33 opening brackets, a quote, then escaped quotes."""
    return "[" * 33 + '"' + '\\"' * ((size - 34) // 2)


def test_one_hostile_message_does_not_keep_others_readings_waiting(make_bench: MakeBench) -> None:
    bench = make_bench(False)
    bench.feeds("5")
    stern = bench.closing(bench.yard.sensor("air-stern"))
    program = bench.watch("strict.toml", more=CO2)

    def took_s() -> float:
        bench.hull_c = 19.0
        assert wait_for(lambda: bench.lamp.word() == "GO")
        # From 16 to 62 KiB the cost may grow fourfold, not sixteenfold.
        for size in (16_384, 63_000):
            stern.send(OWN_TOPIC, hostile(size), 1)
        time.sleep(0.1)
        fell_s = time.monotonic()
        bench.hull_c = WET_C
        assert wait_for(lambda: "STOP" in bench.lamp.words(fell_s))
        return time.monotonic() - fell_s

    # A busy machine may delay one of them, such a message would delay all.
    assert any(took_s() < 2.0 for _ in range(3))
    assert program.alive()
    assert "Traceback" not in program.said
