"""The forecast that a config names: a file read again as it changes, a message, hostile ones."""

from __future__ import annotations

import json
import logging
import os
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import paho.mqtt.client as paho
import pytest

from monitor.config.model import Config, EnclosureConfig, ForecastConfig
from monitor.log.log import Store
from monitor.outlook.forecast import ForecastKeeper, beside, forecast_zone, issue_of
from sensors.mqtt.broker import Broker
from sensors.mqtt.intake import PLAIN_BYTES, Intake
from sensors.mqtt.payload import PayloadSource
from sensors.reading import Quantity
from sensors.wire import FaultKind

NOW_S = datetime(2026, 10, 13, 12, tzinfo=UTC).timestamp()
TOPIC = "weather/hours"
BOW = PayloadSource("tent", "air-bow", Quantity.AIR_TEMP, "degC", "shed/bow")


def iso(hours: float) -> str:
    return datetime.fromtimestamp(NOW_S + 3600.0 * hours, UTC).isoformat()


def rows(first: int, last: int, temp: float, made: str | None = None) -> list[dict[str, object]]:
    return [
        {"time": iso(h), "temp": temp, "dew_point": 5.0} | ({"made": made} if made else {})
        for h in range(first, last + 1)
    ]


def csv_text(first: int, last: int, temp: float) -> str:
    lines = [f"{iso(h)},{temp},70" for h in range(first, last + 1)]
    return "\n".join(["valid,T2,RH", *lines])


def heard(keeper: ForecastKeeper, told: object) -> bool:
    keeper.take(told if isinstance(told, bytes) else json.dumps(told).encode())
    return keeper.look()


@pytest.fixture
def keeper() -> ForecastKeeper:
    return ForecastKeeper(ForecastConfig(topic=TOPIC), None, lambda: NOW_S)


def test_a_file_is_read_by_its_mapping_and_again_when_it_changes(tmp_path: Path) -> None:
    path = tmp_path / "hours.csv"
    columns = (("time", "valid"), ("temp", "T2"), ("rh", "RH"))
    config = ForecastConfig(file=path, columns=columns, units=(("temp", "degF"),))
    keeper = ForecastKeeper(config, None, lambda: NOW_S)
    assert not keeper.look()
    assert "no such file" in keeper.troubles[0]
    path.write_text(csv_text(0, 3, 53.6))  # 53.6 degF is 12 degC exactly (NIST SP 811, B.8)
    assert keeper.look()
    assert keeper.troubles == ()
    assert keeper.hours is not None
    assert keeper.hours.temp_c.tolist() == pytest.approx([12.0] * 4)
    assert not keeper.look(), "nothing changed"
    path.write_text(csv_text(0, 5, 44.6))
    assert keeper.look()
    assert keeper.hours.temp_c.tolist() == pytest.approx([7.0] * 6)
    path.write_text("half a li")
    os.utime(path, ns=(1, 1))
    assert not keeper.look()
    assert keeper.hours.temp_c.size == 6, "what was known stays, and grows old"
    assert keeper.refused == 2
    assert str(path) in keeper.troubles[0]


def test_a_message_tells_the_hours_and_the_past_ones_stay(keeper: ForecastKeeper) -> None:
    assert heard(keeper, rows(-6, 6, 10.0, made=iso(-6)))
    assert heard(keeper, rows(0, 12, 14.0, made=iso(-1)))
    assert keeper.hours is not None
    assert keeper.hours.temp_c.tolist() == [10.0] * 6 + [14.0] * 13
    assert keeper.about(NOW_S) == "forecast 1 h old, to 12 h ahead"
    # An older one that a broker sends once more changes nothing that is known better.
    assert heard(keeper, rows(-6, 6, 10.0, made=iso(-6)))
    assert keeper.hours.temp_c.tolist() == [10.0] * 6 + [14.0] * 13
    assert keeper.about(NOW_S) == "forecast 1 h old, to 12 h ahead"


