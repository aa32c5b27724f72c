"""The simulated tent as sensors on a real broker: what it sends is what the intake reads."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import pytest
from command import Ran, filmcall

from monitor.config.load import load_config
from sensors.mqtt.intake import Intake
from sensors.reading import Quality, Quantity
from sensors.simulate.tent import Tent, demo_night
from tests.system.broker import RealBroker, Sensor
from tests.system.test_mqtt_intake import PATIENCE_S, ready

TEXT = """
[broker]
host = "127.0.0.1"
port = {port}
[[enclosure]]
name = "polytunnel"
[[enclosure.point]]
name = "air-bow"
quantity = "air_temp"
unit = "degF"
topic = "shed/bow"
value = "air.temperature"
[[enclosure.point]]
name = "air-bow"
quantity = "humidity"
unit = "%"
topic = "shed/bow"
value = "air.humidity"
[[enclosure.point]]
name = "plank-port"
quantity = "surface_temp"
unit = "degC"
topic = "shed/plank"
"""


def test_what_the_tent_sends_is_what_the_intake_reads(broker: RealBroker, tmp_path: Path) -> None:
    file = tmp_path / "tent.toml"
    file.write_text(TEXT.format(port=broker.port))
    config = load_config(file.read_text(), tmp_path)
    assert config.broker is not None
    intake = Intake(config.broker.broker("test", {}), config.enclosures[0].sources())
    intake.start()
    try:
        ready(intake)
        ran = filmcall(
            "simulate", "--mqtt", "--config", str(file), "--hours", "0.02", "--speed", "200"
        )
        assert ran.code == 0, ran.err
        readings = [arrival.reading for arrival in intake.drain(2.0)]
        wanted = {Quantity.AIR_TEMP, Quantity.HUMIDITY, Quantity.SURFACE_TEMP}
        until = time.monotonic() + PATIENCE_S
        while {each.quantity for each in readings} < wanted and time.monotonic() < until:
            readings += [arrival.reading for arrival in intake.drain(0.1)]
    finally:
        intake.stop()
    settings, actions, start_s, _ = demo_night(seed=1)
    tent = Tent(settings, 1, start_s, actions)
    sent = {(each.point, each.quantity): each.value for _, row in tent.run(0.0) for each in row}
    first = {each.quantity: each for each in reversed(readings)}
    assert {each.quality for each in readings} == {Quality.OK}
    assert abs(first[Quantity.AIR_TEMP].value - sent["air-bow", Quantity.AIR_TEMP]) < 0.001
    assert first[Quantity.HUMIDITY].value == sent["air-bow", Quantity.HUMIDITY]
    assert first[Quantity.SURFACE_TEMP].value == sent["plank-port", Quantity.SURFACE_TEMP]


def test_without_a_config_or_a_broker_it_says_what_is_missing(tmp_path: Path) -> None:
    ran = filmcall("simulate", "--mqtt")
    assert (ran.code, "--config" in ran.err) == (2, True)
    file = tmp_path / "tent.toml"
    file.write_text(TEXT.format(port=1).partition("[[enclosure]]")[2].join(["[[enclosure]]", ""]))
    assert "no [broker]" in filmcall("simulate", "--mqtt", "--config", str(file)).err


CALL = "filmcall/polytunnel/call"
READINGS = '{"call": "HOLD", "air_temp_c": 18.2, "rh_pct": null, "surface_temp_c": null}'
NO_READINGS = '{"call": "HOLD", "air_temp_c": null, "rh_pct": null, "surface_temp_c": null}'


def play(broker: RealBroker, tmp_path: Path, *words: str) -> Ran:
    file = tmp_path / "tent.toml"
    file.write_text(TEXT.format(port=broker.port))
    return filmcall(
        "simulate", "--mqtt", "--config", str(file), "--hours", "0.01", "--speed", "500", *words
    )


@pytest.mark.parametrize(
    ("topic", "payload", "retain", "who"),
    [
        ("shed/plank", "19.5", True, "topic 'shed/plank' has kept a reading of another sender"),
        ("shed/bow", "{}", False, "topic 'shed/bow' carries readings of another sender"),
        (CALL, READINGS, True, "a watch tells a call of enclosure 'polytunnel' by readings that"),
        (CALL, "not JSON", True, "a watch tells a call of enclosure 'polytunnel' by readings that"),
    ],
)
def test_the_tent_keeps_silent_where_others_speak(
    broker: RealBroker, tmp_path: Path, topic: str, payload: str, retain: bool, who: str
) -> None:
    speaker = Sensor(broker.port, "another")
    over = threading.Event()

    def speak() -> None:
        while not over.is_set():
            speaker.send(topic, payload, retain=retain)
            over.wait(0.3)

    thread = threading.Thread(target=speak)
    thread.start()
    try:
        ran = play(broker, tmp_path)
        assert (ran.code, ran.out) == (2, "")
        assert ran.err.startswith(f"filmcall: {who}")
        assert ran.err.endswith(
            ", and a log could not tell the simulated tent from a real one, so nothing was sent; "
            "use a config with topics and a base of its own, or give --anyway\n"
        )
        assert "the simulated tent speaks" in play(broker, tmp_path, "--anyway").err
    finally:
        over.set()
        thread.join()
        speaker.close()


def test_a_watch_without_readings_is_what_the_tent_is_for(
    broker: RealBroker, tmp_path: Path
) -> None:
    speaker = Sensor(broker.port, "watch")
    speaker.send(CALL, NO_READINGS, retain=True)
    speaker.send("filmcall/station-1/status", "online", retain=True)
    speaker.close()
    ran = play(broker, tmp_path)
    assert (ran.code, "the simulated tent speaks on shed/bow" in ran.err) == (0, True)
