"""Parquet exports read back by two readers that have nothing to do with each other.

Judges: pandas (by Arrow) and DuckDB, held against the export of JSON lines.
"""

from __future__ import annotations

import json
import sys
from collections import Counter
from pathlib import Path

import pandas as pd
import pytest
from command import filmcall
from forgeries import honest

from monitor.log.log import Store
from monitor.log.rows import CallRow


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log with a thinned half hour 420 days before its night."""
    path = tmp_path_factory.mktemp("night") / "log.db"
    honest(path)
    return path


def lines(night: Path, what: str, folder: Path) -> list[dict[str, object]]:
    out = folder / "lines.jsonl"
    ran = filmcall("export", what, "--format", "jsonl", "--out", str(out), "--db", str(night))
    assert ran.code == 0, ran.err
    return [json.loads(line) for line in out.read_text().splitlines()]


def parquet(night: Path, what: str, folder: Path) -> Path:
    out = folder / "columns"
    ran = filmcall("export", what, "--format", "parquet", "--out", str(out), "--db", str(night))
    assert ran.code == 0, ran.err
    assert (folder / "columns.seal").read_text().startswith("Seal of the log: ")
    return out


def test_readings_are_a_file_a_month_and_enclosure_with_the_values_of_the_other_exports(
    night: Path, tmp_path: Path
) -> None:
    out, wanted = parquet(night, "readings", tmp_path), lines(night, "readings", tmp_path)
    files = sorted(str(each.relative_to(out)) for each in out.rglob("*") if each.is_file())
    assert files == ["tent/readings-2025-09.parquet", "tent/readings-2026-11.parquet"]
    frame = pd.read_parquet(out)
    assert str(frame["time"].dtype) == "datetime64[us, UTC]"
    keys = ("source", "point", "quantity", "unit", "value", "calibrated", "quality", "count", "low")
    assert Counter(
        (time, *rest) for time, *rest in frame[["time", *keys]].itertuples(index=False, name=None)
    ) == Counter((pd.Timestamp(row["time"]), *(row[key] for key in keys)) for row in wanted)
    import duckdb

    total = sum(float(str(row["calibrated"])) * int(str(row["count"])) for row in wanted)
    by_other = duckdb.sql(
        "SELECT count(*), sum(calibrated * count), count(DISTINCT point), "
        f"max(received) - min(time) FROM read_parquet('{out}/**/*.parquet')"
    ).fetchall()[0]
    assert by_other[0] == len(wanted)
    assert by_other[1] == pytest.approx(total, rel=1e-12)
    assert by_other[2] == 3
    assert by_other[3].days == 420


def test_calls_are_too(night: Path, tmp_path: Path) -> None:
    out, wanted = parquet(night, "calls", tmp_path), lines(night, "calls", tmp_path)
    frame = pd.read_parquet(out)
    keys = ["row", "enclosure", "section", "call", "stage", "question"]
    assert [tuple(row) for row in frame[keys].itertuples(index=False)] == [
        tuple(row[key] for key in keys) for row in wanted
    ]


@pytest.mark.parametrize(
    ("name", "folder"), [("../shed 2/ö", "..%2Fshed 2%2F%C3%B6"), ("..", "%2E%2E")]
)
def test_an_enclosures_name_makes_no_path_of_its_own(
    tmp_path: Path, name: str, folder: str
) -> None:
    with Store.open(tmp_path / "log.db", now_s=lambda: 1.8e9) as store:
        store.add_call(CallRow(name, "all", 1.8e9, "GO", "prep", "start", "{}"))
    out = parquet(tmp_path / "log.db", "calls", tmp_path)
    (file,) = (each for each in tmp_path.rglob("*.parquet"))
    assert str(file.relative_to(out)) == f"{folder}/calls-2027-01.parquet"
    assert list(pd.read_parquet(file)["enclosure"]) == [name]


def test_what_cannot_be_is_one_sentence(
    night: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = ("export", "readings", "--format", "parquet", "--db", str(night))
    assert "give --out a folder" in filmcall(*words).err
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    ran = filmcall(*words, "--out", str(tmp_path / "out"))
    assert ran.code == 2
    assert "pip install 'filmcall[parquet]'" in ran.err
