"""`filmcall doctor` and `calibrate` at a real mosquitto: each thing that can be wrong on the way
to it and on its topics is one line with its fix."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.calibrate import probe as calibrate_command
from monitor.calibrate.probe import Target
from monitor.calibrations import CalibrationBook, body_of
from monitor.doctor import doctor
from monitor.doctor.checks import Check, CheckResult, Terminal, UnitFix
from monitor.doctor.doctor import Surroundings
from monitor.log.log import Store
from monitor.log.rows import Calibration
from rules.errors import FilmcallError
from rules.text import iso_utc
from sensors.calibrate.fit import CalibrationMethod, Reference, fit
from sensors.calibrate.settling import RestCriteria
from sensors.reading import Quality, Quantity, Reading
from tests.system.broker import RealBroker, Sensor, free_port
from tests.system.certificates import Authority, openssl
from tests.system.conftest import MakeBroker, need

WORLD = Surroundings(environment={"TERM": "xterm"}, terminal=Terminal(True, 120, 40, "utf-8"))
POINTS = """
[[enclosure]]
name = "tent"
[[enclosure.point]]
name = "air"
quantity = "air_temp"
unit = "degC"
topic = "shed/air"
value = "t"
[[enclosure.point]]
name = "air"
quantity = "humidity"
unit = "%"
topic = "shed/air"
value = "h"
[[enclosure.point]]
name = "plank"
quantity = "surface_temp"
unit = "degC"
topic = "shed/plank"
"""


class Shed:
    """Sensors that send every 0.2 s until they are stopped."""

    def __init__(self, port: int, messages: dict[str, str], **account: str) -> None:
        self._sensor = Sensor(port, "sensor", **account)
        self._messages = messages
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        while not self._end.wait(0.2):
            for topic, payload in self._messages.items():
                self._sensor.client.publish(topic, payload, 1)

    def stop(self) -> None:
        self._end.set()
        self._thread.join()
        self._sensor.close()


@pytest.fixture
def make_shed() -> Iterator[Callable[..., Shed]]:
    made: list[Shed] = []

    def make(port: int, messages: dict[str, str], **account: str) -> Shed:
        made.append(Shed(port, messages, **account))
        return made[-1]

    yield make
    for shed in made:
        shed.stop()


def look(
    tmp_path: Path, port: int, *, more: str = "", points: str = POINTS, wait_s: float = 1.5
) -> list[Check]:
    path = tmp_path / "shed.toml"
    path.write_text(f"[broker]\nport = {port}\n{more}\n{points}")
    return doctor.look(path, tmp_path / "log.db", wait_s=wait_s, world=WORLD)


def found(checks: list[Check], part: str, name: str) -> Check:
    (check,) = [each for each in checks if each.part == part and each.name == name]
    return check


def test_all_well_is_heard_at_once(
    tmp_path: Path, broker: RealBroker, make_shed: Callable[..., Shed]
) -> None:
    make_shed(broker.port, {"shed/air": '{"t": 20.5, "h": 61}', "shed/plank": "19.25"})
    begun = time.monotonic()
    checks = look(tmp_path, broker.port, wait_s=30.0)
    assert time.monotonic() - begun < 15.0
    assert [check for check in checks if check.health is CheckResult.BAD] == []
    assert found(checks, "broker", "name").text == "127.0.0.1 is 127.0.0.1"
    assert found(checks, "broker", "subscribe").text == "5 filters granted"
    assert found(checks, "broker", "publish").text == "filmcall/station-1/doctor is taken"
    assert found(checks, "broker", "login").health is CheckResult.LOOK  # everybody is let in
    assert found(checks, "topic", "tent/air humidity").text.startswith("61 %, 0 s ago on shed/air")
    assert found(checks, "topic", "tent/plank surface_temp").text.startswith("19.25 degC, ")


def test_a_reading_that_a_calibration_corrects_is_told_both_ways(
    tmp_path: Path, broker: RealBroker, make_shed: Callable[..., Shed]
) -> None:
    jar = Reference(73.97, 75.47, 0.5, "NaCl")  # 1.5 low
    body = body_of(fit(Quantity.HUMIDITY, CalibrationMethod.SALT, [jar]))
    with Store.open(tmp_path / "log.db", now_s=time.time) as store:
        store.add_calibration(Calibration("tent", "air", Quantity.HUMIDITY, time.time(), body))
    make_shed(broker.port, {"shed/air": '{"t": 20.5, "h": 61}', "shed/plank": "19.25"})
    checks = look(tmp_path, broker.port, wait_s=30.0)
    told = found(checks, "topic", "tent/air humidity").text
    assert told.startswith("61 %, corrected to 62.5, ")
    assert "corrected" not in found(checks, "topic", "tent/air air_temp").text


def test_units_that_cannot_be_right_are_guessed(
    tmp_path: Path, broker: RealBroker, make_shed: Callable[..., Shed]
) -> None:
    make_shed(broker.port, {"shed/air": '{"t": 20.5, "h": 0.61}', "shed/plank": "66.6"})
    checks = look(tmp_path, broker.port)
    humidity = found(checks, "topic", "tent/air humidity")
    assert (humidity.health, humidity.text.split(": ")[1]) == (
        CheckResult.BAD,
        'looks like a fraction. Set unit = "1" for this point.',
    )
    plank = found(checks, "topic", "tent/plank surface_temp")
    assert plank.health is CheckResult.BAD
    assert plank.text.endswith('looks like degF. Set unit = "degF" for this point.')
    assert humidity.fix == UnitFix(("tent", "air", "humidity"), "1")
    assert plank.fix == UnitFix(("tent", "plank", "surface_temp"), "degF")
    assert found(checks, "topic", "tent/air air_temp").fix is None
    assert found(checks, "topic", "tent/air air_temp").health is CheckResult.OK


def test_silent_refused_and_kept_topics_are_told_apart(
    tmp_path: Path, broker: RealBroker, make_shed: Callable[..., Shed]
) -> None:
    sensor = Sensor(broker.port, "once")
    sensor.send("shed/plank", "19.5", retain=True)
    sensor.close()
    make_shed(broker.port, {"shed/air": '{"temp": 20.5, "h": "61\x1b[2J"}'})
    checks = look(tmp_path, broker.port)
    air = found(checks, "topic", "tent/air air_temp")
    assert air.health is CheckResult.BAD
    assert air.text.startswith("shed/air: ")
    assert "\x1b" not in air.text
    plank = found(checks, "topic", "tent/plank surface_temp")
    assert plank.health is CheckResult.BAD
    assert (
        "only an old message that the broker held (19.5, without a time of its own)" in plank.text
    )
    optional = POINTS + "required = false\n"
    checks = look(tmp_path, broker.port, points=optional)
    assert found(checks, "topic", "tent/plank surface_temp").health is CheckResult.LOOK


def test_the_forecasts_topic_is_listened_to(tmp_path: Path, broker: RealBroker) -> None:
    points = POINTS + '[forecast]\ntopic = "weather/hours"\n'

    def forecast_check() -> Check:
        checks = look(tmp_path, broker.port, points=points, wait_s=0.5)
        assert found(checks, "broker", "subscribe").text == "6 filters granted"
        return found(checks, "forecast", "topic")

    silent = forecast_check()
    assert silent.health is CheckResult.LOOK
    assert silent.text.startswith("no forecast within ")
    assert "on weather/hours. Have it sent retained" in silent.text
    sensor = Sensor(broker.port, "weather")
    sensor.send("weather/hours", '{"evil": "\x1b[2J"}', retain=True)
    refused = forecast_check()
    assert (refused.health, refused.text[:32]) == (
        CheckResult.BAD,
        "forecast on topic weather/hours:",
    )
    assert "\x1b" not in refused.text
    hours = [{"time": time.time() + 3600.0 * h, "temp": 11, "dew_point": 7} for h in range(24)]
    sensor.send("weather/hours", json.dumps({"made": time.time() - 7200, "h": hours}), retain=True)
    sensor.close()
    told = forecast_check()
    assert (told.health, told.text) == (CheckResult.OK, "forecast 2 h old, to 22 h 59 min ahead")


def log_planks(tmp_path: Path, *ages_s: float) -> None:
    """Let the log hold what the plank said that long ago."""
    now_s = time.time()
    with Store.open(tmp_path / "log.db", now_s=time.time) as store:
        for age_s in ages_s:
            said_s = now_s - age_s
            store.add_readings(
                [Reading("tent", "plank", Quantity.SURFACE_TEMP, said_s, 19.0, Quality.OK, said_s)]
            )


def test_what_the_log_heard_lately_of_a_slow_sensor_is_not_missed(
    tmp_path: Path, broker: RealBroker
) -> None:
    log_planks(tmp_path, 900.0, 600.0, 300.0)  # three intervals of 5 min are its limit
    check = found(look(tmp_path, broker.port), "topic", "tent/plank surface_temp")
    assert check.health is CheckResult.OK
    assert check.text.endswith("; the log has one 5 min old")


@pytest.mark.parametrize(
    ("more", "ages_s", "counts"),
    [
        ('max_age = "90 s"', (1140.0, 840.0, 540.0), "90 s"),
        ("", (560.0, 550.0, 540.0), "90 s"),  # sent every 10 s
        ("", (540.0,), "90 s"),  # what is usual is not known: the watch begins so too
        ("", (840.0, 690.0, 540.0), "7 min"),
    ],
)
def test_what_the_log_heard_too_long_ago_is_worth_a_look(
    tmp_path: Path, broker: RealBroker, more: str, ages_s: tuple[float, ...], counts: str
) -> None:
    log_planks(tmp_path, *ages_s)
    check = found(
        look(tmp_path, broker.port, points=f"{POINTS}{more}\n"), "topic", "tent/plank surface_temp"
    )
    assert check.health is CheckResult.LOOK
    told = f"; the log has one 9 min old, and a reading counts for {counts}, so this one"
    assert told in check.text


@pytest.mark.parametrize(("age_s", "health"), [(540.0, CheckResult.LOOK), (60.0, CheckResult.OK)])
def test_a_kept_reading_older_than_it_counts_is_worth_a_look(
    tmp_path: Path, broker: RealBroker, age_s: float, health: CheckResult
) -> None:
    sensor = Sensor(broker.port, "once")
    sensor.send("shed/air", json.dumps({"t": 20, "h": 61, "ts": time.time() - age_s}), retain=True)
    sensor.close()
    check = found(look(tmp_path, broker.port), "topic", "tent/air humidity")
    assert check.health is health
    late = "61 %, 9 min ago on shed/air: a reading counts for 90 s, so this one no longer does. "
    assert check.text.startswith(late) == (health is CheckResult.LOOK)


def test_a_sensor_that_knows_no_value_is_told_from_a_silent_one(
    tmp_path: Path, broker: RealBroker, make_shed: Callable[..., Shed]
) -> None:
    make_shed(broker.port, {"shed/air": '{"t": null, "h": 61}', "shed/plank": "19.25"})
    checks = look(tmp_path, broker.port)
    air = found(checks, "topic", "tent/air air_temp")
    assert (air.health, air.text[:35]) == (CheckResult.BAD, "shed/air: 't' is null, not a number")
    assert found(checks, "topic", "tent/air humidity").health is CheckResult.OK


def test_two_sensors_on_one_point_are_bad(
    tmp_path: Path, broker: RealBroker, make_shed: Callable[..., Shed]
) -> None:
    make_shed(
        broker.port,
        {
            "shed/air": '{"t": 20.5, "h": 61}',
            **{f"shed/planks/{each}": "19" for each in "abcd"},
        },
    )
    checks = look(tmp_path, broker.port, points=POINTS.replace("shed/plank", "shed/planks/+"))
    both = [c for c in checks if c.name == "tent/plank surface_temp"]
    assert [c.health for c in both] == [CheckResult.OK, CheckResult.BAD]
    named = re.match(r"fed by 4 topics \((.*) and 1 more\);", both[1].text)
    assert named
    assert len(set(named[1].split(", ")) & {f"shed/planks/{each}" for each in "abcd"}) == 3


# On the way -------------------------------------------------------------------------------------


def test_a_name_and_a_port_that_are_not_there(tmp_path: Path) -> None:
    checks = look(tmp_path, free_port())
    assert "refuses the connection" in found(checks, "broker", "port").text
    checks = look(tmp_path, 1883, more='host = "no-such.invalid"')
    assert "the host name is not found" in found(checks, "broker", "name").text
    assert not [check for check in checks if check.part == "topic"]


def test_a_listener_that_is_no_broker_is_found_out(tmp_path: Path) -> None:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen()
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("monitor.doctor.broker.LOGIN_S", 0.5)
            checks = look(tmp_path, listener.getsockname()[1])
    assert found(checks, "broker", "port").health is CheckResult.OK
    assert "does not answer the login" in found(checks, "broker", "login").text


def accounts(tmp_path: Path, acl: str) -> str:
    """Config lines of a broker with the account painter/right and an access list."""
    need("mosquitto_passwd", shutil.which("mosquitto_passwd") is not None)
    passwords, access = tmp_path / "passwords", tmp_path / "acl"
    passwords.touch(mode=0o600)
    subprocess.run(
        ["mosquitto_passwd", "-b", str(passwords), "painter", "right"],
        check=True,
        capture_output=True,
    )
    access.write_text(acl)
    access.chmod(0o600)
    return f"allow_anonymous false\npassword_file {passwords}\nacl_file {access}"


def test_login_subscription_and_publishing_refused_are_each_told(
    tmp_path: Path, make_broker: MakeBroker
) -> None:
    broker = make_broker(accounts(tmp_path, "user painter\ntopic read shed/plank\n"))
    login = 'username = "painter"\npassword_file = "secret"'
    secret = tmp_path / "secret"
    secret.write_text("wrong")
    secret.chmod(0o600)
    check = found(look(tmp_path, broker.port, more=login), "broker", "login")
    assert check.health is CheckResult.BAD
    assert "password" in check.text
    assert "wrong" not in check.text
    secret.write_text("right")
    checks = look(tmp_path, broker.port, more=login)
    assert found(checks, "broker", "login").text == "accepted as painter, MQTT 5"
    publish = found(checks, "broker", "publish")
    assert (publish.health, "write access to filmcall/#" in publish.text) == (CheckResult.BAD, True)
    # mosquitto's access list grants every subscription, and sends nothing of what may not be read.
    assert found(checks, "broker", "subscribe").text == "5 filters granted"
    air = found(checks, "topic", "tent/air humidity")
    assert (air.health, "access list lets this account read it" in air.text) == (
        CheckResult.BAD,
        True,
    )


def test_a_refused_subscription_is_told_from_a_granted_one(
    tmp_path: Path, make_broker: MakeBroker
) -> None:
    plugin = next(Path("/usr/lib").rglob("mosquitto_dynamic_security.so"), None)
    need("mosquitto's dynamic security plugin", plugin is not None)
    digest = hashlib.pbkdf2_hmac("sha512", b"right", b"salt-of-test", 101)
    allowed = {"acltype": "subscribeLiteral", "topic": "shed/plank", "allow": True}
    rules = {
        "defaultACLAccess": {"publishClientSend": True, "subscribe": False},
        "clients": [
            {
                "username": "painter",
                "password": base64.b64encode(digest).decode(),
                "salt": base64.b64encode(b"salt-of-test").decode(),
                "iterations": 101,
                "roles": [{"rolename": "reader"}],
            }
        ],
        "roles": [{"rolename": "reader", "acls": [allowed]}],
    }
    (tmp_path / "rules.json").write_text(json.dumps(rules))
    broker = make_broker(
        f"allow_anonymous false\nplugin {plugin}\nplugin_opt_config_file {tmp_path}/rules.json"
    )
    (tmp_path / "secret").write_text("right")
    login = 'username = "painter"\npassword_file = "secret"'
    checks = look(tmp_path, broker.port, more=login)
    refused, *others, granted = (c for c in checks if c.name == "subscribe")
    assert all("what comes there is not heard" in each.text for each in others)
    assert refused.text.startswith(f"broker 127.0.0.1:{broker.port} refuses the subscription 'shed")
    assert granted.text == "1 filter granted"


def test_a_certificate_is_checked_and_its_end_is_told(
    tmp_path: Path, make_broker: MakeBroker
) -> None:
    need("openssl", openssl() is not None)
    authority = Authority(tmp_path)
    certificate, key = authority.issue("good", "IP:127.0.0.1")
    tls = f"allow_anonymous true\ncertfile {certificate}\nkeyfile {key}"
    broker = make_broker(tls)
    more = f'ca_file = "{authority.certificate}"'
    check = found(look(tmp_path, broker.port, more=more), "broker", "TLS")
    assert check.health is CheckResult.LOOK  # good for two days only
    assert "days from now. Renew it" in check.text
    checks = look(tmp_path, broker.port, more="tls = true")  # an authority nobody knows
    assert "its certificate is refused" in found(checks, "broker", "TLS").text
    assert not [check for check in checks if check.name == "login"]
    checks = look(tmp_path, broker.port)  # without TLS
    assert "TLS" in found(checks, "broker", "login").text
    checks = look(tmp_path, broker.port, more='ca_file = "none.pem"')
    assert "ca_file" in found(checks, "broker", "config").text


def test_a_login_by_certificate_says_whose_it_is(tmp_path: Path, make_broker: MakeBroker) -> None:
    """A certificate is public, its key is not; the broker's account is the name in it."""
    need("openssl", openssl() is not None)
    authority = Authority(tmp_path)
    certificate, key = authority.issue("good", "IP:127.0.0.1")
    own, own_key = authority.issue("painter", "DNS:painter")
    broker = make_broker(
        f"cafile {authority.certificate}\ncertfile {certificate}\nkeyfile {key}\n"
        "require_certificate true\nuse_identity_as_username true"
    )
    own.chmod(0o644)
    own_key.chmod(0o600)
    more = f'ca_file = "{authority.certificate}"\ncert_file = "{own}"\n'
    checks = look(tmp_path, broker.port, more=f'{more}key_file = "{own_key}"')
    login = found(checks, "broker", "login")
    assert login.health is CheckResult.OK
    assert login.text.startswith("accepted with the certificate of painter, MQTT ")
    checks = look(tmp_path, broker.port, more=more)  # the key is forgotten
    assert not [check for check in checks if check.part == "secret"]
    both = tmp_path / "both.pem"
    both.write_text(own.read_text() + own_key.read_text())
    both.chmod(0o644)
    one_file = more.replace(str(own), str(both))
    check = found(look(tmp_path, broker.port, more=one_file), "secret", "cert_file")
    assert check.text.endswith(f"Run: chmod 600 {both}")


