"""Logs whose readings many tests share: written once in a process, and copied for each test."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from collections.abc import Callable, Hashable
from functools import cache
from pathlib import Path

from monitor.log.log import Store


@cache
def _folder() -> Path:
    folder = tempfile.mkdtemp(prefix="filmcall-logs-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return Path(folder)


_written: dict[Hashable, Path] = {}


def kept_log(path: Path, what: Hashable, write: Callable[[Store], None], now_s: float) -> Store:
    """Return an open log at `path` with what `write` puts into it.

    Args:
        path: of the new log.
        what: says by its value all that `write` puts in.
        write: puts it in.
        now_s: what the log's clock says [s].
    """
    if what not in _written:
        file = _folder() / f"{len(_written)}.db"
        with Store.open(file, now_s=lambda: now_s) as store:
            write(store)
        _written[what] = file
    shutil.copy(_written[what], path)
    return Store.open(path, now_s=lambda: now_s)
