"""Runs the command line: what a user can cause is one sentence on standard error and a status."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TextIO

import typer

from monitor.cli.options import BAD_INPUT, say
from monitor.display import forget
from rules.errors import FilmcallError

INTERRUPTED = 130
READER_GONE = 141

# The parser's own class has moved from one module to another; this way to it is public and stays.
_ParserFault: type[Exception] = next(
    each for each in typer.BadParameter.__mro__ if each.__name__ == "UsageError"
)


def run(app: typer.Typer) -> int:
    """Run a command line and return its exit status.

    Args:
        app: what reads the words of the command line.

    Returns:
        The command's own status; 2 for a fault that a user can fix, 130 for Ctrl-C, 141 where
        whoever read the output has gone.
    """
    forget()
    try:
        status = app(prog_name="filmcall", standalone_mode=False)
        if isinstance(status, str):  # what the command has to say
            say(status)
            status = 0
        _flush()
    except FilmcallError as fault:
        return _told(str(fault))
    except _ParserFault as fault:
        return _told_of_usage(fault)
    except (KeyboardInterrupt, typer.Abort):
        return INTERRUPTED
    except BrokenPipeError:
        return _left()
    except SystemExit as end:
        # The parser library ends so where a pipe is closed.
        return _left() if isinstance(end.__context__, BrokenPipeError) else _status(end.code)
    except OSError as error:
        if error.errno is None:
            raise
        return _told(_disk_sentence(error))
    return _status(status)


def usage_sentence(message: str, command: str, example: str) -> str:
    """Return what the parser says of a command's words as one sentence.

    Args:
        message: the parser's own.
        command: as typed so far, such as `filmcall check`.
        example: a whole command line that is right, or "".

    >>> usage_sentence("Missing option '--air'.", "filmcall check", "filmcall check --air 21")
    "missing option '--air', so nothing was done; as in: filmcall check --air 21"
    """
    from rules.text import printable

    words = printable(" ".join(message.split()).rstrip("."), 400)
    words = words[:1].lower() + words[1:]
    for prefix in ("invalid value for ", "got "):
        words = words.removeprefix(prefix)
    fix = f"as in: {example}" if example else f"see: {command} --help"
    return f"{words}, so nothing was done; {fix}"


def _told_of_usage(fault: Exception) -> int:
    message = fault.format_message()  # type: ignore[attr-defined]
    context = getattr(fault, "ctx", None)
    if type(fault).__name__ == "NoArgsIsHelpError":
        typer.echo(message, err=True)
        return BAD_INPUT
    command = context.command_path if context is not None else "filmcall"
    epilog = (context.command.epilog if context is not None else None) or ""
    missing = type(fault).__name__ == "MissingParameter"
    example = epilog.partition("Example: ")[2] if missing else ""
    return _told(usage_sentence(message, command, example))


def _disk_sentence(error: OSError) -> str:
    why = (error.strerror or type(error).__name__).lower()
    where = "a file or the output" if error.filename is None else str(error.filename)
    if isinstance(error, PermissionError) and error.filename is not None:
        from sensors.whole_file import owner_text

        why = ": ".join(filter(None, [why, owner_text(Path(where))]))
    return (
        f"{where} cannot be read or written ({why}), so the command stopped before its end; check "
        "the disk, the file's name and who may use it"
    )


def _told(text: str) -> int:
    from rules.text import printable

    # A list of faults has a line for each; nothing in a line may act upon the terminal.
    lines = [printable(line, 4000) for line in text.split("\n")]
    try:
        typer.echo("filmcall: " + "\n".join(lines), err=True)
        _flush()
    except OSError:
        _drop(sys.stdout)
        _drop(sys.stderr)
    return BAD_INPUT


def _left() -> int:
    _drop(sys.stdout)
    return READER_GONE


def _flush() -> None:
    # What is still held would fail after the last line of the program, with a traceback.
    if sys.stdout is not None:
        sys.stdout.flush()


def _drop(stream: TextIO | None) -> None:
    """Leave nothing for the interpreter to flush into a stream that takes nothing."""
    try:
        if stream is not None:
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
    except (OSError, ValueError):
        return


def _status(code: object) -> int:
    return code if isinstance(code, int) else int(code is not None)
