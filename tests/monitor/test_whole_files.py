"""Every file that is read whole, where something stands in its place that never ends or blocks."""

from __future__ import annotations

import errno
import gzip
import os
import socket
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.alarms.urls import read_urls
from monitor.config.load import load_config_file
from monitor.config.model import AlarmConfig, BrokerConfig
from monitor.job.read import read_job_file
from monitor.job.weather import read_year
from monitor.outlook.forecast import kept
from monitor.specs import find_spec
from rules.errors import FilmcallError
from sensors.forecast import read_forecast
from sensors.mqtt.broker import Broker, BrokerFault
from sensors.recording.layout import RecordingFault, sniff


def password(path: Path) -> object:
    return BrokerConfig(password_file=path).broker("shed-pi", {})


def tls(path: Path) -> object:
    return Broker(host="127.0.0.1", ca_file=path).tls_context()


def tls_key(path: Path) -> object:
    return Broker(host="127.0.0.1", cert_file=path, tls=True).tls_context()


READERS: dict[str, Callable[[Path], object]] = {
    "config": load_config_file,
    "spec": lambda path: find_spec(str(path)),
    "job": read_job_file,
    "forecast": read_forecast,
    "kept forecast": lambda path: kept(path, "weather/hours"),
    "weather year": read_year,
    "password": password,
    "alarm urls": lambda path: read_urls(AlarmConfig(urls_file=path), {}),
    "recording": sniff,
    "ca": tls,
    "certificate": tls_key,
}
LONG = 300_000_000


def stand_in(what: str, folder: Path) -> Path:
    path = folder / "x.toml"
    if what == "pipe":
        os.mkfifo(path)
    elif what == "device":
        return Path("/dev/zero")
    elif what == "folder":
        path.mkdir()
    elif what == "socket":
        with socket.socket(socket.AF_UNIX) as made:
            made.bind(str(path))
    elif what == "nothing":
        pass
    elif what == "name without end":
        return folder / ("x" * 5000)
    elif what == "long":
        path.touch(mode=0o600)
        os.truncate(path, LONG)
    else:
        path.write_bytes(gzip.compress(b"name = 'x'"))
        path.chmod(0o600)
    return path


@pytest.mark.parametrize("what", ["pipe", "device", "folder", "socket", "nothing", "long", "gzip"])
@pytest.mark.parametrize("reader", READERS)
def test_what_is_no_such_file_is_refused_in_one_sentence(
    reader: str, what: str, tmp_path: Path
) -> None:
    path = stand_in(what, tmp_path)
    if (reader, what) == ("kept forecast", "nothing"):
        assert READERS[reader](path) is None
        return
    with pytest.raises((FilmcallError, RecordingFault, BrokerFault)) as caught:
        READERS[reader](path)
    said = str(caught.value)
    assert "\n" not in said
    assert said.isprintable()
    # A spec's name is looked for as a file; what is none there is no spec of that name.
    if reader == "spec" and what not in ("long", "gzip"):
        assert "is neither a shipped spec nor a file" in said
    elif what == "gzip" and reader in ("config", "spec", "job", "password", "alarm urls"):
        assert "compressed by gzip" in said
    elif what == "gzip" and reader in ("forecast", "recording"):
        assert f"{path} is compressed by gzip, so " in said
    elif what == "long" and reader != "recording":
        assert "is longer than" in said
    elif what == "folder":
        assert "it is a folder" in said
    elif what in ("pipe", "device", "socket"):
        assert "it is no plain file" in said
    elif what == "nothing":
        assert "no such file or directory" in said


@pytest.mark.parametrize("reader", [each for each in READERS if each != "kept forecast"])
def test_a_name_that_no_file_system_takes_is_refused(reader: str, tmp_path: Path) -> None:
    with pytest.raises((FilmcallError, RecordingFault, BrokerFault)):
        READERS[reader](stand_in("name without end", tmp_path))


def test_a_spreadsheet_given_as_a_recording_is_named(tmp_path: Path) -> None:
    path = tmp_path / "log.xlsx"
    path.write_bytes(b"PK\x03\x04" + bytes(100))
    with pytest.raises(RecordingFault, match=r"is compressed by zip, as a spreadsheet is too, so"):
        sniff(path)


def test_a_file_is_text_without_its_mark_and_its_lines_end_one_way(tmp_path: Path) -> None:
    path = tmp_path / "shed.toml"
    path.write_bytes(b"\xef\xbb\xbf[[enclosure]]\r\nname = 'tent'\r\nspek = 1\r\n")
    with pytest.raises(FilmcallError, match=r"line 3, enclosure\[1\].spek"):
        load_config_file(path)


def test_a_dying_card_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "shed.toml"
    path.write_text("[[enclosure]]")

    def failing(*_: object, **__: object) -> int:
        raise OSError(errno.EIO, os.strerror(errno.EIO), str(path))

    monkeypatch.setattr(os, "open", failing)
    with pytest.raises(FilmcallError, match=r"cannot be read \(input/output error\), so no point"):
        load_config_file(path)
