"""How soon page and yard say NO CALL once something between shed and eye has died.

    python -m benchmarks.yard_deaths [--times 5]

A real watch, broker, page server and yard, and the page in a real browser, with three lines that
can go dark: shed to broker, broker to the listeners, page server to phone. Each part dies by
itself, as a power cut or a radio out of reach would have it, and is brought back; the time is
taken from its death until the page's own text and the yard's line say that there is no call. What
does not stand between the shed and the yard leaves the yard its word, and no time is given.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support")]

from crash import command, environment  # noqa: E402
from playwright.sync_api import sync_playwright  # noqa: E402

from benchmarks.watch import SPEC, SPEC_CALL  # noqa: E402
from benchmarks.yard import PLANKS, config_text, enclosure_name  # noqa: E402
from monitor.contract import VALID_S  # noqa: E402
from monitor.listen.yard import NO_WORD  # noqa: E402
from tests.system.broker import RealBroker, Sensor, free_port  # noqa: E402
from tests.system.browser import chromium  # noqa: E402
from tests.system.proxy import DarkProxy  # noqa: E402

NAME = enclosure_name(0, 0)
WORD = f"document.querySelector('[data-enclosure=\"{NAME}\"]')?.dataset.word"
PATIENCE_S = VALID_S + 30.0
LOOK_EVERY_S = 0.02
TARGET_S = 10.0
TARGETS_S = {"line shed to broker": 21.0}  # one and a half keepalives and the broker's own look


class Scene:
    """Everything from shed to eye."""

    def __init__(self, folder: Path, browser: Any) -> None:
        """Start it all."""
        self._folder = folder
        (folder / "quick.toml").write_text(SPEC.read_text(encoding="utf-8") + SPEC_CALL)
        self.broker = RealBroker(folder, config="allow_anonymous true\nset_tcp_nodelay true")
        self.broker.start()
        self.from_shed, self.to_listeners = (DarkProxy(self.broker.port) for _ in range(2))
        for name, proxy in (("watch", self.from_shed), ("page", self.to_listeners)):
            (folder / f"{name}.toml").write_text(config_text(proxy.port, 0, 1))
        self._page_port = free_port()
        self.to_phone = DarkProxy(self._page_port)
        threading.Thread(target=self._send, daemon=True).start()
        self.watch, self.server = self._start_watch(), self._start_server()
        self.yard_word, self.yard_none_s = NO_WORD, 0.0
        listeners = f"127.0.0.1:{self.to_listeners.port}"
        self.yard = subprocess.Popen(
            command("yard", "--broker", listeners, "--json"),
            env=environment(), stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        threading.Thread(target=self._hear_yard, daemon=True).start()
        self.page = browser.new_page()
        until_s = time.monotonic() + PATIENCE_S
        while True:
            try:
                self.page.goto(f"http://127.0.0.1:{self.to_phone.port}/")
                break
            except Exception:
                if time.monotonic() > until_s:
                    raise
                time.sleep(0.2)

    def _send(self) -> None:
        sensor: Sensor | None = None
        while True:
            now_s = time.time()
            air = {"t": 20.0, "rh": 50.0 + 0.1 * (int(now_s) % 5), "at": now_s}
            messages = [(f"{NAME}/air", air)]
            messages += [(f"{NAME}/plank/{k}", {"v": 19.0, "at": now_s}) for k in range(PLANKS)]
            try:
                sensor = sensor or Sensor(self.broker.port, "deaths-sensors")
                for topic, body in messages:
                    sensor.client.publish(topic, json.dumps(body), 0)
            except OSError:
                sensor = None
            time.sleep(1.0)

    def _start(self, *words: str) -> subprocess.Popen[bytes]:
        with (self._folder / "said.txt").open("ab") as out:
            return subprocess.Popen(command(*words), env=environment(), stdout=out, stderr=out)

    def _start_watch(self) -> subprocess.Popen[bytes]:
        config, log = self._folder / "watch.toml", self._folder / "log.db"
        return self._start("watch", "--config", str(config), "--plain", "--db", str(log))

    def _start_server(self) -> subprocess.Popen[bytes]:
        config = self._folder / "page.toml"
        return self._start("page", "--config", str(config), "--port", str(self._page_port))

    def _hear_yard(self) -> None:
        assert self.yard.stdout is not None
        for line in self.yard.stdout:
            at_s, row = time.monotonic(), json.loads(line)
            if row["word"] == NO_WORD != self.yard_word:
                self.yard_none_s = at_s
            self.yard_word = row["word"]

    def page_word(self) -> str:
        """Return what the page shows now; before it shows anything, that there is no word."""
        return str(self.page.evaluate(WORD) or NO_WORD)

    def settle(self) -> None:
        """Wait until page and yard have a word, and have had it for a moment."""
        until_s = time.monotonic() + PATIENCE_S
        while NO_WORD in (self.page_word(), self.yard_word):
            if time.monotonic() > until_s:
                raise RuntimeError(f"no word: page {self.page_word()}, yard {self.yard_word}")
            time.sleep(0.1)
        time.sleep(2.0)

    def deaths(self) -> dict[str, tuple[Callable[[], object], Callable[[], object], bool]]:
        """Return what can die: how, how it comes back, and whether the yard loses its word."""

        def end(process: subprocess.Popen[bytes]) -> None:
            process.kill()
            process.wait()

        def again(name: str, start: Callable[[], object]) -> None:
            setattr(self, name, start())

        return {
            "watch": (
                lambda: end(self.watch), lambda: again("watch", self._start_watch), True,
            ),
            "broker": (self.broker.kill, self.broker.start, True),
            "line shed to broker": (self.from_shed.dark, self.from_shed.light, True),
            "line broker to listeners": (self.to_listeners.dark, self.to_listeners.light, True),
            "line page server to phone": (self.to_phone.dark, self.to_phone.light, False),
            "page server": (
                lambda: end(self.server), lambda: again("server", self._start_server), False,
            ),
        }  # fmt: skip

    def end(self) -> None:
        """End everything."""
        for each in (self.watch, self.server, self.yard):
            each.kill()
            each.wait()
        for proxy in (self.from_shed, self.to_listeners, self.to_phone):
            proxy.close()
        self.broker.stop()


def taken_away(
    scene: Scene, die: Callable[[], object], *, yard: bool
) -> tuple[float, float | None]:
    """Return how long after a death the page, and the yard where it has to, had no word [s]."""
    scene.settle()
    died_s = time.monotonic()
    die()
    page_s: float | None = None
    while page_s is None or (yard and scene.yard_none_s < died_s):
        now_s = time.monotonic()
        if now_s - died_s > PATIENCE_S:
            raise RuntimeError(f"page {scene.page_word()}, yard {scene.yard_word} after all this")
        if page_s is None and scene.page_word() == NO_WORD:
            page_s = time.monotonic() - died_s
        time.sleep(LOOK_EVERY_S)
    if not yard and scene.yard_word == NO_WORD:
        raise RuntimeError("the yard has lost its word, and nothing of its own had died")
    return page_s, scene.yard_none_s - died_s if yard else None


def main() -> None:
    """Let each part die some times and print; end with 1 where a word stood too long."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=5)
    asked, good = parser.parse_args(), True
    with tempfile.TemporaryDirectory(prefix="filmcall-deaths-") as name, sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=chromium(), args=["--no-sandbox"] if os.geteuid() == 0 else []
        )
        scene = Scene(Path(name), browser)
        try:
            for what, (die, back, yard) in scene.deaths().items():
                found = []
                for _ in range(asked.times):
                    found.append(taken_away(scene, die, yard=yard))
                    back()
                page, of_yard = zip(*found, strict=True)
                target_s = TARGETS_S.get(what, TARGET_S)
                told = [("page", page), *([("yard", of_yard)] if yard else [])]
                said = ", ".join(
                    f"{who} {min(times):.2f} to {max(times):.2f} s" for who, times in told
                )
                print(f"NO CALL after death of {what}: {said} (at most {target_s:.0f})", flush=True)
                good &= all(max(times) <= target_s for _, times in told)
        finally:
            scene.end()
            browser.close()
    print(f"{asked.times} each, load {os.getloadavg()[0]:.1f}")
    sys.exit(0 if good else 1)


if __name__ == "__main__":
    main()