def test_of_file_and_message_the_one_made_last_counts(tmp_path: Path) -> None:
    path = tmp_path / "hours.json"
    path.write_text(json.dumps(rows(0, 6, 10.0, made=iso(-2))))
    keeper = ForecastKeeper(ForecastConfig(file=path, topic=TOPIC), None, lambda: NOW_S)
    assert heard(keeper, rows(4, 8, 20.0, made=iso(-3)))
    assert keeper.hours is not None
    assert keeper.hours.temp_c.tolist() == [10.0] * 7 + [20.0] * 2


def test_age_and_gaps_are_told(keeper: ForecastKeeper) -> None:
    assert keeper.about(NOW_S) == ""
    assert heard(keeper, [*rows(0, 2, 10.0), *rows(9, 10, 10.0)])
    assert keeper.about(NOW_S) == "forecast of unknown age, to 10 h ahead, 1 gap over 3 h"
    assert "over already" in keeper.about(NOW_S + 86_400.0)


@pytest.mark.parametrize(
    ("payload", "says"),
    [
        (b"\xff\xfe", "it is not UTF-8 from byte 0"),
        (b"{", "it is no JSON"),
        (b"[" * 100_000, "it is no JSON|neither a list"),
        (b"9" * 100_000, "it is no JSON|neither a list"),
        (b'{"a": 1}', "neither a list of hours nor equally long lists"),
        (json.dumps([{f"k{n}": 0} for n in range(5_000)]).encode(), "5000 different keys are over"),
        (b'[{"time": NaN, "temp": Infinity, "dew_point": 1}]', "0 of 1 hour can be used"),
        (
            b'[{"time": "0001-01-01T00:00+14:00", "temp": 1, "dew_point": 0}]',
            "0 of 1 hour can be used",
        ),
        (json.dumps(rows(-9000, -8000, 5.0)).encode(), "none of its 1001 hours is of"),
        (b'[{"\\u001b[2J": 1, "temp": 2}]', "with a control character"),
        (b'[{"a": 1, "temp": 2}]', "are not all found among"),
    ],
)  # fmt: skip
def test_a_hostile_message_is_refused_by_name_and_counted(
    keeper: ForecastKeeper, payload: bytes, says: str, caplog: pytest.LogCaptureFixture
) -> None:
    good = rows(0, 6, 10.0)
    assert heard(keeper, good)
    with caplog.at_level(logging.WARNING):
        assert not heard(keeper, payload)
    assert keeper.refused == 1
    (trouble,) = keeper.troubles
    assert trouble.startswith(f"forecast on topic {TOPIC}: ")
    assert any(part in trouble for part in says.split("|"))
    assert len(trouble) <= 240
    assert trouble.isprintable()
    assert trouble in caplog.text
    assert keeper.hours is not None
    assert keeper.hours.temp_c.size == 7, "what was known before stays"
    assert heard(keeper, good)
    assert keeper.troubles == ()


def test_names_that_a_sender_chose_fill_no_screen(keeper: ForecastKeeper) -> None:
    name = "temp " + "x" * 5_000
    told = [{"time": iso(h), name: 5.0, "dew_point": 1.0} for h in range(3)]
    assert heard(keeper, told)
    assert keeper.hours is not None
    assert all(notice.isprintable() and len(notice) <= 240 for notice in keeper.hours.notices)


def message(topic: str, payload: bytes) -> paho.MQTTMessage:
    return cast(paho.MQTTMessage, SimpleNamespace(topic=topic, payload=payload, retain=True))


