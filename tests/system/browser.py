"""A real chromium without a window, driven by its own protocol over a pipe: no port, no net."""

from __future__ import annotations

import json
import os
import select
import shutil
import subprocess
import time
from pathlib import Path
from typing import Any

PATIENCE_S = 60.0
NAMES = ("chromium", "chromium-browser", "google-chrome")


def chromium() -> str | None:
    """Return where the browser is, or None."""
    return next((found for name in NAMES if (found := shutil.which(name))), None)


class Browser:
    """One page at a time; keeps every console message, fault and request of it."""

    def __init__(self, folder: Path) -> None:
        program = chromium()
        assert program is not None
        to_read, self._write = os.pipe()
        self._read, to_write = os.pipe()
        words = [
            program,
            "--headless=new",
            "--remote-debugging-pipe",
            f"--user-data-dir={folder / 'profile'}",
            "--no-first-run",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--disable-background-networking",
            "--disable-component-update",
            "--host-resolver-rules=MAP * ~NOTFOUND",
            *(["--no-sandbox"] if os.geteuid() == 0 else []),
            "about:blank",
        ]
        # The protocol wants its pipe at 3 and 4, which only a shell can give it from here.
        self._process = subprocess.Popen(
            ["bash", "-c", f'exec "$@" 3<&{to_read} 4>&{to_write}', "browser", *words],
            pass_fds=(to_read, to_write),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_read)
        os.close(to_write)
        self._rest = b""
        self._number = 0
        self._session: str | None = None
        self._events: list[dict[str, Any]] = []
        pages = self.ask("Target.getTargets")["targetInfos"]
        target = next(each["targetId"] for each in pages if each["type"] == "page")
        self._session = self.ask("Target.attachToTarget", targetId=target, flatten=True)[
            "sessionId"
        ]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.ask(f"{domain}.enable")

    def ask(self, method: str, **parameters: object) -> dict[str, Any]:
        """Send one command and return its result; what is told meanwhile is kept."""
        self._number += 1
        number = self._number
        words: dict[str, object] = {"id": number, "method": method, "params": parameters}
        if self._session is not None:
            words["sessionId"] = self._session
        os.write(self._write, json.dumps(words).encode() + b"\0")
        until_s = time.monotonic() + PATIENCE_S
        while True:
            told = self._next(until_s)
            if told.get("id") == number:
                assert "error" not in told, f"{method}: {told['error']}"
                result: dict[str, Any] = told["result"]
                return result

    def _next(self, until_s: float) -> dict[str, Any]:
        while b"\0" not in self._rest:
            left_s = until_s - time.monotonic()
            ready, _, _ = select.select([self._read], [], [], max(0.0, left_s))
            part = os.read(self._read, 1 << 20) if ready else b""
            assert part, f"chromium said nothing more: {self._process.poll()}"
            self._rest += part
        line, self._rest = self._rest.split(b"\0", 1)
        told: dict[str, Any] = json.loads(line)
        if "method" in told:
            self._events.append(told)
        return told

    def open(self, page: Path, *, scheme: str = "light", width_px: int = 1000) -> None:
        """Open a file and wait until it is loaded."""
        self._events.clear()
        self.ask(
            "Emulation.setDeviceMetricsOverride",
            width=width_px,
            height=800,
            deviceScaleFactor=1,
            mobile=width_px < 600,
        )
        self.ask(
            "Emulation.setEmulatedMedia",
            features=[{"name": "prefers-color-scheme", "value": scheme}],
        )
        self.ask("Page.navigate", url=page.as_uri())
        until_s = time.monotonic() + PATIENCE_S
        while not any(each["method"] == "Page.loadEventFired" for each in self._events):
            self._next(until_s)

    def value_of(self, expression: str) -> Any:
        """Return what an expression is worth in the page."""
        found = self.ask("Runtime.evaluate", expression=expression, returnByValue=True)
        assert "exceptionDetails" not in found, found["exceptionDetails"]
        return found["result"].get("value")

    def complaints(self) -> list[str]:
        """Return what the page put on the console, or failed with."""
        kinds = ("Runtime.exceptionThrown", "Runtime.consoleAPICalled", "Log.entryAdded")
        return [json.dumps(each["params"]) for each in self._events if each["method"] in kinds]

    def requests(self) -> list[str]:
        """Return every address that the page asked for."""
        return [
            each["params"]["request"]["url"]
            for each in self._events
            if each["method"] == "Network.requestWillBeSent"
        ]

    def close(self) -> None:
        """End the browser."""
        try:
            self._session = None
            self.ask("Browser.close")
        except (AssertionError, OSError):
            self._process.kill()
        try:
            self._process.wait(timeout=PATIENCE_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        os.close(self._read)
        os.close(self._write)
