"""The notify protocol played on real datagram sockets, with the test in the manager's place.

Sources: sd_notify(3), sd_watchdog_enabled(3) and unix(7), as installed with systemd 252; the
message of `systemd-notify`, systemd's own sender, is the reference where that program is there.
"""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.live.service import Notifier, NotifyFault


class Manager:
    """What the service manager holds: a datagram socket that it reads when it likes."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind("\0" + address[1:] if address[0] == "@" else address)
        self.socket.setblocking(False)

    def messages(self) -> list[str]:
        """Return all datagrams that lie there."""
        found: list[str] = []
        while True:
            try:
                found.append(self.socket.recv(4096).decode("utf-8"))
            except BlockingIOError:
                return found


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Manager]:
    """Yield a manager that listens at a path, and one that listens at an abstract name."""
    name = f"@filmcall-test-{os.getpid()}" if request.param == "abstract" else str(tmp_path / "n")
    made = Manager(name)
    yield made
    made.socket.close()


class Clock:
    """A monotonic clock that the test moves."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


def test_a_life_from_ready_to_stopping(manager: Manager) -> None:
    notifier = Notifier(manager.address, "30000000")
    assert notifier.ready("HOLD polytunnel")
    assert notifier.alive()
    assert notifier.status("GO polytunnel")
    assert notifier.stopping()
    assert manager.messages() == [
        "READY=1\nSTATUS=HOLD polytunnel",
        "WATCHDOG=1",
        "STATUS=GO polytunnel",
        "STOPPING=1",
    ]
    notifier.close()
    assert not notifier.ready()
    assert notifier.failed == 0


def test_the_same_fields_as_systemds_own_sender(manager: Manager) -> None:
    program = shutil.which("systemd-notify")
    if program is None:
        pytest.skip("systemd-notify is not installed")
    subprocess.run(
        [program, "--no-block", "--ready", "--status=GO polytunnel: äß °C", "WATCHDOG=1"],
        env={"NOTIFY_SOCKET": manager.address},
        check=True,
        timeout=20,
    )
    reference = {line for message in manager.messages() for line in message.splitlines()}
    notifier = Notifier(manager.address, "30000000")
    notifier.ready("GO polytunnel: äß °C")
    notifier.alive()
    ours = {line for message in manager.messages() for line in message.splitlines()}
    # systemd-notify adds MAINPID, since it is another process than the service.
    assert ours == {line for line in reference if not line.startswith("MAINPID=")}


def test_alive_is_sent_a_third_of_the_limit_apart_and_no_oftener(manager: Manager) -> None:
    clock = Clock()
    notifier = Notifier(manager.address, "30000000", monotonic=clock)
    assert notifier.watchdog_s == 30.0
    assert notifier.interval_s == 10.0
    sent = []
    for second in range(61):
        clock.now_s = 1000.0 + second
        if notifier.alive():
            sent.append(second)
    assert sent == [0, 10, 20, 30, 40, 50, 60]
    assert manager.messages() == ["WATCHDOG=1"] * 7


def test_a_loop_that_stands_still_sends_nothing(manager: Manager) -> None:
    clock = Clock()
    notifier = Notifier(manager.address, "30000000", monotonic=clock)
    notifier.ready()
    manager.messages()
    clock.now_s += 3600.0
    assert manager.messages() == []


def test_without_a_watchdog_alive_says_nothing(manager: Manager) -> None:
    notifier = Notifier(manager.address)
    assert notifier.interval_s is None
    assert not notifier.alive()
    assert notifier.ready()
    assert manager.messages() == ["READY=1"]


@pytest.mark.parametrize("environment", [{}, {"NOTIFY_SOCKET": ""}])
def test_in_a_shell_nothing_is_sent_and_nothing_fails(environment: dict[str, str]) -> None:
    notifier = Notifier.from_environment(environment, pid=1)
    assert not notifier.ready("x")
    assert not notifier.status("x")
    assert not notifier.alive()
    assert not notifier.stopping()
    assert notifier.failed == 0


def test_a_watchdog_for_another_process_is_left_alone(manager: Manager) -> None:
    environment = {
        "NOTIFY_SOCKET": manager.address,
        "WATCHDOG_USEC": "30000000",
        "WATCHDOG_PID": "12",
    }
    assert Notifier.from_environment(environment, pid=12).watchdog_s == 30.0
    other = Notifier.from_environment(environment, pid=13)
    assert other.watchdog_s is None
    assert not other.alive()
    assert other.ready()


def test_text_from_the_wire_cannot_begin_another_field(manager: Manager) -> None:
    notifier = Notifier(manager.address)
    notifier.status("point 'a\nWATCHDOG=1\nSTOPPING=1\x1b[2J'")
    (message,) = manager.messages()
    assert message == "STATUS=point 'a\\x0aWATCHDOG=1\\x0aSTOPPING=1\\x1b[2J'"
    notifier.status("x" * 100_000)
    (message,) = manager.messages()
    assert len(message) == len("STATUS=") + 200


def test_a_manager_that_is_gone_is_counted_and_does_not_end_the_watching(tmp_path: Path) -> None:
    manager = Manager(str(tmp_path / "n"))
    clock = Clock()
    notifier = Notifier(manager.address, "3000000", monotonic=clock)
    manager.socket.close()
    assert not notifier.ready()
    assert not notifier.alive()
    assert notifier.failed == 2
    # The next turn tries again at once, since the manager has heard nothing yet.
    (tmp_path / "n").unlink()
    again = Manager(str(tmp_path / "n"))
    assert notifier.alive()
    assert again.messages() == ["WATCHDOG=1"]
    again.socket.close()


def test_a_manager_that_does_not_read_does_not_hold_up_the_watching(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.live.service._SEND_TIMEOUT_S", 0.02)
    manager = Manager(str(tmp_path / "n"))
    notifier = Notifier(manager.address)
    # unix(7): a receiver's queue holds max_dgram_qlen datagrams, after which a sender waits.
    for _ in range(5000):
        if not notifier.status("full"):
            break
    assert notifier.failed == 1
    manager.messages()
    assert notifier.status("read again")
    manager.socket.close()


@pytest.mark.parametrize("address", ["shed", "vsock:2:1234", "/", "@"])
def test_an_address_of_another_kind_is_refused_by_name(address: str) -> None:
    with pytest.raises(NotifyFault, match="is neither a path from / nor an abstract name from @"):
        Notifier(address)


def test_a_name_too_long_for_a_socket_is_refused() -> None:
    Notifier("@" + "a" * 106)
    with pytest.raises(NotifyFault, match="is 108 bytes long, and a socket's name has at most 107"):
        Notifier("@" + "a" * 107)


@pytest.mark.parametrize("text", ["", "0", "-1", "1.5", "3 0", "٣", "9" * 30, "soon\n"])
def test_a_watchdog_time_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(NotifyFault, match="is not a whole number above 0"):
        Notifier(None, text)