def test_the_intake_hands_the_message_on_and_refuses_one_that_is_too_large() -> None:
    taken: list[bytes] = []
    intake = Intake(Broker(), [BOW], plain={TOPIC: taken.append})
    intake._on_message(message(TOPIC, b"[]"))
    intake._on_message(message(TOPIC, b""))
    intake._on_message(message(TOPIC, b" " * (PLAIN_BYTES + 1)))
    intake._on_message(message("shed/bow", b"12.5"))
    status = intake.status()
    assert taken == [b"[]"]
    assert status.refused_by_kind == {FaultKind.TOO_LARGE: 1}
    assert status.refused_by_topic == {TOPIC: 1}
    assert (status.messages, status.readings, status.unmapped) == (4, 1, 0)


def test_the_zone_is_the_forecasts_own_or_the_one_that_all_enclosures_name() -> None:
    local, utc = EnclosureConfig("a", (), timezone="Europe/Oslo"), EnclosureConfig("b", ())
    assert forecast_zone(ForecastConfig(timezone="Europe/Paris"), [local]) == "Europe/Paris"
    assert forecast_zone(ForecastConfig(), [local]) == "Europe/Oslo"
    assert forecast_zone(ForecastConfig(), [local, utc]) is None
    assert forecast_zone(ForecastConfig(), [utc]) is None


# Over a restart ---------------------------------------------------------------------------------


def restarted(path: Path, now_s: float = NOW_S, topic: str = TOPIC) -> ForecastKeeper:
    return ForecastKeeper(ForecastConfig(topic=topic), None, lambda: now_s, path)


def told_of(keeper: ForecastKeeper) -> list[list[float]]:
    assert keeper.hours is not None
    hours = keeper.hours
    columns = [hours.time_s, hours.temp_c, hours.dew_point_c, hours.rh_pct]
    return [column.tolist() for column in columns]


def test_what_messages_told_of_is_there_after_a_restart(tmp_path: Path) -> None:
    path = beside(tmp_path / "log.db")
    before = restarted(path)
    assert heard(before, rows(-30, 6, 10.0, made=iso(-6)))
    assert heard(before, rows(0, 12, 14.0, made=iso(-1)))
    after = restarted(path)
    assert after.hours is None, "nothing is read before the first look"
    assert after.look()
    assert after.hours is not None
    assert before.hours is not None
    assert after.hours.temp_c.tolist() == before.hours.temp_c.tolist() == [10.0] * 30 + [14.0] * 13
    assert after.hours.time_s.tolist() == before.hours.time_s.tolist()
    assert after.about(NOW_S) == before.about(NOW_S) == "forecast 1 h old, to 12 h ahead"
    assert not after.look()
    # The broker's retained message comes on top, and takes no past hour away.
    assert heard(after, rows(3, 20, 8.0, made=iso(0)))
    assert after.hours is not None
    assert after.hours.temp_c.tolist() == [10.0] * 30 + [14.0] * 3 + [8.0] * 18


def test_humidity_and_sun_come_back_as_they_were(tmp_path: Path) -> None:
    path = beside(tmp_path / "log.db")
    before = restarted(path)
    told = [{"time": iso(h), "temp": 11.5, "humidity": 81.25, "sun": 40 * h} for h in range(5)]
    assert heard(before, told)
    after = restarted(path)
    assert after.look()
    assert str(told_of(after)) == str(told_of(before)), "as text, since NaN is not equal to NaN"
    assert after.hours is not None
    assert after.hours.sun_w_m2 is not None
    assert after.hours.sun_w_m2.tolist() == [0.0, 40.0, 80.0, 120.0, 160.0]
    assert after.hours.made_s is None