def test_watch_keeps_its_connection_while_doctor_looks(
    tmp_path: Path, broker: RealBroker, make_shed: Callable[..., Shed]
) -> None:
    make_shed(broker.port, {"shed/air": '{"t": 20.5, "h": 61}', "shed/plank": "19"})
    watch = Sensor(broker.port, "filmcall-station-1")  # the name that watch has there
    lost: list[object] = []
    watch.client.on_disconnect = lambda *arguments: lost.append(arguments)
    look(tmp_path, broker.port)
    time.sleep(0.3)
    assert not lost
    watch.client.on_disconnect = None
    watch.close()


# Calibrating --------------------------------------------------------------------------------------


def test_a_jar_is_listened_to_over_the_broker_and_kept(
    tmp_path: Path, broker: RealBroker, make_shed: Callable[..., Shed]
) -> None:
    make_shed(broker.port, {"shed/air": '{"t": 20.0, "h": 73.9}'})
    path = tmp_path / "shed.toml"
    path.write_text(f"[broker]\nport = {broker.port}\n{POINTS}")
    said: list[str] = []
    text, code = calibrate_command.salt(
        Target("air", config_file=path, db=tmp_path / "log.db"),
        ["NaCl"],
        rest=RestCriteria(0.4, 1.0, 1.0),
        most_wait_s=30.0,
        world=calibrate_command.Surroundings(say=said.append, environment={}),
    )
    assert code == 0
    # Greenspan 1977: 75.47 % at 20 degC.
    assert "NaCl at 20.0 degC: reads 73.90 for 75.47" in text
    assert any("make sure that it is alive" in line for line in said)
    with Store.open(tmp_path / "log.db", now_s=time.time, read_only=True) as store:
        book = CalibrationBook(store.calibrations())
    now_s = time.time()
    raw = Reading("tent", "air", Quantity.HUMIDITY, now_s, 80.0, Quality.OK, now_s)
    assert book.correct(raw)[0] == pytest.approx(81.57)


