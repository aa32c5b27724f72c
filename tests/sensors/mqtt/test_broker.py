"""What the broker settings refuse, and that no sentence or repr about a broker holds a secret."""

from __future__ import annotations

import socket
import ssl
from pathlib import Path

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from sensors.mqtt.broker import (
    TAKEN_OVER,
    Broker,
    BrokerFault,
    clash_sentence,
    connect_sentence,
    lost_sentence,
    publish_sentence,
    refusal_sentence,
    subscription_sentence,
)
from sensors.mqtt.intake import Intake
from sensors.mqtt.payload import PayloadSource
from sensors.reading import Quantity

BOW = PayloadSource("tent", "air-bow", Quantity.AIR_TEMP, "degC", "shed/bow")


@pytest.mark.parametrize(
    ("settings", "told"),
    [
        ({"host": ""}, r"host '' is not"),
        ({"host": "mqtt://shed"}, r"host 'mqtt://shed' is not"),
        ({"host": "a\x1b[2J"}, r"host 'a\\x1b\[2J' is not"),
        ({"port": 0}, r"port 0 is outside 1 to 65535"),
        ({"port": 70_000}, r"port 70000 is outside"),
        ({"protocol": "4"}, r"protocol '4' is neither"),
        ({"keepalive_s": 0}, r"keepalive 0 s is outside 2 to 600 s"),
        ({"qos": 2}, r"qos 2 is neither"),
        ({"client_id": ""}, r"client_id '' is empty"),
        ({"key_file": Path("a.key")}, r"key_file is set without cert_file"),
    ],
)
def test_settings_that_cannot_work_are_refused_in_one_sentence(
    settings: dict[str, object], told: str
) -> None:
    with pytest.raises(BrokerFault, match=rf"^\[broker\] {told}") as caught:
        Broker(**settings)  # type: ignore[arg-type]
    assert str(caught.value).isprintable()


def test_certificates_are_always_checked_host_name_included(tmp_path: Path) -> None:
    assert Broker().tls_context() is None
    context = Broker(tls=True).tls_context()
    assert context is not None
    assert (context.verify_mode, context.check_hostname) == (ssl.CERT_REQUIRED, True)
    assert context.minimum_version >= ssl.TLSVersion.TLSv1_2
    noise = tmp_path / "noise.pem"
    noise.write_text("not a certificate")
    with pytest.raises(BrokerFault, match=r"ca_file .*noise\.pem' cannot be used"):
        Intake(Broker(ca_file=noise), [BOW])
    with pytest.raises(BrokerFault, match=r"cert_file .*noise\.pem' or its key_file cannot"):
        Intake(Broker(tls=True, cert_file=noise), [BOW])


def test_no_sentence_and_no_repr_holds_the_password() -> None:
    secret = "not-for-any-eye"
    broker = Broker(username="watcher", password=secret, client_id="pi")
    told = [
        repr(broker),
        str(broker),
        *(connect_sentence(broker, fault) for fault in (
            ConnectionRefusedError(), TimeoutError(), socket.gaierror(), ssl.SSLError(1, "x"),
            ssl.SSLCertVerificationError(1, "x"), OSError(113, "No route"), ValueError("label"),
        )),
        *(refusal_sentence(broker, code, "Refused") for code in range(128, 140)),
        clash_sentence(broker, 3, certain=False),
        lost_sentence(broker, "why", accepted=True),
        lost_sentence(broker, "why", accepted=False),
        subscription_sentence(broker, "a\x1b", "why", "lost"),
        publish_sentence(broker, "why"),
    ]  # fmt: skip
    assert all(secret not in text and text.isprintable() for text in told)


def test_the_number_of_a_session_taken_over_is_the_librarys() -> None:
    # MQTT 5.0 (OASIS, 2019), 3.14.2.1: 0x8E, Session taken over.

    assert ReasonCode(PacketTypes.DISCONNECT, "Session taken over").value == TAKEN_OVER == 0x8E


def test_an_intake_without_a_connection_sends_nothing_and_says_why() -> None:
    intake = Intake(Broker(), [BOW])
    handle = intake.publish("filmcall/tent/call", b"GO")
    assert (handle.accepted, handle.why, handle.done(), handle.wait(0.1)) == (
        False, "not connected", False, False,
    )  # fmt: skip
    assert intake.drain() == []
    assert intake.status().troubles == ("the broker has not accepted the connection yet.",)