def test_only_nine_days_are_taken_up_and_only_of_the_same_topic(tmp_path: Path) -> None:
    path = beside(tmp_path / "log.db")
    assert heard(restarted(path), rows(-24, 12, 10.0, made=iso(-1)))
    assert not restarted(path, topic="weather/elsewhere").look()
    assert not restarted(path, NOW_S + 20.0 * 86_400.0).look()
    later = restarted(path, NOW_S + 9.0 * 86_400.0)
    assert later.look()
    assert len(told_of(later)[0]) == 13
    assert later.about(NOW_S + 9.0 * 86_400.0).endswith("over already")


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\xff\xfe",
        b"[1, 2]",
        b'{"form": 1, "topic": "weather/hours", "made_s": null, "hours": [[1, 2]]}',
        b'{"form": 1, "topic": "weather/hours", "made_s": null, "hours": [[2,9,5,null,null],'
        b"[1,9,5,null,null]]}",
        b'{"form": 1, "topic": "weather/hours", "made_s": null, "hours": [[1,null,5,null,null],'
        b"[2,9,5,null,null]]}",
        b"[" * 100_000,
    ],
)
def test_a_damaged_file_is_told_and_written_anew(
    tmp_path: Path, content: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    path = beside(tmp_path / "log.db")
    path.write_bytes(content)
    keeper = restarted(path)
    assert not keeper.look()
    [trouble] = keeper.troubles
    assert trouble.startswith(f"{path}: the forecast's past hours cannot be read (")
    assert heard(keeper, rows(0, 3, 10.0))
    assert keeper.troubles == ()
    assert restarted(path).look()


def test_a_file_that_cannot_be_written_is_told_once_and_the_hours_count(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    keeper = restarted(tmp_path / "none" / "log.db.forecast")
    assert heard(keeper, rows(0, 3, 10.0))
    assert heard(keeper, rows(0, 4, 10.0))
    assert "so the forecast's past hours are lost at a restart" in keeper.troubles[0]
    assert len(told_of(keeper)[0]) == 5
    assert len(caplog.records) == 1


def test_a_file_alone_keeps_nothing_beside_the_log(tmp_path: Path) -> None:
    hours = tmp_path / "hours.json"
    hours.write_text(json.dumps(rows(0, 6, 10.0, made=iso(-2))))
    path = beside(tmp_path / "log.db")
    keeper = ForecastKeeper(ForecastConfig(file=hours), None, lambda: NOW_S, path)
    assert keeper.look()
    assert not path.exists()


def test_each_issue_is_handed_on_once_as_it_came(tmp_path: Path) -> None:
    keeper = ForecastKeeper(ForecastConfig(topic=TOPIC), None, lambda: NOW_S)
    assert heard(keeper, rows(-30, 40, 10.0, made=iso(-6)))
    assert heard(keeper, rows(0, 12, 14.0))
    (first, first_text), (second, second_text) = keeper.issues()
    assert keeper.issues() == []
    assert (first, second) == (NOW_S - 6 * 3600.0, NOW_S), "without a time of its own it is now's"
    with Store.open(tmp_path / "log.db", now_s=lambda: NOW_S) as store:
        for issued_s, text in ((first, first_text), (second, second_text), (first, "again")):
            store.add_forecast(issued_s, text)
        found = [issue_of(each) for each in store.forecasts(NOW_S - 7 * 3600.0)]
        assert len(store.forecasts(NOW_S - 3600.0)) == 1
    assert [each.made_s for each in found] == [first, second]
    # From the hour in which it was made to thirty hours on; what came later is not laid over it.
    assert found[0].time_s[[0, -1]].tolist() == [first, first + 29 * 3600.0]
    assert set(found[0].temp_c.tolist()) == {10.0}
    assert set(found[1].temp_c.tolist()) == {14.0, 10.0}


def test_watch_has_them_kept_beside_its_log(tmp_path: Path) -> None:
    config = Config((EnclosureConfig("tent", ()),), forecast=ForecastConfig(topic=TOPIC))
    for told in (rows(-6, 6, 10.0, made=iso(-6)), None):
        keeper = ForecastKeeper.of(config, lambda: NOW_S, tmp_path / "log.db")
        assert keeper is not None
        assert keeper.look() if told is None else heard(keeper, told)
        assert len(told_of(keeper)[0]) == 13
    assert [each.name for each in tmp_path.iterdir()] == ["log.db.forecast"]