def test_a_broker_that_is_away_is_told_and_nothing_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "shed.toml"
    path.write_text(f"[broker]\nport = {free_port()}\n{POINTS}")
    with pytest.raises(FilmcallError, match="refuses the connection"):
        calibrate_command.salt(
            Target("air", config_file=path, db=tmp_path / "log.db"),
            ["NaCl"],
            most_wait_s=1.0,
            world=calibrate_command.Surroundings(environment={}),
        )
    assert not (tmp_path / "log.db").exists()


def test_nothing_is_written_beside_the_lines(tmp_path: Path, broker: RealBroker) -> None:
    sensor = Sensor(broker.port, "once")
    sensor.send("shed/air", "not json", retain=True)
    sensor.close()
    path = tmp_path / "shed.toml"
    path.write_text(f"[broker]\nport = {broker.port}\n{POINTS}")
    program = (
        "import sys; from pathlib import Path; from monitor.doctor import doctor; "
        "text, code = doctor.run(Path(sys.argv[1]), Path(sys.argv[2]), as_json=False, wait_s=1.0);"
        "print(text); sys.exit(code)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", program, str(path), str(tmp_path / "log.db")],
        capture_output=True,
        text=True,
        check=False,
        timeout=60.0,
    )
    assert (ran.returncode, ran.stderr) == (1, "")
    assert "bad   topic        tent/air air_temp: shed/air: " in ran.stdout


