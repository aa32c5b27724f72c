"""What the broker keeps on topics of ours and should not: events, another station's calls."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from functools import partial

from monitor.config.model import PublishConfig
from monitor.doctor.checks import Check, CheckResult
from monitor.live.twins import FIX, Twins, lines_of
from rules.text import counted, printable
from sensors.mqtt.events import EventEar


class KeptTopics:
    """Hears what the broker keeps on the topics of our enclosures. Door: `checks`.

    Attributes:
        plain: topics of calls, and what takes their payload.
        ear: hears events; none is recorded here.
    """

    def __init__(
        self, publish: PublishConfig, enclosures: Iterable[str], now_s: Callable[[], float]
    ) -> None:
        """Begin with nothing heard.

        Args:
            publish: where our calls go.
            enclosures: by name.
            now_s: the clock [s].
        """
        self._names = tuple(enclosures)
        self._own: dict[str, str] = {}
        self._twins = Twins(publish.station, "", now_s, time.monotonic, by_station=True)
        self._base = publish.base
        self.plain: dict[str, Callable[[bytes], None]] = {
            f"{publish.base}/{name}/call": partial(self._heard, name) for name in self._names
        }
        self.ear = EventEar(publish.base, self._names, time.monotonic)

    def _heard(self, enclosure: str, payload: bytes) -> None:
        self._twins.heard(enclosure, payload)
        # A running watch has listened for longer than a look does.
        said = next((line for line in lines_of(payload) if FIX in line), "")
        if said:
            self._own[enclosure] = printable(said, 300)

    def checks(self) -> list[Check]:
        """Return a line for each thing that stands there and should not, or that nothing does."""
        found = []
        for name in self._names:
            said = self._twins.sentence(name) or self._own.get(name, "")
            if said:
                found.append(Check("broker", f"{name} station", CheckResult.BAD, said))
        for press in self.ear.take(1000):
            if "never retained" in press.fault:
                topic = f"{self._base}/{press.enclosure}/event"
                text = (
                    f"{topic} or a topic below it keeps an event, which is refused at each start. "
                    "Clear it: publish nothing there, with the retain flag; and send without it."
                )
                found.append(Check("broker", f"{press.enclosure} event", CheckResult.BAD, text))
        if not found:
            text = f"no other station tells of {counted(len(self._names), 'enclosure')} of ours"
            found.append(Check("broker", "stations", CheckResult.OK, text))
        return found
