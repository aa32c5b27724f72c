"""A photo beside an event: copied, hashed, in the report; what is none is refused in a sentence.

The picture is the smallest PNG that ISO/IEC 15948 allows, made here with zlib and its CRC.
"""

from __future__ import annotations

import base64
import os
import struct
import zlib
from pathlib import Path

import pytest
from command import filmcall

from monitor.log.log import Store
from monitor.log.photos import MOST_BYTES, folder_of
from monitor.review.report import html_report
from monitor.review.review import choose_session, review


def png(grey: int = 128) -> bytes:
    def chunk(kind: bytes, held: bytes) -> bytes:
        crc = zlib.crc32(kind + held)
        return struct.pack(">I", len(held)) + kind + held + struct.pack(">I", crc)

    head = struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
    pixels = zlib.compress(bytes([0, grey]))
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", pixels) + chunk(b"IEND", b"")
    )


def note(path: Path, photo: Path | str, *more: str) -> tuple[int, str]:
    ran = filmcall("event", "note", "--enclosure", "tent", "--note", "milky <b>low</b>", "--photo",
                   str(photo), "--db", str(path), *more)  # fmt: skip
    return ran.code, ran.out + ran.err


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "log.db"
    begun = filmcall("event", "session-started", "--enclosure", "tent", "--note", "Workboat",
                     "--db", str(path))  # fmt: skip
    assert begun.code == 0
    return path


def test_a_photo_is_copied_hashed_and_shown(log: Path, tmp_path: Path) -> None:
    file = tmp_path / "port side.png"
    file.write_bytes(png())
    code, said = note(log, file)
    assert (code, "with its photo" in said) == (0, True)
    file.unlink()
    (copy,) = folder_of(log).iterdir()
    assert copy.read_bytes() == png()
    verified = filmcall("sessions", "verify", "--db", str(log))
    assert verified.code == 0
    assert "1 photo is as taken in." in verified.out
    with Store.open(log, now_s=lambda: 0.0, read_only=True) as store:
        page = html_report(review(store, choose_session(store.sessions(), None)))
    assert f"data:image/png;base64,{base64.b64encode(png()).decode()}" in page
    assert "milky &lt;b&gt;low&lt;/b&gt; (live)" in page


def test_a_changed_photo_is_found_and_not_shown(log: Path, tmp_path: Path) -> None:
    file = tmp_path / "a.png"
    file.write_bytes(png())
    note(log, file)
    (copy,) = folder_of(log).iterdir()
    copy.write_bytes(png(200))
    verified = filmcall("sessions", "verify", "--db", str(log))
    assert verified.code == 1
    assert "The photo of event 2 is not as it was taken in." in verified.out
    with Store.open(log, now_s=lambda: 0.0, read_only=True) as store:
        found = review(store, choose_session(store.sessions(), None))
    assert found.photos == ()
    assert "The photo of event 2 is not as it was taken in." in found.chain_problems


def test_a_log_copied_without_its_photos_is_no_forgery_and_says_so(
    log: Path, tmp_path: Path
) -> None:
    file = tmp_path / "a.png"
    file.write_bytes(png())
    note(log, file)
    folder_of(log).rename(tmp_path / "elsewhere")
    verified = filmcall("sessions", "verify", "--db", str(log))
    assert verified.code == 0
    assert "1 photo is not in log.db.photos beside the log: copy that folder" in verified.out


def refused(log: Path, photo: Path | str, why: str) -> None:
    code, said = note(log, photo)
    assert code == 2
    assert why in said
    assert "nothing was recorded" in said
    assert "Traceback" not in said
    assert len(said.strip().splitlines()) == 1
    assert not folder_of(log).exists()
    with Store.open(log, now_s=lambda: 0.0, read_only=True) as store:
        assert len(store.events()) == 1


def test_what_is_no_photo_is_refused_in_one_sentence(log: Path, tmp_path: Path) -> None:
    text = tmp_path / "page.png"
    text.write_text("<svg onload=alert(1)>")
    refused(log, text, "is no JPEG, PNG or WebP picture")
    (tmp_path / "empty.jpg").touch()
    refused(log, tmp_path / "empty.jpg", "is no JPEG, PNG or WebP picture")
    huge = tmp_path / "huge.png"
    huge.write_bytes(png())
    os.truncate(huge, MOST_BYTES + 1)
    refused(log, huge, "is over 10 MB")
    real, link = tmp_path / "real.png", tmp_path / "link.png"
    real.write_bytes(png())
    link.symlink_to(real)
    refused(log, link, "is a link")
    pipe = tmp_path / "pipe.png"
    os.mkfifo(pipe)
    refused(log, pipe, "is no plain file")
    refused(log, tmp_path / "nothing.png", "cannot be read (No such file or directory)")


def test_a_hostile_name_is_only_a_name(log: Path, tmp_path: Path) -> None:
    file = tmp_path / "\x1b[2J$(touch x);\n..png"
    file.write_bytes(png())
    code, said = note(log, file)
    assert (code, "\x1b" in said) == (0, False)
    (copy,) = folder_of(log).iterdir()
    assert copy.name.removesuffix(".png").isalnum()
    file.write_bytes(b"nothing")
    code, said = note(log, file)
    assert (code, "\x1b" in said, len(said.strip().splitlines())) == (2, False, 1)


def test_the_largest_photo_is_taken(log: Path, tmp_path: Path) -> None:
    file = tmp_path / "large.png"
    file.write_bytes(png())
    os.truncate(file, MOST_BYTES)
    assert note(log, file)[0] == 0
