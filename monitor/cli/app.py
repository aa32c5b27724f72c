"""The command line: which commands there are, and where each stands."""

from __future__ import annotations

import os
import sys
from collections import UserDict
from importlib import import_module
from typing import Annotated, Any, NamedTuple

import typer
from typer.core import TyperGroup

from monitor import __version__
from monitor.cli.faults import run


class Entry(NamedTuple):
    """A command, which is imported only where it is called for.

    Attributes:
        place: module under `monitor.cli`, and the function or group in it.
        help: what it does.
        example: of its use.
    """

    place: str
    help: str
    example: str


COMMANDS = {
    "check": Entry(
        "check:run",
        "Judge one hand reading: may you start a coat now? With --now, the log's last readings.",
        "check --air 21 --rh 60 --surface 19",
    ),
    "replay": Entry(
        "replay:run",
        "Play a recording as if it were live.",
        "replay logger.csv --spec polyurethane-topcoat --jsonl",
    ),
    "demo": Entry(
        "replay:run_demo", "Play an invented night: a coat, a cold hull, a morning.", "demo"
    ),
    "simulate": Entry(
        "simulate:run",
        "Invent a tent's readings, into a file or onto a broker.",
        "simulate --hours 24 --out night.csv",
    ),
    "watch": Entry(
        "watch:run",
        "Watch live sensors on a broker, and publish the calls.",
        "watch --config polytunnel.toml",
    ),
    "setup": Entry(
        "setup:run",
        "Look at a file or a broker, ask the rest, write a config.",
        "setup logger.csv --yes",
    ),
    "event": Entry(
        "event:run",
        "Write down what was done; a running watch sees it at once.",
        'event coat-started --enclosure polytunnel --at 14:30 --note "port"',
    ),
    "clocks": Entry(
        "clocks:run",
        "Show every countdown: pot life, next coat, tape, cure.",
        "clocks --enclosure polytunnel --json",
    ),
    "batch": Entry(
        "batch:run",
        "Plan how much to mix, in how many batches, and where to stop.",
        "batch --spec polyurethane-topcoat --area hull-port=6.5 --area hull-stbd=6.5 --dry-um 50 "
        "--temp 18",
    ),
    "outlook": Entry(
        "outlook:run",
        "Say when limits break, which hours suit a coat, what helps.",
        "outlook --enclosure polytunnel --hours 12",
    ),
    "review": Entry(
        "review:run",
        "Look back at each coat: in spec, and if not, what harmed it?",
        'review --defect "amine bloom" --seen "greasy, milky, lower planks"',
    ),
    "doctor": Entry(
        "doctor:run",
        "Check the set-up from config to screen, and say what to fix.",
        "doctor --config polytunnel.toml",
    ),
    "export": Entry(
        "log:export",
        "Copy readings, calls, events or alarms out of the log, into a file. jsonl is exact; in "
        "csv a text that begins with = + - @ or a tab has a ' before it, so that no spreadsheet "
        "takes it for a formula.",
        "export readings --format csv --out readings.csv",
    ),
    "today": Entry(
        "plan:today",
        "Say what is next on the boat: may I, what to mix, what the night does, does the day hold.",
        "today --job workboat.toml --forecast creek.csv --at 2026-05-04T16:30Z",
    ),
    "page": Entry(
        "yard:page",
        "Show the calls on phones and tablets, with buttons to record.",
        "page --config polytunnel.toml",
    ),
    "yard": Entry(
        "yard:yard",
        "Show every enclosure of every station in one table, worst first.",
        "yard --broker 127.0.0.1",
    ),
    "ship": Entry(
        "ship:run",
        "Copy whatever the log gains or changes into a database, and follow it.",
        "ship --to postgresql://shed-pi@yard/filmcall",
    ),
    "spec": Entry("spec:spec_app", "Coating specs.", "spec list"),
    "sessions": Entry("log:sessions_app", "Jobs and recordings in the log.", "sessions"),
    "calibrate": Entry(
        "calibrate:calibrate_app",
        "Check probes against salts, each other, or a psychrometer.",
        "calibrate list",
    ),
    "plan": Entry(
        "plan:plan_app",
        "Lay a whole boat's coats out in time: when, how sure, and what decides the day.",
        "plan --job workboat.toml --forecast creek.csv --solve 2",
    ),
}


class Imported(UserDict[str, Any]):
    """The commands of `COMMANDS` by name, each imported when it is taken out."""

    def __getitem__(self, name: str) -> Any:
        """Return a command as the parser wants it."""
        entry = self.data[name]
        module, _, place = entry.place.partition(":")
        found = getattr(import_module(f"monitor.cli.{module}"), place)
        epilog = f"Example: filmcall {entry.example}"
        if isinstance(found, typer.Typer):
            group = typer.main.get_group(found)
            group.name, group.help, group.epilog = name, entry.help, epilog
            return group
        alone = typer.Typer(rich_markup_mode=None, add_completion=False)
        alone.command(name, help=entry.help, epilog=epilog)(found)
        return typer.main.get_command(alone)


class Commands(TyperGroup):
    """The program's commands; a list of them imports none."""

    def __init__(self, **settings: Any) -> None:
        """Take the settings of any group."""
        super().__init__(**settings)
        self.commands = Imported(COMMANDS)

    def format_commands(self, ctx: Any, formatter: Any) -> None:  # noqa: ARG002
        """Write the list of `filmcall --help`."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, entry.help) for name, entry in COMMANDS.items()])


app = typer.Typer(
    name="filmcall",
    cls=Commands,
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Watches the air and the hull in a paint enclosure and calls GO, HOLD or STOP, with "
    "reasons. GO is about the film, never about the air that people breathe.",
)


def main() -> None:
    """Run the command line; a fault that a user can fix is one sentence and exit status 2."""
    # Small matrices gain nothing by a second thread, which spins on a core that others need.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.exit(run(app))


@app.callback(invoke_without_command=True)
def options(
    version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False,
) -> None:
    """Take the options that every command shares."""
    if version:
        typer.echo(f"filmcall {__version__}")
        raise typer.Exit