def test_another_station_and_a_kept_event_are_named(
    tmp_path: Path, broker: RealBroker, make_shed: Callable[..., Shed]
) -> None:
    make_shed(broker.port, {"shed/air": '{"t": 20.5, "h": 61}', "shed/plank": "19.25"})
    barn = Sensor(broker.port, "barn")
    checks = look(tmp_path, broker.port)
    text = "no other station tells of 1 enclosure of ours"
    assert found(checks, "broker", "stations").text == text
    told = {"station": "barn", "log": "b", "valid_until": iso_utc(time.time() + 60.0)}
    barn.send("filmcall/tent/call", json.dumps(told), retain=True)
    barn.send("filmcall/tent/event/wiped", "hull", retain=True)
    checks = look(tmp_path, broker.port)
    barn.close()
    other = found(checks, "broker", "tent station")
    assert other.health is CheckResult.BAD
    assert other.text.startswith("station 'barn' tells calls of an enclosure 'tent' too")
    assert "keeps an event, which is refused" in found(checks, "broker", "tent event").text
    # The name of our own station with the sentence in it is a running watch's.
    mine = {"lines": [f"{other.text}"], **told, "station": "station-1"}
    barn = Sensor(broker.port, "barn")
    barn.send("filmcall/tent/call", json.dumps(mine), retain=True)
    barn.close()
    assert found(look(tmp_path, broker.port), "broker", "tent station").text == other.text
