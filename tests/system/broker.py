"""A real mosquitto on a free loopback port, for tests and benchmarks; ended by its own pid."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

# Debian puts the broker where an ordinary account's PATH does not look.
_PLACES = ("/usr/sbin/mosquitto", "/usr/local/sbin/mosquitto", "/opt/homebrew/sbin/mosquitto")


def mosquitto() -> str | None:
    """Return the path of the broker, or None where it is not installed."""
    found = shutil.which("mosquitto")
    return found or next((place for place in _PLACES if Path(place).is_file()), None)


def free_port() -> int:
    """Return a loopback port that nobody listens on at this moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class RealBroker:
    """One mosquitto process with a config of its own."""

    def __init__(
        self, folder: Path, *, config: str = "allow_anonymous true", port: int | None = None
    ) -> None:
        """Prepare; `config` follows the listener line of the file.

        The queue for a client that falls behind is unbounded, because by default the broker
        drops what is beyond 1,000 messages without a word, and tests count.
        """
        self.port = port or free_port()
        self._folder = folder
        self._config = folder / f"mosquitto-{self.port}.conf"
        self._log = folder / f"mosquitto-{self.port}.log"
        # `user` is the account that a broker started by root goes down to, which could not read
        # a temporary folder; other accounts ignore the line.
        user = "user root\n" if os.geteuid() == 0 else ""
        self._config.write_text(
            f"listener {self.port} 127.0.0.1\n{user}max_queued_messages 0\n{config}\n"
        )
        self._process: subprocess.Popen[bytes] | None = None

    def start(self, timeout_s: float = 60.0) -> None:
        """Start it and wait until it listens."""
        program = mosquitto()
        if program is None:
            raise RuntimeError("mosquitto is not installed")
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [program, "-c", str(self._config), "-v"], stdout=log, stderr=log
            )
        until = time.monotonic() + timeout_s
        while time.monotonic() < until:
            if self._process.poll() is not None:
                break
            try:
                socket.create_connection(("127.0.0.1", self.port), 0.2).close()
            except OSError:
                time.sleep(0.02)
            else:
                return
        self.stop()
        raise RuntimeError(f"mosquitto does not start: {self.log()[-600:]}")

    def stop(self) -> None:
        """End it as a service manager would."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it as a power cut would."""
        self._end(signal.SIGKILL)

    def pause(self) -> None:
        """Freeze it: the line stays open and nothing answers."""
        self._signal(signal.SIGSTOP)

    def resume(self) -> None:
        """Let it go on."""
        self._signal(signal.SIGCONT)

    def reload(self) -> None:
        """Let it read its password and access files again."""
        self._signal(signal.SIGHUP)

    def restart(self) -> None:
        """Stop and start it on the same port."""
        self.stop()
        self.start()

    def log(self) -> str:
        """Return what it has written."""
        return self._log.read_text(errors="replace") if self._log.exists() else ""

    def _signal(self, number: signal.Signals) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(number)

    def _end(self, number: signal.Signals) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        if process.poll() is None:
            process.send_signal(number)
            if number != signal.SIGKILL:  # a frozen one hears of it only when it goes on
                process.send_signal(signal.SIGCONT)
        try:
            process.wait(20.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(20.0)


class Sensor:
    """A client that publishes as sensors do; every message is acknowledged before it returns."""

    def __init__(
        self,
        port: int,
        client_id: str = "sensor",
        username: str | None = None,
        password: str | None = None,
    ) -> None:
        """Connect."""
        self.client = paho.Client(CallbackAPIVersion.VERSION2, client_id=client_id)
        if username is not None:
            self.client.username_pw_set(username, password)
        self.client.max_inflight_messages_set(200)
        self.client.max_queued_messages_set(0)
        self.client.connect("127.0.0.1", port, 30)
        self.client.loop_start()

    def send(self, topic: str, payload: bytes | str, *, retain: bool = False) -> None:
        """Publish at QoS 1 and wait for the acknowledgement."""
        self.client.publish(topic, payload, 1, retain).wait_for_publish(60.0)

    def send_all(self, messages: list[tuple[str, bytes]]) -> None:
        """Publish many at QoS 1, then wait until all are acknowledged."""
        infos = [self.client.publish(topic, payload, 1) for topic, payload in messages]
        for info in infos:
            info.wait_for_publish(60.0)

    def close(self) -> None:
        """Disconnect."""
        self.client.disconnect()
        self.client.loop_stop()
