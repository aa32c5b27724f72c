"""A small program that shows one scene on a real terminal, for the tmux test to drive.

python screen_program.py SCENE PIDFILE, with the scene as `put_scene` writes it; "!" crashes it on
purpose.
"""

from __future__ import annotations

import os
import pickle
import sys
import time
from dataclasses import replace
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from monitor.screen.keys import KeyDesk  # noqa: E402
from monitor.screen.terminal import LiveScreen, is_screen  # noqa: E402
from monitor.screen.theme import theme_of  # noqa: E402
from monitor.snapshot import Snapshot  # noqa: E402


def put_scene(scene: Snapshot, folder: Path) -> Path:
    """Write a scene down for the program, which would take longer to make it than to show it."""
    file = folder / "scene"
    file.write_bytes(pickle.dumps(scene))
    return file


def main(scene: Path, pid_file: Path) -> int:
    if not is_screen(sys.stdout, sys.stdin, os.environ):
        print("no screen here")
        return 3
    first: Snapshot = pickle.loads(scene.read_bytes())
    snapshot = first
    theme = theme_of(os.environ)
    desk = KeyDesk(first.enclosure, theme)
    start_s = time.monotonic()
    row = 0
    with LiveScreen(theme) as screen:
        pid_file.write_text(f"{os.getpid()} {os.getppid()}")
        while not screen.gone and screen.stopped_by is None:
            now_s = first.time_s + time.monotonic() - start_s
            snapshot = replace(snapshot, time_s=now_s)
            desk.look(snapshot)
            screen.show(snapshot, desk.view(now_s))
            for key in screen.keys(0.1):
                if key == "!":
                    raise RuntimeError("crash on purpose")
                outcome = desk.press(key, now_s)
                if outcome.record is not None:
                    row += 1
                    kept = replace(outcome.record, row=row)
                    snapshot = replace(snapshot, events=(kept, *snapshot.events))
                    desk.kept(kept, now_s)
                if outcome.withdraw is not None:
                    gone = outcome.withdraw.corrects
                    left = tuple(e for e in snapshot.events if e.row != gone)
                    snapshot = replace(snapshot, events=left)
                    desk.taken_back(outcome.withdraw, now_s)
                if outcome.dim:
                    screen.set_dim(not screen.theme.dim)
                if outcome.glance:
                    screen.set_glance(not screen.glance)
                if outcome.quit:
                    return 0
    return 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), Path(sys.argv[2])))
