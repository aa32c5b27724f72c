"""What the fuzzer feeds: every door through which text from outside comes, and what holds there.

Whatever comes in is read or refused by an exception of the program's own; nothing else may come
out, no figure that is not finite, and no value that an independent reader would not have read.
"""

from __future__ import annotations

import json
import math
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal, InvalidOperation
from functools import cache
from pathlib import Path

from monitor.config.load import check_config, load_config
from monitor.job.read import read_job
from monitor.live.witness import _read as read_seal
from monitor.times import moment_s
from rules.errors import FilmcallError
from rules.numbers import number
from rules.spec.read import check_spec, load_spec
from rules.units import _FACTORS, amount, range_ends, temperature_c
from sensors.forecast import forecast_of_json, read_forecast
from sensors.mqtt.json_strict import parse_json
from sensors.mqtt.payload import PayloadFormat, PayloadSource, decode
from sensors.reading import Quality, Quantity
from sensors.recording.layout import RecordingFault
from sensors.recording.open import open_recording
from sensors.recording.times import parse_time, time_form
from sensors.wire import PayloadFault

ROOT = Path(__file__).parents[2]
KEPT = ROOT / "tests" / "data" / "fuzz"
MOST_BYTES = 65_536
NOW_S = 1.8e9

REFUSALS = (FilmcallError, RecordingFault, PayloadFault)
"""What a reader may raise, whatever it is given."""


@dataclass(frozen=True, slots=True)
class Target:
    """One door.

    Attributes:
        name: of it.
        run: reads one input, and raises what is none of `REFUSALS` where that is a fault.
        seeds: sound inputs to begin from.
        words: what its grammar is made of.
    """

    name: str
    run: Callable[[bytes], None]
    seeds: tuple[bytes, ...]
    words: tuple[bytes, ...]


def _source(form: PayloadFormat, **places: str | None) -> PayloadSource:
    return PayloadSource(
        "tent", "bow", Quantity.AIR_TEMP, "degC", "shed/bow", payload=form, **places
    )


SOURCES = (
    _source(PayloadFormat.AUTO),
    _source(PayloadFormat.PLAIN),
    _source(PayloadFormat.JSON, value_path="temperature", time_path="time", unit_path="unit"),
    _source(PayloadFormat.AUTO, value_path="probes.id=hull.t"),
    _source(PayloadFormat.SENML, value_path="bow"),
)


def payload(data: bytes) -> None:
    """Decode one message for each kind of source."""
    for source in SOURCES:
        try:
            decoded = decode(data, source, received_s=NOW_S, retained=len(data) % 2 == 0)
        except PayloadFault:
            continue
        for reading in decoded.readings:
            assert math.isfinite(reading.time_s)
            assert reading.time_s <= NOW_S, "a reading never lies in the future"
            assert math.isfinite(reading.value) or reading.quality is Quality.MISSING
            if source.payload is PayloadFormat.PLAIN and reading.quality is Quality.OK:
                assert reading.value == _independently(data), data


def _independently(data: bytes) -> float:
    """The number that a whole message is, by the standard library's own reader of decimals."""
    try:
        return float(Decimal(data.decode("utf-8-sig").strip(" \t\r\n\0")))
    except (UnicodeDecodeError, InvalidOperation):
        return math.nan


def text_of(data: bytes) -> str:
    """Return the text of an input, whatever its bytes."""
    return data.decode("utf-8", "replace")


def spec(data: bytes) -> None:
    """Check a spec, and load it where it has no fault."""
    text = text_of(data)
    faults = check_spec(text, "fuzz")
    assert "\n" not in "".join(map(str, faults))
    if not faults:
        load_spec(text, "fuzz")


def config(data: bytes) -> None:
    """Check a config, and load it where it has no fault."""
    text = text_of(data)
    faults = check_config(text)
    assert all("\n" not in str(fault) for fault in faults)
    if not faults:
        load_config(text, ROOT / "deploy")


def job(data: bytes) -> None:
    """Read a job."""
    read_job(text_of(data), "fuzz.toml", ROOT / "examples" / "workboat", date(2026, 4, 20))


def forecast_json(data: bytes) -> None:
    """Read hours from JSON."""
    _whole_hours(lambda: forecast_of_json(text_of(data), "fuzz"))


def forecast_csv(data: bytes) -> None:
    """Read hours from a file of any kind."""
    path = _file(data)
    _whole_hours(lambda: read_forecast(path, timezone="Europe/Brussels"))


def _whole_hours(read: Callable[[], object]) -> None:
    hours = read()
    assert (hours.time_s >= 0.0).all()  # type: ignore[attr-defined]
    assert (hours.temp_c > -100.0).all()  # type: ignore[attr-defined]
    assert (hours.temp_c < 100.0).all()  # type: ignore[attr-defined]


def recording(data: bytes) -> None:
    """Open a recording and read it to its end."""
    found = open_recording(_file(data), None, enclosure="tent", timezone="America/New_York")
    for row in found:
        for reading in row:
            assert 0.0 <= reading.time_s + 86_400.0 < 4.2e9
            assert math.isfinite(reading.value) or reading.quality is not Quality.OK
    assert all(each.why for each in found.skipped)


@cache
def _folder() -> Path:
    shared = Path("/dev/shm")
    return Path(tempfile.mkdtemp(prefix="fuzz", dir=shared if shared.is_dir() else None))


def _file(data: bytes) -> Path:
    path = _folder() / "fuzz.csv"
    path.write_bytes(data)
    return path


