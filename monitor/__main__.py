"""The program's start: `filmcall`, or `python -m monitor`. Loads the command line and runs it."""

from __future__ import annotations

import signal


def main() -> None:
    """Run the command line; Ctrl-C while it still loads ends it without a word."""
    # An import that is interrupted may fail in any way, with a traceback that says nothing.
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    from monitor.cli.app import main as run

    signal.signal(signal.SIGINT, signal.default_int_handler)
    run()


if __name__ == "__main__":
    main()
