"""A log after power cuts, by a model of the disk: `python -m benchmarks.kills --model` cuts 30,000.

What is expected: SQLite's own page on atomic commit (a transaction is there whole or not at all),
and this log's promise that nothing told of is lost by a disk that keeps what it said that it has.
"""

from __future__ import annotations

import time
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from random import Random

import pytest
import torn
from torn import Cuts, Disk, cut, look, power_cuts, written

from monitor.live.witness import RECORD_LOST, Witness
from monitor.log.log import Store


@pytest.mark.parametrize("disk", Disk)
def test_what_a_power_cut_leaves_is_a_beginning_of_what_was_written(
    tmp_path: Path, disk: Disk
) -> None:
    cuts = power_cuts(tmp_path, 120, 1, disk)
    assert cuts.problems == []
    assert cuts.cuts == 120
    assert (cuts.lost == 0) == (disk is Disk.HONEST)
    assert bool(cuts.damaged) == (disk is Disk.FALSE)
    assert bool(cuts.seen) == (disk is not Disk.HONEST), "the witness's seal shows what was lost"


def test_the_model_finds_a_log_that_tells_before_it_has_written(tmp_path: Path) -> None:
    states = written(tmp_path, 40, 1)
    early = [replace(a, rows=b.rows, seal=b.seal) for a, b in pairwise(states)]
    chance, cuts = Random(1), Cuts()
    for _ in range(60):
        db, wal, told = cut(early, chance, Disk.HONEST)
        look(tmp_path, db, wal, told, disk=Disk.HONEST, cuts=cuts)
    assert any("were told of and are lost" in problem for problem in cuts.problems)


def test_a_log_whose_end_was_lost_at_any_of_13_places_is_whole_and_its_loss_is_said(
    tmp_path: Path,
) -> None:
    """A card that lies about flushing loses the end of the write-ahead log without a sound."""
    states = written(tmp_path, 26, 3, checkpoint_pages=10_000)
    last = states[-1]
    with Store.open(tmp_path / "log.db", now_s=time.time, read_only=True) as store:
        uuid = store.log_uuid
    path = tmp_path / "cut.db"
    kept = []
    for place in range(13):
        for each in tmp_path.glob("cut.db*"):
            each.unlink()
        path.write_bytes(last.db)
        path.with_name("cut.db-wal").write_bytes(last.wal[: len(last.wal) * place // 13])
        cuts = Cuts()
        torn._look(path, last, Disk.LATE, cuts)
        assert cuts.problems == []
        with Store.open(path, now_s=time.time) as store:
            kept.append(len(store.events()) + len(list(store.calls())))
            witness = Witness(store, "filmcall/shed-pi/seal", "shed-pi")
            witness.heard(
                b'{"log": "%s", "count": %d, "time": "2027-01-15T08:00:00Z", "seal": "%s"}'
                % (uuid.encode(), last.seal.count, last.seal.sha256.encode())
            )
            lost = witness.look(1.8e9 + 100.0, linked=True)
            if kept[-1] == 26:  # only what a run before had left behind the last frame is gone
                assert (lost, witness.trouble) == (None, "")
                continue
            assert lost is not None
            assert lost.what == RECORD_LOST
            assert f"{last.seal.count} rows, the last of 2027-01-15T08:00:00Z" in witness.trouble
            if store.log_uuid == uuid:
                assert "does not hold it: its end was cut off" in witness.trouble
            else:  # nothing of it had reached the card
                assert kept[-1] == 0
                assert "is of another log" in witness.trouble
    assert kept == sorted(kept)
    assert len(set(kept)) > 3
