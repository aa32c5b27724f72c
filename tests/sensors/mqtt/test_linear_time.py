"""No message costs more than linear time: operations are counted as the message grows.

What runs in C has no steps to count, so it is the growth of the process's own time from 8 to 64 KB
that is judged: eightfold where it is linear, 64-fold where it is a square.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable

import pytest

from sensors.mqtt.payload import Message, PayloadSource
from sensors.reading import Quantity
from sensors.wire import PayloadFault

HOSTILE: dict[str, Callable[[int], str]] = {
    "escaped quotes after brackets": lambda n: "[" * 33 + '"' + '\\"' * (n // 2),
    "escaped quotes in an object": lambda n: '{"v":' + "[" * 33 + '"' + '\\"' * (n // 2),
    "backslashes": lambda n: "{" * 33 + '"' + "\\" * n,
    "quotes": lambda n: "{" * 33 + '"' * n,
    "open strings with nan": lambda n: '{"v": nan, "' + '\\"nan' * (n // 5),
    "digits": lambda n: '{"v": ' + "9" * n + "}",
    "digits after the point": lambda n: '{"v": 0.' + "3" * n + "}",
    "signs": lambda n: "+-" * (n // 2),
    "a long base name": lambda n: (
        '[{"bn":"'
        + "a" * (n // 2)
        + '","n":"b","u":"Cel","v":1}'
        + ',{"n":"a","v":1}' * (n // 32)
        + "]"
    ),
    "names that stay under the bound": lambda n: (
        '[{"bn":"' + "a" * 400 + '","n":"b","u":"Cel","v":1}' + ',{"n":"a","v":1}' * (n // 16) + "]"
    ),
    "many keys": lambda n: "{" + ",".join(f'"{k}":1' for k in range(n // 8)) + "}",
    "spaces": lambda n: " " * n + "21",
}
SIZES = (8_000, 64_000)
SOURCES = [
    PayloadSource("tent", "a", Quantity.AIR_TEMP, "degC", "t"),
    PayloadSource("tent", "b", Quantity.AIR_TEMP, "degC", "t", "v"),
]


def cost_s(text: str) -> float:
    """The least of three runs, by the process's own time, which no other program adds to."""
    found = []
    for _ in range(3):
        begin_s = time.process_time()
        for source in SOURCES:
            message = Message(text.encode()[:65_000], received_s=1.8e9, retained=False)
            with contextlib.suppress(PayloadFault):
                message.readings(source)
        found.append(time.process_time() - begin_s)
    return min(found)


@pytest.mark.parametrize("name", HOSTILE)
def test_cost_grows_with_the_message_and_not_with_its_square(name: str) -> None:
    first_s, last_s = cost_s(HOSTILE[name](SIZES[0])), cost_s(HOSTILE[name](SIZES[-1]))
    # Eightfold by the size; 64-fold by its square, which from 2 ms on would show.
    assert last_s <= max(32.0 * first_s, 0.02)