def figures(data: bytes) -> None:
    """Read a figure in every unit, a temperature, a range and a number."""
    text = text_of(data)
    readers = [
        lambda to=to: amount(text, to, difference=to == "K") for to in (*_FACTORS, "K", "degC")
    ]
    readers.append(lambda: temperature_c(text))
    for read in readers:
        try:
            found = read()
        except FilmcallError as refused:
            said = str(refused)
        else:
            said = f"{found:g}"
        assert said.isprintable()
        assert said not in ("nan", "inf", "-inf")
    range_ends(text)
    for decimal in ".,":
        found = number(text, decimal)
        if found is not None:
            plain = text.strip().replace("−", "-").replace(",", ".")
            assert found == float(Decimal(plain))


def times(data: bytes) -> None:
    """Read a time as people type it and as loggers write it."""
    text = text_of(data)
    for zone in (None, "Europe/Brussels"):
        try:
            assert math.isfinite(moment_s(text, NOW_S, zone))
        except FilmcallError:
            continue
    for order in ("day first", "month first", "year first"):
        time_form([text], order=order)
        try:
            parse_time(text, order)
        except ValueError:
            continue


def strict_json(data: bytes) -> None:
    """Read JSON strictly, and a seal that a broker keeps."""
    read_seal(data)
    text = text_of(data)
    found = parse_json(text)
    assert found == json.loads(text)


def _files(*patterns: str, most: int = 6000) -> tuple[bytes, ...]:
    """The beginnings of files of the project."""
    found = [path for pattern in patterns for path in sorted(ROOT.glob(pattern))]
    return tuple(path.read_bytes()[:most] for path in found)


def _words(*words: str) -> tuple[bytes, ...]:
    return tuple(word.encode() for word in words)


_TOML = _words(
    "\n", " = ", '"', "'", "[", "]", "[[", "]]", "{ ", " }", ".", '"""', "#", "0x", "1e999", "inf",
    "nan", "-", "true", "\\u0000", "\\", "3 K", "85 %", "16 h", "hh", "°F", "~nobody/", "/dev/zero",
    "2026-04-25", "9999-12-31T23:59:59Z", "0001-01-01", "?", "unlimited", "-1", "1e-9 s",
)  # fmt: skip
_TIMES = _words(
    "2026-04-25", "T14:30", "14:30", "Z", "+02:00", "-23:59", "9999-12-31", "0001-01-01", "AM",
    "pm", "25. avr. 2026", "1770000000", "1770000000000", "46137.5", "20260425143000", "24:00",
    "02-29",
)  # fmt: skip
_JSON = _words(
    "{", "}", "[", "]", ":", ",", '"', "null", "true", "NaN", "-Infinity", "1e999", "1e-999",
    '"temperature"', '"time"', '"unit"', '"bow"', '"n"', '"v"', '"u"', '"bt"', '"bn"', '"Cel"',
    '"t"', "\\ud800", "\\u0000", "9" * 40, "-0.0",
)  # fmt: skip
_CSV = _words(
    ",", ";", "\t", "\n", "\r\n", "\r", '"', '""', "#", "time", "temp", "rh", "surface", "°F",
    "NaN", "--", "21,5", "21.5 °C", "\0", "\ufeff", "value", "sensor", "Date", "1e308", "inf", " ",
)  # fmt: skip


def _cut(texts: Sequence[bytes], lines: int) -> tuple[bytes, ...]:
    return tuple(b"".join(text.splitlines(keepends=True)[:lines]) for text in texts)


HOURS = (
    b'[{"time":"2026-04-25T12:00Z","temp":11.5,"dew_point":7.0,"sun":100},'
    b'{"time":"2026-04-25T13:00Z","temp":12.0,"dew_point":7.2,"sun":90}]',
    b'{"made":"2026-04-25T06:00Z","hourly":{"time":[1777118400,1777122000],"temp":[11,12],'
    b'"rh":[70,71]}}',
    b"time,temperature,dew_point\n2026-04-25T12:00Z,11.5,7.0\n2026-04-25T13:00Z,12.0,7.2\n",
)
FIGURES = tuple(
    each.encode()
    for each in ("3 K", "50 degF", "16 h 30 min", "85 %", "10 lb/gal", "140 sq. ft.", "1e3 um",
                 "30-85 %", "-0,5 h", "70F", "6 nan", "−5 °C", "2 US gal")
)  # fmt: skip

TARGETS = {
    each.name: each
    for each in (
        Target("payload", payload, _files("deploy/payloads/*.[jt]*"), _JSON),
        Target("json", strict_json, _files("deploy/payloads/*.json") + HOURS[:2], _JSON),
        Target("figures", figures, FIGURES, FIGURES + _TOML),
        Target("times", times, _TIMES, _TIMES + _CSV[-1:]),
        Target(
            "spec", spec, _files("rules/specs/*.toml", "tests/sheets/*.toml"), _TOML + FIGURES
        ),
        Target(
            "config", config, _files("deploy/*.toml", "examples/workboat/polytunnel.toml"), _TOML
        ),
        Target("job", job, _files("examples/workboat/workboat.toml"), _TOML + FIGURES),
        Target("forecast-json", forecast_json, HOURS[:2], _JSON + _TIMES),
        Target(
            "forecast-csv", forecast_csv, (*HOURS, *_cut(_files("examples/workboat/creek.csv"), 8)),
            _CSV + _TIMES,
        ),
        Target(
            "recording", recording,
            _cut(_files("examples/recordings/*.csv", "examples/workboat/night.csv",
                        "examples/walks/*.csv", "examples/recordings/*.dat"), 12),
            _CSV + _TIMES,
        ),
    )
}  # fmt: skip


def refused_or_read(target: Target, data: bytes) -> str:
    """Feed one input and return what became of it, in a few words.

    Raises:
        BaseException: what is a fault of the program.
    """
    try:
        target.run(data)
    except REFUSALS as refused:
        return type(refused).__name__ + ": " + str(refused)
    return "read"
