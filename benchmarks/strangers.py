"""Commands and minutes to the first right answer for ten invented strangers, before and after.

    python -m benchmarks.strangers [--way hand setup] [--only WORD]

`hand` is the way from the README without setup: a bare replay, then a config typed by hand; `setup`
is `filmcall setup`, its questions answered, then replay or watch with its config. Minutes are the
program's own time, 0.3 s a character typed and 5 s of thought a command or answer: our own pace,
no source; reading the README is not counted.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from tests.support.strangers import STRANGERS, Stranger, Way, by_hand, by_setup
from tests.system.broker import RealBroker

WAYS = {"hand": by_hand, "setup": by_setup}


def gone(stranger: Stranger, way: str) -> Way:
    """Go one way, with a broker of its own where the stranger has one."""
    if stranger.rounds is None:
        return WAYS[way](stranger)
    with tempfile.TemporaryDirectory() as folder:
        broker = RealBroker(Path(folder))
        broker.start()
        try:
            return WAYS[way](stranger, broker.port)
        finally:
            broker.stop()


def main() -> None:
    """Print a line for each stranger and way."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--way", nargs="+", choices=list(WAYS), default=list(WAYS))
    parser.add_argument("--only", default="", help="a word of the stranger's name")
    chosen = parser.parse_args()
    print("stranger | way | right | commands | answers | characters | config lines | min | wrong")
    for stranger in STRANGERS:
        if chosen.only not in stranger.name:
            continue
        for way in chosen.way:
            went = gone(stranger, way)
            spent = f"{went.minutes:.1f}" if went.right else "never"
            print(
                f"{stranger.name} | {way} | {'yes' if went.right else 'no'} | {went.commands} | "
                f"{went.answers} | {went.typed} | {went.lines} | {spent} | {went.before}"
                f"{' | ' * bool(went.why)}{went.why}",
                flush=True,
            )


if __name__ == "__main__":
    main()
