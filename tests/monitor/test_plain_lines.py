"""Plain lines never wait: what a stuck reader does not take waits; beyond a bound it is counted."""

from __future__ import annotations

import io
import os
import threading
from collections.abc import Iterator
from typing import TextIO

import pytest

from monitor.plain_lines import MOST_WAITING_BYTES, PlainLines

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


def test_a_stream_without_a_file_behind_it_is_written_to_as_it_is() -> None:
    stream = io.StringIO()
    lines = PlainLines(stream)
    lines.say("GO")
    lines.check()
    lines.close()
    assert stream.getvalue() == "GO\n"
