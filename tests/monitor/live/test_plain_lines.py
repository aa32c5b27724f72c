"""Plain lines never wait: what a stuck reader does not take waits; beyond a bound it is counted.

What a full disk refuses is counted too; only a reader that has gone ends the program.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import pty
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO

import pytest

from monitor.live.plain_lines import MOST_WAITING_BYTES, PlainLines
from monitor.screen.writer import ScreenWriter

Pipe = tuple[int, TextIO]


@pytest.fixture
def pipe() -> Iterator[Pipe]:
    reading, writing = os.pipe()
    with open(writing, "w", encoding="utf-8") as stream:
        yield reading, stream


def read_all(reading: int) -> list[str]:
    found: list[bytes] = []

    def read() -> None:
        while data := os.read(reading, 65_536):
            found.append(data)
        os.close(reading)

    thread = threading.Thread(target=read)
    thread.start()
    thread.join(30.0)
    assert not thread.is_alive()
    return b"".join(found).decode().splitlines()


def test_lines_that_nobody_reads_wait_and_beyond_the_bound_are_counted(pipe: Pipe) -> None:
    reading, stream = pipe
    lines = PlainLines(stream)
    line = "x" * 999
    said = 4 * MOST_WAITING_BYTES // 1000
    for number in range(said):
        lines.say(f"{number} {line}")
    left_out = lines.left_out
    # As much again as may wait can be in the hands of the thread that is stuck.
    assert left_out >= said // 4
    reader = threading.Thread(target=lambda: found.extend(read_all(reading)))
    found: list[str] = []
    reader.start()
    while not lines._writer.taken(1.0):  # type: ignore[union-attr]
        pass
    lines.say("the last one")
    lines.close()
    stream.close()
    reader.join(30.0)
    assert len(found) == said - left_out + 2
    assert found[-2] == f"{left_out} lines were left out, since the output took none"
    assert found[-1] == "the last one"
    assert [each.split()[0] for each in found[:-2]] == [str(n) for n in range(said - left_out)]


def test_a_reader_that_has_gone_is_found_out(pipe: Pipe) -> None:
    reading, stream = pipe
    lines = PlainLines(stream)
    lines.check()
    os.close(reading)
    lines.say("for nobody")
    lines.close()
    with pytest.raises(BrokenPipeError):
        lines.check()


def test_a_terminal_that_was_hung_up_is_found_out() -> None:
    master, slave = pty.openpty()
    with open(slave, "w", encoding="utf-8") as stream:
        lines = PlainLines(stream)
        os.close(master)
        lines.say("for nobody")
        lines.close()
        with pytest.raises(BrokenPipeError):
            lines.check()


def test_a_full_pipe_that_somebody_made_non_blocking_is_stuck_and_not_gone(pipe: Pipe) -> None:
    reading, stream = pipe
    os.set_blocking(stream.fileno(), False)
    filled = 0
    with contextlib.suppress(BlockingIOError):
        while True:
            filled += os.write(stream.fileno(), b"x" * 4096)
    lines = PlainLines(stream)
    used_s = time.process_time()
    lines.say("GO")
    assert not lines._writer.taken(0.3)  # type: ignore[union-attr]
    assert time.process_time() - used_s < 0.1, "it waits without asking again and again"
    lines.check()
    got = b""
    while len(got) < filled + 3:
        got += os.read(reading, 65_536)
    assert got[filled:] == b"GO\n"
    lines.check()
    lines.close()
    os.close(reading)


def settled(lines: PlainLines) -> None:
    """Wait until what was said has gone or been refused, then look as the watch does."""
    assert lines._writer.taken(10.0)  # type: ignore[union-attr]
    lines.check()


def test_a_full_disk_is_told_of_once_and_its_lines_are_counted(tmp_path: Path) -> None:
    told = io.StringIO()
    file = tmp_path / "calls"
    with open("/dev/full", "w", encoding="utf-8") as full, open(file, "w") as free:
        lines = PlainLines(full, PlainLines(told))
        for number in range(3):
            lines.say(f"call {number}")
            settled(lines)
        begun = (
            "standard output takes no lines (No space left on device); they are left out until it "
            "does, and calls go on to log and broker. Free some space, or send it elsewhere.\n"
        )
        assert told.getvalue() == begun
        # The same descriptor on a disk with space, as when somebody has freed some.
        os.dup2(free.fileno(), lines._writer._fd)  # type: ignore[union-attr]
        lines.say("call 3")
        settled(lines)
        ended = "standard output: 3 lines were left out, since it took none.\n"
        assert told.getvalue() == begun + ended
        os.dup2(full.fileno(), lines._writer._fd)  # type: ignore[union-attr]
        lines.say("call 4")
        lines.close()
    ended_again = "standard output: 1 line was left out, since it took none.\n"
    assert told.getvalue() == begun + ended + begun + ended_again
    assert file.read_text() == "call 3\n"


def test_a_line_that_a_full_disk_cut_off_does_not_run_into_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    room = 8
    write = os.write

    def write_while_there_is_room(fd: int, data: bytes) -> int:
        nonlocal room
        if not room:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        written = write(fd, data[:room])
        room -= written
        return written

    file = tmp_path / "calls"
    with open(file, "w") as stream:
        lines = PlainLines(stream, PlainLines(io.StringIO()))
        monkeypatch.setattr("monitor.screen.writer.os.write", write_while_there_is_room)
        lines.say("GO 1")  # 5 bytes
        settled(lines)
        lines.say("HOLD 2")  # 3 of 7
        settled(lines)
        lines.say("STOP 3")  # none
        settled(lines)
        assert lines._writer.dropped == 2  # type: ignore[union-attr]
        room = 100
        for text in ("HOLD 4", "GO 5"):
            lines.say(text)
            settled(lines)
        monkeypatch.undo()
        lines.close()
    assert file.read_text() == "GO 1\nHOL\nHOLD 4\nGO 5\n"


@pytest.mark.parametrize(
    ("number", "gone"),
    [
        (errno.EPIPE, True),
        (errno.EIO, True),
        (errno.EBADF, True),
        (errno.ENOSPC, False),
        (errno.EDQUOT, False),
        (errno.EFBIG, False),
    ],
)
def test_only_a_reader_that_is_no_more_has_gone(
    pipe: Pipe, monkeypatch: pytest.MonkeyPatch, number: int, *, gone: bool
) -> None:
    def refuse(_fd: int, _data: bytes) -> int:
        raise OSError(number, os.strerror(number))

    writer = ScreenWriter(pipe[1].fileno())
    monkeypatch.setattr("monitor.screen.writer.os.write", refuse)
    writer.write(b"GO\n")
    assert writer.taken(10.0)
    assert (writer.gone, writer.refusing, writer.dropped) == (gone, not gone, int(not gone))
    monkeypatch.undo()
    writer.close()
    os.close(pipe[0])


def test_a_stream_without_a_file_behind_it_is_written_to_as_it_is() -> None:
    stream = io.StringIO()
    lines = PlainLines(stream)
    lines.say("GO")
    lines.check()
    lines.close()
    assert stream.getvalue() == "GO\n"
